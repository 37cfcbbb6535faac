//! What a profile can say of a line: encoding, decimal mark, fields and how they are told apart.

use crate::meter::columns::Columns;
use crate::units::Geometry;
use regex::Regex;
use serde::Deserialize;

/// Most fields of a line.
pub(super) const MAX_FIELDS: usize = 24;

/// How the bytes of a line are text.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Encoding {
    /// Bytes below 128 only.
    #[default]
    Ascii,
    /// Each byte is the character of that number (ISO 8859-1).
    #[serde(rename = "latin-1")]
    Latin1,
    /// UTF-8.
    #[serde(rename = "utf-8")]
    Utf8,
}

/// What stands before the decimals.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub enum DecimalMark {
    /// `85.3`
    #[default]
    #[serde(rename = ".")]
    Point,
    /// `85,3`
    #[serde(rename = ",")]
    Comma,
}

impl DecimalMark {
    pub(super) const fn character(self) -> char {
        match self {
            DecimalMark::Point => '.',
            DecimalMark::Comma => ',',
        }
    }
}

/// The numbers that the meter gives its lines: `first` follows on `last`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SequenceRange {
    /// The number that follows on the last one.
    pub first: u64,
    /// The highest number.
    pub last: u64,
}

impl SequenceRange {
    /// The number that is due after `sequence`.
    #[must_use]
    pub const fn after(self, sequence: u64) -> u64 {
        if sequence >= self.last { self.first } else { sequence + 1 }
    }
}

/// What a field, or a named group of the pattern, holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Field {
    Skip,
    /// A value; `None` where its geometry is named elsewhere.
    Gloss(Option<Geometry>),
    Geometry,
    Sequence,
    Status,
    Unit,
    /// Whether the value is fresh.
    Mark,
    /// The meter's serial number.
    Serial,
}

#[derive(Clone, Debug)]
pub(super) enum Separator {
    Byte(u8),
    Text(Box<memchr::memmem::Finder<'static>>),
    /// One or more spaces or tabs; those at both ends of the line are none.
    Blanks,
}

#[derive(Clone, Debug)]
pub(super) enum Layout {
    Separated(Separator),
    Columns(Columns),
    /// The regex is anchored at both ends; the group numbers stand in the order of the fields.
    Pattern(Box<Regex>, Box<[usize]>),
}
