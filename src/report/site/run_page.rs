//! One run: its checks and brackets, what it came to, and every reading.

use super::Site;
use super::frame;
use super::frame::Part;
use super::paths;
use super::treatment_page::result_table;
use super::words;
use super::words::said;
use crate::report::plots::brackets::Brackets;
use crate::report::publication::CheckMark;
use crate::report::publication::Place;
use crate::report::publication::ReadingMark;
use crate::report::publication::RunRecord;
use crate::run::RunState;
use crate::run::Status;
use crate::run::setup::Role;
use crate::tile::CheckVerdict;
use crate::units::Geometry;
use maud::Markup;
use maud::html;
use rust_decimal::prelude::ToPrimitive;

/// The page of a run.
pub(super) fn page(site: &Site<'_>, index: usize) -> String {
    let run = &site.publication.runs[index];
    let rows = site.results_in(&run.id);
    let title = format!("Run {}", run.id);
    let main = html! {
        h1 { "Run " (said(&run.id)) }
        p class="lead" { (state(run)) }
        (facts(site, run))
        (plots(site, run))
        @if !rows.is_empty() {
            section aria-labelledby="results" {
                h2 id="results" { "What it came to" }
                (frame::scrolled("results-table", "Results of this run", &result_table(site, rows, 1, true)))
            }
        }
        (checks(run))
        (recording(run))
        (readings(run))
    };
    frame::page(site, &title, Part::Runs, 1, &main)
}

/// How it stands, in a sentence.
pub(super) fn state(run: &RunRecord) -> String {
    let held = run.brackets.iter().filter(|bracket| bracket.status == Status::Proven).count();
    let drifted = run.brackets.iter().filter(|bracket| bracket.status == Status::Drifted).count();
    let brackets = match (held, drifted) {
        (0, 0) => "no bracket of tile checks was closed".to_owned(),
        (held, 0) => format!("the meter held its tile in {}", all_of(held)),
        (0, _) => "the meter held its tile in no bracket".to_owned(),
        (held, drifted) => format!(
            "the meter held its tile in {} and not in {drifted}, whose zones were read again or have no result",
            words::counted(held, "bracket", "brackets")
        ),
    };
    match run.state {
        RunState::Complete => format!("Complete: {brackets}."),
        RunState::Abandoned => format!("Given up before its end: {brackets}."),
        RunState::Open => format!("Still open: {brackets}. What no closing check has proven is not proven."),
    }
}

fn all_of(held: usize) -> String {
    if held == 1 { "its one bracket".to_owned() } else { format!("all {held} brackets") }
}

fn facts(site: &Site<'_>, run: &RunRecord) -> Markup {
    let publication = site.publication;
    let method = publication.methods.get(run.method);
    html! {
        dl class="facts" {
            div { dt { "Began" } dd { (words::time(run.began_us, run.offset_s)) } }
            @if !run.operator.is_empty() { div { dt { "Held the meter" } dd { (said(&run.operator)) } } }
            div { dt { "Panels" } dd { (said(&run.panels().join(", "))) } }
            div { dt { "Stage" } dd { (said(&run.stages().iter().map(|stage| words::stage(stage)).collect::<Vec<_>>().join(", "))) } }
            @if let Some(method) = method {
                div {
                    dt { "Meter" }
                    dd {
                        "profile " (said(&method.meter))
                        @if method.simulated { ", " strong { "simulated" } }
                        ", " (frame::link(1, "how.html", &html! { "how it was measured" }))
                    }
                }
            }
            @for (zone, why) in &run.skipped {
                @if let Some(zone) = run.zones.get(*zone) {
                    div { dt { "Left out" } dd { "zone " (said(&zone.zone)) " of " (said(&zone.panel)) ": " (said(why)) } }
                }
            }
        }
    }
}

fn plots(site: &Site<'_>, run: &RunRecord) -> Markup {
    let tolerance = site.publication.methods.get(run.method).and_then(|m| m.tile.rule.tolerance_gu.to_f64());
    html! {
        section aria-labelledby="brackets" {
            h2 id="brackets" { "Readings with their brackets" }
            @for geometry in run.geometries() {
                @let plot = Brackets { run, geometry, tolerance_gu: tolerance.unwrap_or(1.0) };
                h3 { "At " (geometry) }
                (frame::figure(plot.svg(), &html! {
                    "Readings from left to right as they were taken. Above, those of the tile, the strip being the tolerance; the line from check to "
                    "check is the drift. Below, those of the zones: round is treated, square is control. Solid is proven, hollow is not; a cross was "
                    "taken back or declared void. A whole bracket held, a broken one did not."
                }))
            }
        }
    }
}

fn checks(run: &RunRecord) -> Markup {
    html! {
        section aria-labelledby="checks" {
            h2 id="checks" { "Tile checks" }
            (frame::scrolled("checks-table", "Tile checks of this run", &html! {
                table {
                    caption { "Tile checks, in order" }
                    thead { tr { th scope="col" { "Check" } th scope="col" class="n" { "Minutes" } th scope="col" class="n" { "Angle" } th scope="col" class="n" { "Mean, GU" } th scope="col" class="n" { "Off by, GU" } th scope="col" class="n" { "Moved since the check before, GU" } th scope="col" { "Verdict" } } }
                    tbody { @for (index, check) in run.checks.iter().enumerate() { (check_rows(check, run.checks[..index].last())) } }
                }
            }))
        }
    }
}

fn check_rows(check: &CheckMark, before: Option<&CheckMark>) -> Markup {
    let moved = |geometry: &Geometry, off: f64| {
        let of = before?.figures.iter().find(|(known, ..)| known == geometry)?;
        Some(off - of.2)
    };
    let verdict = match check.verdict {
        Some(CheckVerdict::Passed) => "passed",
        Some(CheckVerdict::Failed) => "failed",
        Some(CheckVerdict::Invalid) => "invalid: its own readings lay too far apart",
        None => "not finished",
    };
    html! {
        @if check.figures.is_empty() {
            tr { th scope="row" { (check.kind.text()) } td class="n" { (minutes(check.at_us)) } td { (words::NOTHING) } td { (words::NOTHING) } td { (words::NOTHING) } td { (words::NOTHING) } td { (verdict) } }
        }
        @for (geometry, mean, off) in &check.figures {
            tr {
                th scope="row" { (check.kind.text()) }
                td class="n" { (minutes(check.at_us)) }
                td class="n" { (geometry) }
                td class="n" { (words::figure(Some(*mean), 2)) }
                td class="n" { (data_signed(*off)) }
                td class="n" { (words::signed_figure(moved(geometry, *off), 2)) }
                td { (verdict) }
            }
        }
    }
}

fn data_signed(value: f64) -> Markup {
    html! { data value=(format!("{value:.4}")) { (words::minus(&format!("{value:+.2}"))) } }
}

fn minutes(at_us: u64) -> String {
    format!("{:.1}", at_us as f64 / 6e7)
}

fn recording(run: &RunRecord) -> Markup {
    let path = format!("{}/recordings/{}.rec", super::DATA, run.id);
    html! {
        section aria-labelledby="recording" {
            h2 id="recording" { "Its recording" }
            p {
                "Every byte that the meter sent and every word that was said, with times: "
                span class="run" { (frame::link(1, &path, &html! { (said(&format!("{}.rec", run.id))) })) } "."
            }
            p { "SHA-256 " code class="digest" { (run.sha256) } }
            p { "In the report’s folder, this works out all of the above again:" }
            pre { code { "halfpanel replay " (paths::quoted(&path)) } }
        }
    }
}

fn readings(run: &RunRecord) -> Markup {
    html! {
        section aria-labelledby="readings" {
            h2 id="readings" { "Every reading" }
            details {
                summary { (words::counted(run.readings.len(), "reading", "readings")) ", the ones that do not count included" }
                (frame::scrolled("readings-table", "Every reading of this run", &html! {
                    table {
                        caption { "Readings in the order of arrival" }
                        thead { tr { th scope="col" class="n" { "No." } th scope="col" class="n" { "Minutes" } th scope="col" { "Where" } th scope="col" class="n" { "Repeat" } th scope="col" class="n" { "Angle" } th scope="col" class="n" { "GU" } th scope="col" { "Status" } th scope="col" class="n" { "Record" } } }
                        tbody { @for (index, reading) in run.readings.iter().enumerate() { (reading_row(run, index, reading)) } }
                    }
                }))
            }
        }
    }
}

fn reading_row(run: &RunRecord, index: usize, reading: &ReadingMark) -> Markup {
    html! {
        tr {
            th scope="row" class="n" { (index + 1) }
            td class="n" { (minutes(reading.at_us)) }
            td {
                @match reading.place {
                    Place::Tile(check) => { "tile, " (run.checks.get(check).map_or("", |check| check.kind.text())) }
                    Place::Zone(zone) => {
                        @if let Some(zone) = run.zones.get(zone) {
                            (said(&zone.panel)) " " (said(&zone.zone)) ", "
                            @if zone.role == Role::Control { "control" } @else { (said(&zone.treatment)) }
                        }
                    }
                }
            }
            td class="n" { (reading.repeat) }
            td class="n" { (reading.geometry) }
            td class="n" { (words::minus(&reading.gloss.to_string())) }
            td { (reading.status.text()) }
            td class="n" { (reading.record) }
        }
    }
}
