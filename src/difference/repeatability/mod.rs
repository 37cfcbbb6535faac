//! How well a meter repeats: from sittings on one spot, read without lifting the meter and with lifting
//! it, to standard deviations and limits.
//!
//! Sources: repeatability standard deviation and limit, ISO 5725-2, 7.4, and ASTM E691; intermediate
//! precision (one laboratory, other operators or days), ISO 5725-3; Cochran's and Grubbs' tests, which
//! flag and never drop, ISO 5725-2, 7.3; the standards from memory. The statistics and their checks are
//! in [`stats::precision`](crate::stats::precision).

mod flags;
mod gather;
mod series;

pub use flags::Flag;
pub use flags::Flagged;
pub use gather::WhyNotUsed;
pub use gather::gather;
pub use series::Series;

use crate::run::setup::Between;
use crate::stats::chi_square::sd_interval;
use crate::stats::precision::LIMIT_FACTOR;
use crate::stats::precision::Scatter;
use crate::stats::precision::WhyNoPrecision;
use crate::stats::precision::nested;
use crate::stats::precision::pool;
use crate::stats::precision::precision;
use crate::stats::summary::standard_deviation;
use crate::units::Geometry;

/// Chance that an interval holds the true value.
pub const LEVEL: f64 = 0.95;

/// What the sittings say at one geometry. GU throughout.
#[derive(Clone, Debug)]
pub struct AtGeometry {
    /// Geometry.
    pub geometry: Geometry,
    /// Step of the meter's display: the coarsest of the series.
    pub step_gu: f64,
    /// Scatter while the meter stands; absent if it was not read so.
    pub still: Option<Repeats>,
    /// Scatter with lifting and setting down between two readings; absent if it was not read so.
    pub lifted: Option<Repeats>,
    /// What comes on top from sitting to sitting, of the readings with lifting.
    pub sittings: Result<Sittings, WhyNoSittings>,
    /// Series and readings that stand out; all of them are in the figures.
    pub flags: Vec<Flag>,
    /// The series that the figures are made of, in the order given.
    pub series: Vec<Series>,
}

/// Scatter of readings one after the other, pooled over series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Repeats {
    /// Standard deviation and its degrees of freedom.
    pub scatter: Scatter,
    /// 95 % interval of the standard deviation; absent for none.
    pub interval_gu: Option<[f64; 2]>,
    /// Repeatability limit r = 2.8 s_r: two readings differ by more once in twenty times.
    pub limit_gu: f64,
    /// The scatter lies below half the step, so that the step hides it and the figures are none.
    pub hidden: bool,
    /// Number of series.
    pub series: usize,
}

/// What comes on top of repeatability from sitting to sitting, on one bench with one meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sittings {
    /// Between sittings of one operator; of all sittings where operators are not told apart.
    pub sitting_sd_gu: f64,
    /// Between operators; absent where they are not told apart.
    pub operator_sd_gu: Option<f64>,
    /// Intermediate precision: all of these together with repeatability.
    pub intermediate_sd_gu: f64,
    /// 2.8 times that.
    pub intermediate_limit_gu: f64,
    /// Scatter of the sittings' means as found, within operators where they are told apart.
    pub of_sittings: Scatter,
    /// Scatter of the operators' means as found.
    pub of_operators: Option<Scatter>,
    /// There are several operators, but they cannot be told apart from sittings.
    pub operators_mixed_in: bool,
}

/// Why there is nothing to say of sittings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoSittings {
    /// Below two sittings with lifting.
    #[error("one sitting says nothing of other days or operators; do a second one")]
    One,
    /// The sittings read different spots.
    #[error("the sittings read different zones, and zones differ by themselves; read one and the same")]
    Spots,
    /// The sittings have different numbers of readings.
    #[error("not balanced: the sittings have different numbers of readings; take the same number in each")]
    Uneven,
    /// A figure is beyond what can be computed.
    #[error("a value is too large for it to be computed")]
    OutOfRange,
}

/// What the series say, geometry by geometry, rising.
#[must_use]
pub fn work_out(series: &[Series]) -> Vec<AtGeometry> {
    let at = |geometry: Geometry| {
        let own: Vec<Series> = series.iter().filter(|s| s.geometry == geometry).cloned().collect();
        (!own.is_empty()).then(|| at_geometry(geometry, own))
    };
    Geometry::ALL.into_iter().filter_map(at).collect()
}

fn at_geometry(geometry: Geometry, series: Vec<Series>) -> AtGeometry {
    let of = |between| -> Vec<&Series> { series.iter().filter(|s| s.between == between).collect() };
    let (still, lifted) = (of(Between::Still), of(Between::Lifted));
    let step_gu = series.iter().map(|s| s.step_gu).fold(0.0, f64::max);
    let mut flags = flags::flags(&still);
    flags.extend(flags::flags(&lifted));
    flags.extend(flags::flagged_means(&lifted));
    AtGeometry {
        geometry,
        step_gu,
        still: repeats(&still, step_gu),
        lifted: repeats(&lifted, step_gu),
        sittings: sittings(&lifted),
        flags,
        series,
    }
}

fn repeats(series: &[&Series], step_gu: f64) -> Option<Repeats> {
    let scatter = pool(&series.iter().filter_map(|s| s.scatter()).collect::<Vec<Scatter>>())?;
    Some(Repeats {
        scatter,
        interval_gu: sd_interval(scatter, LEVEL).filter(|_| scatter.sd > 0.0),
        limit_gu: LIMIT_FACTOR * scatter.sd,
        hidden: scatter.sd < 0.5 * step_gu,
        series: series.len(),
    })
}

/// By operators and their sittings where that is balanced; else by sittings alone.
fn sittings(lifted: &[&Series]) -> Result<Sittings, WhyNoSittings> {
    let [first, rest @ ..] = lifted else { return Err(WhyNoSittings::One) };
    if rest.is_empty() {
        return Err(WhyNoSittings::One);
    }
    if rest.iter().any(|s| s.spot != first.spot) {
        return Err(WhyNoSittings::Spots);
    }
    let operators = by_operator(lifted);
    if operators.len() > 1
        && let Ok(found) = nested(&operators)
    {
        let sd = found.components.reproducibility_sd;
        return Ok(Sittings {
            sitting_sd_gu: found.components.day_sd,
            operator_sd_gu: found.components.operator_sd,
            intermediate_sd_gu: sd,
            intermediate_limit_gu: LIMIT_FACTOR * sd,
            of_sittings: found.of_days,
            of_operators: found.of_operators,
            operators_mixed_in: false,
        });
    }
    let table: Vec<Vec<f64>> = lifted.iter().map(|s| s.values()).collect();
    let found = precision(&table).map_err(|why| match why {
        WhyNoPrecision::TooFew => WhyNoSittings::One,
        WhyNoPrecision::Uneven => WhyNoSittings::Uneven,
        WhyNoPrecision::OutOfRange => WhyNoSittings::OutOfRange,
    })?;
    let means: Option<Vec<f64>> = lifted.iter().map(|s| s.mean_gu()).collect();
    let means = means.ok_or(WhyNoSittings::OutOfRange)?;
    let sd = standard_deviation(&means).ok_or(WhyNoSittings::OutOfRange)?;
    Ok(Sittings {
        sitting_sd_gu: found.between_sd,
        operator_sd_gu: None,
        intermediate_sd_gu: found.reproducibility_sd,
        intermediate_limit_gu: found.reproducibility_limit,
        of_sittings: Scatter { sd, degrees_of_freedom: means.len() as f64 - 1.0 },
        of_operators: None,
        operators_mixed_in: operators.len() > 1,
    })
}

/// Values by operator, sitting and repeat; operators in the order of their first sitting.
fn by_operator(series: &[&Series]) -> Vec<Vec<Vec<f64>>> {
    let mut names: Vec<&str> = Vec::new();
    let mut values: Vec<Vec<Vec<f64>>> = Vec::new();
    for series in series {
        match names.iter().position(|name| *name == series.operator) {
            Some(at) => values[at].push(series.values()),
            None => {
                names.push(&series.operator);
                values.push(vec![series.values()]);
            }
        }
    }
    values
}

/// The figure for a profile: the worst geometry's standard deviation with lifting, rounded up to two
/// significant digits, with that geometry. `None` where the meter was not lifted, or its step hides
/// the scatter.
#[must_use]
pub fn for_profile(geometries: &[AtGeometry]) -> Option<(Geometry, String)> {
    let lifted = geometries.iter().filter_map(|at| Some((at.geometry, at.lifted?)));
    let (geometry, worst) = lifted
        .filter(|(_, repeats)| !repeats.hidden)
        .max_by(|(_, a), (_, b)| a.scatter.sd.total_cmp(&b.scatter.sd))?;
    Some((geometry, rounded_up(worst.scatter.sd)?))
}

/// Two significant digits, upwards; whole numbers from 10 on. `None` unless above 0 and below a million.
fn rounded_up(value: f64) -> Option<String> {
    if !(1e-6..1e6).contains(&value) {
        return None;
    }
    let decimals = (1.0 - value.log10().floor()).max(0.0) as usize;
    let scale = 10_f64.powi(decimals as i32);
    // A value that lies on a digit but for its last bits stays there.
    let rounded = (value * scale - 1e-9).ceil() / scale;
    let decimals = (1.0 - (rounded * (1.0 + 1e-12)).log10().floor()).max(0.0) as usize;
    Some(format!("{rounded:.decimals$}"))
}

#[cfg(test)]
mod tests;
