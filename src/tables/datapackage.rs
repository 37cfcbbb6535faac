//! `datapackage.json`: what the tables are, for programs (Data Package, version 2).
//!
//! Source: the Data Package, Data Resource, Table Dialect and Table Schema standards, version 2,
//! <https://datapackage.org>. `unit` of a field and `runs` of the package are properties of our own,
//! which the standard allows.

use super::schema::CellType;
use super::schema::Column;
use super::schema::Schema;
use super::schema::TABLES;
use crate::run::RunState;
use serde::Deserialize;
use serde::Serialize;
use std::collections::BTreeMap;

/// What the data package says of one run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RunNote {
    /// Id of the run.
    pub id: String,
    /// How its recording stands; rows of an open run may still change.
    pub state: RunState,
    /// SHA-256 of the recording, hex.
    pub recording_sha256: String,
    /// Version of the program that began the run.
    pub program: String,
    /// Earlier runs that its head names, each with the SHA-256 of the recording that the rows were worked
    /// out with; empty where it was not there, or is no longer the one that was named.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub earlier: BTreeMap<String, String>,
}

#[derive(Serialize)]
struct Package<'a> {
    #[serde(rename = "$schema")]
    schema: &'static str,
    name: &'static str,
    description: &'static str,
    resources: Vec<Resource>,
    runs: Vec<&'a RunNote>,
}

#[derive(Serialize)]
struct Resource {
    name: &'static str,
    #[serde(rename = "type")]
    kind: &'static str,
    path: &'static str,
    description: &'static str,
    format: &'static str,
    mediatype: &'static str,
    encoding: &'static str,
    dialect: Dialect,
    schema: TableSchema,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Dialect {
    header: bool,
    delimiter: &'static str,
    line_terminator: &'static str,
    quote_char: &'static str,
    double_quote: bool,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct TableSchema {
    fields: Vec<Field>,
    missing_values: [&'static str; 1],
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    primary_key: &'static [&'static str],
}

#[derive(Serialize)]
struct Field {
    name: &'static str,
    #[serde(rename = "type")]
    kind: &'static str,
    description: &'static str,
    #[serde(skip_serializing_if = "str::is_empty")]
    unit: &'static str,
    #[serde(skip_serializing_if = "Constraints::is_empty")]
    constraints: Constraints,
}

#[derive(Serialize)]
struct Constraints {
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    required: bool,
    #[serde(rename = "enum", skip_serializing_if = "Vec::is_empty")]
    values: Vec<serde_json::Value>,
    #[serde(skip_serializing_if = "Option::is_none")]
    minimum: Option<u32>,
}

impl Constraints {
    fn is_empty(&self) -> bool {
        !self.required && self.values.is_empty() && self.minimum.is_none()
    }
}

/// The text of `datapackage.json` for tables that hold these runs. The same runs give the same
/// bytes, in whatever order they are named; no time of making stands in it.
#[must_use]
pub fn datapackage(runs: &[RunNote]) -> String {
    let mut runs: Vec<&RunNote> = runs.iter().collect();
    runs.sort_by(|a, b| a.id.cmp(&b.id));
    let package = Package {
        schema: "https://datapackage.org/profiles/2.0/datapackage.json",
        name: "halfpanel-results",
        description: "Gloss of treated and control zones of test panels, with the tile checks that prove the meter.",
        resources: TABLES.iter().map(resource).collect(),
        runs,
    };
    let mut text = serde_json::to_string_pretty(&package).expect("texts, numbers and lists always make JSON");
    text.push('\n');
    text
}

fn resource(schema: &Schema) -> Resource {
    Resource {
        name: schema.name,
        kind: "table",
        path: schema.table.file_name(),
        description: schema.description,
        format: "csv",
        mediatype: "text/csv",
        encoding: "utf-8",
        dialect: Dialect {
            header: true,
            delimiter: ",",
            line_terminator: "\n",
            quote_char: "\"",
            double_quote: true,
        },
        schema: TableSchema {
            fields: schema.columns.iter().map(field).collect(),
            missing_values: [""],
            primary_key: schema.primary_key,
        },
    }
}

fn field(column: &Column) -> Field {
    Field {
        name: column.name,
        kind: column.cell.text(),
        description: column.description,
        unit: column.unit,
        constraints: Constraints {
            required: column.required,
            values: column.values.iter().map(|&value| typed(column.cell, value)).collect(),
            minimum: column.minimum,
        },
    }
}

/// A value of a list in the type of its column.
fn typed(cell: CellType, value: &str) -> serde_json::Value {
    match (cell, value.parse::<i64>()) {
        (CellType::Integer, Ok(number)) => number.into(),
        _ => value.into(),
    }
}

/// The runs that a `datapackage.json` of this program names; `None` if it is none.
#[must_use]
pub fn run_notes(text: &[u8]) -> Option<Vec<RunNote>> {
    #[derive(Deserialize)]
    struct Runs {
        runs: Vec<RunNote>,
    }
    serde_json::from_slice::<Runs>(text).ok().map(|package| package.runs)
}
