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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::charts::Rule;

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
