//! Pages without adornment.

use super::hall::Hall;
use crate::session::station::Phase;
use crate::session::station::Snapshot;
use maud::DOCTYPE;
use maud::Markup;
use maud::html;

/// A whole page.
pub fn page(title: &str, body: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
            }
            body { main { (body) } }
        }
    }
    .into_string()
}

/// The list of studies.
pub fn studies(hall: &Hall) -> String {
    let body = html! {
        h1 { "Studies" }
        ul {
            @for stand in hall.stands() {
                li { a href={ "/s/" (stand.slug) "/" } { (stand.station.snapshots().borrow().study) } }
            }
        }
    };
    page("Studies", &body)
}

/// The bench.
pub fn bench(snapshot: &Snapshot) -> String {
    let body = html! {
        @for (id, region) in regions(snapshot) {
            section id=(id) { (maud::PreEscaped(region)) }
        }
    };
    page(&snapshot.study, &body)
}

/// What changes of the bench page, by the id of the element.
pub fn regions(snapshot: &Snapshot) -> Vec<(&'static str, String)> {
    let at = match &snapshot.phase {
        Phase::Idle { unfinished: Some(run), .. } => format!("idle; run {run} can be taken up"),
        Phase::Idle { ended: Some(view), .. } => format!("idle; run {} is over", view.run),
        Phase::Idle { .. } => "idle".to_owned(),
        Phase::Opening => "opening".to_owned(),
        Phase::Running(view) => format!("run {}", view.run),
        Phase::Stuck { what, hint, .. } => format!("{what} {hint}"),
    };
    vec![("station", html! { h1 { (snapshot.study) } p { (at) } }.into_string())]
}

/// What could not be done.
pub fn refused(title: &str, detail: &str, hint: &str, back: &str) -> String {
    let body = html! {
        h1 { (title) }
        p role="alert" { (detail) }
        @if !hint.is_empty() { p { (hint) } }
        p { a href=(back) { "Back" } }
    };
    page(title, &body)
}
