//! Gloss, geometry and exact decimals: the quantities that everything else speaks of.

mod amount;
mod geometry;
mod gloss;

pub use amount::{Amount, Dimension};
pub use geometry::{Geometry, PerGeometry, UnknownGeometry};
pub use gloss::{Gloss, NotAGloss};
