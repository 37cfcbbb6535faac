//! Zero and the middle of the scale, and readings that lie too far apart, told as stories. Figures are
//! worked out by hand beside each; the rules are those of `protocol-notes/procedure.md`.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;

use common::{Bench, setup, state_repeatability, with_scale};
use halfpanel::difference::three_point::three_point;
use halfpanel::meter::shipped;
use halfpanel::report::gather::{SittingStarts, gather};
use halfpanel::run::record::Scanner;
use halfpanel::run::setup::{Setup, TileValue};
use halfpanel::run::{CheckKind, RunState, Want, Word, replay};
use halfpanel::tables::{self, Table};
use halfpanel::tile::CheckVerdict;
use halfpanel::units::Geometry;
use std::fs;
use std::process::{Command, Stdio};

fn kinds(bench: &Bench) -> String {
    let of = |check: &halfpanel::run::Check| {
        let verdict = check.verdict.map_or("running".to_owned(), |v| format!("{v:?}").to_lowercase());
        format!("{} {verdict}", check.kind.text())
    };
    bench.run.ledger().checks.iter().map(of).collect::<Vec<_>>().join(", ")
}

/// Some columns of a table, one row a line; what a replay of the recording gives is the same.
fn cells(bench: &Bench, table: Table, columns: &[&str]) -> String {
    let csv = |ledger| {
        let mut csv = Vec::new();
        tables::write(table, ledger, "", &mut csv, true).unwrap();
        csv
    };
    let live = csv(bench.run.ledger());
    let mut scanner = Scanner::new("the bench", bench.bytes.as_slice());
    let replayed = replay("the bench", &mut scanner, |_, _, _| {}).unwrap();
    assert_eq!(live, csv(replayed.run.ledger()), "a replay gives another table");
    let mut reader = csv::Reader::from_reader(live.as_slice());
    let header = reader.headers().unwrap().clone();
    let at = |name: &&str| header.iter().position(|column| column == *name).unwrap();
    let places: Vec<usize> = columns.iter().map(at).collect();
    let row =
        |row: csv::StringRecord| places.iter().map(|&i| row[i].to_owned()).collect::<Vec<_>>().join(" ");
    reader.records().map(|r| row(r.unwrap()) + "\n").collect()
}

fn flags(bench: &Bench) -> String {
    cells(bench, Table::Zones, &["zone", "n", "status", "flags"])
}

fn says(bench: &Bench, sentence: &str) -> bool {
    bench.said.contains(sentence)
}

fn void() -> Word {
    Word::Void { placement: None, reason: "slid".to_owned() }
}

fn repeats(zones: usize, readings_per_zone: u32, repeatability: &str) -> Setup {
    let mut setup = setup(zones);
    setup.procedure.readings_per_zone = readings_per_zone;
    state_repeatability(&mut setup, repeatability.parse().unwrap());
    setup
}

fn side_limit(zones: usize, limit: &str) -> Setup {
    let mut setup = setup(zones);
    setup.procedure.side_range_limit_gu = Some(limit.parse().unwrap());
    setup
}

const TILE: &str = "92.4 92.4 92.4";

#[test]
fn a_sitting_begins_with_zero_and_middle_and_neither_is_part_of_a_bracket() {
    let mut bench = Bench::new(with_scale(setup(1)));
    bench.press("0.0 0.1 0.0").press("47.2 47.3 47.2").press(TILE).press("71.0 75.0").press(TILE);
    assert_eq!(kinds(&bench), "zero passed, middle passed, opening passed, closing passed");
    for sentence in [
        "Black trap, zero check, reading 1 of 3: wipe the meter's foot",
        "black trap, zero check: 0.1 GU at 60°",
        "zero check passed: 0.03 GU at 60°, +0.03 from 0 (within 0.1 GU)",
        "Middle tile (grey glass), middle check, reading 1 of 3:",
        "middle check passed: 47.23 GU at 60°, -0.07 from 47.3 (within 1.0 GU)",
        "Tile (black glass), opening check, reading 1 of 3:",
    ] {
        assert!(says(&bench, sentence), "{sentence}\nin:\n{}", bench.said);
    }
    let ledger = bench.run.ledger();
    assert_eq!((ledger.state, ledger.brackets.len()), (RunState::Complete, 1));
    assert_eq!((ledger.brackets[0].opening, ledger.brackets[0].closing), (2, Some(3)));
    assert_eq!(
        cells(&bench, Table::TileChecks, &["kind", "n", "mean_gu", "assigned_gu", "deviation_gu", "passed"]),
        "zero 3 0.0333 0 0.0333 true\nmiddle 3 47.2333 47.3 -0.0667 true\n\
         opening 3 92.4000 92.4 0.0000 true\nclosing 3 92.4000 92.4 0.0000 true\n"
    );
    assert_eq!(flags(&bench), "C1 1 proven \nT1 1 proven \n");
}

#[test]
fn a_zero_that_is_off_is_repeated_once_after_cleaning_and_then_the_run_goes_on_with_a_flag() {
    let mut bench = Bench::new(with_scale(setup(1)));
    bench.press("0.2 0.2 0.2");
    assert!(
        says(&bench, "Black trap, zero check, reading 1 of 3: clean it and the meter's foot"),
        "{}",
        bench.said
    );
    bench.press("0.1 0.2 0.2").press("47.3 47.3 47.3").press(TILE).press("71.0 75.0").press(TILE);
    assert_eq!(kinds(&bench), "zero failed, zero failed, middle passed, opening passed, closing passed");
    assert!(says(&bench, "zero is off although foot and trap were cleaned: say `adjust`"), "{}", bench.said);
    assert_eq!(flags(&bench), "C1 1 proven zero-off\nT1 1 proven zero-off\n");
}

#[test]
fn a_middle_tile_that_passes_once_it_was_cleaned_leaves_no_flag() {
    let mut bench = Bench::new(with_scale(setup(1)));
    bench
        .press("0.0 0.0 0.0")
        .press("46.0 46.0 46.0")
        .press("47.0 47.0 47.0")
        .press(TILE)
        .press("71.0 75.0")
        .press(TILE);
    assert_eq!(kinds(&bench), "zero passed, middle failed, middle passed, opening passed, closing passed");
    assert_eq!(flags(&bench), "C1 1 proven \nT1 1 proven \n");
    let mut off = Bench::new(with_scale(setup(1)));
    off.press("0.0 0.0 0.0").press("46.0 46.0 46.0").press("46.0 46.0 46.0").press(TILE).press("71.0");
    assert!(says(&off, "the scale is not straight between zero and tile"), "{}", off.said);
    assert_eq!(flags(&off), "C1 1 not-proven middle-off\nT1 0 not-proven \n");
}

#[test]
fn a_scale_check_whose_readings_lie_too_far_apart_is_repeated_without_being_a_failure() {
    let mut bench = Bench::new(with_scale(setup(1)));
    bench.press("0.0 0.0 0.9").press("0.2 0.2 0.2").press("0.0 0.0 0.0");
    assert_eq!(kinds(&bench), "zero invalid, zero failed, zero passed, middle running");
}

#[test]
fn zero_and_middle_come_again_after_a_long_pause_and_after_an_adjustment() {
    let mut bench = Bench::new(with_scale(setup(1)));
    bench.press("0.0 0.0 0.0 47.3 47.3 47.3").press(TILE).press("71.0").wait_min(61.0).press("0.0 0.0");
    // The pause comes to light with the first press, which is one on the trap.
    bench.press("0.0 47.3 47.3 47.3").press(TILE).press("71.1").word(Word::Adjust).press(TILE);
    bench.word(Word::Adjusted).press("0.0 0.0 0.0 47.3 47.3");
    bench.wait_min(61.0).press("0.0 0.0 0.0 47.3 47.3 47.3").press(TILE).press("71.2 75.2").press(TILE);
    assert_eq!(
        kinds(&bench),
        "zero passed, middle passed, opening passed, zero passed, middle passed, opening passed, \
         as-found passed, zero passed, middle running, zero passed, middle passed, as-left passed, closing passed"
    );
    assert_eq!(bench.run.ledger().state, RunState::Complete);
    assert_eq!(flags(&bench), "C1 1 proven retaken\nT1 1 proven \n");
}

#[test]
fn an_adjustment_may_come_in_place_of_a_zero_check_and_its_check_of_the_tile_is_as_found() {
    let mut bench = Bench::new(with_scale(setup(1)));
    bench.press("0.3 0.3 0.3 0.3 0.3 0.3").word(Word::Adjust).press(TILE).word(Word::Adjusted);
    assert!(
        matches!(bench.run.want(), Want::Tile { kind: CheckKind::Zero, reading: 1, .. }),
        "{}",
        bench.said
    );
}

#[test]
fn the_three_points_show_a_scale_that_sags() {
    let mut bench = Bench::new(with_scale(setup(1)));
    bench.press("0.1 0.1 0.1").press("46.9 46.9 46.9").press("91.0 91.0 91.0").press(TILE).press("71.0 75.0");
    let found = three_point(bench.run.ledger(), Geometry::Deg60).unwrap();
    let (zero, middle, high) = (found.zero.unwrap(), found.middle.unwrap(), found.high.unwrap());
    // The opening check that failed before the tile was cleaned says nothing of the scale.
    assert_eq!((zero.check, middle.check, high.check), (0, 1, 3));
    assert!((middle.deviation_gu + 0.4).abs() < 1e-12 && middle.passed && zero.passed);
    assert_eq!(middle.expanded_uncertainty_gu, Some(0.8));
    // The line at 47.3 GU: 0.1 + 92.3 x 47.3 / 92.4 = 47.348810; the middle reads 0.448810 less.
    assert!((found.bow_gu.unwrap() + 0.448_809_5).abs() < 1e-6, "{:?}", found.bow_gu);
    // No scatter but the step, 0.1 / sqrt 12; t at 1 - (1 - 0.95^(1/3))/2 and 6 degrees of freedom is
    // 3.27385 (its density integrated by Simpson's rule), so the limit is 0.0945.
    let linearity = found.linearity.unwrap();
    assert!((linearity.limit - 0.0945).abs() < 5e-4, "{}", linearity.limit);
    let within: Vec<bool> = linearity.values.iter().map(|value| value.within).collect();
    assert_eq!(within, [false, false, true]);
}

#[test]
fn zero_and_middle_stand_on_no_chart_of_the_tile() {
    let mut bench = Bench::new(with_scale(setup(1)));
    bench.press("0.0 0.0 0.0").press("47.3 47.3 47.3").press("92.5 92.5 92.5").press("71.0 75.0").press(TILE);
    let found = gather(bench.run.ledger(), &SittingStarts::default());
    let charted: Vec<CheckKind> = found.checks.iter().map(|check| check.kind).collect();
    assert_eq!(charted, [CheckKind::Opening]);
}

#[test]
fn without_all_three_points_there_is_no_bow() {
    let mut only_zero = with_scale(setup(1));
    only_zero.tile.middle = None;
    let mut bench = Bench::new(only_zero);
    assert_eq!(three_point(Bench::new(setup(1)).run.ledger(), Geometry::Deg60), None);
    bench.press("0.0 0.0 0.0").press(TILE).press("71.0");
    let found = three_point(bench.run.ledger(), Geometry::Deg60).unwrap();
    assert!(found.zero.is_some() && found.high.is_some() && found.middle.is_none());
    assert_eq!((found.bow_gu, found.linearity), (None, None));
}

#[test]
fn repeats_on_the_critical_range_are_enough_and_beyond_it_as_many_again_are_taken() {
    // 2.8 x 0.25 = 0.7 for two, 3.6 x 0.25 = 0.9 for four.
    let mut bench = Bench::new(repeats(1, 2, "0.25"));
    bench.press(TILE).press("71.0 71.7").press("75.0 75.8");
    assert!(says(
        &bench,
        "the readings on T1 lie further apart than the meter's repeatability explains; 2 more readings"
    ));
    assert!(says(&bench, "Zone T1, reading 3 of 4."), "{}", bench.said);
    bench.press("75.5 75.9").press(TILE);
    assert_eq!(bench.run.ledger().state, RunState::Complete);
    assert_eq!(flags(&bench), "C1 2 proven \nT1 4 proven \n");
}

#[test]
fn a_zone_whose_readings_lie_too_far_apart_still_is_flagged_and_done() {
    let mut bench = Bench::new(repeats(1, 2, "0.25"));
    bench.press(TILE).press("71.0 71.8 71.5 72.0").press("75.0 75.0").press(TILE);
    assert_eq!(bench.run.ledger().state, RunState::Complete);
    assert_eq!(flags(&bench), "C1 4 proven range-exceeded\nT1 2 proven \n");
}

#[test]
fn what_a_reading_had_called_for_goes_with_it() {
    let mut bench = Bench::new(repeats(1, 2, "0.25"));
    bench.press(TILE).press("71.0 72.0").word(Word::Undo).press("71.1");
    assert!(bench.said.ends_with("Zone T1, reading 1 of 2.\n"), "{}", bench.said);
    bench.press("75.0 79.0 75.1").word(Word::Void { placement: Some(8), reason: "slid".to_owned() });
    // The second repeat is read again, and agrees with the first; the third stays and counts.
    bench.press("75.2").press(TILE);
    assert_eq!(bench.run.ledger().state, RunState::Complete);
    assert_eq!(flags(&bench), "C1 2 proven \nT1 3 proven \n");
}

#[test]
fn the_rule_for_repeats_looks_at_every_geometry() {
    let mut three = setup(1);
    three.procedure.readings_per_zone = 2;
    three.profile = shipped::text("three-angle").unwrap().to_owned();
    state_repeatability(&mut three, "0.1".parse().unwrap());
    three.geometries = Geometry::ALL.to_vec();
    let value = |geometry_deg, assigned: &str| TileValue {
        geometry_deg,
        assigned_gu: assigned.parse().unwrap(),
        expanded_uncertainty_gu: None,
    };
    three.tile.values =
        vec![value(Geometry::Deg20, "88.1"), value(Geometry::Deg60, "92.4"), value(Geometry::Deg85, "99.6")];
    let mut bench = Bench::new(three);
    let tile = ["   88.1    92.4    99.6"; 3];
    let zones = [
        "   41.2    71.4    85.0",
        "   41.2    71.4    85.3",
        "   41.2    71.4    85.1",
        "   41.2    71.4    85.4",
    ];
    for line in [&tile[..], &zones[..], &["   45.0    75.0    87.9"; 2], &tile[..]].concat() {
        bench.wait_min(0.1).bytes(format!("{line}\r\n").as_bytes());
    }
    // 2.8 x 0.1 = 0.28 at two, 3.6 x 0.1 = 0.36 at four: 85° has 0.3, then 0.4.
    assert_eq!(
        cells(&bench, Table::Zones, &["zone", "geometry_deg", "n", "status", "flags"]),
        "C1 20 4 proven \nC1 60 4 proven \nC1 85 4 proven range-exceeded\n\
         T1 20 2 proven \nT1 60 2 proven \nT1 85 2 proven \n"
    );
}

#[test]
fn a_side_that_spreads_too_far_is_read_more_often_once_the_panel_is_read() {
    let mut bench = Bench::new(side_limit(2, "1.0"));
    bench.press(TILE).press("70.0 75.0 71.1");
    assert!(says(
        &bench,
        "the zones of this side lie more than 1.0 GU apart; 1 more reading on each of them: C1, C2"
    ));
    assert!(bench.said.ends_with("Zone T2.\n"), "the treated zone has its turn first: {}", bench.said);
    bench.press("76.0");
    assert!(bench.said.ends_with("Zone C1, reading 2 of 2.\n"), "{}", bench.said);
    // Means 70.1 and 71.1: on the limit. The treated side, 1.0 apart, was on it from the beginning.
    bench.press("70.2 71.1").press(TILE);
    assert_eq!(bench.run.ledger().state, RunState::Complete);
    assert_eq!(flags(&bench), "C1 2 proven \nT1 1 proven \nC2 2 proven \nT2 1 proven \n");
}

#[test]
fn a_side_that_spreads_too_far_still_is_flagged_and_the_other_is_not() {
    let mut bench = Bench::new(side_limit(2, "1.0"));
    bench.press(TILE).press("70.0 75.0 71.1 75.0").press("70.0 71.1").press(TILE);
    assert_eq!(
        flags(&bench),
        "C1 2 proven side-range-exceeded\nT1 1 proven \nC2 2 proven side-range-exceeded\nT2 1 proven \n"
    );
}

#[test]
fn a_zone_that_is_left_out_takes_what_it_had_called_for_with_it() {
    let mut bench = Bench::new(side_limit(3, "1.0"));
    bench.press(TILE).press("70.0 75.0 70.1 75.0 78.0 75.0");
    assert!(bench.said.ends_with("Zone C1, reading 2 of 2.\n"), "{}", bench.said);
    bench.word(Word::Skip { zone: Some("C3".to_owned()), reason: "scratched".to_owned() }).press(TILE);
    assert_eq!(bench.run.ledger().state, RunState::Complete);
    assert!(flags(&bench).contains("C1 1 proven \n"), "{}", flags(&bench));
}

#[test]
fn readings_that_a_side_wants_besides_survive_a_stop_and_fall_with_their_bracket() {
    let mut bench = Bench::new(side_limit(2, "1.0"));
    bench.press(TILE).press("70.0 75.0 72.0 75.0").resume_after_min(5.0, false).press("70.0");
    assert!(bench.said.ends_with("Zone C2, reading 2 of 2.\n"), "{}", bench.said);
    bench.press("72.0").press("91.0 91.0 91.0").press(TILE);
    // All anew, and this time the control agrees.
    bench.press("71.0 75.0 71.5 75.0").press(TILE);
    assert_eq!(bench.run.ledger().state, RunState::Complete);
    let retaken = "C1 1 proven retaken\nT1 1 proven retaken\nC2 1 proven retaken\nT2 1 proven retaken\n";
    assert_eq!(flags(&bench), retaken);
}

#[test]
fn an_interim_check_may_come_before_what_a_side_wants_besides_and_not_in_the_middle_of_a_block() {
    let mut setup = side_limit(2, "1.0");
    setup.procedure.interim_after_readings = Some(4);
    let mut bench = Bench::new(setup);
    bench.press(TILE).press("70.0 75.0 72.0 77.0");
    assert!(
        matches!(bench.run.want(), Want::Tile { kind: CheckKind::Interim, .. }),
        "{:?}",
        bench.run.want()
    );
    // Both sides are wanted again: C1 T1, C2 T2 by blocks.
    bench.press(TILE).press("70.0 75.0 72.0 77.0").press(TILE);
    assert_eq!(kinds(&bench), "opening passed, interim passed, closing passed");
    assert_eq!(bench.run.ledger().state, RunState::Complete);
    assert_eq!(flags(&bench).matches("2 proven side-range-exceeded").count(), 4, "{}", flags(&bench));
}

#[test]
fn both_rules_together_come_one_after_the_other() {
    let mut setup = repeats(2, 2, "0.25");
    setup.procedure.side_range_limit_gu = Some("1.0".parse().unwrap());
    let mut bench = Bench::new(setup);
    // C1: four readings with mean 70.3; C2: 71.5. Each then takes two more.
    bench.press(TILE).press("70.0 70.8 70.2 70.2").press("75.0 75.0").press("71.5 71.5").press("75.0 75.0");
    bench.press("70.3 70.3").press("71.5").word(void()).press("71.5 71.5").press(TILE);
    assert_eq!(bench.run.ledger().state, RunState::Complete);
    let marked = "side-range-exceeded";
    assert_eq!(
        flags(&bench),
        format!("C1 6 proven {marked}\nT1 2 proven \nC2 4 proven {marked}\nT2 2 proven \n")
    );
}

#[test]
fn a_head_whose_scale_or_limits_cannot_be_followed_is_refused() {
    let spoilt = |spoil: fn(&mut Setup)| {
        let mut setup = with_scale(setup(1));
        spoil(&mut setup);
        setup.check().unwrap_err()
    };
    assert_eq!(with_scale(setup(1)).check(), Ok(()));
    let middle = |setup: &mut Setup, gu: &str| {
        setup.tile.middle.as_mut().unwrap().values[0].assigned_gu = gu.parse().unwrap();
    };
    let mut as_high = with_scale(setup(1));
    middle(&mut as_high, "92.4");
    assert!(as_high.check().unwrap_err().contains("between zero and the tile"));
    for (spoil, says) in [
        (
            (|s: &mut Setup| s.tile.middle.as_mut().unwrap().values.clear()) as fn(&mut Setup),
            "no value at 60°",
        ),
        (|s| s.tile.zero.as_mut().unwrap().tolerance_gu = "0".parse().unwrap(), "black trap"),
        (|s| s.tile.middle.as_mut().unwrap().tolerance_gu = "-1".parse().unwrap(), "middle tile"),
        (|s| s.tile.middle.as_mut().unwrap().name = "a\u{1b}[2J".to_owned(), "cannot be seen"),
        (|s| s.procedure.side_range_limit_gu = Some("-0.5".parse().unwrap()), "range limit"),
    ] {
        let found = spoilt(spoil);
        assert!(found.contains(says), "{found}");
    }
}

#[test]
fn a_study_states_the_rules_and_leaves_no_trace_in_the_head_of_what_it_does_not_state() {
    let page = include_str!("../protocol-notes/study.md");
    let example = |n: usize| page.split("```toml\n").nth(n).unwrap().split("```").next().unwrap();
    let profile = include_str!("../src/meter/shipped/tab-60.toml");
    let made = |source: &str, profile: &str| {
        let study = halfpanel::study::Study::load("study.toml", source).unwrap();
        halfpanel::study::setup(&study, &halfpanel::study::Selection::default(), profile).unwrap()
    };
    let silent = serde_json::to_string(&made(example(1), profile)).unwrap();
    for key in ["zero", "middle", "side_range_limit_gu"] {
        assert!(!silent.contains(&format!("\"{key}\":")), "{key} stands in {silent}");
    }
    let setup = made(example(2), profile);
    assert_eq!(setup.procedure.side_range_limit_gu, Some("5".parse().unwrap()));
    assert_eq!(setup.tile.zero.unwrap().tolerance_gu.to_string(), "0.1");
    assert_eq!(setup.middle_value(Geometry::Deg20).unwrap().assigned_gu.to_string(), "31.6");
    let read: Setup = serde_json::from_str(&serde_json::to_string(&setup).unwrap()).unwrap();
    assert_eq!(read, setup);
}

#[test]
fn the_simulated_hand_reads_zero_and_middle_where_the_study_asks_for_them() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().join("harbour");
    let halfpanel = || Command::new(env!("CARGO_BIN_EXE_halfpanel"));
    assert!(halfpanel().arg("init").arg(&root).output().unwrap().status.success());
    let turned_on = |line: &str| match line.strip_prefix('#').filter(|rest| !rest.starts_with(' ')) {
        Some(key) => key.to_owned(),
        None => line.to_owned(),
    };
    let study = fs::read_to_string(root.join("study.toml")).unwrap();
    let study: Vec<String> = study.lines().map(turned_on).collect();
    fs::write(root.join("study.toml"), study.join("\n")).unwrap();
    let scenario = fs::read_to_string(root.join("meter.toml")).unwrap();
    // A trap that shows 0.3 GU, and time that runs fast.
    let scenario = scenario.replacen("{ 60 = 0.0 }", "{ 60 = 0.3 }", 1).replacen(
        "time_factor = 10 ",
        "time_factor = 2000 ",
        1,
    );
    fs::write(root.join("meter.toml"), scenario).unwrap();
    let run = halfpanel().arg("run").arg(&root).arg("--json").stdin(Stdio::null()).output().unwrap();
    assert_eq!(run.status.code(), Some(0), "{}", String::from_utf8_lossy(&run.stderr));
    let checks = fs::read_to_string(root.join("results/tile-checks.csv")).unwrap();
    let kinds: Vec<&str> = checks.lines().skip(1).map(|row| row.split(',').nth(1).unwrap()).collect();
    assert_eq!(kinds, ["zero", "zero", "middle", "opening", "closing"], "{checks}");
    let zones = fs::read_to_string(root.join("results/zones.csv")).unwrap();
    assert!(zones.lines().skip(1).all(|row| row.contains("proven,zero-off,")), "{zones}");
}

#[test]
fn a_zero_that_failed_is_no_failure_of_the_tile() {
    let mut bench = Bench::new(with_scale(setup(1)));
    bench.press("0.3 0.3 0.3 0.3 0.3 0.3").press("47.3 47.3 47.3").press("90.0 90.0 90.0");
    // The first failure on the tile itself asks for cleaning, whatever zero did.
    assert!(
        bench.said.ends_with("clean the tile and the meter's foot, then check again.\n"),
        "{}",
        bench.said
    );
    assert_eq!(bench.run.ledger().checks[3].verdict, Some(CheckVerdict::Failed));
}
