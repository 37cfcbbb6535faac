//! What a station shows.

use crate::view::Heard;
use crate::view::RunView;
use std::sync::Arc;

/// A station as it stands. A command carries the `version` that it was meant for.
#[derive(Clone, Debug)]
pub struct Snapshot {
    /// Rises with every change. The first of a station is the time of its start, in milliseconds since 1970, so that
    /// no page that was drawn by an earlier daemon is taken for one of this one.
    pub version: u64,
    /// Name of the study.
    pub study: String,
    /// Whether the meter's line is up; absent while no run holds it.
    pub link_up: Option<bool>,
    /// What the station is at.
    pub phase: Phase,
    /// The last things told, oldest first; at most fifty.
    pub heard: Vec<Heard>,
    /// Running number of the first of `heard`. It goes on from run to run, and begins as `version` does.
    pub heard_before: u64,
}

/// What a station is at.
#[derive(Clone, Debug)]
pub enum Phase {
    /// No run is going on.
    Idle {
        /// A run that was cut off and can be taken up again.
        unfinished: Option<String>,
        /// The run that was ended or stopped last at this station.
        ended: Option<Arc<RunView>>,
    },
    /// A run is about to begin: the port is being opened.
    Opening,
    /// A run is going on; or it is over, and its tables are being written.
    Running(Arc<RunView>),
    /// The last start could not be followed, or recording is no longer possible. A start or a taking up may be tried
    /// again from here.
    Stuck {
        /// What happened.
        what: String,
        /// What to do; may be empty where `what` says it.
        hint: String,
        /// A run that was cut off and can be taken up again.
        unfinished: Option<String>,
    },
}

impl Phase {
    /// The run that can be taken up again, if one is offered.
    #[must_use]
    pub fn unfinished(&self) -> Option<&str> {
        match self {
            Phase::Idle { unfinished, .. } | Phase::Stuck { unfinished, .. } => unfinished.as_deref(),
            Phase::Opening | Phase::Running(_) => None,
        }
    }
}
