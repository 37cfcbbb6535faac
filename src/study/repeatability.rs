//! From a study to the set-up of a sitting that asks how well the meter repeats.

use crate::run::Setup;
use crate::run::setup::Block;
use crate::run::setup::Comparing;
use crate::run::setup::Panel;
use crate::run::setup::Procedure;
use crate::run::setup::Repeatability;
use crate::run::setup::Role;
use crate::run::setup::Zone;
use crate::study::model::Study;
use crate::study::model::StudyPanel;
use crate::study::model::StudyZone;
use crate::study::model::ZoneUse;
use crate::study::names;
use crate::study::setup::tile_in_use;

/// What stands in place of a stage: the readings belong to none.
const STAGE: &str = "repeatability";

/// What a sitting reads.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SittingChoice {
    /// The zone, as `P1 C1`, or `C1` where one panel alone has it; the first control zone if absent.
    pub zone: Option<String>,
    /// Who holds the meter, in place of the study's operator.
    pub operator: Option<String>,
    /// Readings without lifting, and as many with lifting.
    pub readings: u32,
}

/// Why there is no such sitting.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SittingProblem {
    /// The study has no such zone; `hint` names the likeliest.
    #[error("the study has no zone `{asked}`; {hint}")]
    UnknownZone {
        /// What was asked for.
        asked: String,
        /// What was probably meant.
        hint: String,
    },
    /// Several panels have a zone of that name.
    #[error("several panels have a zone `{asked}`; name the panel too, as in `{example}`")]
    Ambiguous {
        /// What was asked for.
        asked: String,
        /// One of them in full.
        example: String,
    },
    /// The study has no zone at all.
    #[error("the study has no zone to read; add a `[[panel]]` with a `[[panel.row]]` to study.toml")]
    NoZone,
    /// The operator's name cannot stand in a table.
    #[error("the operator's name {what}; {hint}")]
    BadOperator {
        /// What is wrong with it.
        what: String,
        /// What would be right.
        hint: &'static str,
    },
    /// The parts do not fit together.
    #[error("{0}")]
    Unfit(String),
}

/// The set-up of a sitting: one zone, read without lifting the meter and then with lifting it, in one
/// bracket. `profile_text` is the meter's profile, whole.
///
/// # Errors
/// [`SittingProblem`].
pub fn sitting(study: &Study, choice: &SittingChoice, profile_text: &str) -> Result<Setup, SittingProblem> {
    let operator = choice.operator.as_deref().unwrap_or(&study.operator).trim();
    if let Some((what, hint)) = names::unfit_for_a_cell(operator) {
        return Err(SittingProblem::BadOperator { what, hint });
    }
    let (panel, zone) = chosen(study, choice.zone.as_deref())?;
    let setup = Setup {
        study: study.name.clone(),
        operator: operator.to_owned(),
        port: study.port.clone(),
        profile: profile_text.to_owned(),
        serial_number: study.serial_number.clone(),
        geometries: study.geometries.clone(),
        tile: tile_in_use(study),
        // A check in between would have the meter lifted.
        procedure: Procedure {
            readings_per_zone: choice.readings,
            interim_after_readings: None,
            interim_after_min: None,
            ..study.procedure
        },
        comparing: Comparing::default(),
        panels: vec![Panel { id: panel.id.clone(), width_mm: panel.width_mm, height_mm: panel.height_mm }],
        treatments: Vec::new(),
        zones: vec![half(zone, "still", 0.0), half(zone, "lifted", 0.5)],
        plan: vec![Block(vec![0, 1])],
        repeatability: Some(Repeatability { zone: zone.name.clone(), still: 0, lifted: 1 }),
    };
    setup.check().map_err(SittingProblem::Unfit)?;
    Ok(setup)
}

/// One of the two ways of reading the zone, drawn as a half of it.
fn half(zone: &StudyZone, how: &str, from: f64) -> Zone {
    Zone {
        panel: 0,
        name: format!("{} {how}", zone.name),
        role: Role::Control,
        treatment: None,
        stage: STAGE.to_owned(),
        applied_at: None,
        x_mm: zone.x_mm,
        y_mm: zone.y_mm + from * zone.height_mm,
        width_mm: zone.width_mm,
        height_mm: 0.5 * zone.height_mm,
    }
}

fn chosen<'s>(
    study: &'s Study,
    asked: Option<&str>,
) -> Result<(&'s StudyPanel, &'s StudyZone), SittingProblem> {
    let all = || study.panels.iter().flat_map(|panel| panel.zones.iter().map(move |zone| (panel, zone)));
    let label = |(panel, zone): (&StudyPanel, &StudyZone)| format!("{} {}", panel.id, zone.name);
    let Some(asked) = asked else {
        let control = all().find(|(panel, zone)| panel.active && zone.used_as == ZoneUse::Control);
        return control.or_else(|| all().next()).ok_or(SittingProblem::NoZone);
    };
    let words = asked.split_whitespace().collect::<Vec<_>>().join(" ");
    if let Some(found) = all().find(|&found| label(found) == words) {
        return Ok(found);
    }
    let named: Vec<_> = all().filter(|(_, zone)| zone.name == words).collect();
    match named[..] {
        [only] => Ok(only),
        [first, ..] => Err(SittingProblem::Ambiguous { asked: asked.to_owned(), example: label(first) }),
        [] => {
            let labels: Vec<String> = all().map(label).collect();
            let hint = names::meant(&words, "zones", labels.iter().map(String::as_str));
            Err(SittingProblem::UnknownZone { asked: asked.to_owned(), hint })
        }
    }
}
