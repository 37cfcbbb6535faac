//! What a season of the demonstration adds to `observations.csv`, deed by deed.

use crate::life::deeds;
use crate::life::deeds::CannotDo;
use crate::life::deeds::Choice;
use crate::life::deeds::Wash;
use crate::life::observation::Look;
use crate::life::observation::Observations;
use crate::life::observation::PatchIndex;
use crate::life::observation::Subject;
use crate::life::observation::What;
use crate::life::story::Standing;
use crate::life::telling::latest;
use crate::life::telling::stories;
use crate::study::Deed;
use crate::study::Season;
use crate::study::Study;

/// The rows of a deed, `stands` being what is in the file already.
///
/// # Errors
/// [`CannotDo`], where the season names what the study does not have.
pub fn rows(
    study: &Study,
    season: &Season,
    stands: &Observations,
    deed: &Deed,
) -> Result<Vec<What>, CannotDo> {
    let of = |treatment: Option<&String>, panels: &[String]| Choice {
        treatment: treatment.cloned(),
        panels: panels.to_vec(),
    };
    match deed {
        Deed::Applied { treatment, panels, coats, amount, .. } => {
            let patches = deeds::chosen(study, &of(Some(treatment), panels))?;
            let applied = |patch| What::Applied {
                patch,
                amount: Some(amount.clone()),
                coats: Some(*coats),
                batch: String::new(),
            };
            Ok(patches.into_iter().map(applied).collect())
        }
        Deed::Wiped { panels, solvent, passes, .. } => {
            let patches = deeds::chosen(study, &of(None, panels))?;
            let wiped = |patch| What::Wiped {
                patch,
                solvent: solvent.clone(),
                passes: Some(*passes),
                beading_ended: season.beading_ended_pass(code(study, patch)),
            };
            Ok(patches.into_iter().map(wiped).collect())
        }
        Deed::Washed { panels, to, .. } => washed(study, season, stands, &of(None, panels), *to),
        Deed::Judged { treatment, panel, verdicts, .. } => {
            let patch = deeds::one(study, &of(Some(treatment), std::slice::from_ref(panel)))?;
            let attributes = study.watching.attributes.iter().enumerate();
            let judged = attributes.filter_map(|(attribute, name)| {
                let passes = *verdicts.get(name)?;
                Some(What::Judged { subject: Subject::Patch(patch), attribute, passes, is_blind: false })
            });
            Ok(judged.collect())
        }
    }
}

/// The washes, and the looks at all that has not failed yet.
fn washed(
    study: &Study,
    season: &Season,
    stands: &Observations,
    choice: &Choice,
    to: u32,
) -> Result<Vec<What>, CannotDo> {
    let asked = Wash { choice: choice.clone(), to: Some(to), ..Wash::default() };
    let mut rows = deeds::wash(study, stands, &asked)?;
    let stories = stories(study, stands);
    for patch in deeds::chosen(study, choice)? {
        let is_alive = latest(&stories, patch).is_some_and(|story| story.standing == Standing::Alive);
        let Some(water) = season.water(study, patch, to).filter(|_| is_alive) else { continue };
        let look = Look {
            treated_class: Some(water.treated_class),
            control_class: Some(water.control_class),
            failed_area_pct: Some(f64::from(water.failed_area_pct)),
        };
        rows.push(What::Looked { patch, washes: Some(to), look });
    }
    Ok(rows)
}

fn code(study: &Study, patch: PatchIndex) -> &str {
    &study.treatments[study.patches[patch].treatment].treatment.code
}
