//! The noncentral t distribution: how Student's t is spread when there is a difference to be found.
//!
//! Source: T = (Z + δ) ÷ S, Z normal and S² a chi-square divided by its degrees of freedom (Johnson,
//! Kotz and Balakrishnan, Continuous Univariate Distributions 2, chapter 31), so that
//! P(T > t) = ∫ Φ(δ − t·s) dF(s). `statrs` 0.19 has no noncentral t. The integral is taken by the trapezoid
//! rule, which for so smooth a function gains digits with each point (Trefethen and Weideman, SIAM
//! Review 56 (2014), 385–458), over v with ln s = v − e^−v, so that the long tail towards small scatters, which
//! falls off slowly with few degrees of freedom, is short (Takahasi and Mori, Publ. RIMS 9 (1974), 721–741);
//! dividing by the sum of the weights needs no gamma function. Reached: 3e-11 absolute, which is how close `statrs`' `erfc` comes
//! (`tests/published_power.rs`).

use statrs::function::erf::erfc;
use std::f64::consts::SQRT_2;

/// Weights below e^−45 of the largest change no digit.
const NEGLIGIBLE: f64 = 45.0;
/// Beyond so many standard deviations lie 1e-19 of a normal distribution.
const CERTAIN: f64 = 9.0;
/// Where v = e^−v, so that the scatter is the true one: the omega constant.
const MIDDLE: f64 = 0.567_143_290_409_783_8;
/// With more degrees of freedom it is the normal distribution to the digits reached.
const MOST_DF: f64 = 1e10;
/// The sizes below are what the distribution is needed and tried for.
const LARGEST: f64 = 1e4;

/// The chance of a t above `t`, if the true difference is `noncentrality` standard errors. `None`
/// unless both are finite and at most 10 000 in size, and `df` is finite and 1 or more.
///
/// ```
/// use halfpanel::stats::noncentral::upper_tail;
/// // Without a difference it is Student's t: with 1 degree of freedom a quarter lies above 1.
/// assert_eq!(upper_tail(1.0, 1.0, 0.0).map(|p| format!("{p:.6}")).as_deref(), Some("0.250000"));
/// ```
#[must_use]
pub fn upper_tail(t: f64, df: f64, noncentrality: f64) -> Option<f64> {
    averaged(t, df, noncentrality, |scatter| normal_below(noncentrality - t * scatter))
}

/// The chance of a t above `t` or below −`t`, t ≥ 0; otherwise as for [`upper_tail`].
#[must_use]
pub fn both_tails(t: f64, df: f64, noncentrality: f64) -> Option<f64> {
    let both = |limit: f64| normal_below(noncentrality - limit) + normal_below(-noncentrality - limit);
    averaged(t, df, noncentrality, |scatter| both(t * scatter)).filter(|_| t >= 0.0)
}

/// The mean of a chance over how the scatter itself, as a part of the true one, scatters.
fn averaged(t: f64, df: f64, noncentrality: f64, chance: impl Fn(f64) -> f64) -> Option<f64> {
    let sized = |value: f64| value.is_finite() && value.abs() <= LARGEST;
    if !(sized(t) && sized(noncentrality) && df.is_finite() && df >= 1.0) {
        return None;
    }
    let df = df.min(MOST_DF);
    // The narrower of how wide the weights are and how sudden Φ is, in ln s; a little less of it in v,
    // which is steeper.
    let step = 0.8 * (0.35 / df.sqrt()).min(0.35 / (8.0 + noncentrality.abs())).min(0.05);
    let (mut weights, mut found) = (0.0, 0.0);
    for direction in [step, -step] {
        // The middle belongs to one of the two.
        let mut place = if direction > 0.0 { 0.0 } else { 1.0 };
        loop {
            let v = MIDDLE + direction * place;
            let steep = (-v).exp();
            let u = v - steep;
            let ln_weight = ln_weight(u, df) + steep.ln_1p();
            if ln_weight < -NEGLIGIBLE {
                break;
            }
            let weight = ln_weight.exp();
            weights += weight;
            found += weight * chance(u.exp());
            place += 1.0;
        }
    }
    Some((found / weights).clamp(0.0, 1.0))
}

/// ln of the density of u = ln s, less its largest value, which is at u = 0.
fn ln_weight(u: f64, df: f64) -> f64 {
    df * (u - 0.5 * (2.0 * u).exp_m1())
}

/// Most points of the integral lie where it is 0 or 1 to all digits, and `erfc` is the dear part of each.
fn normal_below(z: f64) -> f64 {
    match z {
        z if z < -CERTAIN => 0.0,
        z if z > CERTAIN => 1.0,
        z => 0.5 * erfc(-z / SQRT_2),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::student::t_upper_tail;

    #[test]
    fn without_a_difference_it_is_student_s_t() {
        for df in [1.0, 2.0, 3.7, 8.0, 100.0, 1e5] {
            for t in [-20.0, -2.0, 0.0, 0.3, 2.0, 12.0] {
                let (found, known) = (upper_tail(t, df, 0.0).unwrap(), t_upper_tail(t, df).unwrap());
                assert!((found - known).abs() < 1e-11, "t {t}, df {df}: {found} for {known}");
            }
        }
    }

    /// The same integral by a rule that takes no short cut: even steps in ln s, far out and close.
    fn plainly(t: f64, df: f64, noncentrality: f64) -> f64 {
        let step = (0.1 / df.sqrt()).min(0.1 / (8.0 + noncentrality.abs())).min(0.01);
        let (mut weights, mut found) = (0.0, 0.0);
        for place in -((50.0 / df.min(10.0) / step) as i64)..=((3.0 / step) as i64) {
            let u = place as f64 * step;
            let weight = ln_weight(u, df).exp();
            weights += weight;
            found += weight * 0.5 * erfc(-(noncentrality - t * u.exp()) / SQRT_2);
        }
        found / weights
    }

    #[test]
    fn it_is_what_the_plain_rule_gives() {
        for df in [1.0, 1.3, 2.0, 4.5, 17.0, 300.0] {
            for t in [0.0, 0.7, 2.0, 12.7, 40.0] {
                for noncentrality in [-3.0, 0.0, 0.4, 2.8, 9.5, 25.0, 60.0] {
                    let (found, known) =
                        (upper_tail(t, df, noncentrality).unwrap(), plainly(t, df, noncentrality));
                    assert!(
                        (found - known).abs() < 1e-11,
                        "t {t}, df {df}, {noncentrality}: {found} for {known}"
                    );
                }
            }
        }
    }

    #[test]
    fn at_zero_only_the_normal_part_counts() {
        for (noncentrality, below) in [(0.0, 0.5), (1.959_963_984_540_054, 0.975)] {
            let found = upper_tail(0.0, 5.0, noncentrality).unwrap();
            assert!((found - below).abs() < 1e-11, "{found}");
        }
    }

    #[test]
    fn outside_its_domain_there_is_no_answer() {
        for (t, df, noncentrality) in [
            (f64::NAN, 5.0, 0.0),
            (1.0, 0.5, 0.0),
            (1.0, f64::INFINITY, 0.0),
            (1.0, 5.0, f64::INFINITY),
            (1e5, 5.0, 0.0),
        ] {
            assert_eq!(upper_tail(t, df, noncentrality), None);
        }
    }
}
