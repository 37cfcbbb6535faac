//! Fisher's F: upper tails and quantiles, for ratios of two variances.
//!
//! Source: through the regularized incomplete beta function, Abramowitz and Stegun, Handbook of
//! Mathematical Functions, 26.6.2 and 26.5.25, with [`statrs`]' `beta_reg`; the quantile by halving
//! an interval of ln F, since `statrs` 0.19 has none that says how close it comes. Reached, relative:
//! 1e-11 against scipy (`tests/published_precision.rs`).

use crate::stats::summary::finite;
use statrs::function::beta::beta_reg;

/// Above these, `beta_reg` loses digits.
const MOST_DF: f64 = 1e6;
/// Beyond e^±700 no `f64` reaches.
const FARTHEST: f64 = 700.0;
/// Halvings of [−700, 700] until neighbours are one rounding apart.
const HALVINGS: u32 = 64;

/// The chance of an F of at least this much. `None` unless f is 0 or more and finite, and both
/// degrees of freedom are between 0.01 and a million. Below the smallest `f64` it is 0.
///
/// ```
/// use halfpanel::stats::fisher::f_upper_tail;
/// // With 2 and 2 degrees of freedom the tail is 1 ÷ (1 + F).
/// assert_eq!(f_upper_tail(3.0, 2.0, 2.0).map(|p| format!("{p:.6}")).as_deref(), Some("0.250000"));
/// ```
#[must_use]
pub fn f_upper_tail(f: f64, df1: f64, df2: f64) -> Option<f64> {
    let known = f.is_finite() && f >= 0.0 && valid(df1) && valid(df2);
    known.then(|| tails(f.ln(), df1, df2).1)
}

/// The F below which a share `p` lies. `None` unless 0 < p < 1, the degrees of freedom are as for
/// [`f_upper_tail`], and the answer fits an `f64`.
#[must_use]
pub fn f_quantile(p: f64, df1: f64, df2: f64) -> Option<f64> {
    if !(p > 0.0 && p < 1.0 && valid(df1) && valid(df2)) {
        return None;
    }
    let too_low = |ln_f: f64| {
        let (below, above) = tails(ln_f, df1, df2);
        if p < 0.5 { below < p } else { above > 1.0 - p }
    };
    let (mut low, mut high) = (-FARTHEST, FARTHEST);
    if !too_low(low) || too_low(high) {
        return None;
    }
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        *(if too_low(middle) { &mut low } else { &mut high }) = middle;
    }
    finite((0.5 * (low + high)).exp())
}

fn valid(df: f64) -> bool {
    (0.01..=MOST_DF).contains(&df)
}

/// Shares below and above an F, each computed by itself where it is the smaller.
fn tails(ln_f: f64, df1: f64, df2: f64) -> (f64, f64) {
    // df1 F ÷ (df1 F + df2), and 1 minus it, without overflow.
    let ratio = (df1 / df2).ln() + ln_f;
    let (first, second) = (1.0 / (1.0 + (-ratio).exp()), 1.0 / (1.0 + ratio.exp()));
    let below = beta_reg(0.5 * df1, 0.5 * df2, first);
    if below < 0.5 {
        return (below, 1.0 - below);
    }
    let above = beta_reg(0.5 * df2, 0.5 * df1, second).clamp(0.0, 1.0);
    (1.0 - above, above)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_and_two_degrees_of_freedom_have_a_closed_form() {
        for f in [1e-9, 0.01, 0.5, 1.0, 3.0, 1e9] {
            let above = f_upper_tail(f, 2.0, 2.0).unwrap();
            assert!((above * (1.0 + f) - 1.0).abs() < 1e-12, "{f}: {above}");
            let back = f_quantile(f / (1.0 + f), 2.0, 2.0).unwrap();
            // 1 − p is rounded itself, which is what limits the far end.
            assert!((back / f - 1.0).abs() < 1e-12 + 4.0 * f64::EPSILON * f, "{f}: {back}");
        }
        assert_eq!(f_upper_tail(0.0, 2.0, 2.0), Some(1.0));
    }

    #[test]
    fn outside_its_domain_there_is_no_answer() {
        for (x, df1, df2) in
            [(-1.0, 2.0, 2.0), (f64::NAN, 2.0, 2.0), (1.0, 0.0, 2.0), (1.0, 2.0, f64::INFINITY)]
        {
            assert_eq!(f_upper_tail(x, df1, df2), None);
            assert_eq!(f_quantile(0.5 * x, df1, df2).filter(|_| x > 0.0), None);
        }
        assert_eq!((f_quantile(0.0, 2.0, 2.0), f_quantile(1.0, 2.0, 2.0)), (None, None));
    }
}
