//! The three measuring geometries of the gloss standards.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Angle of incidence in degrees from the normal: 20°, 60° or 85°. Source: ISO 2813, ASTM D523.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "u16", into = "u16")]
#[repr(u8)]
pub enum Geometry {
    /// 20°, for high gloss.
    Deg20,
    /// 60°, the one to start with.
    Deg60,
    /// 85°, for low gloss.
    Deg85,
}

/// An angle that no gloss standard names.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}° is not a gloss geometry; 20, 60 and 85 are")]
pub struct UnknownGeometry(pub u16);

impl Geometry {
    /// All geometries, rising.
    pub const ALL: [Geometry; 3] = [Geometry::Deg20, Geometry::Deg60, Geometry::Deg85];

    /// The angle in degrees.
    #[must_use]
    pub const fn degrees(self) -> u16 {
        match self {
            Geometry::Deg20 => 20,
            Geometry::Deg60 => 60,
            Geometry::Deg85 => 85,
        }
    }

    /// The angle as it stands in the tables.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Geometry::Deg20 => "20",
            Geometry::Deg60 => "60",
            Geometry::Deg85 => "85",
        }
    }
}

impl TryFrom<u16> for Geometry {
    type Error = UnknownGeometry;
    fn try_from(degrees: u16) -> Result<Self, UnknownGeometry> {
        Geometry::ALL.into_iter().find(|g| g.degrees() == degrees).ok_or(UnknownGeometry(degrees))
    }
}

impl From<Geometry> for u16 {
    fn from(geometry: Geometry) -> u16 {
        geometry.degrees()
    }
}

impl fmt::Display for Geometry {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}°", self.degrees())
    }
}

/// Up to one value for each geometry.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PerGeometry<T>([Option<T>; 3]);

impl<T> PerGeometry<T> {
    /// No value at any geometry.
    #[must_use]
    pub const fn none() -> Self {
        PerGeometry([None, None, None])
    }

    /// The value at `geometry`, if there is one.
    #[must_use]
    pub fn get(&self, geometry: Geometry) -> Option<&T> {
        self.0[geometry as usize].as_ref()
    }

    /// The place for the value at `geometry`.
    pub fn slot(&mut self, geometry: Geometry) -> &mut Option<T> {
        &mut self.0[geometry as usize]
    }

    /// Sets the value and returns the one before.
    pub fn set(&mut self, geometry: Geometry, value: T) -> Option<T> {
        self.0[geometry as usize].replace(value)
    }

    /// The geometries that have a value, rising.
    pub fn iter(&self) -> impl Iterator<Item = (Geometry, &T)> {
        Geometry::ALL.into_iter().filter_map(|g| self.get(g).map(|v| (g, v)))
    }

    /// Whether no geometry has a value.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.iter().all(Option::is_none)
    }
}

impl<T> FromIterator<(Geometry, T)> for PerGeometry<T> {
    fn from_iter<I: IntoIterator<Item = (Geometry, T)>>(items: I) -> Self {
        let mut all = PerGeometry::none();
        for (geometry, value) in items {
            all.set(geometry, value);
        }
        all
    }
}
