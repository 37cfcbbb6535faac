//! The data package and the written data dictionary say what the schema says.

use halfpanel::run::RunState;
use halfpanel::tables::Column;
use halfpanel::tables::RunNote;
use halfpanel::tables::TABLES;
use halfpanel::tables::datapackage;
use serde_json::Value;
use serde_json::json;
use std::collections::BTreeMap;
use std::fs;

fn notes() -> [RunNote; 2] {
    [("run-8", RunState::Open), ("run-7", RunState::Complete)].map(|(id, state)| RunNote {
        id: id.to_owned(),
        state,
        recording_sha256: format!("digest of {id}"),
        program: "0.1.0".to_owned(),
        earlier: BTreeMap::new(),
    })
}

#[test]
fn the_data_package_names_the_standard_and_how_each_run_stands() {
    let package: Value = serde_json::from_str(&datapackage(&notes())).unwrap();
    assert_eq!(package["$schema"], "https://datapackage.org/profiles/2.0/datapackage.json");
    let runs = json!([
        { "id": "run-7", "state": "complete", "recording_sha256": "digest of run-7", "program": "0.1.0" },
        { "id": "run-8", "state": "open", "recording_sha256": "digest of run-8", "program": "0.1.0" },
    ]);
    assert_eq!(package["runs"], runs);
    let paths: Vec<&Value> = package["resources"].as_array().unwrap().iter().map(|r| &r["path"]).collect();
    assert_eq!(
        paths,
        [
            "readings.csv",
            "tile-checks.csv",
            "zones.csv",
            "results.csv",
            "budget.csv",
            "contrasts.csv",
            "treatments.csv"
        ]
    );
}

#[test]
fn a_resource_says_how_its_file_is_to_be_read() {
    let package: Value = serde_json::from_str(&datapackage(&[])).unwrap();
    let zones = &package["resources"][2];
    assert_eq!([&zones["format"], &zones["mediatype"], &zones["encoding"]], ["csv", "text/csv", "utf-8"]);
    assert_eq!(zones["dialect"]["lineTerminator"], "\n");
    assert_eq!(zones["schema"]["missingValues"], json!([""]));
    assert_eq!(zones["schema"]["primaryKey"], json!(["run", "panel", "zone", "geometry_deg"]));
    assert!(package["resources"][1]["schema"].get("primaryKey").is_none(), "tile checks have no key");
    assert_eq!(
        zones["schema"]["fields"][6],
        json!({
            "name": "geometry_deg",
            "type": "integer",
            "description": "Measuring geometry, degrees from the normal.",
            "unit": "deg",
            "constraints": { "required": true, "enum": [20, 60, 85] },
        })
    );
    assert_eq!(zones["schema"]["fields"][9]["constraints"], json!({ "minimum": 0 }));
}

#[test]
fn the_order_in_which_runs_are_named_changes_no_byte_of_the_data_package() {
    let [first, second] = notes();
    assert_eq!(datapackage(&[first.clone(), second.clone()]), datapackage(&[second, first]));
    assert!(datapackage(&[]).ends_with("}\n"));
}

/// The line of the data dictionary for a column.
fn line(column: &Column) -> String {
    let values: Vec<String> = column.values.iter().map(|value| format!("`{value}`")).collect();
    let cells = [
        format!("`{}`", column.name),
        column.cell.text().to_owned(),
        column.unit.to_owned(),
        if column.required { "never" } else { "may be" }.to_owned(),
        [column.description.to_owned(), values.join(", ")].join(" ").trim_end().to_owned(),
    ];
    format!("| {} |\n", cells.join(" | "))
}

#[test]
fn the_written_data_dictionary_has_every_column_as_the_schema_has_it() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/protocol-notes/tables.md");
    let written = fs::read_to_string(path).unwrap();
    for schema in &TABLES {
        let lines: String = schema.columns.iter().map(line).collect();
        let head = format!("## `{}.csv`\n\n{}\n", schema.name, schema.description);
        let (_, section) = written.split_once(&head).unwrap_or_else(|| panic!("{path} should have:\n{head}"));
        let table = section.trim_start().lines().take_while(|line| line.starts_with('|'));
        let found: String = table.skip(2).map(|line| format!("{line}\n")).collect();
        assert_eq!(found, lines, "{path}, `{}.csv` should have:\n{lines}", schema.name);
    }
}

/// `cargo test --test tables write_the_lists_of_columns_anew -- --ignored`; look at the difference before it is kept.
#[test]
#[ignore = "writes protocol-notes/tables.md"]
fn write_the_lists_of_columns_anew() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/protocol-notes/tables.md");
    let mut written = fs::read_to_string(path).unwrap();
    for schema in &TABLES {
        let head = format!("## `{}.csv`\n\n{}\n", schema.name, schema.description);
        let start = written.find(&head).unwrap_or_else(|| panic!("{path} should have:\n{head}")) + head.len();
        let table = start + written[start..].find("| column |").unwrap();
        let end = table + written[table..].find("\n\n").unwrap() + 1;
        let lines: String = schema.columns.iter().map(line).collect();
        let list = format!(
            "| column | type | unit | empty | what it says |\n| --- | --- | --- | --- | --- |\n{lines}"
        );
        written.replace_range(table..end, &list);
    }
    fs::write(path, written).unwrap();
}
