//! The published tables of a run, and their data dictionary (`protocol-notes/tables.md`).
//!
//! Every row is made from a [`Ledger`] alone. CSV by RFC 4180 in UTF-8 with LF line ends; times by
//! RFC 3339 with the offset of the place of the run; derived figures to four decimals; what is not
//! known is empty, never zero. The readings are streamed, since a run can have a million of them.

mod budget;
mod cells;
mod columns;
mod contrasts;
mod datapackage;
mod join;
mod readings;
mod results;
mod schema;
mod tile_checks;
mod times;
mod treatments;
mod zones;

pub use datapackage::RunNote;
pub use datapackage::datapackage;
pub use datapackage::run_notes;
pub use join::join;
pub use schema::CellType;
pub use schema::Column;
pub use schema::Schema;
pub use schema::TABLES;
pub use schema::Table;
pub use treatments::treatments;

use crate::difference::Book;
use crate::difference::Books;
use crate::run::Ledger;
use cells::Rows;
use std::io;
use std::io::Write;

/// Writes one table of one run that names no earlier run. `recording_sha256` is the digest of the run's
/// recording in hex, or empty while none is known; it stands in `results.csv` only. The writer is flushed at the
/// end.
///
/// # Errors
/// Whatever `out` reports; the table is then incomplete and must not be used.
pub fn write(
    table: Table,
    ledger: &Ledger,
    recording_sha256: &str,
    out: &mut dyn Write,
    with_header: bool,
) -> io::Result<()> {
    Sheets::of(ledger, recording_sha256).write(table, out, with_header)
}

/// The tables of one run, for whoever writes several: the figures of its zones are worked out once.
pub struct Sheets<'l> {
    books: Books<'l>,
}

impl<'l> Sheets<'l> {
    /// The tables of a run that names no earlier one.
    #[must_use]
    pub fn of(ledger: &'l Ledger, recording_sha256: &'l str) -> Sheets<'l> {
        Sheets::new(Books::new(Book::new(ledger, recording_sha256), Vec::new()))
    }

    /// The tables of a run and of the earlier ones that it names.
    #[must_use]
    pub fn new(books: Books<'l>) -> Sheets<'l> {
        Sheets { books }
    }

    /// As [`write()`].
    ///
    /// # Errors
    /// As [`write()`].
    pub fn write(&self, table: Table, out: &mut dyn Write, with_header: bool) -> io::Result<()> {
        if table == Table::Treatments {
            return self.write_treatments(out, with_header);
        }
        let mut rows = Rows::new(out);
        if with_header {
            header(table, &mut rows)?;
        }
        let books = &self.books;
        match table {
            Table::Readings => readings::write(books, &mut rows)?,
            Table::TileChecks => tile_checks::write(books.run.ledger, &mut rows)?,
            Table::Zones => zones::write(books, &mut rows)?,
            Table::Results => results::write(books, &mut rows)?,
            Table::Budget => budget::write(books, &mut rows)?,
            Table::Contrasts => contrasts::write(books, &mut rows)?,
            Table::Treatments => {}
        }
        rows.finish()
    }

    /// The one table that is not of runs: of this run alone.
    fn write_treatments(&self, out: &mut dyn Write, with_header: bool) -> io::Result<()> {
        let table = treatments_of(std::slice::from_ref(self))?;
        let from =
            if with_header { 0 } else { table.iter().position(|&b| b == b'\n').map_or(0, |at| at + 1) };
        out.write_all(&table[from..])?;
        out.flush()
    }

    /// Whether the run has results, and every row of them is proven.
    #[must_use]
    pub fn are_proven(&self) -> bool {
        results::are_proven(&self.books)
    }
}

/// The text of `treatments.csv` for these runs together.
///
/// # Errors
/// As [`treatments`].
pub fn treatments_of(sheets: &[Sheets<'_>]) -> io::Result<Vec<u8>> {
    let all = |table: Table| -> io::Result<Vec<u8>> {
        let mut bytes = Vec::new();
        write_header(table, &mut bytes)?;
        sheets.iter().try_for_each(|sheets| sheets.write(table, &mut bytes, false))?;
        Ok(bytes)
    };
    let mut table = Vec::new();
    treatments(&all(Table::Results)?, &all(Table::Budget)?, &mut table)?;
    Ok(table)
}

/// Writes the header of a table alone.
///
/// # Errors
/// Whatever `out` reports.
pub fn write_header(table: Table, out: &mut dyn Write) -> io::Result<()> {
    let mut rows = Rows::new(out);
    header(table, &mut rows)?;
    rows.finish()
}

fn header(table: Table, rows: &mut Rows<'_>) -> io::Result<()> {
    for column in table.schema().columns {
        rows.text(column.name)?;
    }
    rows.end_row()
}
