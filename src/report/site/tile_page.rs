//! The tile's history on its control charts.

use super::Site;
use super::board_page::run_link;
use super::frame;
use super::frame::Part;
use super::words;
use crate::report::svg;
use crate::report::tile_history::GeometryHistory;
use crate::report::tile_history::TileHistory;
use crate::report::tile_text;
use maud::Markup;
use maud::PreEscaped;
use maud::html;

/// The page of the tile.
pub(super) fn page(site: &Site<'_>) -> String {
    let history = &site.publication.tile;
    let main = html! {
        h1 { "The reference tile" }
        p class="lead" {
            "The first check of every sitting, before anything else is read: what the meter said of a tile whose value is known. "
            "A dirty tile, a worn one or an ageing lamp shows here before a run fails."
        }
        @if history.geometries.is_empty() { p class="empty" { "No tile check has been finished yet." } } @else {
            figure class="drawn" {
                (frame::scrolled("tile-chart", "Control charts of the tile", &html! { (PreEscaped(chart(history))) }))
                figcaption { "Limits come from the first " (history.baseline) " checks of a stretch. A cross lies beyond them." }
            }
            @for geometry in &history.geometries { (geometry_part(site, geometry)) }
        }
    };
    frame::page(site, "The reference tile", Part::Tile, 0, &main)
}

/// The chart without a style of its own: the site's has its rules, and a host may allow none within a page.
fn chart(history: &TileHistory) -> String {
    let drawn = svg::svg(history);
    svg::apart(&drawn).map(|(_, picture)| picture).unwrap_or(drawn)
}

fn geometry_part(site: &Site<'_>, history: &GeometryHistory) -> Markup {
    let degrees = history.geometry.degrees();
    let heading = format!("tile-{degrees}");
    html! {
        section aria-labelledby=(heading) {
            h2 id=(heading) { "At " (history.geometry) }
            p { (words::minus_of_figures(&tile_text::standing(history, site.publication.tile.baseline))) }
            p { (words::minus_of_figures(&tile_text::warm_up(&history.warm_up))) }
            (frame::scrolled(&format!("tile-table-{degrees}"), &format!("Tile checks at {degrees} degrees"), &table(site, history)))
        }
    }
}

fn table(site: &Site<'_>, history: &GeometryHistory) -> Markup {
    let figure = |value: Option<f64>| {
        value.map_or_else(
            || words::NOTHING.to_owned(),
            |value| words::minus(&tile_text::signed(value, history.decimals())),
        )
    };
    html! {
        table {
            caption { "Tile checks at " (history.geometry) ": mean minus assigned value" }
            thead { tr { th scope="col" { "Run" } th scope="col" { "When" } th scope="col" { "Check" } th scope="col" class="n" { "Off by, GU" } th scope="col" class="n" { "Average, GU" } th scope="col" class="n" { "Lower limit" } th scope="col" class="n" { "Upper limit" } th scope="col" { "Signal" } } }
            tbody {
                @for charted in &history.checks {
                    @let limits = history.stretches[charted.stretch].limits();
                    tr {
                        th scope="row" { (run_link(site, &charted.check.run, 0)) }
                        td { (words::time(charted.check.wall_us, charted.check.offset_s)) }
                        td { (charted.check.kind.text()) }
                        td class="n" { (figure(Some(charted.check.deviation_gu))) }
                        td class="n" { (figure(charted.average_gu)) }
                        td class="n" { (figure(limits.map(|limits| limits.lower))) }
                        td class="n" { (figure(limits.map(|limits| limits.upper))) }
                        td { @if charted.is_beyond() { "beyond the limits" } @else if !charted.signals.is_empty() || charted.jump { "out of the ordinary" } }
                    }
                }
            }
        }
    }
}
