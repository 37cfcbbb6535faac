//! What a comparison rests on, in numbers alone: zone values, tile checks, and what is stated of meter
//! and tile. Made of a run's books by [`comparison`](super::comparison), or of made-up truth by a simulation.

use crate::run::setup::DriftPolicy;
use crate::stats::precision::Scatter;
use crate::stats::summary::mean;
use crate::stats::summary::standard_deviation;
use crate::stats::summary::sum;

/// One zone, or one reading, in one sitting.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Mean of its readings as the meter gave them, GU.
    pub raw_gu: f64,
    /// Mean of its readings with the drift taken out, GU; absent where that cannot be had.
    pub corrected_gu: Option<f64>,
    /// How much each check of the sitting has to say of the tile at the time of its readings: in the
    /// order of [`Sitting::checks`], together 1. Empty if no check stands behind it.
    pub shares: Vec<f64>,
}

impl Point {
    /// A value without any check behind it.
    #[must_use]
    pub fn read(raw_gu: f64) -> Point {
        Point { raw_gu, corrected_gu: None, shares: Vec::new() }
    }

    /// The value under a drift policy, GU.
    #[must_use]
    pub fn value_gu(&self, policy: DriftPolicy) -> f64 {
        match policy {
            DriftPolicy::Allow => self.raw_gu,
            DriftPolicy::Correct => self.corrected_gu.unwrap_or(self.raw_gu),
        }
    }
}

/// The mean of one tile check.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CheckMean {
    /// Mean, GU.
    pub mean_gu: f64,
    /// Number of readings, 1 or more.
    pub n: f64,
}

/// Both sides, as one sitting read them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sitting {
    /// The tile checks that the readings lie between.
    pub checks: Vec<CheckMean>,
    /// Scatter of single tile readings within a check, pooled over the sitting's checks; absent if each
    /// had one reading.
    pub check_scatter: Option<Scatter>,
    /// Smallest number of readings behind a zone's value, 1 or more.
    pub repeats: f64,
    /// The control zones.
    pub control: Vec<Point>,
    /// The treated zones.
    pub treated: Vec<Point>,
}

/// What is known of the meter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeterFacts {
    /// Step of the display, GU, above 0.
    pub step_gu: f64,
    /// Repeatability standard deviation of one placement, GU, where it is stated.
    pub repeatability_gu: Option<f64>,
    /// Largest departure of the scale from a straight line between zero and tile, GU: stated, or as three
    /// standards showed it.
    pub bow_gu: Option<f64>,
}

/// The least standard deviation, GU, that readings of a meter can be taken to have (GUM F.2.2.1 for the step):
/// of a value that is rounded `times`, and is the mean of so many readings that their reciprocals add up to
/// `of_mean`. 1 and 1 for a single reading.
#[must_use]
pub fn least_scatter_gu(repeatability_gu: Option<f64>, step_gu: f64, of_mean: f64, times: f64) -> f64 {
    let repeatability = repeatability_gu.unwrap_or(0.0) * of_mean.sqrt();
    repeatability.max(times.sqrt() * step_gu / 12_f64.sqrt())
}

/// What is known of the tile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TileFacts {
    /// Assigned value, GU, above 0.
    pub assigned_gu: f64,
    /// Expanded uncertainty (k = 2) of it, GU, where the certificate states one.
    pub expanded_uncertainty_gu: Option<f64>,
}

/// All that a difference and its uncertainty are worked out from.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    /// The sitting whose difference is wanted.
    pub after: Sitting,
    /// The sitting in which the same zones were read bare, in the same order; absent without a baseline.
    pub before: Option<Sitting>,
    /// The meter.
    pub meter: MeterFacts,
    /// The tile.
    pub tile: TileFacts,
    /// What drift does to the values.
    pub policy: DriftPolicy,
}

/// Which side of a comparison.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Subtracted.
    Control,
    /// Subtracted from.
    Treated,
}

impl Sitting {
    /// The points of a side.
    #[must_use]
    pub fn side(&self, side: Side) -> &[Point] {
        match side {
            Side::Control => &self.control,
            Side::Treated => &self.treated,
        }
    }

    /// Mean of a side under a policy, GU.
    #[must_use]
    pub fn mean_gu(&self, side: Side, policy: DriftPolicy) -> Option<f64> {
        mean(&self.side(side).iter().map(|point| point.value_gu(policy)).collect::<Vec<f64>>())
    }

    /// Treated minus control of this sitting alone, GU.
    #[must_use]
    pub fn difference_gu(&self, policy: DriftPolicy) -> Option<f64> {
        Some(self.mean_gu(Side::Treated, policy)? - self.mean_gu(Side::Control, policy)?)
    }

    /// What each check has to say, on average, of the points of a side. `None` if there is no check, or
    /// a point without one behind it.
    pub(super) fn shares(&self, side: Side) -> Option<Vec<f64>> {
        let points = self.side(side);
        let known = |point: &Point| point.shares.len() == self.checks.len();
        if self.checks.is_empty() || points.is_empty() || !points.iter().all(known) {
            return None;
        }
        let of_check = |check: usize| mean(&points.iter().map(|p| p.shares[check]).collect::<Vec<f64>>());
        (0..self.checks.len()).map(of_check).collect()
    }

    /// The tile's value that shares come to, GU.
    pub(super) fn tile_gu(&self, shares: &[f64]) -> f64 {
        sum(self.checks.iter().zip(shares).map(|(check, share)| check.mean_gu * share))
    }
}

impl Evidence {
    /// Sittings with the sign with which they enter the difference.
    pub(super) fn sittings(&self) -> impl Iterator<Item = (f64, &Sitting)> {
        [Some((1.0, &self.after)), self.before.as_ref().map(|before| (-1.0, before))].into_iter().flatten()
    }

    /// One value for each zone of a side, GU: what it read, or by how much it changed since it was bare.
    #[must_use]
    pub fn values(&self, side: Side, policy: DriftPolicy) -> Vec<f64> {
        let after = self.after.side(side).iter().map(|point| point.value_gu(policy));
        match &self.before {
            None => after.collect(),
            Some(before) => {
                after.zip(before.side(side)).map(|(gu, bare)| gu - bare.value_gu(policy)).collect()
            }
        }
    }

    /// Standard deviation of the zones of a side, GU, not below what the meter allows; `None` below two zones.
    #[must_use]
    pub fn scatter_gu(&self, side: Side) -> Option<f64> {
        // A zone's value is rounded, and scatters by itself, once in each sitting.
        let times = self.sittings().count() as f64;
        let of_mean = sum(self.sittings().map(|(_, sitting)| 1.0 / sitting.repeats.max(1.0)));
        let MeterFacts { repeatability_gu, step_gu, .. } = self.meter;
        let least = least_scatter_gu(repeatability_gu, step_gu, of_mean, times);
        standard_deviation(&self.values(side, self.policy)).map(|sd| sd.max(least))
    }

    /// Treated minus control, GU; with a baseline, of the changes.
    #[must_use]
    pub fn difference_gu(&self, policy: DriftPolicy) -> Option<f64> {
        let of = |side| mean(&self.values(side, policy));
        Some(of(Side::Treated)? - of(Side::Control)?)
    }
}
