//! How anybody repeats a published figure: the commands as they stand, for this report's own files.

use super::DATA;
use super::Site;
use super::frame;
use super::frame::Part;
use super::paths;
use super::words;
use super::words::said;
use crate::report::publication::ResultRow;
use maud::Markup;
use maud::html;

/// The page.
pub(super) fn page(site: &Site<'_>) -> String {
    let example = example(site);
    let main = html! {
        h1 { "Check it yourself" }
        p class="lead" {
            "Nothing here has to be believed. With this folder and the program you can work out every figure again from what the meter sent. "
            "Open a terminal in the report’s own folder, where this page lies."
        }
        (files(site, example))
        @if let Some(row) = example { (one_figure(site, row)) }
        (everything(site))
        (trust())
    };
    frame::page(site, "Check it yourself", Part::Check, 0, &main)
}

/// The figure that is repeated: the first proven one of the front board, else any.
fn example<'p>(site: &Site<'p>) -> Option<&'p ResultRow> {
    let proven = |row: &&&ResultRow| row.status == "proven" && row.difference_gu.is_some();
    let of_board = site.boards.first().into_iter().flat_map(|board| &board.rows).flat_map(|row| &row.panels);
    of_board.chain(&site.publication.results.iter().collect::<Vec<_>>()).find(proven).copied()
}

fn command(text: &str) -> Markup {
    html! { pre { code class="command" { (text) } } }
}

fn files(site: &Site<'_>, example: Option<&ResultRow>) -> Markup {
    let recording = example.and_then(|row| site.run_of(&row.run)).or(site.publication.runs.first());
    html! {
        section aria-labelledby="files" {
            h2 id="files" { "1. Are these the files that were published?" }
            p { "Each file’s SHA-256 stands in " (frame::link(0, "SHA256SUMS", &html! { "SHA256SUMS" })) ". This compares all of them, and says nothing if all are as they were:" }
            (command("sha256sum --check --quiet SHA256SUMS"))
            @if let Some(run) = recording {
                p { "For one recording:" }
                (command(&format!("sha256sum {}", paths::quoted(&path_of(&run.id)))))
                p { "has to print " code class="digest" { (run.sha256) } "." }
            }
            p class="fine" {
                "On macOS the command is " code { "shasum -a 256" } " in place of " code { "sha256sum" } "; on Windows, " code { "Get-FileHash" } " in PowerShell gives the digest of one file."
            }
        }
    }
}

fn path_of(run: &str) -> String {
    format!("{DATA}/recordings/{run}.rec")
}

fn one_figure(site: &Site<'_>, row: &ResultRow) -> Markup {
    let treatment = site.publication.treatment(&row.treatment);
    let difference = row.difference_gu.unwrap_or_default();
    html! {
        section aria-labelledby="figure" {
            h2 id="figure" { "2. One published figure, from its recording" }
            p {
                "This report says that " strong { (said(&row.treatment)) } @if let Some(treatment) = treatment { " " (said(&treatment.name)) }
                ", " (words::stage(&row.stage)) ", on panel " (said(&row.panel)) " at " (row.geometry_deg) "°, differs from the control by "
                strong { data value=(format!("{difference:.4}")) { (words::minus(&format!("{difference:+.4}"))) " GU" } }
                ". Its recording is that of run " (super::board_page::run_link(site, &row.run, 0)) ". This works it out again from nothing else"
                @if row.design == "paired" { " (the recording of the bare readings, which it names by digest, lies beside it)" }
                ":"
            }
            (command(&format!("halfpanel replay {} --json", paths::quoted(&path_of(&row.run)))))
            p {
                "In what it prints, look for the entry with " code { "\"treatment\": \"" (said(&row.treatment)) "\"" } ", " code { "\"panel\": \"" (said(&row.panel)) "\"" }
                " and " code { "\"geometry_deg\": " (row.geometry_deg) } ": it has to say"
            }
            (command(&format!("\"difference_gu\": {}", json_number(difference))))
            p {
                "and its " code { "\"recording_sha256\"" } " has to be the digest from step 1. Without " code { "--json" } " the same comes in words; "
                code { "halfpanel budget " (paths::quoted(&path_of(&row.run))) } " unfolds its uncertainty."
            }
        }
    }
}

/// A figure of four decimals as JSON prints it, as the tables hold it.
fn json_number(value: f64) -> String {
    let text = format!("{value:.4}");
    serde_json::from_str::<serde_json::Value>(&text).map_or(text, |number| number.to_string())
}

fn everything(site: &Site<'_>) -> Markup {
    let publication = site.publication;
    html! {
        section aria-labelledby="everything" {
            h2 id="everything" { "3. Everything" }
            p { "All tables again, from all recordings, compared with the published ones byte for byte:" }
            (command(&format!("halfpanel replay {DATA}/recordings/*.rec --expect {DATA}/results")))
            p { "It ends with: the tables are those in " code { (DATA) "/results" } ", byte for byte. And the seals inside each recording, its digest, and all of the above together:" }
            (command(&format!("halfpanel verify {DATA}")))
            p class="fine" {
                "The program is Half Panel " (publication.program) "; in its source, " code { "cargo install --path ." } " builds it. Any machine, time zone and language gives the same bytes."
            }
        }
    }
}

fn trust() -> Markup {
    html! {
        section aria-labelledby="trust" {
            h2 id="trust" { "What this shows, and what it does not" }
            p {
                "It shows that the figures follow from the recordings, and that the recordings are those of this report. It cannot show that a meter really stood "
                "on a panel: whoever makes a whole recording up can make up its digests too. A digest that was published at the time, or kept by somebody else, says that nothing was changed since."
            }
        }
    }
}
