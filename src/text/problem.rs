//! A mistake in a text that a person wrote, with its place.

use std::fmt;
use std::ops::Range;

/// What is wrong in an input file, where, and what would be right. Shown as
/// `FILE:LINE:COLUMN: what` and, unless the hint is empty, a second line `  hint: …`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Name of the file as the reader knows it.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What is wrong, in one sentence without a full stop.
    pub what: String,
    /// What would be right; empty where `what` has said all.
    pub hint: String,
}

impl Problem {
    /// A problem at the start of `byte_range` (bytes of `source`, as `toml::Spanned::span` gives them).
    /// A range outside `source` is taken as its end.
    ///
    /// ```
    /// use halfpanel::text::Problem;
    /// let problem = Problem::at("a.toml", "x = 1\ny = 2", 10..11, "`y` is too small", "give 3 or more");
    /// assert_eq!(problem.to_string(), "a.toml:2:5: `y` is too small\n  hint: give 3 or more");
    /// ```
    #[must_use]
    pub fn at(
        file: &str,
        source: &str,
        byte_range: Range<usize>,
        what: impl Into<String>,
        hint: impl Into<String>,
    ) -> Problem {
        let before = source.get(..byte_range.start).unwrap_or(source);
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        Problem {
            file: file.to_owned(),
            line: before.matches('\n').count() + 1,
            column: before[line_start..].chars().count() + 1,
            what: what.into(),
            hint: hint.into(),
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}: {}", self.file, self.line, self.column, self.what)?;
        if self.hint.is_empty() { Ok(()) } else { write!(f, "\n  hint: {}", self.hint) }
    }
}

impl std::error::Error for Problem {}

#[cfg(test)]
mod tests {
    use super::Problem;

    #[test]
    fn columns_count_characters_and_lines_count_line_ends() {
        let source = "a = 'ä°'\r\nbé = 'x'\n";
        let start = source.find("'x'").unwrap();
        let problem = Problem::at("f", source, start..start + 3, "w", "");
        assert_eq!((problem.line, problem.column), (2, 6));
        assert_eq!(problem.to_string(), "f:2:6: w");
    }

    #[test]
    fn a_range_outside_the_text_or_inside_a_character_points_to_the_end() {
        assert_eq!(Problem::at("f", "a\nb", 99..100, "w", "h").line, 2);
        assert_eq!(Problem::at("f", "ä", 1..2, "w", "h").column, 2);
    }
}
