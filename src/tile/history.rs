//! The tile over the months: the opening check of every sitting on control charts, so that a dirty tile
//! or an ageing lamp shows long before a run fails; and how fast the tile's reading drifts.
//!
//! The methods are those of [`crate::stats::charts`] and [`crate::stats::line`]; a baseline from the first
//! sittings and judging the later ones by it is the check standard of the e-Handbook of Statistical
//! Methods (NIST/SEMATECH), 2.3.5.2, with its EWMA weight 0.2.

use crate::stats::charts::Ewma;
use crate::stats::charts::Limits;
use crate::stats::charts::Sigma;
use crate::stats::charts::Signal;
use crate::stats::charts::WhyNoChart;
use crate::stats::charts::ewma;
use crate::stats::charts::moving_range_limit;
use crate::stats::charts::moving_ranges;
use crate::stats::charts::western_electric;
use crate::stats::line::Line;
use crate::stats::line::WhyNoLine;
use crate::stats::line::fit;

/// Checks that a baseline takes at least; below, the limits would be no more than a guess. Common practice.
pub const LEAST_BASELINE: usize = 8;
/// Checks that a baseline usually takes. Common practice.
pub const USUAL_BASELINE: usize = 20;
/// Runs with more than one bracket that it takes to compare the first bracket with later ones.
pub const RUNS_TO_COMPARE: usize = 3;

/// Weight of the newest check in the moving average.
pub const EWMA_WEIGHT: f64 = 0.2;

/// How the chart is made.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ChartRule {
    /// The first so many checks are the baseline, 2 or more; 20 are usual.
    pub baseline: usize,
    /// How their scatter is taken.
    pub sigma: Sigma,
    /// Least standard deviation, GU, such as the meter's step ÷ √12; absent for none.
    pub least_sigma_gu: Option<f64>,
}

/// The chart of one geometry. Signals count from the first check of all.
#[derive(Clone, Debug, PartialEq)]
pub struct History {
    /// Centre and limits, GU.
    pub limits: Limits,
    /// Checks after the baseline that break a runs rule.
    pub signals: Vec<Signal>,
    /// Distances of neighbouring checks, GU: one fewer than checks.
    pub moving_ranges_gu: Vec<f64>,
    /// Upper limit of those, GU.
    pub moving_range_limit_gu: f64,
    /// Checks after the baseline that jumped from the one before by more than that.
    pub jumps: Vec<usize>,
    /// The moving average of the checks after the baseline, GU; its signals count from the first check
    /// of all too.
    pub ewma: Ewma,
}

/// Charts the opening checks of one geometry, each as mean minus assigned value, GU, oldest first.
///
/// # Errors
/// [`WhyNoChart`]: also [`WhyNoChart::TooFew`] while there are fewer checks than the baseline takes.
pub fn chart(opening_deviations_gu: &[f64], rule: &ChartRule) -> Result<History, WhyNoChart> {
    let baseline = opening_deviations_gu.get(..rule.baseline).ok_or(WhyNoChart::TooFew)?;
    let later = &opening_deviations_gu[rule.baseline..];
    let limits = Limits::from_baseline(baseline, rule.sigma, rule.least_sigma_gu)?;
    let mut ewma = ewma(later, &limits, EWMA_WEIGHT)?;
    ewma.signals.iter_mut().for_each(|signal| signal.index += rule.baseline);
    let mut signals = western_electric(later, &limits);
    signals.iter_mut().for_each(|signal| signal.index += rule.baseline);
    let moving_ranges_gu = moving_ranges(opening_deviations_gu).ok_or(WhyNoChart::OutOfRange)?;
    let moving_range_limit_gu =
        moving_range_limit(baseline, rule.least_sigma_gu).ok_or(WhyNoChart::OutOfRange)?;
    let jumps = (rule.baseline..opening_deviations_gu.len())
        .filter(|index| moving_ranges_gu[index - 1] > moving_range_limit_gu);
    let jumps = jumps.collect();
    Ok(History { limits, signals, moving_ranges_gu, moving_range_limit_gu, jumps, ewma })
}

/// How fast the tile's reading drifts: slope in GU per hour, with
/// [`Line::slope_interval`] for its interval.
///
/// # Errors
/// [`WhyNoLine`].
pub fn drift_gu_per_h(elapsed_h: &[f64], tile_gu: &[f64]) -> Result<Line, WhyNoLine> {
    fit(elapsed_h, tile_gu)
}

/// How fast the tile moves inside runs, and whether it moves faster at their beginning.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WarmUp {
    /// Runs that have a bracket with both its checks.
    pub runs: usize,
    /// Median over these runs of their drift, GU per hour; absent without one.
    pub median_gu_per_h: Option<f64>,
    /// Runs that have such a first bracket and a later one.
    pub compared: usize,
    /// Those of them in which the first moved faster, up or down.
    pub first_faster: usize,
    /// Median speed of their first brackets, GU per hour, 0 or above.
    pub first_gu_per_h: Option<f64>,
    /// Median speed of their later brackets, GU per hour, 0 or above.
    pub later_gu_per_h: Option<f64>,
}

impl WarmUp {
    /// Whether the first bracket moves faster: in three quarters of the runs, and in their medians. Common
    /// practice, no source. `None` with fewer than [`RUNS_TO_COMPARE`] runs to tell it by.
    #[must_use]
    pub fn first_drifts_more(&self) -> Option<bool> {
        let (first, later) = (self.first_gu_per_h?, self.later_gu_per_h?);
        let most = 4 * self.first_faster >= 3 * self.compared;
        (self.compared >= RUNS_TO_COMPARE).then_some(most && first > later)
    }
}

/// Works it out from the brackets of each run: whether it is the run's first, how far the tile moved in it,
/// GU, and its hours, above 0. A run's drift is what its brackets moved over what they took, so that what
/// an adjustment or a pause between two brackets did is no drift.
#[must_use]
pub fn warm_up(runs: &[Vec<(bool, f64, f64)>]) -> WarmUp {
    let rate = |brackets: &[(bool, f64, f64)]| {
        let hours: f64 = brackets.iter().map(|b| b.2).sum();
        (hours > 0.0)
            .then(|| brackets.iter().map(|b| b.1).sum::<f64>() / hours)
            .filter(|rate| rate.is_finite())
    };
    let mut rates: Vec<f64> = runs.iter().filter_map(|run| rate(run)).collect();
    let mut pairs: Vec<(f64, f64)> = Vec::new();
    for run in runs {
        let (first, later): (Vec<_>, Vec<_>) = run.iter().partition(|bracket| bracket.0);
        if let (Some(first), Some(later)) = (rate(&first), speed(&later)) {
            pairs.push((first.abs(), later));
        }
    }
    let (mut first, mut later): (Vec<f64>, Vec<f64>) = pairs.iter().copied().unzip();
    WarmUp {
        runs: rates.len(),
        median_gu_per_h: median(&mut rates),
        compared: pairs.len(),
        first_faster: pairs.iter().filter(|(first, later)| first > later).count(),
        first_gu_per_h: median(&mut first),
        later_gu_per_h: median(&mut later),
    }
}

/// How far brackets moved over what they took, whichever way each went: up and down do not cancel.
fn speed(brackets: &[(bool, f64, f64)]) -> Option<f64> {
    let hours: f64 = brackets.iter().map(|b| b.2).sum();
    (hours > 0.0)
        .then(|| brackets.iter().map(|b| b.1.abs()).sum::<f64>() / hours)
        .filter(|rate| rate.is_finite())
}

fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let (low, high) = (values.len().checked_sub(1)? / 2, values.len() / 2);
    Some(0.5 * (values[low] + values[high]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::charts::Rule;

    #[test]
    fn a_meter_that_warms_up_moves_faster_in_its_first_bracket() {
        let warming = vec![(true, -0.2, 0.5), (false, -0.02, 0.5), (false, 0.02, 0.5)];
        let found = warm_up(&[warming.clone(), warming.clone(), warming.clone(), vec![(true, 0.1, 1.0)]]);
        assert_eq!((found.runs, found.compared, found.first_faster), (4, 3, 3));
        // Three runs of -0.2 GU in 1.5 h and one of 0.1 GU in 1 h.
        assert!((found.median_gu_per_h.unwrap() + 0.2 / 1.5).abs() < 1e-12);
        assert!((found.first_gu_per_h.unwrap() - 0.4).abs() < 1e-12);
        assert!((found.later_gu_per_h.unwrap() - 0.04).abs() < 1e-12, "up and down do not cancel");
        assert_eq!(found.first_drifts_more(), Some(true));
        let level = vec![(true, -0.02, 0.5), (false, -0.2, 0.5)];
        assert_eq!(warm_up(&[level.clone(), level.clone(), level]).first_drifts_more(), Some(false));
        assert_eq!(warm_up(&[warming.clone(), warming]).first_drifts_more(), None, "two runs are too few");
        assert_eq!(warm_up(&[]), WarmUp::default());
    }

    const RULE: ChartRule = ChartRule { baseline: 8, sigma: Sigma::MovingRange, least_sigma_gu: Some(0.03) };
    const QUIET: [f64; 8] = [0.1, 0.0, -0.1, 0.0, 0.1, 0.0, -0.1, 0.0];

    fn after_quiet(later: &[f64]) -> History {
        chart(&[&QUIET[..], later].concat(), &RULE).unwrap()
    }

    #[test]
    fn a_tile_that_stays_as_it_was_gives_no_signal() {
        let found = after_quiet(&[0.1, -0.1, 0.0, 0.1]);
        assert_eq!((found.signals.len(), found.jumps.len(), found.ewma.signals.len()), (0, 0, 0));
    }

    #[test]
    fn a_dirty_tile_is_a_jump_and_beyond_the_limit_at_once() {
        let found = after_quiet(&[0.0, -0.5]);
        assert_eq!(found.signals, [Signal { index: 9, rule: Rule::BeyondLimit, above: false }]);
        assert_eq!(found.jumps, [9]);
    }

    #[test]
    fn an_ageing_lamp_shows_in_the_average_while_every_check_is_still_within() {
        let found = after_quiet(&[-0.1, -0.1, -0.2, -0.1, -0.2]);
        assert!(found.signals.iter().all(|signal| signal.rule != Rule::BeyondLimit), "{found:?}");
        assert!(found.ewma.signals.iter().all(|signal| !signal.above && signal.index >= 8));
        assert!(!found.ewma.signals.is_empty(), "{found:?}");
    }

    #[test]
    fn fewer_checks_than_the_baseline_have_no_chart_yet() {
        assert_eq!(chart(&QUIET[..7], &RULE), Err(WhyNoChart::TooFew));
        assert_eq!(chart(&[f64::NAN; 9], &RULE), Err(WhyNoChart::OutOfRange));
        assert_eq!(chart(&QUIET, &ChartRule { baseline: 0, ..RULE }), Err(WhyNoChart::TooFew));
    }
}
