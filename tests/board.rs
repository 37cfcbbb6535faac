//! `halfpanel board` over the demo study, and what it is held to: the tables' own figures, its page, and a published
//! analysis of variance.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod published;

use assert_cmd::Command;
use halfpanel::board::Entry;
use halfpanel::board::PanelFigure;
use halfpanel::board::scatter;
use halfpanel::board::sheet;
use published::close;
use published::published;
use serde::Deserialize;
use serde_json::Value;
use std::fs;
use std::path::Path;
use tempfile::TempDir;

fn demo() -> String {
    format!("{}/demo-data", env!("CARGO_MANIFEST_DIR"))
}

fn board(arguments: &[&str]) -> String {
    let output = Command::cargo_bin("halfpanel").unwrap().arg("board").args(arguments).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn json(arguments: &[&str]) -> Value {
    serde_json::from_str(&board(&[arguments, &["--json"]].concat())).unwrap()
}

#[test]
fn the_differences_are_those_of_treatments_csv() {
    let table = fs::read(format!("{}/results/treatments.csv", demo())).unwrap();
    let rows: Vec<std::collections::BTreeMap<String, String>> =
        csv::Reader::from_reader(table.as_slice()).deserialize().map(Result::unwrap).collect();
    let found = json(&[&demo(), "--stage", "wiped", "--geometry", "60"]);
    let mut compared = 0;
    for row in found["boards"][0]["rows"].as_array().unwrap() {
        let is_it = |of: &&std::collections::BTreeMap<String, String>| {
            of["treatment"] == row["treatment"].as_str().unwrap() && of["stage"] == "wiped"
        };
        let Some(expected) = rows.iter().find(is_it) else { continue };
        let figure = |column: &str| expected[column].parse::<f64>().unwrap();
        let difference = &row["difference"];
        close("difference", difference["mean_gu"].as_f64(), figure("difference_gu"), 6e-5);
        // The tables hold four decimals of what the intervals are made from.
        close("low", difference["interval_gu"][0].as_f64(), figure("ci_low_gu"), 2e-3);
        close("high", difference["interval_gu"][1].as_f64(), figure("ci_high_gu"), 2e-3);
        assert_eq!(difference["verdict"].as_str().unwrap(), expected["verdict"]);
        compared += 1;
    }
    assert!(compared >= 2, "the demo has wiped treatments");
}

#[test]
fn two_that_the_demo_made_alike_share_a_letter_and_a_range_of_ranks() {
    let found = json(&[&demo(), "--stage", "cured"]);
    let rows = found["boards"][0]["rows"].as_array().unwrap();
    let of = |code: &str| rows.iter().find(|row| row["treatment"] == code).unwrap();
    assert_eq!((&of("T2")["letters"], &of("T2")["rank"]), (&of("T3")["letters"], &of("T3")["rank"]));
    assert_ne!(of("T1")["letters"], of("T2")["letters"]);
    let text = board(&[&demo()]);
    assert!(text.contains("14 can be told apart"), "{text}");
}

fn copied(to: &Path, change: impl Fn(String) -> String) {
    for folder in ["", "results", "recordings"] {
        fs::create_dir_all(to.join(folder)).unwrap();
        for entry in fs::read_dir(Path::new(&demo()).join(folder)).unwrap().map(Result::unwrap) {
            if entry.path().is_file() {
                fs::copy(entry.path(), to.join(folder).join(entry.file_name())).unwrap();
            }
        }
    }
    let study = to.join("study.toml");
    fs::write(&study, change(fs::read_to_string(&study).unwrap())).unwrap();
}

#[test]
fn studies_that_wash_by_another_recipe_are_not_mixed_and_equal_ones_are() {
    let folder = TempDir::new().unwrap();
    let paths = ["harbour", "slipway", "quay"].map(|name| folder.path().join(name));
    copied(&paths[0], |study| study);
    copied(&paths[1], |study| study);
    copied(&paths[2], |study| {
        let recipe = study.lines().find(|line| line.starts_with("recipe")).unwrap().to_owned();
        study.replace(&recipe, "recipe = \"soft soap, mitt\"")
    });
    let named = paths.each_ref().map(|path| path.to_str().unwrap());
    let found = json(&named);
    let sizes: Vec<usize> = found["boards"]
        .as_array()
        .unwrap()
        .iter()
        .map(|board| board["rows"].as_array().unwrap().len())
        .collect();
    assert_eq!(sizes[0], 2 * sizes[1], "{}", found["apart"]);
    let why = found["apart"][0].as_str().unwrap();
    assert!(why.contains("of quay") && why.contains("washing: soft soap, mitt, 600 ml there"), "{why}");
}

#[test]
fn a_stage_without_results_names_those_that_have_some() {
    let output = Command::cargo_bin("halfpanel")
        .unwrap()
        .args(["board", &demo(), "--stage", "polished"])
        .output()
        .unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(said.contains("stage polished") && said.contains("cured"), "{said}");
    let wrong =
        Command::cargo_bin("halfpanel").unwrap().args(["board", &demo(), "--geometry", "45"]).output();
    assert_eq!(wrong.unwrap().status.code(), Some(2));
}

#[test]
fn the_page_has_the_columns_of_the_table() {
    let page = include_str!("../protocol-notes/board.md");
    let rows: Vec<&str> = page.lines().filter(|line| line.starts_with("| `")).collect();
    let expected: Vec<String> =
        sheet::COLUMNS.iter().map(|(name, says)| format!("| `{name}` | {says} |")).collect();
    assert_eq!(rows, expected);
    let csv = board(&[&demo(), "--csv"]);
    let header: Vec<&str> = csv.lines().next().unwrap().split(',').collect();
    assert_eq!(header, sheet::COLUMNS.map(|column| column.0));
}

#[derive(Deserialize)]
struct Anova {
    #[serde(rename = "SiRstv")]
    sirstv: SiRstv,
}

#[derive(Deserialize)]
struct SiRstv {
    groups: Vec<Vec<f64>>,
    residual_sd: f64,
}

#[test]
fn the_pooled_scatter_is_the_certified_residual_of_an_analysis_of_variance() {
    // NIST StRD SiRstv, each instrument a treatment, each day a panel of its own.
    let expected = published::<Anova>("strd_regression_anova.toml").sirstv;
    let entries: Vec<Entry> =
        expected.groups.iter().enumerate().map(|(n, group)| instrument(n, group)).collect();
    let panels = scatter::compare(&entries).0.panels.unwrap();
    close("residual", panels.sd_gu, expected.residual_sd, 1e-11);
    close("degrees of freedom", panels.degrees_of_freedom, 20.0, 0.0);
}

fn instrument(number: usize, values: &[f64]) -> Entry {
    let panel = |(day, value): (usize, &f64)| PanelFigure {
        panel: format!("I{number}-{day}"),
        run: "r".to_owned(),
        difference_gu: *value,
        chance_gu: 0.0,
        treated_gu: 0.0,
        common_gu: None,
        no_baseline: false,
    };
    Entry {
        study: "strd".to_owned(),
        treatment: format!("I{number}"),
        name: String::new(),
        terms: Vec::new(),
        panels: values.iter().enumerate().map(panel).collect(),
        kept: Vec::new(),
        judged: Vec::new(),
        lives: Vec::new(),
        cost: None,
    }
}

/// Washes of all three panels; T1 sheds water after 10 and no longer after 20 and 30, T2 throughout; T1 fails by feel.
fn observations() -> String {
    let mut text =
        "row,at,kind,treatment,panel,washes,treated_class,control_class,attribute,verdict\n".to_owned();
    let mut number = 0;
    let mut row = |hour: u32, cells: String| {
        number += 1;
        let at = format!("2026-08-{:02}T{:02}:{:02}:00+02:00", 10 + hour, 8, number % 60);
        text.push_str(&format!("{number},{at},{cells}\n"));
    };
    for (day, washes, first) in [(1, 10, 2), (2, 20, 6), (3, 30, 6)] {
        for panel in ["G1", "G2", "G3"] {
            row(day, format!("washed,,{panel},{washes},,,,"));
            row(day, format!("looked,T1,{panel},{washes},{first},6,,"));
            row(day, format!("looked,T2,{panel},{washes},2,6,,"));
        }
    }
    row(4, "judged,T1,G1,,,,feel,fail".to_owned());
    row(4, "judged,T2,G1,,,,feel,pass".to_owned());
    text
}

#[test]
fn lives_judgements_and_costs_come_from_what_was_observed() {
    let folder = TempDir::new().unwrap();
    let study = folder.path().join("harbour");
    copied(&study, |text| {
        let priced = "code = \"T1\"\nprice = 24.00\ncovers_m2 = 4.0";
        let unpriced: Vec<&str> = text
            .lines()
            .filter(|line| {
                !["price", "content", "covers_m2", "currency"].iter().any(|key| line.starts_with(key))
            })
            .collect();
        let text = unpriced.join("\n").replacen("code = \"T1\"", priced, 1);
        text.replacen("operator =", "currency = \"EUR\"\noperator =", 1)
    });
    fs::write(study.join("observations.csv"), observations()).unwrap();
    let path = study.to_str().unwrap();
    let found = json(&[path, "--sort", "life"]);
    let board = &found["boards"][0];
    let rows = board["rows"].as_array().unwrap();
    assert_eq!((&rows[0]["treatment"], &rows[1]["treatment"]), (&"T2".into(), &"T1".into()));
    assert_eq!(rows[0]["lives"]["middle"], serde_json::json!({ "after": 30, "until": null }));
    assert_eq!(rows[1]["lives"]["middle"], serde_json::json!({ "after": 10, "until": 20 }));
    assert_eq!(board["life_pairs"][0]["on_these_panels"], true);
    assert_eq!((&rows[0]["life_rank"], &rows[1]["life_rank"]), (&[1, 1].into(), &[2, 2].into()));
    assert_eq!(rows[1]["judgements"], serde_json::json!([{ "attribute": "feel", "passed": 0, "failed": 1 }]));
    // 24 for 4 m²: 6, which is 0.30 to 0.60 for each of 10 to 20 washes.
    assert_eq!(rows[1]["cost_per_m2"], 6.0);
    assert_eq!(rows[1]["cost_per_m2_and_wash"], serde_json::json!({ "low": 0.3, "high": 0.6 }));
    let text = unfolded(&self::board(&[path]));
    for said in [
        "In 1 of 1 pairs every panel here of the one outlived every panel of the other",
        "T2 outlived T1",
        "failed: feel",
        "No test can say which product lives longer in general",
        "6.00 EUR",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
}

#[test]
fn a_panel_whose_only_look_leaves_its_life_open_counts_against_what_is_said_of_the_others() {
    let folder = TempDir::new().unwrap();
    let study = folder.path().join("harbour");
    copied(&study, |text| text);
    let mut text = "row,at,kind,treatment,panel,washes,treated_class,control_class\n".to_owned();
    let mut number = 0;
    let mut row = |day: u32, cells: &str| {
        number += 1;
        text.push_str(&format!("{number},2026-06-{day:02}T09:00:00+02:00,{cells}\n"));
    };
    // On G1 and G2 T2 outlives T1. On G3 both were looked at once, and failed: nothing is confirmed yet.
    for panel in ["G1", "G2", "G3"] {
        row(1, &format!("applied,T1,{panel},,,"));
        row(1, &format!("applied,T2,{panel},,,"));
        let last = if panel == "G3" { 1 } else { 4 };
        for at in 1..=last {
            let (one, other) = if panel == "G3" { (6, 6) } else { (if at < 2 { 1 } else { 6 }, 1) };
            row(1 + at, &format!("washed,,{panel},{},,", 10 * at));
            row(1 + at, &format!("looked,T1,{panel},{},{one},6", 10 * at));
            row(1 + at, &format!("looked,T2,{panel},{},{other},6", 10 * at));
        }
    }
    fs::write(study.join("observations.csv"), text).unwrap();
    let found = json(&[study.to_str().unwrap()]);
    let board = &found["boards"][0];
    let of =
        |code: &str| board["rows"].as_array().unwrap().iter().find(|row| row["treatment"] == code).unwrap();
    assert_eq!((&of("T1")["lives"]["counted"], &of("T2")["lives"]["counted"]), (&3.into(), &3.into()));
    assert_eq!(board["life_pairs"], serde_json::json!([]), "G3 may end either way");
}

/// Without the folds of a terminal.
fn unfolded(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
