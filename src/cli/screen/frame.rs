//! The picture: what comes next, large; the panels; the figures; the rail; what was said; the keys.

use super::View;
use super::big::{Size, big};
use super::line::{Line, Style, cut, flow, wrap};
use super::{drawing, figures, rail};
use crate::run::{CheckKind, Run, RunState, Spot, Want, say};
use crate::view::survey::{Mark, Survey};

/// Columns at which letters five lines high leave room for the longest of what is written in them.
const WIDE: usize = 110;

/// How much of everything is shown; [`PLANS`] has them from rich to poor.
#[derive(Clone, Copy)]
struct Plan {
    big: Option<Size>,
    /// Lines for the drawing; a list if absent.
    drawing: Option<usize>,
    table: bool,
    blanks: bool,
    legend: bool,
    keys: Keys,
    /// Messages that must find room; more are shown if there is more.
    messages: usize,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Keys {
    Full,
    Short,
    None,
}

const RICH: Plan = Plan {
    big: Some(Size::Three),
    drawing: Some(12),
    table: true,
    blanks: true,
    legend: true,
    keys: Keys::Full,
    messages: 6,
};

/// Messages give way first, then air, then the drawing becomes a list.
const PLANS: [Plan; 13] = [
    Plan { big: Some(Size::Five), drawing: Some(18), ..RICH },
    Plan { big: Some(Size::Five), ..RICH },
    RICH,
    Plan { messages: 3, ..RICH },
    Plan { messages: 3, blanks: false, ..RICH },
    Plan { messages: 1, blanks: false, ..RICH },
    Plan { messages: 1, blanks: false, keys: Keys::Short, drawing: Some(9), ..RICH },
    Plan { messages: 1, blanks: false, keys: Keys::Short, drawing: Some(9), table: false, ..RICH },
    Plan {
        messages: 1,
        blanks: false,
        keys: Keys::Short,
        drawing: Some(9),
        table: false,
        legend: false,
        ..RICH
    },
    Plan { messages: 1, blanks: false, keys: Keys::Short, drawing: None, ..RICH },
    Plan { messages: 1, blanks: false, keys: Keys::Short, table: false, drawing: None, ..RICH },
    Plan {
        messages: 1,
        blanks: false,
        keys: Keys::Short,
        table: false,
        drawing: None,
        big: None,
        legend: false,
    },
    Plan {
        messages: 0,
        blanks: false,
        keys: Keys::None,
        table: false,
        drawing: None,
        big: None,
        legend: false,
    },
];

/// The picture of a run: at most `view.height` lines of at most `view.width` columns. `now_us` is the
/// run's time in microseconds since its start.
#[must_use]
pub fn frame(run: &Run, now_us: u64, view: &View) -> Vec<Line> {
    let survey = Survey::of(run);
    let picture = Picture { survey: &survey, now_us, view };
    let fits = |plan: &Plan| {
        let body = picture.body(plan);
        let foot = picture.foot(plan);
        let air = usize::from(plan.blanks);
        let room = view.height.checked_sub(body.len() + foot.len() + air)?;
        let messages = picture.messages(room);
        let enough = messages.len() >= plan.messages.min(view.messages.len());
        enough.then(|| picture.put_together(plan, body, messages, foot))
    };
    let lines = PLANS.iter().find_map(fits).unwrap_or_else(|| picture.least());
    lines.into_iter().map(|line| line.fitted(view.width)).collect()
}

struct Picture<'a> {
    survey: &'a Survey<'a>,
    now_us: u64,
    view: &'a View,
}

impl Picture<'_> {
    fn body(&self, plan: &Plan) -> Vec<Line> {
        let (survey, width) = (self.survey, self.view.width);
        let mut lines = vec![self.headline()];
        lines.extend(self.bar());
        let large = self.large(plan.big);
        // A bar of two lines takes the place of the gap, so that what lies below stays where it is.
        if lines.len() < 3 && large.len() > 1 {
            lines.push(Line::new());
        }
        lines.extend(large);
        self.section(plan, &mut lines, self.panels(plan));
        if plan.legend {
            lines.extend(legend(width));
        }
        let figures = if plan.table { figures::table(survey, width) } else { figures::brief(survey, width) };
        self.section(plan, &mut lines, figures);
        self.section(plan, &mut lines, vec![rail::rail(survey, width)]);
        lines.extend(rail::times(survey, self.now_us, width, plan.legend));
        lines
    }

    fn section(&self, plan: &Plan, lines: &mut Vec<Line>, section: Vec<Line>) {
        if plan.blanks {
            lines.push(Line::new());
        }
        lines.extend(section);
    }

    fn put_together(&self, plan: &Plan, body: Vec<Line>, messages: Vec<Line>, foot: Vec<Line>) -> Vec<Line> {
        let mut lines = body;
        if plan.blanks {
            lines.push(Line::new());
        }
        lines.extend(messages);
        // The keys stand at the lower edge, wherever that is.
        let empty = self.view.height.saturating_sub(lines.len() + foot.len());
        lines.extend(std::iter::repeat_n(Line::new(), empty));
        lines.extend(foot);
        lines
    }

    /// What is left where nothing else fits.
    fn least(&self) -> Vec<Line> {
        let mut foot = self.prompt().unwrap_or_default();
        foot.truncate(self.view.height);
        let mut lines = self.bar();
        lines.push(self.last_value());
        lines.push(self.headline());
        lines.truncate(self.view.height - foot.len());
        lines.extend(foot);
        lines
    }

    /// Study, run and panels; on the right the meter's line.
    fn headline(&self) -> Line {
        let setup = &self.survey.ledger.setup;
        let width = self.view.width;
        let port = tail(&setup.port, (width / 4).max(8));
        let (state, style) =
            if self.survey.link_up { ("link up", Style::Held) } else { (" LINK DOWN ", Style::Alarm) };
        let right = Line::of(Style::Plain, format!("{port} ")).and(style, state);
        let panels: Vec<&str> = setup.panels.iter().map(|p| p.id.as_str()).collect();
        let rest = format!(" · run {} · {}", self.survey.ledger.id, panels.join(" "));
        let room = width.saturating_sub(right.width() + 2);
        let study = cut(&setup.study, room.saturating_sub(rest.chars().count()).max(6));
        let left = Line::of(Style::Strong, format!(" {study}")).and(Style::Quiet, rest);
        let mut line = left.fitted(room).padded(Style::Plain, room + 1);
        line.append(right);
        line
    }

    /// What to do next, across the whole width.
    fn bar(&self) -> Vec<Line> {
        let survey = self.survey;
        let wanted = say::want_sentence(survey.ledger, survey.want);
        let (sign, style, sentence) = match survey.want {
            Want::Nothing if survey.ledger.state == RunState::Abandoned => ('–', Style::Next, wanted),
            Want::Nothing => ('●', Style::Next, wanted),
            _ if !survey.link_up => (
                '■',
                Style::Alarm,
                format!(
                    "The meter's line is down: look at plug and power, the run goes on by itself. Then: {wanted}"
                ),
            ),
            Want::Tile { .. } => ('◇', Style::Next, wanted),
            Want::Zone { .. } => ('▶', Style::Next, wanted),
            Want::Adjust | Want::Resume => ('‖', Style::Next, wanted),
        };
        let wrapped = wrap(&sentence, self.view.width.saturating_sub(4));
        let line = |(i, text): (usize, &String)| {
            let sign = if i == 0 { sign } else { ' ' };
            Line::of(style, format!(" {sign} {text}")).padded(style, self.view.width)
        };
        wrapped.iter().enumerate().map(line).collect()
    }

    /// What comes next and the last value in large letters; the last value alone on a line where that
    /// does not fit.
    fn large(&self, size: Option<Size>) -> Vec<Line> {
        let sizes = match size {
            Some(Size::Five) if self.view.width >= WIDE => [Some(Size::Five), Some(Size::Three)],
            Some(_) => [Some(Size::Three), None],
            None => [None, None],
        };
        let drawn = |size| {
            let next = big(&self.next_in_short(), size)?;
            let Some((value, caption)) = self.value_in_short() else { return self.beside(&next, None) };
            self.beside(&next, Some((&big(&value, size)?, &caption)))
        };
        sizes.into_iter().flatten().find_map(drawn).unwrap_or_else(|| vec![self.last_value()])
    }

    fn beside(&self, next: &[String], value: Option<(&[String], &[String])>) -> Option<Vec<Line>> {
        let width = self.view.width;
        let half = (width / 2).max(next.first().map_or(0, |l| l.chars().count()) + 3);
        let mut lines = Vec::new();
        for (i, row) in next.iter().enumerate() {
            let mut line = Line::of(Style::Strong, format!(" {row}"));
            if let Some((value, caption)) = value {
                line = line.padded(Style::Plain, half);
                line.add(Style::Plain, format!("{}  ", value[i]));
                line.add(Style::Quiet, caption.get(i).map_or("", String::as_str));
            }
            if line.width() > width {
                return None;
            }
            lines.push(line);
        }
        Some(lines)
    }

    fn next_in_short(&self) -> String {
        let survey = self.survey;
        match survey.want {
            Want::Nothing if survey.ledger.state == RunState::Abandoned => "GIVEN UP".to_owned(),
            Want::Nothing => "DONE".to_owned(),
            _ if !survey.link_up => "NO METER".to_owned(),
            Want::Tile { kind: CheckKind::Zero, reading, of, .. } => format!("ZERO {reading}/{of}"),
            Want::Tile { kind: CheckKind::Middle, reading, of, .. } => format!("MIDDLE {reading}/{of}"),
            Want::Tile { reading, of, .. } => format!("TILE {reading}/{of}"),
            Want::Zone { zone, .. } => survey.ledger.setup.zone_label(zone),
            Want::Adjust => "ADJUST".to_owned(),
            Want::Resume => "PAUSED".to_owned(),
        }
    }

    /// The last value at the main geometry, and what it is.
    fn value_in_short(&self) -> Option<(String, Vec<String>)> {
        let readings = self.survey.last_placement();
        let main = self.survey.main_geometry();
        let reading = readings.iter().find(|r| r.geometry == main).or(readings.first())?;
        let others = readings.iter().filter(|r| r.geometry != reading.geometry);
        let others: Vec<String> = others.map(|r| format!("{} {}", r.geometry, r.gloss)).collect();
        let caption = vec![
            match reading.spot {
                Spot::Tile { check } => match self.survey.ledger.checks.get(check as usize).map(|c| c.kind) {
                    Some(CheckKind::Zero) => "last: zero".to_owned(),
                    Some(CheckKind::Middle) => "last: middle".to_owned(),
                    _ => "last: tile".to_owned(),
                },
                Spot::Zone { .. } => format!("last: {}", self.survey.spot(reading.spot)),
            },
            format!("GU at {}", reading.geometry),
            others.join("  "),
        ];
        Some((reading.gloss.to_string(), caption))
    }

    fn last_value(&self) -> Line {
        let readings = self.survey.last_placement();
        let Some(first) = readings.first() else { return Line::of(Style::Quiet, " nothing read yet") };
        let values: Vec<String> =
            readings.iter().map(|r| format!("{} GU at {}", r.gloss, r.geometry)).collect();
        let spot = match first.spot {
            Spot::Tile { .. } => self.survey.spot(first.spot),
            Spot::Zone { .. } => format!("zone {}", self.survey.spot(first.spot)),
        };
        Line::of(Style::Quiet, format!(" last: {spot}  ")).and(Style::Strong, values.join("  "))
    }

    fn panels(&self, plan: &Plan) -> Vec<Line> {
        let drawn = plan.drawing.and_then(|lines| drawing::drawn(self.survey, self.view.width, lines));
        drawn.unwrap_or_else(|| drawing::listed(self.survey, self.view.width))
    }

    /// The newest messages that fit, oldest first.
    fn messages(&self, room: usize) -> Vec<Line> {
        let mut blocks: Vec<Vec<Line>> = Vec::new();
        let mut used = 0;
        for (i, message) in self.view.messages.iter().rev().enumerate() {
            let mut lines = message.lines(self.view.width, i == 0);
            if i == 0 {
                lines.truncate(room);
            }
            used += lines.len();
            if used > room {
                break;
            }
            blocks.push(lines);
        }
        blocks.into_iter().rev().flatten().collect()
    }

    fn prompt(&self) -> Option<Vec<Line>> {
        let prompt = self.view.prompt.as_ref()?;
        let width = self.view.width;
        let ask = Line::of(Style::Strong, format!(" {} ", prompt.ask)).fitted(width.saturating_sub(8));
        let room = width.saturating_sub(ask.width() + 2);
        let mut line = ask.and(Style::Plain, tail(&prompt.typed, room.max(2)));
        line.add(Style::Next, " ");
        let hint = if prompt.remark.is_empty() { prompt.keys } else { prompt.remark };
        let hint_style = if prompt.remark.is_empty() { Style::Quiet } else { Style::Broken };
        Some(vec![line.fitted(width), Line::of(hint_style, format!(" {hint}")).fitted(width)])
    }

    /// The keys, or the question that is being answered.
    fn foot(&self, plan: &Plan) -> Vec<Line> {
        if let Some(prompt) = self.prompt() {
            return prompt;
        }
        if self.survey.over || plan.keys == Keys::None {
            return Vec::new();
        }
        let short = plan.keys == Keys::Short;
        let say = |long, brief| if short { brief } else { long };
        let want = self.survey.want;
        // What would only be refused now is not offered.
        let is_zone = matches!(want, Want::Zone { .. });
        let is_adjusting = want == Want::Adjust;
        let is_asked = self.survey.asked && (is_zone || matches!(want, Want::Tile { .. }));
        let keys = [
            ("Enter", "read", is_asked),
            ("u", "undo", true),
            ("a", "again", true),
            ("v", "void", true),
            ("s", "skip", true),
            ("c", say("check tile", "check"), is_zone),
            ("m", say("adjust meter", "adjust"), !is_adjusting),
            ("d", "adjusted", is_adjusting),
            ("p", if want == Want::Resume { "resume" } else { "pause" }, true),
            ("n", "note", true),
            ("q", "abandon", true),
            (say("Ctrl-C", "^C"), say("stop (can be taken up again)", "stop"), true),
        ];
        let key = |&(key, does, _): &(&str, &str, bool)| {
            Line::of(Style::Strong, key).and(Style::Quiet, format!(" {does}"))
        };
        flow(keys.iter().filter(|key| key.2).map(key), if short { 2 } else { 3 }, self.view.width)
    }
}

fn legend(width: usize) -> Vec<Line> {
    let marks = [
        (Mark::Next, "next"),
        (Mark::ToRead, "to read"),
        (Mark::Pending, "not proven yet"),
        (Mark::Proven, "proven"),
        (Mark::NotHeld, "drifted"),
        (Mark::LeftOut, "left out"),
    ];
    let piece = |(mark, text): &(Mark, &str)| Line::of(Style::Quiet, format!("{} {text}", mark.shape()));
    flow(marks.iter().map(piece), 2, width)
}

/// The end of a text, with an ellipsis where its beginning is missing.
fn tail(text: &str, width: usize) -> String {
    let all: Vec<char> = text.chars().collect();
    if all.len() <= width {
        return text.to_owned();
    }
    let keep = width.saturating_sub(1);
    std::iter::once('…').chain(all[all.len() - keep..].iter().copied()).collect()
}
