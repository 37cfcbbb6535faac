//! What stands about every page: head, headline, foot.

use super::assets;
use maud::DOCTYPE;
use maud::Markup;
use maud::PreEscaped;
use maud::html;

/// A page without a run on it.
pub struct Shell<'a> {
    /// For the browser's tab.
    pub title: &'a str,
    /// Name of the study; absent on pages of none.
    pub study: Option<&'a str>,
    /// How the way back to the study's own page is written from here, such as `..`; absent on pages of none.
    pub home: Option<&'a str>,
    /// Which page this is, for the links at its head: `bench`, `panels`, `runs`, `tile`, or another.
    pub here: &'a str,
    /// Seconds after which a browser without a script loads it anew.
    pub refresh_s: Option<u32>,
    /// Whether there is a state to follow here, which takes the script.
    pub is_live: bool,
}

impl Shell<'_> {
    /// The whole page.
    pub fn page(&self, main: &Markup) -> String {
        let live = self.is_live.then_some("");
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="color-scheme" content="light dark";
                    title { (self.title) }
                    link rel="icon" type="image/svg+xml" href=(assets::mark());
                    link rel="stylesheet" href=(assets::style());
                    @if self.is_live { script type="module" src=(assets::script()) {} }
                    @if let Some(seconds) = self.refresh_s {
                        noscript { meta http-equiv="refresh" content=(seconds); }
                    }
                }
                body data-live=[live] data-contact="live" {
                    a class="skip" href="#main" { "To the page's matter" }
                    (self.head())
                    main id="main" tabindex="-1" { (main) }
                }
            }
        };
        page.into_string()
    }

    fn head(&self) -> Markup {
        let link = |page: &str, to: &str, text: &str| {
            let home = self.home.unwrap_or(".");
            let href = if to.is_empty() { format!("{home}/") } else { format!("{home}/{to}") };
            let current = (self.here == page).then_some("page");
            html! { li { a href=(href) aria-current=[current] { (text) } } }
        };
        html! {
            header class="head" {
                p class="house" {
                    a href="/" { (mark()) span { "Half Panel" } }
                }
                @if let Some(study) = self.study {
                    h1 { (study) }
                    nav aria-label="Pages of the study" {
                        ul { (link("bench", "", "Bench")) (link("panels", "panels", "Panels")) (link("runs", "runs", "Runs")) (link("tile", "tile", "Tile")) }
                    }
                }
                @if self.is_live {
                    // Nothing without the script.
                    div class="switches" hidden {
                        button type="button" id="switch-sound" aria-pressed="true" { "Sounds" }
                        button type="button" id="switch-keys" aria-pressed="true" { "Keys" }
                        button type="button" id="switch-awake" aria-pressed="false" hidden { "Awake" }
                    }
                }
            }
        }
    }
}

/// The mark of the house: a panel, half of it treated.
fn mark() -> Markup {
    PreEscaped(
        concat!(
            r#"<svg class="house-mark" viewBox="0 0 32 32" aria-hidden="true" focusable="false">"#,
            r#"<rect class="bare" x="2" y="6" width="28" height="20" rx="2" stroke-width="2"/>"#,
            r#"<path class="half" d="M16 7h12a1 1 0 0 1 1 1v16a1 1 0 0 1-1 1H16z"/>"#,
            r#"<circle class="hollow" cx="9" cy="16" r="3" stroke-width="2"/><circle class="solid" cx="23" cy="16" r="4"/></svg>"#
        )
        .to_owned(),
    )
}
