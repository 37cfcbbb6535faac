//! Pages without adornment.

use super::hall::Hall;
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
