//! All runs.

use super::Site;
use super::frame;
use super::frame::Part;
use super::run_page;
use super::words;
use super::words::said;
use maud::html;

/// The page of all runs.
pub(super) fn page(site: &Site<'_>) -> String {
    let runs = &site.publication.runs;
    let main = html! {
        h1 { "Runs" }
        p class="lead" { "A run is one sitting at the bench: tile, zones, tile. Each has its recording, and nothing else makes a figure." }
        @if runs.is_empty() { p class="empty" { "No run has been done yet." } } @else {
            (frame::scrolled("runs-table", "All runs", &html! {
                table {
                    caption { "All runs, in the order in which they began" }
                    thead { tr { th scope="col" { "Run" } th scope="col" { "Began" } th scope="col" { "Panels" } th scope="col" { "Stage" } th scope="col" { "Treatments" } th scope="col" class="n" { "Readings" } th scope="col" { "How it stands" } } }
                    tbody {
                        @for (index, run) in runs.iter().enumerate() {
                            tr {
                                th scope="row" { span class="run" { (frame::link(0, &site.run_path(index), &html! { (said(&run.id)) })) } }
                                td { (words::time(run.began_us, run.offset_s)) }
                                td { (said(&run.panels().join(", "))) }
                                td { (said(&run.stages().iter().map(|stage| words::stage(stage)).collect::<Vec<_>>().join(", "))) }
                                td { (said(&run.treatments().join(", "))) }
                                td class="n" { (run.readings.len()) }
                                td class="long" { (run_page::state(run)) }
                            }
                        }
                    }
                }
            }))
        }
    };
    frame::page(site, "Runs", Part::Runs, 0, &main)
}
