//! A tile check at one geometry, and the drift between two.
//!
//! All judging is done on exact decimals: a mean that lies on the limit passes on every machine, and
//! no rounding of a double decides whether a run is proven. The figures for print are `f64`.

use crate::stats::summary;
use crate::units::Gloss;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// What a check must keep to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TileRule {
    /// Readings a check consists of, 1 or more; 3 is the default of a study.
    pub readings: u32,
    /// Largest distance of the mean from the assigned value, GU, above 0. Common default 1 GU:
    /// ASTM D523, calibration clause (from memory).
    pub tolerance_gu: Decimal,
    /// Largest spread (maximum minus minimum) of the check's own readings, GU; a wider one makes the
    /// check invalid, since a tile does not vary: something lies on it, or the meter rocked.
    pub spread_limit_gu: Decimal,
    /// Largest change of the tile's mean between the two checks of a bracket, GU.
    pub drift_limit_gu: Decimal,
}

/// What a check, or one geometry of it, came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CheckVerdict {
    /// The mean is within tolerance.
    Passed,
    /// The mean is out of tolerance, or a second check in a row was invalid.
    Failed,
    /// The check's own readings lie too far apart to say anything; it is repeated once.
    Invalid,
}

/// One geometry of a finished check.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GeometryCheck {
    /// Number of readings.
    pub n: u32,
    /// Exact sum of the readings, GU.
    pub sum_gu: Decimal,
    /// Mean, GU.
    pub mean_gu: f64,
    /// Standard deviation (divisor n − 1), GU; absent below two readings.
    pub sd_gu: Option<f64>,
    /// Assigned value of the tile, GU.
    pub assigned_gu: Decimal,
    /// Mean minus assigned value, GU.
    pub deviation_gu: f64,
    /// What this geometry came to.
    pub verdict: CheckVerdict,
}

impl GeometryCheck {
    /// Judges the readings of one check at one geometry; `None` without readings.
    #[must_use]
    pub fn judge(readings: &[Gloss], assigned_gu: Decimal, rule: &TileRule) -> Option<GeometryCheck> {
        let min = readings.iter().min()?.decimal();
        let max = readings.iter().max()?.decimal();
        let n = u32::try_from(readings.len()).ok()?;
        let sum_gu: Decimal = readings.iter().map(|r| r.decimal()).sum();
        let excess = sum_gu - assigned_gu * Decimal::from(n);
        let outside = |r: &Gloss| (r.decimal() - assigned_gu).abs() > rule.tolerance_gu;
        let verdict = if readings.iter().all(outside) && (min > assigned_gu) == (max > assigned_gu) {
            // All of them off to one side: no spread makes that a matter of seating.
            CheckVerdict::Failed
        } else if max - min > rule.spread_limit_gu {
            CheckVerdict::Invalid
        } else if excess.abs() > rule.tolerance_gu * Decimal::from(n) {
            CheckVerdict::Failed
        } else {
            CheckVerdict::Passed
        };
        let values: Vec<f64> = readings.iter().map(|r| r.to_f64()).collect();
        Some(GeometryCheck {
            n,
            sum_gu,
            mean_gu: quotient(sum_gu, n),
            sd_gu: summary::standard_deviation(&values),
            assigned_gu,
            deviation_gu: quotient(excess, n),
            verdict,
        })
    }
}

/// The double nearest to an exact sum divided by a count.
fn quotient(sum: Decimal, n: u32) -> f64 {
    Gloss::from(sum / Decimal::from(n)).to_f64()
}

/// Change of the tile's mean from one check to the next, GU.
#[must_use]
pub fn drift_gu(before: &GeometryCheck, after: &GeometryCheck) -> f64 {
    let (n_before, n_after) = (Decimal::from(before.n), Decimal::from(after.n));
    Gloss::from(after.sum_gu / n_after - before.sum_gu / n_before).to_f64()
}

/// Whether a bracket between these two checks holds at this geometry: both passed, and the tile
/// moved by no more than the drift limit. Two checks at +0.9 and −0.9 inside a tolerance of 1 are a
/// drift of 1.8 and do not hold.
#[must_use]
pub fn holds(before: &GeometryCheck, after: &GeometryCheck, rule: &TileRule) -> bool {
    let (n_before, n_after) = (Decimal::from(before.n), Decimal::from(after.n));
    // Multiplied out, so that a third does not have to be rounded.
    let change = after.sum_gu * n_before - before.sum_gu * n_after;
    before.verdict == CheckVerdict::Passed
        && after.verdict == CheckVerdict::Passed
        && change.abs() <= rule.drift_limit_gu * n_before * n_after
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decimal(text: &str) -> Decimal {
        text.parse().unwrap()
    }

    fn rule() -> TileRule {
        TileRule {
            readings: 3,
            tolerance_gu: decimal("1.0"),
            spread_limit_gu: decimal("0.5"),
            drift_limit_gu: decimal("0.3"),
        }
    }

    fn check(readings: &str) -> GeometryCheck {
        let readings: Vec<Gloss> = readings.split(' ').map(|r| Gloss::parse(r).unwrap()).collect();
        GeometryCheck::judge(&readings, decimal("92.4"), &rule()).unwrap()
    }

    #[test]
    fn a_mean_exactly_on_the_tolerance_passes() {
        assert_eq!(check("93.4 93.4 93.4").verdict, CheckVerdict::Passed);
        assert_eq!(check("93.4 93.4 93.5").verdict, CheckVerdict::Failed);
        assert_eq!(check("91.4 91.4 91.4").verdict, CheckVerdict::Passed);
        assert_eq!(check("91.4 91.4 91.3").verdict, CheckVerdict::Failed);
    }

    #[test]
    fn readings_too_far_apart_make_a_check_invalid_even_if_their_mean_is_right() {
        assert_eq!(check("92.1 92.4 92.7").verdict, CheckVerdict::Invalid);
        assert_eq!(check("92.1 92.4 92.6").verdict, CheckVerdict::Passed);
    }

    #[test]
    fn readings_all_out_of_tolerance_on_one_side_fail_however_far_they_lie_apart() {
        assert_eq!(check("80.0 80.0 80.6").verdict, CheckVerdict::Failed);
        assert_eq!(check("91.3 91.3 93.6").verdict, CheckVerdict::Invalid, "off to both sides");
        assert_eq!(check("80.0 80.0 92.4").verdict, CheckVerdict::Invalid, "one of them is right");
    }

    #[test]
    fn checks_at_plus_and_minus_nine_tenths_are_both_passed_and_yet_do_not_hold() {
        let (before, after) = (check("93.3 93.3 93.3"), check("91.5 91.5 91.5"));
        assert_eq!((before.verdict, after.verdict), (CheckVerdict::Passed, CheckVerdict::Passed));
        assert!((drift_gu(&before, &after) + 1.8).abs() < 1e-12);
        assert!(!holds(&before, &after, &rule()));
    }

    #[test]
    fn a_drift_exactly_on_the_limit_holds() {
        assert!(holds(&check("92.4 92.4 92.4"), &check("92.7 92.7 92.7"), &rule()));
        assert!(!holds(&check("92.4 92.4 92.4"), &check("92.7 92.7 92.8"), &rule()));
        assert!(!holds(&check("92.4 92.4 92.4"), &check("92.0 92.1 92.1"), &rule()));
    }

    #[test]
    fn the_printed_figures_are_those_of_the_readings() {
        let three = check("92.5 92.6 92.6");
        assert!((three.deviation_gu - 0.166_666_666_666_666_67).abs() < 1e-12);
        // Deviations from the mean −1/15, 1/30, 1/30: variance (1/225 + 2/900)/2 = 1/300.
        assert!((three.sd_gu.unwrap() - (1.0_f64 / 300.0).sqrt()).abs() < 1e-12);
    }
}
