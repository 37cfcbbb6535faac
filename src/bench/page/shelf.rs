//! Pages beside the bench: the studies, the runs of one, a run's readings, the tile's history, and what was not done.

use super::shell::Shell;
use crate::view::shelf::ReadingRow;
use crate::view::shelf::ResultRow;
use crate::view::shelf::RunRow;
use crate::view::shelf::RunSheet;
use maud::Markup;
use maud::PreEscaped;
use maud::html;

fn shell<'a>(title: &'a str, study: &'a str, home: &'a str, here: &'a str) -> Shell<'a> {
    Shell { title, study: Some(study), home: Some(home), here, refresh_s: None, is_live: false }
}

/// The list of studies: where each is, and its name.
#[must_use]
pub fn studies<'s>(all: impl Iterator<Item = (String, &'s str)>) -> String {
    let main = html! {
        section class="part" {
            h1 { "Studies" }
            ul class="cards" { @for (to, name) in all { li { a href=(to) { b { (name) } } } } }
        }
    };
    let title = "Studies – Half Panel";
    Shell { title, study: None, home: None, here: "studies", refresh_s: None, is_live: false }.page(&main)
}

/// What was not done, why, what to do, and the way back.
#[must_use]
pub fn not_done(head: &str, what: &str, to_do: &str, back: &str) -> String {
    let main = html! {
        section class="notice broken" role="alert" {
            h1 { (head) }
            p { (super::sentence(what)) }
            @if !to_do.is_empty() { p class="hint" { b { "What to do: " } (super::sentence(to_do)) } }
            p { a class="button" href=(back) { "Back" } }
        }
    };
    let title = format!("{head} – Half Panel");
    Shell { title: &title, study: None, home: None, here: "", refresh_s: None, is_live: false }.page(&main)
}

/// The runs of a study, the latest first.
#[must_use]
pub fn runs(study: &str, rows: &[RunRow]) -> String {
    let main = html! {
        section class="part" aria-labelledby="runs-title" {
            h2 class="part-title" id="runs-title" { "Runs" }
            @if rows.is_empty() { p { "No run yet. Start one at the bench." } } @else { (runs_table(rows)) }
        }
    };
    shell(&format!("Runs – {study}"), study, ".", "runs").page(&main)
}

fn runs_table(rows: &[RunRow]) -> Markup {
    html! {
        div class="scroll" tabindex="0" role="region" aria-label="Runs" {
            table {
                thead {
                    tr { th scope="col" { "Run" } th scope="col" { "Treated minus control, GU" } th scope="col" { "Stages" }
                        th scope="col" { "Panels" } th scope="col" { "Begun" } th scope="col" { "By" } }
                }
                tbody {
                    @for row in rows {
                        tr {
                            th scope="row" { a href=(format!("runs/{}", row.run)) { (row.run) } }
                            td { (results(&row.results)) }
                            td { (row.stages.join(", ")) }
                            td { (row.panels.join(", ")) }
                            td { time datetime=(row.begun) { (moment(&row.begun)) } }
                            td { (row.operator) }
                        }
                    }
                }
            }
        }
    }
}

fn results(rows: &[ResultRow]) -> Markup {
    html! {
        @if rows.is_empty() { "no rows yet" }
        @for row in rows {
            p {
                (row.treatment) " on " (row.panel) ", " (row.geometry_deg) "°: "
                @if row.difference_gu.is_empty() { (row.verdict) } @else {
                    b { (rounded(&row.difference_gu)) } " (" (rounded(&row.ci_low_gu)) " to " (rounded(&row.ci_high_gu)) "), "
                    (row.verdict)
                }
                ", " (row.status)
            }
        }
    }
}

/// A figure of a table to two decimals, with its sign. The tables have all four.
fn rounded(figure: &str) -> String {
    figure.parse::<f64>().map_or_else(|_| figure.to_owned(), |gu| format!("{gu:+.2}"))
}

/// A run's readings, each with the line it came from.
#[must_use]
pub fn run(study: &str, sheet: &RunSheet) -> String {
    let row = &sheet.row;
    let last = sheet.from + sheet.readings.len();
    let main = html! {
        section class="part" aria-labelledby="run-title" {
            h2 class="part-title" id="run-title" { "Run " (row.run) }
            p {
                (sheet.state) ", begun " time datetime=(row.begun) { (moment(&row.begun)) }
                @if !row.operator.is_empty() { " by " (row.operator) }
                "; panels " (row.panels.join(", ")) ", stages " (row.stages.join(", "))
            }
            (results(&row.results))
            p { a href=(format!("../recordings/{}.rec", row.run)) download { "The recording" } ", SHA-256 " code { (sheet.recording_sha256) } }
        }
        section class="part" aria-labelledby="readings-title" {
            h2 class="part-title" id="readings-title" { "Readings and their lines" }
            @if sheet.of > sheet.readings.len() {
                nav aria-label="Parts of the readings" {
                    p { "Readings " (sheet.from + 1) " to " (last) " of " (sheet.of) }
                    @if sheet.from > 0 { a href=(format!("?from={}", sheet.from.saturating_sub(sheet.readings.len().max(1)))) { "Earlier" } " " }
                    @if last < sheet.of { a href=(format!("?from={last}")) { "Later" } }
                }
            }
            (readings(&sheet.readings))
        }
        @if !sheet.refused.is_empty() { (refused(sheet)) }
    };
    shell(&format!("Run {} – {study}", row.run), study, "..", "runs").page(&main)
}

fn readings(rows: &[ReadingRow]) -> Markup {
    html! {
        div class="scroll" tabindex="0" role="region" aria-label="Readings" {
            table {
                thead {
                    tr { th scope="col" { "No." } th scope="col" { "Time" } th scope="col" { "Spot" } th scope="col" { "Geometry" }
                        th scope="col" { "GU" } th scope="col" { "Status" } th scope="col" { "Line" } th scope="col" { "Record" } }
                }
                tbody {
                    @for row in rows {
                        tr {
                            td { (row.placement) }
                            td { (row.time) }
                            td { @if row.zone.is_empty() { "tile, " (row.kind) } @else { (row.panel) " " (row.zone) } }
                            td { (row.geometry_deg) "°" }
                            td { (row.gloss_gu) }
                            td { (row.status) }
                            td { code { (row.line) } }
                            td { (row.record) }
                        }
                    }
                }
            }
        }
    }
}

fn refused(sheet: &RunSheet) -> Markup {
    html! {
        section class="part" aria-labelledby="refused-title" {
            h2 class="part-title" id="refused-title" { "Lines that were not taken" }
            ul class="told" {
                @for row in &sheet.refused {
                    li { span class="time" { (row.time) } " " code { (row.line) } " " (row.why) " (record " (row.record) ")" }
                }
            }
        }
    }
}

/// The tile's history: what is said of it, and its charts, which are SVG whose style is at `style`.
#[must_use]
pub fn tile(study: &str, says: &[String], chart: Option<&str>, style: &str) -> String {
    let main = html! {
        section class="part" aria-labelledby="tile-history-title" {
            h2 class="part-title" id="tile-history-title" { "The tile, check by check" }
            @for sentence in says { p { (sentence) } }
            @if let Some(chart) = chart {
                link rel="stylesheet" href=(style);
                div class="scroll" tabindex="0" role="region" aria-label="Charts" { (PreEscaped(chart)) }
            }
        }
    };
    shell(&format!("Tile – {study}"), study, ".", "tile").page(&main)
}

/// Date and time to the minute, of a time as RFC 3339 writes it.
fn moment(time: &str) -> String {
    time.get(..16).map_or_else(|| time.to_owned(), |minute| minute.replace('T', " "))
}
