//! How far lives of several panels may be taken: the one place for these rules.
//!
//! Fewer than five panels are shown as the intervals they are. From five on there is a curve (Turnbull), and from
//! five failures on a Weibull fit. The numbers are common practice for so few panels, without a source: below
//! them a curve shows its steps and a fit its assumption, rather than the product.

use crate::life::Lifetime;
use crate::stats::censored::Span;
use crate::stats::turnbull::Turnbull;
use crate::stats::turnbull::turnbull;
use crate::stats::weibull::Weibull;
use crate::stats::weibull::WhyNoWeibull;
use crate::stats::weibull::weibull;

/// From so many panels on there is a curve.
pub const CURVE_PANELS: usize = 5;
/// From so many failures on there is a fit.
pub const FIT_FAILURES: usize = 5;

/// What lives of several panels come to.
#[derive(Clone, Debug, PartialEq)]
pub enum Curve {
    /// Fewer than [`CURVE_PANELS`]: intervals only.
    Intervals,
    /// A curve, and fewer than [`FIT_FAILURES`] failed.
    Steps(Turnbull),
    /// A curve and what a fit came to.
    Fitted(Turnbull, Result<Weibull, WhyNoWeibull>),
}

impl Curve {
    /// Of lives in washes; those put on over an earlier product are never pooled, and are left out here too.
    #[must_use]
    pub fn of(lives: &[Lifetime]) -> Curve {
        let spans: Vec<Span> = lives.iter().filter(|life| !life.over).map(span).collect();
        if spans.len() < CURVE_PANELS {
            return Curve::Intervals;
        }
        let Ok(steps) = turnbull(&spans) else { return Curve::Intervals };
        let failed = spans.iter().filter(|span| span.upper().is_some()).count();
        if failed < FIT_FAILURES { Curve::Steps(steps) } else { Curve::Fitted(steps, weibull(&spans)) }
    }
}

/// A life as the statistics take it.
#[must_use]
pub fn span(life: &Lifetime) -> Span {
    let after = f64::from(life.after);
    life.until.map_or(Span::Beyond(after), |until| Span::Between { after, until: f64::from(until) })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn failed(after: u32) -> Lifetime {
        Lifetime { after, until: Some(after + 5), over: false }
    }

    fn alive() -> Lifetime {
        Lifetime { after: 40, until: None, over: false }
    }

    #[test]
    fn four_panels_are_intervals_and_five_are_a_curve() {
        assert_eq!(Curve::of(&[5, 10, 15, 20].map(failed)), Curve::Intervals);
        let four_failed = [failed(5), failed(10), failed(15), failed(20), alive()];
        assert!(matches!(Curve::of(&four_failed), Curve::Steps(_)));
    }

    #[test]
    fn five_failures_have_a_fit() {
        let Curve::Fitted(_, Ok(fit)) = Curve::of(&[5, 10, 15, 20, 25].map(failed)) else { panic!("no fit") };
        assert!(10.0 < fit.median.value && fit.median.value < 25.0, "{fit:?}");
    }

    #[test]
    fn what_was_put_on_over_an_earlier_product_is_not_counted() {
        let mut lives = [5, 10, 15, 20, 25].map(failed);
        lives[0].over = true;
        assert_eq!(Curve::of(&lives), Curve::Intervals);
    }
}
