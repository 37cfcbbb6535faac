//! Gloss, geometry and exact decimals: the quantities that everything else speaks of.

mod geometry;
mod gloss;

pub use geometry::{Geometry, PerGeometry, UnknownGeometry};
pub use gloss::{Gloss, NotAGloss};
