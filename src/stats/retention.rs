//! Retention: how much of the gloss of the same zones is still there at a later stage.
//!
//! The ratio of the zones' means, after over before. Its uncertainty is propagated by JCGM 100:2008
//! (GUM), 5.1.6 (a quotient: relative uncertainties) and 5.2.2, eq. 16 and 17 (the two means of the same
//! zones are correlated, and their covariance is that of the zones); the same as the ratio estimator of
//! Cochran, Sampling Techniques (3rd ed., 1977), 2.11. What the tile's certificate says cancels, since
//! both days read the same tile; how well each day's check fixed the meter's scale does not, and
//! enters for both days.

use crate::stats::budget::Budget;
use crate::stats::budget::Component;
use crate::stats::budget::Degrees;
use crate::stats::budget::Stated;
use crate::stats::budget::budget;
use crate::stats::paired::BeforeAfter;
use crate::stats::summary::count;
use crate::stats::summary::finite;
use crate::stats::summary::mean;
use crate::stats::summary::standard_deviation;
use crate::stats::welch::CONFIDENCE;

/// How well a day's tile check fixed the scale of the meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScaleCheck {
    /// Standard uncertainty of the check's mean as a part of the tile's value, 0 or more: from the
    /// check's scatter and the meter's step, without the certificate.
    pub relative_uncertainty: f64,
    /// Its degrees of freedom, above 0; absent for "without end".
    pub degrees_of_freedom: Option<f64>,
}

/// How much is left, as a ratio: 1 is all of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Retention {
    /// Mean after over mean before.
    pub ratio: f64,
    /// Lower end of the interval at [`CONFIDENCE`].
    pub low: f64,
    /// Upper end of the interval at [`CONFIDENCE`].
    pub high: f64,
    /// Coverage factor of the interval.
    pub coverage_factor: f64,
    /// Where the uncertainty comes from: `zones`, `check before`, `check after`.
    pub budget: Budget,
}

/// Why there is no retention with an interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoRetention {
    /// One zone has no scatter.
    #[error("retention with an interval takes at least two zones that were read at both stages")]
    TooFew,
    /// Nothing was there at the earlier stage.
    #[error("the gloss at the earlier stage is not above zero, so that there is nothing to keep")]
    NothingBefore,
    /// A value is no number, a check cannot be one, or a figure is beyond `f64`.
    #[error("a value is no usable number; check the readings and the tile checks for a wrong one")]
    OutOfRange,
}

/// The retention of zones that were read at both stages.
///
/// # Errors
/// [`WhyNoRetention`].
pub fn retention(
    zones: &[BeforeAfter],
    check_before: ScaleCheck,
    check_after: ScaleCheck,
) -> Result<Retention, WhyNoRetention> {
    if zones.len() < 2 {
        return Err(WhyNoRetention::TooFew);
    }
    let means = means(zones).ok_or(WhyNoRetention::OutOfRange)?;
    if means.before <= 0.0 {
        return Err(WhyNoRetention::NothingBefore);
    }
    kept(zones, &means, check_before, check_after).ok_or(WhyNoRetention::OutOfRange)
}

fn means(zones: &[BeforeAfter]) -> Option<BeforeAfter> {
    let of = |value: fn(&BeforeAfter) -> f64| mean(&zones.iter().map(value).collect::<Vec<f64>>());
    Some(BeforeAfter { before: of(|zone| zone.before)?, after: of(|zone| zone.after)? })
}

fn kept(
    zones: &[BeforeAfter],
    means: &BeforeAfter,
    check_before: ScaleCheck,
    check_after: ScaleCheck,
) -> Option<Retention> {
    let ratio = finite(means.after / means.before)?;
    // How far each zone lies from the common ratio: var(after) + R² var(before) − 2 R cov, in one.
    let apart: Vec<f64> = zones.iter().map(|zone| zone.after - ratio * zone.before).collect();
    let of_zones = finite(standard_deviation(&apart)? / count(&apart).sqrt() / means.before)?;
    let part = |name: &str, value: f64, sensitivity: f64, degrees_of_freedom: Option<f64>| Component {
        name: name.to_owned(),
        value,
        stated: Stated::Standard,
        sensitivity,
        degrees_of_freedom,
    };
    let scale = |name: &str, check: ScaleCheck| {
        part(name, check.relative_uncertainty, ratio, check.degrees_of_freedom)
    };
    let components = [
        part("zones", of_zones, 1.0, Some(count(&apart) - 1.0)),
        scale("check before", check_before),
        scale("check after", check_after),
    ];
    let budget = budget(&components).ok()?;
    let expanded = budget.expanded(CONFIDENCE, Degrees::Fractional).ok()?;
    Some(Retention {
        ratio,
        low: finite(ratio - expanded.expanded)?,
        high: finite(ratio + expanded.expanded)?,
        coverage_factor: expanded.coverage_factor,
        budget,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SURE: ScaleCheck = ScaleCheck { relative_uncertainty: 0.0, degrees_of_freedom: None };

    fn zones(values: &[(f64, f64)]) -> Vec<BeforeAfter> {
        values.iter().map(|&(before, after)| BeforeAfter { before, after }).collect()
    }

    #[test]
    fn zones_that_keep_the_same_part_have_no_scatter_of_it_however_much_they_differ() {
        let same = retention(&zones(&[(64.0, 48.0), (80.0, 60.0), (96.0, 72.0)]), SURE, SURE).unwrap();
        assert!((same.ratio - 0.75).abs() < 1e-15);
        assert!(same.budget.combined < 1e-15, "{same:?}");
    }

    #[test]
    fn the_scatter_of_zones_is_the_one_worked_out_by_hand() {
        // Means 80 and 60, ratio 0.75; distances 1, −2, 1: s = √3, over √3 zones and 80: 1/80.
        let found = retention(&zones(&[(64.0, 49.0), (80.0, 58.0), (96.0, 73.0)]), SURE, SURE).unwrap();
        assert!((found.budget.combined - 1.0 / 80.0).abs() < 1e-14, "{found:?}");
        assert!((found.budget.degrees_of_freedom.unwrap() - 2.0).abs() < 1e-12);
        // Table of t: 4.303 at 2 degrees of freedom.
        assert!((found.high - 0.75 - 4.303 / 80.0).abs() < 1e-5, "{found:?}");
    }

    #[test]
    fn a_scale_that_is_wrong_on_both_days_alike_changes_nothing() {
        let of = |scale: f64| {
            let read = [(64.0, 49.0), (80.0, 58.0), (96.0, 73.0)].map(|(b, a)| (scale * b, scale * a));
            let found = retention(&zones(&read), SURE, SURE).unwrap();
            (found.ratio, found.budget.combined)
        };
        assert_eq!(of(2.0), of(1.0));
    }

    #[test]
    fn both_days_checks_enter_once_each() {
        let check = ScaleCheck { relative_uncertainty: 0.003, degrees_of_freedom: Some(2.0) };
        let found = retention(&zones(&[(64.0, 64.0), (80.0, 80.0)]), check, check).unwrap();
        assert!((found.budget.combined - 0.003 * 2_f64.sqrt()).abs() < 1e-15, "{found:?}");
        // Two equal halves of 2 degrees of freedom each: 1 ÷ (2 · ¼ ÷ 2).
        assert!((found.budget.degrees_of_freedom.unwrap() - 4.0).abs() < 1e-9);
    }

    #[test]
    fn a_poor_check_on_either_day_is_seen() {
        let poor = ScaleCheck { relative_uncertainty: 0.004, degrees_of_freedom: None };
        for (before, after) in [(poor, SURE), (SURE, poor)] {
            let found = retention(&zones(&[(64.0, 32.0), (80.0, 40.0)]), before, after).unwrap();
            assert!((found.budget.combined - 0.5 * 0.004).abs() < 1e-15, "{found:?}");
        }
    }

    #[test]
    fn what_cannot_be_told_says_why() {
        let why = |values: &[(f64, f64)]| retention(&zones(values), SURE, SURE).unwrap_err();
        assert_eq!(why(&[(80.0, 60.0)]), WhyNoRetention::TooFew);
        assert_eq!(why(&[(0.0, 60.0), (0.0, 61.0)]), WhyNoRetention::NothingBefore);
        assert_eq!(why(&[(80.0, f64::NAN), (80.0, 61.0)]), WhyNoRetention::OutOfRange);
    }
}
