//! The line as the simulated meter prints it: a template with fields in braces.

use crate::meter::checksum::Algorithm;
use crate::meter::profile_file::ChecksumTable;
use crate::meter::scenario::Count;
use crate::units::Geometry;
use serde::Deserialize;
use std::collections::BTreeMap;

/// What the fields of a line can be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::meter) enum Field {
    /// Number of the line.
    Sequence,
    /// Angle of the value in this line, in degrees or as its word.
    Geometry,
    /// The value; with a geometry, in a line that has several.
    Gloss(Option<Geometry>),
    /// The word that all is well, or that of an error.
    Status,
    /// The digits of the checksum.
    Checksum,
    /// Prints nothing: what the checksum covers begins here.
    ChecksumFrom,
    /// Prints nothing: what the checksum covers ends here.
    ChecksumTo,
}

const FIELD_NAMES: [(&str, Field); 10] = [
    ("sequence", Field::Sequence),
    ("geometry", Field::Geometry),
    ("gloss", Field::Gloss(None)),
    ("gloss_20", Field::Gloss(Some(Geometry::Deg20))),
    ("gloss_60", Field::Gloss(Some(Geometry::Deg60))),
    ("gloss_85", Field::Gloss(Some(Geometry::Deg85))),
    ("status", Field::Status),
    ("checksum", Field::Checksum),
    ("checksum_from", Field::ChecksumFrom),
    ("checksum_to", Field::ChecksumTo),
];

/// The widest a field can be made.
const MAX_WIDTH: usize = 40;

/// A part of the template.
#[derive(Clone, Debug)]
pub(in crate::meter) enum Piece {
    /// Printed as it is.
    Text(String),
    /// Printed to the right in at least `width` characters.
    Value {
        /// What is printed.
        field: Field,
        /// Least number of characters, 0 to [`MAX_WIDTH`].
        width: usize,
        /// Filled up with zeros and not with blanks.
        zeros: bool,
    },
}

/// How the simulated meter prints its readings.
#[derive(Clone, Debug, Deserialize)]
#[serde(try_from = "Table")]
pub struct Layout {
    pub(in crate::meter) pieces: Vec<Piece>,
    geometries: Vec<Geometry>,
    end: LineEnd,
    decimal: DecimalMark,
    pub(in crate::meter) decimals: u32,
    pub(in crate::meter) geometry_words: Vec<(Geometry, String)>,
    pub(in crate::meter) status_ok: String,
    pub(in crate::meter) no_value: String,
    pub(in crate::meter) last_number: u64,
    pub(in crate::meter) checksum: Option<Algorithm>,
}

impl Layout {
    /// The geometries that are sent, in the order of sending.
    #[must_use]
    pub fn geometries(&self) -> &[Geometry] {
        &self.geometries
    }

    /// The characters that end a line.
    pub(in crate::meter) fn end(&self) -> &'static str {
        match self.end {
            LineEnd::Crlf => "\r\n",
            LineEnd::Cr => "\r",
            LineEnd::Lf => "\n",
        }
    }

    /// The character before the decimals.
    pub(in crate::meter) fn decimal_mark(&self) -> &'static str {
        match self.decimal {
            DecimalMark::Point => ".",
            DecimalMark::Comma => ",",
        }
    }

    /// Whether the template prints this field.
    pub(in crate::meter) fn has(&self, wanted: Field) -> bool {
        self.pieces.iter().any(|piece| matches!(piece, Piece::Value { field, .. } if *field == wanted))
    }
}

impl Default for Layout {
    fn default() -> Layout {
        Layout::try_from(Table::default()).expect("the layout without any key is a right one")
    }
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct Table {
    line: Template,
    geometries: Option<Vec<Geometry>>,
    end: LineEnd,
    decimal: DecimalMark,
    decimals: Decimals,
    geometry_words: BTreeMap<String, Geometry>,
    status_ok: Option<String>,
    no_value: Option<String>,
    sequence_last: Option<Count>,
    checksum: Option<ChecksumTable>,
}

#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum LineEnd {
    #[default]
    Crlf,
    Cr,
    Lf,
}

#[derive(Clone, Copy, Debug, Default, Deserialize)]
enum DecimalMark {
    #[default]
    #[serde(rename = ".")]
    Point,
    #[serde(rename = ",")]
    Comma,
}

#[derive(Clone, Copy, Deserialize)]
#[serde(try_from = "u32")]
struct Decimals(u32);

impl Default for Decimals {
    fn default() -> Decimals {
        Decimals(1)
    }
}

impl TryFrom<u32> for Decimals {
    type Error = &'static str;
    fn try_from(decimals: u32) -> Result<Decimals, Self::Error> {
        if decimals > 4 {
            Err("that many decimals no meter prints; give 0 to 4")
        } else {
            Ok(Decimals(decimals))
        }
    }
}

impl TryFrom<Table> for Layout {
    type Error = String;
    fn try_from(table: Table) -> Result<Layout, String> {
        let Template(pieces) = table.line;
        let geometries = geometries(&pieces, table.geometries)?;
        let checksum = checksum(&pieces, table.checksum.as_ref())?;
        let status_ok = printable("status_ok", table.status_ok, "OK")?;
        let no_value = printable("no_value", table.no_value, "---")?;
        for word in table.geometry_words.keys() {
            printable("geometry_words", Some(word.clone()), "")?;
        }
        Ok(Layout {
            pieces,
            geometries,
            end: table.end,
            decimal: table.decimal,
            decimals: table.decimals.0,
            geometry_words: table
                .geometry_words
                .into_iter()
                .map(|(word, geometry)| (geometry, word))
                .collect(),
            status_ok,
            no_value,
            last_number: table.sequence_last.map_or(9_999, |last| last.0),
            checksum,
        })
    }
}

fn printable(key: &str, text: Option<String>, default: &str) -> Result<String, String> {
    let text = text.unwrap_or_else(|| default.to_owned());
    if text.chars().any(char::is_control) {
        return Err(format!("`{key}` breaks the line; take the line end out"));
    }
    Ok(text)
}

/// The checksum, which stands once in the template, behind what it covers.
fn checksum(pieces: &[Piece], table: Option<&ChecksumTable>) -> Result<Option<Algorithm>, String> {
    let places = |wanted: Field| {
        let is_it = move |piece: &Piece| matches!(piece, Piece::Value { field, .. } if *field == wanted);
        pieces.iter().enumerate().filter(move |(_, piece)| is_it(piece)).map(|(at, _)| at).collect::<Vec<_>>()
    };
    let [digits, from, to] = [Field::Checksum, Field::ChecksumFrom, Field::ChecksumTo].map(places);
    let Some(table) = table else {
        return if digits.is_empty() && from.is_empty() && to.is_empty() {
            Ok(None)
        } else {
            Err("`line` has a checksum, but nothing says which; give `checksum`".to_owned())
        };
    };
    let &[at] = digits.as_slice() else {
        return Err("`checksum` is given; let `{checksum}` stand in `line` once".to_owned());
    };
    let in_order = from.first().is_none_or(|&from| from < *to.first().unwrap_or(&at))
        && to.first().is_none_or(|&to| to < at);
    if from.len() > 1 || to.len() > 1 || !in_order {
        return Err(
            "the marks of the checksum are out of order; let `{checksum_from}`, `{checksum_to}` and \
                    `{checksum}` stand so, each once"
                .to_owned(),
        );
    }
    if table.separator.is_some() || table.from.is_some() || table.to.is_some() {
        return Err(
            "`separator`, `from` and `to` are keys of a profile; in a scenario the template has them, by \
                    `{checksum_from}` and `{checksum_to}`"
                .to_owned(),
        );
    }
    Algorithm::new(table).map(Some).map_err(|(_, what, hint)| format!("{what}; {hint}"))
}

/// Those named in the template, else those of the key `geometries`, else 60°.
fn geometries(pieces: &[Piece], given: Option<Vec<Geometry>>) -> Result<Vec<Geometry>, String> {
    let fields: Vec<Field> = pieces
        .iter()
        .filter_map(|piece| match piece {
            Piece::Value { field, .. } => Some(*field),
            Piece::Text(_) => None,
        })
        .collect();
    let named: Vec<Geometry> = fields
        .iter()
        .filter_map(|field| if let Field::Gloss(geometry) = field { *geometry } else { None })
        .collect();
    let has_plain = fields.contains(&Field::Gloss(None));
    let has_angle = fields.contains(&Field::Geometry);
    match (named.is_empty(), has_plain, given) {
        (true, false, _) => Err("the line has no value; put `{gloss}` into `line`".to_owned()),
        (true, true, None) => Ok(vec![Geometry::Deg60]),
        (true, true, Some(given)) if given.is_empty() || has_twice(&given) => {
            Err("`geometries` is empty or names one twice; give some of 20, 60, 85".to_owned())
        }
        (true, true, Some(given)) => Ok(given),
        (false, true, _) => {
            Err("`line` mixes `{gloss}` with `{gloss_60}` and its like; use one kind".to_owned())
        }
        (false, false, Some(_)) => Err("`line` names its angles already; take `geometries` out".to_owned()),
        (false, false, None) if has_angle || has_twice(&named) => {
            Err("`line` has `{geometry}` or one value twice; each angle of a line stands in it once"
                .to_owned())
        }
        (false, false, None) => Ok(named),
    }
}

fn has_twice(geometries: &[Geometry]) -> bool {
    geometries.iter().enumerate().any(|(index, geometry)| geometries[..index].contains(geometry))
}

#[derive(Deserialize)]
#[serde(try_from = "String")]
struct Template(Vec<Piece>);

impl Default for Template {
    fn default() -> Template {
        Template::try_from("{sequence:04};{geometry};{gloss};GU;{status}".to_owned())
            .expect("a test prints with this template")
    }
}

impl TryFrom<String> for Template {
    type Error = String;
    fn try_from(template: String) -> Result<Template, String> {
        if template.contains(['\r', '\n']) {
            return Err("`line` holds a line end; give it by `end`".to_owned());
        }
        let mut pieces = Vec::new();
        let mut rest = template.as_str();
        while let Some((text, after)) = rest.split_once('{') {
            let unclosed =
                || format!("a brace of `{template}` is not closed; fields are such as `{{gloss}}`");
            let (field, after) = after.split_once('}').ok_or_else(unclosed)?;
            pieces.push(Piece::Text(text.to_owned()));
            pieces.push(value_piece(field)?);
            rest = after;
        }
        pieces.push(Piece::Text(rest.to_owned()));
        Ok(Template(pieces))
    }
}

/// `name`, `name:7` or `name:04`.
fn value_piece(text: &str) -> Result<Piece, String> {
    let (name, width) = text.split_once(':').unwrap_or((text, "0"));
    let Some(&(_, field)) = FIELD_NAMES.iter().find(|&&(known, _)| known == name) else {
        let names: Vec<&str> = FIELD_NAMES.iter().map(|&(known, _)| known).collect();
        return Err(format!("`{{{name}}}` is no field of a line; the fields are {}", names.join(", ")));
    };
    let is_width = |width: &usize| *width <= MAX_WIDTH;
    let Some(least) = width.parse().ok().filter(is_width) else {
        return Err(format!(
            "`{width}` is no width; `{{{name}:7}}` fills up with blanks, `{{{name}:04}}` with zeros"
        ));
    };
    Ok(Piece::Value { field, width: least, zeros: width.starts_with('0') })
}
