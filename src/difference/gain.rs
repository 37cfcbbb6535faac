//! What the tile says of the readings between two checks: the gain at a moment, and the drift.

use crate::run::Bracket;
use crate::run::Check;
use crate::run::Ledger;
use crate::run::Reading;
use crate::run::Status;
use crate::tile::drift_gu;
use crate::units::Geometry;
use crate::units::Gloss;

const HOUR_US: f64 = 3.6e9;

/// The brackets of a run, for readings that go by in their order: a search for each takes longer.
pub struct Brackets<'l> {
    present: Option<&'l Bracket>,
    coming: std::slice::Iter<'l, Bracket>,
}

impl<'l> Brackets<'l> {
    /// The brackets of a run.
    pub fn of(ledger: &'l Ledger) -> Brackets<'l> {
        Brackets { present: None, coming: ledger.brackets.iter() }
    }

    /// The bracket in which a reading lies, by its index into the ledger's; never asked for an earlier one.
    pub fn at(&mut self, reading: usize) -> Option<&'l Bracket> {
        while let Some(next) = self.coming.as_slice().first()
            && next.first_reading as usize <= reading
        {
            self.present = self.coming.next();
        }
        self.present
    }
}

/// The two checks of a bracket; the second is absent while the bracket is open.
pub fn checks<'l>(ledger: &'l Ledger, bracket: &Bracket) -> (Option<&'l Check>, Option<&'l Check>) {
    let check = |index: u32| ledger.checks.get(index as usize);
    (check(bracket.opening), bracket.closing.and_then(check))
}

/// Gloss of a zone reading times the tile's assigned value, divided by the tile's value at that
/// moment, GU. The tile's value runs in a straight line between the means of the two checks. `None`
/// outside a proven bracket.
pub fn corrected_gu(ledger: &Ledger, bracket: &Bracket, reading: &Reading) -> Option<f64> {
    if bracket.status != Status::Proven {
        return None;
    }
    let (opening, closing) = checks(ledger, bracket);
    let (opening, closing) = (opening?, closing?);
    let (before, after) =
        (opening.geometries.get(reading.geometry)?, closing.geometries.get(reading.geometry)?);
    let span = us_between(opening.at_us, closing.at_us);
    let share = if span > 0.0 { us_between(opening.at_us, reading.at_us) / span } else { 0.0 };
    let tile = before.mean_gu + (after.mean_gu - before.mean_gu) * share;
    let assigned = Gloss::from(before.assigned_gu).to_f64();
    let corrected = reading.gloss.to_f64() * assigned / tile;
    (tile > 0.0 && corrected.is_finite()).then_some(corrected)
}

/// Change of the tile over a bracket.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// GU, with its sign.
    pub gu: f64,
    /// GU per hour; absent if no time lies between the checks.
    pub gu_per_h: Option<f64>,
}

/// The drift over a bracket at a geometry; `None` while a check is not there or not finished.
pub fn drift(ledger: &Ledger, bracket: &Bracket, geometry: Geometry) -> Option<Drift> {
    let (opening, closing) = checks(ledger, bracket);
    let (opening, closing) = (opening?, closing?);
    let gu = drift_gu(opening.geometries.get(geometry)?, closing.geometries.get(geometry)?);
    let hours = us_between(opening.at_us, closing.at_us) / HOUR_US;
    Some(Drift { gu, gu_per_h: (hours > 0.0).then(|| gu / hours) })
}

/// Microseconds from one moment to another; a run is far shorter than the 2^53 µs that `f64` counts exactly.
fn us_between(from: u64, to: u64) -> f64 {
    to as f64 - from as f64
}
