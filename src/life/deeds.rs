//! From what a person asks for to the rows that say it: which patches are meant, and what a wash comes to.

use crate::life::blind;
use crate::life::facts::panel_facts;
use crate::life::observation::Look;
use crate::life::observation::Observations;
use crate::life::observation::PatchIndex;
use crate::life::observation::What;
use crate::life::telling::latest;
use crate::life::telling::stories;
use crate::study::SelectionProblem;
use crate::study::Study;
use crate::study::meant;
use crate::units::Amount;

/// Patches by treatment and panels; what is left out is any.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Choice {
    /// Code of the treatment.
    pub treatment: Option<String>,
    /// Ids of panels.
    pub panels: Vec<String>,
}

/// A wash that is asked for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Wash {
    /// What is washed: the panels on which the choice stands, whole.
    pub choice: Choice,
    /// Count to reach, of the treatment since it was put on, or of the panel where none is named; one more if absent.
    pub to: Option<u32>,
    /// Name of the recipe; the study's if absent.
    pub recipe: Option<String>,
    /// Amount of it on a panel; the study's if absent.
    pub amount: Option<Amount>,
    /// What was seen after it, on the one patch that is chosen.
    pub look: Option<Look>,
}

/// Why what is asked for cannot be.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CannotDo {
    /// The study has no such panel or treatment, or the treatment does not stand there.
    #[error("{0}")]
    Choice(#[from] SelectionProblem),
    /// Neither a treatment nor a panel was named.
    #[error("name a treatment or a panel")]
    NothingNamed,
    /// More than one patch fits, and what was seen is of one.
    #[error(
        "`{treatment}` stands on panels {panels}: say on which with --panel; what is seen is of one patch"
    )]
    SeveralPatches {
        /// The treatment, or what was named.
        treatment: String,
        /// The panels.
        panels: String,
    },
    /// The count is reached already.
    #[error(
        "`{what}` on panel {panel} has been washed {washes} times, and {to} is asked for; a count that is wrong is taken back with `halfpanel correct ROW`"
    )]
    CountedAlready {
        /// The treatment, or the panel.
        what: String,
        /// The panel.
        panel: String,
        /// Its count.
        washes: u32,
        /// What was asked for.
        to: u32,
    },
}

/// The patches of a choice, in the study's order; at least one.
///
/// # Errors
/// [`CannotDo`], with the nearest of the names that were not found.
pub fn chosen(study: &Study, choice: &Choice) -> Result<Vec<PatchIndex>, CannotDo> {
    if choice.treatment.is_none() && choice.panels.is_empty() {
        return Err(CannotDo::NothingNamed);
    }
    let codes = || study.treatments.iter().map(|t| t.treatment.code.as_str());
    if let Some(asked) = choice.treatment.as_ref().filter(|asked| !codes().any(|code| code == *asked)) {
        let hint = meant(asked, "treatments", codes());
        return Err(SelectionProblem::UnknownTreatment { asked: asked.clone(), hint }.into());
    }
    let ids = || study.panels.iter().map(|panel| panel.id.as_str());
    if let Some(asked) = choice.panels.iter().find(|asked| !ids().any(|id| id == *asked)) {
        let hint = meant(asked, "panels", ids());
        return Err(SelectionProblem::UnknownPanel { asked: asked.clone(), hint }.into());
    }
    let fits = |&patch: &usize| {
        let (treatment, panel) = blind::names(study, patch);
        choice.treatment.as_ref().is_none_or(|code| code == treatment)
            && (choice.panels.is_empty() || choice.panels.iter().any(|id| id == panel))
    };
    let patches: Vec<PatchIndex> = (0..study.patches.len()).filter(fits).collect();
    let missing =
        choice.panels.iter().find(|id| !patches.iter().any(|&patch| blind::names(study, patch).1 == *id));
    match (missing, &choice.treatment) {
        (Some(panel), None) => Err(SelectionProblem::NothingOnPanel { panel: panel.clone() }.into()),
        (Some(_), Some(code)) => Err(SelectionProblem::NowhereOnPanels { treatment: code.clone() }.into()),
        (None, Some(code)) if patches.is_empty() => {
            Err(SelectionProblem::NowhereOnPanels { treatment: code.clone() }.into())
        }
        _ => Ok(patches),
    }
}

/// The one patch of a choice.
///
/// # Errors
/// [`CannotDo`], where there is none or more than one.
pub fn one(study: &Study, choice: &Choice) -> Result<PatchIndex, CannotDo> {
    let patches = chosen(study, choice)?;
    if let [patch] = patches.as_slice() {
        return Ok(*patch);
    }
    let panels: Vec<&str> = patches.iter().map(|&patch| blind::names(study, patch).1).collect();
    let treatment = choice.treatment.clone().unwrap_or_else(|| choice.panels.join(", "));
    Err(CannotDo::SeveralPatches { treatment, panels: panels.join(", ") })
}

/// The rows of a wash: one for each panel, then the look.
///
/// # Errors
/// [`CannotDo`].
pub fn wash(study: &Study, observations: &Observations, wash: &Wash) -> Result<Vec<What>, CannotDo> {
    let patches = chosen(study, &wash.choice)?;
    let looked_at = wash.look.map(|look| Ok::<_, CannotDo>((one(study, &wash.choice)?, look))).transpose()?;
    let facts = panel_facts(study, observations);
    let stories = stories(study, observations);
    let mut rows = Vec::new();
    let mut done = Vec::new();
    for patch in patches {
        let panel = study.patches[patch].panel;
        if done.contains(&panel) {
            continue;
        }
        done.push(panel);
        let of_panel = facts[panel].washes;
        // A count that is asked for is the treatment's own, which may have begun later than the panel's.
        let own = latest(&stories, patch).filter(|_| wash.choice.treatment.is_some());
        let own = own.filter(|story| story.is_on_panel).map_or(of_panel, |story| story.washes);
        let more = match wash.to {
            None => 1,
            Some(to) if to > own => to - own,
            Some(to) => {
                let panel = study.panels[panel].id.clone();
                let what = wash.choice.treatment.clone().unwrap_or_else(|| panel.clone());
                return Err(CannotDo::CountedAlready { what, panel, washes: own, to });
            }
        };
        let washing = &study.watching.washing;
        rows.push(What::Washed {
            panel,
            washes: of_panel.saturating_add(more),
            recipe: wash.recipe.clone().unwrap_or_else(|| washing.recipe.clone()),
            // The study's amount is that of the study's recipe.
            amount: wash.amount.clone().or_else(|| washing.amount.clone().filter(|_| wash.recipe.is_none())),
        });
        if let Some((patch, look)) = looked_at {
            rows.push(What::Looked { patch, washes: Some(of_panel.saturating_add(more)), look });
        }
    }
    Ok(rows)
}

/// The row of a look without a wash.
///
/// # Errors
/// [`CannotDo`].
pub fn look(
    study: &Study,
    observations: &Observations,
    choice: &Choice,
    look: Look,
) -> Result<What, CannotDo> {
    let patch = one(study, choice)?;
    let washes = panel_facts(study, observations)[study.patches[patch].panel].washes;
    Ok(What::Looked { patch, washes: Some(washes), look })
}

/// Labels that were given out and not revealed, in the order of the file, each with the attributes judged by it.
#[must_use]
pub fn open_labels(study: &Study, observations: &Observations) -> Vec<(String, Vec<String>)> {
    use crate::life::observation::Subject;
    let mut open: Vec<(String, Vec<String>)> = Vec::new();
    for row in observations.rows.iter().filter(|row| row.taken_back_by.is_none()) {
        match &row.what {
            What::Blinded { label, .. } => open.push((label.clone(), Vec::new())),
            What::Revealed { label, .. } => open.retain(|(known, _)| known != label),
            What::Judged { subject: Subject::Label(label), attribute, .. } => {
                if let Some((_, judged)) = open.iter_mut().find(|(known, _)| known == label) {
                    judged.push(study.watching.attributes[*attribute].clone());
                }
            }
            _ => {}
        }
    }
    open
}
