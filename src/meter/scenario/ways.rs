//! A simulated meter that has no button of its own that sends: it answers requests, or streams.

use crate::meter::request_bytes;
use crate::meter::scenario::Bounded;
use crate::meter::scenario::Count;
use crate::meter::scenario::Seconds;
use serde::Deserialize;
use std::collections::BTreeMap;

/// What the meter answers.
#[derive(Clone, Debug, Deserialize)]
#[serde(try_from = "AnswersTable")]
pub struct Answers {
    pub(in crate::meter) request: Box<[u8]>,
    pub(in crate::meter) delay_us: u64,
    pub(in crate::meter) echo: bool,
    pub(in crate::meter) error_query: Option<Box<[u8]>>,
    /// Entries that come into the error queue, by the number of the line that they come with.
    pub(in crate::meter) errors: BTreeMap<u64, Vec<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AnswersTable {
    request: String,
    delay_s: Option<Seconds>,
    #[serde(default)]
    echo: bool,
    error_query: Option<String>,
    #[serde(default)]
    error: Vec<ErrorTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ErrorTable {
    line: Count,
    says: String,
}

impl TryFrom<AnswersTable> for Answers {
    type Error = String;
    fn try_from(table: AnswersTable) -> Result<Answers, String> {
        let mut errors: BTreeMap<u64, Vec<String>> = BTreeMap::new();
        for ErrorTable { line, says } in table.error {
            if table.error_query.is_none() {
                return Err("nothing asks for the errors; give `error_query`".to_owned());
            }
            errors.entry(line.0).or_default().push(says);
        }
        Ok(Answers {
            request: request_bytes(&table.request)?,
            delay_us: table.delay_s.map_or(200_000, Seconds::as_us),
            echo: table.echo,
            error_query: table.error_query.as_deref().map(request_bytes).transpose()?,
            errors,
        })
    }
}

/// How the meter streams.
#[derive(Clone, Debug, Deserialize)]
#[serde(from = "StreamsTable")]
pub struct Streams {
    pub(in crate::meter) every_us: u64,
    pub(in crate::meter) air_gu: f64,
    pub(in crate::meter) wobbles: Vec<Swing>,
}

/// A placement that does not stand still at first.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(in crate::meter) struct Swing {
    pub(in crate::meter) placement: Count,
    pub(in crate::meter) seconds: Seconds,
    pub(in crate::meter) by_gu: Bounded<0, 10_000>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StreamsTable {
    every_s: Option<Seconds>,
    #[serde(default)]
    air_gu: Bounded<0, 10_000>,
    #[serde(default)]
    wobble: Vec<Swing>,
}

impl From<StreamsTable> for Streams {
    fn from(table: StreamsTable) -> Streams {
        // A thousand a second is more than any serial line carries.
        let every_us = table.every_s.map_or(100_000, Seconds::as_us).max(1_000);
        Streams { every_us, air_gu: table.air_gu.0, wobbles: table.wobble }
    }
}

impl Streams {
    /// Time between two values, microseconds of the scenario.
    #[must_use]
    pub fn every_us(&self) -> u64 {
        self.every_us
    }

    /// How far the value of this number, from 0, is off in a placement that does not stand still, GU.
    pub(in crate::meter) fn swing_gu(&self, placement: u64, value: u64) -> f64 {
        let since_us = value.saturating_mul(self.every_us);
        let swings =
            self.wobbles.iter().filter(|w| w.placement.0 == placement && since_us < w.seconds.as_us());
        let to_and_fro = if value.is_multiple_of(2) { 1.0 } else { -1.0 };
        swings.map(|w| w.by_gu.0 * to_and_fro).sum()
    }
}
