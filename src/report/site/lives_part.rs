//! What the front board says beside gloss: wash lives, gloss kept, judgements, cost.

use super::Site;
use super::frame;
use super::words;
use super::words::said;
use crate::board;
use crate::board::lives::Stretch;
use crate::report::plots::lives::Lives;
use crate::report::plots::lives::Row;
use crate::report::plots::lives::Span;
use maud::Markup;
use maud::html;

/// The part of a section; nothing where nothing is known beside gloss.
pub(super) fn part(site: &Site<'_>, ranked: &board::Board, number: usize) -> Markup {
    let has_life = |row: &&board::Row| !row.lives.patches.is_empty();
    let known = |row: &board::Row| {
        has_life(&row) || !row.judgements.is_empty() || !row.retention.is_empty() || row.cost_per_m2.is_some()
    };
    if !ranked.rows.iter().any(known) {
        return html! {};
    }
    let mut rows: Vec<&board::Row> = ranked.rows.iter().filter(|row| known(row)).collect();
    // The longest life first; those without one last.
    let life =
        |row: &board::Row| row.lives.middle.map(|middle| (middle.until.unwrap_or(u32::MAX), middle.after));
    rows.sort_by(|a, b| life(b).cmp(&life(a)).then_with(|| a.treatment.cmp(&b.treatment)));
    let lived: Vec<&board::Row> = rows.iter().copied().filter(has_life).collect();
    let heading = format!("lives-{number}");
    html! {
        section aria-labelledby=(heading) {
            h2 id=(heading) { "Wash life, gloss kept, judgements and cost" }
            @if !lived.is_empty() {
                p { (rule(site)) }
                (frame::figure(plot(&lived, number), &html! {
                    "One line a panel. Thin: seen working. Thick: the stretch of washes in which it failed, which nobody saw. An arrow: still "
                    "alive at the last look. Broken: put on over an earlier product, and not counted."
                }))
            }
            (frame::scrolled(&format!("lives-table-{number}"), "Lives, gloss kept, judgements and cost", &table(site, ranked, &rows)))
            @for text in pairs(ranked).iter().chain(&ranked.says_of_lives) { p { (said(text)) } }
        }
    }
}

/// When a product counts as failed, in words.
pub(super) fn rule(site: &Site<'_>) -> String {
    let failing = &site.publication.watching.failing;
    let class = failing.class_within.map(|within| match within {
        0 => "the treated side’s class of water behaviour has come to the control’s".to_owned(),
        within => {
            format!("the treated side’s class of water behaviour has come within {within} of the control’s")
        }
    });
    let area =
        failing.failed_area_pct.map(|pct| format!("{pct} % of the treated area no longer sheds water"));
    let rules: Vec<String> = class.into_iter().chain(area).collect();
    format!(
        "A product has failed when {}, at two looks in a row; the first of them is the wash that counts.",
        rules.join(", or ")
    )
}

fn plot(rows: &[&board::Row], number: usize) -> String {
    let row = |row: &&board::Row| Row {
        code: row.treatment.clone(),
        name: row.name.clone(),
        spans: row
            .lives
            .patches
            .iter()
            .map(|of| Span { after: of.washes.after, until: of.washes.until, over: of.over })
            .collect(),
        figure: row.lives.middle.map_or_else(String::new, stretch),
    };
    let alive = rows.iter().filter(|row| row.lives.counted > row.lives.failed).count();
    Lives {
        id: format!("lives-plot-{number}"),
        title: "Washes that each treatment lasted".to_owned(),
        description: format!(
            "{}, one line a panel. {alive} of them still live on some panel. The table below has the figures.",
            words::counted(rows.len(), "treatment", "treatments")
        ),
        rows: rows.iter().map(row).collect(),
    }
    .svg()
}

/// A life in words.
pub(super) fn stretch(of: Stretch) -> String {
    match (of.after, of.until) {
        (0, Some(until)) => format!("by wash {until}"),
        (after, Some(until)) => format!("wash {after} to {until}"),
        (after, None) => format!("over {after} washes"),
    }
}

fn table(site: &Site<'_>, ranked: &board::Board, rows: &[&board::Row]) -> Markup {
    let lives = rows.iter().any(|row| !row.lives.patches.is_empty());
    let judged = rows.iter().any(|row| !row.judgements.is_empty());
    let cost = rows.iter().any(|row| row.cost_per_m2.is_some());
    let stage = ranked.retention_stage.as_deref();
    html! {
        table {
            caption { "The longest life first" }
            thead {
                tr {
                    th scope="col" { "Treatment" }
                    @if lives {
                        th scope="col" { "Middle panel’s life" }
                        th scope="col" class="n" { "Rank by life" }
                        th scope="col" class="n" { "Failed of panels" }
                    }
                    @if let Some(stage) = stage { th scope="col" class="n" { "Gloss kept " (words::stage(stage)) ", %" } }
                    @if judged { th scope="col" { "Judged by hand and eye" } }
                    @if cost {
                        th scope="col" class="n" { "Cost of a m²" }
                        th scope="col" class="n" { "and wash survived" }
                    }
                }
            }
            tbody {
                @for row in rows {
                    tr {
                        (head(site, row))
                        @if lives {
                            td { span class="run" { (row.lives.middle.map_or_else(|| words::NOTHING.to_owned(), stretch)) } }
                            td class="n" { (rank(row.life_rank)) }
                            td class="n" { @if row.lives.counted > 0 { (row.lives.failed) " of " (row.lives.counted) } @else { (words::NOTHING) } }
                        }
                        @if stage.is_some() {
                            td class="n" {
                                @match row.kept_at(stage) {
                                    Some(kept) => { (words::figure(Some(kept.mean_pct), 1)) " " span class="of" { (words::counted(kept.panels, "panel", "panels")) } },
                                    None => (words::NOTHING),
                                }
                            }
                        }
                        @if judged { td class="words" { (judgements(row)) } }
                        @if cost {
                            td class="n" { (row.cost_per_m2.map_or_else(|| words::NOTHING.to_owned(), |cost| format!("{cost:.2} {}", row.currency))) }
                            td class="n" { (per_wash(row)) }
                        }
                    }
                }
            }
        }
    }
}

fn head(site: &Site<'_>, row: &board::Row) -> Markup {
    let name = html! { strong { (said(&row.treatment)) } " " (said(&row.name)) };
    html! {
        th scope="row" class="name" {
            @match site.path_of_treatment(&row.treatment) { Some(path) => (frame::link(0, &path, &name)), None => (name) }
        }
    }
}

/// A rank, or the best and the worst that the data allow.
pub(super) fn rank(rank: Option<[usize; 2]>) -> String {
    match rank {
        None => words::NOTHING.to_owned(),
        Some([best, worst]) if best == worst => best.to_string(),
        Some([best, worst]) => format!("{best} to {worst}"),
    }
}

/// Failures first: they are what sets a treatment apart.
fn judgements(row: &board::Row) -> Markup {
    let (passes, fails): (Vec<_>, Vec<_>) = row.judgements.iter().partition(|of| of.failed == 0);
    let passes: Vec<&str> = passes.iter().map(|of| of.attribute.as_str()).collect();
    let fails: Vec<String> = fails
        .iter()
        .map(|of| match of.passed {
            0 => of.attribute.clone(),
            passed => format!("{} ({} of {})", of.attribute, of.failed, passed + of.failed),
        })
        .collect();
    html! {
        @if row.judgements.is_empty() { (words::NOTHING) }
        @if !fails.is_empty() { strong { "fails" } " " (said(&fails.join(", "))) }
        @if !fails.is_empty() && !passes.is_empty() { "; " }
        @if !passes.is_empty() { "passes " (said(&passes.join(", "))) }
    }
}

fn per_wash(row: &board::Row) -> String {
    let Some(per) = row.cost_per_m2_and_wash else { return words::NOTHING.to_owned() };
    match (per.low, per.high) {
        (Some(low), Some(high)) => format!("{low:.2} to {high:.2}"),
        (None, Some(high)) => format!("under {high:.2}"),
        (Some(low), None) => format!("over {low:.2}"),
        (None, None) => words::NOTHING.to_owned(),
    }
}

/// Which lives can be told apart.
fn pairs(ranked: &board::Board) -> Vec<String> {
    let lived = ranked.rows.iter().filter(|row| row.lives.counted > 0).count();
    if lived < 2 {
        return Vec::new();
    }
    let here = ranked.life_pairs.iter().filter(|pair| pair.on_these_panels).count();
    let mut says = vec![format!(
        "Of {} by their lives, {here} can be told apart on these panels: every panel of the one had failed before any panel \
         of the other was last seen working. A rank is a range where lives cannot be told apart.",
        words::counted(lived * (lived - 1) / 2, "pair of treatments", "pairs of treatments")
    )];
    // Where no test could find anything, a sentence of its own says so.
    if ranked.says_of_lives.is_empty() {
        let product = ranked.life_pairs.iter().filter(|pair| pair.p_adjusted.is_some()).count();
        says.push(format!(
            "{product} can be told apart as products (permutation test of the groups, Holm-adjusted)."
        ));
    }
    says
}
