//! What each table holds: one static description, from which the headers, the data package and the
//! check of the written data dictionary (`protocol-notes/tables.md`) are all made.

/// What the cells of a column are, in the words of the Table Schema standard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CellType {
    /// Text; an empty text is an absent one.
    String,
    /// A whole number.
    Integer,
    /// A decimal number with a point.
    Number,
    /// `true` or `false`.
    Boolean,
    /// An RFC 3339 time with the offset of the place of the run, to the millisecond.
    Datetime,
}

impl CellType {
    /// The type's name in a Table Schema.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            CellType::String => "string",
            CellType::Integer => "integer",
            CellType::Number => "number",
            CellType::Boolean => "boolean",
            CellType::Datetime => "datetime",
        }
    }
}

/// One column of a table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Column {
    /// Name, as in the header.
    pub name: &'static str,
    /// What its cells are.
    pub cell: CellType,
    /// Unit of a number: `GU`, `deg`, `s`, `h`, `GU/h`, `%`; empty where there is none.
    pub unit: &'static str,
    /// Whether a cell is never empty.
    pub required: bool,
    /// The only values that occur; empty where any may.
    pub values: &'static [&'static str],
    /// Smallest value that occurs, where there is one.
    pub minimum: Option<u32>,
    /// What it says, in a sentence or two.
    pub description: &'static str,
}

/// The tables that are written for a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Table {
    /// One row per reading, voided ones included.
    Readings,
    /// One row per tile check and geometry.
    TileChecks,
    /// One row per run, zone and geometry.
    Zones,
    /// One row per run, panel, treatment and geometry.
    Results,
    /// One row per result and component of its uncertainty.
    Budget,
    /// One row per run, panel, pair of treatments and geometry.
    Contrasts,
    /// One row per treatment, stage and geometry, over all panels and runs.
    Treatments,
}

/// The whole description of one table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Schema {
    /// Which table.
    pub table: Table,
    /// Name without extension; the file is called `<name>.csv`.
    pub name: &'static str,
    /// What one row stands for.
    pub description: &'static str,
    /// Columns, in the order of the file.
    pub columns: &'static [Column],
    /// Columns that name a row among all rows; empty where no such set is promised.
    pub primary_key: &'static [&'static str],
}

/// Every table, in the order of the data package.
pub const TABLES: [Schema; 7] = [
    Schema {
        table: Table::Readings,
        name: "readings",
        description: "One row per reading, in the order of arrival; voided, undone and superseded ones included.",
        columns: super::columns::READINGS,
        primary_key: &["run", "order"],
    },
    Schema {
        table: Table::TileChecks,
        name: "tile-checks",
        description: "One row per tile check and geometry, in the order of the checks; an unfinished check that has readings included.",
        columns: super::columns::TILE_CHECKS,
        primary_key: &[],
    },
    Schema {
        table: Table::Zones,
        name: "zones",
        description: "One row per run, planned zone and geometry.",
        columns: super::columns::ZONES,
        primary_key: &["run", "panel", "zone", "geometry_deg"],
    },
    Schema {
        table: Table::Results,
        name: "results",
        description: "One row per run, panel, treatment and geometry: treated minus control.",
        columns: super::columns::RESULTS,
        primary_key: &["run", "panel", "treatment", "geometry_deg"],
    },
    Schema {
        table: Table::Budget,
        name: "budget",
        description: "One row per result and component: where the uncertainty of each difference comes from.",
        columns: super::columns::BUDGET,
        primary_key: &["run", "panel", "treatment", "geometry_deg", "component"],
    },
    Schema {
        table: Table::Contrasts,
        name: "contrasts",
        description: "One row per run, panel, pair of treatments on it and geometry: the second minus the first, by their treated zones.",
        columns: super::columns::CONTRASTS,
        primary_key: &["run", "panel", "treatment_a", "treatment_b", "geometry_deg"],
    },
    Schema {
        table: Table::Treatments,
        name: "treatments",
        description: "One row per treatment, stage and geometry, over all its panels: the panel is the unit.",
        columns: super::columns::TREATMENTS,
        primary_key: &["treatment", "stage", "geometry_deg"],
    },
];

impl Table {
    /// Every table, in the order of the data package.
    pub const ALL: [Table; 7] = [
        Table::Readings,
        Table::TileChecks,
        Table::Zones,
        Table::Results,
        Table::Budget,
        Table::Contrasts,
        Table::Treatments,
    ];

    /// The table's description.
    #[must_use]
    pub const fn schema(self) -> &'static Schema {
        match self {
            Table::Readings => &TABLES[0],
            Table::TileChecks => &TABLES[1],
            Table::Zones => &TABLES[2],
            Table::Results => &TABLES[3],
            Table::Budget => &TABLES[4],
            Table::Contrasts => &TABLES[5],
            Table::Treatments => &TABLES[6],
        }
    }

    /// Name of the table's file, such as `readings.csv`.
    #[must_use]
    pub const fn file_name(self) -> &'static str {
        match self {
            Table::Readings => "readings.csv",
            Table::TileChecks => "tile-checks.csv",
            Table::Zones => "zones.csv",
            Table::Results => "results.csv",
            Table::Budget => "budget.csv",
            Table::Contrasts => "contrasts.csv",
            Table::Treatments => "treatments.csv",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_table_finds_its_own_description_and_file() {
        for (table, schema) in Table::ALL.into_iter().zip(&TABLES) {
            assert_eq!(table.schema().table, table);
            assert_eq!(table, schema.table);
            assert_eq!(table.file_name(), format!("{}.csv", schema.name));
        }
    }

    #[test]
    fn every_part_of_a_primary_key_is_a_required_column() {
        for schema in &TABLES {
            for part in schema.primary_key {
                assert!(schema.columns.iter().any(|c| c.name == *part && c.required), "{part}");
            }
        }
    }
}
