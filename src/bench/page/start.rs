//! Before a run: what to take in, what to look at first, and a run that was cut off.

use super::marks::at;
use super::sentence;
use super::version;
use crate::session::station::Phase;
use crate::session::station::Snapshot;
use crate::view::CAUTION;
use crate::view::StudyFacts;
use crate::view::facts::PanelFacts;
use crate::view::facts::PatchFacts;
use maud::Markup;
use maud::html;

/// What to look at before the opening check. Common practice, no source.
const LOOKS: [(&str, &str); 5] = [
    ("foot", "The meter's foot is wiped: wax on it reaches tile and control"),
    ("dry", "The panel is dry and at room temperature"),
    ("jig", "The jig is on, so that the meter stands where it stood before"),
    ("battery", "The meter's battery is good for the whole run"),
    ("warm", "The meter has warmed up as its manual says"),
];

/// Everything before a run.
pub fn before(snapshot: &Snapshot, facts: &StudyFacts) -> Markup {
    html! {
        @match &snapshot.phase {
            Phase::Stuck { what, hint, .. } => (stuck(what, hint)),
            Phase::Opening => (opening(facts)),
            Phase::Idle { .. } | Phase::Running(_) => {}
        }
        @if let Some(run) = snapshot.phase.unfinished() { (take_up(run)) }
    }
}

fn stuck(what: &str, hint: &str) -> Markup {
    html! {
        section class="notice broken" role="alert" aria-labelledby="stuck-head" {
            h2 id="stuck-head" { "That did not work" }
            p { (sentence(what)) }
            @if !hint.is_empty() { p class="hint" { b { "What to do: " } (sentence(hint)) } }
        }
    }
}

fn opening(facts: &StudyFacts) -> Markup {
    html! {
        section class="notice waiting" aria-labelledby="opening-head" {
            h2 id="opening-head" { "A run is about to begin" }
            p { "Opening the meter's port " code { (facts.port) } "." }
        }
    }
}

fn take_up(run: &str) -> Markup {
    html! {
        section class="notice waiting" aria-labelledby="cut-off-head" {
            h2 id="cut-off-head" { "Run " (run) " was cut off" }
            p { "Everything that was shown is recorded. It goes on where it was; after a long pause, or if the clock cannot say how long it lay, a tile check comes first and both sides are read again." }
            form method="post" action="take-up" {
                (version())
                button type="submit" class="strong" id="take-up" { "Take it up again" }
            }
            p class="soft" { "Or start a new run below: what no closing check has proven in this one stays not proven." }
        }
    }
}

/// The form that starts a run.
pub fn form(facts: &StudyFacts) -> Markup {
    html! {
        form class="start" method="post" action="start" id="start-form" {
            (version())
            h2 { "Start a run" }
            (panels(facts))
            (treatments(facts))
            div class="fields" {
                div class="field" {
                    label for="stage" { "Stage" }
                    select id="stage" name="stage" {
                        option value="" selected { "as the study says" }
                        @for stage in &facts.stages { option value=(stage) { (stage) } }
                    }
                    p class="soft" id="stage-hint" { "“bare” reads the panel before the product goes on." }
                }
                div class="field" {
                    label for="operator" { "Who holds the meter" }
                    input id="operator" name="operator" type="text" maxlength="80" autocomplete="name" value=(facts.operator);
                }
                div class="field short" {
                    label for="temperature" { "Room, °C" }
                    input id="temperature" name="temperature_c" type="text" inputmode="decimal" maxlength="6" autocomplete="off";
                }
                div class="field short" {
                    label for="humidity" { "Humidity, %" }
                    input id="humidity" name="humidity_pct" type="text" inputmode="decimal" maxlength="5" autocomplete="off";
                }
            }
            fieldset class="looks" {
                legend { "Before the opening check" }
                @for (id, text) in LOOKS {
                    label class="look" for=(format!("look-{id}")) { input type="checkbox" id=(format!("look-{id}")); " " (text) }
                }
            }
            (cautions(facts))
            button type="submit" class="strong wide" id="start-run" { "Start the run" }
        }
    }
}

fn panels(facts: &StudyFacts) -> Markup {
    html! {
        fieldset class="choice" {
            legend { "Panels" }
            @for (index, panel) in facts.panels.iter().enumerate() {
                @let id = format!("panel-{index}");
                @let read = facts.patches.iter().any(|patch| patch.panel == index);
                label class="card" for=(id) {
                    input type="checkbox" name="panel" id=(id) value=(panel.id) checked[panel.active && read] disabled[!read];
                    span class="card-words" {
                        b { (panel.id) } " " span class="soft" { (panel.substrate) }
                        @if !panel.note.is_empty() { span class="soft" { (panel.note) } }
                        @if !read { span class="soft" { "no patch on it" } }
                        @for patch in facts.patches.iter().filter(|patch| patch.panel == index) { (patch_line(facts, patch)) }
                    }
                    (layout(panel))
                }
            }
        }
    }
}

fn patch_line(facts: &StudyFacts, patch: &PatchFacts) -> Markup {
    let code = facts.treatments.get(patch.treatment).map_or("", |t| t.code.as_str());
    html! {
        span class="patch" {
            (code) ", " (patch.stage)
            @if let Some(cured) = &patch.cured_at {
                span class="cure" data-cured-at=(cured) { "has cured by " time datetime=(cured) { (moment(cured)) } }
            } @else if patch.applied_at.is_none() && cures(facts, patch) {
                span class="cure soft" { "the study does not say when it was put on" }
            }
        }
    }
}

fn cures(facts: &StudyFacts, patch: &PatchFacts) -> bool {
    facts.treatments.get(patch.treatment).is_some_and(|t| t.cure_hours.is_some())
}

/// Date and time to the minute, of a time as RFC 3339 writes it.
fn moment(time: &str) -> String {
    time.get(..16).map_or_else(|| time.to_owned(), |minute| minute.replace('T', " "))
}

/// The panel in small.
fn layout(panel: &PanelFacts) -> Markup {
    let unit = panel.width_mm.max(panel.height_mm) / 1000.0;
    html! {
        svg class="layout" viewBox=(format!("0 0 {} {}", at(panel.width_mm), at(panel.height_mm))) aria-hidden="true" focusable="false" {
            rect class="board" width=(at(panel.width_mm)) height=(at(panel.height_mm)) stroke-width=(at(16.0 * unit)) {}
            @for zone in &panel.zones {
                @let class = match (zone.is_read, zone.treatment) { (false, _) => "unused", (true, Some(_)) => "treated", (true, None) => "control" };
                rect class=(class) x=(at(zone.x_mm)) y=(at(zone.y_mm)) width=(at(zone.width_mm)) height=(at(zone.height_mm))
                    stroke-width=(at(10.0 * unit)) {}
            }
        }
    }
}

fn treatments(facts: &StudyFacts) -> Markup {
    html! {
        fieldset class="choice" {
            legend { "Treatments" }
            @for (index, treatment) in facts.treatments.iter().enumerate() {
                @let id = format!("treatment-{index}");
                label class="card" for=(id) {
                    input type="checkbox" name="treatment" id=(id) value=(treatment.code) checked;
                    span class="card-words" {
                        b { (treatment.code) } " " (treatment.name)
                        @if !treatment.how.is_empty() { span class="soft" { (treatment.how) } }
                        @if let Some(hours) = treatment.cure_hours { span class="soft" { "cures " (at(hours)) " h" } }
                    }
                }
            }
            p class="soft" { "Only those that stand on the chosen panels are read, with the control beside them." }
        }
    }
}

fn cautions(facts: &StudyFacts) -> Markup {
    html! {
        section class="caution" aria-labelledby="caution-head" {
            h3 id="caution-head" {
                svg class="small-mark" viewBox="0 0 24 24" aria-hidden="true" focusable="false" {
                    path d="M12 2L23 21H1Z" class="warning" {} path d="M12 9v6m0 2v2" class="warning-mark" stroke-width="2.5" {}
                }
                " Caution"
            }
            p { (CAUTION) }
            @for treatment in facts.treatments.iter().filter(|t| !t.caution.is_empty()) {
                p { b { (treatment.code) " " (treatment.name) ": " } (treatment.caution) }
            }
        }
    }
}
