//! What a comparison could have seen at all: the smallest difference that it finds with good chance,
//! and how many zones a side it takes to find a given one.
//!
//! Sources: power of the two-sided t test through the noncentral t distribution, Cohen, Statistical
//! Power Analysis for the Behavioral Sciences (2nd ed., 1988), chapter 2; both tails are counted. The
//! degrees of freedom are Welch's (GUM G.2b), as if both scatters were known. A comparison has to estimate
//! them, and is a little more careful where the sides merely seem to differ: counted over 100,000 simulated
//! runs each, the power at the detectable difference is 0.70 with 3 zones a side, 0.77 with 5 and 0.80 with
//! 10 (`protocol-notes/coverage.md`). Level 0.05, two-sided, power 0.8: Cohen's conventions. Checked against
//! published numbers in `tests/published_power.rs`.
//!
//! The usual shortcut, t(0.975) + t(0.8) standard errors, is not used: it promises too much where
//! zones are few. Against the noncentral t it is 5 % too small at 2 degrees of freedom, 1 % at 4, and
//! within 0.2 % from 8 on.

use crate::stats::noncentral;
use crate::stats::student::t_quantile;
use crate::stats::summary::finite;

/// Chance of calling a difference where there is none, both sides together.
pub const LEVEL: f64 = 0.05;
/// Chance of finding the smallest detectable difference.
pub const POWER: f64 = 0.8;
/// Nobody puts more zones on a side.
pub const MOST_ZONES: u32 = 1000;
/// About eight are usual.
#[cfg(test)]
const MOST_STEPS: u32 = 100;

/// The chance that a true difference of `difference` is found at [`LEVEL`], given its standard
/// error (same unit, above 0) and degrees of freedom. `None` if it cannot be computed.
#[must_use]
pub fn power(difference: f64, standard_error: f64, degrees_of_freedom: f64) -> Option<f64> {
    if !(standard_error > 0.0 && standard_error.is_finite() && difference.is_finite()) {
        return None;
    }
    of_noncentrality(difference.abs() / standard_error, critical(degrees_of_freedom)?, degrees_of_freedom)
}

/// The smallest true difference that is found with chance [`POWER`], in the unit of the standard
/// error. `None` unless the standard error is above 0 and the degrees of freedom are 1 or more.
///
/// ```
/// use halfpanel::stats::power::detectable;
/// // 64 values a side of scatter 1 find 0.5 with chance 0.8 (Cohen 1988, table 2.4.1).
/// let found = detectable((2.0_f64 / 64.0).sqrt(), 126.0).unwrap();
/// assert!((found - 0.5).abs() < 0.005);
/// ```
#[must_use]
pub fn detectable(standard_error: f64, degrees_of_freedom: f64) -> Option<f64> {
    if !(standard_error > 0.0 && standard_error.is_finite()) {
        return None;
    }
    finite(needed(degrees_of_freedom)? * standard_error)
}

/// The noncentrality that is found with chance [`POWER`]: how many standard errors a difference has to have. It depends on
/// the degrees of freedom alone, and is worked out once for each comparison, contrast and flag of every run, so that
/// looking for it each time was nine tenths of a replay. It is a series in their reciprocal instead, within 1e-9 of
/// what is sought.
fn needed(degrees_of_freedom: f64) -> Option<f64> {
    // Chebyshev's, of its logarithm, by Clenshaw's recurrence (Numerical Recipes, 5.8).
    let known = degrees_of_freedom.is_finite() && degrees_of_freedom >= 1.0;
    let x = 2.0 / degrees_of_freedom - 1.0;
    let (mut next, mut after) = (0.0, 0.0);
    for coefficient in SERIES.iter().skip(1).rev() {
        (next, after) = (2.0 * x * next - after + coefficient, next);
    }
    known.then(|| (x * next - after + SERIES[0]).exp())
}

/// Made by `the_series_is_what_is_sought`, which prints it where it does not hold.
const SERIES: [f64; TERMS] = [
    1.823_100_674_193_103_5,
    0.889_925_795_887_817,
    0.089_725_311_585_794_4,
    -0.008_886_442_682_191_012,
    -0.001_112_099_363_255_329_3,
    0.000_530_785_432_274_379_6,
    -1.723_067_703_000_384_3e-6,
    -4.131_145_643_440_637e-5,
    5.933_460_578_561_034e-6,
    4.073_266_414_957_495e-6,
    -1.607_432_647_830_290_7e-6,
    -2.955_289_105_284_938e-7,
    3.340_292_170_269_284e-7,
    -2.473_347_326_022_630_8e-8,
    -5.516_310_902_509_147e-8,
    1.693_988_284_830_657e-8,
    7.099_834_757_144_189_5e-9,
    -4.892_268_067_509_716e-9,
    -4.815_010_566_187_42e-10,
    1.130_328_118_141_103_3e-9,
    -1.055_297_377_261_510_4e-10,
    -2.301_229_646_654_393_8e-10,
    5.686_450_384_641_735_6e-11,
    4.877_970_018_653_717_7e-11,
];
const TERMS: usize = 24;

/// The same, sought for.
#[cfg(test)]
fn sought(degrees_of_freedom: f64) -> Option<f64> {
    let critical = critical(degrees_of_freedom)?;
    let off = |noncentrality| Some(of_noncentrality(noncentrality, critical, degrees_of_freedom)? - POWER);
    // The power rises with the difference; at 1 degree of freedom 1.29 times the critical t is needed.
    root(off, 0.5 * critical, 2.0 * critical)
}

/// Where a rising function crosses zero, by false position with halved ends (the Illinois method, Dowell and
/// Jarratt, BIT 11 (1971), 168–174), which never leaves the interval.
#[cfg(test)]
fn root(f: impl Fn(f64) -> Option<f64>, mut low: f64, mut high: f64) -> Option<f64> {
    let (mut at_low, mut at_high) = (f(low)?, f(high)?);
    for _ in 0..MOST_STEPS {
        let middle = high - at_high * (high - low) / (at_high - at_low);
        let at_middle = f(middle)?;
        if at_middle.abs() <= 1e-13 || high - low <= 1e-13 * high {
            return Some(middle);
        }
        if at_middle > 0.0 {
            (high, at_high, at_low) = (middle, at_middle, 0.5 * at_low);
        } else {
            (low, at_low, at_high) = (middle, at_middle, 0.5 * at_high);
        }
    }
    None
}

/// Why the number of zones cannot be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoNumber {
    /// No scatter, so that any number would do, or none: the meter's step hides it.
    #[error("the readings show no scatter, so that the number of zones cannot be told from it")]
    NoScatter,
    /// A difference of zero is never settled.
    #[error("a difference of zero is never settled by more zones")]
    NoDifference,
    /// More than [`MOST_ZONES`].
    #[error(
        "the difference is so small against the scatter that more than 1000 zones a side would be needed"
    )]
    TooMany,
    /// A figure is not finite, or negative where it may not be.
    #[error("the difference or the scatter is no usable number; check the values for a wrong one")]
    OutOfRange,
}

/// The smallest number of zones on each side, 2 or more, with which a true difference of this size
/// is found with chance [`POWER`], if zones scatter with these standard deviations, all in one unit.
///
/// ```
/// use halfpanel::stats::power::zones_a_side;
/// // Cohen (1988), table 2.4.1: 64 for half a standard deviation, 26 for 0.8 of one.
/// assert_eq!(zones_a_side(0.5, 1.0, 1.0), Ok(64));
/// assert_eq!(zones_a_side(-0.8, 1.0, 1.0), Ok(26));
/// ```
///
/// # Errors
/// [`WhyNoNumber`].
pub fn zones_a_side(difference: f64, control_sd: f64, treated_sd: f64) -> Result<u32, WhyNoNumber> {
    let known = |value: f64| value.is_finite() && value >= 0.0;
    if !(difference.is_finite() && known(control_sd) && known(treated_sd)) {
        return Err(WhyNoNumber::OutOfRange);
    }
    let larger = control_sd.max(treated_sd);
    if larger <= 0.0 {
        return Err(WhyNoNumber::NoScatter);
    }
    if difference.abs() <= 0.0 {
        return Err(WhyNoNumber::NoDifference);
    }
    let (control, treated) = ((control_sd / larger).powi(2), (treated_sd / larger).powi(2));
    let planned = Planned {
        difference: difference.abs() / larger,
        variance: control + treated,
        degrees: (control + treated).powi(2) / (control * control + treated * treated),
    };
    planned.zones()
}

/// A comparison not yet made, in parts of the larger scatter.
struct Planned {
    difference: f64,
    variance: f64,
    /// Welch's degrees of freedom for each zone a side beyond the first: 1 to 2.
    degrees: f64,
}

impl Planned {
    fn zones(&self) -> Result<u32, WhyNoNumber> {
        if !self.is_enough(MOST_ZONES) {
            return Err(WhyNoNumber::TooMany);
        }
        // More zones never find less. Few are usual, and many take long to work out: double, then halve the range.
        let (mut low, mut high) = (1, 2);
        while !self.is_enough(high) {
            (low, high) = (high, (2 * high).min(MOST_ZONES));
        }
        while high - low > 1 {
            let middle = low.midpoint(high);
            *(if self.is_enough(middle) { &mut high } else { &mut low }) = middle;
        }
        Ok(high)
    }

    fn is_enough(&self, zones: u32) -> bool {
        let noncentrality = self.difference / (self.variance / f64::from(zones)).sqrt();
        let degrees = self.degrees * f64::from(zones - 1);
        let Some(critical) = critical(degrees) else { return false };
        // The scatter is at most four times the true one with a chance of 0.9999 (chi-square with 1 degree of freedom
        // below 16; with more it is surer), and from 8 standard deviations on nothing is missed.
        if noncentrality >= 4.0 * critical + 8.0 {
            return true;
        }
        of_noncentrality(noncentrality, critical, degrees).is_some_and(|power| power >= POWER)
    }
}

fn critical(degrees_of_freedom: f64) -> Option<f64> {
    t_quantile(1.0 - 0.5 * LEVEL, degrees_of_freedom)
}

fn of_noncentrality(noncentrality: f64, critical: f64, degrees_of_freedom: f64) -> Option<f64> {
    // So large that it is found whatever the scatter; from here the integral has nothing to add.
    let noncentrality = noncentrality.min(9_000.0);
    noncentral::both_tails(critical, degrees_of_freedom, noncentrality)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_a_difference_the_power_is_the_level() {
        for degrees in [1.0, 2.0, 7.3, 500.0] {
            let found = power(0.0, 0.3, degrees).unwrap();
            assert!((found - LEVEL).abs() < 1e-11, "{degrees}: {found}");
        }
    }

    #[test]
    fn the_detectable_difference_scales_with_the_standard_error() {
        let (one, ten) = (detectable(1.0, 8.0).unwrap(), detectable(10.0, 8.0).unwrap());
        assert!((10.0 * one / ten - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_series_is_what_is_sought() {
        let between = (0..400).map(|at| 1.0 + 0.013 * f64::from(at) + f64::from(at / 40).powi(4));
        let worst = between.chain([1e5, 1e9]).map(|degrees| {
            let (found, known) = (needed(degrees).unwrap(), sought(degrees).unwrap());
            (found / known - 1.0).abs()
        });
        let worst = worst.fold(0.0, f64::max);
        assert!(worst < 1e-9, "off by {worst:e}; it ought to be {:?}", series());
    }

    /// Coefficients from the values at Chebyshev's points (Numerical Recipes, 5.8).
    fn series() -> Vec<f64> {
        let n = TERMS as f64;
        let angle = |k: usize| std::f64::consts::PI * (k as f64 + 0.5) / n;
        let values: Vec<f64> =
            (0..TERMS).map(|k| sought(2.0 / (angle(k).cos() + 1.0)).unwrap().ln()).collect();
        let of = |j: usize| -> f64 {
            let sum: f64 =
                values.iter().enumerate().map(|(k, value)| value * (j as f64 * angle(k)).cos()).sum();
            sum * if j == 0 { 1.0 } else { 2.0 } / n
        };
        (0..TERMS).map(of).collect()
    }

    #[test]
    fn the_shortcut_is_as_far_off_as_the_page_says() {
        for (degrees, low, high) in
            [(2.0, 0.94, 0.96), (4.0, 0.98, 0.99), (8.0, 0.998, 1.0), (20.0, 1.0, 1.002)]
        {
            let shortcut = t_quantile(0.975, degrees).unwrap() + t_quantile(0.8, degrees).unwrap();
            let part = shortcut / detectable(1.0, degrees).unwrap();
            assert!(low < part && part < high, "{degrees}: {part}");
        }
    }

    #[test]
    fn what_cannot_be_told_says_why() {
        assert_eq!(zones_a_side(0.5, 0.0, 0.0), Err(WhyNoNumber::NoScatter));
        assert_eq!(zones_a_side(0.0, 1.0, 1.0), Err(WhyNoNumber::NoDifference));
        assert_eq!(zones_a_side(0.01, 1.0, 1.0), Err(WhyNoNumber::TooMany));
        assert_eq!(zones_a_side(0.5, -1.0, 1.0), Err(WhyNoNumber::OutOfRange));
        assert_eq!(zones_a_side(f64::NAN, 1.0, 1.0), Err(WhyNoNumber::OutOfRange));
        assert_eq!((detectable(0.0, 8.0), detectable(1.0, 0.5), power(1.0, 0.0, 8.0)), (None, None, None));
    }

    #[test]
    fn a_difference_of_many_scatters_still_takes_two_zones_a_side() {
        assert_eq!(zones_a_side(1e200, 1e-200, 1e-200), Ok(2));
        assert_eq!(zones_a_side(100.0, 0.0, 0.1), Ok(2));
    }
}
