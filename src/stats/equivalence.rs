//! Whether two sides are the same for all that matters: not "no difference was found", which little
//! data always says, but "the difference is shown to lie within a margin".
//!
//! Source: two one-sided tests (TOST), Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15
//! (1987), 657–680, on Welch's standard error and degrees of freedom. At the level 0.05 it is the same
//! as a 90 % interval within the margin. The margin is decided before reading. Checked against
//! statsmodels' `ttost_ind` in `tests/published_power.rs`.

use crate::stats::student::t_quantile;
use crate::stats::student::t_upper_tail;
use crate::stats::summary::finite;
use crate::stats::welch::Welch;
use crate::stats::welch::WhyNoInterval;

/// Chance of calling two sides equivalent that are not.
pub const LEVEL: f64 = 0.05;

/// What the two tests found, in the unit of the values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Equivalence {
    /// Lower end of the 90 % interval of the difference.
    pub low: f64,
    /// Upper end of the 90 % interval of the difference.
    pub high: f64,
    /// The larger p value of the two one-sided tests, 0 to 1.
    pub p_value: f64,
    /// Whether the difference is shown to lie within the margin, at [`LEVEL`].
    pub equivalent: bool,
}

/// Why equivalence cannot be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNotTold {
    /// The difference has no interval.
    #[error(transparent)]
    NoInterval(#[from] WhyNoInterval),
    /// The margin is not above 0, or not finite.
    #[error("the margin must be above 0; state the largest difference that does not matter")]
    BadMargin,
}

/// Whether a compared difference lies within ±`margin` (same unit, above 0).
///
/// ```
/// use halfpanel::stats::{equivalence::equivalent, welch::welch};
/// let compared = welch(&[70.1, 70.3, 70.2, 70.2], &[70.2, 70.4, 70.3, 70.2]).unwrap();
/// assert!(equivalent(&compared, 0.5).unwrap().equivalent);
/// assert!(!equivalent(&compared, 0.1).unwrap().equivalent);
/// ```
///
/// # Errors
/// [`WhyNotTold`].
pub fn equivalent(compared: &Welch, margin: f64) -> Result<Equivalence, WhyNotTold> {
    if !(margin > 0.0 && margin.is_finite()) {
        return Err(WhyNotTold::BadMargin);
    }
    let interval = compared.interval?;
    let told = lies_within(compared.difference, interval.standard_error, interval.degrees_of_freedom, margin);
    told.ok_or(WhyNotTold::NoInterval(WhyNoInterval::OutOfRange))
}

/// As [`equivalent`], for a difference with its standard uncertainty (above 0, same unit) and effective
/// degrees of freedom, wherever they come from. `None` if a figure cannot be one.
#[must_use]
pub fn lies_within(difference: f64, uncertainty: f64, degrees: f64, margin: f64) -> Option<Equivalence> {
    if !(uncertainty > 0.0 && margin > 0.0 && margin.is_finite()) {
        return None;
    }
    let half_width = t_quantile(1.0 - LEVEL, degrees)? * uncertainty;
    let (low, high) = (finite(difference - half_width)?, finite(difference + half_width)?);
    let above_lower = t_upper_tail(finite((difference + margin) / uncertainty)?, degrees)?;
    let below_upper = t_upper_tail(finite((margin - difference) / uncertainty)?, degrees)?;
    let p_value = above_lower.max(below_upper);
    Some(Equivalence { low, high, p_value, equivalent: low > -margin && high < margin })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::welch::welch;

    #[test]
    fn a_side_of_one_zone_is_never_called_equivalent() {
        let compared = welch(&[70.0], &[70.0, 70.1]).unwrap();
        assert_eq!(equivalent(&compared, 1.0), Err(WhyNotTold::NoInterval(WhyNoInterval::OneValue)));
    }

    #[test]
    fn a_margin_has_to_be_above_zero() {
        let compared = welch(&[70.0, 70.1], &[70.0, 70.1]).unwrap();
        for margin in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(equivalent(&compared, margin), Err(WhyNotTold::BadMargin));
        }
    }

    #[test]
    fn the_p_value_and_the_interval_say_the_same() {
        let compared = welch(&[70.0, 70.4, 70.2, 70.3], &[70.9, 70.5, 70.6, 70.4]).unwrap();
        for step in 1_u32..100 {
            let found = equivalent(&compared, 0.02 * f64::from(step)).unwrap();
            assert_eq!(found.equivalent, found.p_value < LEVEL, "{found:?}");
        }
    }
}
