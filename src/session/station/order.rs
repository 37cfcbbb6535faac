//! What a station can be told to do, and how it answers.

use crate::run::Word;
use crate::study::Selection;
use tokio::sync::oneshot;

/// Something a person wants of a station, as they saw it at `version`.
#[derive(Debug)]
pub struct Order {
    /// The [`super::Snapshot::version`] that it was meant for.
    pub version: u64,
    /// What is wanted.
    pub ask: Ask,
    /// Where the answer goes.
    pub answer: Answer,
}

/// Takes the answer to an order.
pub type Answer = oneshot::Sender<Result<u64, Refused>>;

/// What is wanted of a station.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ask {
    /// Begin a run.
    Start(Box<Start>),
    /// Go on with the run that was cut off.
    TakeUp,
    /// The operator says something to the run.
    Say(Word),
    /// Stop the sitting; the run stays open.
    Stop,
}

/// A run to be begun.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Start {
    /// What of the study is read, and by whom.
    pub selection: Selection,
    /// Things to be noted in the recording at its start, such as the temperature.
    pub notes: Vec<String>,
}

/// Why an order was not followed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// The station has moved on since.
    #[error("the bench has moved on since this page was drawn, so nothing was done")]
    Stale {
        /// The version that the order was meant for.
        meant: u64,
        /// The version at which the station stands.
        stands: u64,
    },
    /// It does not fit what the station is at.
    #[error("{0}")]
    NotNow(String),
    /// The run could not follow the word; a sentence says why and what would be right.
    #[error("{0}")]
    Word(String),
    /// It was tried and did not work.
    #[error("{what}")]
    Failed {
        /// What happened.
        what: String,
        /// What to do; may be empty where `what` says it.
        hint: String,
    },
    /// The daemon is stopping.
    #[error("the daemon is stopping")]
    Closing,
}

impl Refused {
    /// What to do about it; empty where the message says it already.
    #[must_use]
    pub fn hint(&self) -> &str {
        match self {
            Refused::Stale { .. } => "look at what stands there now, and say it again if you still want it",
            Refused::NotNow(_) | Refused::Word(_) => "",
            Refused::Failed { hint, .. } => hint,
            Refused::Closing => "start it again; a run that was going on can be taken up then",
        }
    }
}
