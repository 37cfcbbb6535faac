//! Why a line gave no value. All the messages live here, those of the run too.

use crate::meter::SetEnd;
use crate::meter::escaped;
use crate::meter::joining::in_words;
use crate::units::Geometry;
use crate::units::Gloss;
use crate::units::PerGeometry;
use std::fmt;

/// Bytes of a line as a person can read them: control characters and bytes beyond ASCII escaped, at
/// most [`Seen::MAX_BYTES`] of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen(Box<str>);

impl Seen {
    /// Bytes that are shown; of longer lines the length is told.
    pub const MAX_BYTES: usize = 64;

    /// Escapes `bytes`: `\t` for a tab, `\xff` for a byte that is no printable ASCII.
    #[must_use]
    pub fn new(bytes: &[u8]) -> Seen {
        let shown = &bytes[..bytes.len().min(Seen::MAX_BYTES)];
        let mut text = format!("`{}`", escaped(shown));
        if shown.len() < bytes.len() {
            text.push_str(&format!("… ({} bytes)", bytes.len()));
        }
        Seen(text.into())
    }
}

impl fmt::Display for Seen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Why a line, or a value that a line gave, is not used. Shown as: what was seen, what it most likely
/// means, what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// The line has more or fewer fields than the profile.
    #[error(
        "the line {line} has {found} field{}, the profile wants {wanted} ({layout}): most likely bytes were lost, \
         or the meter is set to another output; press again, and if it stays so compare the profile's `fields` \
         with this line", plural(*found)
    )]
    FieldCount {
        /// The whole line.
        line: Seen,
        /// Fields in the line.
        found: usize,
        /// Fields in the profile.
        wanted: usize,
        /// Names of the profile's fields.
        layout: Box<str>,
    },
    /// The line does not match the profile's pattern from its first character to its last.
    #[error(
        "the line {line} does not match the profile's pattern: most likely bytes were lost, or the meter is set to \
         another output; press again, and if it stays so compare the `pattern` with this line"
    )]
    PatternMismatch {
        /// The whole line.
        line: Seen,
    },
    /// The line does not begin or end with what stands around the fields.
    #[error(
        "the line {line} does not {begins_or_ends} with {wanted}: most likely bytes were lost, or the meter is set to \
         another output; press again, and if it stays so compare the profile's `{key}` with this line"
    )]
    NotFramed {
        /// The whole line.
        line: Seen,
        /// "begin" or "end".
        begins_or_ends: &'static str,
        /// What should stand there.
        wanted: Seen,
        /// The key of the profile that says so.
        key: &'static str,
    },
    /// No checksum where the profile has one.
    #[error(
        "the line {line} has no checksum where {wanted} should stand: most likely bytes were lost, or the meter's \
         checksum is switched off; press again, and if it stays so compare the profile's `checksum` with this line"
    )]
    NoChecksum {
        /// The whole line.
        line: Seen,
        /// How it should look.
        wanted: Box<str>,
    },
    /// The checksum is not that of the line's bytes.
    #[error(
        "the line {line} has the checksum {found}, its bytes give `{expected}`: most likely a byte was changed or lost \
         on the way, so no value is taken; press again, and if it comes again look at the cable and the rate; if every \
         line is refused so, the profile's `checksum` is another than the meter's"
    )]
    WrongChecksum {
        /// The whole line.
        line: Seen,
        /// The digits in the line.
        found: Seen,
        /// The digits that the bytes give.
        expected: Box<str>,
    },
    /// The line ends before the last column of the profile.
    #[error(
        "the line {line} has {found} character{}, the profile's columns reach to {wanted}: most likely bytes were \
         lost, or the meter is set to another output; press again, and if it stays so compare the profile's `columns` \
         with this line", plural(*found)
    )]
    ShortLine {
        /// The whole line.
        line: Seen,
        /// Characters in the line.
        found: usize,
        /// The last column that the profile names.
        wanted: usize,
    },
    /// Something stands outside of the columns.
    #[error(
        "the line {line} has something at column {column}, where the profile has no field: most likely bytes were lost \
         or came twice, or a value is wider than its columns; press again, and if it stays so compare the profile's \
         `columns` with this line, or set `rest = \"any\"` if what stands there does not matter"
    )]
    OutsideColumns {
        /// The whole line.
        line: Seen,
        /// Where, counted from 1.
        column: usize,
    },
    /// A mean that the meter made of several of its readings.
    #[error(
        "the meter says by {sign} that this is an average it made itself, not a fresh reading: nothing was taken; set \
         the meter to single readings and press again"
    )]
    Average {
        /// The word or the line that says so.
        sign: Seen,
    },
    /// A value that the meter sent out of its memory.
    #[error(
        "the meter says by {sign} that this value comes from its memory, not from a fresh reading: nothing was taken; \
         leave the meter's memory, put it on the zone and press again"
    )]
    FromMemory {
        /// The word or the line that says so.
        sign: Seen,
    },
    /// A mark that the profile does not list.
    #[error(
        "the mark is {word}, the profile knows {known} for a fresh reading: no value is taken with a mark nobody has \
         explained; look it up in the meter's manual and add it to `marks.fresh`, `marks.average` or `marks.memory`"
    )]
    UnknownMark {
        /// The word.
        word: Seen,
        /// The words of a fresh reading.
        known: Box<str>,
    },
    /// The serial number in the line is not that of the study's meter, or of the profile's.
    #[error(
        "the line comes from the meter with the serial number {found}, `serial_number` is `{expected}`: most likely two \
         meters were swapped, and nothing was taken; connect the meter that the tile check was made with, or set \
         `serial_number` in `study.toml` or the profile, wherever it stands, and begin a run with this one"
    )]
    OtherMeter {
        /// The number in the line.
        found: Seen,
        /// The number that the study or the profile states.
        expected: Box<str>,
    },
    /// The line matches, but no part of it that names a value took part.
    #[error(
        "the line {line} fits the profile and has no value in it; if it is no reading, add it to `ignore`"
    )]
    NoValue {
        /// The whole line.
        line: Seen,
    },
    /// The line is longer than a line may be.
    #[error(
        "a line of more than {max} bytes came, it begins {line}: most likely the line end of the profile is not \
         the meter's (`end`), or the rate is wrong (`baud`); set them by the meter's manual", max = crate::meter::MAX_LINE_BYTES
    )]
    TooLong {
        /// The first bytes of the line.
        line: Seen,
    },
    /// The link was lost before the end of the line came.
    #[error(
        "the link was lost in the middle of the line {line}: its value may be short of digits and is not used; \
         plug the meter in again and take the reading again"
    )]
    CutOff {
        /// The bytes that came.
        line: Seen,
    },
    /// Bytes that the profile's encoding does not have.
    #[error(
        "the line {line} has a byte that is not {encoding}, at byte {at}: most likely the rate, the parity or the \
         data bits are not the meter's; set `baud`, `parity` and `data_bits` by its manual, or `encoding` if the \
         meter sends signs such as °"
    )]
    BadEncoding {
        /// The whole line.
        line: Seen,
        /// Name of the encoding.
        encoding: &'static str,
        /// Place of the first such byte, from 1.
        at: usize,
    },
    /// Text where a value should be.
    #[error(
        "{place} is {text}, not a number such as {sample} (line {line}): {}",
        if *other_mark { "it is written with the other decimal mark; set `decimal` in the profile to that mark" }
        else { "most likely bytes were lost, or the meter sent a word for an error; press again, and if it is such a \
                word, add it to `status.errors`" }
    )]
    NotANumber {
        /// Which field or group.
        place: Box<str>,
        /// The text in it.
        text: Seen,
        /// A number as the profile wants it.
        sample: Box<str>,
        /// Whether the text is a number with the other decimal mark.
        other_mark: bool,
        /// The whole line.
        line: Seen,
    },
    /// A number with more or fewer digits after the decimal mark than the profile's `decimals`.
    #[error(
        "{place} is {text}, with {found} digit{} after the decimal mark where the profile wants {wanted} (line \
         {line}): most likely a digit was lost; press again, and if the meter always writes so change `decimals`",
        plural(*found)
    )]
    WrongDecimals {
        /// Which field or group.
        place: Box<str>,
        /// The text in it.
        text: Seen,
        /// Digits after the mark.
        found: usize,
        /// Digits that the profile wants.
        wanted: usize,
        /// The whole line.
        line: Seen,
    },
    /// A value below the profile's limit.
    #[error(
        "{value} GU at {geometry} is below what the meter can show ({limit} GU): most likely its zero is off, or \
         the line means something else; check the zero on a black trap, and the profile's `limits.{}.low`",
        geometry.text()
    )]
    BelowLimit {
        /// Where.
        geometry: Geometry,
        /// The value that came.
        value: Gloss,
        /// The lowest that is taken.
        limit: Gloss,
    },
    /// A value above the profile's limit.
    #[error(
        "{value} GU at {geometry} is above what the meter can show ({limit} GU): most likely bytes were lost or \
         the meter stands on a mirror; press again, and check the profile's `limits.{}.high`", geometry.text()
    )]
    AboveLimit {
        /// Where.
        geometry: Geometry,
        /// The value that came.
        value: Gloss,
        /// The highest that is taken.
        limit: Gloss,
    },
    /// A word that the profile lists as an error.
    #[error("the meter says {word}: {meaning}; put that right by the meter's manual and press again")]
    ErrorWord {
        /// The word.
        word: Seen,
        /// Its meaning, from the profile.
        meaning: Box<str>,
    },
    /// A status that the profile lists neither as right nor as an error.
    #[error(
        "the status is {word}, the profile knows {known}: no value is taken with a status nobody has explained; \
         look it up in the meter's manual and add it to `status.ok` or `status.errors`"
    )]
    UnknownStatus {
        /// The word.
        word: Seen,
        /// The status words that are right.
        known: Box<str>,
    },
    /// A unit that the profile does not list.
    #[error(
        "the unit is {unit}, the profile takes {accepted}: most likely the meter shows something else than gloss; \
         set it to gloss units, or add the unit to `units` if it is another word for them"
    )]
    UnknownUnit {
        /// The unit.
        unit: Seen,
        /// The units that the profile takes.
        accepted: Box<str>,
    },
    /// A geometry that the profile has no word for.
    #[error(
        "the geometry is {word}, the profile knows {known}: most likely bytes were lost, or the meter writes its \
         angles in another way; press again, and if it stays so add the word to `geometry_words`"
    )]
    UnknownGeometry {
        /// The word.
        word: Seen,
        /// The words that the profile knows.
        known: Box<str>,
    },
    /// The line has two values at one geometry.
    #[error(
        "the line {line} has two values at {geometry}: which one holds cannot be told; check the profile's layout"
    )]
    GeometryTwice {
        /// Which one.
        geometry: Geometry,
        /// The whole line.
        line: Seen,
    },
    /// Text where the sequence number should be, or a number out of its range.
    #[error(
        "the sequence number is {text}, not a whole number from {first} to {last}: most likely bytes were lost; press \
         again, and if it stays so check the profile's `sequence` and `fields`"
    )]
    NotASequence {
        /// The text.
        text: Seen,
        /// Lowest number.
        first: u64,
        /// Highest number.
        last: u64,
    },
    /// The run's plan wants a geometry that the line does not have. Judged by the run.
    #[error(
        "the meter sent {}, the plan wants {}: set the meter to the plan's geometry and press again; nothing was taken",
        angles(line_has),
        angles(plan_wants)
    )]
    GeometryNotPlanned {
        /// The geometries of the line.
        line_has: PerGeometry<()>,
        /// The geometries of the plan.
        plan_wants: PerGeometry<()>,
    },
    /// Of the lines of one press that belong together, not all came. Judged by the run.
    #[error(
        "only {} of {} came {end}: most likely a line was lost, and nothing was taken of this press; press again, and if \
         it stays so compare `joins_deg` and `joins_within_ms` of the profile with these lines",
        angles(has),
        angles(wants)
    )]
    SetUnfinished {
        /// The geometries that came.
        has: PerGeometry<()>,
        /// Those that belong together.
        wants: PerGeometry<()>,
        /// What came instead of the rest.
        end: SetEnd,
    },
    /// A line that belongs to others, and does not begin them. Judged by the run.
    #[error(
        "a line at {found} came by itself, the profile joins {} in this order: most likely a line before it was lost or \
         refused, and nothing was taken; press again, and if it stays so compare the profile's `joins_deg` with the lines",
        in_words(wants)
    )]
    SetNotBegun {
        /// The geometry that came.
        found: Geometry,
        /// The geometries that belong together, in their order.
        wants: Box<[Geometry]>,
    },
    /// What is wanted changed while the lines of one press came. Judged by the run.
    #[error(
        "while the lines of this press came, something else became wanted, so nobody can say where it belongs: nothing was \
         taken; press again where it is wanted now"
    )]
    SetOutdated,
    /// The line has the sequence number of the line before. Judged by the run.
    #[error(
        "number {sequence} came again: the meter repeated its line, and the first one counts; if it was a new press, \
         press once more"
    )]
    SequenceRepeated {
        /// The number.
        sequence: u64,
    },
    /// Numbers are missing between the line before and this one. Judged by the run.
    #[error(
        "number {sequence} came where {expected} was due: a line was lost, a press was made while nobody listened, or \
         the meter was switched off and on; look whether the last value on the screen is the meter's, take the \
         placement again if not, and check the tile (`check`) if it was switched off"
    )]
    SequenceSkipped {
        /// The number that was due.
        expected: u64,
        /// The number that came.
        sequence: u64,
    },
}

impl Refusal {
    /// The refusal of a line that is longer than [`crate::meter::MAX_LINE_BYTES`].
    #[must_use]
    pub fn too_long(first_bytes: &[u8]) -> Refusal {
        Refusal::TooLong { line: Seen::new(&first_bytes[..first_bytes.len().min(Seen::MAX_BYTES)]) }
    }

    /// The refusal of a line whose end never came because the link was lost.
    #[must_use]
    pub fn cut_off(bytes: &[u8]) -> Refusal {
        Refusal::CutOff { line: Seen::new(bytes) }
    }

    /// A short name that stays the same, for tables and programs.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Refusal::FieldCount { .. } => "field-count",
            Refusal::PatternMismatch { .. } => "pattern-mismatch",
            Refusal::NotFramed { .. } => "not-framed",
            Refusal::NoChecksum { .. } => "no-checksum",
            Refusal::WrongChecksum { .. } => "wrong-checksum",
            Refusal::ShortLine { .. } => "short-line",
            Refusal::OutsideColumns { .. } => "outside-columns",
            Refusal::Average { .. } => "average",
            Refusal::FromMemory { .. } => "from-memory",
            Refusal::UnknownMark { .. } => "unknown-mark",
            Refusal::OtherMeter { .. } => "other-meter",
            Refusal::NoValue { .. } => "no-value",
            Refusal::TooLong { .. } => "too-long",
            Refusal::CutOff { .. } => "cut-off",
            Refusal::BadEncoding { .. } => "bad-encoding",
            Refusal::NotANumber { .. } => "not-a-number",
            Refusal::WrongDecimals { .. } => "wrong-decimals",
            Refusal::BelowLimit { .. } => "below-limit",
            Refusal::AboveLimit { .. } => "above-limit",
            Refusal::ErrorWord { .. } => "error-word",
            Refusal::UnknownStatus { .. } => "unknown-status",
            Refusal::UnknownUnit { .. } => "unknown-unit",
            Refusal::UnknownGeometry { .. } => "unknown-geometry",
            Refusal::GeometryTwice { .. } => "geometry-twice",
            Refusal::NotASequence { .. } => "not-a-sequence",
            Refusal::GeometryNotPlanned { .. } => "geometry-not-planned",
            Refusal::SetUnfinished { .. } => "set-unfinished",
            Refusal::SetNotBegun { .. } => "set-not-begun",
            Refusal::SetOutdated => "set-outdated",
            Refusal::SequenceRepeated { .. } => "sequence-repeated",
            Refusal::SequenceSkipped { .. } => "sequence-skipped",
        }
    }
}

fn plural(count: usize) -> &'static str {
    if count == 1 { "" } else { "s" }
}

/// "20° and 60°".
fn angles(geometries: &PerGeometry<()>) -> String {
    in_words(&geometries.iter().map(|(geometry, ())| geometry).collect::<Vec<_>>())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Geometry::*;

    #[test]
    fn bytes_are_shown_escaped_and_bounded() {
        assert_eq!(Seen::new(b"a\t\xff\\\"'").to_string(), r#"`a\t\xff\\"'`"#);
        assert_eq!(Seen::new(&[0; 300]).to_string(), format!("`{}`… (300 bytes)", r"\x00".repeat(64)));
    }

    #[test]
    fn a_geometry_out_of_plan_names_both_sides() {
        let line_has = [(Deg20, ()), (Deg60, ()), (Deg85, ())].into_iter().collect();
        let plan_wants = [(Deg60, ())].into_iter().collect();
        let told = Refusal::GeometryNotPlanned { line_has, plan_wants }.to_string();
        assert!(
            told.starts_with("the meter sent 20°, 60° and 85°, the plan wants 60°: set the meter"),
            "{told}"
        );
    }
}
