//! The page: HTML written from what a station shows. Pure: a snapshot in, text out.
//!
//! The page is made of regions, each an element with an id. The server writes every region once a change; the script
//! puts it into its element, and nothing else: what there is to see is decided here. Without the script the page is
//! loaded anew now and then, and its forms are sent as forms. Forms that ask for a reason carry it in a field of its
//! own, `reason`; the word is then `WORD: REASON`.
//!
//! There is no style and no script within the page, for its security policy forbids both.

mod actions;
mod assets;
mod figures;
mod marks;
mod now;
mod panel;
mod rail;
pub mod shelf;
mod shell;
mod start;
pub mod watched;

pub use assets::asset;
pub use assets::style;

use crate::session::station::Phase;
use crate::session::station::Snapshot;
use crate::view::Heard;
use crate::view::RunView;
use crate::view::StudyFacts;
use crate::view::survey::Mark;
use maud::Markup;
use maud::html;
use shell::Shell;

/// Seconds after which a browser without a script looks again while a run goes on.
const LOOK_AGAIN_S: u32 = 15;
/// Things told that are listed.
const LISTED: usize = 12;

/// The version field of a form. Regions leave it empty, so that what has not changed is left alone; [`bench`] fills it
/// in, and so does the script.
fn version() -> Markup {
    html! { input type="hidden" name="version" value=""; }
}

const EMPTY_VERSION: &str = "name=\"version\" value=\"\"";

/// Every region of the page: the id of its element, and what is in it.
#[must_use]
pub fn regions(snapshot: &Snapshot, facts: &StudyFacts) -> Vec<(&'static str, String)> {
    let stopped = stopped(&snapshot.phase);
    let view = stopped.as_ref().or_else(|| shown(&snapshot.phase));
    let of = |draw: fn(&RunView) -> Markup| view.map_or_else(String::new, |view| draw(view).into_string());
    vec![
        ("status", status(snapshot).into_string()),
        ("before", start::before(snapshot, facts).into_string()),
        ("now", if stopped.is_some() { now::stopped().into_string() } else { of(now::now) }),
        ("value", of(now::value)),
        ("panel", of(panel::panels)),
        ("rail", of(rail::rail)),
        ("figures", of(figures::figures)),
        (
            "tables",
            // Not before they are written.
            view.filter(|view| view.is_over && matches!(snapshot.phase, Phase::Idle { .. }))
                .map_or_else(String::new, |view| tables(view, facts).into_string()),
        ),
        ("actions", if stopped.is_some() { String::new() } else { of(actions::actions) }),
        ("heard", heard(&snapshot.heard).into_string()),
        (
            "start",
            if offers_start(&snapshot.phase) { start::form(facts).into_string() } else { String::new() },
        ),
    ]
}

/// The run to show: the one that goes on, or the one that ended last.
fn shown(phase: &Phase) -> Option<&RunView> {
    match phase {
        Phase::Running(view) => Some(view),
        Phase::Idle { ended, .. } => ended.as_deref(),
        _ => None,
    }
}

/// A run whose sitting was stopped before its end, as it lies there: nothing is wanted of anybody.
fn stopped(phase: &Phase) -> Option<RunView> {
    let Phase::Idle { ended: Some(view), .. } = phase else { return None };
    let mut view = (!view.is_over).then(|| RunView::clone(view))?;
    for zone in view.panels.iter_mut().flat_map(|panel| &mut panel.zones) {
        if zone.mark == Mark::Next {
            zone.mark = Mark::ToRead;
        }
    }
    Some(view)
}

const fn offers_start(phase: &Phase) -> bool {
    matches!(phase, Phase::Idle { .. } | Phase::Stuck { .. })
}

/// The whole bench page.
#[must_use]
pub fn bench(snapshot: &Snapshot, facts: &StudyFacts) -> String {
    let running = matches!(snapshot.phase, Phase::Running(_) | Phase::Opening);
    let regions = regions(snapshot, facts);
    let region = |id: &str| {
        let html = regions.iter().find(|(known, _)| *known == id).map_or("", |(_, html)| html.as_str());
        maud::PreEscaped(html.to_owned())
    };
    let section = |id: &str, title: &str| {
        let head = format!("{id}-title");
        html! {
            section class=(format!("part part-{id}")) aria-labelledby=(head) {
                h2 class="part-title" id=(head) { (title) }
                div id=(id) { (region(id)) }
            }
        }
    };
    let main = html! {
        form id=(actions::WORDS) method="post" action="word" hidden { (version()) }
        form id=(actions::STOPPING) method="post" action="stop" hidden { (version()) }
        (contact())
        div id="status" { (region("status")) }
        p id="answer" class="notice broken" role="alert" hidden {}
        p id="live" class="unseen" role="status" aria-live="polite" {}
        div id="before" { (region("before")) }
        div class="bench" {
            div class="column first" {
                section class="part part-now" aria-labelledby="now-title" {
                    h2 class="unseen" id="now-title" { "What to do now" }
                    div id="now" { (region("now")) }
                }
                section class="part part-value" aria-labelledby="value-title" {
                    h2 class="unseen" id="value-title" { "Last value, or the result" }
                    div id="value" { (region("value")) }
                }
            }
            (section("panel", "Panel"))
            (section("rail", "Bracket rail"))
            (section("figures", "Difference"))
            div id="tables" { (region("tables")) }
            (section("heard", "What was told"))
        }
        div id="actions" { (region("actions")) }
        div id="start" { (region("start")) }
    };
    let title = format!("{} – Half Panel", snapshot.study);
    let shell = Shell {
        title: &title,
        study: Some(&snapshot.study),
        home: Some("."),
        here: "bench",
        refresh_s: running.then_some(LOOK_AGAIN_S),
        is_live: true,
    };
    let filled = format!("name=\"version\" value=\"{}\"", snapshot.version);
    shell.page(&main).replace(EMPTY_VERSION, &filled)
}

/// A page of no study: a title and what is below it, without a script.
#[must_use]
pub fn sheet(title: &str, inner: &Markup) -> String {
    let main = html! { div class="sheet-page" { h1 { (title) } (inner) } };
    let title = format!("{title} – Half Panel");
    Shell { title: &title, study: None, home: None, here: "", refresh_s: None, is_live: false }.page(&main)
}

/// Run and line in one row.
fn status(snapshot: &Snapshot) -> Markup {
    let view = shown(&snapshot.phase);
    let line = match snapshot.link_up {
        Some(true) => ("up", "meter's line is up"),
        Some(false) => ("down", "meter's line is down"),
        None => ("none", "no run holds the meter"),
    };
    html! {
        ul class="strip" {
            @if let Some(view) = view {
                li { span class="soft" { "Run " } b { (view.run) } }
                @if !view.stages.is_empty() { li { span class="soft" { "Stage " } b { (view.stages.join(", ")) } } }
                @if !view.operator.is_empty() { li { span class="soft" { "By " } b { (view.operator) } } }
            }
            li class=(format!("line line-{}", line.0)) {
                svg class="small-mark" viewBox="0 0 24 24" aria-hidden="true" focusable="false" {
                    @match line.0 {
                        "up" => { path class="solid" d="M3 12H21M12 12m-6 0a6 6 0 1 0 12 0a6 6 0 1 0-12 0" stroke-width="3" {} }
                        "down" => { path d="M2 12H8M16 12H22M9 7L15 17M15 7L9 17" stroke-width="3" {} }
                        _ => { path d="M3 12H21" stroke-width="3" stroke-dasharray="3 3" {} }
                    }
                }
                " " (line.1)
            }
        }
    }
}

/// What the page says of itself: how it hears the daemon. The script shows it; without one it says that the page is
/// loaded anew by itself.
fn contact() -> Markup {
    html! {
        div class="contact" {
            noscript { p { "Without its script this page is loaded anew every " (LOOK_AGAIN_S) " s, and makes no sound." } }
            p id="contact-daemon" class="banner daemon-lost" role="alert" hidden {
                b { "The daemon is not heard." } " This picture is from " span class="since" { } ". The run itself may go on: it is recorded where the meter is plugged in. The page finds back by itself."
            }
            p id="contact-asleep" class="banner asleep" role="status" hidden {
                b { "This page was asleep." } " It is catching up; wait until this line is gone."
            }
        }
    }
}

/// The last things told, the newest first. What to do next stands at the head anyway.
fn heard(all: &[Heard]) -> Markup {
    let told = all.iter().rev().filter(|heard| !heard.at_head).take(LISTED);
    html! {
        @if all.iter().any(|heard| !heard.at_head) {
            ol class="told" reversed {
                @for heard in told {
                    li class=(rail::tone_class(heard.tone)) {
                        @if !heard.time.is_empty() { span class="time" { (heard.time) } " " }
                        (heard.says)
                    }
                }
            }
        }
    }
}

/// Where the tables and the recording of a run that is over are.
fn tables(view: &RunView, facts: &StudyFacts) -> Markup {
    let files = ["results.csv", "zones.csv", "tile-checks.csv", "readings.csv", "budget.csv"];
    html! {
        section class="part part-tables" aria-labelledby="tables-title" {
            h2 class="part-title" id="tables-title" { "Tables" }
            @if !facts.folder.is_empty() { p { "In the folder " code { (facts.folder) "/results" } "." } }
            ul class="files" {
                @for file in files { li { a href=(format!("tables/{file}")) download { (file) } } }
                li { a href=(format!("recordings/{}.rec", view.run)) download { "the recording, " (view.run) ".rec" } }
                li { a href=(format!("runs/{}", view.run)) { "every reading with the line it came from" } }
            }
        }
    }
}

/// A sentence, whatever its first letter was.
fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|first| first.to_uppercase().to_string()).unwrap_or_default();
    let stop = if text.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("{first}{}{stop}", letters.as_str())
}
