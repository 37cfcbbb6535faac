//! One series: readings of one spot at one geometry in one sitting.

use crate::run::setup::Between;
use crate::stats::precision::Scatter;
use crate::stats::summary;
use crate::units::Geometry;
use crate::units::Gloss;

/// Readings of one spot at one geometry in one sitting, one after the other.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Who held the meter; empty if nobody was named.
    pub operator: String,
    /// The sitting: its run's id, or what a table calls it.
    pub sitting: String,
    /// The spot, such as `P1 C1`; empty if not named.
    pub spot: String,
    /// What the meter did between two readings.
    pub between: Between,
    /// Geometry.
    pub geometry: Geometry,
    /// The values, in their order.
    pub gloss: Vec<Gloss>,
    /// Step of the meter's display, GU.
    pub step_gu: f64,
}

impl Series {
    /// The values, GU.
    #[must_use]
    pub fn values(&self) -> Vec<f64> {
        self.gloss.iter().map(|gloss| gloss.to_f64()).collect()
    }

    /// Mean, GU; `None` for no values.
    #[must_use]
    pub fn mean_gu(&self) -> Option<f64> {
        summary::mean(&self.values())
    }

    /// Standard deviation, GU; `None` below two values.
    #[must_use]
    pub fn scatter(&self) -> Option<Scatter> {
        let sd = summary::standard_deviation(&self.values())?;
        Some(Scatter { sd, degrees_of_freedom: self.gloss.len() as f64 - 1.0 })
    }

    /// The step that the values show where nothing else says it: one in the last decimal printed.
    #[must_use]
    pub fn step_shown_gu(gloss: &[Gloss]) -> f64 {
        let decimals = gloss.iter().map(|gloss| gloss.scale()).max().unwrap_or(0);
        10_f64.powi(-(decimals as i32))
    }
}
