//! Which names can stand in a study: they go into table cells, file names and the words of a run.

use crate::study::file::Text;
use crate::study::load::Source;
use crate::text::Problem;
use crate::text::nearest;

const LONGEST_SHORT_NAME: usize = 24;
const LONGEST_STAGE: usize = 40;
const LONGEST_CELL: usize = 400;

/// A short name (panel, zone, treatment code): it is typed, is part of file names, and stands between
/// blanks in the operator's words.
pub(super) fn short(source: Source<'_>, kind: &str, text: &Text) -> Result<String, Problem> {
    let name = text.get_ref();
    let fits = |c: char| c.is_alphanumeric() || c == '-' || c == '_';
    if name.starts_with(char::is_alphanumeric)
        && name.chars().all(fits)
        && name.chars().count() <= LONGEST_SHORT_NAME
    {
        return Ok(name.clone());
    }
    Err(source.problem(
        text.span(),
        format!("{} cannot be a {kind}", quoted(name)),
        format!("a {kind} has 1 to {LONGEST_SHORT_NAME} letters, digits, `-` or `_`, and begins with a letter or digit"),
    ))
}

/// A text that becomes a cell of a table. Blanks at its ends are taken off.
pub(super) fn cell(source: Source<'_>, key: &str, text: &Text) -> Result<String, Problem> {
    let value = text.get_ref().trim();
    if value.is_empty() {
        let hint = "write it, or take the key out where it may be absent";
        return Err(source.problem(text.span(), format!("`{key}` is empty"), hint));
    }
    match unfit_for_a_cell(value) {
        Some((what, hint)) => Err(source.problem(text.span(), format!("`{key}` {what}"), hint)),
        None => Ok(value.to_owned()),
    }
}

/// Why a text cannot be a cell of a table, and what would be right.
pub(crate) fn unfit_for_a_cell(value: &str) -> Option<(String, &'static str)> {
    if let Some(c) = value.chars().find(|&c| is_unprintable(c)) {
        let what = format!("holds the unprintable character U+{:04X}", u32::from(c));
        return Some((what, "keep it to one line of printable text; it becomes a cell of a table"));
    }
    if let Some(mark) = value.chars().next().filter(|first| ['=', '+', '-', '@'].contains(first)) {
        let hint = "a spreadsheet would take the cell for a formula; begin with a letter or digit";
        return Some((format!("begins with `{mark}`"), hint));
    }
    (value.chars().count() > LONGEST_CELL)
        .then(|| (format!("is longer than {LONGEST_CELL} characters"), "shorten it"))
}

/// As [`cell`], empty where the key is absent.
pub(super) fn optional_cell(source: Source<'_>, key: &str, text: Option<&Text>) -> Result<String, Problem> {
    text.map_or_else(|| Ok(String::new()), |text| cell(source, key, text))
}

/// What a stage looks like, for a hint.
pub(super) const STAGE_HINT: &str =
    "a stage has lower-case letters, digits and `-`, such as `bare`, `cured`, `wiped` or `washed-10`";

/// Whether `stage` can name a stage.
pub(crate) fn is_stage(stage: &str) -> bool {
    stage.starts_with(|c: char| c.is_ascii_lowercase())
        && stage.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
        && stage.len() <= LONGEST_STAGE
}

/// The likeliest of the known names, or all of them.
pub(crate) fn meant<'a>(word: &str, kinds: &str, known: impl Iterator<Item = &'a str>) -> String {
    let all: Vec<&str> = known.collect();
    if let Some(name) = nearest(word, all.iter().copied()) {
        return format!("did you mean `{name}`?");
    }
    if all.is_empty() {
        return format!("there are no {kinds}");
    }
    format!("the {kinds} here are `{}`", all.join("`, `"))
}

/// Two names that differ in case only are taken for the same: they would be one file on many disks.
pub(super) fn is_same(a: &str, b: &str) -> bool {
    a.to_lowercase() == b.to_lowercase()
}

/// Control characters, line separators, and the marks that turn the direction of writing.
fn is_unprintable(c: char) -> bool {
    c.is_control() || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// A name as it can be shown in a message: control characters escaped.
fn quoted(name: &str) -> String {
    let shown: String = name
        .chars()
        .map(|c| if is_unprintable(c) { c.escape_unicode().to_string() } else { c.to_string() })
        .collect();
    format!("`{shown}`")
}
