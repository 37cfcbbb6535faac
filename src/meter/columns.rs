//! Lines in columns of fixed width, counted in characters from 1 as a person counts them.

use crate::meter::MAX_LINE_BYTES;
use crate::meter::Refusal;
use crate::meter::Seen;
use crate::meter::profile_file::ColumnTable;
use crate::meter::profile_file::Rest;
use crate::meter::profile_file::Source;
use crate::text::Problem;
use std::ops::Range;
use toml::Spanned;

/// Where the fields stand.
#[derive(Clone, Debug)]
pub(super) struct Columns {
    /// Characters of each field, counted from 0.
    fields: Box<[Range<usize>]>,
    /// Characters between and before the fields, counted from 0; empty where anything may stand there.
    gaps: Box<[Range<usize>]>,
    rest: Rest,
    /// Number of the last column that has a field.
    width: usize,
}

impl Columns {
    /// The columns in the order of `columns`, which is that of the fields.
    pub fn of(source: Source<'_>, given: &[Spanned<ColumnTable>], rest: Rest) -> Result<Columns, Problem> {
        let mut fields: Vec<Range<usize>> = Vec::new();
        for column in given {
            let &ColumnTable { from, to, .. } = column.get_ref();
            let refuse = |what: String, hint: &str| Err(source.problem(column.span(), what, hint));
            if from == 0 || from > to || to > MAX_LINE_BYTES {
                let hint = "columns are counted from 1, and `to` is the last one of the field";
                return refuse(format!("no column runs from {from} to {to}"), hint);
            }
            if let Some(other) = fields.iter().find(|other| from <= other.end && to > other.start) {
                let what = format!(
                    "the columns {from} to {to} run over the columns {} to {}",
                    other.start + 1,
                    other.end
                );
                return refuse(what, "a column belongs to one field; correct `from` and `to`");
            }
            fields.push(from - 1..to);
        }
        let mut sorted = fields.clone();
        sorted.sort_by_key(|field| field.start);
        let mut width = 0;
        let mut gaps = Vec::new();
        for field in sorted {
            if rest == Rest::Blank && field.start > width {
                gaps.push(width..field.start);
            }
            width = field.end;
        }
        Ok(Columns { fields: fields.into(), gaps: gaps.into(), rest, width })
    }

    /// The text of each field, as it stands in the line; `put` is called in the order of the fields.
    pub fn cut<'t>(&self, line: &[u8], text: &'t str, mut put: impl FnMut(&'t str)) -> Result<(), Refusal> {
        // In ASCII the characters are the bytes; else their places are looked up first.
        let places: Option<Vec<usize>> =
            (!text.is_ascii()).then(|| text.char_indices().map(|(at, _)| at).chain([text.len()]).collect());
        let length = places.as_ref().map_or(text.len(), |places| places.len() - 1);
        if length < self.width {
            return Err(Refusal::ShortLine { line: Seen::new(line), found: length, wanted: self.width });
        }
        let piece = |characters: &Range<usize>| match &places {
            None => &text[characters.clone()],
            Some(places) => &text[places[characters.start]..places[characters.end]],
        };
        if self.rest == Rest::Blank {
            let behind = self.width..length;
            for gap in self.gaps.iter().chain([&behind]) {
                self.check_blank(line, gap, piece(gap))?;
            }
        }
        self.fields.iter().for_each(|field| put(piece(field)));
        Ok(())
    }

    fn check_blank(&self, line: &[u8], gap: &Range<usize>, text: &str) -> Result<(), Refusal> {
        let found = text.chars().position(|character| character != ' ' && character != '\t');
        found.map_or(Ok(()), |at| {
            Err(Refusal::OutsideColumns { line: Seen::new(line), column: gap.start + at + 1 })
        })
    }

    /// "columns 5 to 10", the place of a field.
    pub fn place(&self, field: usize) -> String {
        let Range { start, end } = self.fields[field];
        if start + 1 == end { format!("column {end}") } else { format!("columns {} to {end}", start + 1) }
    }
}
