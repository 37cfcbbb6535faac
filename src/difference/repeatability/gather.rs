//! From the books of a sitting to its series, if every reading of it is proven.

use super::series::Series;
use crate::difference::gain::Brackets;
use crate::run::Ledger;
use crate::run::Reading;
use crate::run::RunState;
use crate::run::Spot;
use crate::run::Status;
use crate::run::setup::Between;
use crate::run::setup::Repeatability;
use crate::units::Geometry;
use crate::units::Gloss;

/// Why a sitting is in no figure.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNotUsed {
    /// The recording is one of a run over zones.
    #[error("it is no sitting of repeatability; move it to recordings/ if it is a run")]
    OtherRun,
    /// It has not come to its end.
    #[error("not proven: it is open; take it up again with --read")]
    Open,
    /// It was given up.
    #[error("not proven: it was abandoned")]
    Abandoned,
    /// A part was left out.
    #[error("a part of it was left out: {reason}")]
    Skipped {
        /// What the operator gave as reason.
        reason: String,
    },
    /// Readings are missing or not proven.
    #[error("not proven: of {of} readings {how} {proven} are proven")]
    NotProven {
        /// Without or with lifting.
        how: &'static str,
        /// So many are proven.
        proven: usize,
        /// So many were to be read.
        of: u32,
    },
    /// The meter was elsewhere between two readings without lifting.
    #[error(
        "the readings without lifting were interrupted, so the meter may have been lifted; `again` reads them anew"
    )]
    Interrupted,
    /// Readings with lifting lie in more than one bracket.
    #[error("a tile check lies between its readings with lifting, so the meter may have moved between them")]
    TwoBrackets,
}

/// The series of a sitting: for each geometry without lifting, then with lifting. `step_gu` is the step
/// of the meter's display where its profile says it.
///
/// # Errors
/// [`WhyNotUsed`].
pub fn gather(ledger: &Ledger, step_gu: Option<Gloss>) -> Result<Vec<Series>, WhyNotUsed> {
    let Some(parts) = &ledger.setup.repeatability else { return Err(WhyNotUsed::OtherRun) };
    match ledger.state {
        RunState::Open => return Err(WhyNotUsed::Open),
        RunState::Abandoned => return Err(WhyNotUsed::Abandoned),
        RunState::Complete => {}
    }
    if let Some(reason) = ledger.skipped.values().next() {
        return Err(WhyNotUsed::Skipped { reason: reason.clone() });
    }
    let still = proven(ledger, parts.still, "without lifting")?;
    let lifted = proven(ledger, parts.lifted, "with lifting")?;
    if interrupted(ledger, &still) {
        return Err(WhyNotUsed::Interrupted);
    }
    let mut brackets = Brackets::of(ledger);
    let openings: Vec<Option<u32>> =
        lifted.iter().map(|&index| brackets.at(index).map(|bracket| bracket.opening)).collect();
    if openings.windows(2).any(|pair| pair[0] != pair[1]) {
        return Err(WhyNotUsed::TwoBrackets);
    }
    let parts_read = [(Between::Still, &still), (Between::Lifted, &lifted)];
    let series = |&geometry: &Geometry| {
        parts_read.map(|(between, indices)| one(ledger, parts, between, geometry, indices, step_gu))
    };
    Ok(ledger.setup.geometries.iter().flat_map(series).collect())
}

/// Indices of the readings of a part that count, all of them being proven.
fn proven(ledger: &Ledger, zone: usize, how: &'static str) -> Result<Vec<usize>, WhyNotUsed> {
    let counts = |reading: &Reading| match reading.spot {
        Spot::Zone { zone: of, attempt } => {
            usize::from(of) == zone
                && ledger.attempts.get(zone) == Some(&attempt)
                && reading.status == Status::Proven
        }
        Spot::Tile { .. } => false,
    };
    let found: Vec<usize> = (0..ledger.readings.len()).filter(|&i| counts(&ledger.readings[i])).collect();
    let of = ledger.setup.procedure.readings_per_zone;
    let geometries = ledger.setup.geometries.len().max(1);
    let proven = found.len() / geometries;
    if proven != of as usize || !found.len().is_multiple_of(geometries) {
        return Err(WhyNotUsed::NotProven { how, proven, of });
    }
    Ok(found)
}

/// Whether the meter was elsewhere, or nobody watched, between two readings without lifting.
fn interrupted(ledger: &Ledger, still: &[usize]) -> bool {
    let (Some(&first), Some(&last)) = (still.first(), still.last()) else { return true };
    let span = &ledger.readings[first..=last];
    let (from, to) = (span[0].at_us, span[span.len() - 1].at_us);
    let elsewhere = span.iter().any(|reading| reading.spot != span[0].spot);
    let stopped = ledger.sittings.iter().skip(1).any(|sitting| (from..=to).contains(&sitting.at_us));
    elsewhere || stopped
}

fn one(
    ledger: &Ledger,
    parts: &Repeatability,
    between: Between,
    geometry: Geometry,
    indices: &[usize],
    step_gu: Option<Gloss>,
) -> Series {
    let readings = indices.iter().map(|&index| &ledger.readings[index]);
    let gloss: Vec<Gloss> = readings.filter(|r| r.geometry == geometry).map(|r| r.gloss).collect();
    let panel = ledger.setup.panels.first().map_or("", |panel| panel.id.as_str());
    Series {
        operator: ledger.setup.operator.clone(),
        sitting: ledger.id.clone(),
        spot: format!("{panel} {}", parts.zone),
        between,
        geometry,
        step_gu: step_gu.map_or_else(|| Series::step_shown_gu(&gloss), Gloss::to_f64),
        gloss,
    }
}
