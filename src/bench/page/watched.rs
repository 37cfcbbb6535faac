//! The panels between runs: how they stand, and forms for washes and looks that take one tap each, for wet hands.

use super::sentence;
use super::shell::Shell;
use crate::view::NotedRow;
use crate::view::WatchedPanel;
use crate::view::WatchedPatch;
use crate::view::WatchedView;
use maud::Markup;
use maud::html;

/// The page. It has no script: each tap sends a form, and what was noted stands on the page that comes back.
#[must_use]
pub fn panels(study: &str, view: &WatchedView) -> String {
    let main = html! {
        section class="part" aria-labelledby="panels-title" {
            h2 class="part-title" id="panels-title" { "Panels, and what comes next" }
            @for problem in &view.problems { p class="notice broken" { (sentence(problem)) } }
            @if view.panels.is_empty() { p { "No treatment stands on a panel of this study." } }
            div class="caution" { h3 { "Caution" } @for caution in &view.cautions { p { (sentence(caution)) } } }
        }
        div class="watched" {
            @for panel in &view.panels { (of_panel(view, panel)) }
        }
        (noted(view))
    };
    let title = format!("Panels – {study}");
    Shell {
        title: &title,
        study: Some(study),
        home: Some("."),
        here: "panels",
        refresh_s: None,
        is_live: false,
    }
    .page(&main)
}

fn of_panel(view: &WatchedView, panel: &WatchedPanel) -> Markup {
    let id = format!("panel-{}", panel.place);
    html! {
        section class="watched-panel" id=(id) tabindex="-1" aria-labelledby=(format!("{id}-name")) {
            h3 id=(format!("{id}-name")) { "Panel " (panel.panel) ": " (times(panel.washes)) }
            div class="taps" {
                (wash(view, panel, None, "Washed once"))
                @if let Some(to) = panel.look_at.filter(|to| *to > panel.washes + 1) {
                    (wash(view, panel, Some(to), &format!("Washed up to {to}")))
                }
            }
            @if let Some(row) = view.rows.iter().find(|row| row.panel == panel.panel) {
                div class="last" {
                    p { b { "Noted last: " } (row.says) @if !row.treatment.is_empty() { " (" (row.treatment) ")" } }
                    (take_back(view, row))
                }
            }
            @for (at, patch) in panel.patches.iter().enumerate() { (of_patch(view, panel, patch, &format!("{id}-{at}"))) }
        }
    }
}

fn wash(view: &WatchedView, panel: &WatchedPanel, to: Option<u32>, says: &str) -> Markup {
    html! {
        form method="post" action="wash" {
            input type="hidden" name="seen" value=(view.seen);
            input type="hidden" name="panel" value=(panel.panel);
            @if let Some(to) = to { input type="hidden" name="to" value=(to); }
            button type="submit" aria-label=(format!("Panel {}: {}", panel.panel, says)) { (says) }
        }
    }
}

fn of_patch(view: &WatchedView, panel: &WatchedPanel, patch: &WatchedPatch, id: &str) -> Markup {
    html! {
        section class="watched-patch" aria-labelledby=(id) {
            h4 id=(id) { (patch.treatment) " " (patch.name) }
            p { "Stage " (patch.stage) "." @if !patch.life.is_empty() { " " (sentence(&patch.life)) } }
            p { b { "Next: " } (sentence(&patch.next)) }
            @if ["apply", "judge", "wipe"].iter().any(|deed| patch.command.starts_with(&format!("halfpanel {deed} "))) {
                p { code { (patch.command) } }
            }
            @for warning in &patch.warnings { p class="remark" { (sentence(warning)) } }
            @if patch.is_followed { (look(view, panel, patch, id)) }
        }
    }
}

/// Two taps: what the treated side does, then what the control does, which sends the form. Neither is filled in: a class
/// from memory is no observation.
fn look(view: &WatchedView, panel: &WatchedPanel, patch: &WatchedPatch, id: &str) -> Markup {
    let classes = || view.classes.iter().zip(1_u32..);
    html! {
        form method="post" action="look" class="look-form" {
            // Enter in a field presses a form's first button; this one does nothing.
            button type="submit" disabled hidden {}
            input type="hidden" name="seen" value=(view.seen);
            input type="hidden" name="treatment" value=(patch.treatment);
            input type="hidden" name="panel" value=(panel.panel);
            fieldset {
                legend { "Treated side now" }
                div class="classes" {
                    @for (words, class) in classes() {
                        label class="class" {
                            input type="radio" name="treated_class" value=(class) required;
                            b { (class) } " " span { (words) }
                        }
                    }
                }
            }
            fieldset {
                legend { "Control side now" @if let Some(class) = panel.control_class { " (last seen: " (class) ")" } }
                div class="classes" {
                    @for (words, class) in classes() {
                        button type="submit" name="control_class" value=(class) title=(words)
                            aria-label=(format!("{class} {words}: control beside {} on {}", patch.treatment, panel.panel)) {
                            b { (class) } " " span { (words) }
                        }
                    }
                }
            }
            details class="more" {
                summary { "Area and a note" }
                div class="fields" {
                    div class="field" {
                        label for=(format!("{id}-area")) { "Treated area that no longer sheds water, %" }
                        input id=(format!("{id}-area")) name="failed_area_pct" type="text" inputmode="decimal" maxlength="6" autocomplete="off";
                    }
                    div class="field" {
                        label for=(format!("{id}-note")) { "Note" }
                        input id=(format!("{id}-note")) name="note" type="text" maxlength="200" autocomplete="off";
                    }
                }
                p class="soft" { "They go with the classes that you tap." }
            }
        }
    }
}

fn noted(view: &WatchedView) -> Markup {
    html! {
        section class="part" id="noted" tabindex="-1" aria-labelledby="noted-title" {
            h2 class="part-title" id="noted-title" { "Noted last" }
            @if view.rows.is_empty() { p { "Nothing yet." } }
            ul class="noted" { @for row in &view.rows { (of_row(view, row)) } }
            p class="soft" { "Nothing is erased: what is taken back stays in observations.csv, and counts for nothing." }
        }
    }
}

fn of_row(view: &WatchedView, row: &NotedRow) -> Markup {
    let minute = row.at.get(..16).map_or_else(|| row.at.clone(), |minute| minute.replace('T', " "));
    html! {
        li {
            span {
                time datetime=(row.at) class="fig soft" { (minute) } " "
                b { @if !row.treatment.is_empty() { (row.treatment) " on " } (row.panel) } ": " (row.says)
                @if !row.note.is_empty() { " “" (row.note) "”" }
            }
            (take_back(view, row))
        }
    }
}

fn take_back(view: &WatchedView, row: &NotedRow) -> Markup {
    html! {
        form method="post" action="take-back" {
            input type="hidden" name="seen" value=(view.seen);
            input type="hidden" name="row" value=(row.row);
            input type="hidden" name="panel" value=(row.panel);
            button type="submit" class="quiet" aria-label=(format!("Take back row {}", row.row)) { "Take back" }
        }
    }
}

fn times(washes: u32) -> String {
    match washes {
        0 => "not washed yet".to_owned(),
        1 => "washed once".to_owned(),
        more => format!("washed {more} times"),
    }
}
