//! What every page has: head, way about, foot.

use super::Site;
use super::paths::href;
use super::words::said;
use maud::DOCTYPE;
use maud::Markup;
use maud::html;

/// The pages that the way about leads to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Part {
    /// All treatments side by side.
    Board,
    /// How it was measured.
    How,
    /// The tile's history.
    Tile,
    /// The runs.
    Runs,
    /// The cards.
    Cards,
    /// Tables and recordings.
    Data,
    /// How to repeat a figure.
    Check,
}

const PARTS: [(Part, &str, &str); 7] = [
    (Part::Board, "index.html", "Board"),
    (Part::How, "how.html", "How it was measured"),
    (Part::Tile, "tile.html", "Tile"),
    (Part::Runs, "runs.html", "Runs"),
    (Part::Cards, "cards.html", "Cards"),
    (Part::Data, "data.html", "Data"),
    (Part::Check, "check.html", "Check it yourself"),
];

/// A page: its title, the part it belongs to, how deep it lies (0 in the report's own folder), and what stands on it.
/// Links on a page that lies deeper begin with [`up`].
pub(super) fn page(site: &Site<'_>, title: &str, part: Part, depth: usize, main: &Markup) -> String {
    let up = up(depth);
    let study = &site.publication.name;
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="generator" content=(format!("Half Panel {}", site.publication.program));
                title { (super::super::plots::lettering::shown(&format!("{title} – {study}"))) }
                link rel="icon" href="data:,";
                link rel="stylesheet" href=(format!("{up}style/site.css"));
            }
            body {
                a class="skip" href="#main" { "Skip to the content" }
                header class="mast" {
                    p class="home" {
                        a href=(format!("{up}index.html")) { (emblem()) span { (said(study)) } }
                    }
                    nav aria-label="Parts of the report" {
                        ul {
                            @for (this, path, name) in PARTS {
                                li {
                                    @if this == part {
                                        a href=(format!("{up}{path}")) aria-current="page" { (name) }
                                    } @else {
                                        a href=(format!("{up}{path}")) { (name) }
                                    }
                                }
                            }
                        }
                    }
                }
                main id="main" tabindex="-1" { (main) }
                footer class="foot" {
                    p {
                        "Every figure here is worked out from the recordings of the runs, which are "
                        a href=(format!("{up}data.html")) { "here to download" } ", and anybody can "
                        a href=(format!("{up}check.html")) { "work it out again" } ". "
                        "Made with Half Panel " (site.publication.program) "."
                    }
                }
            }
        }
    };
    markup.into_string()
}

/// The way from a page up to the report's own folder.
pub(super) fn up(depth: usize) -> String {
    "../".repeat(depth)
}

/// A link from a page that lies `depth` deep.
pub(super) fn link(depth: usize, path: &str, text: &Markup) -> Markup {
    html! { a href=(format!("{}{}", up(depth), href(path))) { (text) } }
}

/// A figure: drawings with what they show in words. Its table stands near it.
pub(super) fn figure(drawings: String, caption: &Markup) -> Markup {
    html! {
        figure class="drawn" {
            (maud::PreEscaped(drawings))
            figcaption { (caption) }
        }
    }
}

/// A table that may be wider than the screen: it scrolls by itself, by keyboard too. `id` names it on the page.
pub(super) fn scrolled(id: &str, label: &str, table: &Markup) -> Markup {
    html! {
        div class="scroll" role="region" tabindex="0" id=(id) aria-label=(super::super::plots::lettering::shown(label)) { (table) }
    }
}

/// Half of a panel with a product on it, half without.
fn emblem() -> Markup {
    html! {
        svg class="emblem" viewBox="0 0 28 28" width="28" height="28" aria-hidden="true" focusable="false" {
            rect class="whole" x="1.5" y="1.5" width="25" height="25" {}
            path class="half" d="M1.5 1.5H26.5L1.5 26.5z" {}
        }
    }
}
