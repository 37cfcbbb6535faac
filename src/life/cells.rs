//! One line of a table in cells, each with its column, so that a mistake can be pointed at. RFC 4180, but a row is one
//! line: a quote that is not closed must not swallow the rows behind it.

/// A cell, and where it begins.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Cell {
    pub text: String,
    /// Character of the line, from 1.
    pub column: usize,
}

/// What a line cannot be read for: the column, and why.
pub(super) type BadLine = (usize, &'static str);

/// The cells of a line without its line end.
pub(super) fn split(line: &str, separator: char) -> Result<Vec<Cell>, BadLine> {
    let mut cells = Vec::new();
    let mut rest = line.chars().enumerate().map(|(index, c)| (index + 1, c)).peekable();
    loop {
        let column = rest.peek().map_or_else(|| line.chars().count() + 1, |&(column, _)| column);
        let mut text = String::new();
        let is_quoted = rest.next_if(|&(_, c)| c == '"').is_some();
        if is_quoted {
            loop {
                match rest.next() {
                    Some((_, '"')) if rest.next_if(|&(_, c)| c == '"').is_some() => text.push('"'),
                    Some((_, '"')) => break,
                    Some((_, c)) => text.push(c),
                    None => return Err((column, "the quote that begins here is not closed on this line")),
                }
            }
        }
        match rest.next() {
            None => {
                cells.push(Cell { text, column });
                return Ok(cells);
            }
            Some((_, c)) if c == separator => {}
            Some((at, _)) if is_quoted => return Err((at, "text stands behind the closing quote")),
            Some((_, first)) => {
                text.push(first);
                while let Some((_, c)) = rest.next_if(|&(_, c)| c != separator) {
                    text.push(c);
                }
                if rest.next().is_none() {
                    cells.push(Cell { text, column });
                    return Ok(cells);
                }
            }
        }
        cells.push(Cell { text, column });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(line: &str, separator: char) -> Vec<(String, usize)> {
        split(line, separator).unwrap().into_iter().map(|cell| (cell.text, cell.column)).collect()
    }

    fn owned(cells: &[(&str, usize)]) -> Vec<(String, usize)> {
        cells.iter().map(|&(text, column)| (text.to_owned(), column)).collect()
    }

    #[test]
    fn cells_know_their_columns_in_characters() {
        assert_eq!(texts("ä,b,,c", ','), owned(&[("ä", 1), ("b", 3), ("", 5), ("c", 6)]));
        assert_eq!(texts("", ','), owned(&[("", 1)]));
        assert_eq!(texts("a;", ';'), owned(&[("a", 1), ("", 3)]));
    }

    #[test]
    fn quotes_hold_separators_and_doubled_quotes() {
        assert_eq!(texts("\"a, b\",\"say \"\"so\"\"\"", ','), owned(&[("a, b", 1), ("say \"so\"", 8)]));
        assert_eq!(texts("\"\",x", ','), owned(&[("", 1), ("x", 4)]));
    }

    #[test]
    fn a_quote_that_is_not_closed_and_text_behind_one_are_told_with_their_column() {
        assert_eq!(split("a,\"b", ',').unwrap_err().0, 3);
        assert_eq!(split("\"a\"b,c", ',').unwrap_err().0, 4);
    }
}
