//! Printing: colour only on a terminal, a broken pipe is no error, a failure ends in what to do.

use super::{CHECK_FAILED, DONE, Failure};
use crate::difference::Books;
use crate::report::panels_text;
use crate::report::result_text;
use crate::session::results::{Difference, Runs};
use crate::tables::{self, Sheets, Table};
use std::collections::BTreeMap;
use std::io::{self, IsTerminal, Write};

/// Text as it may go to a terminal: what a study or a recording of somebody else's holds must not move
/// the cursor, set a title, or hide anything.
fn harmless(text: &str) -> String {
    let shown = |c: char| match c {
        '\n' | '\t' => c,
        c if c.is_control() || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}') => '\u{fffd}',
        c => c,
    };
    text.chars().map(shown).collect()
}

/// Prints a line to standard output. A reader that has gone away (`| head`) ends the program quietly.
pub fn line(text: impl std::fmt::Display) {
    check_pipe(writeln!(io::stdout(), "{}", harmless(&text.to_string())));
}

/// Ends the program quietly if the reader of its output has gone away.
pub fn check_pipe(written: io::Result<()>) {
    if written.is_err_and(|error| error.kind() == io::ErrorKind::BrokenPipe) {
        std::process::exit(0);
    }
}

/// Prints a remark to standard error.
pub fn remark(text: impl std::fmt::Display) {
    let _ = writeln!(io::stderr(), "{}", harmless(&text.to_string()));
}

/// Prints what went wrong and what to do.
pub fn complain(failure: &Failure) {
    let bold = colour(&io::stderr());
    let (on, off) = if bold { ("\x1b[1m", "\x1b[0m") } else { ("", "") };
    let _ = writeln!(io::stderr(), "{on}halfpanel: {}{off}", harmless(&failure.what));
    if !failure.hint.is_empty() {
        remark(format_args!("  hint: {}", failure.hint));
    }
}

/// Whether colour may be used there.
pub fn colour(stream: &impl IsTerminal) -> bool {
    stream.is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty())
}

/// Shows how far long work has come, on a terminal only, in one line that is written over.
pub fn progress(doing: &str, what: &str, number: usize, of: usize) {
    let mut stderr = io::stderr();
    if of > 1 && stderr.is_terminal() {
        let end = if number == of { "\r\x1b[K" } else { "" };
        let _ = write!(stderr, "\r\x1b[K{doing} {number} of {of}: {what}{end}");
        let _ = stderr.flush();
    }
}

/// Prints where tables differ. The exit code that follows.
pub fn differences(found: &[Difference]) -> u8 {
    for difference in found {
        let text = |side: &Option<String>| side.clone().unwrap_or_else(|| "(nothing)".to_owned());
        line(format_args!("{}:{}: differs", difference.file.display(), difference.line));
        line(format_args!("  stands there  {}", text(&difference.stands)));
        line(format_args!("  recomputed    {}", text(&difference.recomputed)));
    }
    if found.is_empty() { DONE } else { CHECK_FAILED }
}

/// Rows of a table of a run, each as column and text.
fn rows(books: Books<'_>, table: Table) -> Vec<BTreeMap<String, String>> {
    let mut bytes = Vec::new();
    // Writing to a Vec cannot fail.
    let _ = Sheets::new(books).write(table, &mut bytes, true);
    csv::Reader::from_reader(bytes.as_slice()).deserialize().filter_map(Result::ok).collect()
}

/// Prints the results of runs as a JSON array, empty cells as null.
pub fn results_json(runs: &Runs) -> Result<(), Failure> {
    json(runs.books().flat_map(|books| rows(books, Table::Results)), Table::Results)
}

/// Prints the budgets of a run as a JSON array, empty cells as null.
pub fn budget_json(books: Books<'_>) -> Result<(), Failure> {
    json(rows(books, Table::Budget).into_iter(), Table::Budget)
}

fn json(rows: impl Iterator<Item = BTreeMap<String, String>>, table: Table) -> Result<(), Failure> {
    let all: Vec<serde_json::Map<String, serde_json::Value>> = rows
        .map(|row| {
            row.into_iter().map(|(column, cell)| (column.clone(), typed(table, &column, &cell))).collect()
        })
        .collect();
    line(serde_json::to_string_pretty(&all).map_err(|e| Failure::new(e, ""))?);
    Ok(())
}

/// A cell in the type that the data dictionary gives its column.
fn typed(table: Table, column: &str, cell: &str) -> serde_json::Value {
    use tables::CellType;
    let schema = table.schema();
    let kind = schema.columns.iter().find(|c| c.name == column).map(|c| c.cell);
    let number = || serde_json::from_str(cell).unwrap_or(serde_json::Value::Null);
    match kind {
        _ if cell.is_empty() => serde_json::Value::Null,
        Some(CellType::Number | CellType::Integer | CellType::Boolean) => number(),
        _ => cell.into(),
    }
}

/// Prints the results of runs.
pub fn results(runs: &Runs) {
    for books in runs.books() {
        for text in result_text::results(&books) {
            line(text);
        }
    }
}

/// Prints what treatments with several panels come to, from the text of `treatments.csv`.
pub fn over_panels(treatments_csv: &[u8]) {
    panels_text::over_panels(treatments_csv).into_iter().for_each(line);
}
