//! Ways to cut lines of one shape into cells: by a separator, piece by piece for a pattern, by columns.

use crate::meter::DecimalMark;
use crate::meter::identify::tokens::Kind;
use crate::meter::identify::tokens::NumberForm;
use crate::meter::identify::tokens::Token;
use crate::meter::identify::tokens::number_form;
use crate::meter::identify::tokens::tokens;
use crate::meter::line_format::MAX_FIELDS;

/// Lines of one shape, cut in one way.
#[derive(Clone, Debug)]
pub(super) struct Cut<'t> {
    pub way: Way,
    pub mark: DecimalMark,
    /// Column by column, a cell for each line.
    pub columns: Vec<Column<'t>>,
}

/// How the lines are cut.
#[derive(Clone, Debug)]
pub(super) enum Way {
    /// The separator, as a profile names it.
    Separator(&'static str),
    /// What stands before each piece, and behind the last: blanks, or nothing.
    Pieces(Vec<Gap>),
    /// First and last character of each, counted from 1.
    Columns(Vec<(usize, usize)>),
}

/// Blanks between two pieces.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Gap {
    None,
    /// In some lines, or where the piece behind it is padded.
    Maybe,
    Always,
}

/// One column of cells.
#[derive(Clone, Debug)]
pub(super) struct Column<'t> {
    pub cells: Vec<&'t str>,
    pub form: Form,
}

/// What all cells of a column are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    /// Numbers with a decimal mark or an exponent, written alike.
    Decimal(NumberForm),
    /// Numbers, some with other decimals than others.
    Uneven,
    /// Digits alone.
    Digits,
    Word,
    Mixed,
}

impl<'t> Column<'t> {
    fn of(cells: Vec<&'t str>, mark: DecimalMark) -> Column<'t> {
        let forms: Option<Vec<NumberForm>> =
            cells.iter().map(|cell| number_form(cell, mark.character())).collect();
        let form = match forms.as_deref() {
            Some(_) if cells.iter().all(|cell| cell.bytes().all(|byte| byte.is_ascii_digit())) => {
                Form::Digits
            }
            Some([first, rest @ ..]) if rest.iter().all(|form| form == first) => Form::Decimal(*first),
            Some(forms) if forms.iter().all(|form| form.exponent.is_none()) => Form::Uneven,
            _ if cells.iter().all(|cell| !cell.is_empty() && cell.chars().all(char::is_alphabetic)) => {
                Form::Word
            }
            _ => Form::Mixed,
        };
        Column { cells, form }
    }

    /// Whether all cells are alike.
    pub fn is_constant(&self) -> bool {
        self.cells.iter().all(|cell| *cell == self.cells[0])
    }
}

const SEPARATORS: [&str; 8] = [";", "\t", "|", ",", "/", ":", "=", "blanks"];

/// Every way that cuts all rows alike.
pub(super) fn cuts<'t>(rows: &[&'t str]) -> Vec<Cut<'t>> {
    let mut found = Vec::new();
    for mark in [DecimalMark::Point, DecimalMark::Comma] {
        // A comma that no number has between digits is no decimal mark.
        if mark == DecimalMark::Comma && !rows.iter().any(|row| has_mark(row, ',')) {
            continue;
        }
        let separators = SEPARATORS.into_iter().filter(|s| !s.contains(mark.character()));
        found.extend(separators.filter_map(|separator| separated(rows, separator, mark)));
        found.extend(fixed(rows, mark));
        found.extend(pieces(rows, mark));
    }
    found
}

fn has_mark(row: &str, mark: char) -> bool {
    tokens(row, mark).iter().any(|t| t.kind == Kind::Number && t.text.contains(mark))
}

fn columns_of<'t>(by_row: &[Vec<&'t str>], mark: DecimalMark) -> Option<Vec<Column<'t>>> {
    let count = by_row.first()?.len();
    if count == 0 || count > MAX_FIELDS || by_row.iter().any(|cells| cells.len() != count) {
        return None;
    }
    let column = |at: usize| Column::of(by_row.iter().map(|cells| cells[at]).collect(), mark);
    Some((0..count).map(column).collect())
}

fn separated<'t>(rows: &[&'t str], separator: &'static str, mark: DecimalMark) -> Option<Cut<'t>> {
    let is_blank = |c: char| c == ' ' || c == '\t';
    let cut = |row: &&'t str| -> Vec<&'t str> {
        match separator {
            "blanks" => row.split(is_blank).filter(|cell| !cell.is_empty()).collect(),
            _ => row.split(separator).map(|cell| cell.trim_matches(is_blank)).collect(),
        }
    };
    let by_row: Vec<Vec<&str>> = rows.iter().map(cut).collect();
    if separator != "blanks" && by_row.first()?.len() < 2 {
        return None;
    }
    let columns = columns_of(&by_row, mark)?;
    Some(Cut { way: Way::Separator(separator), mark, columns })
}

fn pieces<'t>(rows: &[&'t str], mark: DecimalMark) -> Option<Cut<'t>> {
    let cut: Vec<Vec<Token<'t>>> =
        rows.iter().map(|row| tokens(row.trim_matches([' ', '\t']), mark.character())).collect();
    let solid = |row: &Vec<Token<'t>>| -> Vec<Token<'t>> {
        row.iter().copied().filter(|token| token.kind != Kind::Blank).collect()
    };
    let by_row: Vec<Vec<Token<'t>>> = cut.iter().map(solid).collect();
    let first = by_row.first()?;
    let alike = |row: &Vec<Token<'t>>| {
        row.len() == first.len()
            && row
                .iter()
                .zip(first)
                .all(|(a, b)| a.kind == b.kind && (a.kind != Kind::Other || a.text == b.text))
    };
    if first.is_empty() || first.len() > 60 || !by_row.iter().all(alike) {
        return None;
    }
    let gap_before = |at: usize| {
        let with = cut.iter().filter(|row| has_blank_before(row, at)).count();
        // Before a number blanks may be there to fill up, and go when it is longer.
        let padded = at > 0 && first[at].kind == Kind::Number && first[at - 1].kind == Kind::Other;
        match with {
            0 => Gap::None,
            all if all == cut.len() && !padded => Gap::Always,
            _ => Gap::Maybe,
        }
    };
    let gaps = (0..first.len()).map(gap_before).collect();
    let columns = (0..first.len())
        .map(|at| Column::of(by_row.iter().map(|row| row[at].text).collect(), mark))
        .collect();
    Some(Cut { way: Way::Pieces(gaps), mark, columns })
}

/// Whether a blank stands before the solid piece of this number.
fn has_blank_before(row: &[Token<'_>], at: usize) -> bool {
    let solid = row.iter().enumerate().filter(|(_, token)| token.kind != Kind::Blank);
    let place = solid.map(|(place, _)| place).nth(at);
    place.is_some_and(|place| place > 0 && row[place - 1].kind == Kind::Blank)
}

/// Columns, where all rows are as long and blanks fill fields up; each field takes the blanks before it.
fn fixed<'t>(rows: &[&'t str], mark: DecimalMark) -> Option<Cut<'t>> {
    let first = rows.first()?;
    if !rows.iter().all(|row| row.is_ascii() && row.len() == first.len() && !row.contains('\t')) {
        return None;
    }
    let ends = |row: &str| -> Vec<usize> {
        let bytes = row.as_bytes();
        (1..=bytes.len())
            .filter(|&at| bytes[at - 1] != b' ' && bytes.get(at).is_none_or(|&next| next == b' '))
            .collect()
    };
    let at = ends(first);
    if !first.starts_with(' ') && !first.contains("  ") || rows.iter().any(|row| ends(row) != at) {
        return None;
    }
    let starts = std::iter::once(0).chain(at.iter().copied());
    let places: Vec<(usize, usize)> =
        starts.zip(at.iter().copied()).map(|(from, to)| (from + 1, to)).collect();
    let by_row: Vec<Vec<&str>> = rows
        .iter()
        .map(|row| places.iter().map(|&(from, to)| row[from - 1..to].trim_matches(' ')).collect())
        .collect();
    let columns = columns_of(&by_row, mark)?;
    Some(Cut { way: Way::Columns(places), mark, columns })
}
