//! What a gloss meter can show at each geometry.

use crate::units::Geometry;
use crate::units::Gloss;
use crate::units::PerGeometry;
use rust_decimal::Decimal;

/// The lowest and the highest value that a line may carry at each geometry, both included, GU.
///
/// The scale puts polished black glass of refractive index 1.567 at 100 GU at every geometry
/// (ISO 2813, ASTM D523). The defaults are wider than any painted or waxed surface: a metal mirror
/// shows about 2000 GU at 20°, 1000 GU at 60° and 160 GU at 85° (common practice, no source). Below zero
/// nothing is real: a meter that shows such a value has its zero off, so the lower default is 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    low_gu: [Gloss; 3],
    high_gu: [Gloss; 3],
}

impl Limits {
    /// The default lower limit in GU, the same at every geometry.
    pub const DEFAULT_LOW_GU: i64 = 0;

    /// The default upper limit at `geometry`, GU.
    #[must_use]
    pub const fn default_high_gu(geometry: Geometry) -> i64 {
        match geometry {
            Geometry::Deg20 => 2000,
            Geometry::Deg60 => 1000,
            Geometry::Deg85 => 160,
        }
    }

    /// The defaults, with those limits replaced that are given.
    #[must_use]
    pub fn with(low_gu: &PerGeometry<Gloss>, high_gu: &PerGeometry<Gloss>) -> Limits {
        let mut limits = Limits::default();
        for geometry in Geometry::ALL {
            let at = geometry as usize;
            limits.low_gu[at] = low_gu.get(geometry).copied().unwrap_or(limits.low_gu[at]);
            limits.high_gu[at] = high_gu.get(geometry).copied().unwrap_or(limits.high_gu[at]);
        }
        limits
    }

    /// The lowest value that a line may carry at `geometry`, GU.
    #[must_use]
    pub const fn low_gu(&self, geometry: Geometry) -> Gloss {
        self.low_gu[geometry as usize]
    }

    /// The highest value that a line may carry at `geometry`, GU.
    #[must_use]
    pub const fn high_gu(&self, geometry: Geometry) -> Gloss {
        self.high_gu[geometry as usize]
    }
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            low_gu: [Gloss::from(Decimal::from(Limits::DEFAULT_LOW_GU)); 3],
            high_gu: Geometry::ALL.map(|g| Gloss::from(Decimal::from(Limits::default_high_gu(g)))),
        }
    }
}
