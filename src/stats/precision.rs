//! How well readings repeat: with the same hand and day, and across hands and days.
//!
//! Sources: repeatability and reproducibility from a balanced table, ISO 5725-2, 7.4 and ASTM E691, with
//! their factor 2.8 for the limits of a difference of two results; largest scatter among cells, Cochran's
//! test, ISO 5725-2, 7.3.3; critical range, ISO 5725-6, 5.2.2; nested components for operators and days,
//! e-Handbook of Statistical Methods (NIST/SEMATECH), 2.4.4 and 2.6.1. Checked in
//! `tests/published_precision.rs`.

use crate::stats::fisher::f_quantile;
use crate::stats::summary::count;
use crate::stats::summary::finite;
use crate::stats::summary::mean;
use crate::stats::summary::range;
use crate::stats::summary::standard_deviation;
use crate::stats::summary::sum;

/// From a standard deviation to the limit that the difference of two single results exceeds with
/// chance 5 %: 1.96·√2, rounded as the standards have it.
pub const LIMIT_FACTOR: f64 = 2.8;

/// Why there is no precision to state.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoPrecision {
    /// Below two cells, or below two results in a cell.
    #[error("too few results; it takes at least two cells of at least two results each")]
    TooFew,
    /// Cells differ in their number of results.
    #[error("the cells differ in their number of results; take the same number in each")]
    Uneven,
    /// A value is not finite or negative where it may not be, or a figure is beyond `f64`.
    #[error("a value is no usable number, or too large for the precision to be computed")]
    OutOfRange,
}

/// A standard deviation and its degrees of freedom.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scatter {
    /// Standard deviation, 0 or more, in the unit of the values.
    pub sd: f64,
    /// Degrees of freedom, above 0.
    pub degrees_of_freedom: f64,
}

/// Several scatters of the same thing taken as one, each weighted by its degrees of freedom. `None`
/// for none, for a figure that cannot be one, or beyond `f64`.
#[must_use]
pub fn pool(parts: &[Scatter]) -> Option<Scatter> {
    let sound = |part: &Scatter| {
        part.sd.is_finite()
            && part.sd >= 0.0
            && part.degrees_of_freedom.is_finite()
            && part.degrees_of_freedom > 0.0
    };
    if !parts.iter().all(sound) {
        return None;
    }
    let largest = parts.iter().map(|part| part.sd).reduce(f64::max)?;
    let degrees_of_freedom = finite(sum(parts.iter().map(|part| part.degrees_of_freedom)))?;
    if largest == 0.0 {
        return Some(Scatter { sd: 0.0, degrees_of_freedom });
    }
    let squares = sum(parts
        .iter()
        .map(|part| part.degrees_of_freedom / degrees_of_freedom * (part.sd / largest).powi(2)));
    Some(Scatter { sd: finite(largest * squares.sqrt())?, degrees_of_freedom })
}

/// Precision of a balanced table, in the unit of the values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Precision {
    /// Mean of all results.
    pub mean: f64,
    /// Scatter within a cell (s_r): same operator, same sitting.
    pub repeatability_sd: f64,
    /// Standard deviation of the cells' means.
    pub sd_of_means: f64,
    /// Scatter between cells alone (s_L); 0 where the means scatter less than repeatability explains.
    pub between_sd: f64,
    /// Scatter of single results of different cells (s_R), never below s_r.
    pub reproducibility_sd: f64,
    /// Repeatability limit r = 2.8 s_r.
    pub repeatability_limit: f64,
    /// Reproducibility limit R = 2.8 s_R.
    pub reproducibility_limit: f64,
}

/// Precision from a table with one row a cell (operator, sitting or laboratory) and the same number
/// of results, two or more, in each.
///
/// # Errors
/// [`WhyNoPrecision`].
pub fn precision(table: &[Vec<f64>]) -> Result<Precision, WhyNoPrecision> {
    let (_, results) = shape(table)?;
    balanced(table, results).ok_or(WhyNoPrecision::OutOfRange)
}

/// Number of cells and of results in each.
fn shape(table: &[Vec<f64>]) -> Result<(f64, f64), WhyNoPrecision> {
    let [first, rest @ ..] = table else { return Err(WhyNoPrecision::TooFew) };
    if rest.is_empty() || first.len() < 2 {
        return Err(WhyNoPrecision::TooFew);
    }
    if rest.iter().any(|cell| cell.len() != first.len()) {
        return Err(WhyNoPrecision::Uneven);
    }
    let means: Option<Vec<f64>> = table.iter().map(|cell| mean(cell)).collect();
    Ok((count(&means.ok_or(WhyNoPrecision::OutOfRange)?), count(first)))
}

fn balanced(table: &[Vec<f64>], results: f64) -> Option<Precision> {
    let means = table.iter().map(|cell| mean(cell)).collect::<Option<Vec<f64>>>()?;
    let within = table.iter().map(|cell| scatter_of(cell)).collect::<Option<Vec<Scatter>>>()?;
    let repeatability_sd = pool(&within)?.sd;
    let sd_of_means = standard_deviation(&means)?;
    let between_sd = left_over(sd_of_means, repeatability_sd / results.sqrt());
    let reproducibility_sd = finite(repeatability_sd.hypot(between_sd))?;
    Some(Precision {
        mean: mean(&means)?,
        repeatability_sd,
        sd_of_means,
        between_sd,
        reproducibility_sd,
        repeatability_limit: finite(LIMIT_FACTOR * repeatability_sd)?,
        reproducibility_limit: finite(LIMIT_FACTOR * reproducibility_sd)?,
    })
}

fn scatter_of(values: &[f64]) -> Option<Scatter> {
    Some(Scatter { sd: standard_deviation(values)?, degrees_of_freedom: count(values) - 1.0 })
}

/// √(whole² − part²), and 0 where the part is larger; factored, so that squares stay in range.
fn left_over(whole: f64, part: f64) -> f64 {
    if whole > part { (whole - part).sqrt() * (whole + part).sqrt() } else { 0.0 }
}

/// Cochran's C: the largest variance among the cells over the sum of all. `None` if the table is not
/// balanced, or no cell scatters.
#[must_use]
pub fn cochran(table: &[Vec<f64>]) -> Option<f64> {
    shape(table).ok()?;
    let sds = table.iter().map(|cell| standard_deviation(cell)).collect::<Option<Vec<f64>>>()?;
    let largest = sds.iter().copied().reduce(f64::max).filter(|sd| *sd > 0.0)?;
    finite(1.0 / sum(sds.iter().map(|sd| (sd / largest).powi(2))))
}

/// The C that the largest of `cells` equal variances of `results` results each exceeds with a chance
/// of `alpha` (Bonferroni's bound). `None` below two cells or results, or unless 0 < alpha < 1.
#[must_use]
pub fn cochran_critical(cells: u32, results: u32, alpha: f64) -> Option<f64> {
    if cells < 2 || results < 2 || !(alpha > 0.0 && alpha < 1.0) {
        return None;
    }
    let (others, degrees) = (f64::from(cells - 1), f64::from(results - 1));
    let f = f_quantile(1.0 - alpha / f64::from(cells), degrees, others * degrees)?;
    Some(f / (f + others))
}

/// The range that `n` results under repeatability exceed with chance 5 %, as a multiple of σ_r
/// (ISO 5725-6, 5.2.2, table 1; the 95 % point of the studentized range). `None` outside 2 to 10.
#[must_use]
pub fn critical_range_factor(n: usize) -> Option<f64> {
    const FACTORS: [f64; 9] = [2.8, 3.3, 3.6, 3.9, 4.0, 4.2, 4.3, 4.4, 4.5];
    FACTORS.get(n.checked_sub(2)?).copied()
}

/// What a range says about going on reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RangeSays {
    /// There are not yet as many readings as the rule starts with.
    ReadOn,
    /// The readings lie close enough together.
    Enough,
    /// The readings lie too far apart: take more.
    TakeMore,
}

/// Whether the first `first` readings or more lie within `limit` of each other, both in the unit of
/// the readings: three within 2 GU (ASTM D523, from memory), three within 5 GU, else six (ISO
/// 2813:1994, from memory). `None` if a value is not finite or the limit is negative.
#[must_use]
pub fn range_rule(readings: &[f64], first: usize, limit: f64) -> Option<RangeSays> {
    if !(limit >= 0.0 && limit.is_finite()) {
        return None;
    }
    if readings.is_empty() {
        return Some(RangeSays::ReadOn);
    }
    let spread = range(readings)?;
    let rounding = 4.0 * f64::EPSILON * readings.iter().fold(0.0_f64, |most, value| most.max(value.abs()));
    Some(match readings.len() >= first {
        false => RangeSays::ReadOn,
        true if spread <= limit + rounding => RangeSays::Enough,
        true => RangeSays::TakeMore,
    })
}

/// Where the scatter of a nested study comes from, in the unit of the values. A component is 0
/// where the level below explains all of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Components {
    /// Level 1: repeats within a day.
    pub repeatability_sd: f64,
    /// Level 2: days of one operator.
    pub day_sd: f64,
    /// Level 3: operators (or runs); absent with one.
    pub operator_sd: Option<f64>,
    /// All of these together: the scatter of a single result of any operator on any day.
    pub reproducibility_sd: f64,
}

/// Components from the scatters that a nested study shows: `within` a day of `repeats` results each,
/// of the days' means within operators of `days` days each, of the operators' means. `None` if a
/// figure cannot be one.
#[must_use]
pub fn components(
    within: f64,
    repeats: u32,
    of_days: f64,
    days: u32,
    of_operators: Option<f64>,
) -> Option<Components> {
    let known = |sd: f64| sd.is_finite() && sd >= 0.0;
    if !(known(within) && known(of_days) && of_operators.is_none_or(known)) || repeats == 0 || days == 0 {
        return None;
    }
    let day_sd = left_over(of_days, within / f64::from(repeats).sqrt());
    let operator_sd = of_operators.map(|sd| left_over(sd, of_days / f64::from(days).sqrt()));
    let reproducibility_sd = finite(within.hypot(day_sd).hypot(operator_sd.unwrap_or(0.0)))?;
    Some(Components { repeatability_sd: within, day_sd, operator_sd, reproducibility_sd })
}

/// What a balanced nested study found: operators, each with days, each with repeats.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Nested {
    /// Scatter within days, pooled.
    pub within: Scatter,
    /// Scatter of the days' means within operators, pooled.
    pub of_days: Scatter,
    /// Scatter of the operators' means; absent with one operator.
    pub of_operators: Option<Scatter>,
    /// Where it comes from.
    pub components: Components,
}

/// Takes a nested study apart: `study[operator][day][repeat]`, at least two days and two repeats, the
/// same numbers everywhere; one operator will do.
///
/// # Errors
/// [`WhyNoPrecision`].
pub fn nested(study: &[Vec<Vec<f64>>]) -> Result<Nested, WhyNoPrecision> {
    let Some(first) = study.first() else { return Err(WhyNoPrecision::TooFew) };
    if study.iter().any(|operator| operator.len() != first.len()) {
        return Err(WhyNoPrecision::Uneven);
    }
    let days = study.concat();
    if first.len() < 2 {
        return Err(WhyNoPrecision::TooFew);
    }
    let (_, repeats) = shape(&days)?;
    taken_apart(study, &days, repeats).ok_or(WhyNoPrecision::OutOfRange)
}

fn taken_apart(study: &[Vec<Vec<f64>>], days: &[Vec<f64>], repeats: f64) -> Option<Nested> {
    let within = pool(&days.iter().map(|day| scatter_of(day)).collect::<Option<Vec<Scatter>>>()?)?;
    let means = |operator: &Vec<Vec<f64>>| operator.iter().map(|day| mean(day)).collect::<Option<Vec<f64>>>();
    let day_means = study.iter().map(means).collect::<Option<Vec<Vec<f64>>>>()?;
    let of_days = pool(&day_means.iter().map(|days| scatter_of(days)).collect::<Option<Vec<Scatter>>>()?)?;
    let operator_means = day_means.iter().map(|days| mean(days)).collect::<Option<Vec<f64>>>()?;
    let of_operators = scatter_of(&operator_means);
    let day_count = u32::try_from(day_means.first()?.len()).ok()?;
    let repeat_count = u32::try_from(days.first()?.len()).ok()?;
    debug_assert!((f64::from(repeat_count) - repeats).abs() < 0.5, "the study was found to be balanced");
    let components =
        components(within.sd, repeat_count, of_days.sd, day_count, of_operators.map(|scatter| scatter.sd))?;
    Some(Nested { within, of_days, of_operators, components })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_stated_says_why() {
        assert_eq!(precision(&[vec![1.0, 2.0]]), Err(WhyNoPrecision::TooFew));
        assert_eq!(precision(&[vec![1.0], vec![2.0]]), Err(WhyNoPrecision::TooFew));
        assert_eq!(precision(&[vec![1.0, 2.0], vec![2.0]]), Err(WhyNoPrecision::Uneven));
        assert_eq!(precision(&[vec![1.0, 2.0], vec![2.0, f64::NAN]]), Err(WhyNoPrecision::OutOfRange));
        let day = || vec![1.0, 2.0];
        assert_eq!(nested(&[vec![day()]]), Err(WhyNoPrecision::TooFew));
        assert_eq!(nested(&[vec![day(), day()], vec![day()]]), Err(WhyNoPrecision::Uneven));
        assert_eq!(nested(&[]), Err(WhyNoPrecision::TooFew));
        assert_eq!((pool(&[]), cochran(&[vec![1.0, 1.0], vec![2.0, 2.0]])), (None, None));
    }

    #[test]
    fn a_nested_study_has_the_components_worked_out_by_hand() {
        // Days 1, 3 | 5, 7 | 11, 13 | 19, 21: variance 2 within each; days' means 2, 6 | 12, 20:
        // variances 8 and 32, pooled 20; operators' means 4, 16: variance 72.
        let study = [vec![vec![1.0, 3.0], vec![5.0, 7.0]], vec![vec![11.0, 13.0], vec![19.0, 21.0]]];
        let found = nested(&study).unwrap();
        let of = found.components;
        let variances = [of.repeatability_sd, of.day_sd, of.operator_sd.unwrap(), of.reproducibility_sd];
        for (sd, variance) in variances.into_iter().zip([2.0, 20.0 - 1.0, 72.0 - 10.0, 2.0 + 19.0 + 62.0]) {
            assert!((sd * sd - variance).abs() < 1e-9, "{of:?}: {variance}");
        }
        let degrees = [Some(found.within), Some(found.of_days), found.of_operators];
        assert_eq!(
            degrees.map(|level| level.map(|s| s.degrees_of_freedom)),
            [Some(4.0), Some(2.0), Some(1.0)]
        );
    }

    #[test]
    fn one_operator_leaves_that_component_absent_and_not_zero() {
        let found = nested(&[vec![vec![1.0, 3.0], vec![5.0, 7.0]]]).unwrap();
        assert_eq!((found.of_operators, found.components.operator_sd), (None, None));
    }

    #[test]
    fn a_range_on_the_limit_is_enough() {
        let says = |readings: &[f64]| range_rule(readings, 3, 0.2).unwrap();
        assert_eq!(says(&[71.2, 71.4]), RangeSays::ReadOn);
        assert_eq!(says(&[71.2, 71.4, 71.3]), RangeSays::Enough);
        assert_eq!(says(&[71.2, 71.5, 71.3]), RangeSays::TakeMore);
        assert_eq!(range_rule(&[71.2, f64::NAN], 3, 0.2), None);
    }
}
