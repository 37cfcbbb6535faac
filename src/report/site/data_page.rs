//! What can be downloaded, with digests.

use super::Site;
use super::frame;
use super::frame::Part;
use super::words;
use super::words::said;
use crate::report::publication::Download;
use maud::Markup;
use maud::html;

/// The page.
pub(super) fn page(site: &Site<'_>) -> String {
    let downloads = &site.publication.downloads;
    let is_recording = |download: &&Download| download.path.starts_with("data/recordings/");
    let recordings: Vec<&Download> = downloads.iter().filter(is_recording).collect();
    let others: Vec<&Download> = downloads.iter().filter(|download| !is_recording(download)).collect();
    let main = html! {
        h1 { "Data" }
        p class="lead" {
            "The folder " code { "data" } " of this report is the study itself: what it set out to do, the recordings, and the tables that follow from them. "
            "Tables are CSV in UTF-8 (RFC 4180), described column by column in " (frame::link(0, "data/results/datapackage.json", &html! { "datapackage.json" })) "."
        }
        section aria-labelledby="tables" {
            h2 id="tables" { "Study and tables" }
            (frame::scrolled("tables-list", "Study and tables to download", &list("Study and tables", &others)))
        }
        section aria-labelledby="recordings" {
            h2 id="recordings" { "Recordings" }
            p { "Every byte that the meter sent and every word of the operator, with times. A recording is text: one record a line." }
            @if recordings.is_empty() { p class="empty" { "There are none yet." } } @else {
                (frame::scrolled("recordings-list", "Recordings to download", &list("Recordings", &recordings)))
            }
        }
        p { "All digests, those of the pages included, are in " (frame::link(0, "SHA256SUMS", &html! { "SHA256SUMS" })) ", in the form that " code { "sha256sum --check" } " reads." }
    };
    frame::page(site, "Data", Part::Data, 0, &main)
}

/// The path within its folder; what the folder is, the heading says. Tables of lives have one of their own.
fn short(path: &str) -> &str {
    let inner =
        ["data/results/", "data/recordings/", "data/"].iter().find_map(|folder| path.strip_prefix(folder));
    inner.unwrap_or(path)
}

fn list(caption: &str, downloads: &[&Download]) -> Markup {
    html! {
        table {
            caption { (caption) }
            thead { tr { th scope="col" { "File" } th scope="col" { "What it is" } th scope="col" class="n" { "Size" } th scope="col" { "SHA-256" } } }
            tbody {
                @for download in downloads {
                    tr {
                        th scope="row" class="name" { (frame::link(0, &download.path, &html! { (said(short(&download.path))) })) }
                        td class="long" { (download.what) }
                        td class="n" { (words::size(download.len)) }
                        td { code class="digest" { (download.sha256) } }
                    }
                }
            }
        }
    }
}
