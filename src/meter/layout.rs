//! The `[line]` table of a profile into a [`LineReader`], and what the table may not say.

use crate::meter::Limits;
use crate::meter::LineReader;
use crate::meter::SequenceRange;
use crate::meter::columns::Columns;
use crate::meter::frame::Frame;
use crate::meter::line_format::Field;
use crate::meter::line_format::Layout;
use crate::meter::line_format::MAX_FIELDS;
use crate::meter::line_format::Separator;
use crate::meter::marks::Marks;
use crate::meter::number::Numbers;
use crate::meter::profile_file::File;
use crate::meter::profile_file::LineTable;
use crate::meter::profile_file::Notation;
use crate::meter::profile_file::Rest;
use crate::meter::profile_file::Source;
use crate::text::Problem;
use crate::text::nearest;
use crate::units::Geometry;
use crate::units::PerGeometry;
use regex::Regex;
use regex::RegexSetBuilder;
use std::ops::Range;
use toml::Spanned;

/// The value of `separator` that stands for one or more spaces or tabs.
const BLANKS: &str = "blanks";

const FIELD_NAMES: [(&str, Field); 11] = [
    ("gloss", Field::Gloss(None)),
    ("gloss_20", Field::Gloss(Some(Geometry::Deg20))),
    ("gloss_60", Field::Gloss(Some(Geometry::Deg60))),
    ("gloss_85", Field::Gloss(Some(Geometry::Deg85))),
    ("geometry", Field::Geometry),
    ("sequence", Field::Sequence),
    ("status", Field::Status),
    ("unit", Field::Unit),
    ("mark", Field::Mark),
    ("serial", Field::Serial),
    ("skip", Field::Skip),
];

type Fields = Box<[(Box<str>, Field)]>;
/// Error words and their meanings.
type Words = Box<[(Box<str>, Box<str>)]>;

pub(super) fn compile(source: Source<'_>, file: &File, limits: Limits) -> Result<LineReader, Problem> {
    let line = file.line.get_ref();
    let (layout, fields, place) = laid_out(source, file, line)?;
    check_geometry(source, line, &fields, place.clone())?;
    let has = |wanted: Field| fields.iter().any(|&(_, field)| field == wanted);
    let reads_status = has(Field::Status);
    let units = needs_field(source, line.units.as_ref(), "units", "unit", has(Field::Unit))?;
    let ok = needs_field(source, file.status.ok.as_ref(), "status.ok", "status", reads_status)?;
    needs_field(source, line.geometry_words.as_ref(), "geometry_words", "geometry", has(Field::Geometry))?;
    let sequence = needs_field(source, file.sequence.as_ref(), "sequence", "sequence", has(Field::Sequence))?;
    if reads_status && ok.is_none_or(Vec::is_empty) {
        let hint = "add `[status]` with `ok = [\"…\"]`; a line with any other status is refused";
        return Err(source.problem(place, "the status is read, but no word says that all is well", hint));
    }
    let marks =
        Marks::of(source, file, has(Field::Mark), reads_status, |given| line_patterns(source, given))?;
    if has(Field::Mark) && marks.has_no_fresh_word() {
        let hint = "add `[marks]` with `fresh = [\"…\"]`; `\"\"` stands for an empty field";
        return Err(source.problem(
            place,
            "the mark is read, but no word says that a reading is fresh",
            hint,
        ));
    }
    let default_units = || vec!["GU".to_owned()];
    Ok(LineReader {
        encoding: line.encoding,
        frame: Frame::of(source, file)?.map(Box::new),
        numbers: numbers(source, line)?,
        decimals: decimals(source, line)?,
        trim: line.trim.unwrap_or(true),
        layout,
        geometry: line.geometry_deg.as_ref().map(|geometry| *geometry.get_ref()),
        geometry_words: geometry_words(line),
        units: boxed(&units.cloned().unwrap_or_else(default_units)),
        ok: boxed(ok.map_or(&[], Vec::as_slice)),
        errors: errors(source, file)?,
        reads_status,
        ignore: line_patterns(source, &line.ignore)?,
        marks,
        serial_number: serial_number(source, file, has(Field::Serial))?,
        limits,
        sequence: sequence_range(source, file, sequence.map(|table| (table.first, table.last)))?,
        fields,
    })
}

/// The one of the three ways to describe a line that is given.
fn laid_out(
    source: Source<'_>,
    file: &File,
    line: &LineTable,
) -> Result<(Layout, Fields, Range<usize>), Problem> {
    if let (Some(rest), None) = (&line.rest, &line.columns) {
        let what = "`rest` is given, but no `columns`";
        return Err(source.problem(rest.span(), what, "give `columns`, or take `rest` out"));
    }
    match (&line.separator, &line.fields, &line.columns, &line.pattern) {
        (Some(separator), Some(fields), None, None) => {
            let layout = Layout::Separated(separator_of(source, line, separator)?);
            let names: Vec<_> = fields.get_ref().iter().collect();
            Ok((layout, named_fields(source, "fields", &names, fields.span())?, fields.span()))
        }
        (None, None, Some(columns), None) => {
            let rest = line.rest.as_ref().map_or(Rest::default(), |rest| *rest.get_ref());
            let layout = Layout::Columns(Columns::of(source, columns.get_ref(), rest)?);
            let names: Vec<_> = columns.get_ref().iter().map(|column| &column.get_ref().field).collect();
            Ok((layout, named_fields(source, "columns", &names, columns.span())?, columns.span()))
        }
        (None, None, None, Some(pattern)) => {
            let (layout, fields) = pattern_of(source, pattern)?;
            Ok((layout, fields, pattern.span()))
        }
        (separator, fields, columns, _) => {
            let spans = [
                separator.as_ref().map(Spanned::span),
                fields.as_ref().map(Spanned::span),
                columns.as_ref().map(Spanned::span),
            ];
            let place = spans.into_iter().flatten().next().unwrap_or(file.line.span());
            let what = "the layout of the line is not given, or given twice";
            Err(source.problem(place, what, "give `separator` and `fields`, or `columns`, or `pattern`"))
        }
    }
}

fn numbers(source: Source<'_>, line: &LineTable) -> Result<Numbers, Problem> {
    let exponent_digits = match (line.notation, &line.exponent_digits) {
        (Notation::Plain, None) => None,
        (Notation::Plain, Some(given)) => {
            let what = "`exponent_digits` is given, but the numbers have no exponent";
            let hint = "set `notation = \"scientific\"`, or take `exponent_digits` out";
            return Err(source.problem(given.span(), what, hint));
        }
        (Notation::Scientific, None) => Some(2),
        (Notation::Scientific, Some(given)) if (1..=3).contains(given.get_ref()) => {
            Some(usize::from(*given.get_ref()))
        }
        (Notation::Scientific, Some(given)) => {
            let what = format!("`exponent_digits` is {}", given.get_ref());
            return Err(source.problem(
                given.span(),
                what,
                "give 1 to 3, the digits behind the E and its sign",
            ));
        }
    };
    Ok(Numbers { mark: line.decimal, exponent_digits })
}

/// The meter's serial number, where the profile is for one meter alone.
fn serial_number(source: Source<'_>, file: &File, has_serial: bool) -> Result<Option<Box<str>>, Problem> {
    let given = file.meter.serial_number.as_ref();
    let number = needs_field(source, given, "meter.serial_number", "serial", has_serial)?;
    match (given, number) {
        (Some(given), Some(number)) if number.is_empty() => {
            let hint = "give it as the line has it, or take the key out";
            Err(source.problem(given.span(), "`serial_number` is empty", hint))
        }
        _ => Ok(number.map(|number| number.as_str().into())),
    }
}

pub(super) fn has_sequence(reader: &LineReader) -> bool {
    reader.fields.iter().any(|&(_, field)| field == Field::Sequence)
}

pub(super) fn geometries(reader: &LineReader) -> PerGeometry<()> {
    let own = reader.fields.iter().filter_map(|&(_, field)| match field {
        Field::Gloss(geometry) => geometry.or(reader.geometry),
        _ => None,
    });
    let named = reader.geometry_words.iter().map(|&(_, geometry)| geometry);
    let reads_words = reader.fields.iter().any(|&(_, field)| field == Field::Geometry);
    own.chain(named.filter(|_| reads_words)).map(|geometry| (geometry, ())).collect()
}

fn separator_of(source: Source<'_>, line: &LineTable, given: &Spanned<String>) -> Result<Separator, Problem> {
    let text = given.get_ref().as_str();
    let refuse = |what: &str, hint: &str| Err(source.problem(given.span(), what, hint));
    match text {
        BLANKS => return Ok(Separator::Blanks),
        "" => {
            return refuse(
                "`separator` is empty",
                "give the text between two fields, such as \";\" or \"\\t\"",
            );
        }
        _ if text.contains(['\r', '\n']) || line.end.stands_in(text) => {
            return refuse(
                "`separator` has a line end in it",
                "a line end never stands inside a line; see `end`",
            );
        }
        _ if text.contains(line.decimal.character()) => {
            let hint = "set `decimal` to the other mark, or describe the line by `pattern`";
            return refuse("`separator` has the decimal mark in it, so no number could be told", hint);
        }
        _ if text.contains(|c: char| c.is_ascii_digit() || c == '-' || c == '+') => {
            let hint = "describe the line by `pattern`";
            return refuse("`separator` has a digit or a sign in it, so no number could be told", hint);
        }
        _ => {}
    }
    Ok(match text.as_bytes() {
        &[byte] => Separator::Byte(byte),
        bytes => Separator::Text(Box::new(memchr::memmem::Finder::new(bytes).into_owned())),
    })
}

fn field_named(source: Source<'_>, name: &str, place: Range<usize>, kind: &str) -> Result<Field, Problem> {
    if let Some((_, field)) = FIELD_NAMES.iter().find(|(known, _)| *known == name) {
        return Ok(*field);
    }
    let names = FIELD_NAMES.map(|(known, _)| known);
    let hint = match nearest(name, names) {
        Some(meant) => format!("did you mean `{meant}`?"),
        None => format!("the {kind}s are `{}`", names.join("`, `")),
    };
    Err(source.problem(place, format!("unknown {kind} `{name}`"), hint))
}

fn named_fields(
    source: Source<'_>,
    key: &str,
    names: &[&Spanned<String>],
    place: Range<usize>,
) -> Result<Fields, Problem> {
    if names.len() > MAX_FIELDS {
        let what = format!("`{key}` has {} fields, more than {MAX_FIELDS}", names.len());
        return Err(source.problem(place, what, "describe the line by `pattern`"));
    }
    let mut fields: Vec<(Box<str>, Field)> = Vec::new();
    for name in names {
        let field = field_named(source, name.get_ref(), name.span(), "field")?;
        let may_repeat = !matches!(field, Field::Sequence | Field::Serial | Field::Gloss(Some(_)));
        if !may_repeat && fields.iter().any(|&(_, before)| before == field) {
            let what = format!("the field `{}` stands twice", name.get_ref());
            return Err(source.problem(name.span(), what, "name the second one `skip`"));
        }
        fields.push((name.get_ref().as_str().into(), field));
    }
    Ok(fields.into())
}

fn pattern_of(source: Source<'_>, given: &Spanned<String>) -> Result<(Layout, Fields), Problem> {
    let regex = anchored(source, given)?;
    let mut fields = Vec::new();
    let mut groups = Vec::new();
    for (group, name) in regex.capture_names().enumerate() {
        let Some(name) = name else { continue };
        fields.push((name.into(), field_named(source, name, given.span(), "group")?));
        groups.push(group);
    }
    Ok((Layout::Pattern(Box::new(regex), groups.into()), fields.into()))
}

/// The pattern as it stands has to be right by itself, so that no bracket in it closes the anchors'.
fn anchored(source: Source<'_>, given: &Spanned<String>) -> Result<Regex, Problem> {
    let pattern = given.get_ref();
    let compiled = Regex::new(pattern).and_then(|_| Regex::new(&format!(r"\A(?:{pattern})\z")));
    compiled.map_err(|error| {
        let error = error.to_string();
        let last = error.lines().last().unwrap_or("").trim().trim_start_matches("error: ").to_owned();
        let hint = "write it in 'single quotes', so that a backslash stays one; `\\.` is a point, `\\s*` blanks, \
                    `(?<gloss>…)` a named group";
        source.problem(given.span(), format!("not a pattern: {last}"), hint)
    })
}

/// Patterns that stand for whole lines.
fn line_patterns(source: Source<'_>, given: &[Spanned<String>]) -> Result<Option<regex::RegexSet>, Problem> {
    let mut patterns = Vec::new();
    for pattern in given {
        let regex = anchored(source, pattern)?;
        if regex.is_match("") {
            let hint = "let it ask for at least one character that only such lines have";
            return Err(source.problem(pattern.span(), "this pattern would pass over an empty line", hint));
        }
        patterns.push(regex.as_str().to_owned());
    }
    let Some(first) = given.first() else { return Ok(None) };
    let set = RegexSetBuilder::new(patterns).build();
    set.map(Some)
        .map_err(|error| source.problem(first.span(), format!("these patterns are too large: {error}"), ""))
}

fn check_geometry(
    source: Source<'_>,
    line: &LineTable,
    fields: &Fields,
    place: Range<usize>,
) -> Result<(), Problem> {
    let count = |wanted: fn(Field) -> bool| fields.iter().filter(|&&(_, field)| wanted(field)).count();
    let plain = count(|field| field == Field::Gloss(None));
    let own = count(|field| matches!(field, Field::Gloss(Some(_))));
    let named = count(|field| field == Field::Geometry);
    let refuse = |what: &str, hint: &str| Err(source.problem(place.clone(), what, hint));
    match (plain, own, named, line.geometry_deg.as_ref()) {
        (0, 0, _, _) => {
            refuse("no field holds a value", "name it `gloss`, or `gloss_20`, `gloss_60`, `gloss_85`")
        }
        (1.., 1.., _, _) => refuse(
            "`gloss` stands beside `gloss_20`, `gloss_60` or `gloss_85`",
            "name all values in one of the two ways",
        ),
        (_, _, 1.., Some(deg)) | (_, 1.., _, Some(deg)) => {
            let hint = "take `geometry_deg` out: it is for lines that do not name their geometry";
            Err(source.problem(deg.span(), "the line names its geometry already", hint))
        }
        (_, 1.., 1.., None) => {
            refuse("`geometry` names nothing here", "name it `skip`: the values' names have it")
        }
        (1, 0, 0, None) => refuse(
            "nothing says at which geometry the value was read",
            "add a `geometry` field, set `geometry_deg = 60`, or name the value `gloss_60`",
        ),
        (2.., 0, named, _) if named != plain => refuse(
            "several `gloss` fields need one `geometry` field each",
            "or name them `gloss_20`, `gloss_60`, `gloss_85`",
        ),
        (4.., ..) => {
            refuse("more than three values in a line", "there are three geometries; name the others `skip`")
        }
        (1, 0, 2.., _) => refuse("more `geometry` fields than values", "name the others `skip`"),
        _ => Ok(()),
    }
}

fn needs_field<'a, T>(
    source: Source<'_>,
    given: Option<&'a Spanned<T>>,
    key: &str,
    field: &str,
    there: bool,
) -> Result<Option<&'a T>, Problem> {
    match given {
        Some(given) if !there => {
            let what = format!("`{key}` is given, but no field is named `{field}`");
            Err(source.problem(
                given.span(),
                what,
                format!("name a field or group `{field}`, or take `{key}` out"),
            ))
        }
        given => Ok(given.map(Spanned::get_ref)),
    }
}

fn decimals(source: Source<'_>, line: &LineTable) -> Result<Option<usize>, Problem> {
    let Some(given) = &line.decimals else { return Ok(None) };
    if *given.get_ref() <= 6 {
        return Ok(Some(usize::from(*given.get_ref())));
    }
    let what = format!("`decimals` is {}", given.get_ref());
    Err(source.problem(given.span(), what, "give 0 to 6, the digits after the decimal mark"))
}

fn geometry_words(line: &LineTable) -> Box<[(Box<str>, Geometry)]> {
    match &line.geometry_words {
        Some(words) => words
            .get_ref()
            .iter()
            .map(|(word, geometry)| (word.as_str().into(), *geometry.get_ref()))
            .collect(),
        None => Geometry::ALL.map(|geometry| (geometry.text().into(), geometry)).into(),
    }
}

fn errors(source: Source<'_>, file: &File) -> Result<Words, Problem> {
    let ok: &[String] = file.status.ok.as_ref().map_or(&[], |ok| ok.get_ref());
    for (word, meaning) in &file.status.errors {
        let refuse = |what, hint| Err(source.problem(meaning.span(), what, hint));
        if word.is_empty() {
            return refuse("an error word is empty".to_owned(), "give the word that the meter sends");
        }
        if ok.contains(word) {
            return refuse(format!("`{word}` is in `ok` and in `errors`"), "a word is one or the other");
        }
    }
    Ok(file
        .status
        .errors
        .iter()
        .map(|(word, text)| (word.as_str().into(), text.get_ref().as_str().into()))
        .collect())
}

fn sequence_range(
    source: Source<'_>,
    file: &File,
    given: Option<(u64, u64)>,
) -> Result<SequenceRange, Problem> {
    let Some((first, last)) = given else { return Ok(SequenceRange { first: 0, last: u64::MAX }) };
    match &file.sequence {
        Some(table) if first >= last => {
            let what = format!("`sequence` runs from {first} to {last}");
            Err(source.problem(table.span(), what, "`last` has to be above `first`"))
        }
        _ => Ok(SequenceRange { first, last }),
    }
}

fn boxed(words: &[String]) -> Box<[Box<str>]> {
    words.iter().map(|word| word.as_str().into()).collect()
}
