//! Means and spreads of the sides, and the difference with its interval, so far or for good.

use super::marks::at;
use crate::difference::weighing::Known;
use crate::difference::weighing::Part;
use crate::view::DifferenceView;
use crate::view::Proof;
use crate::view::RunView;
use crate::view::sides::Side;
use maud::Markup;
use maud::html;

/// Both sides so far, and their differences.
pub fn figures(view: &RunView) -> Markup {
    html! {
        @if !view.differences.is_empty() {
            (differences(view))
        }
        div class="table-scroll" tabindex="0" role="region" aria-label="Means of the sides" {
            table class="sides" {
                thead { tr {
                    th scope="col" { "Side" } th scope="col" { "Zones" } th scope="col" { "Mean, GU" }
                    th scope="col" { "Spread (sd), GU" }
                } }
                tbody { @for side in &view.sides { (side_row(side)) } }
            }
        }
    }
}

fn figure(value: Option<f64>) -> String {
    value.map_or_else(|| "–".to_owned(), |value| format!("{value:.2}"))
}

fn side_row(side: &Side) -> Markup {
    html! {
        tr class=(if side.is_control { "control" } else { "treated" }) {
            th scope="row" { (side.name) }
            td class="fig" { (side.read) "/" (side.of) }
            td class="fig" { (figure(side.mean_gu)) }
            td class="fig" { (figure(side.sd_gu)) }
        }
    }
}

/// The words of how far a difference can be gone by.
pub const fn proof_words(proof: Proof) -> &'static str {
    match proof {
        Proof::Proven => "proven",
        Proof::Pending => "pending",
        Proof::NotProven => "not proven",
    }
}

const fn proof_class(proof: Proof) -> &'static str {
    match proof {
        Proof::Proven => "proven",
        Proof::Pending => "pending",
        Proof::NotProven => "not-held",
    }
}

fn differences(view: &RunView) -> Markup {
    let several = view.panels.len() > 1;
    let scale = Scale::of(&view.differences);
    html! {
        ul class="differences" {
            @for of in &view.differences {
                li class=(format!("difference {}", proof_class(of.proof))) {
                    p class="what" {
                        b { (of.name) } " "
                        span class="soft" { "minus control" @if several { ", " (of.panel_id) } ", at " (of.geometry) }
                    }
                    p class="figure" {
                        span class="number" { @if of.text.is_empty() { "–" } @else { (of.text) } }
                        @if !of.text.is_empty() { " " span class="unit" { "GU" } }
                        " " span class=(format!("proof {}", proof_class(of.proof))) { (proof_words(of.proof)) }
                    }
                    @if let Some(scale) = &scale { (interval(scale, of)) }
                    @if !of.verdict.is_empty() { p class="verdict" { (of.verdict) } }
                    @for remark in &of.remarks { p class="remark" { (remark) } }
                    @if of.proof == Proof::Pending && !of.text.is_empty() {
                        p class="remark" { "As if the checks to come held; without the drift, which they will tell." }
                    }
                    (budget(of))
                }
            }
        }
        @if let Some(footing) = &view.footing { p class="footing" { (footing) } }
    }
}

/// One scale for all intervals of a run, so that they can be compared by eye.
struct Scale {
    low: f64,
    high: f64,
}

const WIDE: f64 = 600.0;
const HIGH: f64 = 64.0;

impl Scale {
    fn of(all: &[DifferenceView]) -> Option<Scale> {
        let ends = all.iter().filter_map(|of| {
            let (gu, half) = (of.difference_gu?, of.half_width_gu.unwrap_or(0.0));
            (gu.is_finite() && half.is_finite()).then_some([gu - half, gu + half])
        });
        let matters = all.iter().filter_map(|of| of.matters_gu).map(|gu| [-gu, gu]);
        let all: Vec<f64> = ends.chain(matters).flatten().collect();
        if all.is_empty() {
            return None;
        }
        let (low, high) = all.iter().fold((0.0_f64, 0.0_f64), |(l, h), &v| (l.min(v), h.max(v)));
        let air = (0.08 * (high - low)).max(0.1);
        Some(Scale { low: low - air, high: high + air })
    }

    fn x(&self, gu: f64) -> f64 {
        14.0 + (WIDE - 28.0) * (gu - self.low) / (self.high - self.low)
    }

    /// Round figures for the scale.
    fn ticks(&self) -> Vec<f64> {
        let span = self.high - self.low;
        let rough = span / 6.0;
        let power = 10_f64.powf(rough.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].map(|n| n * power).into_iter().find(|step| *step >= rough);
        let step = step.unwrap_or(10.0 * power);
        let (first, last) = ((self.low / step).ceil(), (self.high / step).floor());
        let count = (last - first).clamp(0.0, 20.0) as usize;
        (0..=count).map(|n| (first + n as f64) * step).collect()
    }
}

/// The interval on a line: solid where it is proven, hollow where it is not.
fn interval(scale: &Scale, of: &DifferenceView) -> Markup {
    let told = match (of.difference_gu, of.half_width_gu) {
        (Some(gu), Some(half)) => format!("{gu:+.2} GU, from {:+.2} to {:+.2} (95 %)", gu - half, gu + half),
        (Some(gu), None) => format!("{gu:+.2} GU, no interval yet"),
        (None, _) => "no difference yet".to_owned(),
    };
    let (middle, class) = (24.0, format!("interval {}", proof_class(of.proof)));
    html! {
        svg class=(class) viewBox=(format!("0 0 {} {}", at(WIDE), at(HIGH))) role="img" aria-label=(told) {
            @if let Some(matters) = of.matters_gu {
                rect class="small-change" x=(at(scale.x(-matters))) y="6" height="36"
                    width=(at(scale.x(matters) - scale.x(-matters))) {}
            }
            path class="axis" d=(format!("M{} 42H{}", at(scale.x(scale.low)), at(scale.x(scale.high)))) stroke-width="1.5" {}
            @for tick in scale.ticks() {
                path class="axis" d=(format!("M{} 42v5", at(scale.x(tick)))) stroke-width="1.5" {}
                text class="label" x=(at(scale.x(tick))) y="60" font-size="13" text-anchor="middle" { (signed(tick)) }
            }
            path class="zero" d=(format!("M{} 4V42", at(scale.x(0.0)))) stroke-width="2" {}
            @if let Some(gu) = of.difference_gu.filter(|gu| gu.is_finite()) {
                @if let Some(half) = of.half_width_gu.filter(|half| half.is_finite()) {
                    path class="reach" stroke-width="5" stroke-dasharray=(if of.proof == Proof::Proven { "none" } else { "8 5" })
                        d=(format!("M{} {m}H{}", at(scale.x(gu - half)), at(scale.x(gu + half)), m = at(middle))) {}
                    path class="reach" stroke-width="3" d=(format!(
                        "M{} {t}v16M{} {t}v16", at(scale.x(gu - half)), at(scale.x(gu + half)), t = at(middle - 8.0)
                    )) {}
                }
                circle class="estimate" cx=(at(scale.x(gu))) cy=(at(middle)) r="8" stroke-width="4" {}
            }
        }
    }
}

/// A figure of the scale without needless digits.
fn signed(value: f64) -> String {
    if value.abs() < 1e-9 {
        "0".to_owned()
    } else if value > 0.0 {
        format!("+{}", at(value))
    } else {
        at(value)
    }
}

fn budget(of: &DifferenceView) -> Markup {
    if of.parts.is_empty() {
        return html! {};
    }
    let id = format!("budget-{}-{}-{}", of.panel, of.treatment, of.geometry.text());
    html! {
        details class="more" id=(id) {
            summary { "Where its uncertainty comes from" }
            div class="table-scroll" tabindex="0" role="region" aria-label="Uncertainty budget" {
                table {
                    thead { tr {
                        th scope="col" { "Component" } th scope="col" { "Value" } th scope="col" { "÷" }
                        th scope="col" { "× sens." } th scope="col" { "df" } th scope="col" { "= GU" } th scope="col" { "Share" }
                    } }
                    tbody {
                        @for part in of.parts.iter().filter(|part| !part.common) { (part_row(part)) }
                        (sum_row("decides the verdict", of.chance.as_ref(), "nothing to add up: it takes two zones a side"))
                        @for part in of.parts.iter().filter(|part| part.common) { (part_row(part)) }
                        (sum_row("all of it", of.whole.as_ref(), "no sum: the tile's certificate states no uncertainty"))
                    }
                }
            }
        }
    }
}

fn part_row(part: &Part) -> Markup {
    let component = &part.component;
    let degrees = component.degrees_of_freedom.map_or_else(|| "∞".to_owned(), |df| format!("{df:.0}"));
    html! {
        tr {
            th scope="row" { (component.name) }
            td class="fig" { (format!("{:.4}", component.value)) }
            td class="fig" { (format!("{:.3}", component.stated.divisor())) }
            td class="fig" { (format!("{:+.4}", component.sensitivity)) }
            td class="fig" { (degrees) }
            td class="fig" { (format!("{:.4}", part.contribution_gu)) }
            td class="fig" { @if let Some(share) = part.share { (format!("{:.1} %", 100.0 * share)) } }
        }
    }
}

fn sum_row(name: &str, known: Option<&Known>, without: &str) -> Markup {
    html! {
        tr class="sum" {
            th scope="row" { (name) }
            td class="fig" colspan="6" {
                @match known {
                    Some(known) => (format!(
                        "u = {:.4} GU, df {:.1}, k = {:.2}, U = {:.4} GU",
                        known.standard_uncertainty_gu, known.degrees_of_freedom, known.coverage_factor, known.expanded_gu
                    )),
                    None => (without),
                }
            }
        }
    }
}
