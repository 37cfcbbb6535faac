//! How long ago the tile was checked, and what is due when.

use crate::run::Reading;
use crate::run::RunState;
use crate::run::Spot;
use crate::run::Status;
use crate::tile::CheckVerdict;
use crate::view::Tone;
use crate::view::survey::Survey;

const MINUTE_US: u64 = 60_000_000;

/// When the tile was checked, and what is due when, each a few words.
#[must_use]
pub fn dues(survey: &Survey<'_>, now_us: u64) -> Vec<(Tone, String)> {
    let mut all = Vec::new();
    let Some(checked_us) = survey.last_check_us else {
        return vec![(Tone::Quiet, "no tile check yet: nothing counts before one has passed".to_owned())];
    };
    if survey.over {
        let end = match survey.ledger.state {
            RunState::Abandoned => (Tone::Broken, "abandoned; what was not proven stays so".to_owned()),
            _ => (Tone::Held, "complete".to_owned()),
        };
        return vec![end];
    }
    let ago = now_us.saturating_sub(checked_us) / MINUTE_US;
    let ago = if ago == 0 { "under a minute".to_owned() } else { format!("{ago} min") };
    let on_tile = survey.ledger.checks.iter().rev().filter(|c| !c.kind.is_of_scale());
    let last = on_tile.filter_map(|c| c.verdict).next();
    all.push(match last {
        Some(CheckVerdict::Passed) => (Tone::Plain, format!("tile passed {ago} ago")),
        _ => (Tone::Broken, format!("tile did not pass, {ago} ago")),
    });
    // While a bracket is open, the books say when the tile is wanted.
    if survey.ledger.brackets.last().is_some_and(|b| b.status == Status::Pending) {
        all.extend(interim_by_time(survey, checked_us, now_us));
        all.extend(interim_by_count(survey));
        all.extend(idle(survey, now_us));
    }
    all
}

fn interim_by_time(survey: &Survey<'_>, checked_us: u64, now_us: u64) -> Option<(Tone, String)> {
    let minutes = survey.ledger.setup.procedure.interim_after_min?;
    let due_us = checked_us.saturating_add(u64::from(minutes) * MINUTE_US);
    Some(match due_us.saturating_sub(now_us).div_ceil(MINUTE_US) {
        0 => (Tone::Waiting, "interim check due behind this block".to_owned()),
        left => (Tone::Plain, format!("interim check in {left} min")),
    })
}

fn interim_by_count(survey: &Survey<'_>) -> Option<(Tone, String)> {
    let every = survey.ledger.setup.procedure.interim_after_readings? as usize;
    let first = survey.ledger.brackets.last()?.first_reading as usize;
    let counts = |r: &&Reading| matches!(r.spot, Spot::Zone { .. }) && r.status != Status::Undone;
    let readings = survey.ledger.readings.get(first..)?.iter().filter(counts).count();
    let placements = readings / survey.ledger.setup.geometries.len().max(1);
    Some(match every.saturating_sub(placements) {
        0 => (Tone::Waiting, "interim check due behind this block".to_owned()),
        left => (Tone::Plain, format!("interim check after {left} more")),
    })
}

/// The longest pause ends a sitting: said once it is near.
fn idle(survey: &Survey<'_>, now_us: u64) -> Option<(Tone, String)> {
    let last_us = survey.ledger.readings.last()?.at_us;
    let limit_us = u64::from(survey.ledger.setup.procedure.longest_pause_min) * MINUTE_US;
    let end_us = last_us.saturating_add(limit_us);
    // A run taken up anew counts from there; only what the run itself waits for is told.
    let left = end_us.checked_sub(now_us)?.div_ceil(MINUTE_US);
    let is_near = left <= 10 && survey.deadline_us.is_some_and(|deadline| deadline <= end_us);
    is_near.then(|| (Tone::Waiting, format!("read on within {left} min, or both sides are read again")))
}
