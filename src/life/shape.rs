//! How a file of observations is written, so that a row that is added is written likewise.

use crate::life::columns::Column;

/// Separator, line ends and header of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shape {
    /// Between two cells: `,`, `;` or a tab.
    pub separator: char,
    /// Whether lines end in CRLF, in place of LF.
    pub is_crlf: bool,
    /// What each column of the file is; `None` for one that the program does not know.
    pub columns: Vec<Option<Column>>,
    /// Whether the last line has its line end; a row that is added must not run into it.
    pub ends_in_line_end: bool,
}

impl Shape {
    /// A file that is not there yet.
    #[must_use]
    pub fn new_file() -> Shape {
        Shape {
            separator: ',',
            is_crlf: false,
            columns: Column::ALL.map(Some).to_vec(),
            ends_in_line_end: true,
        }
    }

    /// The line end.
    #[must_use]
    pub fn line_end(&self) -> &'static str {
        if self.is_crlf { "\r\n" } else { "\n" }
    }
}
