//! Do several groups differ at all, against the scatter within them: one-way analysis of variance.
//!
//! Source: e-Handbook of Statistical Methods (NIST/SEMATECH), 7.4.3.3 and 7.4.3.4. The grand mean is
//! taken off first, so that leading digits that all values share cost none. Checked against the NIST
//! StRD sets SiRstv and AtmWtAg in `tests/published_precision.rs`.

use crate::stats::fisher::f_upper_tail;
use crate::stats::summary::count;
use crate::stats::summary::finite;
use crate::stats::summary::mean;
use crate::stats::summary::standard_deviation;
use crate::stats::summary::sum;

/// The table of the analysis. Sums of squares are in the squared unit of the values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OneWay {
    /// Sum of squares between groups.
    pub ss_between: f64,
    /// Sum of squares within groups; above 0.
    pub ss_within: f64,
    /// Number of groups less one.
    pub df_between: f64,
    /// Number of values less number of groups.
    pub df_within: f64,
    /// Mean square between groups.
    pub ms_between: f64,
    /// Mean square within groups.
    pub ms_within: f64,
    /// Mean square between over mean square within.
    pub f: f64,
    /// Chance of an F this large if the groups do not differ, 0 to 1.
    pub p_value: f64,
    /// Part of the sum of squares that lies between groups, 0 to 1.
    pub r_squared: f64,
    /// Standard deviation within groups, in the unit of the values.
    pub residual_sd: f64,
}

/// Why there is no analysis.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoAnova {
    /// Below two groups, an empty group, or no group with a second value.
    #[error("too few values; it takes at least two groups, and a second value in one of them")]
    TooFew,
    /// The values of each group are all equal.
    #[error("the values of each group are all equal, so that there is nothing to compare the groups with")]
    NoScatter,
    /// A value is not finite, or a figure is beyond `f64`.
    #[error("a value is no usable number, or too large for the analysis to be computed")]
    OutOfRange,
}

/// Compares the groups, which may differ in number of values.
///
/// ```
/// use halfpanel::stats::anova::one_way;
/// let found = one_way(&[vec![1.0, 3.0], vec![5.0, 7.0]]).unwrap();
/// assert!((found.ss_between - 16.0).abs() < 1e-12 && (found.f - 8.0).abs() < 1e-12);
/// ```
///
/// # Errors
/// [`WhyNoAnova`].
pub fn one_way(groups: &[Vec<f64>]) -> Result<OneWay, WhyNoAnova> {
    let n: usize = groups.iter().map(Vec::len).sum();
    if groups.len() < 2 || groups.iter().any(Vec::is_empty) || n == groups.len() {
        return Err(WhyNoAnova::TooFew);
    }
    let all = groups.concat();
    let grand = mean(&all).ok_or(WhyNoAnova::OutOfRange)?;
    let scatter = standard_deviation(&all).ok_or(WhyNoAnova::OutOfRange)?;
    if scatter <= 16.0 * f64::EPSILON * grand.abs() || scatter <= 0.0 {
        return Err(WhyNoAnova::NoScatter);
    }
    // In parts of the whole scatter, so that squares neither overflow nor vanish.
    let centred: Vec<Vec<f64>> =
        groups.iter().map(|group| group.iter().map(|value| (value - grand) / scatter).collect()).collect();
    let means: Option<Vec<f64>> = centred.iter().map(|group| mean(group)).collect();
    let means = means.ok_or(WhyNoAnova::OutOfRange)?;
    let between = sum(centred.iter().zip(&means).map(|(group, m)| count(group) * m * m));
    let within =
        sum(centred.iter().zip(&means).flat_map(|(group, m)| group.iter().map(move |v| (v - m).powi(2))));
    // What rounding of the values leaves is no scatter.
    let rounding = 16.0 * f64::EPSILON * (1.0 + grand.abs() / scatter);
    if within <= count(&all) * rounding * rounding {
        return Err(WhyNoAnova::NoScatter);
    }
    table(between, within, scatter, count(&means) - 1.0, count(&all) - count(&means))
        .ok_or(WhyNoAnova::OutOfRange)
}

fn table(between: f64, within: f64, scatter: f64, df_between: f64, df_within: f64) -> Option<OneWay> {
    let f = finite((between / df_between) / (within / df_within))?;
    let square = |part: f64| finite(part * scatter * scatter);
    Some(OneWay {
        ss_between: square(between)?,
        ss_within: square(within)?,
        df_between,
        df_within,
        ms_between: square(between / df_between)?,
        ms_within: square(within / df_within)?,
        f,
        p_value: f_upper_tail(f, df_between, df_within)?,
        r_squared: between / (between + within),
        residual_sd: finite(scatter * (within / df_within).sqrt())?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_compared_says_why() {
        assert_eq!(one_way(&[vec![1.0, 2.0]]), Err(WhyNoAnova::TooFew));
        assert_eq!(one_way(&[vec![1.0], vec![2.0]]), Err(WhyNoAnova::TooFew));
        assert_eq!(one_way(&[vec![1.0, 2.0], vec![]]), Err(WhyNoAnova::TooFew));
        assert_eq!(one_way(&[vec![70.1; 3], vec![71.2; 3]]), Err(WhyNoAnova::NoScatter));
        assert_eq!(one_way(&[vec![70.1; 3], vec![70.1; 3]]), Err(WhyNoAnova::NoScatter));
        assert_eq!(one_way(&[vec![0.3, 0.1 + 0.2], vec![5.0, 5.0]]), Err(WhyNoAnova::NoScatter));
        assert_eq!(one_way(&[vec![1.0, f64::NAN], vec![2.0]]), Err(WhyNoAnova::OutOfRange));
    }

    #[test]
    fn two_groups_have_the_square_of_the_pooled_t() {
        // Means 2 and 6, pooled variance (2 + 8) ÷ 4 = 2.5, t = 4 ÷ √(2.5 · 2/3).
        let found = one_way(&[vec![1.0, 2.0, 3.0], vec![4.0, 6.0, 8.0]]).unwrap();
        assert!((found.f - 16.0 / (2.5 * 2.0 / 3.0)).abs() < 1e-12, "{found:?}");
    }
}
