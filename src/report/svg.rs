//! The tile's control chart as SVG: text and paths, no picture library, light or dark as the page is.

use crate::report::plot::Slot;
use crate::report::plot::mark;
use crate::report::plot::range;
use crate::report::plot::slots;
use crate::report::tile_history::Charted;
use crate::report::tile_history::GeometryHistory;
use crate::report::tile_history::Stretch;
use crate::report::tile_history::TileHistory;
use crate::report::tile_text::CAUTION;
use crate::report::tile_text::day;
use crate::report::tile_text::signed;
use crate::report::tile_text::standing;
use crate::report::tile_text::suggestion;
use crate::text::wrapped;

/// Width of the drawing, in its own units; it is scaled to the room it gets.
const WIDTH: f64 = 520.0;
const LEFT: f64 = 12.0;
const RIGHT: f64 = 442.0;
const TOP: f64 = 72.0;
const HEIGHT: f64 = 210.0;
/// One geometry's part, with its heading and its days.
const PART: f64 = 362.0;
const FOOT: f64 = 104.0;

/// The charts of a study as one SVG, light or dark as the reader's page is.
#[must_use]
pub fn svg(history: &TileHistory) -> String {
    let height = PART * history.geometries.len() as f64 + FOOT;
    let mut text = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" role=\"img\" \
         aria-labelledby=\"tile-title tile-desc\" class=\"tile-history\">\n\
         <title id=\"tile-title\">{}: history of the reference tile</title>\n<desc id=\"tile-desc\">{}</desc>\n<style>\n{COLOURS}{RULES}</style>\n",
        escaped(&history.study),
        escaped(&description(history))
    );
    text.push_str(&format!("<rect class=\"paper\" width=\"{WIDTH}\" height=\"{height}\"/>\n"));
    for (index, geometry) in history.geometries.iter().enumerate() {
        text.push_str(&format!("<g transform=\"translate(0 {})\">\n", PART * index as f64));
        part(geometry, history.baseline, &mut text);
        text.push_str("</g>\n");
    }
    text.push_str(&legend(height - FOOT, history.geometries.iter().any(|g| g.pattern.is_some())));
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

/// The picture's style sheet and the picture without it, for a page that may hold no style of its own.
#[must_use]
pub fn apart(svg: &str) -> Option<(&str, String)> {
    let (head, rest) = svg.split_once("<style>\n")?;
    let (style, picture) = rest.split_once("</style>\n")?;
    Some((style, format!("{head}{picture}")))
}

/// Its own colours, those of the house.
const COLOURS: &str = ".tile-history{--paper:#fbfaf6;--ink:#20303a;--soft:#5b6b74;--bare:#ece8dc;--rule:#9aa7ad;--slow:#8a5a00;--out:#b3261e;\
font-family:system-ui,sans-serif;font-variant-numeric:tabular-nums;max-width:60rem}\n\
@media (prefers-color-scheme:dark){.tile-history{--paper:#12191d;--ink:#e6ecee;--soft:#a3b1b8;--bare:#1e2a30;\
--rule:#5e6f78;--slow:#e0b050;--out:#ff8a80}}\n";

/// What its parts look like, in the colours of whatever page it stands on.
pub const RULES: &str = ".tile-history text{fill:var(--ink);font-size:14px}.tile-history .head{font-size:17px;font-weight:600}\
.tile-history .soft{fill:var(--soft)}.tile-history .paper{fill:var(--paper)}.tile-history .bare{fill:var(--bare)}\n\
.tile-history .line{stroke:var(--rule);fill:none;stroke-width:1.5}.tile-history .limit{stroke-dasharray:7 4}\
.tile-history .begin{stroke:var(--ink);stroke-dasharray:2 4}.tile-history .thread{stroke:var(--rule);stroke-width:.8;fill:none}\n\
.tile-history .slow{stroke:var(--slow);fill:none;stroke-width:2}.tile-history .check{fill:var(--ink);stroke:none}\
.tile-history .left{fill:var(--paper);stroke:var(--ink);stroke-width:1.8}\
.tile-history .out{stroke:var(--out);stroke-width:2.8;stroke-linecap:round;fill:none}\n";

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
    figures(history, &scale, text);
    for (at, slot) in slots.iter().enumerate() {
        if let Slot::Check(check) = slot {
            text.push_str(&shape(
                &history.checks[*check],
                scale.x(at),
                scale.y_of(history, *check),
                scale.step,
            ));
        }
    }
    days(history, scale.x(slots.len().saturating_sub(1)), text);
    let said = suggestion(history).unwrap_or_else(|| standing(history, baseline));
    for (line, said) in wrapped(&said, 66).iter().enumerate() {
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
        // The newest baseline shows its whole room, so that what is missing can be seen.
        let is_newest = index + 1 == history.stretches.len();
        let missing = if is_newest { baseline.saturating_sub(stretch.charted.len()) } else { 0 };
        let end = x(*last) + scale.step * (0.5 + missing as f64);
        let width = end.min(RIGHT) - from;
        text.push_str(&format!(
            "<rect class=\"bare\" x=\"{from:.1}\" y=\"{TOP}\" width=\"{width:.1}\" height=\"{HEIGHT}\"/>\n"
        ));
    }
    if index > 0 {
        let at = from - 0.5 * scale.step;
        text.push_str(&format!(
            "<path class=\"line begin\" d=\"M{at:.1} {:.1}V{:.1}\"/>\n",
            TOP - 16.0,
            TOP + HEIGHT
        ));
        // A stretch too short for a word behind the last one goes without.
        let before = x(history.stretches[index - 1].first);
        if index == 1 || at - before > 70.0 {
            text.push_str(&format!(
                "<text class=\"soft\" x=\"{:.1}\" y=\"{:.1}\">{}</text>\n",
                at + 5.0,
                TOP - 5.0,
                stretch.start.text()
            ));
        }
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
fn shape(charted: &Charted, x: f64, y: f64, step: f64) -> String {
    // Many checks stand close; their dots get smaller.
    let radius = (0.5 * step).clamp(1.5, 4.0);
    match mark(charted) {
        '✕' => format!("<path class=\"out\" d=\"M{:.1} {:.1}l10 10m0-10l-10 10\"/>\n", x - 5.0, y - 5.0),
        '○' => format!("<circle class=\"left\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\"/>\n"),
        _ => format!("<circle class=\"check\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{radius:.1}\"/>\n"),
    }
}

/// The newest limits and centre at the right; without limits, the assigned value and the ends of the scale.
fn figures(history: &GeometryHistory, scale: &Scale, text: &mut String) {
    let air = 0.05 * (scale.high - scale.low);
    let [upper, middle, lower] = match history.stretches.last().and_then(Stretch::limits) {
        Some(limits) => [limits.upper, limits.centre, limits.lower],
        None => {
            let y = scale.y(0.0);
            text.push_str(&format!("<path class=\"thread\" d=\"M{LEFT} {y:.1}H{RIGHT}\"/>\n"));
            [scale.high - air, 0.0, scale.low + air]
        }
    };
    // Close lines have their figures pushed apart.
    let y = scale.y(middle);
    for (value, y) in
        [(upper, scale.y(upper).min(y - 16.0)), (middle, y), (lower, scale.y(lower).max(y + 16.0))]
    {
        let figure = signed(value, history.decimals()).replace('-', "\u{2212}");
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
        let x = (last_x + 6.0).max(LEFT + 190.0);
        text.push_str(&format!(
            "<text class=\"soft\" text-anchor=\"end\" x=\"{x:.1}\" y=\"{y}\">{}</text>\n",
            escaped(&last)
        ));
    }
}

/// What the marks mean, and the caution where something is suggested.
fn legend(top: f64, suggests: bool) -> String {
    let (one, two) = (top + 16.0, top + 42.0);
    let mut text = format!(
        "<circle class=\"check\" cx=\"18\" cy=\"{one}\" r=\"4\"/><path class=\"out\" d=\"M88 {}l10 10m0-10l-10 10\"/>\
         <circle class=\"left\" cx=\"246\" cy=\"{one}\" r=\"4\"/><path class=\"line\" d=\"M12 {two}h24\"/>\
         <path class=\"line limit\" d=\"M100 {two}h24\"/><path class=\"slow\" d=\"M186 {two}h24\"/>\
         <rect class=\"bare\" x=\"338\" y=\"{}\" width=\"24\" height=\"14\"/>\n",
        one - 5.0,
        two - 7.0
    );
    let words = [
        (30.0, one, "check"),
        (106.0, one, "beyond the limits"),
        (258.0, one, "as left after an adjustment"),
        (42.0, two, "centre"),
        (130.0, two, "limits"),
        (216.0, two, "moving average"),
        (368.0, two, "baseline"),
    ];
    for (x, y, word) in words {
        text.push_str(&format!("<text x=\"{x}\" y=\"{}\">{word}</text>\n", y + 5.0));
    }
    let caution = if suggests { CAUTION } else { "" };
    for (line, words) in wrapped(caution, 70).iter().enumerate() {
        let y = two + 30.0 + 18.0 * line as f64;
        text.push_str(&format!("<text class=\"soft\" x=\"{LEFT}\" y=\"{y}\">{}</text>\n", escaped(words)));
    }
    text
}

/// Text as it may stand in XML; characters that may not are left out.
#[must_use]
pub fn escaped(text: &str) -> String {
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
