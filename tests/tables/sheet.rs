//! A written table, read back by name and held to its schema.

use halfpanel::run::Ledger;
use halfpanel::tables;
use halfpanel::tables::CellType;
use halfpanel::tables::Column;
use halfpanel::tables::Table;
use std::collections::BTreeSet;

pub struct Sheet {
    header: Vec<String>,
    pub rows: Vec<Vec<String>>,
}

impl Sheet {
    /// The cells of one row under these names, joined by `|`.
    pub fn cells(&self, row: usize, names: &str) -> String {
        let cells = names.split(' ').map(|name| self.cell(row, name));
        cells.collect::<Vec<_>>().join("|")
    }

    pub fn cell(&self, row: usize, name: &str) -> &str {
        let at = self.header.iter().position(|h| h == name).unwrap_or_else(|| panic!("no column {name}"));
        &self.rows[row][at]
    }
}

pub fn text(table: Table, ledger: &Ledger) -> String {
    let mut out = Vec::new();
    tables::write(table, ledger, "5ea1", &mut out, true).unwrap();
    String::from_utf8(out).unwrap()
}

pub fn sheet(table: Table, ledger: &Ledger) -> Sheet {
    let text = text(table, ledger);
    assert!(!text.contains('\r') && text.ends_with('\n'));
    let mut reader = csv::ReaderBuilder::new().from_reader(text.as_bytes());
    let header = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let rows: Vec<Vec<String>> =
        reader.records().map(|row| row.unwrap().iter().map(str::to_owned).collect()).collect();
    hold_to_schema(table, &rows);
    Sheet { header, rows }
}

fn hold_to_schema(table: Table, rows: &[Vec<String>]) {
    let schema = table.schema();
    for row in rows {
        for (column, cell) in schema.columns.iter().zip(row) {
            hold_cell(column, cell);
        }
    }
    let key = |row: &Vec<String>| {
        let part = |name: &&str| row[schema.columns.iter().position(|c| c.name == *name).unwrap()].clone();
        schema.primary_key.iter().map(part).collect::<Vec<_>>()
    };
    if !schema.primary_key.is_empty() {
        assert_eq!(rows.iter().map(key).collect::<BTreeSet<_>>().len(), rows.len(), "rows share a key");
    }
}

fn hold_cell(column: &Column, cell: &str) {
    let name = column.name;
    if cell.is_empty() {
        assert!(!column.required, "{name} is required and yet empty");
        return;
    }
    assert!(column.values.is_empty() || column.values.contains(&cell), "{name}: `{cell}` is not in its list");
    let number = match column.cell {
        CellType::String => None,
        CellType::Integer => Some(cell.parse::<u64>().unwrap() as f64),
        CellType::Number => Some(cell.parse::<f64>().unwrap()),
        CellType::Boolean => {
            assert!(["true", "false"].contains(&cell), "{name}: {cell}");
            None
        }
        CellType::Datetime => {
            assert!(chrono::DateTime::parse_from_rfc3339(cell).is_ok() && cell.len() == 29, "{name}: {cell}");
            None
        }
    };
    if column.cell == CellType::Number && !["gloss_gu", "assigned_gu"].contains(&name) {
        let (_, decimals) = cell.split_once('.').unwrap();
        assert!(decimals.len() == 4 && cell != "-0.0000", "{name}: {cell}");
    }
    if let (Some(number), Some(minimum)) = (number, column.minimum) {
        assert!(number >= f64::from(minimum), "{name}: {cell} is below {minimum}");
    }
}
