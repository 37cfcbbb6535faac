//! What the shape of the tile's history suggests. The rules are common practice put into figures, without
//! a source; `protocol-notes/tile-history.md` has them in words. Nothing here judges a run.

use crate::stats::line::Line;
use crate::stats::line::fit;
use crate::stats::summary::mean;
use crate::tile::history::History;

/// A slope or a step counts from so many standard deviations of a single check on.
const LEAST_CHANGE_SIGMA: f64 = 2.0;
/// A step needs so many checks on each side.
const LEAST_SIDE: usize = 3;
/// A slide needs so many checks.
const LEAST_SLIDING: usize = 5;
/// A slow change takes two weeks or more; a faster one is no matter of age.
const LEAST_SPAN_DAYS: f64 = 14.0;

/// The shape of a stretch of checks. Indices count from the first check given.
#[derive(Clone, Debug, PartialEq)]
pub enum Pattern {
    /// The chart gives no signal.
    Steady,
    /// The newest check alone is beyond the limits.
    NewestApart {
        /// Whether it is too high.
        above: bool,
    },
    /// Checks beyond the limits, each alone, the next one within again.
    Strays {
        /// Their indices.
        at: Vec<usize>,
        /// How many of them were low.
        low: usize,
    },
    /// A slow, lasting change.
    Slope {
        /// GU per week; below 0 for a fall.
        gu_per_week: f64,
        /// Over so many weeks.
        weeks: f64,
    },
    /// A change from one check to the next that stays.
    Step {
        /// Index of the first check after it.
        at: usize,
        /// Mean after it minus mean before it, GU.
        change_gu: f64,
    },
    /// The chart signals, and none of the above fits.
    Unclear,
}

/// Names the shape of the checks of one stretch: their times in days, their deviations in GU, and the
/// chart of these.
#[must_use]
pub fn pattern(days: &[f64], deviations_gu: &[f64], history: &History) -> Pattern {
    let quiet = history.signals.is_empty() && history.jumps.is_empty() && history.ewma.signals.is_empty();
    if quiet || days.len() != deviations_gu.len() {
        return Pattern::Steady;
    }
    let limits = history.limits;
    let beyond = |at: usize| deviations_gu.get(at).is_some_and(|v| *v > limits.upper || *v < limits.lower);
    let alone = |at: &usize| beyond(*at) && !beyond(at + 1) && (*at == 0 || !beyond(at - 1));
    let (strays, rest): (Vec<usize>, Vec<usize>) = (0..deviations_gu.len()).partition(alone);
    if let Some(shape) = lasting_change(&rest, days, deviations_gu, limits.sigma) {
        return shape;
    }
    if let Some(last) = strays.last().filter(|last| **last + 1 == deviations_gu.len()) {
        return Pattern::NewestApart { above: deviations_gu[*last] > limits.upper };
    }
    if strays.is_empty() {
        return Pattern::Unclear;
    }
    let low = strays.iter().filter(|at| deviations_gu[**at] < limits.lower).count();
    Pattern::Strays { at: strays, low }
}

/// A slide or a step in the checks that are no strays, whichever leaves the smaller scatter.
fn lasting_change(rest: &[usize], days: &[f64], deviations_gu: &[f64], sigma: f64) -> Option<Pattern> {
    let x: Vec<f64> = rest.iter().map(|at| days[*at]).collect();
    let y: Vec<f64> = rest.iter().map(|at| deviations_gu[*at]).collect();
    let least = LEAST_CHANGE_SIGMA * sigma;
    let step = best_step(&y).filter(|step| step.change.abs() >= least);
    let slide = best_slide(&x, &y).filter(|slide| (slide.gu_per_day * slide.span_days).abs() >= least);
    match (slide, step) {
        (Some(slide), step) if step.as_ref().is_none_or(|step| slide.residual_sd <= step.residual_sd) => {
            Some(Pattern::Slope { gu_per_week: 7.0 * slide.gu_per_day, weeks: slide.span_days / 7.0 })
        }
        (_, Some(step)) => Some(Pattern::Step { at: rest[step.at], change_gu: step.change }),
        (_, None) => None,
    }
}

struct Slide {
    gu_per_day: f64,
    span_days: f64,
    residual_sd: f64,
}

/// Level up to some check, sliding from it on: of all places for the bend the one that leaves the least
/// scatter, the first check included. `None` if too few checks slide, for too short a time, or if it needs
/// its newest two checks to be a slide at all.
fn best_slide(days: &[f64], deviations_gu: &[f64]) -> Option<Slide> {
    let since = |bend: f64| days.iter().map(|day| (day - bend).max(0.0)).collect::<Vec<f64>>();
    let mut best = None;
    for (at, bend) in days.iter().enumerate() {
        let Ok(line) = fit(&since(*bend), deviations_gu) else { continue };
        if best.as_ref().is_none_or(|(_, least): &(usize, Line)| line.residual_sd < least.residual_sd) {
            best = Some((at, line));
        }
    }
    let (at, line) = best?;
    let older = days.len().checked_sub(LEAST_SIDE - 1)?;
    let without_newest = fit(&since(days[at])[..older], &deviations_gu[..older]).ok()?;
    let span_days = days.last()? - days[at];
    let is_one = days.len() - at >= LEAST_SLIDING
        && span_days >= LEAST_SPAN_DAYS
        && [&line, &without_newest].into_iter().all(|found| is_sloping(found, line.slope < 0.0));
    // Level, slope and the place of the bend are three figures taken from the checks; the line counted two.
    let freedom = line.degrees_of_freedom;
    let residual_sd = line.residual_sd * (freedom / (freedom - 1.0)).sqrt();
    is_one.then_some(Slide { gu_per_day: line.slope, span_days, residual_sd })
}

/// Whether a line falls, or rises, by its 95 % interval.
fn is_sloping(line: &Line, down: bool) -> bool {
    line.slope_interval(0.95).is_some_and(|known| if down { known.high < 0.0 } else { known.low > 0.0 })
}

struct Step {
    at: usize,
    change: f64,
    residual_sd: f64,
}

/// The split into two levels that leaves the least scatter, the first of equal ones; `None` if it leaves a
/// side with too few checks to call it a level.
fn best_step(values: &[f64]) -> Option<Step> {
    let mut best: Option<Step> = None;
    for at in 1..values.len() {
        let (before, after) = values.split_at(at);
        let (low, high) = (mean(before)?, mean(after)?);
        let apart = before.iter().map(|v| v - low).chain(after.iter().map(|v| v - high));
        let squares: f64 = apart.map(|apart| apart * apart).sum();
        // Two levels and the place of the step are three figures taken from the checks.
        let residual_sd = (squares / (values.len() as f64 - 3.0)).sqrt();
        if best.as_ref().is_none_or(|best| residual_sd < best.residual_sd) {
            best = Some(Step { at, change: high - low, residual_sd });
        }
    }
    best.filter(|step| step.at.min(values.len() - step.at) >= LEAST_SIDE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::charts::Sigma;
    use crate::tile::history::ChartRule;
    use crate::tile::history::chart;

    const RULE: ChartRule = ChartRule { baseline: 8, sigma: Sigma::MovingRange, least_sigma_gu: Some(0.03) };
    const QUIET: [f64; 8] = [0.1, 0.0, -0.1, 0.0, 0.1, 0.0, -0.1, 0.0];

    /// The pattern of eight quiet checks and these, so many days apart.
    fn after_quiet(later: &[f64], apart_days: f64) -> Pattern {
        let all = [&QUIET[..], later].concat();
        let days: Vec<f64> = (0..all.len()).map(|i| i as f64 * apart_days).collect();
        pattern(&days, &all, &chart(&all, &RULE).unwrap())
    }

    #[test]
    fn checks_as_they_always_were_are_steady() {
        assert_eq!(after_quiet(&[0.0, 0.1, -0.1, 0.0], 2.0), Pattern::Steady);
    }

    #[test]
    fn a_low_check_that_comes_back_is_a_stray() {
        assert_eq!(after_quiet(&[0.0, -0.8, 0.0, 0.1], 2.0), Pattern::Strays { at: vec![9], low: 1 });
        assert_eq!(after_quiet(&[0.0, 0.8, 0.0, 0.1], 2.0), Pattern::Strays { at: vec![9], low: 0 });
    }

    #[test]
    fn of_the_newest_check_nobody_knows_yet_whether_it_comes_back() {
        assert_eq!(after_quiet(&[0.0, -0.8], 2.0), Pattern::NewestApart { above: false });
    }

    #[test]
    fn a_fall_over_weeks_is_a_slope_and_within_a_day_it_is_not() {
        let falling = [-0.1, -0.2, -0.2, -0.3, -0.4, -0.4, -0.5, -0.6, -0.6, -0.7];
        let Pattern::Slope { gu_per_week, weeks } = after_quiet(&falling, 3.0) else { panic!("no slope") };
        // From -0.1 to -0.7 over the ten later checks, 27 days from first to last: -0.16 a week by hand.
        assert!(
            (-0.18..-0.14).contains(&gu_per_week) && (3.5..4.6).contains(&weeks),
            "{gu_per_week}, {weeks}"
        );
        let in_a_day = after_quiet(&falling, 0.05);
        assert!(!matches!(in_a_day, Pattern::Slope { .. }), "{in_a_day:?}");
    }

    #[test]
    fn a_change_that_stays_is_a_step_at_its_first_check() {
        let found = after_quiet(&[0.0, -0.6, -0.5, -0.6, -0.5, -0.6], 3.0);
        let Pattern::Step { at, change_gu } = found else { panic!("{found:?}") };
        // Before: nine checks whose mean is 0; after: (3 × -0.6 + 2 × -0.5) / 5 = -0.56.
        assert_eq!(at, 9);
        assert!((change_gu + 0.56).abs() < 1e-12, "{change_gu}");
    }

    #[test]
    fn a_fall_that_sets_in_after_a_level_time_is_a_slope_and_no_step() {
        let level = [0.0, 0.1, 0.0, -0.1, 0.0, 0.1, 0.0, -0.1];
        let falling = [-0.2, -0.4, -0.6, -0.8, -1.0, -1.2, -1.4, -1.6];
        let found = after_quiet(&[&level[..], &falling].concat(), 3.0);
        assert!(matches!(found, Pattern::Slope { gu_per_week, .. } if gu_per_week < 0.0), "{found:?}");
    }

    #[test]
    fn a_rise_is_a_slope_above_zero() {
        let found = after_quiet(&[0.1, 0.2, 0.2, 0.3, 0.4, 0.4, 0.5, 0.6], 3.0);
        assert!(matches!(found, Pattern::Slope { gu_per_week, .. } if gu_per_week > 0.0), "{found:?}");
    }

    #[test]
    fn signals_without_a_shape_are_called_unclear() {
        assert_eq!(after_quiet(&[0.0, -0.5, -0.6], 3.0), Pattern::Unclear, "two low ones are no level yet");
    }

    /// Rounded noise and nothing else, 1000 times, from a seed.
    #[test]
    fn noise_alone_is_seldom_called_a_slope_or_a_step() {
        use rand::SeedableRng;
        use rand_distr::Distribution;
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let noise = rand_distr::Normal::new(0.0, 0.1).unwrap();
        let days: Vec<f64> = (0..30).map(|i| 3.0 * f64::from(i)).collect();
        let mut told = 0;
        for _ in 0..1000 {
            let mut check = || (noise.sample(&mut random) * 30.0_f64).round() / 30.0;
            let checks: Vec<f64> = (0..30).map(|_| check()).collect();
            let found = pattern(&days, &checks, &chart(&checks, &RULE).unwrap());
            told += usize::from(matches!(found, Pattern::Slope { .. } | Pattern::Step { .. }));
        }
        assert!(told <= 50, "{told} of 1000");
    }
}
