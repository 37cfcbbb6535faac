//! Treatments that share a control, and one treatment over several panels, by hand and from the published tables.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

#[path = "common/process.rs"]
mod process;

#[path = "common/bench_study.rs"]
mod bench_study;

use bench_study::Row;
use bench_study::Study;
use bench_study::figure;
use bench_study::mean;
use bench_study::sd;
use bench_study::student_t;
use common::Bench;
use common::head;
use common::setup;
use halfpanel::difference::Book;
use halfpanel::difference::Books;
use halfpanel::run::setup::Block;
use halfpanel::run::setup::Earlier;
use halfpanel::run::setup::Serves;
use halfpanel::run::setup::Setup;
use halfpanel::run::setup::Treatment;
use halfpanel::run::setup::Zone;
use halfpanel::tables;
use halfpanel::tables::Sheets;
use halfpanel::tables::Table;
use std::fs;

/// C1 T1 S1 C2 T2 S2 C3 T3 S3: two treatments, T1 on T… and T2 on S…, beside one control.
fn shared() -> Setup {
    let mut shared = setup(3);
    shared.treatments.push(Treatment { code: "T2".to_owned(), ..shared.treatments[0].clone() });
    shared.panels[0].height_mm = 150.0;
    for at in 0..3 {
        let beside = shared.zones[2 * at + 1].clone();
        shared.zones.push(Zone { name: format!("S{}", at + 1), treatment: Some(1), y_mm: 110.0, ..beside });
    }
    shared.plan = (0..3).map(|at| Block(vec![2 * at, 2 * at + 1, 6 + at])).collect();
    shared.tile.values[0].expanded_uncertainty_gu = Some("0.6".parse().unwrap());
    shared
}

fn rows(books: Books<'_>, table: Table) -> Vec<Row> {
    let mut csv = Vec::new();
    Sheets::new(books).write(table, &mut csv, true).unwrap();
    csv::Reader::from_reader(csv.as_slice()).deserialize().map(Result::unwrap).collect()
}

const TILE: &str = "92.4 92.4 92.4";

fn near(found: f64, by_hand: f64, part: f64) {
    assert!((found - by_hand).abs() <= part * by_hand.abs(), "{found} is {by_hand} by hand");
}

/// By hand: T 75.0 75.3 75.4, mean 75.2333, s = 0.2082; S 71.5 71.2 71.3, mean 71.3333, s = 0.1528. Second minus first
/// −3.9; u = √((0.2082² + 0.1528²)/3) = 0.14907, 3.670 degrees of freedom (Welch). The control, which scatters by 4 GU, has no part in it.
#[test]
fn treatments_that_share_a_control_are_held_against_each_other_without_it() {
    let mut bench = Bench::new(shared());
    bench.press(TILE).press("67.0 75.0 71.5 71.0 75.3 71.2 75.0 75.4 71.3").press(TILE);
    let books = || Books::new(Book::new(bench.run.ledger(), ""), Vec::new());
    let contrasts = rows(books(), Table::Contrasts);
    assert_eq!(contrasts.len(), 1);
    let row = &contrasts[0];
    let text = ["treatment_a", "treatment_b", "n_a", "n_b", "mean_a_gu", "mean_b_gu", "difference_gu"];
    assert_eq!(
        text.map(|column| row[column].as_str()),
        ["T1", "T2", "3", "3", "75.2333", "71.3333", "-3.9000"]
    );
    let half = 0.5 * (figure(row, "ci_high_gu") - figure(row, "ci_low_gu"));
    near(half, student_t(3.670) * 0.149_07, 0.02);
    assert_eq!((row["verdict"].as_str(), row["status"].as_str()), ("lower", "proven"));
    let results = rows(books(), Table::Results);
    assert_eq!(results.len(), 2);
    for row in results {
        assert!(row["flags"].split(';').any(|flag| flag == "shared-control"), "{row:?}");
        assert_eq!(row["verdict"], "no detectable difference", "such a control hides it: {row:?}");
    }
}

/// By hand: bare T 73.0 73.2 73.1 and S 71.4 71.4 71.2; changes of T 2.0, 2.1, 2.3, of S 0.1, −0.2, 0.1: 0.0 − 2.1333.
#[test]
fn with_bare_readings_it_is_the_changes_of_two_treatments_that_are_compared() {
    let mut before = head(shared());
    before.run = "2026-05-01-01".to_owned();
    before.setup.zones.iter_mut().for_each(|zone| "bare".clone_into(&mut zone.stage));
    let mut bare = Bench::with_head(before);
    bare.press(TILE).press("71.4 73.0 71.4 71.6 73.2 71.4 71.1 73.1 71.2").press(TILE);
    let mut now = shared();
    now.comparing.earlier = vec![Earlier {
        serves: Serves::Baseline,
        panel: 0,
        stage: "bare".to_owned(),
        run: "2026-05-01-01".to_owned(),
        sha256: "b".to_owned(),
    }];
    let mut bench = Bench::new(now);
    bench.press(TILE).press("71.4 75.0 71.5 71.6 75.3 71.2 71.1 75.4 71.3").press(TILE);
    let books =
        |digest| Books::new(Book::new(bench.run.ledger(), "a"), vec![Book::new(bare.run.ledger(), digest)]);
    let row = &rows(books("b"), Table::Contrasts)[0];
    assert_eq!((row["design"].as_str(), row["difference_gu"].as_str()), ("paired", "-2.1333"));
    // A recording by another digest is not the one that was named.
    let row = &rows(books("c"), Table::Contrasts)[0];
    assert_eq!((row["status"].as_str(), row["difference_gu"].as_str()), ("not-proven", ""));
    assert_eq!(
        (row["verdict"].as_str(), row["flags"].as_str()),
        ("no result", "baseline-missing=2026-05-01-01")
    );
}

/// A study with three panels of three zones a side.
fn three_panels() -> Study {
    let panel = |id: &str| {
        format!(
            "[[panel]]\nid = \"{id}\"\nwidth_mm = 300\nheight_mm = 200\ncontrol = [\"C1\", \"C2\", \"C3\"]\n\
             [[panel.row]]\nnames = [\"C1\", \"C2\", \"C3\", \"A1\", \"A2\", \"A3\"]\ny_mm = 20\nheight_mm = 60\n\
             [[patch]]\ntreatment = \"T1\"\npanel = \"{id}\"\nzones = [\"A1\", \"A2\", \"A3\"]\n"
        )
    };
    Study::with(&["P2", "P3"].map(panel).concat())
}

/// Zones of panels whose treated side lies so far above the control's 70 GU, and that scatter by 0.2 GU.
fn panels(differences: &[(&str, f64)]) -> Vec<(String, f64)> {
    let side = |panel: &str, side: &str, middle: f64| {
        [-0.2, 0.0, 0.2]
            .into_iter()
            .zip(1..)
            .map(|(off, at)| (format!("{panel} {side}{at}"), middle + off))
            .collect::<Vec<_>>()
    };
    differences
        .iter()
        .flat_map(|(panel, gu)| [side(panel, "C", 70.0), side(panel, "A", 70.0 + gu)].concat())
        .collect()
}

fn run(study: &Study, differences: &[(&str, f64)]) -> String {
    let zones = panels(differences);
    let zones: Vec<(&str, f64)> = zones.iter().map(|(zone, gu)| (zone.as_str(), *gu)).collect();
    let arguments: Vec<&str> = differences.iter().flat_map(|(panel, _)| ["--panel", panel]).collect();
    study.run_with("cured", &zones, &arguments).0
}

fn treatment(study: &Study) -> Row {
    let mut rows = study.table("treatments.csv");
    assert_eq!(rows.len(), 1, "{rows:?}");
    rows.remove(0)
}

/// By hand. One panel: nothing to tell. Two, 7.0 and 5.0: mean 6, s = √2, so 1.0 for the mean; t at one degree of freedom
/// 12.7062 (any table); three of that spread would have √2/√3 × 4.3027 = 3.5132. Then P2 is read again (8.0) beside P3 (9.0):
/// 7, 8, 9 have mean 8, s = 1, 1/√3 = 0.57735, ± 2.4841.
#[test]
fn the_panel_is_the_unit_and_the_latest_proven_run_of_each_counts() {
    let study = three_panels();
    let first = run(&study, &[("P1", 7.0)]);
    let row = treatment(&study);
    let text = ["n_panels", "panels", "difference_gu", "ci_low_gu", "verdict", "speaks_of", "flags"];
    let expected = ["1", "P1", "7.0000", "", "no result", "panels", "one-panel;no-baseline"];
    assert_eq!(text.map(|column| row[column].as_str()), expected);

    let second = run(&study, &[("P2", 5.0)]);
    let row = treatment(&study);
    let expected =
        ["2", "P1, P2", "6.0000", "no detectable difference", "panels", "one-degree-of-freedom;no-baseline"];
    let text = ["n_panels", "panels", "difference_gu", "verdict", "speaks_of", "flags"];
    assert_eq!(text.map(|column| row[column].as_str()), expected);
    near(6.0 - figure(&row, "ci_low_gu"), 12.7062, 1e-4);
    near(figure(&row, "expanded_with_three_gu"), 3.5132, 1e-4);
    assert_eq!(row["runs"], format!("{first}, {second}"));

    let third = run(&study, &[("P2", 8.0), ("P3", 9.0)]);
    // A later one that proves nothing takes no result away.
    let zones = panels(&[("P1", 1.0), ("P2", 1.0), ("P3", 1.0)]);
    let zones: Vec<(&str, f64)> = zones.iter().map(|(zone, gu)| (zone.as_str(), *gu)).collect();
    study.abandoned("cured", &zones);
    let row = treatment(&study);
    let expected = ["3", "P1, P2, P3", "8.0000", "1.0000", "higher", "product", "no-baseline"];
    let text = ["n_panels", "panels", "difference_gu", "panel_sd_gu", "verdict", "speaks_of", "flags"];
    assert_eq!(text.map(|column| row[column].as_str()), expected);
    assert_eq!(
        (row["runs"].clone(), row["expanded_with_three_gu"].as_str()),
        (format!("{first}, {third}"), "")
    );
    near(figure(&row, "ci_high_gu") - 8.0, 2.4841, 1e-4);
    whole_by_hand(&study, &row, &[(&first, "P1"), (&third, "P2"), (&third, "P3")]);
    same_from_what_is_published(&study);
}

/// What the panels share does not average out: the mean of their common uncertainties enters whole.
fn whole_by_hand(study: &Study, row: &Row, panels: &[(&String, &str)]) {
    let of_panel = |(run, panel): &(&String, &str), enters: &str| {
        let parts =
            study.parts(run).into_iter().filter(|part| part["panel"] == *panel && part["enters"] == enters);
        parts.map(|part| figure(&part, "contribution_gu").powi(2)).sum::<f64>().sqrt()
    };
    let common: Vec<f64> = panels.iter().map(|panel| of_panel(panel, "common")).collect();
    // The certificate alone is 0.3 × 8/92.4.
    assert!(mean(&common) > 0.025, "{common:?}");
    let results: Vec<Row> = panels
        .iter()
        .flat_map(|(run, panel)| study.results(run).into_iter().filter(|row| row["panel"] == *panel))
        .collect();
    let differences: Vec<f64> = results.iter().map(|row| figure(row, "difference_gu")).collect();
    let error = sd(&differences) / 3_f64.sqrt();
    let own: f64 = panels.iter().map(|panel| of_panel(panel, "chance").powi(2)).sum::<f64>().sqrt() / 3.0;
    assert!(own < error, "these panels scatter more than each of them is uncertain");
    let whole = error.hypot(mean(&common));
    near(figure(row, "standard_uncertainty_gu"), whole, 2e-4);
    let degrees = 2.0 * (whole / error).powi(4);
    near(figure(row, "degrees_of_freedom"), degrees, 1e-3);
    near(figure(row, "coverage_factor"), student_t(degrees), 1e-3);
    near(figure(row, "expanded_uncertainty_gu"), student_t(degrees) * whole, 1e-3);
}

/// Anybody can make the table again from the two that it rests on; so does `verify`, and each run's own folder.
fn same_from_what_is_published(study: &Study) {
    let read = |name: &str| fs::read(study.path().join("results").join(name)).unwrap();
    let mut again = Vec::new();
    tables::treatments(&read("results.csv"), &read("budget.csv"), &mut again).unwrap();
    assert!(again == read("treatments.csv"));
    let verified = study.verify();
    assert_eq!(verified.code, Some(0), "{verified:?}");
}

#[test]
fn a_table_of_treatments_from_rows_that_are_none_is_refused() {
    let mut out = Vec::new();
    assert!(tables::treatments(b"run,panel\na,b\n", b"", &mut out).is_err());
}

/// What one panel said with a baseline and the other without are told apart.
#[test]
fn panels_of_different_designs_are_flagged() {
    let study = three_panels();
    let bare = panels(&[("P1", 1.0)]);
    let bare: Vec<(&str, f64)> = bare.iter().map(|(zone, gu)| (zone.as_str(), *gu)).collect();
    study.run_with("bare", &bare, &["--panel", "P1"]);
    run(&study, &[("P1", 7.0), ("P2", 6.0)]);
    let row = study.table("treatments.csv").into_iter().find(|row| row["stage"] == "cured").unwrap();
    assert_eq!(row["flags"], "one-degree-of-freedom;no-baseline;mixed-designs");
    assert_eq!(row["difference_gu"], "6.0000");
}
