//! What the tile says of the readings between two checks: the gain at a moment, and the drift.

use super::evidence::least_scatter_gu;
use crate::run::Bracket;
use crate::run::Check;
use crate::run::Ledger;
use crate::run::Reading;
use crate::run::Status;
use crate::stats::outliers::Floor;
use crate::stats::precision::Scatter;
use crate::stats::precision::pool;
use crate::stats::student::t_quantile;
use crate::stats::summary::finite;
use crate::stats::welch::CONFIDENCE;
use crate::tile::GeometryCheck;
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

/// How far a moment lies from the opening check of its bracket (0) to the closing one (1). `None` while
/// a check is not there.
#[must_use]
pub fn share_of_closing(ledger: &Ledger, bracket: &Bracket, at_us: u64) -> Option<f64> {
    let (opening, closing) = checks(ledger, bracket);
    let (opening, closing) = (opening?, closing?);
    let span = us_between(opening.at_us, closing.at_us);
    Some(if span > 0.0 { us_between(opening.at_us, at_us) / span } else { 0.0 })
}

/// Gloss of a zone reading times the tile's assigned value, divided by the tile's value at that
/// moment, GU. The tile's value runs in a straight line between the means of the two checks. `None`
/// outside a proven bracket.
#[must_use]
pub fn corrected_gu(ledger: &Ledger, bracket: &Bracket, reading: &Reading) -> Option<f64> {
    if bracket.status != Status::Proven {
        return None;
    }
    let (opening, closing) = checks(ledger, bracket);
    let (opening, closing) = (opening?, closing?);
    let (before, after) =
        (opening.geometries.get(reading.geometry)?, closing.geometries.get(reading.geometry)?);
    let share = share_of_closing(ledger, bracket, reading.at_us)?;
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
    /// Half-width of the 95 % interval of that, GU per hour; absent if each check has one reading.
    pub half_width_gu_per_h: Option<f64>,
}

/// The drift over a bracket at a geometry; `None` while a check is not there or not finished. Its interval
/// is that of the difference of two means of equal scatter (e-Handbook of Statistical Methods,
/// NIST/SEMATECH, 1.3.5.3), the scatter taken to be not smaller than what the meter does by itself.
#[must_use]
pub fn drift(ledger: &Ledger, bracket: &Bracket, geometry: Geometry, meter: Floor) -> Option<Drift> {
    let (opening, closing) = checks(ledger, bracket);
    let (opening, closing) = (opening?, closing?);
    let (before, after) = (opening.geometries.get(geometry)?, closing.geometries.get(geometry)?);
    let gu = drift_gu(before, after);
    let hours = us_between(opening.at_us, closing.at_us) / HOUR_US;
    let in_hours = |gu: f64| finite(gu / hours).filter(|_| hours > 0.0);
    Some(Drift {
        gu,
        gu_per_h: in_hours(gu),
        half_width_gu_per_h: half_width_gu(before, after, meter).and_then(in_hours),
    })
}

fn half_width_gu(before: &GeometryCheck, after: &GeometryCheck, meter: Floor) -> Option<f64> {
    let scatter = |check: &GeometryCheck| {
        Some(Scatter { sd: check.sd_gu?, degrees_of_freedom: f64::from(check.n) - 1.0 })
    };
    let seen = pool(&[scatter(before), scatter(after)].into_iter().flatten().collect::<Vec<Scatter>>())?;
    let least = least_scatter_gu(meter.repeatability, meter.step.unwrap_or(0.0), 1.0, 1.0);
    let error = seen.sd.max(least) * (1.0 / f64::from(before.n) + 1.0 / f64::from(after.n)).sqrt();
    finite(t_quantile(0.5 + 0.5 * CONFIDENCE, seen.degrees_of_freedom)? * error)
}

/// Microseconds from one moment to another; a run is far shorter than the 2^53 µs that `f64` counts exactly.
fn us_between(from: u64, to: u64) -> f64 {
    to as f64 - from as f64
}
