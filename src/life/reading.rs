//! Reads `observations.csv`: tolerant where nothing can be misunderstood, exact where it can. A row that cannot be
//! read is named with its place and counts for nothing; all others count.

use crate::life::cells;
use crate::life::cells::Cell;
use crate::life::columns::Column;
use crate::life::observation::Observations;
use crate::life::row::Row;
use crate::life::sequence;
use crate::life::shape::Shape;
use crate::study::Study;
use crate::text::Problem;
use crate::text::nearest;

/// A row that was read, with the places of its cells.
pub(super) struct ReadRow {
    pub observation: crate::life::Observation,
    pub places: Places,
}

/// Column of each cell of a row in the file, for problems that are found later.
pub(super) struct Places(pub Vec<(Column, usize)>);

impl Places {
    /// Where a cell begins; 1 for a column that the file does not have.
    pub fn of(&self, column: Column) -> usize {
        self.0.iter().find(|(known, _)| *known == column).map_or(1, |&(_, place)| place)
    }
}

/// A problem, and the number of its row where that could be read, so that a correction can take the row back.
pub(super) struct RowProblem {
    pub row: Option<u32>,
    pub problem: Problem,
}

/// Reads the bytes of `observations.csv`; `file` is the name to show in problems. An empty file is one without rows.
#[must_use]
pub fn read(file: &str, bytes: &[u8], study: &Study) -> Observations {
    let mut found = Observations::default();
    let (bytes, has_mark) = match bytes.strip_prefix(b"\xef\xbb\xbf") {
        Some(rest) => (rest, true),
        None => (bytes, false),
    };
    if has_mark {
        found.remarks.push("the file begins with a byte order mark; it was passed over".to_owned());
    }
    if bytes.starts_with(b"\xff\xfe") || bytes.starts_with(b"\xfe\xff") {
        let hint = "save it as CSV in UTF-8 again; nothing in it was read";
        found.problems.push(problem(file, (1, 1), "the file is UTF-16 text", hint));
        return found;
    }
    let mut lines = lines(bytes);
    let ends_in_line_end = bytes.ends_with(b"\n");
    let Some((first, shape)) = header(file, &mut lines, ends_in_line_end, &mut found) else { return found };
    let mut rows = Vec::new();
    let mut bad = Vec::new();
    for (number, line) in lines {
        let is_last_and_open = !shape.ends_in_line_end && bytes.ends_with(line);
        match read_line((file, number), line, (&shape, is_last_and_open), study) {
            Ok(Some(row)) => rows.push(row),
            Ok(None) => {}
            Err(problem) => bad.push(*problem),
        }
    }
    if shape.separator != ',' {
        let name = if shape.separator == '\t' { "tabs".to_owned() } else { format!("`{}`", shape.separator) };
        found.remarks.push(format!("cells are separated by {name} (line {first}); rows are added likewise"));
    }
    if shape.is_crlf {
        found.remarks.push("lines end in CRLF; rows are added likewise".to_owned());
    }
    found.shape = Some(shape);
    sequence::settle(file, rows, bad, study, &mut found);
    found
}

/// The lines of a file with their numbers, without their LF.
fn lines(bytes: &[u8]) -> impl Iterator<Item = (usize, &[u8])> {
    let whole = bytes.strip_suffix(b"\n").unwrap_or(bytes);
    let is_empty = bytes.is_empty();
    whole.split(|&b| b == b'\n').enumerate().filter(move |_| !is_empty).map(|(index, line)| (index + 1, line))
}

fn problem(
    file: &str,
    (line, column): (usize, usize),
    what: impl Into<String>,
    hint: impl Into<String>,
) -> Problem {
    Problem { file: file.to_owned(), line, column, what: what.into(), hint: hint.into() }
}

/// The header: its line number and what it says of the shape of the file.
fn header<'a>(
    file: &str,
    lines: &mut impl Iterator<Item = (usize, &'a [u8])>,
    ends_in_line_end: bool,
    found: &mut Observations,
) -> Option<(usize, Shape)> {
    let (mut number, mut line) = lines.next()?;
    if line.get(..4).is_some_and(|start| start.eq_ignore_ascii_case(b"sep=")) {
        found.remarks.push("the line `sep=` of a spreadsheet was passed over".to_owned());
        (number, line) = lines.next()?;
    }
    let is_crlf = line.ends_with(b"\r");
    let text = String::from_utf8_lossy(line);
    let text = text.trim_end_matches('\r');
    let count = |c: char| text.chars().filter(|&other| other == c).count();
    let separator = [',', ';', '\t'].into_iter().max_by_key(|&c| (count(c), c == ',')).unwrap_or(',');
    let cells = match cells::split(text, separator) {
        Ok(cells) => cells,
        Err((column, what)) => {
            found.problems.push(problem(file, (number, column), what, "put the header right"));
            return None;
        }
    };
    let mut columns: Vec<Option<Column>> = Vec::new();
    for cell in &cells {
        columns.push(column(file, number, cell, &columns, found)?);
    }
    let missing = [Column::Row, Column::At, Column::Kind].into_iter().find(|c| !columns.contains(&Some(*c)));
    if let Some(missing) = missing {
        let what = format!("the header has no column `{}`", missing.name());
        let hint = "the first line names the columns, as protocol-notes/observations.md lists them; nothing was read";
        found.problems.push(problem(file, (number, 1), what, hint));
        return None;
    }
    Some((number, Shape { separator, is_crlf, columns, ends_in_line_end }))
}

/// What a cell of the header stands for; `None` outside where the header cannot be used.
fn column(
    file: &str,
    line: usize,
    cell: &Cell,
    before: &[Option<Column>],
    found: &mut Observations,
) -> Option<Option<Column>> {
    let name = cell.text.trim().to_lowercase();
    if let Some(known) = Column::ALL.into_iter().find(|column| column.name() == name) {
        if before.contains(&Some(known)) {
            let what = format!("the column `{name}` stands here twice");
            found.problems.push(problem(
                file,
                (line, cell.column),
                what,
                "keep one of them; nothing was read",
            ));
            return None;
        }
        return Some(Some(known));
    }
    if let Some(meant) = nearest(&name, Column::ALL.map(Column::name)) {
        // Left out, its cells would be lost without a word.
        let what = format!("no column is called `{}`", cell.text.trim());
        let hint = format!("did you mean `{meant}`? Nothing was read");
        found.problems.push(problem(file, (line, cell.column), what, hint));
        return None;
    }
    if !name.is_empty() {
        found.remarks.push(format!(
            "the column `{}` is not one of the program's; it was passed over",
            cell.text.trim()
        ));
    }
    Some(None)
}

/// One line; nothing for an empty one.
fn read_line(
    (file, number): (&str, usize),
    line: &[u8],
    (shape, is_open): (&Shape, bool),
    study: &Study,
) -> Result<Option<ReadRow>, Box<RowProblem>> {
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    let failed = |column: usize, what: &str, hint: &str| {
        Box::new(RowProblem { row: None, problem: problem(file, (number, column), what, hint) })
    };
    let text = std::str::from_utf8(line).map_err(|error| {
        let before = String::from_utf8_lossy(&line[..error.valid_up_to()]);
        let hint = "write the row again in UTF-8 (the file was put together from two encodings)";
        failed(before.chars().count() + 1, "this row is not UTF-8 text from here on", hint)
    })?;
    let cells = cells::split(text, shape.separator).map_err(|(column, what)| {
        failed(column, what, "a row is one line; a quote within a cell is doubled")
    })?;
    if cells.iter().all(|cell| cell.text.trim().is_empty()) {
        return Ok(None);
    }
    let row = Row::new((file, number), &cells, &shape.columns, study);
    let (have, want) = (cells.len(), shape.columns.len());
    let extra =
        cells.get(want).filter(|_| cells[want.min(have)..].iter().any(|cell| !cell.text.trim().is_empty()));
    if have < want {
        // A row that was cut off in writing would read as one with other figures.
        let what = format!("the row has {have} cells, and the header {want}");
        let why = if is_open { "it was cut off; " } else { "" };
        let hint = format!("{why}write all separators, or take the row back and write it again");
        return Err(Box::new(row.problem_at(text.chars().count() + 1, what, hint)));
    }
    if let Some(extra) = extra {
        let what = format!("the row has {have} cells, and the header {want}");
        let hint = format!("put a text that holds a `{}` into double quotes", shape.separator);
        return Err(Box::new(row.problem_at(extra.column, what, hint)));
    }
    let observation = row.read().map_err(Box::new)?;
    let places =
        shape.columns.iter().zip(&cells).filter_map(|(column, cell)| Some(((*column)?, cell.column)));
    Ok(Some(ReadRow { observation, places: Places(places.collect()) }))
}
