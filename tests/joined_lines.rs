//! A press, or an answer, that comes as one line for each angle. Told as stories without hardware; and as a
//! whole run of the real program with a simulated meter that sends so.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;
#[path = "common/process.rs"]
mod process;

use common::{Bench, setup};
use expect_test::expect;
use halfpanel::run::record::{Body, Record, Scanner};
use halfpanel::run::setup::Setup;
use halfpanel::run::{Word, replay};
use halfpanel::units::Geometry;
use process::{output, rows};
use std::fs;

const JOINED: &str = r#"
name = "three-lines"
[line]
separator = ";"
fields = ["geometry", "gloss"]
[reading]
joins_deg = [20, 60, 85]
joins_within_ms = 800
READING
[[example]]
lines = ["20;71.4", "60;85.3", "85;92.0"]
gloss_20 = "71.4"
gloss_60 = "85.3"
gloss_85 = "92.0"
"#;

/// All three angles are planned, and one reading of the tile makes a check.
fn three(reading: &str) -> Setup {
    let mut setup = setup(1);
    setup.profile = JOINED.replace("READING", reading);
    setup.geometries = Geometry::ALL.to_vec();
    setup.tile.rule.readings = 1;
    let value = setup.tile.values[0];
    setup.tile.values =
        Geometry::ALL.map(|geometry_deg| halfpanel::run::setup::TileValue { geometry_deg, ..value }).to_vec();
    setup
}

fn bench() -> Bench {
    Bench::new(three(""))
}

fn asked() -> Bench {
    Bench::new(three("how = 'ask'\nrequest = 'R\\r'\ntimeout_ms = 1000\nerror_query = 'E'"))
}

/// The lines of a press, 200 ms apart, five seconds after the last.
fn press(bench: &mut Bench, lines: &[&str]) {
    bench.wait_min(5.0 / 60.0);
    for line in lines {
        bench.wait_min(0.2 / 60.0).bytes(format!("{line}\r\n").as_bytes());
    }
}

const TILE: [&str; 3] = ["20;92.4", "60;92.3", "85;92.5"];

fn said(bench: &mut Bench) -> String {
    let said = std::mem::take(&mut bench.said);
    said.lines().map(|line| line.split_once(' ').unwrap().1.to_owned() + "\n").collect()
}

#[test]
fn three_lines_are_one_placement_at_the_record_of_the_last_and_a_replay_finds_it_again() {
    let mut bench = bench();
    press(&mut bench, &TILE);
    press(&mut bench, &["20;70.0", "60;71.0", "85;72.0"]);
    press(&mut bench, &["20;80.0", "60;81.0", "85;82.0"]);
    press(&mut bench, &TILE);
    assert!(bench.run.is_over());
    assert_eq!(
        bench.zone_readings(),
        "C1 70.0 proven\nC1 71.0 proven\nC1 72.0 proven\nT1 80.0 proven\nT1 81.0 proven\nT1 82.0 proven\n"
    );
    let readings = &bench.run.ledger().readings;
    assert!(
        readings
            .iter()
            .zip([0, 0, 0, 1, 1, 1, 2, 2, 2])
            .all(|(r, n)| r.placement == readings[n * 3].placement)
    );
    // Records 1 and 2 are the head and the link; each line is one.
    assert_eq!((readings[0].record, readings[2].record), (5, 5));
    let mut scanner = Scanner::new("t", bench.bytes.as_slice());
    let again = replay("t", &mut scanner, |_, _, _| {}).unwrap();
    assert_eq!(again.run.ledger().readings, *readings);
}

#[test]
fn a_set_that_lost_a_line_is_refused_in_words_and_the_next_press_is_whole() {
    let mut bench = bench();
    bench.said.clear();
    press(&mut bench, &["20;92.4", "60;92.3"]);
    assert_eq!(bench.run.deadline_us(), Some(5_200_000 + 800_000), "from the first line on");
    bench.wait_min(0.7 / 60.0).tick();
    press(&mut bench, &["60;92.3", "85;92.5"]);
    press(&mut bench, &["20;92.4", "85;92.5"]);
    assert!(bench.run.ledger().readings.is_empty());
    press(&mut bench, &TILE);
    assert_eq!(bench.run.ledger().readings.len(), 3);
    expect![[r#"
        not taken: only 20° and 60° of 20°, 60° and 85° came within 800 ms: most likely a line was lost, and nothing was taken of this press; press again, and if it stays so compare `joins_deg` and `joins_within_ms` of the profile with these lines
        not taken: a line at 60° came by itself, the profile joins 20°, 60° and 85° in this order: most likely a line before it was lost or refused, and nothing was taken; press again, and if it stays so compare the profile's `joins_deg` with the lines
        not taken: a line at 85° came by itself, the profile joins 20°, 60° and 85° in this order: most likely a line before it was lost or refused, and nothing was taken; press again, and if it stays so compare the profile's `joins_deg` with the lines
        not taken: only 20° of 20°, 60° and 85° came before a line at 85°: most likely a line was lost, and nothing was taken of this press; press again, and if it stays so compare `joins_deg` and `joins_within_ms` of the profile with these lines
        tile, opening check: 92.4 GU at 20°, 92.3 GU at 60°, 92.5 GU at 85°
        opening check passed: 92.40 GU at 20°, +0.00 from 92.4; 92.30 GU at 60°, -0.10 from 92.4; 92.50 GU at 85°, +0.10 from 92.4 (within 1.0 GU)
        Zone C1.
    "#]]
    .assert_eq(&said(&mut bench));
    let shown = bench.events.iter().find(|event| event.contains("set-unfinished")).unwrap();
    assert!(shown.contains(r"20;92.4\\n60;92.3"), "all its lines are shown: {shown}");
}

#[test]
fn a_set_ends_with_the_link_and_with_whatever_is_wanted_instead() {
    let mut bench = bench();
    press(&mut bench, &TILE[..2]);
    bench.link(false).link(true);
    press(&mut bench, &TILE[2..]);
    press(&mut bench, &TILE[..2]);
    bench.put(Body::Word(Word::Pause));
    bench.put(Body::Word(Word::Resume));
    bench.bytes(b"85;92.5\r\n");
    assert_eq!(bench.run.ledger().readings.len(), 3, "what is wanted is what was wanted");
    press(&mut bench, &["20;70.0", "60;71.0"]);
    bench.put(Body::Word(Word::Check));
    bench.bytes(b"85;72.0\r\n");
    assert_eq!(bench.run.ledger().readings.len(), 3, "the zone was not taken for the tile");
    let text = said(&mut bench);
    assert!(text.contains("came before the link was lost"), "{text}");
    assert!(text.contains("something else became wanted"), "{text}");
}

/// Requests of the recording, in their order.
fn requests(bench: &Bench) -> String {
    let mut sent = String::new();
    let mut scanner = Scanner::new("t", bench.bytes.as_slice());
    while let Some(Record { body, .. }) = scanner.next_record().unwrap() {
        if let Body::Request(bytes) = body {
            sent += &bytes.escape_ascii().to_string();
        }
    }
    sent
}

#[test]
fn an_answer_of_three_lines_is_one_answer() {
    let mut bench = asked();
    for lines in [TILE, ["20;70.0", "60;71.0", "85;72.0"], ["20;80.0", "60;81.0", "85;82.0"], TILE] {
        bench.word(Word::Read);
        press_at_once(&mut bench, &lines);
    }
    assert!(bench.run.is_over(), "{}", bench.said);
    assert_eq!(requests(&bench), "R\\rR\\rR\\rR\\r");
}

fn press_at_once(bench: &mut Bench, lines: &[&str]) {
    for line in lines {
        bench.wait_min(0.1 / 60.0).bytes(format!("{line}\r\n").as_bytes());
    }
}

#[test]
fn an_answer_that_stops_half_way_is_refused_and_the_error_queue_is_read() {
    let mut bench = asked();
    bench.word(Word::Read);
    press_at_once(&mut bench, &TILE[..2]);
    bench.bytes(b"85;9").wait_min(1.0 / 60.0).tick();
    assert_eq!(requests(&bench), "R\\rE", "it has answered, so it is not asked again");
    bench.bytes(b"2.5\r\n0,\"\"\r\n").wait_min(1.0).word(Word::Read);
    press_at_once(&mut bench, &TILE);
    assert_eq!(bench.run.ledger().readings.len(), 3);
    // A line with an error ends the answer, and what follows is nobody's.
    bench.word(Word::Read);
    press_at_once(&mut bench, &["20;70.0", "60;LAMP", "85;72.0"]);
    assert_eq!(bench.run.ledger().readings.len(), 3);
    let text = said(&mut bench);
    for part in [
        "came within 800 ms",
        "`85;9` came and was not ended in time",
        "only 20° of 20°, 60° and 85° came before a line that is refused",
        "`85;72.0` came, but nobody had asked for it",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
}

#[test]
fn an_answer_to_what_is_not_wanted_any_more_is_told_whole() {
    let mut bench = asked();
    bench.word(Word::Read);
    press_at_once(&mut bench, &TILE);
    bench.word(Word::Read);
    press_at_once(&mut bench, &["20;70.0", "60;71.0"]);
    bench.put(Body::Word(Word::Check));
    press_at_once(&mut bench, &["85;72.0"]);
    assert_eq!(bench.run.ledger().readings.len(), 3);
    assert!(said(&mut bench).contains(r"`20;70.0\n60;71.0\n85;72.0` came, but something else is wanted"));
    bench.word(Word::Read);
    press_at_once(&mut bench, &TILE);
    assert_eq!(bench.run.ledger().readings.len(), 6);
}

/// The study of the other tests, with values at three angles.
fn study() -> String {
    let value = "[[tile.value]]\ngeometry_deg = 60\nassigned_gu = 92.4\n";
    let more = "[[tile.value]]\ngeometry_deg = 20\nassigned_gu = 88.1\n[[tile.value]]\ngeometry_deg = 85\nassigned_gu = 97.0\n";
    process::STUDY
        .replace("\"tab-60\"", "\"mine.toml\"")
        .replace(value, &format!("{value}{more}"))
        .replace("[procedure]\n", "[procedure]\ngeometries = [20, 60, 85]\n")
}

#[test]
fn a_simulated_meter_that_sends_three_lines_a_press_goes_through_a_whole_run() {
    let folder = tempfile::tempdir().unwrap();
    let study_folder = folder.path().join("study");
    fs::create_dir(&study_folder).unwrap();
    fs::write(study_folder.join("study.toml"), study()).unwrap();
    fs::write(study_folder.join("mine.toml"), JOINED.replace("READING", "")).unwrap();
    let surfaces = process::SURFACES.replace("{ 60 = 92.4 }", "{ 20 = 88.1, 60 = 92.4, 85 = 97.0 }");
    let surfaces = surfaces.replace("{ 60 = 7", "{ 20 = 60.5, 85 = 90.5, 60 = 7");
    // The middle line of the press on C1 is lost: the hand presses again.
    let faults = "[[fault]]\nline = 8\nkind = \"silence\"\nseconds = 1.0\n";
    let layout = "[layout]\nline = \"{geometry};{gloss}\"\ngeometries = [20, 60, 85]\n";
    fs::write(
        study_folder.join("meter.toml"),
        format!("seed = 1\ntime_factor = 50\n{layout}{surfaces}{faults}"),
    )
    .unwrap();
    let run = output(["run".as_ref(), study_folder.as_os_str(), "--json".as_ref()]);
    assert_eq!(run.code, Some(0), "{} {}", run.stdout, run.stderr);
    let refused = run.stdout.lines().filter(|line| line.contains("\"refused\"")).count();
    assert!(refused >= 1 && run.stdout.contains("set-unfinished"), "{}", run.stdout);
    let readings = rows(&study_folder.join("results/readings.csv"));
    assert_eq!(readings.len(), (2 + 4 + 2) * 3);
    for (zone, geometry, gloss) in
        [("C1", "20", "60.5"), ("C1", "60", "71.2"), ("A2", "60", "78.1"), ("A2", "85", "90.5")]
    {
        let row = readings.iter().find(|row| row["zone"] == zone && row["geometry_deg"] == geometry).unwrap();
        assert_eq!((row["gloss_gu"].as_str(), row["status"].as_str()), (gloss, "proven"));
    }
}
