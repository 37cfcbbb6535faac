//! The operator's words: the closed list of what a person can tell a run.

use serde::{Deserialize, Serialize};

/// One word of the operator. Zones are named by their label, such as `A3`, or `P1 A3` where the run
/// has several panels; a placement by its number.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Word {
    /// Take the last placement back: the meter stood on the wrong spot, or slid.
    Undo,
    /// Read a zone again, whole; without a name, the zone read last.
    Again {
        /// Label of the zone.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        zone: Option<String>,
    },
    /// Declare a placement void; without a number, the last one on a zone. It is not read again
    /// unless asked for.
    Void {
        /// Number of the placement.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        placement: Option<u32>,
        /// Why; must not be empty.
        reason: String,
    },
    /// Leave a zone out; without a name, the zone that is next.
    Skip {
        /// Label of the zone.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        zone: Option<String>,
        /// Why; must not be empty.
        reason: String,
    },
    /// Check the tile now.
    Check,
    /// The meter is going to be adjusted: an as-found check comes first.
    Adjust,
    /// The meter has been adjusted by its manual: the as-left check comes.
    Adjusted,
    /// Take nothing until `resume`.
    Pause,
    /// Go on after a pause.
    Resume,
    /// Something to remember, without effect on the run.
    Note {
        /// The text.
        text: String,
    },
    /// Give the run up; what is not proven stays so.
    Abandon {
        /// Why; may be empty.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        reason: String,
    },
}

impl Word {
    /// stub
    pub fn parse(text: &str) -> Result<Word, String> {
        serde_json::from_str(&format!("{{\"do\":\"{text}\"}}")).map_err(|e| e.to_string())
    }
}
