//! The stage of a new run's patches, from what was observed.

use crate::life::observation::Observations;
use crate::life::story::Stage;
use crate::life::story::shown;
use crate::life::story::written;
use crate::life::telling::latest;
use crate::life::telling::stories;
use crate::study::Selection;
use crate::study::Study;
use chrono::DateTime;
use chrono::FixedOffset;

/// The study as it stands at a moment: patches for which it states no stage have that of their story, and an application
/// that was noted goes before `applied_at`. A patch of which nothing was noted stays as the study has it. Rows of a later
/// time do not count.
#[must_use]
pub fn staged(study: &Study, observations: &Observations, now: DateTime<FixedOffset>) -> Study {
    let mut study = study.clone();
    if observations.rows.is_empty() {
        return study;
    }
    let then = observations.until(now);
    let stories = stories(&study, &then);
    for (index, patch) in study.patches.iter_mut().enumerate() {
        let Some(story) = latest(&stories, index) else { continue };
        if !patch.is_stage_stated {
            patch.stage = story.stage_at(now).name();
        }
        // Of a patch that was stripped nothing is on the panel, and a cure time would be that of nothing.
        patch.applied_at = story.applied_at.filter(|_| story.is_on_panel).map(written);
    }
    study
}

/// What to know before a run is begun: products that have not cured yet. `stage` is that which the run was given, if any.
#[must_use]
pub fn too_early(
    study: &Study,
    observations: &Observations,
    selection: &Selection,
    stage: Option<&str>,
    now: DateTime<FixedOffset>,
) -> Vec<String> {
    if stage == Some("bare") {
        return Vec::new();
    }
    let stories = stories(study, &observations.until(now));
    let mut remarks = Vec::new();
    for index in 0..study.patches.len() {
        let Some(story) = latest(&stories, index) else { continue };
        let Stage::Curing { ready_at } = story.stage_at(now) else { continue };
        let is_read = |asked: &[String], name: &String| asked.is_empty() || asked.contains(name);
        if !is_read(&selection.panels, &story.panel) || !is_read(&selection.treatments, &story.treatment) {
            continue;
        }
        remarks.push(format!(
            "{} on {} cures until {}: what is read now is read early",
            story.treatment,
            story.panel,
            shown(ready_at)
        ));
    }
    remarks
}
