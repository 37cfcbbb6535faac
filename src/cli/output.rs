//! Printing: colour only on a terminal, a broken pipe is no error, a failure ends in what to do.

use super::{CHECK_FAILED, DONE, Failure};
use crate::run::Replayed;
use crate::session::results::Difference;
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

/// Rows of the results table of a run, each as column and text.
fn rows(replayed: &Replayed) -> Vec<BTreeMap<String, String>> {
    let mut bytes = Vec::new();
    // Writing to a Vec cannot fail.
    let _ = tables::write(Table::Results, replayed.run.ledger(), &replayed.sha256, &mut bytes, true);
    csv::Reader::from_reader(bytes.as_slice()).deserialize().filter_map(Result::ok).collect()
}

/// Whether a run has results, and every row of them is proven.
pub fn is_proven(replayed: &Replayed) -> bool {
    Sheets::of(replayed.run.ledger(), &replayed.sha256).are_proven()
}

/// Prints the results of runs as a JSON array, empty cells as null.
pub fn results_json(runs: &[Replayed]) -> Result<(), Failure> {
    let all: Vec<serde_json::Map<String, serde_json::Value>> = runs
        .iter()
        .flat_map(rows)
        .map(|row| row.into_iter().map(|(column, cell)| (column.clone(), typed(&column, &cell))).collect())
        .collect();
    line(serde_json::to_string_pretty(&all).map_err(|e| Failure::new(e, ""))?);
    Ok(())
}

/// A cell in the type that the data dictionary gives its column.
fn typed(column: &str, cell: &str) -> serde_json::Value {
    use tables::CellType;
    let schema = Table::Results.schema();
    let kind = schema.columns.iter().find(|c| c.name == column).map(|c| c.cell);
    let number = || serde_json::from_str(cell).unwrap_or(serde_json::Value::Null);
    match kind {
        _ if cell.is_empty() => serde_json::Value::Null,
        Some(CellType::Number | CellType::Integer) => number(),
        _ => cell.into(),
    }
}

/// Prints the results of runs: a heading for each run and panel, a line for each treatment and angle,
/// within 80 columns.
pub fn results(runs: &[Replayed]) {
    let mut any_proven = false;
    for replayed in runs {
        let ledger = replayed.run.ledger();
        let mut heading = String::new();
        for row in rows(replayed) {
            let cell = |name: &str| row.get(name).map_or("", String::as_str);
            let this = format!("Run {}, panel {}, {}", cell("run"), cell("panel"), cell("stage"));
            if this != heading {
                line(format_args!("{this}"));
                line(format_args!(
                    "  {:<25} {:>4} {:>10}  {:<16}",
                    "treated minus control", "at", "GU", "95 % interval"
                ));
                heading = this;
            }
            let name =
                ledger.setup.treatments.iter().find(|t| t.code == cell("treatment")).map_or("", |t| &t.name);
            let treatment: String = format!("{} {name}", cell("treatment")).chars().take(25).collect();
            let [difference, interval, verdict] = verdict(&cell);
            line(format_args!(
                "  {treatment:<25} {:>3}° {difference:>10}  {interval:<16}  {verdict}",
                cell("geometry_deg")
            ));
            if let Some(why) = why_not(&cell) {
                line(format_args!("    {why}"));
            }
            any_proven |= cell("status") == "proven";
        }
    }
    if any_proven {
        line("On these panels. No bare readings are compared, so the sides may have differed before.");
    }
}

/// Difference, interval and verdict of a row. Shape carries the meaning: up, down, none, unknown.
/// Without bare readings nothing is said to have been raised.
fn verdict<'a>(cell: &impl Fn(&str) -> &'a str) -> [String; 3] {
    let two = |name: &str| cell(name).parse::<f64>().ok().map(|v| format!("{v:+.2}"));
    let interval = match (two("ci_low_gu"), two("ci_high_gu")) {
        (Some(low), Some(high)) => format!("{low} to {high}"),
        _ => String::new(),
    };
    let verdict = match cell("verdict") {
        "higher" => "▲ treated higher",
        "lower" => "▼ treated lower",
        "no detectable difference" => "○ none detectable",
        _ => "× no result",
    };
    [two("difference_gu").unwrap_or_default(), interval, verdict.to_owned()]
}

/// What is missing for a figure, and what to do.
fn why_not<'a>(cell: &impl Fn(&str) -> &'a str) -> Option<&'static str> {
    match cell("status") {
        "proven" if cell("ci_low_gu").is_empty() => {
            Some("no interval: it takes two zones a side, and readings that are not all equal")
        }
        "proven" => None,
        "drifted" => Some("the meter drifted: read the zones again, then the tile"),
        _ => Some("not proven: it takes every zone, and a tile check before and after"),
    }
}
