//! What a person is shown of a run that is going on: the panel with its zones, the rail with its checks, the last
//! value, the difference so far, and what to do now. Worked out from the run alone, so that every page that shows it
//! shows the same.

pub mod beads;
pub mod difference;
pub mod dues;
pub mod facts;
mod heard;
pub mod panels;
pub mod rail;
mod run_view;
pub mod shelf;
pub mod sides;
pub mod survey;
pub mod todo;
mod watched;
pub mod words;

pub use crate::life::cautions::CAUTION;
pub use difference::DifferenceView;
pub use difference::Proof;
pub use facts::StudyFacts;
pub use heard::Heard;
pub use heard::Sound;
pub use heard::time_of_day;
pub use panels::PanelView;
pub use panels::ZoneView;
pub use rail::BracketView;
pub use rail::CheckView;
pub use rail::RailBead;
pub use rail::RailView;
pub use run_view::LastValue;
pub use run_view::RunView;
pub use todo::Todo;
pub use todo::TodoKind;
pub use watched::NotedRow;
pub use watched::WatchedPanel;
pub use watched::WatchedPatch;
pub use watched::WatchedView;
pub use words::Voidable;
pub use words::WordsNow;

/// How something that is shown is meant. What it looks like is the screen's business; what it means never hangs on
/// its colour.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Tone {
    /// Running text.
    #[default]
    Plain,
    /// Needed now and then.
    Quiet,
    /// Waits for its proof, or for the operator.
    Waiting,
    /// Proven, passed, there.
    Held,
    /// Drifted, failed, refused.
    Broken,
}
