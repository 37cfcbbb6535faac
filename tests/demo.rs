//! The demo, under its own eyes: through a real pseudo-terminal it gives the tables that stand in
//! `demo-data/`, and the recordings there give them too.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

use halfpanel::tables::Table;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Columns that hang on the moment of each press, which no two sittings share to the microsecond.
const OF_THE_MOMENT: [&str; 10] = [
    "time",
    "elapsed_s",
    "record",
    "recording_sha256",
    "baseline_sha256",
    "drift_gu_per_h",
    "drift_low_gu_per_h",
    "drift_high_gu_per_h",
    "cure_hours_actual",
    "share_pct",
];

/// How far figures that hang a little on the moment, through the tile's value at that time, may lie apart.
const A_LITTLE: f64 = 0.02;

/// The same, for degrees of freedom.
const A_LITTLE_FREEDOM: f64 = 0.5;

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

/// Where two tables differ by more than the little that hangs on the moment: column, what was found, what is expected.
fn differences(
    found: &[BTreeMap<String, String>],
    expected: &[BTreeMap<String, String>],
) -> Vec<(String, String, String)> {
    assert_eq!(found.len(), expected.len());
    let alike = |column: &str, one: &str, other: &str| {
        let little = if column == "degrees_of_freedom" { A_LITTLE_FREEDOM } else { A_LITTLE };
        let numbers = (one.parse::<f64>(), other.parse::<f64>());
        one == other || matches!(numbers, (Ok(one), Ok(other)) if (one - other).abs() < little)
    };
    let pairs = found.iter().zip(expected);
    pairs
        .flat_map(|(one, other)| {
            assert!(one.keys().eq(other.keys()));
            one.iter().map(|(column, cell)| (column.clone(), cell.clone(), other[column].clone()))
        })
        .filter(|(column, one, other)| !alike(column, one, other))
        .collect()
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
    assert!(said.contains("Board: stage cured") && said.contains("over 30"), "the board is shown: {said}");
    let front = said.lines().last().unwrap().trim_start_matches("The report").trim();
    assert!(
        fs::read_to_string(front).unwrap().starts_with("<!DOCTYPE html>"),
        "it ends with the report: {said}"
    );
    for table in Table::ALL {
        let (found, expected) = (
            rows(&out.join("results").join(table.file_name())),
            rows(&demo_data().join("results").join(table.file_name())),
        );
        assert!(!expected.is_empty());
        assert_eq!(differences(&found, &expected), [], "{}", table.file_name());
    }
    // What was done and seen has no moment of its own: it is the same to the byte.
    for file in ["observations.csv", "practice.toml", "results/lives/lives.csv", "results/lives/steps.csv"] {
        assert_eq!(
            fs::read_to_string(out.join(file)).unwrap(),
            fs::read_to_string(demo_data().join(file)).unwrap(),
            "{file}"
        );
    }
    let verified = halfpanel(&[Path::new("verify"), &out]);
    assert_eq!(verified.status.code(), Some(0), "{}", String::from_utf8_lossy(&verified.stdout));
}

#[test]
fn the_recordings_of_the_demo_data_give_its_tables_byte_for_byte() {
    let recordings = recordings(&demo_data());
    assert_eq!(recordings.len(), 11);
    let results = demo_data().join("results");
    let mut arguments = vec![Path::new("replay")];
    arguments.extend(recordings.iter().map(PathBuf::as_path));
    arguments.extend([Path::new("--expect"), &results]);
    let output = halfpanel(&arguments);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stdout));
}

#[test]
fn the_demo_data_are_a_study_that_can_be_verified() {
    let verified = halfpanel(&[Path::new("verify"), &demo_data()]);
    assert_eq!(verified.status.code(), Some(0), "{}", String::from_utf8_lossy(&verified.stdout));
}

/// Stages of the runs and lives of the products, both from what was observed, are those of the season's file.
#[test]
fn runs_have_the_stages_and_products_the_lives_that_the_season_gives_them() {
    let season: toml::Table = fs::read_to_string(demo_data().join("season.toml")).unwrap().parse().unwrap();
    let tables = |key: &str| season[key].as_array().unwrap().clone();
    let stages: Vec<String> =
        tables("sitting").iter().map(|of| of["stage"].as_str().unwrap().to_owned()).collect();
    let heads = recordings(&demo_data()).into_iter().map(|path| {
        let text = fs::read_to_string(path).unwrap();
        let head = text.lines().find(|line| line.contains("\"zones\"")).unwrap().to_owned();
        // The control is bare always; the treated zones share one stage.
        let stages = head.split("\"stage\":\"").skip(1).map(|rest| rest.split('"').next().unwrap());
        stages.filter(|stage| *stage != "bare").max().unwrap_or("bare").to_owned()
    });
    assert_eq!(heads.collect::<Vec<_>>(), stages);
    let lives = rows(&demo_data().join("results/lives/lives.csv"));
    assert_eq!(lives.len(), 18);
    for treated in tables("treatment") {
        let number =
            |key: &str| treated[key].as_float().or_else(|| treated[key].as_integer().map(|n| n as f64));
        let (lasts, sd) = (number("lasts_washes").unwrap(), number("lasts_sd_washes").unwrap());
        for life in lives.iter().filter(|row| row["treatment"] == treated["code"].as_str().unwrap()) {
            let (low, high) = (lasts - 3.0 * sd, lasts + 3.0 * sd);
            assert!(life["lasted_washes"].parse::<f64>().unwrap() < high, "{life:?}");
            let failed = life["failed_by_washes"].parse::<f64>();
            match life["treatment"].as_str() {
                "T6" => assert!(failed.is_err() && life["standing"] == "alive", "{life:?}"),
                _ => assert!(failed.unwrap() > low && life["standing"] == "failed", "{life:?}"),
            }
        }
    }
}

#[test]
fn a_changed_cell_of_the_demo_data_is_told_with_its_line() {
    let folder = tempfile::tempdir().unwrap();
    for table in Table::ALL {
        let file = demo_data().join("results").join(table.file_name());
        fs::copy(&file, folder.path().join(table.file_name())).unwrap();
    }
    let zones = folder.path().join("zones.csv");
    let text = fs::read_to_string(&zones).unwrap();
    // One digit of one mean, far down.
    let line = 200;
    let row = text.lines().nth(line - 1).unwrap();
    fs::write(&zones, text.replacen(row, &row.replacen("66.0000", "66.1000", 1), 1)).unwrap();
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
fn a_bare_panel_has_no_hours_of_curing() {
    let rows = csv::Reader::from_path(demo_data().join("results/results.csv")).unwrap().into_deserialize();
    let rows: Vec<BTreeMap<String, String>> = rows.map(Result::unwrap).collect();
    let hours = |stage: &str| -> Vec<String> {
        rows.iter().filter(|row| row["stage"] == stage).map(|row| row["cure_hours_actual"].clone()).collect()
    };
    assert!(hours("bare").iter().all(String::is_empty) && hours("bare").len() == 18);
    assert!(hours("cured").iter().all(|h| h.parse::<f64>().unwrap() > 24.0));
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
