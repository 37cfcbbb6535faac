//! What zero, middle and tile say of the meter's scale: how far each is off, whether scatter alone explains
//! it, and how far the scale bends between zero and tile. A pure look at the books of a run.
//!
//! Source: control of a linear calibration with low, middle and upper standards, e-Handbook of Statistical
//! Methods (NIST/SEMATECH), 2.3.7.1, by [`crate::tile::linearity`].

use crate::run::Check;
use crate::run::CheckKind;
use crate::run::Ledger;
use crate::run::Reading;
use crate::run::Spot;
use crate::run::Status;
use crate::stats::precision::Scatter;
use crate::stats::precision::pool;
use crate::tile::CheckVerdict;
use crate::tile::linearity;
use crate::tile::linearity::Calibration;
use crate::tile::linearity::LinearityCheck;
use crate::tile::linearity::Standard;
use crate::units::Geometry;
use crate::units::Gloss;
use rust_decimal::Decimal;

/// Chance that a straight scale is called bent. Common practice.
const ALPHA: f64 = 0.05;

/// One point of the scale, as a finished check found it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScalePoint {
    /// Index of the check in the ledger's.
    pub check: usize,
    /// Number of readings.
    pub n: u32,
    /// Assigned value, GU; 0 for the black trap.
    pub assigned_gu: f64,
    /// Its expanded uncertainty (k = 2), GU, where the study states one.
    pub expanded_uncertainty_gu: Option<f64>,
    /// Mean reading, GU.
    pub mean_gu: f64,
    /// Standard deviation of the readings (divisor n − 1), GU; absent below two.
    pub sd_gu: Option<f64>,
    /// Mean minus assigned value, GU.
    pub deviation_gu: f64,
    /// Whether it kept to its tolerance at this geometry.
    pub passed: bool,
}

/// The scale at one geometry, at the beginning of the sitting whose readings count.
#[derive(Clone, Debug, PartialEq)]
pub struct ThreePoint {
    /// The black trap.
    pub zero: Option<ScalePoint>,
    /// The tile in the middle of the scale.
    pub middle: Option<ScalePoint>,
    /// The tile, by the check that came next and passed.
    pub high: Option<ScalePoint>,
    /// Whether the three lie where they should but for the scatter of the checks: zero, middle and high in
    /// this order. Absent unless all are there, and a check has two readings or more.
    pub linearity: Option<LinearityCheck>,
    /// Middle reading minus the straight line through the readings of zero and high at the middle's
    /// assigned value, GU: above 0 where the scale reads too much in the middle. Absent unless all three
    /// are there.
    pub bow_gu: Option<f64>,
}

/// The zero and middle checks that hold for the readings of a run at a geometry: the latest before the first
/// zone reading that counts, or of the whole run where none does. `None` if there is neither.
#[must_use]
pub fn three_point(ledger: &Ledger, geometry: Geometry) -> Option<ThreePoint> {
    let before = checks_before_first(ledger);
    let point = |kind| last_at(ledger, kind, geometry, before);
    let (zero, middle) = (point(CheckKind::Zero), point(CheckKind::Middle));
    let read = zero.max(middle)?;
    let high = (read + 1..before).find(|&check| {
        let check = &ledger.checks[check];
        !check.kind.is_of_scale() && check.verdict == Some(CheckVerdict::Passed)
    });
    let found = |check: Option<usize>| scale_point(ledger, check?, geometry);
    let (zero, middle, high) = (found(zero), found(middle), found(high));
    let all = zero.zip(middle).zip(high).map(|((zero, middle), high)| [zero, middle, high]);
    Some(ThreePoint {
        zero,
        middle,
        high,
        linearity: all.and_then(|points| linearity_of(ledger, geometry, &points)),
        bow_gu: all.and_then(|points| bow_gu(&points)),
    })
}

/// The last finished check of this kind before the check of that number, one whose own readings lay too
/// far apart left out.
#[must_use]
pub fn last_before(ledger: &Ledger, kind: CheckKind, before: usize) -> Option<&Check> {
    let checks = ledger.checks.get(..before).unwrap_or(&ledger.checks);
    checks.iter().rev().find(|check| check.kind == kind && says_something(check))
}

fn says_something(check: &Check) -> bool {
    check.verdict.is_some_and(|verdict| verdict != CheckVerdict::Invalid)
}

/// Number of checks that were begun before the first zone reading that counts.
fn checks_before_first(ledger: &Ledger) -> usize {
    let counts = |reading: &Reading| match reading.spot {
        Spot::Zone { zone, attempt } => {
            matches!(reading.status, Status::Pending | Status::Proven)
                && ledger.attempts.get(usize::from(zone)).is_none_or(|&present| attempt == present)
        }
        Spot::Tile { .. } => false,
    };
    let Some(first) = ledger.readings.iter().position(counts) else { return ledger.checks.len() };
    let check = |reading: &Reading| match reading.spot {
        Spot::Tile { check } => Some(check as usize + 1),
        Spot::Zone { .. } => None,
    };
    ledger.readings[..first].iter().rev().find_map(check).unwrap_or(0).min(ledger.checks.len())
}

fn last_at(ledger: &Ledger, kind: CheckKind, geometry: Geometry, before: usize) -> Option<usize> {
    let is_it = |&check: &usize| {
        let check = &ledger.checks[check];
        check.kind == kind && says_something(check) && check.geometries.get(geometry).is_some()
    };
    (0..before).rev().find(is_it)
}

fn scale_point(ledger: &Ledger, check: usize, geometry: Geometry) -> Option<ScalePoint> {
    let at = ledger.checks.get(check)?;
    let figures = at.geometries.get(geometry)?;
    let stated = match at.kind {
        CheckKind::Zero => None,
        CheckKind::Middle => ledger.setup.middle_value(geometry),
        _ => ledger.setup.tile_value(geometry),
    };
    let gu = |value: Decimal| Gloss::from(value).to_f64();
    Some(ScalePoint {
        check,
        n: figures.n,
        assigned_gu: gu(figures.assigned_gu),
        expanded_uncertainty_gu: stated.and_then(|value| value.expanded_uncertainty_gu).map(gu),
        mean_gu: figures.mean_gu,
        sd_gu: figures.sd_gu,
        deviation_gu: figures.deviation_gu,
        passed: figures.verdict == CheckVerdict::Passed,
    })
}

fn bow_gu(&[zero, middle, high]: &[ScalePoint; 3]) -> Option<f64> {
    let line_gu = zero.mean_gu + (high.mean_gu - zero.mean_gu) * middle.assigned_gu / high.assigned_gu;
    Some(middle.mean_gu - line_gu).filter(|bow_gu| bow_gu.is_finite())
}

/// The scatter is that within the checks, pooled, of a mean of so many readings; never less than the step
/// of the display allows, since readings that are all the same would else leave no room at all.
fn linearity_of(ledger: &Ledger, geometry: Geometry, points: &[ScalePoint; 3]) -> Option<LinearityCheck> {
    let scatter = |point: &ScalePoint| {
        Some(Scatter { sd: point.sd_gu?, degrees_of_freedom: f64::from(point.n.checked_sub(1)?) })
    };
    let scatters: Vec<Scatter> = points.iter().filter_map(scatter).collect();
    let within = pool(&scatters)?;
    let fewest = points.iter().map(|point| point.n).min()?;
    let least = step_gu(ledger, geometry, points) / 12.0_f64.sqrt();
    let sd = (within.sd / f64::from(fewest).sqrt()).max(least);
    let standards = points.map(|point| Standard { assigned: point.assigned_gu, reading: point.mean_gu });
    linearity::check(&standards, &Calibration::direct(sd, within.degrees_of_freedom), ALPHA)
}

/// Step of the display, by the digits that the meter printed.
fn step_gu(ledger: &Ledger, geometry: Geometry, points: &[ScalePoint; 3]) -> f64 {
    let of_points = |reading: &&Reading| {
        let on = |point: &ScalePoint| matches!(reading.spot, Spot::Tile { check } if check as usize == point.check);
        reading.geometry == geometry && points.iter().any(on)
    };
    let decimals = ledger.readings.iter().filter(of_points).map(|reading| reading.gloss.scale()).max();
    10.0_f64.powi(-(decimals.unwrap_or(1) as i32))
}
