//! What became of a treatment on its panels: what was observed, the stage it has come to, and the washes it lasted.
//!
//! [`read`] reads `observations.csv` (`protocol-notes/observations.md`).

pub mod blind;
mod cells;
mod columns;
pub mod lifetime;
mod observation;
mod reading;
mod row;
mod sequence;
mod shape;
mod writing;

pub use columns::Column;
pub use columns::Kind;
pub use lifetime::Lifetime;
pub use observation::Look;
pub use observation::Observation;
pub use observation::Observations;
pub use observation::PatchIndex;
pub use observation::Photo;
pub use observation::Subject;
pub use observation::What;
pub use reading::read;
pub use shape::Shape;
pub use writing::CannotAdd;
pub use writing::added;
