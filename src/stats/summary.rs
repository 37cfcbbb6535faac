//! Mean, scatter and extremes of a handful of values, in the unit of the values.
//!
//! Sources: mean, and standard deviation with divisor n − 1: JCGM 100:2008 (GUM), 4.2.1 and 4.2.2.
//! The way of computing them: corrected two-pass algorithm (Chan, Golub and LeVeque, The American
//! Statistician 37 (1983), 242–247), on sums compensated after Neumaier (ZAMM 54 (1974), 39–51).
//! Checked against the NIST StRD univariate data sets in `tests/published_statistics.rs`.

/// The arithmetic mean. `None` for no values, a value that is not finite, or a sum beyond `f64`.
/// The mean never lies outside the values, so that equal values have exactly themselves as mean.
///
/// ```
/// use halfpanel::stats::summary::mean;
/// assert_eq!(mean(&[71.0, 72.0, 73.0]), Some(72.0));
/// assert_eq!(mean(&[]), None);
/// ```
#[must_use]
pub fn mean(values: &[f64]) -> Option<f64> {
    let (lowest, highest) = (min(values)?, max(values)?);
    // Dividing rounds, and can step outside by the last bit.
    finite(sum(values.iter().copied()) / count(values)).map(|mean| mean.clamp(lowest, highest))
}

/// The sample standard deviation (divisor n − 1). `None` below two values: one reading has no
/// scatter, so the table's cell stays empty and does not claim 0. `None` also for a value that is
/// not finite, or a result beyond `f64`. Equal values give exactly 0.
///
/// ```
/// use halfpanel::stats::summary::standard_deviation;
/// assert_eq!(standard_deviation(&[71.0, 72.0, 73.0]), Some(1.0));
/// assert_eq!(standard_deviation(&[71.0]), None);
/// ```
#[must_use]
pub fn standard_deviation(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let mean = mean(values)?;
    let largest = finite(values.iter().map(|value| (value - mean).abs()).fold(0.0, f64::max))?;
    if largest == 0.0 {
        return Some(0.0);
    }
    // In parts of the largest deviation, so that squares neither overflow nor vanish.
    let parts = || values.iter().map(|value| (value - mean) / largest);
    let count = count(values);
    // What the rounding of the mean left over: (Σd)² / n comes off Σd².
    let leftover = sum(parts());
    let squares = sum(parts().map(|part| part * part)) - leftover * leftover / count;
    finite(largest * (squares / (count - 1.0)).sqrt())
}

/// Largest minus smallest value. `None` as for [`min`], or if the range is beyond `f64`.
#[must_use]
pub fn range(values: &[f64]) -> Option<f64> {
    finite(max(values)? - min(values)?)
}

/// The smallest value. `None` for no values, or if any is not finite.
#[must_use]
pub fn min(values: &[f64]) -> Option<f64> {
    extreme(values, f64::min)
}

/// The largest value. `None` for no values, or if any is not finite.
#[must_use]
pub fn max(values: &[f64]) -> Option<f64> {
    extreme(values, f64::max)
}

fn extreme(values: &[f64], choose: fn(f64, f64) -> f64) -> Option<f64> {
    let all_finite = values.iter().all(|value| value.is_finite());
    all_finite.then(|| values.iter().copied().reduce(choose)).flatten()
}

/// Neumaier's compensated sum, in the order given.
pub fn sum(values: impl Iterator<Item = f64>) -> f64 {
    let (total, lost) = values.fold((0.0_f64, 0.0), |(total, lost), value| {
        let next = total + value;
        let slip = if total.abs() >= value.abs() { (total - next) + value } else { (value - next) + total };
        (next, lost + slip)
    });
    total + lost
}

/// The number of values, as a divisor; slices are far shorter than the 2^53 that `f64` counts exactly.
#[expect(clippy::cast_precision_loss, reason = "no slice of f64 has 2^53 values")]
pub fn count(values: &[f64]) -> f64 {
    values.len() as f64
}

/// The one gate for results: a number that is finite, or nothing.
pub fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_values_have_themselves_as_mean_and_no_scatter() {
        // The sum of 11 times 0.03, rounded, has not 0.03 as its 11th part.
        for value in [0.03, 0.1, 85.3, -1e-300, 5e-324, 1e300] {
            assert_eq!(mean(&[value; 11]), Some(value));
            assert_eq!(standard_deviation(&[value; 11]), Some(0.0));
        }
    }

    #[test]
    fn small_values_beside_large_ones_are_not_lost() {
        assert_eq!(mean(&[1e16, 1.0, 1.0, -1e16]), Some(0.5));
    }

    #[test]
    fn scatter_is_right_where_the_mean_itself_cannot_be_held() {
        // The mean lies between two neighbouring doubles, so the deviations do not cancel.
        assert_eq!(standard_deviation(&[1e16, 1e16 + 2.0]), Some(2_f64.sqrt()));
    }

    #[test]
    fn very_small_and_very_large_scatter_is_neither_lost_nor_infinite() {
        let small = standard_deviation(&[1e-200, 2e-200, 3e-200]).expect("has scatter");
        let large = standard_deviation(&[1e200, 2e200, 3e200]).expect("has scatter");
        assert!((small / 1e-200 - 1.0).abs() < 1e-14, "{small:e}");
        assert!((large / 1e200 - 1.0).abs() < 1e-14, "{large:e}");
    }

    #[test]
    fn a_value_that_is_no_number_leaves_no_answer() {
        for odd in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            let values = [1.0, odd, 3.0];
            let answers = [mean, standard_deviation, range, min, max].map(|statistic| statistic(&values));
            assert_eq!(answers, [None; 5]);
        }
    }

    #[test]
    fn a_sum_beyond_the_largest_double_leaves_no_answer() {
        assert_eq!(mean(&[f64::MAX, f64::MAX]), None);
        assert_eq!(range(&[-f64::MAX, f64::MAX]), None);
    }

    #[test]
    fn range_and_extremes_are_those_of_the_values() {
        let values = [72.0, 70.5, 71.0];
        assert_eq!((min(&values), max(&values), range(&values)), (Some(70.5), Some(72.0), Some(1.5)));
    }
}
