//! The reference tile: what proves the meter. A check is judged here, and so is the bracket between
//! two checks; when to ask for one is the run's business.

mod check;
pub mod gloss_scale;
pub mod history;
pub mod linearity;
pub mod pattern;

pub use check::{CheckVerdict, GeometryCheck, TileRule, drift_gu, holds};
