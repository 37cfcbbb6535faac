//! The board: all treatments at one stage side by side.

use super::Board;
use super::BoardRow;
use super::Site;
use super::caution;
use super::frame;
use super::frame::Part;
use super::front;
use super::front::Section;
use super::lives_part;
use super::words;
use super::words::said;
use crate::board;
use crate::report::plots::Mark;
use crate::report::plots::intervals::Bar;
use crate::report::plots::intervals::Intervals;
use crate::report::plots::intervals::Row;
use crate::report::publication::ResultRow;
use crate::report::publication::Verdict;
use maud::Markup;
use maud::html;

/// More letters than these say less than the ranks beside them.
const MOST_LETTERS: usize = 8;

/// The front page: what the study is, and the first board.
pub(super) fn index(site: &Site<'_>) -> String {
    let publication = site.publication;
    let main = html! {
        h1 { (said(&publication.name)) }
        (summary(site))
        @match site.boards.first() {
            Some(board) => (board_part(site, board, 0)),
            None => p class="empty" { "No run of this study has a result yet. Once one is done, the treatments stand here side by side." },
        }
        (others(site, site.boards.first(), 0))
        (cautions(site))
    };
    frame::page(site, "Board", Part::Board, 0, &main)
}

/// A further board: another stage or geometry.
pub(super) fn page(site: &Site<'_>, board: &Board<'_>) -> String {
    let title = title(board);
    let main = html! {
        h1 { (title) }
        (board_part(site, board, 1))
        (others(site, Some(board), 1))
        @if caution::calls_for_it(&board.stage) { (caution::caution(std::iter::once(site.publication.watching.caution.as_str()))) }
    };
    frame::page(site, &title, Part::Board, 1, &main)
}

fn title(board: &Board<'_>) -> String {
    format!("Treated minus control, {}, at {}°", words::stage(&board.stage), board.geometry_deg)
}

fn summary(site: &Site<'_>) -> Markup {
    let publication = site.publication;
    let proven = publication.results.iter().filter(|row| row.status == "proven").count();
    let all = publication.results.len();
    html! {
        p class="lead" {
            (words::counted(publication.treatments.len(), "treatment", "treatments")) " on "
            (words::counted(publication.panels.len(), "panel", "panels")) ", read in "
            (words::counted(publication.runs.len(), "run", "runs")) ". One part of each panel is treated, the other stays bare as the control. "
            "A gloss meter reads both in one sitting, and has to prove itself on a reference tile before and after: "
            strong { "no proof, no result" } "."
        }
        p {
            (proven) " of " (words::counted(all, "result is", "results are")) " proven. "
            @if proven < all { "The others are shown hollow and have no figure. " }
            @if publication.methods.iter().any(|method| method.simulated) {
                strong { "The meter of these runs is a simulated one: " } "its readings are made up, and say nothing of any real product. "
            }
        }
        @if !publication.unread.is_empty() {
            section class="notice" aria-labelledby="unread" {
                h2 id="unread" { "Rows of the observations that could not be read" }
                p { "They count for nothing here:" }
                ul { @for text in &publication.unread { li { (said(text)) } } }
            }
        }
        @if !publication.refused.is_empty() {
            section class="notice" aria-labelledby="refused" {
                h2 id="refused" { "Recordings that were refused" }
                p { "No figure is taken from these:" }
                ul { @for text in &publication.refused { li { (said(text)) } } }
            }
        }
    }
}

fn board_part(site: &Site<'_>, board: &Board<'_>, depth: usize) -> Markup {
    let sections = front::sections(site, board);
    let several = sections.len() > 1;
    html! {
        @if several {
            div class="notice" {
                p { strong { "Not all treatments were measured on the same terms, so they do not stand on one board." } }
                @for text in &site.publication.ranked.apart { p { (said(text)) } }
            }
        }
        @for section in &sections { (section_part(site, board, section, depth, several)) }
    }
}

fn section_part(
    site: &Site<'_>,
    board: &Board<'_>,
    section: &Section<'_>,
    depth: usize,
    several: bool,
) -> Markup {
    let matters = site.publication.matters_gu;
    let heading = format!("board-{}", section.number);
    html! {
        section aria-labelledby=(heading) {
            h2 id=(heading) {
                @if depth == 0 { (title(board)) } @else { "All treatments" }
                @if several { ", board " (section.number) }
            }
            @if let Some(ranked) = section.ranked.filter(|_| several) { p class="fine" { (terms(ranked)) } }
            (frame::figure(plot(site, board, section), &html! {
                "Whiskers are the 95 % interval that decides what can be said. "
                @if let Some(matters) = matters { "The strip is what does not matter to this study: less than " (matters) " GU either way. " }
                "Thin marks are single panels. "
                (key())
            }))
            (frame::scrolled(&format!("board-table-{}", section.number), &title(board), &table(site, board, section, depth)))
            (notes(section, depth))
        }
        @if let Some(ranked) = section.ranked { (lives_part::part(site, ranked, section.number)) }
    }
}

fn terms(ranked: &board::Board) -> String {
    ranked.terms.iter().map(|term| format!("{}: {}", term.what, term.is)).collect::<Vec<_>>().join("; ")
}

fn notes(section: &Section<'_>, depth: usize) -> Markup {
    let no_baseline = |row: &&ResultRow| row.design != "paired" && row.stage != "bare";
    let some_not_bare =
        section.rows.iter().flat_map(|(row, _)| row.panels.iter().copied()).any(|row| no_baseline(&row));
    html! {
        @if let Some(ranked) = section.ranked { @for text in ranked.says.iter().filter(|text| !ranked.says_of_lives.contains(text)) { p { (said(text)) } } }
        p class="fine" {
            "U is the expanded uncertainty at 95 %, to two digits; GU are gloss units. "
            @if section.ranked.is_some() {
                "A rank is a range where the data cannot say more: treatments that share a letter cannot be told apart. "
            } @else {
                "Rows stand in the order of the difference, which is no ranking: treatments whose intervals overlap may well be the same. "
            }
            "A result speaks of the product from three panels on, and of its panels before that. "
            a href=(format!("{}how.html#uncertainty", frame::up(depth))) { "How U is made" } "."
        }
        @if some_not_bare && section.ranked.is_none() {
            p class="fine" { "Some of these panels were not read bare, so their two parts may have differed before: there it is said that the treated side was higher or lower, not that the treatment made it so." }
        }
    }
}

/// What the marks mean.
pub(super) fn key() -> Markup {
    html! {
        span class="key" {
            (words::verdict(Verdict::Higher, "higher")) " "
            (words::verdict(Verdict::Lower, "lower")) " "
            (words::verdict(Verdict::NotDetectable, "no difference detected")) " "
            (words::verdict(Verdict::NoResult, "not proven"))
        }
    }
}

fn bar(row: &ResultRow) -> Bar {
    Bar {
        difference: row.difference_gu,
        interval: row.ci_low_gu.zip(row.ci_high_gu),
        mark: Mark::of(row.verdict),
    }
}

fn plot(site: &Site<'_>, board: &Board<'_>, section: &Section<'_>) -> String {
    let rows = section.rows.iter().map(|(row, _)| {
        let treatment = &site.publication.treatments[row.treatment];
        let (main, panels) = match (row.over.as_ref().filter(|_| row.is_of_panels()), row.only()) {
            (Some(over), _) => (
                Bar {
                    difference: over.difference_gu,
                    interval: over.ci_low_gu.zip(over.ci_high_gu),
                    mark: Mark::of(over.verdict),
                },
                row.panels.iter().map(|panel| bar(panel)).collect(),
            ),
            (None, Some(only)) => (bar(only), Vec::new()),
            (None, None) => (Bar { difference: None, interval: None, mark: Mark::Hollow }, Vec::new()),
        };
        Row {
            code: treatment.code.clone(),
            name: treatment.name.clone(),
            main,
            panels,
            figure: figure_text(row).unwrap_or_else(|| "no result".to_owned()),
        }
    });
    let rows: Vec<Row> = rows.collect();
    let tell = rows.iter().filter(|row| matches!(row.main.mark, Mark::Up | Mark::Down)).count();
    Intervals {
        id: format!("intervals-{}", section.number),
        title: title(board),
        description: format!(
            "{}, each with its 95 % interval around the control line. {tell} of them differ from the control beyond their interval. \
             The table below has the figures.",
            words::counted(rows.len(), "treatment", "treatments")
        ),
        rows,
        matters: site.publication.matters_gu,
    }
    .svg()
}

/// Difference and uncertainty of a row.
pub(super) fn figure_text(row: &BoardRow<'_>) -> Option<String> {
    match (row.over.as_ref().filter(|_| row.is_of_panels()), row.only()) {
        (Some(over), _) => {
            words::difference_text(over.difference_gu, over.expanded_uncertainty_gu, over.ci_high_gu)
        }
        (None, Some(only)) => {
            words::difference_text(only.difference_gu, only.expanded_uncertainty_gu, only.ci_high_gu)
        }
        (None, None) => None,
    }
}

fn table(site: &Site<'_>, board: &Board<'_>, section: &Section<'_>, depth: usize) -> Markup {
    let wide = section
        .rows
        .iter()
        .any(|(_, ranked)| ranked.is_some_and(|row| row.letters.split(' ').count() > MOST_LETTERS));
    let letters = section.ranked.is_some() && !wide;
    html! {
        table {
            caption { (title(board)) }
            thead {
                tr {
                    th scope="col" { "Treatment" }
                    th scope="col" class="n" { "Difference ± U, GU" }
                    th scope="col" class="n" { "95 % interval, GU" }
                    th scope="col" { "What can be said" }
                    @if section.ranked.is_some() { th scope="col" class="n" { "Rank" } }
                    @if letters { th scope="col" { "Letters" } }
                    th scope="col" class="n" { "Degrees of freedom" }
                }
            }
            tbody { @for (row, ranked) in &section.rows { (table_row(site, row, *ranked, letters, depth)) } }
        }
    }
}

fn table_row(
    site: &Site<'_>,
    row: &BoardRow<'_>,
    ranked: Option<&board::Row>,
    letters: bool,
    depth: usize,
) -> Markup {
    let standing = html! {
        @if let Some(ranked) = ranked {
            td class="n" { (lives_part::rank(ranked.rank)) }
            @if letters { td { (ranked.letters) } }
        }
    };
    let treatment = &site.publication.treatments[row.treatment];
    let name = html! { strong { (said(&treatment.code)) } " " (said(&treatment.name)) };
    let mut runs: Vec<&str> = row.panels.iter().map(|panel| panel.run.as_str()).collect();
    runs.sort_unstable();
    runs.dedup();
    let head = html! {
        th scope="row" class="name" {
            (frame::link(depth, &site.treatment_path(row.treatment), &name))
            @if !runs.is_empty() {
                span class="of" {
                    @if runs.len() == 1 { "run " } @else { "runs " }
                    @for (index, run) in runs.iter().enumerate() {
                        @if index > 0 { ", " }
                        (run_link(site, run, depth))
                    }
                }
            }
        }
    };
    match (row.over.as_ref().filter(|_| row.is_of_panels()), row.only()) {
        (Some(over), _) => html! {
            tr {
                (head)
                td class="n" { (words::difference(over.difference_gu, over.expanded_uncertainty_gu, over.ci_high_gu)) }
                td class="n" { (words::interval(over.ci_low_gu, over.ci_high_gu)) }
                td {
                    (words::verdict(over.verdict, words::over_panels_verdict(over)))
                    span class="of" { @if over.speaks_of == "product" { "the product, " } (words::counted(over.n_panels as usize, "panel", "panels")) }
                }
                (standing)
                td class="n" { (words::figure(over.degrees_of_freedom, 1)) }
            }
        },
        (None, Some(only)) => html! {
            tr {
                (head)
                td class="n" { (words::difference(only.difference_gu, only.expanded_uncertainty_gu, only.ci_high_gu)) }
                td class="n" { (words::interval(only.ci_low_gu, only.ci_high_gu)) }
                td {
                    (words::verdict(only.verdict, words::panel_verdict(only)))
                    span class="of" { "panel " (said(&only.panel)) }
                }
                (standing)
                td class="n" { (words::figure(only.degrees_of_freedom, 1)) }
            }
        },
        (None, None) => html! { tr { (head) td colspan="6" { "no result" } } },
    }
}

/// A link to a run's page, or its id where its recording is not there.
pub(super) fn run_link(site: &Site<'_>, run: &str, depth: usize) -> Markup {
    match site.path_of_run(run) {
        Some(path) => html! { span class="run" { (frame::link(depth, &path, &html! { (said(run)) })) } },
        None => html! { (said(run)) },
    }
}

fn others(site: &Site<'_>, this: Option<&Board<'_>>, depth: usize) -> Markup {
    let others: Vec<&Board<'_>> = site.boards.iter().filter(|board| Some(*board) != this).collect();
    html! {
        @if !others.is_empty() {
            section aria-labelledby="others" {
                h2 id="others" { "Other stages and angles" }
                ul class="ways" {
                    @for board in others {
                        li { (frame::link(depth, &site.board_path(board), &html! { (words::stage(&board.stage)) ", " (board.geometry_deg) "°" })) }
                    }
                }
            }
        }
    }
}

fn cautions(site: &Site<'_>) -> Markup {
    let publication = site.publication;
    let done = publication.stories.iter().any(|story| story.washes > 0 || story.wiped.is_some());
    let called = done || publication.results.iter().any(|row| caution::calls_for_it(&row.stage));
    let of_study = publication.watching.caution.as_str();
    let added: Vec<String> = publication
        .treatments
        .iter()
        .filter(|treatment| !treatment.caution.is_empty())
        .map(|treatment| format!("{} {}: {}", treatment.code, treatment.name, treatment.caution))
        .collect();
    html! { @if called || !added.is_empty() || !of_study.is_empty() { (caution::caution(std::iter::once(of_study).chain(added.iter().map(String::as_str)))) } }
}
