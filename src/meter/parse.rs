//! One line into values.
//!
//! The rule: a value is taken only from a line that matches the profile in full, from its first byte to
//! its last. A line is checked in the order of what explains most: encoding, ignored lines, lines that are
//! no fresh reading, words for errors, frame and checksum, layout, status and unit, then the numbers.
//!
//! A line that gives values costs no allocation with a separator (and ASCII text); refusals may cost.

use crate::meter::Limits;
use crate::meter::MAX_LINE_BYTES;
use crate::meter::Refusal;
use crate::meter::Seen;
use crate::meter::frame::Frame;
use crate::meter::line_format::Encoding;
use crate::meter::line_format::Field;
use crate::meter::line_format::Layout;
use crate::meter::line_format::MAX_FIELDS;
use crate::meter::line_format::Separator;
use crate::meter::line_format::SequenceRange;
use crate::meter::marks::Marks;
use crate::meter::number::Numbers;
use crate::units::Geometry;
use crate::units::Gloss;
use crate::units::PerGeometry;
use regex::RegexSet;
use std::borrow::Cow;

/// What became of one line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LineOutcome {
    /// The line matches the profile in full.
    Values {
        /// At least one value, digits as the meter printed them.
        gloss: PerGeometry<Gloss>,
        /// The meter's own number of the line, where it has one.
        sequence: Option<u64>,
    },
    /// The profile says to pass this line over.
    Ignored,
    /// No value can be taken from this line.
    Refused(Refusal),
}

/// Reads the lines of one kind of meter. Made by [`crate::meter::Profile::load`].
#[derive(Clone, Debug)]
pub struct LineReader {
    pub(super) encoding: Encoding,
    pub(super) frame: Option<Box<Frame>>,
    pub(super) numbers: Numbers,
    pub(super) decimals: Option<usize>,
    pub(super) trim: bool,
    pub(super) layout: Layout,
    /// Name in the profile and meaning of each field.
    pub(super) fields: Box<[(Box<str>, Field)]>,
    pub(super) geometry: Option<Geometry>,
    pub(super) geometry_words: Box<[(Box<str>, Geometry)]>,
    pub(super) units: Box<[Box<str>]>,
    pub(super) ok: Box<[Box<str>]>,
    /// Error words and their meanings.
    pub(super) errors: Box<[(Box<str>, Box<str>)]>,
    pub(super) reads_status: bool,
    pub(super) ignore: Option<RegexSet>,
    pub(super) marks: Marks,
    pub(super) serial_number: Option<Box<str>>,
    pub(super) limits: Limits,
    pub(super) sequence: SequenceRange,
}

/// The texts of one line, in the order of the fields; `None` where a group took no part.
type Cells<'t> = [Option<&'t str>; MAX_FIELDS];

impl LineReader {
    /// Reads one line without its end. Any bytes will do; none make it panic.
    #[must_use]
    pub fn read(&self, line: &[u8]) -> LineOutcome {
        match self.try_read(line) {
            Ok(outcome) => outcome,
            Err(refusal) => LineOutcome::Refused(refusal),
        }
    }

    fn try_read(&self, line: &[u8]) -> Result<LineOutcome, Refusal> {
        if line.len() > MAX_LINE_BYTES {
            return Err(Refusal::too_long(line));
        }
        let text = self.decode(line)?;
        let whole = self.trimmed(&text);
        if self.ignore.as_ref().is_some_and(|ignore| ignore.is_match(whole)) {
            return Ok(LineOutcome::Ignored);
        }
        self.marks.check_line(line, whole)?;
        self.refuse_word_for_value(whole)?;
        let Some(frame) = &self.frame else { return self.read_fields(line, &text) };
        let fields = self.decode(frame.strip(line)?)?;
        self.refuse_word_for_value(self.trimmed(&fields))?;
        self.read_fields(line, &fields)
    }

    /// The same reader for the one meter of this serial number, where lines tell it; a line of another is
    /// refused. Without a number it stays that of the profile.
    #[must_use]
    pub fn of_meter(&self, number: Option<&str>) -> LineReader {
        let serial_number = number.map(Box::from).or_else(|| self.serial_number.clone());
        LineReader { serial_number, ..self.clone() }
    }

    /// Whether lines tell the meter's serial number.
    #[must_use]
    pub fn names_serial(&self) -> bool {
        self.fields.iter().any(|&(_, field)| field == Field::Serial)
    }

    /// The meter's serial number in a line, where the profile has a field for it and the line has the
    /// profile's layout; whatever else is right or wrong in it.
    #[must_use]
    pub fn serial_in(&self, line: &[u8]) -> Option<String> {
        let at = self.fields.iter().position(|&(_, field)| field == Field::Serial)?;
        let inner = match &self.frame {
            Some(frame) => frame.strip(line).ok()?,
            None => line,
        };
        let text = self.decode(inner).ok()?;
        let mut cells = [None; MAX_FIELDS];
        self.cut(line, &text, &mut cells).ok()?;
        cells[at].map(str::to_owned)
    }

    /// `line` is what came, `text` what is left of it without the frame.
    fn read_fields(&self, line: &[u8], text: &str) -> Result<LineOutcome, Refusal> {
        let mut cells = [None; MAX_FIELDS];
        self.cut(line, text, &mut cells)?;
        self.values(line, &cells)
    }

    /// The texts of the fields.
    fn cut<'t>(&self, line: &[u8], text: &'t str, cells: &mut Cells<'t>) -> Result<(), Refusal> {
        match &self.layout {
            Layout::Separated(separator) => self.split(separator, line, text, cells)?,
            Layout::Columns(columns) => {
                let mut places = cells.iter_mut();
                columns.cut(line, text, |cell| {
                    if let Some(place) = places.next() {
                        *place = Some(self.trimmed(cell));
                    }
                })?;
            }
            Layout::Pattern(regex, groups) => {
                let found = regex
                    .captures(self.trimmed(text))
                    .ok_or_else(|| Refusal::PatternMismatch { line: Seen::new(line) })?;
                for (cell, &group) in cells.iter_mut().zip(groups) {
                    *cell = found.get(group).map(|text| text.as_str());
                }
            }
        }
        Ok(())
    }

    fn decode<'t>(&self, line: &'t [u8]) -> Result<Cow<'t, str>, Refusal> {
        let bad = |encoding, before: usize| Refusal::BadEncoding {
            line: Seen::new(line),
            encoding,
            at: before + 1,
        };
        match (self.encoding, std::str::from_utf8(line)) {
            (_, Ok(text)) if text.is_ascii() => Ok(Cow::Borrowed(text)),
            (Encoding::Utf8, text) => text.map(Cow::Borrowed).map_err(|e| bad("UTF-8", e.valid_up_to())),
            (Encoding::Latin1, _) => Ok(Cow::Owned(line.iter().map(|&byte| char::from(byte)).collect())),
            (Encoding::Ascii, _) => Err(bad("ASCII", line.iter().take_while(|byte| byte.is_ascii()).count())),
        }
    }

    fn trimmed<'t>(&self, text: &'t str) -> &'t str {
        if self.trim { text.trim_matches(is_blank) } else { text }
    }

    fn split<'t>(
        &self,
        separator: &Separator,
        line: &[u8],
        text: &'t str,
        cells: &mut Cells<'t>,
    ) -> Result<(), Refusal> {
        let mut found = 0;
        let mut put = |cell: &'t str| {
            if let Some(place) = cells.get_mut(found) {
                *place = Some(self.trimmed(cell));
            }
            found += 1;
        };
        match separator {
            Separator::Blanks => text.split(is_blank).filter(|cell| !cell.is_empty()).for_each(put),
            Separator::Byte(byte) => {
                let mut start = 0;
                for at in memchr::memchr_iter(*byte, text.as_bytes()) {
                    put(&text[start..at]);
                    start = at + 1;
                }
                put(&text[start..]);
            }
            Separator::Text(finder) => {
                let mut start = 0;
                for at in finder.find_iter(text.as_bytes()) {
                    put(&text[start..at]);
                    start = at + finder.needle().len();
                }
                put(&text[start..]);
            }
        }
        let wanted = self.fields.len();
        if found == wanted {
            return Ok(());
        }
        let names: Vec<&str> = self.fields.iter().map(|(name, _)| &**name).collect();
        Err(Refusal::FieldCount { line: Seen::new(line), found, wanted, layout: names.join(", ").into() })
    }

    fn values(&self, line: &[u8], cells: &Cells<'_>) -> Result<LineOutcome, Refusal> {
        let mut named = [None; Geometry::ALL.len()];
        let mut geometries = 0;
        for (&(_, field), cell) in self.fields.iter().zip(cells) {
            let Some(text) = *cell else { continue };
            match field {
                Field::Status => self.check_status(text)?,
                Field::Unit => self.check_unit(text)?,
                Field::Mark => self.marks.check_mark(text)?,
                Field::Serial => self.check_serial(text)?,
                Field::Gloss(_) => self.refuse_word_for_value(text)?,
                _ => {}
            }
        }
        let mut sequence = None;
        for (&(_, field), cell) in self.fields.iter().zip(cells) {
            match (field, *cell) {
                (Field::Geometry, Some(text)) => {
                    named[geometries] = Some(self.geometry_named(text)?);
                    geometries += 1;
                }
                (Field::Sequence, Some(text)) => sequence = Some(self.sequence_number(text)?),
                _ => {}
            }
        }
        let gloss = self.gloss_values(line, cells, &named)?;
        Ok(LineOutcome::Values { gloss, sequence })
    }

    fn gloss_values(
        &self,
        line: &[u8],
        cells: &Cells<'_>,
        named: &[Option<Geometry>; 3],
    ) -> Result<PerGeometry<Gloss>, Refusal> {
        let mut gloss = PerGeometry::none();
        let mut named = named.iter();
        for (at, (&(_, field), cell)) in self.fields.iter().zip(cells).enumerate() {
            let Field::Gloss(own) = field else { continue };
            let geometry = own.or(self.geometry).or_else(|| named.next().copied().flatten());
            let Some(text) = *cell else { continue };
            let geometry = geometry.ok_or_else(|| self.unknown_geometry(""))?;
            let value = self.number(line, at, text)?;
            self.check_limits(geometry, value)?;
            if gloss.set(geometry, value).is_some() {
                return Err(Refusal::GeometryTwice { geometry, line: Seen::new(line) });
            }
        }
        if gloss.is_empty() { Err(Refusal::NoValue { line: Seen::new(line) }) } else { Ok(gloss) }
    }

    fn number(&self, line: &[u8], at: usize, text: &str) -> Result<Gloss, Refusal> {
        let Some(value) = self.numbers.parse(text) else {
            return Err(Refusal::NotANumber {
                place: self.place(at),
                text: Seen::new(text.as_bytes()),
                sample: self.numbers.sample().into(),
                other_mark: self.numbers.has_other_mark(text),
                line: Seen::new(line),
            });
        };
        let found = self.numbers.decimals(text);
        match self.decimals {
            Some(wanted) if wanted != found => Err(Refusal::WrongDecimals {
                place: self.place(at),
                text: Seen::new(text.as_bytes()),
                found,
                wanted,
                line: Seen::new(line),
            }),
            _ => Ok(value),
        }
    }

    fn check_limits(&self, geometry: Geometry, value: Gloss) -> Result<(), Refusal> {
        let (low, high) = (self.limits.low_gu(geometry), self.limits.high_gu(geometry));
        if value < low {
            return Err(Refusal::BelowLimit { geometry, value, limit: low });
        }
        if value > high {
            return Err(Refusal::AboveLimit { geometry, value, limit: high });
        }
        Ok(())
    }

    fn refuse_error_word(&self, text: &str) -> Result<(), Refusal> {
        match self.errors.iter().find(|(word, _)| **word == *text) {
            None => Ok(()),
            Some((word, meaning)) => {
                Err(Refusal::ErrorWord { word: Seen::new(word.as_bytes()), meaning: meaning.clone() })
            }
        }
    }

    /// Outside of a status field. A code such as `1` is no error there if the line has a status field to
    /// say it; without one, a number such as `999.9` may be the meter's way to say it.
    fn refuse_word_for_value(&self, text: &str) -> Result<(), Refusal> {
        let refused = self.refuse_error_word(text);
        let is_value = refused.is_err() && self.reads_status && self.numbers.parse(text).is_some();
        if is_value { Ok(()) } else { refused }
    }

    fn check_status(&self, text: &str) -> Result<(), Refusal> {
        if self.ok.iter().any(|word| **word == *text) {
            return Ok(());
        }
        self.refuse_error_word(text)?;
        self.marks.refuse_word(text)?;
        Err(Refusal::UnknownStatus {
            word: Seen::new(text.as_bytes()),
            known: listed(self.ok.iter().map(|w| &**w)),
        })
    }

    fn check_serial(&self, text: &str) -> Result<(), Refusal> {
        match &self.serial_number {
            Some(expected) if **expected != *text => {
                Err(Refusal::OtherMeter { found: Seen::new(text.as_bytes()), expected: expected.clone() })
            }
            _ => Ok(()),
        }
    }

    fn check_unit(&self, text: &str) -> Result<(), Refusal> {
        if self.units.iter().any(|unit| **unit == *text) {
            return Ok(());
        }
        let accepted = listed(self.units.iter().map(|unit| &**unit));
        Err(Refusal::UnknownUnit { unit: Seen::new(text.as_bytes()), accepted })
    }

    fn geometry_named(&self, text: &str) -> Result<Geometry, Refusal> {
        let known = self.geometry_words.iter().find(|(word, _)| **word == *text);
        known.map(|&(_, geometry)| geometry).ok_or_else(|| self.unknown_geometry(text))
    }

    fn unknown_geometry(&self, text: &str) -> Refusal {
        let known = listed(self.geometry_words.iter().map(|(word, _)| &**word));
        Refusal::UnknownGeometry { word: Seen::new(text.as_bytes()), known }
    }

    fn sequence_number(&self, text: &str) -> Result<u64, Refusal> {
        let SequenceRange { first, last } = self.sequence;
        let is_plain = text.bytes().all(|byte| byte.is_ascii_digit());
        let number = if is_plain { text.parse().ok() } else { None };
        number.filter(|number| (first..=last).contains(number)).ok_or_else(|| Refusal::NotASequence {
            text: Seen::new(text.as_bytes()),
            first,
            last,
        })
    }

    /// "field 3 (gloss)" or "the group `gloss_60`".
    fn place(&self, at: usize) -> Box<str> {
        let name = &self.fields[at].0;
        match &self.layout {
            Layout::Columns(columns) => format!("{} ({name})", columns.place(at)).into(),
            Layout::Separated(_) => format!("field {} ({name})", at + 1).into(),
            Layout::Pattern(..) => format!("the group `{name}`").into(),
        }
    }
}

fn is_blank(character: char) -> bool {
    character == ' ' || character == '\t'
}

fn listed<'a>(words: impl Iterator<Item = &'a str>) -> Box<str> {
    let words: Vec<String> = words.map(|word| format!("`{word}`")).collect();
    words.join(", ").into()
}

#[cfg(test)]
#[path = "parse_tests.rs"]
mod tests;
