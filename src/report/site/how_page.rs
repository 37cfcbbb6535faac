//! How it was measured: procedure, tile, meter, and the uncertainty in words, with where each rule comes from.

use super::Site;
use super::caution;
use super::frame;
use super::frame::Part;
use super::words;
use super::words::said;
use crate::report::publication::Method;
use crate::run::setup::DriftPolicy;
use crate::run::setup::Procedure;
use crate::run::setup::TileValue;
use maud::Markup;
use maud::html;

/// The page.
pub(super) fn page(site: &Site<'_>) -> String {
    let publication = site.publication;
    let main = html! {
        h1 { "How it was measured" }
        p class="lead" {
            "Each panel is marked off into zones. Some get a treatment, some stay bare as the control. The meter reads all of them in one "
            "sitting, with a reference tile before and after. A result is treated minus control, over zone means."
        }
        @if publication.methods.len() > 1 {
            p class="notice" {
                strong { "Not all runs were measured alike: " }
                "there are " (publication.methods.len()) " ways below, each with its runs. Figures of different ways are not to be compared without a thought."
            }
        }
        (steps())
        @for (index, method) in publication.methods.iter().enumerate() { (method_part(site, index, method)) }
        (panels(site))
        (uncertainty())
        (sources())
        (watching(site))
        (caution::caution(std::iter::once(publication.watching.caution.as_str())))
    };
    frame::page(site, "How it was measured", Part::How, 0, &main)
}

fn steps() -> Markup {
    html! {
        section aria-labelledby="steps" {
            h2 id="steps" { "A run, step by step" }
            ol {
                li { "The foot of the meter is wiped, the tile is cleaned, and the tile is read a few times, the meter being lifted in between. The mean has to lie within the tolerance of the tile’s assigned value." }
                li { "The zones are read by a plan in which control and treated zones take turns, so that a slow drift of the meter falls on both." }
                li { "The tile is read again. The stretch between two checks is a bracket. It " em { "holds" } " if both checks passed and the tile’s mean moved by no more than the drift limit." }
                li { "In a bracket that holds, readings are proven. In one that does not, they are " em { "drifted" } ": they make no figure, and the zones are read again whole." }
                li { "Nothing recorded is ever dropped: readings taken back, declared void or replaced stay in the tables with their status." }
            }
        }
    }
}

fn method_part(site: &Site<'_>, index: usize, method: &Method) -> Markup {
    let several = site.publication.methods.len() > 1;
    let runs: Vec<&str> =
        site.publication.runs.iter().filter(|run| run.method == index).map(|run| run.id.as_str()).collect();
    let heading = format!("method-{}", index + 1);
    let rule = &method.tile.rule;
    html! {
        section aria-labelledby=(heading) {
            h2 id=(heading) { @if several { "Meter, tile and rules, way " (index + 1) } @else { "Meter, tile and rules" } }
            @if several { p { "Runs: " (said(&runs.join(", "))) } }
            dl class="facts" {
                div {
                    dt { "Meter" }
                    dd {
                        @if method.simulated { strong { "simulated: its readings are made up. " } }
                        "Its lines are read by the profile " q { (said(&method.meter)) } "."
                        @if let Some(step) = method.resolution_gu { " It shows steps of " (step) " GU." }
                        @if let Some(gu) = method.repeatability_gu { " Its stated repeatability is " (gu) " GU (standard deviation)." }
                    }
                }
                div { dt { "Angles" } dd { (method.geometries.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ")) " from the normal" } }
                div {
                    dt { "Reference tile" }
                    dd {
                        (said(&method.tile.name))
                        @if let Some(date) = &method.tile.certificate_date { ", certificate of " (date) }
                        ". " @for value in &method.tile.values { (tile_value(value)) " " }
                    }
                }
                div {
                    dt { "A check" }
                    dd {
                        (rule.readings) " readings; its mean within " (rule.tolerance_gu) " GU of the assigned value; its own readings within "
                        (rule.spread_limit_gu) " GU of one another"
                    }
                }
                div { dt { "A bracket" } dd { "the tile moves by no more than " (rule.drift_limit_gu) " GU from check to check. " (drift(method.procedure.drift_policy)) } }
                @if let Some(zero) = method.tile.zero { div { dt { "Zero" } dd { "a black trap at the start of every sitting, within " (zero.tolerance_gu) " GU of 0" } } }
                @if let Some(middle) = &method.tile.middle { div { dt { "Middle of the scale" } dd { "a second tile, " (said(&middle.name)) ", within " (middle.tolerance_gu) " GU" } } }
                div { dt { "On the zones" } dd { (zones(&method.procedure)) } }
                @if let Some(gu) = method.comparing.matters_gu { div { dt { "What matters" } dd { "a difference of " (gu) " GU or more; set before the first reading" } } }
                @if let Some(gu) = method.comparing.equivalence_margin_gu { div { dt { "Counts as equal" } dd { "within ± " (gu) " GU, where that can be shown" } } }
            }
        }
    }
}

fn tile_value(value: &TileValue) -> Markup {
    html! {
        "Assigned value at " (value.geometry_deg) ": " (value.assigned_gu) " GU"
        @match value.expanded_uncertainty_gu {
            Some(u) => { ", U = " (u) " GU (k = 2)." },
            None => { "; the certificate states no uncertainty." },
        }
    }
}

const fn drift(policy: DriftPolicy) -> &'static str {
    match policy {
        DriftPolicy::Allow => {
            "A drift within that limit leaves the values as they are and enters the uncertainty."
        }
        DriftPolicy::Correct => {
            "A drift within that limit is taken out in a straight line between the checks; raw and corrected values both stand in the tables."
        }
    }
}

fn zones(procedure: &Procedure) -> String {
    let mut text = format!(
        "{} on each zone",
        words::counted(procedure.readings_per_zone as usize, "reading", "readings")
    );
    if let Some(after) = procedure.interim_after_readings {
        text.push_str(&format!("; a check in between after {after} readings"));
    }
    if let Some(after) = procedure.interim_after_min {
        text.push_str(&format!("; a check in between after {after} minutes"));
    }
    text.push_str(&format!("; a pause of {} minutes ends the sitting", procedure.longest_pause_min));
    text
}

fn panels(site: &Site<'_>) -> Markup {
    html! {
        @if !site.publication.panels.is_empty() {
            section aria-labelledby="panels" {
                h2 id="panels" { "The panels" }
                (frame::scrolled("panels-table", "The panels", &html! {
                    table {
                        caption { "Panels of the study" }
                        thead { tr { th scope="col" { "Panel" } th scope="col" { "Made of" } th scope="col" class="n" { "Control zones" } th scope="col" { "Note" } } }
                        tbody {
                            @for panel in &site.publication.panels {
                                tr {
                                    th scope="row" { (said(&panel.id)) }
                                    td class="long" { (said(&panel.substrate)) }
                                    td class="n" { (panel.control_zones) }
                                    td class="long" { (said(&panel.note)) }
                                }
                            }
                        }
                    }
                }))
            }
        }
    }
}

fn watching(site: &Site<'_>) -> Markup {
    let watching = &site.publication.watching;
    html! {
        section aria-labelledby="watching" {
            h2 id="watching" { "How the treatments’ lives are watched" }
            p { "Water washes the whole panel, control included: a wash counts for everything on it. " (super::lives_part::rule(site))
                " The life lies between the last wash at which it was seen working and the first at which it had failed; nobody saw the wash itself." }
            @if !watching.washing.recipe.is_empty() { p { "Washed with " (said(&watching.washing.recipe)) @if let Some(amount) = &watching.washing.amount { ", " (amount) " on a panel" } "." } }
            p { "How water behaves is told by " (said(&watching.scale.name)) ":" }
            ol { @for words in &watching.scale.classes { li { (said(words)) } } }
        }
    }
}

fn uncertainty() -> Markup {
    html! {
        section aria-labelledby="uncertainty" {
            h2 id="uncertainty" { "How well a difference is known" }
            p {
                "The unit is the zone: repeats on a zone are averaged first, since more readings of one spot say more of that spot and nothing of the "
                "panel. The difference is the mean of the treated zones minus that of the control zones. Where the same zones were read bare, "
                "each zone counts by what has changed since, and the control’s own change is taken off. Without bare readings the two parts "
                "may have differed before; then it is said that the treated side " em { "was" } " higher, never that the treatment raised it."
            }
            p {
                "The " strong { "interval" } " holds everything that could make a difference out of nothing: how zones of one side scatter, the step of the meter’s display, "
                "and how far a drift between the checks can have favoured one side. It decides what can be said: " em { "higher" } " or " em { "lower" } " if it excludes zero, "
                em { "no difference detected" } " if it does not, which is not the same as being equal."
            }
            p {
                "The " strong { "expanded uncertainty U" } " adds what both sides share: the certificate of the tile, how the checks left the meter’s scale, and whether that scale is straight. "
                "These scale with the difference, not with the gloss. Both are at 95 %, by Student’s t with the effective degrees of freedom."
            }
            p {
                "Where a treatment stands on several panels, the panel is the unit: mean and scatter of the panels’ differences, one degree of freedom less than panels. "
                "Of the product a result speaks from three panels on. Values that stand out are flagged and shown, and never dropped by the program."
            }
            p {
                "Each figure unfolds into its parts in " (frame::link(0, "data/results/budget.csv", &html! { "budget.csv" })) "."
            }
        }
    }
}

fn sources() -> Markup {
    html! {
        section aria-labelledby="sources" {
            h2 id="sources" { "Where the rules come from" }
            ul {
                li { "Gloss at 20°, 60° and 85°: ISO 2813; ASTM D523. Those editions differ, and a clause is to be looked up before it is cited." }
                li { "Uncertainty: " cite { "Guide to the Expression of Uncertainty in Measurement" } ", JCGM 100:2008." }
                li { "Two sides that scatter differently: B. L. Welch, " cite { "Biometrika" } " 34 (1947), 28; effective degrees of freedom by Welch and Satterthwaite, JCGM 100:2008, G.4.1." }
                li { "Before and after, control and treated: Stewart-Oaten, Murdoch and Parker, " cite { "Ecology" } " 67 (1986), 929." }
                li { "Control charts of the tile, values that stand out: NIST/SEMATECH, " cite { "e-Handbook of Statistical Methods" } "." }
                li { "Drift limit, number of readings of a check, and that readings of a bracket that does not hold make no figure: rules of the program’s own." }
            }
        }
    }
}
