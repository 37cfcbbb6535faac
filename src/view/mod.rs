//! What a person is shown of a run that is going on: the panel with its zones, the rail with its checks, the last
//! value, the difference so far, and what to do now. Worked out from the run alone, so that every page that shows it
//! shows the same.

mod heard;

pub use heard::Heard;
pub use heard::Sound;

use crate::run::Run;

/// A run as it is shown.
#[derive(Clone, Debug, PartialEq)]
pub struct RunView {
    /// The run's id.
    pub run: String,
    /// Whether it is over.
    pub is_over: bool,
}

impl RunView {
    /// The run as it stands, `now_us` microseconds after its start.
    #[must_use]
    pub fn of(run: &Run, now_us: u64) -> RunView {
        let _ = now_us;
        RunView { run: run.ledger().id.clone(), is_over: run.is_over() }
    }
}
