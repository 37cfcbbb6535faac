//! What became of a treatment on its panels: what was observed, the stage it has come to, and the washes it lasted.
//!
//! [`read`] reads `observations.csv` (`protocol-notes/observations.md`).

pub mod blind;
pub mod cautions;
mod cells;
mod columns;
mod cost;
pub mod deeds;
mod facts;
pub mod failing;
pub mod lifetime;
mod observation;
mod reading;
mod row;
mod sentences;
mod sequence;
mod shape;
mod staging;
mod status;
mod story;
mod telling;
mod writing;

pub use columns::Column;
pub use columns::Kind;
pub use facts::Half;
pub use facts::PanelFacts;
pub use facts::never_swapped;
pub use facts::panel_facts;
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
pub use staging::staged;
pub use staging::too_early;
pub use status::RunOfPatch;
pub use status::Status;
pub use status::status;
pub use story::Cost;
pub use story::Judgement;
pub use story::Stage;
pub use story::Standing;
pub use story::Step;
pub use story::Story;
pub use story::Wiped;
pub use story::shown;
pub use story::written;
pub use telling::latest;
pub use telling::stories;
pub use writing::CannotAdd;
pub use writing::added;
