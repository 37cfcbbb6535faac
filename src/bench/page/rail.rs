//! The bracket rail: a check at each end, as high as it lies off the tile's value, so that drift is the slope
//! between them; on the beam between, what was read.

use super::marks;
use super::marks::at;
use crate::run::Status;
use crate::tile::CheckVerdict;
use crate::units::Geometry;
use crate::view::BracketView;
use crate::view::CheckView;
use crate::view::RailBead;
use crate::view::RailView;
use crate::view::RunView;
use crate::view::Tone;
use crate::view::survey::Mark;
use maud::Markup;
use maud::html;

/// From one bead to the next.
const STEP: f64 = 30.0;
/// Left and right of the rail.
const EDGE: f64 = 46.0;
const HEIGHT: f64 = 172.0;
const MIDDLE: f64 = 84.0;
/// How high a check stands whose mean is off by the whole tolerance.
const REACH: f64 = 36.0;
/// Beads that are drawn one by one.
const MOST: usize = 64;

/// What stands on the drawn rail.
enum Item<'v> {
    Bead(&'v RailBead),
    /// So many placements that stand alike.
    Folded(usize, Mark),
    /// So many that are to come.
    FoldedToCome(usize),
    /// Nothing.
    Gap,
}

/// The rail with its words.
pub fn rail(view: &RunView) -> Markup {
    let items = folded(&view.rail);
    let width = 2.0 * EDGE + STEP * items.len().saturating_sub(1) as f64;
    let drawing = Drawing { rail: &view.rail, geometry: view.main_geometry, items: &items };
    html! {
        div class="rail-scroll" tabindex="0" role="region" aria-label="The rail, from side to side" {
            // Without a view box: places across are parts of the width, so that the rail fills what room there is.
            svg class="rail" width=(at(width)) height=(at(HEIGHT)) role="img" aria-label=(told(view)) {
                (drawing.tolerance())
                @for bracket in &view.rail.brackets { (drawing.beam(bracket)) }
                @for at in 0..items.len() { (drawing.item(at)) }
            }
        }
        p class="dues" {
            // How long ago the tile was checked goes on between two pictures: the script counts it up.
            @let since = view.since_check_s.filter(|_| !view.is_over);
            @if let Some((since, (tone, _))) = since.zip(view.dues.first()) {
                span class=(format!("due {}", tone_class(*tone))) data-since-check-s=(since) {
                    @if *tone == Tone::Broken { "tile did not pass, " } @else { "tile passed " }
                    span class="clock" { (format!("{}:{:02}", since / 60, since % 60)) } " min ago"
                } " "
            }
            @for (tone, text) in view.dues.iter().skip(usize::from(since.is_some())) {
                span class=(format!("due {}", tone_class(*tone))) { (text) } " "
            }
        }
        (checks(view))
    }
}

/// The class of a tone.
pub const fn tone_class(tone: Tone) -> &'static str {
    match tone {
        Tone::Plain => "plain",
        Tone::Quiet => "quiet",
        Tone::Waiting => "waiting",
        Tone::Held => "held",
        Tone::Broken => "broken",
    }
}

/// The rail in words.
fn told(view: &RunView) -> String {
    let beads = &view.rail.beads;
    let count = |mark: Mark| {
        beads.iter().filter(|b| matches!(b, RailBead::Placement { mark: m, .. } if *m == mark)).count()
    };
    let to_come = beads.iter().filter(|b| matches!(b, RailBead::ToCome)).count();
    let checks =
        beads.iter().filter(|b| matches!(b, RailBead::Check(check) if check.verdict.is_some())).count();
    format!(
        "{checks} checks; placements: {} proven, {} not proven yet, {} that did not hold, {} left out, {to_come} to come",
        count(Mark::Proven),
        count(Mark::Pending),
        count(Mark::NotHeld),
        count(Mark::LeftOut)
    )
}

/// Where there are too many beads for a look, stretches of placements that stand alike become one.
fn folded(rail: &RailView) -> Vec<Item<'_>> {
    let beads = &rail.beads;
    let is_long = beads.len() > MOST;
    let mut items = Vec::new();
    let mut at = 0;
    while at < beads.len() {
        let run = beads[at..].iter().take_while(|bead| alike(bead, &beads[at])).count();
        let fold = is_long && run > 6;
        match &beads[at] {
            RailBead::Placement { mark, .. } if fold => items.push(Item::Folded(run, *mark)),
            RailBead::ToCome if fold => items.push(Item::FoldedToCome(run)),
            _ => items.extend(beads[at..at + run].iter().map(Item::Bead)),
        }
        at += run;
        // Two checks side by side have room for their words.
        if is_check(&beads[at - 1]) && beads.get(at).is_some_and(is_check) {
            items.push(Item::Gap);
        }
    }
    items
}

const fn is_check(bead: &RailBead) -> bool {
    matches!(bead, RailBead::Check(_))
}

fn alike(one: &RailBead, other: &RailBead) -> bool {
    match (one, other) {
        (RailBead::Placement { mark: a, .. }, RailBead::Placement { mark: b, .. }) => a == b,
        (RailBead::ToCome, RailBead::ToCome) => true,
        _ => std::ptr::eq(one, other),
    }
}

struct Drawing<'v> {
    rail: &'v RailView,
    geometry: Geometry,
    items: &'v [Item<'v>],
}

impl Drawing<'_> {
    fn x(at: usize) -> f64 {
        EDGE + STEP * at as f64
    }

    /// A place across, as a part of the whole width.
    fn part(&self, x: f64) -> String {
        let width = 2.0 * EDGE + STEP * self.items.len().saturating_sub(1) as f64;
        format!("{}%", at(100.0 * x / width))
    }

    /// A mark of its own at a place on the rail.
    fn placed(&self, x: f64, y: f64, mark: &Markup) -> Markup {
        html! { svg x=(self.part(x)) y=(at(y)) overflow="visible" { (mark) } }
    }

    fn label(&self, x: f64, y: f64, class: &str, text: &str) -> Markup {
        html! { text class=(class) x=(self.part(x)) y=(at(y)) font-size="13" text-anchor="middle" { (text) } }
    }

    /// How high a deviation stands; what is far off stands at the edge.
    fn height(&self, deviation_gu: f64) -> f64 {
        let part = if self.rail.tolerance_gu > 0.0 { deviation_gu / self.rail.tolerance_gu } else { 0.0 };
        MIDDLE - REACH * part.clamp(-1.4, 1.4)
    }

    fn check_height(&self, check: &CheckView) -> f64 {
        check.deviation_gu.get(self.geometry).map_or(MIDDLE, |gu| self.height(*gu))
    }

    fn place_of_check(&self, index: usize) -> Option<(usize, &CheckView)> {
        self.items.iter().enumerate().find_map(|(at, item)| match item {
            Item::Bead(RailBead::Check(check)) if check.index == index => Some((at, check)),
            _ => None,
        })
    }

    /// From where to where a bracket's beam goes: to the check that ended it, or level to what is to come.
    fn ends(&self, bracket: &BracketView) -> Option<[(f64, f64); 2]> {
        let (from, opening) = self.place_of_check(bracket.opening)?;
        let start = (Self::x(from), self.check_height(opening));
        let closing = bracket.closing.and_then(|index| self.place_of_check(index));
        let end = match closing {
            Some((to, check)) => (Self::x(to), self.check_height(check)),
            None => (Self::x(self.items.len().saturating_sub(1)), start.1),
        };
        Some([start, end])
    }

    fn tolerance(&self) -> Markup {
        let edge = format!("±{} GU", at(self.rail.tolerance_gu));
        html! {
            rect class="tolerance" x="0" y=(at(MIDDLE - REACH)) width="100%" height=(at(2.0 * REACH)) {}
            line class="assigned" x1="0" y1=(at(MIDDLE)) x2="100%" y2=(at(MIDDLE)) stroke-width="1" {}
            text class="scale" x="3" y=(at(MIDDLE + REACH - 3.0)) font-size="11" { (edge) }
        }
    }

    fn beam(&self, bracket: &BracketView) -> Markup {
        let Some([(x1, y1), (x2, y2)]) = self.ends(bracket) else { return html! {} };
        let (class, dashes) = match bracket.status {
            Status::Proven => ("beam proven", "none"),
            Status::Pending => ("beam pending", "7 6"),
            _ => ("beam not-held", "2 6"),
        };
        let drift = bracket.drift.get(self.geometry).filter(|_| x2 - x1 >= 3.0 * STEP);
        html! {
            line class=(class) x1=(self.part(x1)) y1=(at(y1)) x2=(self.part(x2)) y2=(at(y2)) stroke-width="4"
                stroke-dasharray=(dashes) {}
            @if let Some(drift) = drift {
                @let word = if bracket.status == Status::Proven { "moved" } else { "did not hold, moved" };
                @let rate = drift.gu_per_h.map_or_else(String::new, |rate| format!(", {rate:+.2} GU/h"));
                (self.label((x1 + x2) / 2.0, HEIGHT - 8.0, "drift", &format!("{word} {:+.2} GU{rate}", drift.gu)))
            }
        }
    }

    /// The height of the beam at a place between two checks.
    fn beam_height(&self, x: f64) -> f64 {
        let on = |[(x1, _), (x2, _)]: &[(f64, f64); 2]| *x1 <= x && x <= *x2;
        let ends = self.rail.brackets.iter().filter_map(|bracket| self.ends(bracket)).find(on);
        ends.map_or(
            MIDDLE,
            |[(x1, y1), (x2, y2)]| {
                if x2 > x1 { y1 + (y2 - y1) * (x - x1) / (x2 - x1) } else { y1 }
            },
        )
    }

    fn item(&self, index: usize) -> Markup {
        let x = Self::x(index);
        let below = MIDDLE + REACH + 20.0;
        match &self.items[index] {
            Item::Bead(RailBead::Check(check)) => self.check(check, x),
            Item::Bead(RailBead::CheckToCome) => html! {
                g { title { "check to come" } (self.placed(x, self.beam_height(x), &marks::check(None, false, 0.0, 0.0, 12.0))) }
            },
            Item::Bead(RailBead::ToCome) => self.to_come(x, None),
            Item::Bead(RailBead::Placement { number, label, mark, value_gu }) => {
                let told = format!("placement {number}, {label}: {value_gu} GU, {}", mark.text());
                html! {
                    g data-placement=(number) data-mark=(marks::class(*mark)) {
                        title { (told) }
                        (self.read(x, *mark, 7.5))
                        @if label.chars().count() <= 4 { (self.label(x, below, "label", label)) }
                    }
                }
            }
            Item::Folded(count, mark) => html! {
                g {
                    title { (count) " placements, " (mark.text()) }
                    (self.read(x, *mark, 8.0))
                    (self.label(x, below, "label", &format!("×{count}")))
                }
            },
            Item::FoldedToCome(count) => self.to_come(x, Some(*count)),
            Item::Gap => html! {},
        }
    }

    fn read(&self, x: f64, mark: Mark, r: f64) -> Markup {
        let bead =
            html! { circle class="bed" cx="0" cy="0" r=(at(r + 3.0)) {} (marks::mark(mark, 0.0, 0.0, r)) };
        self.placed(x, self.beam_height(x), &bead)
    }

    fn to_come(&self, x: f64, count: Option<usize>) -> Markup {
        html! {
            circle class="mark to-read" cx=(self.part(x)) cy=(at(self.beam_height(x))) r="4" {}
            @if let Some(count) = count { (self.label(x, MIDDLE + REACH + 20.0, "label", &format!("+{count}"))) }
        }
    }

    fn check(&self, check: &CheckView, x: f64) -> Markup {
        let y = self.check_height(check);
        let deviation = check.deviation_gu.get(self.geometry).map(|gu| format!("{gu:+.2}"));
        let verdict = verdict_words(check.verdict);
        html! {
            g data-check=(check.kind.text()) data-verdict=(verdict) {
                title { (check.kind.text()) " check, " (check.time) ": " (verdict) }
                (self.placed(x, y, &marks::check(check.verdict, check.kind.is_of_scale(), 0.0, 0.0, 12.0)))
                (self.label(x, 14.0, "label", check.kind.text()))
                @if let Some(deviation) = deviation { (self.label(x, 29.0, "label strong", &deviation)) }
            }
        }
    }
}

const fn verdict_words(verdict: Option<CheckVerdict>) -> &'static str {
    match verdict {
        None => "unfinished",
        Some(CheckVerdict::Passed) => "passed",
        Some(CheckVerdict::Failed) => "failed",
        Some(CheckVerdict::Invalid) => "invalid",
    }
}

/// The checks as a table.
fn checks(view: &RunView) -> Markup {
    let checks: Vec<&CheckView> = view
        .rail
        .beads
        .iter()
        .filter_map(|bead| match bead {
            RailBead::Check(check) if check.verdict.is_some() => Some(check),
            _ => None,
        })
        .collect();
    if checks.is_empty() {
        return html! {};
    }
    html! {
        details class="more" id="rail-checks" {
            summary { "Checks in figures" }
            div class="table-scroll" tabindex="0" role="region" aria-label="Checks" {
                table {
                    thead { tr { th scope="col" { "Check" } th scope="col" { "Time" } th scope="col" { "Came to" }
                        th scope="col" { "Off the tile's value, GU" } th scope="col" { "The tile moved since the one before" } } }
                    tbody {
                        @for check in &checks {
                            tr {
                                th scope="row" { (marks::small_check(check.verdict, check.kind.is_of_scale())) " " (check.kind.text()) }
                                td class="fig" { (check.time) }
                                td { (verdict_words(check.verdict)) }
                                td class="fig" { (per_geometry(check.deviation_gu.iter().map(|(g, gu)| (g, *gu)))) }
                                td class="fig" { (moved(view, check)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn per_geometry(values: impl Iterator<Item = (Geometry, f64)>) -> String {
    values.map(|(g, gu)| format!("{gu:+.2} at {g}")).collect::<Vec<_>>().join(", ")
}

fn moved(view: &RunView, check: &CheckView) -> String {
    let ended = view.rail.brackets.iter().find(|bracket| bracket.closing == Some(check.index));
    let Some(bracket) = ended else { return String::new() };
    let moved = per_geometry(bracket.drift.iter().map(|(g, drift)| (g, drift.gu)));
    let held = if bracket.status == Status::Proven { "bracket holds" } else { "bracket does not hold" };
    if moved.is_empty() { held.to_owned() } else { format!("{moved}; {held}") }
}
