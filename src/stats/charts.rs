//! Control charts: does something that should stay the same, stay the same?
//!
//! Sources: individuals and moving range, e-Handbook of Statistical Methods (NIST/SEMATECH), 6.3.2.2;
//! baseline and later values (check standards), 2.2.2.1 and 2.3.5.2; EWMA, 6.3.2.4, after Roberts,
//! Technometrics 1 (1959), 239–250, with the limits of its steady state. Runs rules: the four of the
//! Western Electric Statistical Quality Control Handbook (1956), as in e-Handbook 6.3.2; all four
//! together give a false signal every 92 values or so, the first alone every 371 (Champ and Woodall,
//! Technometrics 29 (1987), 393–399). Checked in `tests/published_charts.rs`.

use crate::stats::fisher::f_quantile;
use crate::stats::summary::count;
use crate::stats::summary::finite;
use crate::stats::summary::mean;
use crate::stats::summary::standard_deviation;
use crate::stats::summary::sum;

/// Expected range of two normal values in standard deviations, as the e-Handbook prints it.
const D2_OF_TWO: f64 = 1.128;
/// Upper limit of a moving range of two over the mean moving range, as the e-Handbook prints it.
const D4_OF_TWO: f64 = 3.267;
/// Limits lie so many standard deviations out.
pub const THREE_SIGMA: f64 = 3.0;

/// How the scatter of the baseline is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sigma {
    /// Mean moving range of neighbours ÷ 1.128: a slow change in the baseline does not widen it.
    MovingRange,
    /// Standard deviation of the baseline: for check standards.
    StandardDeviation,
}

/// Why there is no chart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoChart {
    /// The baseline has fewer than two values; 20 are usual, and below 8 the limits are a rough guess.
    #[error("the baseline has fewer than two values; go on collecting, 20 are usual")]
    TooFew,
    /// The baseline does not scatter, and no least scatter was given.
    #[error(
        "the values of the baseline are all equal; give the meter's resolution or repeatability as least scatter"
    )]
    NoScatter,
    /// A value is not finite, a parameter is out of its range, or a figure is beyond `f64`.
    #[error("a value or a parameter of the chart is out of range; check them for a wrong one")]
    OutOfRange,
}

/// Centre and limits, in the unit of the values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Mean of the baseline, or the target.
    pub centre: f64,
    /// Standard deviation of a single value; above 0.
    pub sigma: f64,
    /// Centre − 3 sigma.
    pub lower: f64,
    /// Centre + 3 sigma.
    pub upper: f64,
}

impl Limits {
    /// Limits at three sigma from a baseline. `least_sigma` is a floor, such as the meter's step ÷ √12,
    /// without which a baseline of equal readings has no chart.
    ///
    /// # Errors
    /// [`WhyNoChart`].
    pub fn from_baseline(
        baseline: &[f64],
        by: Sigma,
        least_sigma: Option<f64>,
    ) -> Result<Limits, WhyNoChart> {
        if baseline.len() < 2 {
            return Err(WhyNoChart::TooFew);
        }
        let centre = mean(baseline).ok_or(WhyNoChart::OutOfRange)?;
        let sigma = match by {
            Sigma::MovingRange => mean_moving_range(baseline).map(|range| range / D2_OF_TWO),
            Sigma::StandardDeviation => standard_deviation(baseline),
        };
        let sigma = sigma.ok_or(WhyNoChart::OutOfRange)?;
        let least = least_sigma.unwrap_or(0.0);
        if !(least.is_finite() && least >= 0.0) {
            return Err(WhyNoChart::OutOfRange);
        }
        if sigma <= 16.0 * f64::EPSILON * centre.abs() && least <= 0.0 {
            return Err(WhyNoChart::NoScatter);
        }
        Limits::given(centre, sigma.max(least))
    }

    /// Limits at three sigma from a known centre and scatter.
    ///
    /// # Errors
    /// [`WhyNoChart::NoScatter`] for a sigma of 0, [`WhyNoChart::OutOfRange`] for one that cannot be one.
    pub fn given(centre: f64, sigma: f64) -> Result<Limits, WhyNoChart> {
        if sigma == 0.0 {
            return Err(WhyNoChart::NoScatter);
        }
        let (lower, upper) = (centre - THREE_SIGMA * sigma, centre + THREE_SIGMA * sigma);
        let sound = sigma > 0.0 && lower.is_finite() && upper.is_finite();
        sound.then_some(Limits { centre, sigma, lower, upper }).ok_or(WhyNoChart::OutOfRange)
    }
}

/// Distances of neighbours, one fewer than values. `None` if one is not finite.
#[must_use]
pub fn moving_ranges(values: &[f64]) -> Option<Vec<f64>> {
    values.windows(2).map(|pair| finite((pair[1] - pair[0]).abs())).collect()
}

fn mean_moving_range(values: &[f64]) -> Option<f64> {
    mean(&moving_ranges(values)?)
}

/// Upper limit of the moving range, 3.267 × its mean over the baseline; the lower is 0. A least sigma
/// is a floor to that mean, as in [`Limits::from_baseline`]. `None` below two values or for a figure
/// that cannot be one.
#[must_use]
pub fn moving_range_limit(baseline: &[f64], least_sigma: Option<f64>) -> Option<f64> {
    let least = D2_OF_TWO * least_sigma.unwrap_or(0.0);
    finite(D4_OF_TWO * mean_moving_range(baseline)?.max(least)).filter(|_| least >= 0.0)
}

/// Upper limit of one check's own scatter, given the pooled scatter of the baseline: √F × pooled, F at
/// 1 − `alpha` (e-Handbook 2.2.2.2 and 2.3.5.2.2). `None` if a figure cannot be one.
#[must_use]
pub fn scatter_limit(pooled_sd: f64, pooled_df: f64, check_df: f64, alpha: f64) -> Option<f64> {
    let known = pooled_sd.is_finite() && pooled_sd >= 0.0;
    finite(pooled_sd * f_quantile(1.0 - alpha, check_df, pooled_df)?.sqrt()).filter(|_| known)
}

/// What a signal broke.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Rule {
    /// One value beyond three sigma.
    BeyondLimit,
    /// Two of three neighbours beyond two sigma, on one side.
    TwoOfThree,
    /// Four of five neighbours beyond one sigma, on one side.
    FourOfFive,
    /// Eight neighbours on one side of the centre.
    EightOnOneSide,
    /// The weighted average beyond its limits.
    AverageBeyondLimit,
}

/// One place where a chart says that something changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Signal {
    /// The value that completes the pattern, counted from the first value given.
    pub index: usize,
    /// What it broke.
    pub rule: Rule,
    /// Whether it lies above the centre.
    pub above: bool,
}

/// The four Western Electric rules, in the order of values and then of rules. A value exactly on a
/// line is not beyond it. Values that are not finite break no rule and end no run.
#[must_use]
pub fn western_electric(values: &[f64], limits: &Limits) -> Vec<Signal> {
    let apart = |value: &f64| (value - limits.centre) / limits.sigma;
    let apart: Vec<f64> = values.iter().map(apart).collect();
    let mut signals = Vec::new();
    for index in 0..apart.len() {
        for above in [true, false] {
            let rules = RUNS.iter().filter(|run| run.is_completed(&apart[..=index], above));
            signals.extend(rules.map(|run| Signal { index, rule: run.rule, above }));
        }
    }
    signals
}

/// At least `of` of the last `among` values lie more than `beyond` sigma out, the last among them.
struct Run {
    rule: Rule,
    of: usize,
    among: usize,
    beyond: f64,
}

const RUNS: [Run; 4] = [
    Run { rule: Rule::BeyondLimit, of: 1, among: 1, beyond: THREE_SIGMA },
    Run { rule: Rule::TwoOfThree, of: 2, among: 3, beyond: 2.0 },
    Run { rule: Rule::FourOfFive, of: 4, among: 5, beyond: 1.0 },
    Run { rule: Rule::EightOnOneSide, of: 8, among: 8, beyond: 0.0 },
];

impl Run {
    fn is_completed(&self, apart: &[f64], above: bool) -> bool {
        let out = |value: &f64| if above { *value > self.beyond } else { *value < -self.beyond };
        let recent = &apart[apart.len().saturating_sub(self.among)..];
        recent.last().is_some_and(out) && recent.iter().filter(|value| out(value)).count() >= self.of
    }
}

/// An exponentially weighted moving average, in the unit of the values.
#[derive(Clone, Debug, PartialEq)]
pub struct Ewma {
    /// One for each value: weight × value + (1 − weight) × the one before; before the first is the centre.
    pub averages: Vec<f64>,
    /// Centre − 3 sigma √(weight ÷ (2 − weight)).
    pub lower: f64,
    /// Centre + 3 sigma √(weight ÷ (2 − weight)).
    pub upper: f64,
    /// Where the average lies beyond a limit.
    pub signals: Vec<Signal>,
}

/// The EWMA of values after the baseline, with a weight of 0.2 to 0.3 as a rule: it sees small, lasting
/// changes sooner than single values do.
///
/// # Errors
/// [`WhyNoChart::OutOfRange`] unless 0 < weight ≤ 1 and all is finite.
pub fn ewma(values: &[f64], limits: &Limits, weight: f64) -> Result<Ewma, WhyNoChart> {
    if !(weight > 0.0 && weight <= 1.0) {
        return Err(WhyNoChart::OutOfRange);
    }
    let half_width = THREE_SIGMA * limits.sigma * (weight / (2.0 - weight)).sqrt();
    let (lower, upper) = (limits.centre - half_width, limits.centre + half_width);
    let mut averages = Vec::with_capacity(values.len());
    let mut signals = Vec::new();
    let mut average = limits.centre;
    for (index, value) in values.iter().enumerate() {
        average = finite(weight * value + (1.0 - weight) * average).ok_or(WhyNoChart::OutOfRange)?;
        averages.push(average);
        if average > upper || average < lower {
            signals.push(Signal { index, rule: Rule::AverageBeyondLimit, above: average > upper });
        }
    }
    Ok(Ewma { averages, lower, upper, signals })
}

/// How much neighbours resemble each other, −1 to 1: far from 0 a chart signals too often or too
/// seldom. `None` below two values, for equal values, or for one that is not finite.
/// Source: e-Handbook 1.3.5.12; checked against the NIST StRD univariate sets.
#[must_use]
pub fn lag1_autocorrelation(values: &[f64]) -> Option<f64> {
    let (centre, scatter) = (mean(values)?, standard_deviation(values)?);
    if scatter <= 0.0 {
        return None;
    }
    let parts: Vec<f64> = values.iter().map(|value| (value - centre) / scatter).collect();
    let neighbours = sum(parts.windows(2).map(|pair| pair[0] * pair[1]));
    let own = sum(parts.iter().map(|part| part * part));
    finite(neighbours / own).filter(|_| count(values) >= 2.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn broken(values: &[f64]) -> Vec<(usize, Rule, bool)> {
        let limits = Limits::given(0.0, 1.0).unwrap();
        western_electric(values, &limits).iter().map(|s| (s.index, s.rule, s.above)).collect()
    }

    #[test]
    fn each_rule_is_broken_by_its_pattern_and_by_one_value_less_it_is_not() {
        assert_eq!(broken(&[3.1]), [(0, Rule::BeyondLimit, true)]);
        assert_eq!(broken(&[3.0]), []);
        assert_eq!(broken(&[-2.1, 0.1, -2.1]), [(2, Rule::TwoOfThree, false)]);
        assert_eq!(broken(&[-2.1, 0.1, 0.1, -2.1]), []);
        assert_eq!(broken(&[-2.1, 2.1]), [], "both on one side are meant");
        assert_eq!(broken(&[1.1, 1.1, -0.1, 1.1, 1.1]), [(4, Rule::FourOfFive, true)]);
        assert_eq!(broken(&[1.1, 1.1, -0.1, 1.1, -0.1, 1.1]), []);
        let eight = [0.1, -0.1, -0.1, -0.1, -0.1, -0.1, -0.1, -0.1, -0.1];
        assert_eq!(broken(&eight), [(8, Rule::EightOnOneSide, false)]);
        assert_eq!(broken(&eight[..8]), []);
    }

    #[test]
    fn the_last_value_itself_must_belong_to_the_pattern() {
        assert_eq!(broken(&[2.1, 2.1, 0.0]), [(1, Rule::TwoOfThree, true)]);
    }

    #[test]
    fn a_slow_change_in_the_baseline_widens_the_standard_deviation_and_not_the_moving_range() {
        let rising: Vec<f64> = (0..20).map(f64::from).collect();
        let of = |by| Limits::from_baseline(&rising, by, None).unwrap().sigma;
        assert!((of(Sigma::MovingRange) - 1.0 / 1.128).abs() < 1e-12);
        assert!(of(Sigma::StandardDeviation) > 5.0);
    }

    #[test]
    fn equal_readings_have_a_chart_only_with_a_least_scatter() {
        let of = |least| Limits::from_baseline(&[92.4; 5], Sigma::MovingRange, least);
        assert_eq!(of(None), Err(WhyNoChart::NoScatter));
        assert_eq!(of(Some(0.03)).map(|limits| limits.sigma), Ok(0.03));
        assert_eq!(of(Some(f64::NAN)), Err(WhyNoChart::OutOfRange));
        assert_eq!(Limits::from_baseline(&[1.0], Sigma::MovingRange, None), Err(WhyNoChart::TooFew));
    }

    #[test]
    fn a_weight_has_to_be_one() {
        let limits = Limits::given(0.0, 1.0).unwrap();
        for weight in [0.0, 1.1, f64::NAN] {
            assert_eq!(ewma(&[1.0], &limits, weight), Err(WhyNoChart::OutOfRange));
        }
        assert_eq!(ewma(&[1.0, 2.0], &limits, 1.0).unwrap().averages, [1.0, 2.0]);
    }
}
