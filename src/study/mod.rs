//! The study: one folder with one meter, one tile, one procedure, and the treatments compared under
//! it. [`Study::load`] reads `study.toml` and refuses at once what contradicts itself; [`setup`] makes
//! of it what a run needs. `protocol-notes/study.md` shows every key.
//!
//! Nothing here touches a file: texts are handed in, and [`template_files`] hands out the texts of a
//! new study.

mod differences;
mod figures;
mod file;
mod layout;
mod load;
mod model;
mod names;
mod patches;
mod plan;
mod repeatability;
mod season;
mod setup;
mod template;
mod watching;

pub use differences::differences;
pub(crate) use names::meant;
pub(crate) use names::unfit_for_a_cell;

pub use model::Order;
pub use model::Patch;
pub use model::ProfileChoice;
pub use model::Study;
pub use model::StudyComparing;
pub use model::StudyPanel;
pub use model::StudyTreatment;
pub use model::StudyZone;
pub use model::ZoneUse;
pub use plan::plan;
pub use repeatability::SittingChoice;
pub use repeatability::SittingProblem;
pub use repeatability::sitting;
pub use season::Deed;
pub use season::Happening;
pub use season::Season;
pub use season::SeasonSitting;
pub use season::Shedding;
pub use setup::Selection;
pub use setup::SelectionProblem;
pub use setup::setup;
pub use template::template_files;
pub use watching::Failing;
pub use watching::Price;
pub use watching::Scale;
pub use watching::Washing;
pub use watching::Watching;
