//! The difference of two sides, treated minus control, with its interval, for sides that may differ
//! in scatter and in number.
//!
//! Sources: Welch, Biometrika 34 (1947), 28–35; degrees of freedom by the Welch–Satterthwaite formula
//! as in JCGM 100:2008 (GUM), G.4.1, eq. G.2b, kept fractional; e-Handbook of Statistical Methods
//! (NIST/SEMATECH), 1.3.5.3, unequal variances. Checked against published examples in
//! `tests/published_statistics.rs`.

use crate::stats::student::t_quantile;
use crate::stats::student::t_two_sided_p;
use crate::stats::summary::count;
use crate::stats::summary::finite;
use crate::stats::summary::mean;
use crate::stats::summary::standard_deviation;

/// Confidence of every interval that the program states: 95 %, two-sided.
pub const CONFIDENCE: f64 = 0.95;

/// Scatter of so many roundings of the means is none: equal readings averaged in another order.
const ROUNDINGS: f64 = 16.0;

/// Treated minus control, in the unit of the values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Welch {
    /// Mean of the treated values minus mean of the control values.
    pub difference: f64,
    /// How well the difference is known, or why nobody can tell.
    pub interval: Result<Interval, WhyNoInterval>,
}

/// How well a difference is known, from the scatter of both sides. Every number is finite.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Standard error of the difference (its standard uncertainty from scatter), in the unit of the values; above 0.
    pub standard_error: f64,
    /// Effective degrees of freedom, not rounded: between the smaller n − 1 and n₁ + n₂ − 2.
    pub degrees_of_freedom: f64,
    /// Student's t that widens the standard error to [`CONFIDENCE`].
    pub coverage_factor: f64,
    /// Lower end of the interval at [`CONFIDENCE`], in the unit of the values.
    pub ci_low: f64,
    /// Upper end of the interval at [`CONFIDENCE`], in the unit of the values.
    pub ci_high: f64,
    /// Difference in standard errors.
    pub t: f64,
    /// Two-sided p value of "no difference", 0 to 1.
    pub p_value: f64,
}

/// Why a difference has no interval. It is shown in place of one, and never replaced by a zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoInterval {
    /// A side has one value, and one value has no scatter.
    #[error("a side has only one value, which shows no scatter; read at least two zones a side")]
    OneValue,
    /// Neither side scatters at all, which says that the meter's step is coarser than the scatter.
    #[error(
        "the values of each side are all equal, which shows no scatter; read more zones, or with a finer resolution"
    )]
    NoScatter,
    /// A figure of the interval does not fit a double.
    #[error("the values are too large for an interval to be computed; check them for a wrong one")]
    OutOfRange,
}

/// Compares two sides. `None` if a side is empty or holds a value that is not finite, or if a mean
/// or the difference is beyond `f64`.
///
/// ```
/// use halfpanel::stats::welch::{WhyNoInterval, welch};
/// let compared = welch(&[70.0, 71.0], &[73.0]).unwrap();
/// assert_eq!(compared.difference, 2.5);
/// assert_eq!(compared.interval, Err(WhyNoInterval::OneValue));
/// ```
#[must_use]
pub fn welch(control: &[f64], treated: &[f64]) -> Option<Welch> {
    let difference = finite(mean(treated)? - mean(control)?)?;
    Some(Welch { difference, interval: interval(difference, control, treated) })
}

fn interval(difference: f64, control: &[f64], treated: &[f64]) -> Result<Interval, WhyNoInterval> {
    if control.len() < 2 || treated.len() < 2 {
        return Err(WhyNoInterval::OneValue);
    }
    let sides = side(control).zip(side(treated)).ok_or(WhyNoInterval::OutOfRange)?;
    let larger = sides.0.standard_error.max(sides.1.standard_error);
    if larger <= sides.0.rounding.max(sides.1.rounding) {
        return Err(WhyNoInterval::NoScatter);
    }
    combine(difference, larger, sides).ok_or(WhyNoInterval::OutOfRange)
}

/// What one side brings to the standard error of the difference.
struct Side {
    standard_error: f64,
    degrees_of_freedom: f64,
    rounding: f64,
}

fn side(values: &[f64]) -> Option<Side> {
    Some(Side {
        standard_error: standard_deviation(values)? / count(values).sqrt(),
        degrees_of_freedom: count(values) - 1.0,
        rounding: ROUNDINGS * f64::EPSILON * mean(values)?.abs(),
    })
}

/// The interval; squares are taken in parts of the larger standard error, so that they stay in range.
fn combine(difference: f64, larger: f64, (control, treated): (Side, Side)) -> Option<Interval> {
    let square = |side: &Side| (side.standard_error / larger).powi(2);
    let both = square(&control) + square(&treated);
    let standard_error = finite(larger * both.sqrt())?;
    let part = |side: &Side| (square(side) / both).powi(2) / side.degrees_of_freedom;
    let degrees_of_freedom = finite(1.0 / (part(&control) + part(&treated)))?;
    let coverage_factor = t_quantile(0.5 + 0.5 * CONFIDENCE, degrees_of_freedom)?;
    let half_width = coverage_factor * standard_error;
    let t = finite(difference / standard_error)?;
    Some(Interval {
        standard_error,
        degrees_of_freedom,
        coverage_factor,
        ci_low: finite(difference - half_width)?,
        ci_high: finite(difference + half_width)?,
        t,
        p_value: t_two_sided_p(t, degrees_of_freedom)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn why_not(control: &[f64], treated: &[f64]) -> (f64, Option<WhyNoInterval>) {
        let compared = welch(control, treated).expect("both sides have values");
        (compared.difference, compared.interval.err())
    }

    #[test]
    fn a_side_of_one_value_gives_a_difference_without_an_interval() {
        assert_eq!(why_not(&[70.0], &[72.0, 74.0]), (3.0, Some(WhyNoInterval::OneValue)));
        assert_eq!(why_not(&[70.0, 71.0], &[72.0]), (1.5, Some(WhyNoInterval::OneValue)));
    }

    #[test]
    fn two_sides_without_scatter_give_a_difference_without_an_interval() {
        assert_eq!(why_not(&[70.0, 70.0], &[72.0, 72.0]), (2.0, Some(WhyNoInterval::NoScatter)));
    }

    #[test]
    fn what_summing_in_another_order_leaves_is_no_scatter() {
        let (one, other) = (0.1 + 0.2 + 0.3, 0.3 + 0.2 + 0.1);
        assert!(one > other, "the two orders differ in the last bit");
        assert_eq!(why_not(&[one, other], &[one, one]).1, Some(WhyNoInterval::NoScatter));
    }

    #[test]
    fn one_side_without_scatter_leaves_the_degrees_of_freedom_to_the_other() {
        let compared = welch(&[70.0, 70.0, 70.0], &[71.0, 72.0, 73.0, 74.0]).expect("both sides have values");
        let interval = compared.interval.expect("the treated side scatters");
        assert!((interval.degrees_of_freedom - 3.0).abs() < 1e-12, "{interval:?}");
        assert!(interval.ci_low < 2.5 && 2.5 < interval.ci_high, "{interval:?}");
    }

    #[test]
    fn an_empty_side_or_a_value_that_is_no_number_gives_nothing() {
        assert_eq!(welch(&[], &[70.0, 71.0]), None);
        assert_eq!(welch(&[70.0, 71.0], &[]), None);
        assert_eq!(welch(&[70.0, f64::NAN], &[70.0, 71.0]), None);
    }

    #[test]
    fn the_unit_of_the_values_changes_no_degree_of_freedom_and_no_p_value() {
        let at = |scale: f64| {
            let side = |values: [f64; 3]| values.map(|value| value * scale);
            let compared =
                welch(&side([1.0, 2.0, 4.0]), &side([3.0, 7.0, 8.0])).expect("both sides have values");
            let interval = compared.interval.expect("both sides scatter");
            (interval.degrees_of_freedom, interval.p_value)
        };
        // Powers of two scale without rounding.
        for power in [-700, 700] {
            assert_eq!(at(2_f64.powi(power)), at(1.0));
        }
    }

    #[test]
    fn values_too_large_for_an_interval_say_so() {
        let huge = f64::MAX / 4.0;
        assert_eq!(why_not(&[-huge, huge], &[-huge, huge]).1, Some(WhyNoInterval::OutOfRange));
    }
}
