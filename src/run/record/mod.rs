//! The recording: every byte the meter sent and every word the operator said, one record a line.
//!
//! A line is the CRC-32 of the JSON text as eight lower-case hexadecimal digits, a space, the JSON
//! text, and LF. `protocol-notes/recording.md` is the specification, for readers in any language.
//! This file has the kinds of record; [`Encoder`] writes them, [`Scanner`] reads them.

mod encode;
mod scan;
mod wire;

pub use encode::Encoder;
pub use scan::{RecordingError, Scanner, Tail};

use super::setup::Setup;
use super::word::Word;
use chrono::{DateTime, FixedOffset};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// The format that this program writes, and the newest that it reads.
pub const FORMAT: u32 = 1;

/// The oldest version of this program that can read what this one writes.
pub const OLDEST_READER: &str = "0.1.0";

/// One record. `n` counts from 1 without a gap; `at_us` never runs backwards; `group` is the number
/// of the first record that was written and synced together with this one.
#[derive(Clone, Debug, PartialEq)]
pub struct Record<'a> {
    /// Number of the record.
    pub n: u32,
    /// Microseconds since the start of the run.
    pub at_us: u64,
    /// Number of the first record of its sync group.
    pub group: u32,
    /// What it says.
    pub body: Body<'a>,
}

/// The closed list of what a recording can say.
#[derive(Clone, Debug, PartialEq)]
pub enum Body<'a> {
    /// The first record: what the rest means.
    Head(Box<Head>),
    /// Bytes from the meter, as they came.
    Bytes(Cow<'a, [u8]>),
    /// Bytes sent to the meter.
    Request(Cow<'a, [u8]>),
    /// The operator said something.
    Word(Word),
    /// The line to the meter came up or went down.
    Link(Link),
    /// A deadline of the run has passed.
    Tick,
    /// The wall clock was seen to step.
    Clock(ClockStep),
    /// The run was taken up again.
    Resumed(Box<Resumed>),
    /// SHA-256 of every byte of the file before this record; the encoder works it out.
    Seal(String),
    /// Nothing follows.
    End(Ending),
}

/// What the rest of the recording means.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Head {
    /// Format number; see [`FORMAT`].
    pub format: u32,
    /// The oldest program version that can read this.
    pub oldest_reader: String,
    /// Version of the program that began the recording.
    pub program: String,
    /// Id of the run.
    pub run: String,
    /// Wall-clock time of the start, with the offset of the place.
    pub wall: DateTime<FixedOffset>,
    /// Kind of clock that the times come from: `boottime`, `monotonic` or `simulated`.
    pub clock: String,
    /// How many times faster than real the clock runs; 1 unless simulated.
    pub time_factor: f64,
    /// SHA-256 of the study file as it stood.
    pub study_sha256: String,
    /// The resolved set-up.
    pub setup: Setup,
}

/// The line to the meter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Link {
    /// Whether it is there now.
    pub up: bool,
    /// The port, or what happened to it.
    pub what: String,
}

/// A step of the wall clock. It changes no order and no elapsed time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClockStep {
    /// How far the wall clock now is from where the elapsed time puts it, microseconds.
    pub step_us: i64,
}

/// New clock anchors after a stop, and what had to be cut off the file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Resumed {
    /// Version of the program that took the run up.
    pub program: String,
    /// Wall-clock time, with the offset of the place.
    pub wall: DateTime<FixedOffset>,
    /// Kind of clock.
    pub clock: String,
    /// Whether the wall clock lay before the last record, so that the length of the stop is unknown.
    pub gap_unknown: bool,
    /// Bytes of a torn tail that were cut off, each byte as the character of the same number.
    pub torn: String,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ending {
    /// Every zone proven, or skipped with a reason.
    Complete,
    /// The operator gave it up.
    Abandoned,
}

/// Bytes as lower-case hexadecimal.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    bytes
        .iter()
        .flat_map(|b| [b >> 4, b & 15])
        .map(|d| char::from(b"0123456789abcdef"[usize::from(d)]))
        .collect()
}

/// SHA-256 of some bytes as lower-case hexadecimal, as common tools print it.
#[must_use]
pub fn sha256_hex(bytes: &[u8]) -> String {
    use sha2::Digest;
    hex(&sha2::Sha256::digest(bytes))
}

/// Torn bytes as they stand in a `resumed` record: each byte as the character of the same number.
#[must_use]
pub fn bytes_as_text(bytes: &[u8]) -> String {
    wire::as_text(bytes)
}
