//! One treatment: what it is, what happened to it, and what was measured.

use super::Site;
use super::board_page::run_link;
use super::cards_page;
use super::caution;
use super::frame;
use super::frame::Part;
use super::life_part;
use super::words;
use super::words::said;
use crate::report::plots::washes::OverWashes;
use crate::report::plots::washes::Series;
use crate::report::plots::washes::StageSlot;
use crate::report::publication::ContrastRow;
use crate::report::publication::ResultRow;
use crate::report::publication::RunRecord;
use crate::report::publication::Treatment;
use crate::report::publication::Verdict;
use maud::Markup;
use maud::html;
use std::collections::BTreeMap;
use std::collections::BTreeSet;

/// The page of a treatment.
pub(super) fn page(site: &Site<'_>, index: usize) -> String {
    let treatment = &site.publication.treatments[index];
    let rows = site.results_of(&treatment.code);
    let done = site.stories_of(&treatment.code).iter().any(|story| story.washes > 0 || story.wiped.is_some());
    let calls = done || rows.iter().any(|row| caution::calls_for_it(&row.stage));
    let added = [site.publication.watching.caution.as_str(), treatment.caution.as_str()];
    let main = html! {
        h1 { span class="code" { (said(&treatment.code)) } " " (said(&treatment.name)) }
        (headline(site, index))
        (facts(site, treatment))
        (story(site, treatment, rows))
        (life_part::part(site, &treatment.code))
        (gloss(rows))
        (results(site, rows))
        (contrasts(site, treatment))
        (cards(site, index))
        @if calls || !treatment.caution.is_empty() { (caution::caution(added.into_iter())) }
    };
    frame::page(site, &format!("{} {}", treatment.code, treatment.name), Part::Board, 1, &main)
}

/// What the first board says of it.
fn headline(site: &Site<'_>, index: usize) -> Markup {
    let Some(board) = site.boards.first() else { return html! {} };
    let Some(row) = board.rows.iter().find(|row| row.treatment == index) else {
        return html! { p class="lead" { "It has not been read " (words::stage(&board.stage)) " yet." } };
    };
    let figure = super::board_page::figure_text(row);
    let (verdict, said_of, of) = match (row.over.as_ref().filter(|_| row.is_of_panels()), row.only()) {
        (Some(over), _) => (
            over.verdict,
            words::over_panels_verdict(over),
            words::counted(over.n_panels as usize, "panel", "panels"),
        ),
        (None, Some(only)) => (only.verdict, words::panel_verdict(only), format!("panel {}", only.panel)),
        (None, None) => return html! {},
    };
    html! {
        p class="headline" {
            @match figure { Some(figure) => { span class="big" { (figure) " GU" } }, None => { span class="big" { "no result" } } }
            " " (words::verdict(verdict, said_of))
            " " span class="fine" { "against the control, " (words::stage(&board.stage)) ", at " (board.geometry_deg) "°, on " (said(&of)) }
        }
    }
}

fn facts(site: &Site<'_>, treatment: &Treatment) -> Markup {
    // Panels on which it stands on the same zones since the same moment share a line.
    let mut places: Vec<(&[String], Option<&str>, Vec<&str>)> = Vec::new();
    for patch in &treatment.patches {
        let (zones, at) = (patch.zones.as_slice(), patch.applied_at.as_deref());
        match places.iter_mut().find(|(known, since, _)| (*known, *since) == (zones, at)) {
            Some((.., panels)) => panels.push(&patch.panel),
            None => places.push((zones, at, vec![&patch.panel])),
        }
    }
    html! {
        dl class="facts" {
            @if let Some(life) = life_part::middle(site, &treatment.code) { div { dt { "Wash life" } dd { (life) } } }
            @if !treatment.batch.is_empty() { div { dt { "Batch" } dd { (said(&treatment.batch)) } } }
            @if !treatment.how.is_empty() { div { dt { "Put on" } dd { (said(&treatment.how)) } } }
            @if let Some(hours) = treatment.cure_hours { div { dt { "To cure" } dd { (hours) " h" } } }
            @for (zones, at, panels) in &places {
                div {
                    dt { @if panels.len() == 1 { "On panel " } @else { "On panels " } (said(&panels.join(", "))) }
                    dd {
                        "zones " (said(&zones.join(", ")))
                        @if let Some(at) = at { ", put on " (when(at)) }
                    }
                }
            }
        }
    }
}

/// A moment of the study, `2026-05-04T09:30:00+02:00`, for people.
fn when(at: &str) -> Markup {
    match chrono::DateTime::parse_from_rfc3339(at) {
        Ok(moment) => html! { time datetime=(at) { (moment.format("%Y-%m-%d %H:%M")) } },
        Err(_) => html! { (said(at)) },
    }
}

/// What happened to it, in the order of time.
fn story(site: &Site<'_>, treatment: &Treatment, rows: &[&ResultRow]) -> Markup {
    let mut lines: Vec<(i64, Markup)> = Vec::new();
    lines.extend(life_part::lines(site, &treatment.code));
    let kept = |panel: &str| {
        let applied =
            |step: &crate::life::Step| step.kind == crate::life::Kind::Applied.name() && step.row.is_some();
        site.stories_of(&treatment.code)
            .iter()
            .any(|story| story.panel == panel && story.steps.iter().any(applied))
    };
    for patch in treatment.patches.iter().filter(|patch| !kept(&patch.panel)) {
        let Some(at) = &patch.applied_at else { continue };
        let Ok(moment) = chrono::DateTime::parse_from_rfc3339(at) else { continue };
        lines.push((
            moment.timestamp_micros(),
            html! { (when(at)) " " "Put on panel " (said(&patch.panel)) "." },
        ));
    }
    let mut runs: BTreeMap<(&str, &str), Vec<&ResultRow>> = BTreeMap::new();
    for row in rows {
        runs.entry((&row.run, &row.stage)).or_default().push(row);
    }
    for ((run, _), rows) in runs {
        if let Some(run) = site.run_of(run) {
            lines.push((run.began_us, read_in(site, treatment, run, &rows)));
        }
    }
    lines.sort_by_key(|(at, _)| *at);
    html! {
        @if !lines.is_empty() {
            section aria-labelledby="story" {
                h2 id="story" { "Its story" }
                ol class="story" { @for (_, line) in &lines { li { (line) } } }
            }
        }
    }
}

/// What a run made of it, panels of which the same can be said in one.
fn read_in(site: &Site<'_>, treatment: &Treatment, run: &RunRecord, rows: &[&ResultRow]) -> Markup {
    let mut said_of: Vec<(Verdict, &'static str, Vec<&str>)> = Vec::new();
    for row in rows {
        let words = words::panel_verdict(row);
        match said_of.iter_mut().find(|(_, known, _)| *known == words) {
            Some((.., panels)) if !panels.contains(&row.panel.as_str()) => panels.push(&row.panel),
            Some(_) => {}
            None => said_of.push((row.verdict, words, vec![&row.panel])),
        }
    }
    let cured = rows.iter().filter(|row| row.stage == "cured").filter_map(|row| row.cure_hours_actual);
    let least = cured.fold(f64::INFINITY, f64::min);
    let early = treatment.cure_hours.is_some_and(|wanted| least < wanted);
    html! {
        (words::time(run.began_us, run.offset_s)) " Read " (words::stage(rows.first().map_or("", |row| &row.stage)))
        ", in run " (run_link(site, &run.id, 1)) ": "
        @for (index, (verdict, words, panels)) in said_of.iter().enumerate() {
            @if index > 0 { "; " }
            (words::verdict(*verdict, words)) " on " (said(&panels.join(", ")))
        }
        @if least.is_finite() { "; " (format!("{least:.0}\u{a0}h")) " after it was put on" }
        @if early { ", " strong { "earlier than it is to cure" } }
        "."
    }
}

/// Mean gloss of the treated and the control zones, stage by stage.
fn gloss(rows: &[&ResultRow]) -> Markup {
    let geometries: BTreeSet<u16> = rows.iter().map(|row| row.geometry_deg).collect();
    html! { @for geometry in geometries { (gloss_at(rows, geometry)) } }
}

fn gloss_at(rows: &[&ResultRow], geometry: u16) -> Markup {
    let mut stages: BTreeMap<(u8, u32, &str), Vec<&ResultRow>> = BTreeMap::new();
    for row in rows.iter().filter(|row| row.geometry_deg == geometry && row.treated_mean_gu.is_some()) {
        stages.entry(words::stage_order(&row.stage)).or_default().push(row);
    }
    if stages.len() < 2 {
        return html! {};
    }
    let mean = |rows: &[&ResultRow], of: fn(&ResultRow) -> Option<f64>| {
        let values: Vec<f64> = rows.iter().filter_map(|row| of(row)).collect();
        values.iter().sum::<f64>() / values.len().max(1) as f64
    };
    let series = |is_treated: bool, of: fn(&ResultRow) -> Option<f64>| Series {
        is_treated,
        points: stages.values().enumerate().map(|(at, rows)| (at, mean(rows, of))).collect(),
    };
    let slots = stages
        .keys()
        .map(|(_, _, stage)| StageSlot { name: (*stage).to_owned(), washes: words::washes(stage) });
    let plot = OverWashes {
        id: format!("gloss-{geometry}"),
        title: format!("Gloss at {geometry}° from stage to stage"),
        description: "Mean of the treated and of the control zones over the panels, at each stage. The table below has the figures.".to_owned(),
        axis: format!("mean gloss at {geometry}°, GU"),
        stages: slots.collect(),
        series: vec![series(false, |row| row.control_mean_gu), series(true, |row| row.treated_mean_gu)],
        hold: Vec::new(),
        classes: None,
    };
    let heading = format!("gloss-heading-{geometry}");
    html! {
        section aria-labelledby=(heading) {
            h2 id=(heading) { "Gloss over its life, at " (geometry) "°" }
            (frame::figure(plot.svg(), &html! { "The mean over the panels read at that stage." }))
            (frame::scrolled(&format!("gloss-table-{geometry}"), &format!("Gloss from stage to stage at {geometry} degrees"), &html! {
                table {
                    caption { "Mean gloss at " (geometry) "°, over the panels read at that stage" }
                    thead { tr { th scope="col" { "Stage" } th scope="col" class="n" { "Panels" } th scope="col" class="n" { "Control, GU" } th scope="col" class="n" { "Treated, GU" } } }
                    tbody {
                        @for ((_, _, stage), rows) in &stages {
                            tr {
                                th scope="row" { (words::stage(stage)) }
                                td class="n" { (rows.iter().map(|row| &row.panel).collect::<BTreeSet<_>>().len()) }
                                td class="n" { (words::figure(Some(mean(rows, |row| row.control_mean_gu)), 1)) }
                                td class="n" { (words::figure(Some(mean(rows, |row| row.treated_mean_gu)), 1)) }
                            }
                        }
                    }
                }
            }))
        }
    }
}

/// Every result of it.
fn results(site: &Site<'_>, rows: &[&ResultRow]) -> Markup {
    let mut rows = rows.to_vec();
    rows.sort_by(|a, b| {
        let key = |row: &ResultRow| {
            (words::stage_order(&row.stage).0, words::stage_order(&row.stage).1, row.geometry_deg)
        };
        key(a).cmp(&key(b)).then_with(|| a.panel.cmp(&b.panel)).then_with(|| a.run.cmp(&b.run))
    });
    html! {
        section aria-labelledby="results" {
            h2 id="results" { "What was measured" }
            @if rows.is_empty() { p class="empty" { "No run has read it yet." } } @else {
                (frame::scrolled("results-table", "Results of this treatment", &result_table(site, &rows, 1, false)))
                p class="fine" {
                    "The same rows, with all columns, are in " (frame::link(1, "data/results/results.csv", &html! { "results.csv" })) ". "
                    (frame::link(1, "check.html", &html! { "Repeat one of these figures yourself" })) "."
                }
            }
        }
    }
}

/// A table of results, each figure carrying the one in `results.csv`.
pub(super) fn result_table(
    site: &Site<'_>,
    rows: &[&ResultRow],
    depth: usize,
    names_treatment: bool,
) -> Markup {
    let kept = rows.iter().any(|row| row.retention_pct.is_some());
    let first = rows.first();
    // What is the same in every row is said once.
    let angle =
        first.map(|row| row.geometry_deg).filter(|angle| rows.iter().all(|row| row.geometry_deg == *angle));
    let stage = first
        .map(|row| &row.stage)
        .filter(|stage| names_treatment && rows.iter().all(|row| row.stage == **stage));
    html! {
        table {
            caption {
                "Treated minus control, panel by panel"
                @if let Some(stage) = stage { ", " (words::stage(stage)) }
                @if let Some(angle) = angle { ", at " (angle) "°" }
            }
            thead {
                tr {
                    @if names_treatment { th scope="col" { "Treatment" } }
                    @if stage.is_none() { th scope="col" { "Stage" } }
                    th scope="col" { "Panel" }
                    @if angle.is_none() { th scope="col" class="n" { "Angle" } }
                    th scope="col" class="n" { "Control, GU" }
                    th scope="col" class="n" { "Treated, GU" }
                    th scope="col" class="n" { "Difference ± U, GU" }
                    th scope="col" class="n" { "95 % interval, GU" }
                    th scope="col" { "What can be said" }
                    th scope="col" class="n" { "Zones: treated, control" }
                    @if kept { th scope="col" class="n" { "Gloss kept, %" } }
                }
            }
            tbody {
                @for row in rows {
                    tr {
                        @if names_treatment {
                            th scope="row" {
                                @match site.path_of_treatment(&row.treatment) {
                                    Some(path) => (frame::link(depth, &path, &html! { (said(&row.treatment)) })),
                                    None => (said(&row.treatment)),
                                }
                            }
                            @if stage.is_none() { td { (words::stage(&row.stage)) } }
                        } @else {
                            th scope="row" { (words::stage(&row.stage)) span class="of" { (run_link(site, &row.run, depth)) } }
                        }
                        td { (said(&row.panel)) }
                        @if angle.is_none() { td class="n" { (row.geometry_deg) "°" } }
                        td class="n" { (words::figure(row.control_mean_gu, 1)) }
                        td class="n" { (words::figure(row.treated_mean_gu, 1)) }
                        td class="n" { (words::difference(row.difference_gu, row.expanded_uncertainty_gu, row.ci_high_gu)) }
                        td class="n" { (words::interval(row.ci_low_gu, row.ci_high_gu)) }
                        td { (words::verdict(row.verdict, words::panel_verdict(row))) }
                        td class="n" { (row.n_treated) ", " (row.n_control) }
                        @if kept { td class="n" { (words::figure(row.retention_pct, 1)) } }
                    }
                }
            }
        }
    }
}

/// The treatments that share its panels. The stage of the front board stands open, for the others are many.
fn contrasts(site: &Site<'_>, treatment: &Treatment) -> Markup {
    let mut stages: BTreeMap<(u8, u32, &str), Vec<&ContrastRow>> = BTreeMap::new();
    for row in site.contrasts_of(&treatment.code) {
        let of_run = site.results_in(&row.run).iter();
        let of_row =
            of_run.copied().find(|result| result.treatment == treatment.code && result.panel == row.panel);
        let stage = of_row.map_or("", |result| result.stage.as_str());
        stages.entry(words::stage_order(stage)).or_default().push(row);
    }
    let front = site.boards.first().map_or("", |board| board.stage.as_str());
    let open = stages.remove(&words::stage_order(front));
    let folded: usize = stages.values().map(Vec::len).sum();
    html! {
        @if open.is_some() || folded > 0 {
            section aria-labelledby="contrasts" {
                h2 id="contrasts" { "Held against others on its panel" }
                p { "Treatments on one panel share its control, so they are compared by their treated zones. A positive figure says that this treatment reads higher than the other." }
                @if let Some(rows) = &open { (contrast_table(site, treatment, front, rows)) }
                @if folded > 0 {
                    details {
                        summary { (words::counted(folded, "comparison", "comparisons")) " at other stages" }
                        @for ((_, _, stage), rows) in &stages { (contrast_table(site, treatment, stage, rows)) }
                    }
                }
            }
        }
    }
}

fn contrast_table(site: &Site<'_>, treatment: &Treatment, stage: &str, rows: &[&ContrastRow]) -> Markup {
    let mut rows: Vec<(&str, &ContrastRow)> = rows
        .iter()
        .map(|row| {
            (if row.treatment_b == treatment.code { &row.treatment_a } else { &row.treatment_b }, *row)
        })
        .map(|(other, row)| (other.as_str(), row))
        .collect();
    rows.sort_by(|a, b| (a.0, &a.1.panel, &a.1.run).cmp(&(b.0, &b.1.panel, &b.1.run)));
    let title = format!("This treatment minus the other, {}", words::stage(stage));
    frame::scrolled(
        &format!("contrasts-{}", super::paths::slug(stage)),
        &title,
        &html! {
            table {
                caption { (title) }
                thead { tr { th scope="col" { "The other" } th scope="col" { "Panel" } th scope="col" class="n" { "Angle" } th scope="col" class="n" { "Difference, GU" } th scope="col" class="n" { "95 % interval, GU" } th scope="col" { "Run" } } }
                tbody {
                    @for (other, row) in rows {
                        @let is_second = row.treatment_b == treatment.code;
                        @let sign = if is_second { 1.0 } else { -1.0 };
                        @let ends = if is_second { (row.ci_low_gu, row.ci_high_gu) } else { (row.ci_high_gu.map(|end| -end), row.ci_low_gu.map(|end| -end)) };
                        tr {
                            th scope="row" {
                                @match site.path_of_treatment(other) {
                                    Some(path) => (frame::link(1, &path, &html! { (said(other)) })),
                                    None => (said(other)),
                                }
                            }
                            td { (said(&row.panel)) }
                            td class="n" { (row.geometry_deg) "°" }
                            td class="n" { (words::signed_figure(row.difference_gu.map(|value| sign * value), 2)) }
                            td class="n" { (words::interval(ends.0, ends.1)) }
                            td { (run_link(site, &row.run, 1)) }
                        }
                    }
                }
            }
        },
    )
}

fn cards(site: &Site<'_>, index: usize) -> Markup {
    html! {
        section aria-labelledby="cards" {
            h2 id="cards" { "Cards" }
            p { "Pictures for a video or a post. They say no more than this page." }
            (cards_page::of_treatment(site, index, 1))
        }
    }
}
