//! What a station shows.

use crate::view::Heard;
use crate::view::RunView;
use std::sync::Arc;

/// A station as it stands. A command carries the `version` that it was meant for.
#[derive(Clone, Debug)]
pub struct Snapshot {
    /// Rises by one with every change.
    pub version: u64,
    /// Name of the study.
    pub study: String,
    /// Whether the meter's line is up; absent while no run holds it.
    pub link_up: Option<bool>,
    /// What the station is at.
    pub phase: Phase,
    /// The last things told, oldest first; at most fifty.
    pub heard: Vec<Heard>,
    /// How many things were told before the first of `heard`.
    pub heard_before: u64,
}

/// What a station is at.
#[derive(Clone, Debug)]
pub enum Phase {
    /// No run is going on.
    Idle {
        /// A run that was cut off and can be taken up again.
        unfinished: Option<String>,
        /// The run that ended last at this station.
        ended: Option<Arc<RunView>>,
    },
    /// A run is about to begin: the port is being opened.
    Opening,
    /// A run is going on.
    Running(Arc<RunView>),
    /// The last command could not be followed, or recording is no longer possible.
    Stuck {
        /// What happened.
        what: String,
        /// What to do.
        hint: String,
    },
}
