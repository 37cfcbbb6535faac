//! A profile: what the user says of their meter, in TOML, compiled and tried on its own examples.

use crate::meter::Encoding;
use crate::meter::Habits;
use crate::meter::Joiner;
use crate::meter::Joining;
use crate::meter::Limits;
use crate::meter::LineAssembler;
use crate::meter::LineEnd;
use crate::meter::LineReader;
use crate::meter::SequenceRange;
use crate::meter::Specification;
use crate::meter::Way;
use crate::meter::examples;
use crate::meter::flow;
use crate::meter::layout;
use crate::meter::profile_file::File;
use crate::meter::profile_file::LimitTable;
use crate::meter::profile_file::LimitsTable;
use crate::meter::profile_file::SerialTable;
use crate::meter::profile_file::Source;
use crate::text;
use crate::text::Problem;
use crate::units::Geometry;
use crate::units::Gloss;
use crate::units::PerGeometry;
use serde::Deserialize;
use toml::Spanned;

/// Parity of the serial line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Parity {
    /// No parity bit.
    #[default]
    None,
    /// Odd parity.
    Odd,
    /// Even parity.
    Even,
}

/// Flow control of the serial line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum FlowControl {
    /// None.
    #[default]
    None,
    /// RTS and CTS.
    Hardware,
    /// XON and XOFF; takes the bytes 0x11 and 0x13 out of the line.
    Software,
}

/// What to do with the DTR wire when the port is opened. The system raises it on opening; some adapters
/// and meters start afresh on that, and some take their power from it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Dtr {
    /// Leave it as the system sets it.
    #[default]
    Leave,
    /// Raise it.
    On,
    /// Lower it.
    Off,
}

/// Settings of the serial line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Serial {
    /// Rate in bits per second.
    pub baud: u32,
    /// 7 or 8.
    pub data_bits: u8,
    /// Parity bit.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
    /// Flow control.
    pub flow: FlowControl,
    /// The DTR wire after opening.
    pub dtr: Dtr,
    /// Milliseconds after opening during which nothing that comes is read.
    pub settle_ms: u32,
}

impl Default for Serial {
    fn default() -> Serial {
        Serial {
            baud: 9600,
            data_bits: 8,
            parity: Parity::None,
            stop_bits: 1,
            flow: FlowControl::None,
            dtr: Dtr::Leave,
            settle_ms: 0,
        }
    }
}

/// One kind of meter: serial settings, line layout, limits.
///
/// ```
/// use halfpanel::meter::{LineOutcome, Profile};
/// let profile = Profile::load("mine.toml", r#"
///     name = "mine"
///     [line]
///     separator = ";"
///     fields = ["geometry", "gloss"]
///     [[example]]
///     line = "60;85.3"
///     gloss_60 = "85.3"
/// "#).unwrap();
/// assert!(matches!(profile.reader().read(b"60;91.0"), LineOutcome::Values { .. }));
/// assert!(matches!(profile.reader().read(b"60;91.0;?"), LineOutcome::Refused(_)));
/// ```
#[derive(Clone, Debug)]
pub struct Profile {
    name: String,
    about: String,
    text: String,
    serial: Serial,
    end: LineEnd,
    specification: Specification,
    habits: Habits,
    way: Way,
    joining: Option<Joining>,
    has_sequence: bool,
    geometries: PerGeometry<()>,
    reader: LineReader,
}

impl Profile {
    /// Reads a profile, compiles it and tries its examples. `file` is the name to show in errors.
    ///
    /// # Errors
    /// The first [`Problem`], with its line and column: a key that is unknown or missing, settings that
    /// contradict each other, a way of reading that does not exist, or an example that does not give what
    /// it says.
    pub fn load(file: &str, source: &str) -> Result<Profile, Problem> {
        let table: File = text::parse(file, source)?;
        let source = Source { file, text: source };
        let name = name(source, &table.name)?;
        let serial = serial(source, &table.serial)?;
        encoding_fits(source, &table, serial)?;
        let way = Way::of(source, &table.reading)?;
        flow::fits(source, &table, serial.flow, &way)?;
        let specification = Specification::of(source, &table.reading, &table.specification)?;
        let habits = Habits::of(source, &table.meter)?;
        let limits = limits(source, &table.limits)?;
        let reader = layout::compile(source, &table, limits)?;
        let joining = Joining::of(source, &table.reading, &way, &reader)?;
        examples::check(source, &reader, joining.as_ref(), &table)?;
        Ok(Profile {
            name,
            about: table.about,
            text: source.text.to_owned(),
            serial,
            end: table.line.get_ref().end,
            specification,
            habits,
            way,
            joining,
            has_sequence: layout::has_sequence(&reader),
            geometries: layout::geometries(&reader),
            reader,
        })
    }

    /// Short name, lower-case words joined by `-`.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// What kind of meter it is for, in the words of the profile's writer; may be empty.
    #[must_use]
    pub fn about(&self) -> &str {
        &self.about
    }

    /// The TOML text, as it was loaded; a recording keeps it.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Settings of the serial line.
    #[must_use]
    pub fn serial(&self) -> Serial {
        self.serial
    }

    /// What is stated of the meter's errors.
    #[must_use]
    pub fn specification(&self) -> Specification {
        self.specification
    }

    /// What the meter does by itself.
    #[must_use]
    pub fn habits(&self) -> Habits {
        self.habits
    }

    /// The serial number of the one meter that the profile is for; a line with another is refused.
    #[must_use]
    pub fn serial_number(&self) -> Option<&str> {
        self.reader.serial_number.as_deref()
    }

    /// How a reading comes.
    #[must_use]
    pub fn way(&self) -> &Way {
        &self.way
    }

    /// How the lines of one press or answer belong together, where there are several.
    #[must_use]
    pub fn joining(&self) -> Option<&Joining> {
        self.joining.as_ref()
    }

    /// A new joiner of such lines.
    #[must_use]
    pub fn joiner(&self) -> Option<Joiner> {
        Some(Joiner::new(self.joining.clone()?, self.sequence()))
    }

    /// The geometries that a line may have.
    #[must_use]
    pub fn geometries(&self) -> PerGeometry<()> {
        self.geometries
    }

    /// The numbers that the meter gives its lines, where it numbers them.
    #[must_use]
    pub fn sequence(&self) -> Option<SequenceRange> {
        self.has_sequence.then_some(self.reader.sequence)
    }

    /// The limits of the values.
    #[must_use]
    pub fn limits(&self) -> Limits {
        self.reader.limits
    }

    /// A new assembler for the profile's line end.
    #[must_use]
    pub fn assembler(&self) -> LineAssembler {
        LineAssembler::new(self.end)
    }

    /// The reader of this meter's lines.
    #[must_use]
    pub fn reader(&self) -> &LineReader {
        &self.reader
    }
}

fn name(source: Source<'_>, name: &Spanned<String>) -> Result<String, Problem> {
    let text = name.get_ref();
    let fits = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
    if (1..=40).contains(&text.len()) && text.bytes().all(fits) {
        return Ok(text.clone());
    }
    let hint = "use 1 to 40 lower-case letters, digits and `-`, such as \"my-meter\"";
    Err(source.problem(name.span(), format!("`{text}` is not a profile name"), hint))
}

fn serial(source: Source<'_>, table: &SerialTable) -> Result<Serial, Problem> {
    let Serial { baud, data_bits, stop_bits, settle_ms, .. } = Serial::default();
    Ok(Serial {
        baud: source.within("baud", table.baud.as_ref(), 50, 4_000_000, baud)?,
        data_bits: source.within("data_bits", table.data_bits.as_ref(), 7, 8, data_bits)?,
        parity: table.parity,
        stop_bits: source.within("stop_bits", table.stop_bits.as_ref(), 1, 2, stop_bits)?,
        flow: table.flow,
        dtr: table.dtr,
        settle_ms: source.within("settle_ms", table.settle_ms.as_ref(), 0, 60_000, settle_ms)?,
    })
}

/// Seven bits hold no sign beyond ASCII.
fn encoding_fits(source: Source<'_>, table: &File, serial: Serial) -> Result<(), Problem> {
    match &table.serial.data_bits {
        Some(bits) if serial.data_bits == 7 && table.line.get_ref().encoding != Encoding::Ascii => {
            let what = "`data_bits` is 7, but `encoding` has signs that need 8";
            Err(source.problem(bits.span(), what, "set `data_bits = 8`, or `encoding = \"ascii\"`"))
        }
        _ => Ok(()),
    }
}

fn limits(source: Source<'_>, table: &LimitsTable) -> Result<Limits, Problem> {
    let given =
        [(Geometry::Deg20, &table.deg20), (Geometry::Deg60, &table.deg60), (Geometry::Deg85, &table.deg85)];
    let pick = |of: fn(&LimitTable) -> &Option<Spanned<Gloss>>| -> PerGeometry<Gloss> {
        given.iter().filter_map(|&(g, limit)| of(limit).as_ref().map(|value| (g, *value.get_ref()))).collect()
    };
    let limits = Limits::with(&pick(|limit| &limit.low), &pick(|limit| &limit.high));
    for (geometry, limit) in given {
        let (low, high) = (limits.low_gu(geometry), limits.high_gu(geometry));
        if let (true, Some(place)) = (low >= high, limit.high.as_ref().or(limit.low.as_ref())) {
            let what = format!("the limits at {geometry} leave no value: {low} to {high} GU");
            return Err(source.problem(place.span(), what, "`low` has to be below `high`"));
        }
    }
    Ok(limits)
}

#[cfg(test)]
#[path = "profile_tests.rs"]
mod tests;
