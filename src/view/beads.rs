//! The bracket rail as a row of beads: a tile check at each end, the placements between, and what is to come.

use crate::run::Spot;
use crate::run::Status;
use crate::tile::CheckVerdict;
use crate::view::survey::Mark;
use crate::view::survey::Survey;

/// One bead of the rail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bead {
    /// A check, on the tile or on another point of the scale.
    Tile {
        /// Index of the check; absent while nothing of it has been read.
        check: Option<usize>,
        /// What it came to; absent while it is unfinished.
        verdict: Option<CheckVerdict>,
    },
    /// A placement on a zone.
    Placement {
        /// Its number.
        number: u32,
        /// How it stands.
        mark: Mark,
    },
    /// A placement on a zone that the plan still asks for.
    ToCome,
}

/// Beads in order of time, those to come last.
#[must_use]
pub fn beads(survey: &Survey<'_>) -> Vec<Bead> {
    let ledger = survey.ledger;
    let mut beads = Vec::new();
    let (mut placement, mut check) = (0, None);
    for reading in ledger.readings.iter().filter(|r| r.status != Status::Undone) {
        match reading.spot {
            Spot::Tile { check: at } if check != Some(at) => {
                check = Some(at);
                let verdict = ledger.checks.get(at as usize).and_then(|c| c.verdict);
                let is_last = at as usize + 1 == ledger.checks.len();
                // A check that was left unfinished says nothing.
                if verdict.is_some() || (is_last && !survey.over) {
                    beads.push(Bead::Tile { check: Some(at as usize), verdict });
                }
            }
            Spot::Zone { .. } if placement != reading.placement => {
                beads.push(Bead::Placement { number: reading.placement, mark: Mark::of(reading.status) });
            }
            _ => {}
        }
        placement = reading.placement;
    }
    if survey.over {
        return beads;
    }
    let is_checking = ledger.checks.last().is_some_and(|c| c.verdict.is_none());
    let to_come = Bead::Tile { check: None, verdict: None };
    if is_checking && !matches!(beads.last(), Some(Bead::Tile { verdict: None, .. })) {
        beads.push(to_come);
    }
    let zones = survey.to_come();
    beads.extend(std::iter::repeat_n(Bead::ToCome, zones));
    if zones > 0 || !is_checking {
        beads.push(to_come);
    }
    beads
}
