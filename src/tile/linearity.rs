//! Is the scale straight? A tile proves the meter at one gloss only; a zero check and a tile in the middle
//! tell whether it is right in between.
//!
//! Sources: control of a linear calibration with low, middle and upper check standards, e-Handbook of
//! Statistical Methods (NIST/SEMATECH), 2.3.7.1 (limit s·t*/slope, with t* for all standards at once); zero
//! within 0.1 GU and middle standard within 1 GU, ASTM D523, calibration clause (from memory). Checked
//! in `tests/published_gloss.rs`.

use crate::stats::student::t_quantile;

/// Largest zero reading, GU; beyond it adjust the meter, or subtract the zero reading.
pub const ZERO_TOLERANCE_GU: f64 = 0.1;
/// Largest deviation of the middle standard, GU.
pub const MIDDLE_TOLERANCE_GU: f64 = 1.0;

/// A standard with its assigned value and what the meter read, in one unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Standard {
    /// Assigned value; 0 for the black trap.
    pub assigned: f64,
    /// Mean reading of the meter.
    pub reading: f64,
}

/// The line reading = intercept + slope × assigned, and how far readings scatter about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calibration {
    /// Reading at zero.
    pub intercept: f64,
    /// Change of reading per unit of the assigned value; above 0.
    pub slope: f64,
    /// Standard deviation of a reading about the line, above 0.
    pub residual_sd: f64,
    /// Degrees of freedom of that, above 0.
    pub degrees_of_freedom: f64,
}

impl Calibration {
    /// A meter that shows the value itself, with the given scatter: what a gloss meter claims.
    #[must_use]
    pub fn direct(residual_sd: f64, degrees_of_freedom: f64) -> Calibration {
        Calibration { intercept: 0.0, slope: 1.0, residual_sd, degrees_of_freedom }
    }
}

/// One standard after the check.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ControlValue {
    /// Value by the line minus assigned value, in the unit of the standards.
    pub deviation: f64,
    /// Whether it is within the limit.
    pub within: bool,
}

/// The check of all standards together.
#[derive(Clone, Debug, PartialEq)]
pub struct LinearityCheck {
    /// Largest deviation that scatter alone explains, in the unit of the standards.
    pub limit: f64,
    /// One for each standard, in the order given.
    pub values: Vec<ControlValue>,
}

impl LinearityCheck {
    /// Whether all standards are within the limit.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.values.iter().all(|value| value.within)
    }
}

/// The largest deviation that scatter alone explains, for `standards` checked at once with a chance of
/// `alpha` that any exceeds it. `None` if a figure cannot be one.
#[must_use]
pub fn limit(calibration: &Calibration, standards: u32, alpha: f64) -> Option<f64> {
    let sound = calibration.slope > 0.0 && calibration.residual_sd > 0.0 && alpha > 0.0 && alpha < 1.0;
    if !sound || standards == 0 {
        return None;
    }
    // (1 − (1 − α)^(1/m)) ÷ 2, without losing digits for a small α.
    let outside = -((-alpha).ln_1p() / f64::from(standards)).exp_m1() / 2.0;
    let t = t_quantile(1.0 - outside, calibration.degrees_of_freedom)?;
    Some(calibration.residual_sd * t / calibration.slope).filter(|limit| limit.is_finite())
}

/// Checks standards read in one sitting (zero, middle and high, say) against a calibration line whose
/// scatter is known. `None` without standards, or if a figure cannot be one.
#[must_use]
pub fn check(standards: &[Standard], calibration: &Calibration, alpha: f64) -> Option<LinearityCheck> {
    let limit = limit(calibration, u32::try_from(standards.len()).ok()?, alpha)?;
    let judge = |standard: &Standard| {
        let value = (standard.reading - calibration.intercept) / calibration.slope;
        let deviation = Some(value - standard.assigned).filter(|deviation| deviation.is_finite())?;
        Some(ControlValue { deviation, within: deviation.abs() <= limit })
    };
    let values = standards.iter().map(judge).collect::<Option<Vec<ControlValue>>>()?;
    Some(LinearityCheck { limit, values })
}

/// Where the scale is off by the tolerances of the standard, where no scatter is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScaleSays {
    /// Zero and middle are within their tolerances.
    Straight,
    /// The black trap does not read zero: adjust, or subtract the zero reading.
    ZeroOff,
    /// The middle standard is off: clean it and read again, then try another, then adjust the meter.
    MiddleOff,
}

/// Judges a zero reading and a middle standard, GU, by fixed tolerances; a value on its tolerance is
/// within. Zero comes first, since it shifts the middle. `None` for a value that is no number.
#[must_use]
pub fn by_tolerance(zero_reading_gu: f64, middle_gu: Standard) -> Option<ScaleSays> {
    let off = middle_gu.reading - middle_gu.assigned;
    if !(zero_reading_gu.is_finite() && off.is_finite()) {
        return None;
    }
    let within = |value: f64, tolerance: f64| value.abs() <= tolerance + 1e-9;
    Some(if !within(zero_reading_gu, ZERO_TOLERANCE_GU) {
        ScaleSays::ZeroOff
    } else if within(off, MIDDLE_TOLERANCE_GU) {
        ScaleSays::Straight
    } else {
        ScaleSays::MiddleOff
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn middle(reading: f64) -> Standard {
        Standard { assigned: 47.3, reading }
    }

    #[test]
    fn a_reading_on_its_tolerance_is_within_and_zero_is_judged_first() {
        assert_eq!(by_tolerance(0.1, middle(48.3)), Some(ScaleSays::Straight));
        assert_eq!(by_tolerance(-0.1, middle(46.3)), Some(ScaleSays::Straight));
        assert_eq!(by_tolerance(0.0, middle(48.4)), Some(ScaleSays::MiddleOff));
        assert_eq!(by_tolerance(0.2, middle(48.4)), Some(ScaleSays::ZeroOff));
        assert_eq!(by_tolerance(f64::NAN, middle(47.3)), None);
    }

    #[test]
    fn a_scale_that_sags_in_the_middle_does_not_hold_though_its_ends_do() {
        let read = |assigned, reading| Standard { assigned, reading };
        let sagging = [read(0.0, 0.0), read(47.3, 46.8), read(92.4, 92.4)];
        let found = check(&sagging, &Calibration::direct(0.1, 20.0), 0.05).unwrap();
        assert_eq!(found.values.iter().map(|value| value.within).collect::<Vec<_>>(), [true, false, true]);
        assert!(!found.holds());
    }

    #[test]
    fn one_standard_alone_has_the_two_sided_t_of_the_table() {
        // Table of t: 2.086 at 20 degrees of freedom, 0.975.
        let limit = limit(&Calibration::direct(1.0, 20.0), 1, 0.05).unwrap();
        assert!((limit - 2.086).abs() < 5e-4, "{limit}");
    }

    #[test]
    fn what_cannot_be_checked_gives_nothing() {
        let sound = Calibration::direct(0.1, 20.0);
        assert_eq!(check(&[], &sound, 0.05), None);
        assert_eq!(check(&[middle(f64::NAN)], &sound, 0.05), None);
        assert_eq!(check(&[middle(47.3)], &Calibration::direct(0.0, 20.0), 0.05), None);
        assert_eq!(check(&[middle(47.3)], &Calibration { slope: 0.0, ..sound }, 0.05), None);
        assert_eq!(check(&[middle(47.3)], &sound, 1.0), None);
    }
}
