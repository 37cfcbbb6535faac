//! The tile's control chart, drawn: in a terminal of 80 columns, and as SVG. Shape carries the meaning.

use crate::report::tile_history::Charted;
use crate::report::tile_history::GeometryHistory;
use crate::report::tile_history::Stretch;
use crate::report::tile_history::TileHistory;
use crate::report::tile_text::day;
use crate::report::tile_text::signed;
use crate::report::tile_text::standing;
use crate::report::tile_text::suggestion;
use crate::report::tile_text::wrapped;
use crate::run::CheckKind;

/// Columns of the terminal that the plot keeps to.
const COLUMNS: usize = 80;
/// Columns left of the plot, for figures.
const MARGIN: usize = 9;
/// Rows of the plot.
const ROWS: usize = 13;
/// Columns from one check to the next at most.
const WIDEST_STEP: usize = 4;

/// What stands side by side on the chart: a check, or the beginning of a stretch.
#[derive(Clone, Copy)]
enum Slot {
    Check(usize),
    Begins,
}

fn slots(history: &GeometryHistory) -> Vec<Slot> {
    let mut slots = Vec::new();
    for (index, stretch) in history.stretches.iter().enumerate() {
        if index > 0 {
            slots.push(Slot::Begins);
        }
        slots.extend((stretch.first..stretch.end).map(Slot::Check));
    }
    slots
}

/// Lowest and highest figure on the chart, a little air about them.
fn range<'h>(
    checks: impl Iterator<Item = &'h Charted>,
    stretches: impl Iterator<Item = &'h Stretch>,
) -> (f64, f64) {
    let limits = stretches.filter_map(Stretch::limits).flat_map(|limits| [limits.lower, limits.upper]);
    let all = checks.map(|charted| charted.check.deviation_gu).chain(limits);
    let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let air = (0.05 * (high - low)).max(0.05);
    (low - air, high + air)
}

/// The mark of a check: its shape says what it is.
fn mark(charted: &Charted) -> char {
    match charted.check.kind {
        CheckKind::AsLeft => '○',
        _ if charted.is_beyond() => '✕',
        _ => '●',
    }
}

/// The chart of one geometry in text, within 80 columns. Of more checks than fit, the newest.
#[must_use]
pub fn terminal(history: &GeometryHistory) -> String {
    let all = slots(history);
    let room = COLUMNS - MARGIN;
    let shown = &all[all.len().saturating_sub(room)..];
    let step = (room / shown.len().max(1)).clamp(1, WIDEST_STEP);
    let checks = || {
        shown.iter().filter_map(|slot| match slot {
            Slot::Check(at) => Some(&history.checks[*at]),
            Slot::Begins => None,
        })
    };
    let oldest = checks().next().map_or(0, |charted| charted.stretch);
    let (low, high) = range(checks(), history.stretches[oldest..].iter());
    let mut grid = Grid { low, high, cells: vec![vec![' '; step * shown.len()]; ROWS] };
    for (at, slot) in shown.iter().enumerate() {
        grid.draw(history, *slot, at * step, step);
    }
    let mut text = grid.with_figures(history);
    let (first, last) = (checks().next().map(day), checks().last().map(day));
    let (first, last) = (first.unwrap_or_default(), last.unwrap_or_default());
    let last = if first == last { String::new() } else { last };
    let width = (step * shown.len()).max(first.len() + last.len() + 2);
    let gap = width.saturating_sub(first.len() + last.len());
    text.push_str(format!("{:MARGIN$}{first}{:gap$}{last}", "", "").trim_end());
    text.push('\n');
    let hidden = history.checks.len() - checks().count();
    if hidden > 0 {
        text.push_str(&format!("{:MARGIN$}the newest; {hidden} before them are in the table\n", ""));
    }
    text
}

/// What the marks of the terminal's chart mean.
pub const LEGEND: &str = "         ● check   ✕ beyond the limits   ○ as left after an adjustment
         ─ centre  ╌ limits  · moving average  ┊ a new stretch begins
";

struct Grid {
    low: f64,
    high: f64,
    cells: Vec<Vec<char>>,
}

impl Grid {
    fn row(&self, value: f64) -> usize {
        let part = (self.high - value) / (self.high - self.low);
        ((part * ROWS as f64) as usize).min(ROWS - 1)
    }

    fn put(&mut self, value: f64, column: usize, mark: char) {
        let row = self.row(value);
        self.cells[row][column] = mark;
    }

    /// Lines first, then the average, then the check on top.
    fn draw(&mut self, history: &GeometryHistory, slot: Slot, column: usize, step: usize) {
        let at = match slot {
            Slot::Begins => {
                self.cells.iter_mut().for_each(|row| row[column] = '┊');
                return;
            }
            Slot::Check(at) => at,
        };
        let charted = &history.checks[at];
        for column in column..column + step {
            if let Some(limits) = history.stretches[charted.stretch].limits() {
                self.put(limits.lower, column, '╌');
                self.put(limits.upper, column, '╌');
                self.put(limits.centre, column, '─');
            }
            if let Some(average) = charted.average_gu {
                self.put(average, column, '·');
            }
        }
        self.put(charted.check.deviation_gu, column, mark(charted));
    }

    /// The rows with their figures: the newest limits and centre, and the ends of the scale.
    fn with_figures(&self, history: &GeometryHistory) -> String {
        let mut figures = vec![None; ROWS];
        let limits = history.stretches.last().and_then(Stretch::limits);
        let lines = limits.map(|l| [l.centre, l.upper, l.lower]);
        let half = 0.5 * (self.high - self.low) / ROWS as f64;
        let ends = [self.high - half, self.low + half];
        for value in lines.into_iter().flatten().chain(ends) {
            figures[self.row(value)].get_or_insert(value);
        }
        let mut text = String::new();
        for (cells, figure) in self.cells.iter().zip(figures) {
            let figure = figure.map(|value| signed(value, history.decimals())).unwrap_or_default();
            let cells: String = cells.iter().collect();
            text.push_str(format!("{figure:>7} │{cells}").trim_end());
            text.push('\n');
        }
        text
    }
}

/// Width of the drawing, in its own units; it is scaled to the room it gets.
const WIDTH: f64 = 600.0;
const LEFT: f64 = 12.0;
const RIGHT: f64 = 520.0;
const TOP: f64 = 62.0;
const HEIGHT: f64 = 210.0;
/// One geometry's part, with its heading and its days.
const PART: f64 = 350.0;
const FOOT: f64 = 66.0;

/// The charts of a study as one SVG, light or dark as the reader's page is.
#[must_use]
pub fn svg(history: &TileHistory) -> String {
    let height = PART * history.geometries.len() as f64 + FOOT;
    let mut text = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" \
         aria-labelledby=\"tile-title tile-desc\" class=\"tile-history\">\n\
         <title id=\"tile-title\">{}: history of the reference tile</title>\n<desc id=\"tile-desc\">{}</desc>\n{STYLE}",
        escaped(&history.study),
        escaped(&description(history))
    );
    text.push_str(&format!("<rect class=\"paper\" width=\"{WIDTH}\" height=\"{height}\"/>\n"));
    for (index, geometry) in history.geometries.iter().enumerate() {
        text.push_str(&format!("<g transform=\"translate(0 {})\">\n", PART * index as f64));
        part(geometry, history.baseline, &mut text);
        text.push_str("</g>\n");
    }
    text.push_str(&legend(height - FOOT));
    text.push_str("</svg>\n");
    text
}

/// What the picture shows, in words.
fn description(history: &TileHistory) -> String {
    let one = |g: &GeometryHistory| {
        let suggests = suggestion(g).unwrap_or_default();
        let checks = g.checks.len();
        let text =
            format!("At {}: {checks} checks. {} {suggests}", g.geometry, standing(g, history.baseline));
        text.trim_end().to_owned()
    };
    let all: Vec<String> = history.geometries.iter().map(one).collect();
    format!("Deviation of the tile from its assigned value in gloss units, check by check. {}", all.join(" "))
}

const STYLE: &str = "<style>\n\
.tile-history{--paper:#fbfaf6;--ink:#20303a;--soft:#5b6b74;--bare:#ece8dc;--rule:#9aa7ad;--slow:#8a5a00;--out:#b3261e;\
font-family:system-ui,sans-serif;font-variant-numeric:tabular-nums;max-width:60rem}\n\
@media (prefers-color-scheme:dark){.tile-history{--paper:#12191d;--ink:#e6ecee;--soft:#a3b1b8;--bare:#1e2a30;\
--rule:#5e6f78;--slow:#e0b050;--out:#ff8a80}}\n\
.tile-history text{fill:var(--ink);font-size:14px}.tile-history .head{font-size:17px;font-weight:600}\
.tile-history .soft{fill:var(--soft)}.tile-history .paper{fill:var(--paper)}.tile-history .bare{fill:var(--bare)}\n\
.tile-history .line{stroke:var(--rule);fill:none;stroke-width:1.5}.tile-history .limit{stroke-dasharray:7 4}\
.tile-history .begin{stroke:var(--ink);stroke-dasharray:2 4}.tile-history .thread{stroke:var(--rule);stroke-width:.8;fill:none}\n\
.tile-history .slow{stroke:var(--slow);fill:none;stroke-width:2}.tile-history .check{fill:var(--ink);stroke:none}\
.tile-history .left{fill:var(--paper);stroke:var(--ink);stroke-width:1.8}\
.tile-history .out{stroke:var(--out);stroke-width:2.8;stroke-linecap:round;fill:none}\n</style>\n";

/// Where things lie in one geometry's part.
struct Scale {
    low: f64,
    high: f64,
    step: f64,
}

impl Scale {
    fn x(&self, slot: usize) -> f64 {
        LEFT + self.step * (slot as f64 + 0.5)
    }

    fn y(&self, value: f64) -> f64 {
        TOP + HEIGHT * (self.high - value) / (self.high - self.low)
    }

    fn y_of(&self, history: &GeometryHistory, check: usize) -> f64 {
        self.y(history.checks[check].check.deviation_gu)
    }
}

fn part(history: &GeometryHistory, baseline: usize, text: &mut String) {
    let slots = slots(history);
    let (low, high) = range(history.checks.iter(), history.stretches.iter());
    // A few checks stand apart as many would at the most, not across the whole width.
    let scale = Scale { low, high, step: ((RIGHT - LEFT) / slots.len().max(1) as f64).min(40.0) };
    text.push_str(&format!(
        "<text class=\"head\" x=\"{LEFT}\" y=\"26\">Tile at {}</text>\n\
         <text class=\"soft\" x=\"{LEFT}\" y=\"46\">mean minus assigned value, GU</text>\n",
        history.geometry
    ));
    for index in 0..history.stretches.len() {
        stretch(history, index, baseline, &slots, &scale, text);
    }
    for (at, slot) in slots.iter().enumerate() {
        if let Slot::Check(check) = slot {
            text.push_str(&shape(&history.checks[*check], scale.x(at), scale.y_of(history, *check)));
        }
    }
    figures(history, &scale, text);
    days(history, scale.x(slots.len().saturating_sub(1)), text);
    let said = suggestion(history).unwrap_or_else(|| standing(history, baseline));
    for (line, said) in wrapped(&said, 76).iter().enumerate() {
        let y = TOP + HEIGHT + 46.0 + 18.0 * line as f64;
        text.push_str(&format!("<text x=\"{LEFT}\" y=\"{y:.0}\">{}</text>\n", escaped(said)));
    }
}

/// The ground of the baseline, limits, centre, average and thread of a stretch, and where it begins.
fn stretch(
    history: &GeometryHistory,
    index: usize,
    baseline: usize,
    slots: &[Slot],
    scale: &Scale,
    text: &mut String,
) {
    let stretch = &history.stretches[index];
    let place = |check: usize| slots.iter().position(|slot| matches!(slot, Slot::Check(at) if *at == check));
    let x = |check: usize| scale.x(place(check).unwrap_or(0));
    let (from, to) = (x(stretch.first) - 0.5 * scale.step, x(stretch.end - 1) + 0.5 * scale.step);
    if let Some(last) = stretch.charted.iter().take(baseline).next_back() {
        let width = x(*last) + 0.5 * scale.step - from;
        text.push_str(&format!(
            "<rect class=\"bare\" x=\"{from:.1}\" y=\"{TOP}\" width=\"{width:.1}\" height=\"{HEIGHT}\"/>\n"
        ));
    }
    if index > 0 {
        let at = from - 0.5 * scale.step;
        let (anchor, beside) = if at > 400.0 { ("end", -5.0) } else { ("start", 5.0) };
        text.push_str(&format!(
            "<path class=\"line begin\" d=\"M{at:.1} {TOP}V{:.1}\"/>\n\
             <text class=\"soft\" text-anchor=\"{anchor}\" x=\"{:.1}\" y=\"{:.1}\">{}</text>\n",
            TOP + HEIGHT,
            at + beside,
            TOP + 13.0,
            stretch.start.text()
        ));
    }
    if let Some(limits) = stretch.limits() {
        for (value, class) in
            [(limits.lower, "line limit"), (limits.centre, "line"), (limits.upper, "line limit")]
        {
            text.push_str(&format!(
                "<path class=\"{class}\" d=\"M{from:.1} {:.1}H{to:.1}\"/>\n",
                scale.y(value)
            ));
        }
    }
    let thread: Vec<String> =
        stretch.charted.iter().map(|at| format!("{:.1},{:.1}", x(*at), scale.y_of(history, *at))).collect();
    text.push_str(&format!("<polyline class=\"thread\" points=\"{}\"/>\n", thread.join(" ")));
    let average = stretch.charted.iter().filter_map(|at| {
        history.checks[*at].average_gu.map(|value| format!("{:.1},{:.1}", x(*at), scale.y(value)))
    });
    let average: Vec<String> = average.collect();
    text.push_str(&format!("<polyline class=\"slow\" points=\"{}\"/>\n", average.join(" ")));
}

/// A check: a dot, a cross beyond the limits, a ring after an adjustment.
fn shape(charted: &Charted, x: f64, y: f64) -> String {
    match mark(charted) {
        '✕' => format!("<path class=\"out\" d=\"M{:.1} {:.1}l10 10m0-10l-10 10\"/>\n", x - 5.0, y - 5.0),
        '○' => format!("<circle class=\"left\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4.5\"/>\n"),
        _ => format!("<circle class=\"check\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"4\"/>\n"),
    }
}

/// The newest limits and centre at the right; without limits, the ends of the scale.
fn figures(history: &GeometryHistory, scale: &Scale, text: &mut String) {
    let limits = history.stretches.last().and_then(Stretch::limits);
    let air = 0.05 * (scale.high - scale.low);
    let figures = match limits {
        Some(limits) => vec![limits.upper, limits.centre, limits.lower],
        None => vec![scale.high - air, scale.low + air],
    };
    let middle = scale.y(figures[figures.len() / 2]);
    for (place, value) in figures.iter().enumerate() {
        // Close lines have their figures pushed apart.
        let y = match (limits.is_some(), place) {
            (true, 0) => scale.y(*value).min(middle - 16.0),
            (true, 2) => scale.y(*value).max(middle + 16.0),
            _ => scale.y(*value),
        };
        let figure = signed(*value, history.decimals()).replace('-', "\u{2212}");
        text.push_str(&format!("<text x=\"{:.1}\" y=\"{:.1}\">{figure}</text>\n", RIGHT + 8.0, y + 5.0));
    }
}

/// The first and the last day below the chart.
fn days(history: &GeometryHistory, last_x: f64, text: &mut String) {
    let y = TOP + HEIGHT + 20.0;
    let (first, last) = (history.checks.first().map(day), history.checks.last().map(day));
    let (first, last) = (first.unwrap_or_default(), last.unwrap_or_default());
    text.push_str(&format!("<text class=\"soft\" x=\"{LEFT}\" y=\"{y}\">{}</text>\n", escaped(&first)));
    if first != last {
        let x = last_x.max(LEFT + 190.0);
        text.push_str(&format!(
            "<text class=\"soft\" text-anchor=\"end\" x=\"{x:.1}\" y=\"{y}\">{}</text>\n",
            escaped(&last)
        ));
    }
}

fn legend(top: f64) -> String {
    let (one, two) = (top + 16.0, top + 42.0);
    let mut text = format!(
        "<circle class=\"check\" cx=\"18\" cy=\"{one}\" r=\"4\"/><path class=\"out\" d=\"M103 {}l10 10m0-10l-10 10\"/>\
         <circle class=\"left\" cx=\"258\" cy=\"{one}\" r=\"4.5\"/><path class=\"line\" d=\"M12 {two}h24\"/>\
         <path class=\"line limit\" d=\"M103 {two}h24\"/><path class=\"slow\" d=\"M200 {two}h24\"/>\
         <rect class=\"bare\" x=\"358\" y=\"{}\" width=\"24\" height=\"14\"/>\n",
        one - 5.0,
        two - 7.0
    );
    let words = [
        (30.0, one, "check"),
        (122.0, one, "beyond the limits"),
        (270.0, one, "as left after an adjustment"),
        (42.0, two, "centre"),
        (133.0, two, "limits"),
        (230.0, two, "moving average"),
        (388.0, two, "baseline"),
    ];
    for (x, y, word) in words {
        text.push_str(&format!("<text x=\"{x}\" y=\"{}\">{word}</text>\n", y + 5.0));
    }
    text
}

/// Text as it may stand in XML; characters that may not are left out.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => {}
            c => out.push(c),
        }
    }
    out
}
