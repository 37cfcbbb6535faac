//! From a study to the set-up of one run.

use crate::run::Setup;
use crate::run::setup::Comparing;
use crate::run::setup::Middle;
use crate::run::setup::Panel;
use crate::run::setup::Role;
use crate::run::setup::Tile;
use crate::run::setup::TileValue;
use crate::run::setup::Zone;
use crate::study::model::Study;
use crate::study::model::StudyPanel;
use crate::study::model::StudyZone;
use crate::study::model::ZoneUse;
use crate::study::names;
use crate::study::plan::plan;

/// Stage of a control zone that stands beside patches at different stages.
const MIXED: &str = "mixed";

/// What of a study a run takes in. The default takes all active panels that carry a patch.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Selection {
    /// Ids of panels; if empty, the active panels with a patch of the chosen treatments.
    pub panels: Vec<String>,
    /// Codes of treatments; if empty, all that stand on the panels.
    pub treatments: Vec<String>,
    /// Stage of all patches in this run, in place of the study's; `bare` for readings before the product.
    pub stage: Option<String>,
    /// Who holds the meter, in place of the study's operator.
    pub operator: Option<String>,
}

/// Why a run cannot be made of a selection.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SelectionProblem {
    /// A panel was asked for that the study does not have; `hint` names the likeliest.
    #[error("the study has no panel `{asked}`; {hint}")]
    UnknownPanel {
        /// What was asked for.
        asked: String,
        /// What was probably meant.
        hint: String,
    },
    /// A treatment was asked for that the study does not have; `hint` names the likeliest.
    #[error("the study has no treatment `{asked}`; {hint}")]
    UnknownTreatment {
        /// What was asked for.
        asked: String,
        /// What was probably meant.
        hint: String,
    },
    /// A panel was asked for that carries no patch, or none of the treatments asked for.
    #[error(
        "panel `{panel}` has no patch to read; add a `[[patch]]` to study.toml, or choose another panel or treatment"
    )]
    NothingOnPanel {
        /// The panel's id.
        panel: String,
    },
    /// A treatment was asked for that stands on none of the panels of this run.
    #[error(
        "treatment `{treatment}` has no patch on the panels of this run; add a `[[patch]]` to study.toml, or choose the panel that has it"
    )]
    NowhereOnPanels {
        /// The treatment's code.
        treatment: String,
    },
    /// No active panel carries a patch.
    #[error(
        "no active panel carries a patch, so there is nothing to read; add a `[[patch]]` to study.toml, or name a panel"
    )]
    NothingToRead,
    /// The stage asked for cannot be one.
    #[error("`{0}` cannot be a stage; {hint}", hint = names::STAGE_HINT)]
    BadStage(String),
    /// The operator's name cannot stand in a table.
    #[error("the operator's name {what}; {hint}")]
    BadOperator {
        /// What is wrong with it.
        what: String,
        /// What would be right.
        hint: &'static str,
    },
    /// The parts do not fit together.
    #[error("{0}; choose fewer panels")]
    Unfit(String),
}

impl Selection {
    /// The selection that gives `setup` again, so that a recording can be compared with what the study
    /// says now. The stage is kept where all its patches were at the same one.
    #[must_use]
    pub fn of(setup: &Setup) -> Selection {
        let stages: Vec<&str> =
            setup.zones.iter().filter(|z| z.role == Role::Treated).map(|z| z.stage.as_str()).collect();
        let first = stages.first().filter(|first| stages.iter().all(|stage| stage == *first));
        Selection {
            panels: setup.panels.iter().map(|panel| panel.id.clone()).collect(),
            treatments: setup.treatments.iter().map(|treatment| treatment.code.clone()).collect(),
            stage: first.map(|&stage| stage.to_owned()),
            operator: Some(setup.operator.clone()),
        }
    }
}

/// The set-up of a run of `selection`. Panels and treatments come in the study's order, however they
/// were asked for. Control zones of a panel serve all its treatments; their stage is that of the patches
/// beside them, or `mixed` where these differ. `profile_text` is the meter's profile, whole.
///
/// # Errors
/// [`SelectionProblem`] where the selection names what is not there, or leaves nothing to read.
pub fn setup(study: &Study, selection: &Selection, profile_text: &str) -> Result<Setup, SelectionProblem> {
    check_words(selection)?;
    let asked_treatments = asked_treatments(study, selection)?;
    let panels = panels(study, selection, &asked_treatments)?;
    let patches: Vec<usize> = (0..study.patches.len())
        .filter(|&patch| panels.contains(&study.patches[patch].panel))
        .filter(|&patch| asked_treatments.contains(&study.patches[patch].treatment))
        .collect();
    let treatments: Vec<usize> = (0..study.treatments.len())
        .filter(|&treatment| patches.iter().any(|&patch| study.patches[patch].treatment == treatment))
        .collect();
    let left_out = asked_treatments.iter().find(|treatment| !treatments.contains(treatment));
    if let Some(&treatment) = left_out.filter(|_| !selection.treatments.is_empty()) {
        let treatment = study.treatments[treatment].treatment.code.clone();
        return Err(SelectionProblem::NowhereOnPanels { treatment });
    }
    let zones = Chosen { study, stage: selection.stage.as_deref(), panels, patches, treatments };
    let setup = zones.setup(selection.operator.as_deref().unwrap_or(&study.operator).trim(), profile_text);
    setup.check().map_err(SelectionProblem::Unfit)?;
    Ok(setup)
}

/// The tile with its values at the geometries that are read.
pub(super) fn tile_in_use(study: &Study) -> Tile {
    let in_use = |values: &[TileValue]| -> Vec<TileValue> {
        values.iter().filter(|value| study.geometries.contains(&value.geometry_deg)).copied().collect()
    };
    let middle = study.tile.middle.as_ref();
    Tile {
        values: in_use(&study.tile.values),
        middle: middle.map(|middle| Middle { values: in_use(&middle.values), ..middle.clone() }),
        ..study.tile.clone()
    }
}

fn check_words(selection: &Selection) -> Result<(), SelectionProblem> {
    if let Some(stage) = selection.stage.as_ref().filter(|stage| !names::is_stage(stage)) {
        return Err(SelectionProblem::BadStage(stage.clone()));
    }
    let unfit = selection.operator.as_deref().and_then(|name| names::unfit_for_a_cell(name.trim()));
    unfit.map_or(Ok(()), |(what, hint)| Err(SelectionProblem::BadOperator { what, hint }))
}

/// Indices of the treatments asked for, or all.
fn asked_treatments(study: &Study, selection: &Selection) -> Result<Vec<usize>, SelectionProblem> {
    let codes = || study.treatments.iter().map(|t| t.treatment.code.as_str());
    for asked in &selection.treatments {
        if !codes().any(|code| code == asked) {
            let hint = names::meant(asked, "treatments", codes());
            return Err(SelectionProblem::UnknownTreatment { asked: asked.clone(), hint });
        }
    }
    let is_asked = |code: &str| {
        selection.treatments.is_empty() || selection.treatments.iter().any(|asked| asked == code)
    };
    Ok(codes().enumerate().filter(|(_, code)| is_asked(code)).map(|(index, _)| index).collect())
}

/// Indices of the panels asked for, or of all active ones that carry a patch of `treatments`.
fn panels(
    study: &Study,
    selection: &Selection,
    treatments: &[usize],
) -> Result<Vec<usize>, SelectionProblem> {
    let ids = || study.panels.iter().map(|panel| panel.id.as_str());
    let carries = |panel: usize| {
        study.patches.iter().any(|patch| patch.panel == panel && treatments.contains(&patch.treatment))
    };
    if selection.panels.is_empty() {
        let active: Vec<usize> =
            (0..study.panels.len()).filter(|&panel| study.panels[panel].active && carries(panel)).collect();
        return if active.is_empty() { Err(SelectionProblem::NothingToRead) } else { Ok(active) };
    }
    let mut chosen = Vec::new();
    for asked in &selection.panels {
        let Some(panel) = ids().position(|id| id == asked) else {
            let hint = names::meant(asked, "panels", ids());
            return Err(SelectionProblem::UnknownPanel { asked: asked.clone(), hint });
        };
        if !carries(panel) {
            return Err(SelectionProblem::NothingOnPanel { panel: asked.clone() });
        }
        chosen.push(panel);
    }
    chosen.sort_unstable();
    chosen.dedup();
    Ok(chosen)
}

/// What a run takes in, as rising indices into the study.
struct Chosen<'a> {
    study: &'a Study,
    stage: Option<&'a str>,
    panels: Vec<usize>,
    patches: Vec<usize>,
    treatments: Vec<usize>,
}

impl Chosen<'_> {
    fn setup(&self, operator: &str, profile_text: &str) -> Setup {
        let study = self.study;
        let zones: Vec<Zone> =
            self.panels.iter().enumerate().flat_map(|(at, &panel)| self.zones(at, panel)).collect();
        Setup {
            study: study.name.clone(),
            operator: operator.to_owned(),
            port: study.port.clone(),
            profile: profile_text.to_owned(),
            serial_number: study.serial_number.clone(),
            geometries: study.geometries.clone(),
            tile: tile_in_use(study),
            procedure: study.procedure,
            comparing: Comparing {
                matters_gu: study.comparing.matters_gu,
                equivalence_margin_gu: study.comparing.equivalence_margin_gu,
                earlier: Vec::new(),
            },
            panels: self.panels.iter().map(|&panel| drawn(&study.panels[panel])).collect(),
            treatments: self.treatments.iter().map(|&t| study.treatments[t].treatment.clone()).collect(),
            plan: plan(&zones, study.order),
            zones,
            repeatability: None,
        }
    }

    /// The zones of a panel that this run reads; `at` is the panel's index in the set-up.
    fn zones(&self, at: usize, panel: usize) -> Vec<Zone> {
        let control_stage = self.control_stage(panel);
        let zone = |zone: &StudyZone| match zone.used_as {
            ZoneUse::Control => Some(run_zone(zone, at, Role::Control, control_stage.to_owned())),
            ZoneUse::Patch(patch) if self.patches.contains(&patch) => {
                let patch = &self.study.patches[patch];
                let stage = self.stage.unwrap_or(&patch.stage).to_owned();
                Some(Zone {
                    treatment: self.treatments.iter().position(|&t| t == patch.treatment),
                    applied_at: patch.applied_at.clone(),
                    ..run_zone(zone, at, Role::Treated, stage)
                })
            }
            ZoneUse::Patch(_) | ZoneUse::Unused => None,
        };
        self.study.panels[panel].zones.iter().filter_map(zone).collect()
    }

    fn control_stage(&self, panel: usize) -> &str {
        if let Some(stage) = self.stage {
            return stage;
        }
        let mut stages = self
            .patches
            .iter()
            .map(|&patch| &self.study.patches[patch])
            .filter(|patch| patch.panel == panel)
            .map(|patch| patch.stage.as_str());
        let first = stages.next().unwrap_or(MIXED);
        if stages.all(|stage| stage == first) { first } else { MIXED }
    }
}

fn run_zone(zone: &StudyZone, panel: usize, role: Role, stage: String) -> Zone {
    Zone {
        panel,
        name: zone.name.clone(),
        role,
        treatment: None,
        stage,
        applied_at: None,
        x_mm: zone.x_mm,
        y_mm: zone.y_mm,
        width_mm: zone.width_mm,
        height_mm: zone.height_mm,
    }
}

fn drawn(panel: &StudyPanel) -> Panel {
    Panel { id: panel.id.clone(), width_mm: panel.width_mm, height_mm: panel.height_mm }
}

#[cfg(test)]
#[path = "setup_tests.rs"]
mod tests;
