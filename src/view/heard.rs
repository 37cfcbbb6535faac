//! What was told, and how it sounds.

use crate::run::Notice;
use crate::run::Run;
use crate::run::say;

/// Sounds of the bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sound {
    /// A reading was taken.
    Taken,
    /// Something was not as it should be.
    Odd,
    /// The tile is wanted.
    TileWanted,
    /// The meter is lost.
    Lost,
}

/// One thing that was told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heard {
    /// When, microseconds since the start of the run.
    pub at_us: u64,
    /// The sentence.
    pub says: String,
    /// How it sounds; silent if absent.
    pub sound: Option<Sound>,
}

impl Heard {
    /// A notice as it is heard.
    #[must_use]
    pub fn of(notice: &Notice, run: &Run, at_us: u64) -> Heard {
        Heard { at_us, says: say::sentence(notice, run.ledger()), sound: None }
    }
}
