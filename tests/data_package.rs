//! The tables against their own description: every cell by `datapackage.json` as it is written, and
//! the whole package by an implementation of the standard in another language.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

use chrono::DateTime;
use halfpanel::tables::Table;
use serde_json::Value;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// The tables of the demo, and those of all fixtures joined, each beside its description.
fn packages() -> Vec<tempfile::TempDir> {
    vec![copy(&root().join("demo-data/results")), joined_fixtures()]
}

/// The tables of lives have a description of their own, which other code than ours reads.
fn lives() -> tempfile::TempDir {
    copy(&root().join("demo-data/results/lives"))
}

fn copy(from: &Path) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let files = fs::read_dir(from).unwrap().map(Result::unwrap);
    for file in files.filter(|file| file.file_type().unwrap().is_file()) {
        fs::copy(file.path(), folder.path().join(file.file_name())).unwrap();
    }
    folder
}

/// The golden tables below `fixtures/recordings/` in one: the header, then the rows of each story.
fn joined_fixtures() -> tempfile::TempDir {
    let recordings = root().join("fixtures/recordings");
    let mut stories: Vec<PathBuf> =
        fs::read_dir(&recordings).unwrap().map(|e| e.unwrap().path()).filter(|p| p.is_dir()).collect();
    stories.sort();
    assert!(stories.len() >= 10);
    let folder = tempfile::tempdir().unwrap();
    for table in Table::ALL.into_iter().filter(|table| *table != Table::Treatments) {
        let mut all = String::new();
        for story in &stories {
            let one = fs::read_to_string(story.join(table.file_name())).unwrap();
            let rows_at = if all.is_empty() { 0 } else { one.find('\n').unwrap() + 1 };
            all.push_str(&one[rows_at..]);
        }
        fs::write(folder.path().join(table.file_name()), all).unwrap();
    }
    let read = |table: Table| fs::read(folder.path().join(table.file_name())).unwrap();
    let mut treatments = Vec::new();
    halfpanel::tables::treatments(&read(Table::Results), &read(Table::Budget), &mut treatments).unwrap();
    fs::write(folder.path().join(Table::Treatments.file_name()), treatments).unwrap();
    fs::copy(recordings.join("datapackage.json"), folder.path().join("datapackage.json")).unwrap();
    folder
}

/// What is wrong with a cell by its field's description; `None` if nothing is.
fn wrong(field: &Value, cell: &str) -> Option<String> {
    let constraints = &field["constraints"];
    if cell.is_empty() {
        return (constraints["required"] == true).then(|| "is required and empty".to_owned());
    }
    let kind = field["type"].as_str().unwrap();
    let plain = |text: &str| text.trim_start_matches('-').bytes().all(|b| b.is_ascii_digit() || b == b'.');
    let number = cell.parse::<f64>().ok().filter(|n| n.is_finite() && plain(cell));
    let fits = match kind {
        "string" => true,
        "integer" => cell.parse::<i64>().is_ok(),
        "number" => number.is_some(),
        "boolean" => matches!(cell, "true" | "false"),
        "datetime" => cell.contains('T') && DateTime::parse_from_rfc3339(cell).is_ok(),
        other => return Some(format!("has the unknown type {other}")),
    };
    if !fits {
        return Some(format!("is no {kind}"));
    }
    if let Some(values) = constraints["enum"].as_array() {
        let text = |value: &Value| value.as_str().map_or_else(|| value.to_string(), str::to_owned);
        if !values.iter().any(|value| text(value) == cell) {
            return Some("is none of the listed values".to_owned());
        }
    }
    match (constraints["minimum"].as_f64(), number) {
        (Some(minimum), Some(number)) if number < minimum => Some(format!("is below {minimum}")),
        _ => None,
    }
}

/// Everything in which the tables of a folder are not as `datapackage.json` there describes them.
fn complaints(folder: &Path) -> Vec<String> {
    let package: Value = serde_json::from_slice(&fs::read(folder.join("datapackage.json")).unwrap()).unwrap();
    let mut found = Vec::new();
    for resource in package["resources"].as_array().unwrap() {
        let file = resource["path"].as_str().unwrap();
        let fields = resource["schema"]["fields"].as_array().unwrap();
        let mut csv = csv::Reader::from_path(folder.join(file)).unwrap();
        let header: Vec<&str> = fields.iter().map(|field| field["name"].as_str().unwrap()).collect();
        if csv.headers().unwrap() != header {
            found.push(format!("{file}: the header is not that of the fields"));
        }
        let key = resource["schema"]["primaryKey"].as_array().cloned().unwrap_or_default();
        let key: Vec<usize> = key.iter().map(|k| header.iter().position(|name| k == name).unwrap()).collect();
        let mut seen = BTreeSet::new();
        for (row, line) in csv.records().zip(2..) {
            let row = row.unwrap();
            for (field, cell) in fields.iter().zip(&row) {
                if let Some(what) = wrong(field, cell) {
                    found.push(format!("{file}:{line}: {} `{cell}` {what}", field["name"]));
                }
            }
            let named: Vec<String> = key.iter().map(|&at| row[at].to_owned()).collect();
            if !named.is_empty() && !seen.insert(named) {
                found.push(format!("{file}:{line}: the key stands there twice"));
            }
        }
    }
    found
}

/// Changes one text of a file, once.
fn spoil(folder: &Path, file: &str, from: &str, to: &str) {
    let path = folder.join(file);
    let text = fs::read_to_string(&path).unwrap();
    let spoilt = text.replacen(from, to, 1);
    assert_ne!(spoilt, text, "{file} has no `{from}`");
    fs::write(path, spoilt).unwrap();
}

/// One mistake of each sort: file, what stands there, what is put in its place, and what is told.
const MISTAKES: [(&str, &str, &str, &str); 8] = [
    ("readings.csv", ",opening,", ",begining,", "is none of the listed values"),
    ("readings.csv", ",60,", ",61,", "is none of the listed values"),
    ("readings.csv", "2026-05-06T", "2026-05-06 ", "is no datetime"),
    ("readings.csv", "2026-05-06-01,2,", "2026-05-06-01,1,", "the key stands there twice"),
    ("tile-checks.csv", ",true", ",yes", "is no boolean"),
    ("zones.csv", ",G1,", ",,", "is required and empty"),
    ("results.csv", ",0.1413,", ",\"0,1413\",", "is no number"),
    ("results.csv", ",0.3447,", ",-0.3447,", "is below 0"),
];

#[test]
fn every_cell_of_every_table_is_as_the_data_package_describes_it() {
    for folder in packages().into_iter().chain([lives()]) {
        assert_eq!(complaints(folder.path()), Vec::<String>::new());
    }
}

#[test]
fn a_cell_that_is_not_as_described_is_noticed() {
    for (file, from, to, expected) in MISTAKES {
        let folder = copy(&root().join("demo-data/results"));
        spoil(folder.path(), file, from, to);
        let found = complaints(folder.path());
        assert!(found.iter().any(|c| c.starts_with(file) && c.ends_with(expected)), "{to}: {found:?}");
    }
}

/// The other implementation's exit code and words, or `None` where it is not there.
fn by_the_other(folder: &Path) -> Option<(i32, String)> {
    let named = std::env::var("HALFPANEL_PYTHON").ok().filter(|name| !name.is_empty());
    let python = named.as_deref().unwrap_or("python3");
    let script = root().join("tests/check_package.py");
    let output = Command::new(python).arg(script).arg(folder).output().ok()?;
    let said = String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned();
    let code = output.status.code()?;
    if code == 77 && named.is_none() {
        return None;
    }
    Some((code, said))
}

#[test]
fn another_implementation_of_the_standard_finds_the_packages_valid_and_each_mistake() {
    for (folder, tables) in
        packages().into_iter().map(|folder| (folder, "7 tables")).chain([(lives(), "2 tables")])
    {
        let Some((code, said)) = by_the_other(folder.path()) else {
            eprintln!(
                "SKIPPED: no python3 with frictionless here, so the data package was not validated by it; \
                 `pip install -r tests/requirements.txt`, or name an interpreter in HALFPANEL_PYTHON"
            );
            return;
        };
        assert_eq!(code, 0, "{said}");
        assert!(said.contains(tables), "{said}");
    }
    let spoilt = copy(&root().join("demo-data/results"));
    for (file, from, to) in [
        ("readings.csv", ",60,", ",61,"),
        ("zones.csv", ",G1,", ",,"),
        ("results.csv", ",0.3447,", ",-0.3447,"),
        ("tile-checks.csv", ",true", ",yes"),
    ] {
        spoil(spoilt.path(), file, from, to);
    }
    let (code, said) = by_the_other(spoilt.path()).unwrap();
    assert_eq!(code, 1, "{said}");
    for file in ["readings.csv", "zones.csv", "results.csv", "tile-checks.csv"] {
        assert!(said.contains(&format!("{file}:")), "nothing said of {file}: {said}");
    }
}
