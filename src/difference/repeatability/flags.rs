//! What stands out among the series: shown, and never dropped.

use super::series::Series;
use crate::run::setup::Between;
use crate::stats::outliers::End;
use crate::stats::outliers::Floor;
use crate::stats::outliers::grubbs;
use crate::stats::precision::cochran;
use crate::stats::precision::cochran_critical;

/// The levels of ISO 5725-2, 7.3: beyond the first a straggler, beyond the second an outlier.
const LEVELS: [f64; 2] = [0.05, 0.01];

/// What stands out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Flagged {
    /// A sitting scatters more than the others: Cochran's C and its 5 % limit.
    Scatter {
        /// Largest variance over the sum of all.
        c: f64,
        /// What is exceeded by chance in one of twenty.
        critical: f64,
    },
    /// A reading lies apart from its series: Grubbs' G and its 5 % limit.
    Reading {
        /// Number of the reading in its series, from 1.
        number: usize,
        /// The value, GU.
        gloss_gu: f64,
        /// Distance from the mean in standard deviations.
        g: f64,
        /// What is exceeded by chance in one of twenty.
        critical: f64,
    },
    /// The mean of a sitting lies apart from those of the others: Grubbs' G and its 5 % limit.
    Mean {
        /// The mean, GU.
        mean_gu: f64,
        /// Distance from the mean of means in standard deviations.
        g: f64,
        /// What is exceeded by chance in one of twenty.
        critical: f64,
    },
}

/// One thing that stands out, and where.
#[derive(Clone, Debug, PartialEq)]
pub struct Flag {
    /// The sitting.
    pub sitting: String,
    /// Readings without or with lifting.
    pub between: Between,
    /// What it is.
    pub what: Flagged,
    /// Beyond the 1 % limit as well: an outlier in the words of ISO 5725-2, else a straggler.
    pub outlier: bool,
}

/// Series of one kind that scatter more than the others, and readings that lie apart in theirs.
pub fn flags(series: &[&Series]) -> Vec<Flag> {
    scatter(series).into_iter().chain(series.iter().filter_map(|series| reading(series))).collect()
}

fn flag(series: &Series, what: Flagged, outlier: bool) -> Flag {
    Flag { sitting: series.sitting.clone(), between: series.between, what, outlier }
}

fn scatter(series: &[&Series]) -> Option<Flag> {
    let table: Vec<Vec<f64>> = series.iter().map(|s| s.values()).collect();
    let c = cochran(&table)?;
    let cells = u32::try_from(table.len()).ok()?;
    let results = u32::try_from(table.first()?.len()).ok()?;
    let [critical, at_1] = LEVELS.map(|alpha| cochran_critical(cells, results, alpha));
    let critical = critical.filter(|critical| c > *critical)?;
    let sd = |series: &&&Series| series.scatter().map_or(0.0, |scatter| scatter.sd);
    let widest = series.iter().max_by(|a, b| sd(a).total_cmp(&sd(b)))?;
    // Whatever the step alone can do is no finding.
    (sd(&widest) >= 0.5 * widest.step_gu)
        .then(|| flag(widest, Flagged::Scatter { c, critical }, at_1.is_some_and(|at_1| c > at_1)))
}

fn reading(series: &Series) -> Option<Flag> {
    let floor = Floor { repeatability: None, step: Some(series.step_gu) };
    let values = series.values();
    let found = grubbs(&values, LEVELS[0], End::Either, floor).ok().filter(|found| found.flagged)?;
    let what = Flagged::Reading {
        number: found.index + 1,
        gloss_gu: values[found.index],
        g: found.g,
        critical: found.critical,
    };
    Some(flag(series, what, found.p_value < LEVELS[1]))
}

/// A sitting whose mean lies apart, all having read the same spot.
pub fn flagged_means(series: &[&Series]) -> Option<Flag> {
    if series.windows(2).any(|pair| pair[0].spot != pair[1].spot) {
        return None;
    }
    let means = series.iter().map(|s| s.mean_gu()).collect::<Option<Vec<f64>>>()?;
    let found = grubbs(&means, LEVELS[0], End::Either, Floor::default()).ok().filter(|f| f.flagged)?;
    let what = Flagged::Mean { mean_gu: means[found.index], g: found.g, critical: found.critical };
    Some(flag(series[found.index], what, found.p_value < LEVELS[1]))
}
