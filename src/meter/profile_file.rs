//! The tables of a profile as they stand in the file, before anything is checked against another. The
//! specification for people is `protocol-notes/line-profiles.md`.

use crate::meter::LineEnd;
use crate::meter::SelfCalibration;
use crate::meter::checksum::HexCase;
use crate::meter::checksum::Kind;
use crate::meter::line_format::DecimalMark;
use crate::meter::line_format::Encoding;
use crate::meter::profile::Dtr;
use crate::meter::profile::FlowControl;
use crate::meter::profile::Parity;
use crate::text::Problem;
use crate::units::Geometry;
use crate::units::Gloss;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fmt::Display;
use std::ops::Range;
use toml::Spanned;

/// A profile's text with its name, for errors with a place.
#[derive(Clone, Copy)]
pub(super) struct Source<'a> {
    pub file: &'a str,
    pub text: &'a str,
}

impl Source<'_> {
    pub fn problem(&self, span: Range<usize>, what: impl Into<String>, hint: impl Into<String>) -> Problem {
        Problem::at(self.file, self.text, span, what, hint)
    }

    /// A number of a key within its range, or its default.
    pub fn within<T: Copy + PartialOrd + Display>(
        &self,
        key: &str,
        given: Option<&Spanned<T>>,
        low: T,
        high: T,
        default: T,
    ) -> Result<T, Problem> {
        let Some(given) = given else { return Ok(default) };
        let value = *given.get_ref();
        if value >= low && value <= high {
            return Ok(value);
        }
        let what = format!("`{key}` is {value}, out of range");
        // A key that is off unless it is given has a default beyond its range.
        let otherwise = if default < low { String::new() } else { format!("; {default} is the default") };
        Err(self.problem(given.span(), what, format!("give {low} to {high}{otherwise}")))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct File {
    pub name: Spanned<String>,
    #[serde(default)]
    pub about: String,
    #[serde(default)]
    pub serial: SerialTable,
    pub line: Spanned<LineTable>,
    pub checksum: Option<Spanned<ChecksumTable>>,
    #[serde(default)]
    pub marks: MarksTable,
    #[serde(default)]
    pub meter: MeterTable,
    #[serde(default)]
    pub reading: ReadingTable,
    #[serde(default)]
    pub specification: SpecificationTable,
    #[serde(default)]
    pub status: StatusTable,
    pub sequence: Option<Spanned<SequenceTable>>,
    #[serde(default)]
    pub limits: LimitsTable,
    #[serde(default)]
    pub example: Vec<Spanned<ExampleTable>>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct SerialTable {
    pub baud: Option<Spanned<u32>>,
    pub data_bits: Option<Spanned<u8>>,
    pub parity: Parity,
    pub stop_bits: Option<Spanned<u8>>,
    pub flow: FlowControl,
    pub dtr: Dtr,
    pub settle_ms: Option<Spanned<u32>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct LineTable {
    #[serde(default)]
    pub end: LineEnd,
    #[serde(default)]
    pub encoding: Encoding,
    #[serde(default)]
    pub decimal: DecimalMark,
    pub decimals: Option<Spanned<u8>>,
    #[serde(default)]
    pub notation: Notation,
    pub exponent_digits: Option<Spanned<u8>>,
    pub trim: Option<bool>,
    pub prefix: Option<Spanned<String>>,
    pub suffix: Option<Spanned<String>>,
    pub separator: Option<Spanned<String>>,
    pub fields: Option<Spanned<Vec<Spanned<String>>>>,
    pub columns: Option<Spanned<Vec<Spanned<ColumnTable>>>>,
    pub rest: Option<Spanned<Rest>>,
    pub pattern: Option<Spanned<String>>,
    pub geometry_deg: Option<Spanned<Geometry>>,
    pub geometry_words: Option<Spanned<BTreeMap<String, Spanned<Geometry>>>>,
    pub units: Option<Spanned<Vec<String>>>,
    #[serde(default)]
    pub ignore: Vec<Spanned<String>>,
}

/// How the values are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Notation {
    /// `85.3`
    #[default]
    Plain,
    /// `8.53E+01`
    Scientific,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ColumnTable {
    pub field: Spanned<String>,
    pub from: usize,
    pub to: usize,
}

/// What may stand outside of the columns.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Rest {
    #[default]
    Blank,
    Any,
}

/// A checksum. A scenario has the same table without the last three keys.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ChecksumTable {
    pub kind: Kind,
    pub crc: Option<Spanned<String>>,
    pub polynomial: Option<Spanned<u16>>,
    pub initial: Option<Spanned<u16>>,
    pub reflect_in: Option<Spanned<bool>>,
    pub reflect_out: Option<Spanned<bool>>,
    pub xor_out: Option<Spanned<u16>>,
    #[serde(default)]
    pub hex: HexCase,
    pub separator: Option<Spanned<String>>,
    pub from: Option<Spanned<CoversFrom>>,
    pub to: Option<Spanned<CoversTo>>,
}

/// The first byte that a checksum covers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum CoversFrom {
    #[default]
    Start,
    AfterPrefix,
}

/// Where the bytes that a checksum covers end.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum CoversTo {
    #[default]
    BeforeSeparator,
    AfterSeparator,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct MarksTable {
    pub fresh: Option<Spanned<Vec<String>>>,
    pub average: Vec<Spanned<String>>,
    pub memory: Vec<Spanned<String>>,
    pub average_lines: Vec<Spanned<String>>,
    pub memory_lines: Vec<Spanned<String>>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct MeterTable {
    pub serial_number: Option<Spanned<String>>,
    pub calibrates_itself: Option<SelfCalibration>,
    pub averages: Option<Spanned<u32>>,
    pub switches_off_after_min: Option<Spanned<u32>>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct ReadingTable {
    pub how: Option<Spanned<String>>,
    pub resolution_gu: Option<Spanned<Gloss>>,
    pub joins_deg: Option<Spanned<Vec<Geometry>>>,
    pub joins_within_ms: Option<Spanned<u32>>,
    pub request: Option<Spanned<String>>,
    pub timeout_ms: Option<Spanned<u32>>,
    pub tries: Option<Spanned<u32>>,
    pub echo: Option<Spanned<bool>>,
    pub start: Option<Spanned<OneOrMore>>,
    pub error_query: Option<Spanned<String>>,
    pub window: Option<Spanned<u8>>,
    pub spread_gu: Option<Spanned<Gloss>>,
    pub settle: Option<Spanned<u32>>,
    pub away: Option<Spanned<u32>>,
    pub lift_below_gu: Option<Spanned<Gloss>>,
    pub leave_by_gu: Option<Spanned<Gloss>>,
    pub pause_ms: Option<Spanned<u32>>,
}

/// One text, or several.
#[derive(Deserialize)]
#[serde(untagged)]
pub(super) enum OneOrMore {
    One(String),
    More(Vec<String>),
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct SpecificationTable {
    pub repeatability_gu: Option<Spanned<Gloss>>,
    pub linearity_gu: Option<Spanned<Gloss>>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct StatusTable {
    pub ok: Option<Spanned<Vec<String>>>,
    pub errors: BTreeMap<String, Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SequenceTable {
    #[serde(default)]
    pub first: u64,
    pub last: u64,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct LimitsTable {
    #[serde(rename = "20")]
    pub deg20: LimitTable,
    #[serde(rename = "60")]
    pub deg60: LimitTable,
    #[serde(rename = "85")]
    pub deg85: LimitTable,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct LimitTable {
    pub low: Option<Spanned<Gloss>>,
    pub high: Option<Spanned<Gloss>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ExampleTable {
    pub line: Option<Spanned<String>>,
    pub lines: Option<Spanned<Vec<Spanned<String>>>>,
    pub gloss_20: Option<Gloss>,
    pub gloss_60: Option<Gloss>,
    pub gloss_85: Option<Gloss>,
    pub sequence: Option<u64>,
    #[serde(default)]
    pub ignored: bool,
    #[serde(default)]
    pub refused: bool,
}
