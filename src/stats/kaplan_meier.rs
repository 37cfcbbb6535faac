//! How many still live, where each end is known exactly or not yet come: the product-limit estimate.
//!
//! Sources: Kaplan and Meier, Journal of the American Statistical Association 53 (1958), 457–481, with
//! Greenwood's standard error (1926); e-Handbook of Statistical Methods (NIST/SEMATECH), 8.2.1.5. The interval is
//! taken on the scale of log(−log S), so that it stays between 0 and 1: Kalbfleisch and Prentice, The
//! Statistical Analysis of Failure Time Data (1980), 1.3 (from memory). Checked in `tests/published_survival.rs`.

use crate::stats::censored::Span;
use crate::stats::censored::WhyNoLives;
use crate::stats::censored::check;
use crate::stats::student::t_quantile;
use crate::stats::summary::finite;
use crate::stats::welch::CONFIDENCE;

/// The curve just after one end or several at one time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// When, in the unit of the lives.
    pub time: f64,
    /// How many were still under watch just before.
    pub at_risk: usize,
    /// How many ended then.
    pub ended: usize,
    /// Part that lives on, 0 to 1.
    pub survival: f64,
    /// Greenwood's standard error; absent once nothing lives.
    pub standard_error: Option<f64>,
    /// Interval at [`CONFIDENCE`]; absent once nothing lives.
    pub interval: Option<[f64; 2]>,
}

/// The curve: one step for each time at which something ended, in order of time. Before the first it is 1.
///
/// ```
/// use halfpanel::stats::censored::Span;
/// use halfpanel::stats::kaplan_meier::{curve, median};
/// let steps = curve(&[Span::At(3.0), Span::Beyond(4.0), Span::At(5.0)]).unwrap();
/// assert_eq!((steps[0].at_risk, steps[1].at_risk, median(&steps)), (3, 1, Some(5.0)));
/// ```
///
/// # Errors
/// [`WhyNoLives`]; [`WhyNoLives::NotExact`] for a life known only by two looks.
pub fn curve(lives: &[Span]) -> Result<Vec<Step>, WhyNoLives> {
    check(lives)?;
    if lives.iter().any(|life| matches!(life, Span::Between { .. })) {
        return Err(WhyNoLives::NotExact);
    }
    let mut ends: Vec<f64> = lives.iter().filter_map(|life| life.upper()).collect();
    ends.sort_by(f64::total_cmp);
    ends.dedup();
    let (mut survival, mut summed) = (1.0, 0.0);
    Ok(ends
        .into_iter()
        .map(|time| {
            // Who left the watch at this very time was still under it.
            let at_risk = lives.iter().filter(|life| life.lower() >= time).count();
            let ended = lives.iter().filter(|life| **life == Span::At(time)).count();
            let (risk, gone) = (as_f64(at_risk), as_f64(ended));
            survival *= (risk - gone) / risk;
            summed += gone / (risk * (risk - gone));
            let standard_error = finite(survival * f64::sqrt(summed));
            let interval = standard_error.and_then(|_| log_log(survival, summed));
            Step { time, at_risk, ended, survival, standard_error, interval }
        })
        .collect())
}

/// The first time at which no more than half live; absent where the curve does not come down to it.
#[must_use]
pub fn median(steps: &[Step]) -> Option<f64> {
    // A product of fractions that comes to one half may miss it by its rounding.
    steps.iter().find(|step| step.survival <= 0.5 + 1e-12).map(|step| step.time)
}

fn log_log(survival: f64, summed: f64) -> Option<[f64; 2]> {
    // Beyond 10^20 degrees of freedom Student's t is the normal distribution.
    let z = t_quantile(0.5 + 0.5 * CONFIDENCE, 1e20)?;
    let error = summed.sqrt() / survival.ln().abs();
    let end = |z: f64| finite(survival.powf((z * error).exp()));
    Some([end(z)?, end(-z)?])
}

/// A count of lives as a number; nobody has 2^53.
#[expect(clippy::cast_precision_loss, reason = "counts of panels are far below 2^53")]
pub(super) fn as_f64(count: usize) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn once_nothing_lives_there_is_no_error_to_state() {
        let steps = curve(&[Span::At(1.0), Span::At(2.0)]).unwrap();
        assert_eq!((steps[1].survival, steps[1].standard_error, steps[1].interval), (0.0, None, None));
        assert_eq!(median(&steps), Some(1.0));
    }

    #[test]
    fn lives_that_all_go_on_give_a_curve_without_a_step() {
        assert_eq!(curve(&[Span::Beyond(10.0); 3]), Ok(vec![]));
        assert_eq!(median(&[]), None);
    }

    #[test]
    fn lives_between_looks_are_refused_rather_than_moved_to_an_end() {
        let looks = Span::Between { after: 2.0, until: 4.0 };
        assert_eq!(curve(&[looks]), Err(WhyNoLives::NotExact));
        assert_eq!(curve(&[]), Err(WhyNoLives::None));
        assert_eq!(curve(&[Span::At(f64::NAN)]), Err(WhyNoLives::OutOfRange));
    }
}
