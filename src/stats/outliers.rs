//! Which value of a handful is too far from the others to be scatter alone. A value is flagged and
//! shown; nothing here drops one.
//!
//! Sources: Grubbs' test for one value, e-Handbook of Statistical Methods (NIST/SEMATECH), 1.3.5.17.1,
//! and ASTM E178; generalized extreme studentized deviates (ESD) for up to a stated number of values,
//! Rosner, Technometrics 25 (1983), 165–172, and e-Handbook 1.3.5.17.3, which calls it reasonably
//! accurate from 15 values on. Checked against both in `tests/published_comparisons.rs`.
//!
//! Both tests suppose values of endless resolution. A meter prints steps: of five readings 71.4 71.4
//! 71.4 71.4 71.5 the last has the largest statistic that five values can have, and is one step away.
//! So a value is flagged only if it also lies further from the mean of the others than a [`Floor`].

use crate::stats::student::t_quantile;
use crate::stats::student::t_upper_tail;
use crate::stats::summary::count;
use crate::stats::summary::finite;
use crate::stats::summary::mean;
use crate::stats::summary::standard_deviation;

/// So many repeatability standard deviations are within what the meter does by itself.
const REPEATABILITIES: f64 = 3.0;
/// So many steps of the meter are within what rounding does.
const STEPS: f64 = 2.0;
/// A distance closer to the floor than so many roundings of the values lies on it, not beyond it.
const ROUNDINGS: f64 = 16.0;

/// Which end is looked at, decided before the values are seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// The value furthest from the mean on either side (two-sided).
    Either,
    /// The largest value only (one-sided).
    High,
    /// The smallest value only (one-sided).
    Low,
}

/// What the meter does by itself, in the unit of the values; absent where it is not known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Floor {
    /// Repeatability standard deviation of the meter, 0 or more.
    pub repeatability: Option<f64>,
    /// Step of the meter's display, 0 or more.
    pub step: Option<f64>,
}

impl Floor {
    /// The larger of three repeatabilities and two steps; 0 if neither is known, which leaves the
    /// test as its source has it. `None` if one is negative or not finite.
    #[must_use]
    pub fn width(&self) -> Option<f64> {
        let [wide, coarse] = [(self.repeatability, REPEATABILITIES), (self.step, STEPS)]
            .map(|(size, times)| finite(times * size.unwrap_or(0.0)).filter(|width| *width >= 0.0));
        Some(wide?.max(coarse?))
    }
}

/// Why there is nothing to say of outliers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoTest {
    /// Below three values, or more outliers asked for than leave two values to compare with.
    #[error(
        "too few values to tell an outlier; it takes at least three, and two more than outliers looked for"
    )]
    TooFew,
    /// All values are equal.
    #[error("the values are all equal, so that none stands out")]
    NoScatter,
    /// A value is not finite, a level is not between 0 and 1, a floor is negative, or a figure is
    /// beyond `f64`.
    #[error("a value, the level or the floor is out of range; check them for a wrong one")]
    OutOfRange,
}

/// What Grubbs' test found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Grubbs {
    /// Place of the suspect in the values; the first of equals.
    pub index: usize,
    /// Distance of the suspect from the mean of all, in standard deviations of all.
    pub g: f64,
    /// The g that is exceeded by chance with the level asked for.
    pub critical: f64,
    /// Chance of a g this large without an outlier (Bonferroni's bound, 0 to 1).
    pub p_value: f64,
    /// Distance of the suspect from the mean of the others, in the unit of the values.
    pub distance: f64,
    /// Whether g is above its critical value.
    pub significant: bool,
    /// Whether the value is flagged: significant, and beyond the floor.
    pub flagged: bool,
}

/// The g that the most extreme of `n` normal values exceeds with chance `alpha`. `None` below
/// three values or unless 0 < alpha < 1.
///
/// ```
/// use halfpanel::stats::outliers::{End, grubbs_critical};
/// // ISO 5725-2, table 5: five values, one largest or one smallest, 5 %.
/// assert_eq!(grubbs_critical(5, 0.05, End::Either).map(|g| format!("{g:.3}")).as_deref(), Some("1.715"));
/// ```
#[must_use]
pub fn grubbs_critical(n: usize, alpha: f64, end: End) -> Option<f64> {
    if n < 3 || !(alpha > 0.0 && alpha < 1.0) {
        return None;
    }
    let n = whole(n);
    let share = if end == End::Either { alpha / (2.0 * n) } else { alpha / n };
    let t = t_quantile(1.0 - share, n - 2.0)?;
    Some((n - 1.0) / n.sqrt() * (t * t / (n - 2.0 + t * t)).sqrt())
}

/// Tests the most extreme value at the level `alpha` (0.05 is usual).
///
/// # Errors
/// [`WhyNoTest`], where there is nothing to say.
pub fn grubbs(values: &[f64], alpha: f64, end: End, floor: Floor) -> Result<Grubbs, WhyNoTest> {
    if values.len() < 3 {
        return Err(WhyNoTest::TooFew);
    }
    let width = floor.width().ok_or(WhyNoTest::OutOfRange)?;
    let critical = grubbs_critical(values.len(), alpha, end).ok_or(WhyNoTest::OutOfRange)?;
    let (index, g) = most_extreme(values, end)?;
    let distance = distance_from_others(values, &[index], index).ok_or(WhyNoTest::OutOfRange)?;
    let significant = g > critical;
    let flagged = significant && beyond(distance, width, values);
    let p_value = p_of_g(g, count(values), end).ok_or(WhyNoTest::OutOfRange)?;
    Ok(Grubbs { index, g, critical, p_value, distance, significant, flagged })
}

/// The chance of a g this large: the source's critical value turned round.
fn p_of_g(g: f64, n: f64, end: End) -> Option<f64> {
    let rest = (n - 1.0) * (n - 1.0) - n * g * g;
    let sides = if end == End::Either { 2.0 } else { 1.0 };
    // The largest g that n values can have: all others are equal.
    if rest <= 0.0 {
        return Some(0.0);
    }
    let t = (n * (n - 2.0) * g * g / rest).sqrt().copysign(g);
    Some((sides * n * t_upper_tail(finite(t)?, n - 2.0)?).min(1.0))
}

/// One step of the generalized ESD test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EsdStep {
    /// Place of the value that this step takes out, in the values given.
    pub index: usize,
    /// Its distance from the mean of what is left, in standard deviations of what is left.
    pub r: f64,
    /// The r that is exceeded by chance with the level asked for.
    pub critical: f64,
}

/// What the generalized ESD test found.
#[derive(Clone, Debug, PartialEq)]
pub struct Esd {
    /// The steps, the most extreme value first; fewer than asked for if what is left is all equal.
    pub steps: Vec<EsdStep>,
    /// So many of the steps are outliers by the test: up to the last r above its critical value.
    pub outliers: usize,
    /// Places of those that also lie beyond the floor, rising.
    pub flagged: Vec<usize>,
}

/// Looks for up to `most` outliers, on either side, at the level `alpha`.
///
/// # Errors
/// [`WhyNoTest`], where there is nothing to say.
pub fn generalized_esd(values: &[f64], most: usize, alpha: f64, floor: Floor) -> Result<Esd, WhyNoTest> {
    if values.len() < 3 || most == 0 || most > values.len() - 2 {
        return Err(WhyNoTest::TooFew);
    }
    let width = floor.width().ok_or(WhyNoTest::OutOfRange)?;
    let mut left: Vec<usize> = (0..values.len()).collect();
    let mut steps = Vec::new();
    while steps.len() < most {
        let now: Vec<f64> = left.iter().map(|&place| values[place]).collect();
        let critical = grubbs_critical(now.len(), alpha, End::Either).ok_or(WhyNoTest::OutOfRange)?;
        match most_extreme(&now, End::Either) {
            Ok((place, r)) => steps.push(EsdStep { index: left.remove(place), r, critical }),
            Err(WhyNoTest::NoScatter) if !steps.is_empty() => break,
            Err(why) => return Err(why),
        }
    }
    let outliers = steps.iter().rposition(|step| step.r > step.critical).map_or(0, |last| last + 1);
    let out: Vec<usize> = steps[..outliers].iter().map(|step| step.index).collect();
    let mut flagged = Vec::new();
    for &index in &out {
        let distance = distance_from_others(values, &out, index).ok_or(WhyNoTest::OutOfRange)?;
        flagged.extend(beyond(distance, width, values).then_some(index));
    }
    flagged.sort_unstable();
    Ok(Esd { steps, outliers, flagged })
}

/// Place and g of the most extreme value. At a named end g may be negative only by rounding.
fn most_extreme(values: &[f64], end: End) -> Result<(usize, f64), WhyNoTest> {
    let centre = mean(values).ok_or(WhyNoTest::OutOfRange)?;
    let scatter = standard_deviation(values).ok_or(WhyNoTest::OutOfRange)?;
    if scatter <= ROUNDINGS * f64::EPSILON * centre.abs() {
        return Err(WhyNoTest::NoScatter);
    }
    let apart = |value: f64| match end {
        End::Either => (value - centre).abs(),
        End::High => value - centre,
        End::Low => centre - value,
    };
    // Of two that lie equally far out on either side the first is meant, whatever rounding makes of it.
    let tie = ROUNDINGS * f64::EPSILON * centre.abs();
    let first = (0, apart(values[0]));
    let further = |best: (usize, f64), (place, &value): (usize, &f64)| {
        if apart(value) > best.1 + tie { (place, apart(value)) } else { best }
    };
    let (place, furthest) = values.iter().enumerate().fold(first, further);
    finite(furthest / scatter).map(|g| (place, g)).ok_or(WhyNoTest::OutOfRange)
}

/// Distance of one value from the mean of those that are not `out`.
fn distance_from_others(values: &[f64], out: &[usize], index: usize) -> Option<f64> {
    let kept = values.iter().enumerate().filter(|(place, _)| !out.contains(place));
    let kept: Vec<f64> = kept.map(|(_, &value)| value).collect();
    finite((values[index] - mean(&kept)?).abs())
}

fn beyond(distance: f64, width: f64, values: &[f64]) -> bool {
    let largest = values.iter().fold(0.0_f64, |largest, value| largest.max(value.abs()));
    distance - width > ROUNDINGS * f64::EPSILON * largest
}

#[expect(clippy::cast_precision_loss, reason = "no slice of f64 has 2^53 values")]
fn whole(n: usize) -> f64 {
    n as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    const METER: Floor = Floor { repeatability: Some(0.05), step: Some(0.1) };

    fn flagged(values: &[f64]) -> (bool, bool) {
        let found = grubbs(values, 0.05, End::Either, METER).unwrap();
        (found.significant, found.flagged)
    }

    #[test]
    fn two_steps_away_is_significant_and_yet_not_flagged() {
        assert_eq!(flagged(&[71.4, 71.4, 71.4, 71.4, 71.5]), (true, false));
        assert_eq!(flagged(&[71.4, 71.4, 71.4, 71.4, 71.6]), (true, false), "on the floor is not beyond it");
        assert_eq!(flagged(&[71.2, 71.4, 71.4, 71.4, 71.4]), (true, false), "on the floor is not beyond it");
        assert_eq!(flagged(&[71.4, 71.4, 71.4, 71.4, 71.7]), (true, true));
    }

    #[test]
    fn the_wider_of_repeatability_and_step_is_the_floor() {
        let of = |repeatability, step| Floor { repeatability, step }.width();
        assert_eq!(of(Some(0.25), Some(0.25)), Some(0.75));
        assert_eq!(of(Some(0.25), Some(0.5)), Some(1.0));
        assert_eq!(of(None, Some(0.5)), Some(1.0));
        assert_eq!(of(None, None), Some(0.0));
        assert_eq!(of(Some(-0.1), Some(0.5)), None);
        assert_eq!(of(None, Some(f64::NAN)), None);
    }

    #[test]
    fn a_named_end_looks_at_that_end_only() {
        let values = [60.0, 71.4, 71.5, 71.3, 71.6];
        let at = |end| grubbs(&values, 0.05, end, METER).map(|found| (found.index, found.flagged));
        assert_eq!(at(End::Low), Ok((0, true)));
        assert_eq!(at(End::Either), Ok((0, true)));
        assert_eq!(at(End::High), Ok((4, false)));
    }

    #[test]
    fn what_cannot_be_tested_says_why() {
        let why = |values: &[f64], alpha| grubbs(values, alpha, End::Either, METER).unwrap_err();
        assert_eq!(why(&[1.0, 2.0], 0.05), WhyNoTest::TooFew);
        assert_eq!(why(&[0.3, 0.1 + 0.2, 0.3], 0.05), WhyNoTest::NoScatter);
        assert_eq!(why(&[1.0, f64::NAN, 3.0], 0.05), WhyNoTest::OutOfRange);
        assert_eq!(why(&[1.0, 2.0, 3.0], 1.0), WhyNoTest::OutOfRange);
        assert_eq!(generalized_esd(&[1.0, 2.0, 3.0], 2, 0.05, METER), Err(WhyNoTest::TooFew));
    }

    #[test]
    fn two_wild_readings_that_hide_each_other_from_grubbs_are_both_found() {
        let values = [71.4, 71.5, 71.3, 71.4, 71.6, 71.5, 71.4, 79.8, 79.9, 71.3];
        assert!(!grubbs(&values, 0.05, End::Either, METER).unwrap().significant);
        assert_eq!(generalized_esd(&values, 3, 0.05, METER).unwrap().flagged, [7, 8]);
    }

    #[test]
    fn of_two_equally_far_out_the_first_is_the_suspect() {
        for values in [[71.4, 71.2, 71.3, 71.3], [71.2, 71.4, 71.3, 71.3], [0.4, 0.2, 0.3, 0.3]] {
            assert_eq!(grubbs(&values, 0.05, End::Either, METER).unwrap().index, 0, "{values:?}");
        }
    }

    #[test]
    fn the_search_ends_where_what_is_left_is_all_equal() {
        let found = generalized_esd(&[70.0, 70.0, 75.0, 70.0, 70.0, 70.0], 3, 0.05, METER).unwrap();
        assert_eq!((found.steps.len(), found.outliers, found.flagged), (1, 1, vec![2]));
    }
}
