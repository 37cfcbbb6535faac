//! What is done on the panels of a season, beside the readings.

use crate::study::season::SeasonSitting;
use crate::units::Amount;
use chrono::DateTime;
use chrono::FixedOffset;
use serde::Deserialize;
use std::collections::BTreeMap;

/// Something done on panels, or seen or judged on them.
#[derive(Clone, Debug, Deserialize)]
#[serde(tag = "kind", rename_all = "lowercase", deny_unknown_fields)]
#[allow(missing_docs, reason = "they are the columns of observations.csv")]
pub enum Deed {
    /// A treatment is put on.
    Applied {
        at: DateTime<FixedOffset>,
        treatment: String,
        panels: Vec<String>,
        coats: u32,
        amount: Amount,
        by: String,
        note: String,
        #[serde(default)]
        story: String,
    },
    /// All that is on the panels is wiped.
    Wiped { at: DateTime<FixedOffset>, panels: Vec<String>, solvent: String, passes: u32, by: String },
    /// The panels are washed up to a count, and what still works on them is looked at.
    Washed {
        at: DateTime<FixedOffset>,
        panels: Vec<String>,
        to: u32,
        by: String,
        #[serde(default)]
        story: String,
    },
    /// Somebody judges by hand and eye.
    Judged {
        at: DateTime<FixedOffset>,
        treatment: String,
        panel: String,
        verdicts: BTreeMap<String, bool>,
        by: String,
        note: String,
    },
}

impl Deed {
    /// When it is done.
    #[must_use]
    pub fn at(&self) -> DateTime<FixedOffset> {
        match self {
            Deed::Applied { at, .. }
            | Deed::Wiped { at, .. }
            | Deed::Washed { at, .. }
            | Deed::Judged { at, .. } => *at,
        }
    }

    /// Who does it.
    #[must_use]
    pub fn by(&self) -> &str {
        match self {
            Deed::Applied { by, .. }
            | Deed::Wiped { by, .. }
            | Deed::Washed { by, .. }
            | Deed::Judged { by, .. } => by,
        }
    }

    /// What to tell of it beside the rows.
    #[must_use]
    pub fn story(&self) -> Option<&str> {
        match self {
            Deed::Applied { story, .. } | Deed::Washed { story, .. } => Some(story.as_str()),
            Deed::Wiped { .. } | Deed::Judged { .. } => None,
        }
        .filter(|story| !story.is_empty())
    }

    /// How it went; empty if there is nothing to say.
    #[must_use]
    pub fn note(&self) -> &str {
        match self {
            Deed::Applied { note, .. } | Deed::Judged { note, .. } => note,
            Deed::Wiped { .. } | Deed::Washed { .. } => "",
        }
    }
}

/// Something that happens in a season.
#[derive(Clone, Copy, Debug)]
pub enum Happening<'a> {
    /// A sitting at the bench, with its number from 0.
    Sitting(usize, &'a SeasonSitting),
    /// Something done on the panels.
    Deed(&'a Deed),
}
