//! Chi-square: quantiles, and with them the interval of a standard deviation.
//!
//! Sources: the quantile is that of [`statrs`]' gamma distribution (chi-square is a gamma of shape df ÷ 2,
//! Abramowitz and Stegun, Handbook of Mathematical Functions, 26.4.19); the interval is that of the
//! e-Handbook of Statistical Methods (NIST/SEMATECH), 1.3.5.8 and 7.2.3.1. Reached, relative: 1e-9 against
//! scipy (`tests/published_precision.rs`).

use crate::stats::precision::Scatter;
use crate::stats::summary::finite;
use statrs::distribution::ChiSquared;
use statrs::distribution::ContinuousCDF;

/// Degrees of freedom for which the quantile was checked.
const DEGREES: std::ops::RangeInclusive<f64> = 1.0..=1e6;

/// The chi-square below which a share `p` lies. `None` unless 1e-6 ≤ p ≤ 1 − 1e-6 and the degrees of
/// freedom lie between 1 and a million.
///
/// ```
/// use halfpanel::stats::chi_square::chi_square_quantile;
/// // Table of the e-Handbook, 1.3.6.7.4: 0.975, 10 degrees of freedom.
/// assert_eq!(chi_square_quantile(0.975, 10.0).map(|q| format!("{q:.3}")).as_deref(), Some("20.483"));
/// ```
#[must_use]
pub fn chi_square_quantile(p: f64, df: f64) -> Option<f64> {
    if !((1e-6..=1.0 - 1e-6).contains(&p) && DEGREES.contains(&df)) {
        return None;
    }
    finite(ChiSquared::new(df).ok()?.inverse_cdf(p))
}

/// The interval that holds the true standard deviation with the chance `level` (such as 0.95), the values
/// being normal. `None` unless 0 < level < 1, and where the scatter is none.
#[must_use]
pub fn sd_interval(scatter: Scatter, level: f64) -> Option<[f64; 2]> {
    let Scatter { sd, degrees_of_freedom } = scatter;
    if !(sd.is_finite() && sd >= 0.0 && level > 0.0 && level < 1.0) {
        return None;
    }
    let outside = 0.5 * (1.0 - level);
    let end = |p: f64| finite(sd * (degrees_of_freedom / chi_square_quantile(p, degrees_of_freedom)?).sqrt());
    Some([end(1.0 - outside)?, end(outside)?])
}
