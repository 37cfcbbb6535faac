//! Designs over whole runs by the simulated meter: bare readings and what they correct, what becomes of a
//! result when they are gone, which earlier runs are held against a run and which are not, and what is left
//! of the gloss at a later stage. Figures are worked out from the published tables by code of this file.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;

#[path = "common/bench_study.rs"]
mod bench_study;

use bench_study::BARE;
use bench_study::CURED;
use bench_study::Study;
use bench_study::figure;
use bench_study::mean;
use bench_study::sd;
use std::fs;

/// Of zones that were read in two runs: by how much each changed, control and treated, from `zones.csv`.
fn changes(study: &Study, before: &str, after: &str) -> [Vec<f64>; 2] {
    ["control", "treated"].map(|role| {
        let of = |run: &str| study.zones(run).into_iter().filter(|row| row["role"] == role);
        let then: Vec<_> = of(before).collect();
        of(after)
            .map(|row| {
                let bare = then.iter().find(|bare| bare["zone"] == row["zone"]).unwrap();
                figure(&row, "mean_gu") - figure(bare, "mean_gu")
            })
            .collect()
    })
}

/// Stewart-Oaten, Murdoch and Parker (1986): each zone counts by its change, and the control's change comes off.
/// By hand: changes of the control −0.2, −0.1, −0.3, of the treated zones 2.9, 3.4, 2.8; 3.0333 + 0.2 = 3.2333.
#[test]
fn halves_that_differed_before_are_corrected_by_their_bare_readings() {
    let study = Study::new();
    let bare = study.run("bare", &BARE);
    let cured = study.run("cured", &CURED);
    let row = study.result(&cured);
    assert_eq!((row["design"].as_str(), row["status"].as_str()), ("paired", "proven"));
    assert_eq!(row["baseline_recording"], bare);
    assert_eq!(row["baseline_sha256"], study.sha256(&bare));
    assert_eq!(row["recording_sha256"], study.sha256(&cured));
    assert!(!row["flags"].contains("baseline"), "{}", row["flags"]);
    let [control, treated] = changes(&study, &bare, &cured);
    let by_hand = mean(&treated) - mean(&control);
    assert!((by_hand - 3.233_33).abs() < 1e-4, "{by_hand}");
    assert!((figure(&row, "difference_gu") - by_hand).abs() < 1e-4, "{row:?}");
    // The means are those of the day, and differ by what the halves differed before besides.
    let as_read = figure(&row, "treated_mean_gu") - figure(&row, "control_mean_gu");
    assert!((as_read - 5.2).abs() < 1e-3, "{as_read}");
    // The scatter is that of the changes, over the root of three.
    for (side, values) in [("control", control), ("treated", treated)] {
        let part = study.part(&cured, &format!("scatter of {side} zones"));
        assert!((figure(&part, "value") - sd(&values)).abs() < 1e-4, "{part:?}");
        assert!((figure(&part, "contribution_gu") - sd(&values) / 3_f64.sqrt()).abs() < 1e-4, "{part:?}");
    }
}

#[test]
fn without_the_baseline_the_halves_stand_as_they_are_and_a_flag_says_so() {
    let study = Study::new();
    study.run("bare", &BARE);
    let cured = study.run_with("cured", &CURED, &["--no-baseline"]).0;
    let row = study.result(&cured);
    assert_eq!(row["design"], "no-baseline");
    assert_eq!((row["baseline_recording"].as_str(), row["baseline_sha256"].as_str()), ("", ""));
    assert!(row["flags"].split(';').any(|flag| flag == "no-baseline"), "{}", row["flags"]);
    // (75.0 + 75.7 + 75.6) / 3 − (69.8 + 70.3 + 70.6) / 3 = 75.4333 − 70.2333
    assert!((figure(&row, "difference_gu") - 5.2).abs() < 1e-4, "{row:?}");
}

#[test]
fn the_study_can_leave_the_baseline_out_as_well() {
    let study = Study::with("[comparing]\nbaseline = false\n");
    study.run("bare", &BARE);
    let cured = study.run("cured", &CURED);
    assert_eq!(study.result(&cured)["design"], "no-baseline");
}

/// What is left of a result whose bare readings are not there as they were named.
fn has_no_result(study: &Study, cured: &str, bare: &str) {
    let row = study.result(cured);
    let stands = [&row["design"], &row["status"], &row["verdict"]].map(String::as_str);
    assert_eq!(stands, ["paired", "not-proven", "no result"]);
    for column in
        ["difference_gu", "ci_low_gu", "control_mean_gu", "standard_uncertainty_gu", "detectable_gu"]
    {
        assert_eq!(row[column], "", "{column}: {row:?}");
    }
    assert!(row["flags"].split(';').any(|flag| flag == format!("baseline-missing={bare}")), "{row:?}");
    assert_eq!(row["baseline_recording"], bare, "it is still named");
    assert!(study.parts(cured).is_empty());
}

#[test]
fn a_baseline_that_is_deleted_replaced_or_changed_leaves_no_result_and_comes_back_with_its_file() {
    let study = Study::new();
    let bare = study.run("bare", &BARE);
    let other = study.run("bare", &BARE.map(|(zone, gu)| (zone, gu + 1.0)));
    // The later of two is taken; put out of the way, it is missed.
    let cured = study.run("cured", &CURED);
    assert_eq!(study.result(&cured)["baseline_recording"], other);
    let (before, file) = (study.tables(), study.recording(&other));
    let whole = fs::read(&file).unwrap();
    type Harm = fn(&Study, &str, &str, &[u8]);
    let harms: [(&str, Harm, &str); 4] = [
        ("deleted", |study, _, other, _| fs::remove_file(study.recording(other)).unwrap(), "it is not there"),
        (
            "replaced by another run",
            |study, bare, other, _| {
                fs::copy(study.recording(bare), study.recording(other)).unwrap();
            },
            "its recording was refused",
        ),
        (
            "changed in one byte",
            |study, _, other, whole| {
                let mut bytes = whole.to_vec();
                let middle = bytes.len() / 2;
                bytes[middle] ^= 1;
                fs::write(study.recording(other), bytes).unwrap();
            },
            "its recording was refused",
        ),
        (
            "cut off",
            |study, _, other, whole| {
                let end = whole[..whole.len() - 1].iter().rposition(|&b| b == b'\n').unwrap();
                fs::write(study.recording(other), &whole[..=end]).unwrap();
            },
            "no longer the one that was named",
        ),
    ];
    for (name, harm, said) in harms {
        harm(&study, &bare, &other, &whole);
        let verified = study.verify();
        assert_eq!(verified.code, Some(1), "{name}: {verified:?}");
        let complaint = format!("{cured}: compared with run {other} (bare), but ");
        assert!(verified.stdout.contains(&complaint), "{name}: {verified:?}");
        assert!(verified.stdout.contains(said), "{name}: {verified:?}");
        study.update();
        has_no_result(&study, &cured, &other);
        // Once more, from what is kept.
        study.update();
        has_no_result(&study, &cured, &other);
        fs::write(&file, &whole).unwrap();
        study.update();
        assert!(study.tables() == before, "{name}: the tables did not come back");
        let verified = study.verify();
        assert_eq!(verified.code, Some(0), "{name}: {verified:?}");
    }
}

/// Begins a cured run and gives the design of its result with what was remarked.
fn cured(study: &Study) -> (String, String) {
    let (run, said) = study.run_with("cured", &CURED, &[]);
    (study.result(&run)["design"].clone(), said)
}

#[test]
fn a_bare_run_on_another_tile_is_not_used_and_a_remark_says_why() {
    let study = Study::new();
    let bare = study.run("bare", &BARE);
    study.edit("Black glass tile 1", "Black glass tile 2");
    let (design, said) = cured(&study);
    assert_eq!(design, "no-baseline");
    let remark = format!("run {bare} (bare) is not compared with: it was proven on another tile");
    assert!(said.contains(&remark), "{said}");
}

#[test]
fn a_bare_run_that_was_abandoned_is_not_used_and_an_older_one_is() {
    let study = Study::new();
    let older = study.run("bare", &BARE);
    let given_up = study.abandoned("bare", &BARE);
    let (run, said) = study.run_with("cured", &CURED, &[]);
    let remark = format!("run {given_up} (bare) is not compared with: it did not come to its end");
    assert!(said.contains(&remark), "{said}");
    assert_eq!(study.result(&run)["baseline_recording"], older);
}

#[test]
fn a_bare_run_from_after_the_product_was_put_on_is_not_used_and_a_remark_says_so() {
    let study = Study::new();
    let bare = study.run("bare", &BARE);
    study.edit("zones = [\"A1\"", "applied_at = 2020-05-04T09:30:00+02:00\nzones = [\"A1\"");
    let (design, said) = cured(&study);
    assert_eq!(design, "no-baseline");
    let remark = format!("run {bare} (bare) is not compared with: the product was put on before");
    assert!(said.contains(&remark), "{said}");
}

/// A recording without its end is written to once more when it is taken up, and is another file then.
#[test]
fn a_bare_run_whose_recording_lacks_its_end_is_not_used() {
    let study = Study::new();
    let bare = study.run("bare", &BARE);
    let file = study.recording(&bare);
    let whole = fs::read(&file).unwrap();
    let end = whole[..whole.len() - 1].iter().rposition(|&b| b == b'\n').unwrap();
    assert!(String::from_utf8_lossy(&whole[end..]).contains("\"k\":\"end\""));
    fs::write(&file, &whole[..=end]).unwrap();
    let (run, said) = study.run_with("cured", &CURED, &["--new"]);
    assert_eq!(study.result(&run)["design"], "no-baseline");
    let remark = format!("run {bare} (bare) is not compared with: the end of its recording is missing");
    assert!(said.contains(&remark), "{said}");
}

#[test]
fn two_patches_at_different_stages_on_one_panel_have_their_baseline_all_the_same() {
    let study = Study::with(
        "[[treatment]]\ncode = \"T2\"\nname = \"Slipway Wax\"\n\
         [[patch]]\ntreatment = \"T2\"\npanel = \"P1\"\nzones = [\"A3\"]\nstage = \"washed-10\"\n",
    );
    study.edit("zones = [\"A1\", \"A2\", \"A3\"]", "zones = [\"A1\", \"A2\"]");
    let bare = study.run("bare", &BARE);
    let run = study.run_as_planned(&CURED);
    let stages =
        study.results(&run).into_iter().map(|row| (row["stage"].clone(), row["baseline_recording"].clone()));
    let expected = ["cured", "washed-10"].map(|stage| (stage.to_owned(), bare.clone()));
    assert_eq!(stages.collect::<Vec<_>>(), expected);
}

const WASHED: [(&str, f64); 6] =
    [("C1", 69.5), ("C2", 69.8), ("C3", 70.4), ("A1", 72.6), ("A2", 73.9), ("A3", 73.0)];

/// Where between its two checks a run read the treated zones on average, from `readings.csv`: 0 to 1.
fn share_of_closing(study: &Study, run: &str) -> f64 {
    let of = |kind: &str, role: &str| -> Vec<f64> {
        let rows = study.readings(run).into_iter().filter(|row| row["kind"] == kind && row["role"] == role);
        rows.map(|row| figure(&row, "elapsed_s")).collect()
    };
    let (opening, closing) = (mean(&of("opening", "")), mean(&of("closing", "")));
    (mean(&of("zone", "treated")) - opening) / (closing - opening)
}

/// By hand. Mean after over mean before: 73.1667 / 75.4333 = 96.995 %. Its uncertainty (Cochran, Sampling
/// Techniques, 2.11): the scatter of after − ratio × before over √3 and the mean before. Each day's scale: both
/// checks read 92.4 twice without scatter, so that of a reading's rounding 0.1/√12 goes over √2, and as equal
/// readings share their rounding it enters once more, whole: (1/2 + 1) × 0.1²/12 for each check, by the square
/// of its share in the readings. Student's t from any table, for degrees of freedom by Welch and Satterthwaite
/// between 2 (zones alone: 4.3027) and above.
#[test]
fn at_a_later_stage_it_says_how_much_of_the_gloss_is_left_and_how_well_that_is_known() {
    let study = Study::new();
    let cured = study.run("cured", &CURED);
    let washed = study.run("washed-10", &WASHED);
    let row = study.result(&washed);
    assert_eq!(row["retention_from_stage"], "cured");
    let treated = |run: &str| -> Vec<f64> {
        let rows = study.zones(run).into_iter().filter(|row| row["role"] == "treated");
        rows.map(|row| figure(&row, "mean_gu")).collect()
    };
    let (before, after) = (treated(&cured), treated(&washed));
    let ratio = mean(&after) / mean(&before);
    assert!((100.0 * ratio - 96.995_1).abs() < 1e-3, "{ratio}");
    assert!((figure(&row, "retention_pct") - 100.0 * ratio).abs() < 1e-4, "{row:?}");
    let control = (69.5 + 69.8 + 70.4) / (69.8 + 70.3 + 70.6);
    assert!((figure(&row, "control_retention_pct") - 100.0 * control).abs() < 1e-4, "{row:?}");
    let apart: Vec<f64> = after.iter().zip(&before).map(|(after, before)| after - ratio * before).collect();
    let zones = sd(&apart) / 3_f64.sqrt() / mean(&before);
    let scale = |run: &str| {
        let share = share_of_closing(&study, run);
        let squares = share * share + (1.0 - share) * (1.0 - share);
        ratio * (1.5 * 0.01 / 12.0 * squares).sqrt() / 92.4
    };
    let scales = [scale(&cured), scale(&washed)];
    let whole = (zones * zones + scales.iter().map(|u| u * u).sum::<f64>()).sqrt();
    // Each day has two checks of two readings: two degrees of freedom, as the three zones have.
    let fourth = |u: f64| (u / whole).powi(4) / 2.0;
    let degrees = 1.0 / (fourth(zones) + fourth(scales[0]) + fourth(scales[1]));
    let t = bench_study::student_t(degrees);
    let ends = [ratio - t * whole, ratio + t * whole].map(|end| 100.0 * end);
    for (column, end) in [("retention_low_pct", ends[0]), ("retention_high_pct", ends[1])] {
        assert!((figure(&row, column) - end).abs() < 5e-3, "{column} {end}: {row:?}");
    }
}

#[test]
fn gloss_is_not_said_to_be_kept_from_before_the_product_was_put_on_again() {
    let study = Study::new();
    let cured = study.run("cured", &CURED);
    study.edit("zones = [\"A1\"", "applied_at = 2090-05-04T09:30:00+02:00\nzones = [\"A1\"");
    let (washed, said) = study.run_with("washed-10", &WASHED, &[]);
    assert_eq!(study.result(&washed)["retention_pct"], "");
    let remark = format!("run {cured} (cured) is not compared with: the product was put on after it");
    assert!(said.contains(&remark), "{said}");
}

#[test]
fn a_retention_whose_earlier_run_is_gone_is_empty_and_a_flag_says_why() {
    let study = Study::new();
    let cured = study.run("cured", &CURED);
    let washed = study.run("washed-10", &WASHED);
    fs::remove_file(study.recording(&cured)).unwrap();
    study.update();
    let row = study.result(&washed);
    assert_eq!((row["retention_pct"].as_str(), row["status"].as_str()), ("", "proven"));
    assert!(row["flags"].split(';').any(|flag| flag == format!("retention-missing={cured}")), "{row:?}");
    let verified = study.verify();
    assert_eq!(verified.code, Some(1), "{verified:?}");
    assert!(verified.stdout.contains(&format!("compared with run {cured} (cured)")), "{verified:?}");
}

#[test]
fn zones_that_are_added_once_a_verdict_is_known_are_flagged() {
    let study = Study::new();
    study.edit("zones = [\"A1\", \"A2\", \"A3\"]", "zones = [\"A1\", \"A2\"]");
    study.edit("control = [\"C1\", \"C2\", \"C3\"]", "control = [\"C1\", \"C2\"]\nunused = [\"C3\", \"A3\"]");
    let fewer = study.run("cured", &CURED);
    let again = study.run("cured", &CURED);
    study.edit("zones = [\"A1\", \"A2\"]", "zones = [\"A1\", \"A2\", \"A3\"]");
    study.edit("control = [\"C1\", \"C2\"]\nunused = [\"C3\", \"A3\"]", "control = [\"C1\", \"C2\", \"C3\"]");
    let more = study.run("cured", &CURED);
    let extended = |run: &str| {
        let flags = study.result(run)["flags"].clone();
        flags.split(';').find(|flag| flag.starts_with("extended")).map(str::to_owned)
    };
    assert_eq!([&fewer, &again].map(|run| extended(run)), [None, None]);
    assert_eq!(extended(&more), Some(format!("extended={again}")));
}

#[test]
fn a_second_treatment_beside_the_first_extends_neither() {
    let study = Study::with(
        "[[treatment]]\ncode = \"T2\"\nname = \"Slipway Wax\"\n\
         [[patch]]\ntreatment = \"T2\"\npanel = \"P1\"\nzones = [\"A3\"]\n",
    );
    study.edit("zones = [\"A1\", \"A2\", \"A3\"]", "zones = [\"A1\", \"A2\"]");
    study.run_with("cured", &CURED, &["--treatment", "T1"]);
    let both = study.run("cured", &CURED);
    for row in study.results(&both) {
        assert!(!row["flags"].contains("extended"), "{row:?}");
    }
}
