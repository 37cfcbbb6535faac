//! The demo, under its own eyes: through a real pseudo-terminal it gives the tables that stand in
//! `demo-data/`, and the recordings there give them too.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

use halfpanel::tables::Table;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Columns that hang on the moment of each press, which no two sittings share to the microsecond.
const OF_THE_MOMENT: [&str; 9] = [
    "time",
    "elapsed_s",
    "record",
    "recording_sha256",
    "drift_gu_per_h",
    "drift_low_gu_per_h",
    "drift_high_gu_per_h",
    "cure_hours_actual",
    "share_pct",
];

/// How far figures that hang a little on the moment, through the tile's value at that time, may lie apart.
const A_LITTLE: f64 = 0.01;

fn demo_data() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data")
}

fn halfpanel(arguments: &[&Path]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_halfpanel")).args(arguments).env("TZ", "UTC").output().unwrap()
}

/// Rows of a table as column and cell, without what hangs on the moment.
fn rows(path: &Path) -> Vec<BTreeMap<String, String>> {
    let rows = csv::Reader::from_path(path).unwrap().into_deserialize();
    let mut rows: Vec<BTreeMap<String, String>> = rows.map(Result::unwrap).collect();
    for row in &mut rows {
        row.retain(|column, _| !OF_THE_MOMENT.contains(&column.as_str()));
    }
    rows
}

/// Whether two tables are the same, but for the little that hangs on the moment.
fn are_alike(found: &[BTreeMap<String, String>], expected: &[BTreeMap<String, String>]) -> bool {
    let alike = |one: &String, other: &String| {
        let numbers = (one.parse::<f64>(), other.parse::<f64>());
        one == other || matches!(numbers, (Ok(one), Ok(other)) if (one - other).abs() < A_LITTLE)
    };
    let same_row = |(one, other): (&BTreeMap<String, String>, &BTreeMap<String, String>)| {
        one.len() == other.len() && one.iter().all(|(column, cell)| alike(cell, &other[column]))
    };
    found.len() == expected.len() && found.iter().zip(expected).all(same_row)
}

fn recordings(folder: &Path) -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> =
        fs::read_dir(folder.join("recordings")).unwrap().map(|e| e.unwrap().path()).collect();
    found.sort();
    found
}

#[test]
fn the_demo_through_the_real_serial_path_gives_the_tables_of_the_demo_data() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("boatyard");
    let output = halfpanel(&[Path::new("demo"), Path::new("--out"), &out]);
    let said = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&output.stderr));
    // How it is worded and laid out is held elsewhere.
    assert!(said.contains("bracket drifted"), "the drift in the middle is caught: {said}");
    assert!(said.contains("+7.53") && said.contains("-4.78"), "the differences are shown: {said}");
    for table in Table::ALL {
        let (found, expected) = (
            rows(&out.join("results").join(table.file_name())),
            rows(&demo_data().join("results").join(table.file_name())),
        );
        assert!(!expected.is_empty());
        assert!(are_alike(&found, &expected), "{}: {found:?} is not {expected:?}", table.file_name());
    }
    let verified = halfpanel(&[Path::new("verify"), &out]);
    assert_eq!(verified.status.code(), Some(0), "{}", String::from_utf8_lossy(&verified.stdout));
}

#[test]
fn the_recordings_of_the_demo_data_give_its_tables_byte_for_byte() {
    let recordings = recordings(&demo_data());
    assert_eq!(recordings.len(), 2);
    let results = demo_data().join("results");
    let mut arguments = vec![Path::new("replay")];
    arguments.extend(recordings.iter().map(PathBuf::as_path));
    arguments.extend([Path::new("--expect"), &results]);
    let output = halfpanel(&arguments);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stdout));
}

#[test]
fn a_changed_cell_of_the_demo_data_is_told_with_its_line() {
    let folder = tempfile::tempdir().unwrap();
    for file in fs::read_dir(demo_data().join("results")).unwrap().map(Result::unwrap) {
        fs::copy(file.path(), folder.path().join(file.file_name())).unwrap();
    }
    let zones = folder.path().join("zones.csv");
    let text = fs::read_to_string(&zones).unwrap();
    fs::write(&zones, text.replacen("78.1000", "78.2000", 1)).unwrap();
    let line = text.lines().position(|line| line.contains("78.1000")).unwrap() + 1;
    let recordings = recordings(&demo_data());
    let mut arguments = vec![Path::new("replay")];
    arguments.extend(recordings.iter().map(PathBuf::as_path));
    arguments.extend([Path::new("--expect"), folder.path()]);
    let output = halfpanel(&arguments);
    let said = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains(&format!("zones.csv:{line}: differs")), "{said}");
}

#[test]
fn the_demo_data_name_no_place_of_the_machine_they_were_made_on() {
    for path in recordings(&demo_data()) {
        let text = fs::read_to_string(&path).unwrap();
        for hint in ["/dev/", "/tmp", "/home", "/root", "/Users"] {
            assert!(!text.contains(hint), "{}: names `{hint}`", path.display());
        }
    }
}
