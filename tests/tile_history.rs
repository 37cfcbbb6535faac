//! `halfpanel tile`: the tile's history over studies that are built from recordings, told by their values.
//! Published figures: `fixtures/published/ehandbook_control_charts.toml`.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;
mod published;

use assert_cmd::Command;
use chrono::TimeDelta;
use common::Bench;
use common::head;
use common::setup;
use halfpanel::run::Word;
use halfpanel::run::setup::Block;
use halfpanel::run::setup::Setup;
use published::close;
use published::half_of_decimal;
use published::published;
use serde::Deserialize;
use serde_json::Value;
use std::fs;
use tempfile::TempDir;

const STUDY: &str = r#"
name = "Sealers on gelcoat"
[meter]
port = "sim:meter.toml"
profile = "tab-60"
[tile]
name = "Black glass tile 1"
[[tile.value]]
geometry_deg = 60
assigned_gu = 92.4
[[panel]]
id = "P1"
width_mm = 300
height_mm = 200
control = ["C1"]
[[panel.row]]
names = ["C1", "A1"]
y_mm = 20
height_mm = 60
[[treatment]]
code = "T1"
name = "Harbour Sealer No. 4"
[[patch]]
treatment = "T1"
panel = "P1"
zones = ["A1"]
"#;

/// One zone a side, a tile check of one reading, and limits so wide that only the chart has something to say.
fn wide(assigned_gu: &str) -> Setup {
    let mut wide = setup(1);
    wide.tile.values[0].assigned_gu = assigned_gu.parse().unwrap();
    wide.tile.rule.readings = 1;
    for limit in [&mut wide.tile.rule.tolerance_gu, &mut wide.tile.rule.drift_limit_gu] {
        *limit = "100".parse().unwrap();
    }
    wide
}

/// The bench on so many days after the first of June.
fn bench(day: i64, setup: Setup) -> Bench {
    let mut head = head(setup);
    head.wall += TimeDelta::days(day);
    head.run = format!("{}-01", head.wall.format("%Y-%m-%d"));
    Bench::with_head(head)
}

/// Whole runs, so many days apart, whose tile reads this at both ends.
fn runs(apart_days: i64, values: &[f64]) -> Vec<Bench> {
    let one = |(number, value): (usize, &f64)| {
        let mut bench = bench(number as i64 * apart_days, wide("92.4"));
        bench.press(&format!("{value:.1} 70.0 75.0 {value:.1}"));
        bench
    };
    values.iter().enumerate().map(one).collect()
}

fn study(runs: &[Bench]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("study.toml"), STUDY).unwrap();
    fs::create_dir(folder.path().join("recordings")).unwrap();
    for bench in runs {
        let name = format!("{}.rec", bench.run.ledger().id);
        fs::write(folder.path().join("recordings").join(name), &bench.bytes).unwrap();
    }
    folder
}

struct Told {
    code: i32,
    out: String,
    err: String,
}

fn tile(study: &TempDir, arguments: &[&str]) -> Told {
    let mut command = Command::cargo_bin("halfpanel").unwrap();
    let output = command.arg("tile").arg(study.path()).args(arguments).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    Told { code: output.status.code().unwrap(), out: text(output.stdout), err: text(output.stderr) }
}

fn json(study: &TempDir, arguments: &[&str]) -> Value {
    let told = tile(study, &[&["--json"], arguments].concat());
    serde_json::from_str(&told.out).unwrap_or_else(|error| panic!("{error}: {}{}", told.out, told.err))
}

fn at_60(study: &TempDir) -> Value {
    json(study, &[])["geometries"][0].clone()
}

/// Deviations of the checks, in hundredths.
fn deviations(geometry: &Value) -> Vec<(String, i64)> {
    let one = |check: &Value| {
        let deviation = check["deviation_gu"].as_f64().unwrap();
        (check["kind"].as_str().unwrap().to_owned(), (100.0 * deviation).round() as i64)
    };
    geometry["checks"].as_array().unwrap().iter().map(one).collect()
}

/// Eight checks that scatter by a tenth about the tile's value.
const QUIET: [f64; 8] = [92.5, 92.4, 92.3, 92.4, 92.5, 92.4, 92.3, 92.4];

fn after_quiet(later: &[f64]) -> TempDir {
    study(&runs(4, &[&QUIET[..], later].concat()))
}

#[derive(Deserialize)]
struct Charts {
    individuals: Individuals,
}

#[derive(Deserialize)]
struct Individuals {
    data: Vec<f64>,
    mean: f64,
    mean_moving_range: f64,
    ucl: f64,
    lcl: f64,
}

/// The ten flow rates of the e-Handbook, 6.3.2.2, read as gloss on a tile of 50 GU; one more run behind them.
#[test]
fn the_limits_are_those_of_the_published_chart_of_individuals() {
    let flow: Charts = published("ehandbook_control_charts.toml");
    let flow = flow.individuals;
    let mut all = Vec::new();
    for (day, value) in flow.data.iter().chain(&[52.0]).enumerate() {
        let mut bench = bench(day as i64, wide("50"));
        bench.press(&format!("{value:.1} 70.0 75.0 {value:.1}"));
        all.push(bench);
    }
    let found = json(&study(&all), &["--baseline", "10"])["geometries"][0].clone();
    let stretch = &found["stretches"][0];
    let figure = |name: &str| stretch[name].as_f64().unwrap() + 50.0;
    close("centre", figure("centre_gu"), flow.mean, half_of_decimal(2));
    close("upper", figure("upper_gu"), flow.ucl, half_of_decimal(4));
    close("lower", figure("lower_gu"), flow.lcl, half_of_decimal(4));
    // The average by hand, weight 0.2: 0.2 × 52.0 + 0.8 × 50.81; its limits 3 sigma √(0.2 ÷ 1.8) = 1 sigma out.
    close("average", found["checks"][10]["average_gu"].as_f64(), 1.048, 1e-9);
    let sigma = flow.mean_moving_range / 1.128;
    close("its upper limit", figure("average_upper_gu"), flow.mean + sigma, half_of_decimal(4));
}

#[test]
fn a_study_without_a_run_says_so_kindly() {
    let empty = study(&[]);
    let told = tile(&empty, &["--svg", empty.path().join("none.svg").to_str().unwrap()]);
    assert_eq!(told.code, 0, "{}", told.err);
    assert!(told.out.starts_with("Sealers on gelcoat: no finished tile check yet."), "{}", told.out);
    assert!(!empty.path().join("none.svg").exists(), "nothing to draw");
    assert_eq!(json(&empty, &[])["geometries"], Value::Array(Vec::new()));
}

#[test]
fn below_the_baseline_there_are_no_limits_and_the_missing_checks_are_counted() {
    let five = study(&runs(1, &QUIET[..5]));
    let told = tile(&five, &[]);
    assert_eq!(told.code, 0);
    assert!(told.out.contains("the baseline takes 8 checks, 5 are there; 3 more needed."), "{}", told.out);
    let found = at_60(&five);
    assert_eq!(found["stretches"][0]["checks_missing"], 3);
    assert_eq!(found["stretches"][0]["upper_gu"], Value::Null);
    assert_eq!(found["suggestion"], Value::Null);
}

#[test]
fn the_newest_check_beyond_its_limits_is_exit_code_1_and_one_back_within_is_0() {
    let low = after_quiet(&[92.4, 91.4]);
    let told = tile(&low, &[]);
    assert_eq!(told.code, 1, "{}", told.out);
    assert!(told.out.contains("✕ beyond") && told.out.contains("clean the tile and the meter's foot"));
    assert_eq!(at_60(&low)["pattern"], "newest-apart");
    let back = after_quiet(&[92.4, 91.4, 92.4]);
    assert_eq!(tile(&back, &[]).code, 0);
    assert_eq!(at_60(&back)["pattern"], "strays");
}

#[test]
fn each_shape_has_its_sentence_and_every_sentence_its_caution() {
    let fall: Vec<f64> = (0..12).map(|i| 92.4 - 0.1 * f64::from(i)).collect();
    let cases: [(&[f64], &str, &str); 4] = [
        (&[92.4, 92.3, 92.5], "steady", "No pattern"),
        (&[92.4, 91.4, 92.4], "strays", "dirty tile or a dirty foot"),
        (&fall, "slow-fall", "ageing lamp or a tile that is wearing"),
        (&[92.4, 91.9, 91.8, 91.9, 91.9], "step", "adjusted, or a changed tile"),
    ];
    for (later, name, words) in cases {
        let study = after_quiet(later);
        assert_eq!(at_60(&study)["pattern"], name);
        let said = tile(&study, &[]).out.replace('\n', " ");
        assert!(said.contains(words) && said.contains("A suggestion, no finding"), "{name}: {said}");
    }
}

#[test]
fn after_an_adjustment_a_new_stretch_begins_with_a_baseline_of_its_own() {
    let mut all = runs(1, &QUIET);
    let mut adjusting = bench(8, wide("92.4"));
    adjusting.press("92.4 70.0").word(Word::Adjust).press("92.0").word(Word::Adjusted).press("92.6");
    adjusting.press("70.0 75.0 92.5");
    all.push(adjusting);
    let mut later = bench(9, wide("92.4"));
    later.press("93.4 70.0 75.0 93.4");
    all.push(later);
    let study = study(&all);
    let found = at_60(&study);
    let kinds = deviations(&found);
    let last = |kind: &str, hundredths| (kind.to_owned(), hundredths);
    let expected = [last("opening", 0), last("as-found", -40), last("as-left", 20), last("opening", 100)];
    assert_eq!(kinds[8..], expected, "the closing check is not charted");
    let stretches = found["stretches"].as_array().unwrap();
    assert_eq!(stretches.len(), 2);
    assert_eq!((&stretches[1]["begins"], &stretches[1]["first_check"]), (&"adjusted".into(), &10.into()));
    assert_eq!(stretches[1]["charted_checks"], 1, "the check after the adjustment shows stability only");
    let told = tile(&study, &[]);
    assert_eq!(told.code, 0, "a whole unit off, but the new stretch has no limits yet");
    assert!(told.out.contains("-- a new stretch begins: adjusted") && told.out.contains('┊'), "{}", told.out);
}

#[test]
fn an_adjustment_that_was_never_checked_begins_a_stretch_all_the_same() {
    let mut all = runs(1, &QUIET[..2]);
    let mut left = bench(2, wide("92.4"));
    left.press("92.4 70.0").word(Word::Adjust).press("92.0").word(Word::Adjusted);
    left.word(Word::Abandon { reason: "dinner".to_owned() });
    all.push(left);
    let mut later = bench(3, wide("92.4"));
    later.press("92.4 70.0 75.0 92.4");
    all.push(later);
    let found = at_60(&study(&all));
    assert_eq!(found["stretches"][1]["begins"], "adjusted");
    assert_eq!(found["stretches"][1]["first_check"], 4);
}

#[test]
fn another_tile_begins_a_new_stretch() {
    let mut all = runs(1, &QUIET[..3]);
    let mut other = bench(3, wide("88.1"));
    other.press("88.2 70.0 75.0 88.2");
    all.push(other);
    let found = at_60(&study(&all));
    assert_eq!(found["stretches"][1]["begins"], "other-tile");
    assert_eq!(deviations(&found)[3], ("opening".to_owned(), 10));
}

#[test]
fn the_first_check_after_a_long_pause_is_charted_and_a_repeated_one_is_not() {
    let mut two = setup(2);
    two.tile.rule.readings = 1;
    two.plan = vec![Block(vec![0, 1]), Block(vec![2, 3])];
    let mut bench = bench(0, two);
    // Fails, is cleaned, passes: the chart takes the tile as it was found.
    bench.press("90.1 92.4 70.0 75.0").resume_after_min(120.0, false);
    bench.press("92.2 70.0 75.0 70.0 75.0").resume_after_min(2.0, false);
    bench.press("92.3");
    let found = at_60(&study(&[bench]));
    let expected = [("opening".to_owned(), -230), ("opening".to_owned(), -20)];
    assert_eq!(deviations(&found), expected, "a short break begins no sitting");
}

#[test]
fn a_check_whose_own_readings_lie_apart_is_left_out_and_counted() {
    let mut invalid = bench(0, setup(1));
    invalid.press("92.4 90.4 92.4").press("92.3 92.3 92.3").press("70.0 75.0").press("92.4 92.4 92.4");
    let study = study(&[invalid]);
    let found = at_60(&study);
    assert_eq!(deviations(&found), [("opening".to_owned(), -10)]);
    assert_eq!(found["invalid_checks"], 1);
    assert!(tile(&study, &[]).out.contains("Left out: 1 check, whose own readings lay too far apart."));
}

#[test]
fn drift_inside_runs_is_told_and_a_first_bracket_that_moves_faster_is_named() {
    let mut three = setup(3);
    three.tile.rule = wide("92.4").tile.rule;
    three.procedure.interim_after_readings = Some(2);
    let one = |day| {
        let mut bench = bench(day, three.clone());
        // Each bracket takes 15 s: -0.5 GU in the first, 0 in the second, -0.1 in the third.
        bench.press("92.4 70.0 75.0 91.9 70.0 75.0 91.9 70.0 75.0 91.8");
        bench
    };
    let all = study(&[one(0), one(1), one(2)]);
    let warm_up = at_60(&all)["warm_up"].clone();
    // -0.6 GU in 45 s are -48 GU/h; -0.5 in 15 s are 120, 0.1 in 30 s are 12.
    close("median", warm_up["median_gu_per_h"].as_f64(), -48.0, 1e-9);
    close("first", warm_up["first_bracket_gu_per_h"].as_f64(), 120.0, 1e-9);
    close("later", warm_up["later_brackets_gu_per_h"].as_f64(), 12.0, 1e-9);
    assert_eq!(warm_up["first_bracket_drifts_more"], true);
    assert!(tile(&all, &[]).out.contains("warm up longer"));
}

#[test]
fn a_damaged_recording_is_left_out_aloud_and_the_exit_code_says_so() {
    let study = after_quiet(&[]);
    let path = study.path().join("recordings/2026-06-05-01.rec");
    let text = fs::read_to_string(&path).unwrap();
    // The second record is the link's; a changed digit in the middle of the file is damage, no torn tail.
    fs::write(&path, text.replacen("92.4", "92.9", 3)).unwrap();
    let told = tile(&study, &[]);
    assert_eq!(told.code, 2, "{}", told.err);
    assert!(told.err.contains("2026-06-05-01 is left out:"), "{}", told.err);
    assert!(told.out.contains("7 are there; 1 more needed"), "{}", told.out);
    assert_eq!(json(&study, &[])["left_out"][0], "2026-06-05-01");
}

#[test]
fn wrong_use_is_exit_code_2_and_help_has_an_example() {
    let study = after_quiet(&[]);
    assert_eq!(tile(&study, &["--baseline", "3"]).code, 2, "limits from three checks are a guess");
    fs::remove_file(study.path().join("study.toml")).unwrap();
    let told = tile(&study, &[]);
    assert_eq!(told.code, 2);
    assert!(told.err.contains("is not a study"), "{}", told.err);
    assert!(tile(&study, &["--help"]).out.contains("Example: halfpanel tile harbour --svg tile.svg"));
}

#[test]
fn the_same_recordings_give_the_same_bytes() {
    let study = after_quiet(&[92.4, 91.4, 92.4]);
    let once = |name: &str| {
        let file = study.path().join(name);
        let told = tile(&study, &["--svg", file.to_str().unwrap()]);
        (told.out, json(&study, &[]).to_string(), fs::read(file).unwrap())
    };
    assert_eq!(once("one.svg"), once("two.svg"));
}

#[test]
fn the_text_fits_eighty_columns_even_with_more_checks_than_columns() {
    let many: Vec<f64> = (0..100).map(|i| QUIET[i % 8]).collect();
    let told = tile(&study(&runs(1, &many)), &[]);
    for line in told.out.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    // 80 columns less 9 for the figures leave 71 of the 100 checks.
    assert!(told.out.contains("29 before them are in the table"), "{}", told.out);
}

#[test]
fn marks_differ_by_shape() {
    let out = tile(&after_quiet(&[92.4, 91.4, 92.4]), &[]).out;
    let marks = |mark: char| {
        out.lines().filter(|l| l.contains('│')).flat_map(str::chars).filter(|c| *c == mark).count()
    };
    assert_eq!((marks('●'), marks('✕'), marks('○')), (10, 1, 0), "{out}");
}

#[test]
fn the_drawing_is_text_with_a_title_for_light_and_dark_and_names_are_escaped() {
    let study = after_quiet(&[92.4, 91.4]);
    let toml = STUDY.replace("Sealers on gelcoat", "Wax & <sealer>");
    fs::write(study.path().join("study.toml"), toml).unwrap();
    let file = study.path().join("tile.svg");
    assert_eq!(tile(&study, &["--svg", file.to_str().unwrap()]).code, 1);
    let svg = fs::read_to_string(file).unwrap();
    assert!(svg.contains("Wax &amp; &lt;sealer&gt;: history of the reference tile</title>"), "{svg}");
    for part in ["role=\"img\"", "<desc id=", "prefers-color-scheme:dark", "<text "] {
        assert!(svg.contains(part), "{part} is missing");
    }
    // Nine dots and one cross, and one of each in the legend.
    assert_eq!(svg.matches("class=\"check\"").count(), 9 + 1);
    assert_eq!(svg.matches("class=\"out\"").count(), 1 + 1);
}
