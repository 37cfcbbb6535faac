//! Meters without a button of their own that sends: asked for each reading, or streaming. Told as
//! stories: what the meter sends and the operator says goes in, sentences and requests come out.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;

use common::{Bench, PLAIN, setup};
use expect_test::{Expect, expect};
use halfpanel::run::record::{Body, Record, Scanner};
use halfpanel::run::setup::Setup;
use halfpanel::run::{Word, replay};

/// One reading of the tile makes a check, so that the stories stay short.
fn with_profile(keys: &str) -> Setup {
    let mut setup = setup(1);
    setup.tile.rule.readings = 1;
    setup.profile = PLAIN.replace("[[example]]", &format!("[reading]\n{keys}\n[[example]]"));
    setup
}

const ASK: &str = r#"
how = "ask"
request = 'R\r'
timeout_ms = 1000
tries = 3
"#;

fn asked(keys: &str) -> Bench {
    Bench::new(with_profile(&format!("{ASK}{keys}")))
}

/// What was said since the last look, and the requests that were sent.
fn check(bench: &mut Bench, expected: Expect) {
    let said = std::mem::take(&mut bench.said);
    expected.assert_eq(&said);
}

/// Every request of the recording, one a line.
fn requests(bench: &Bench) -> String {
    let mut sent = String::new();
    let mut scanner = Scanner::new("t", bench.bytes.as_slice());
    while let Some(Record { body, at_us, .. }) = scanner.next_record().unwrap() {
        if let Body::Request(bytes) = body {
            sent += &format!("{:.1} {}\n", at_us as f64 / 1e6, bytes.escape_ascii());
        }
    }
    sent
}

fn ms(bench: &mut Bench, ms: f64) -> &mut Bench {
    bench.wait_min(ms / 60_000.0)
}

/// Says `read`; the answer comes 200 ms later.
fn read(bench: &mut Bench, answer: &str) {
    bench.word(Word::Read);
    ms(bench, 200.0).bytes(answer.as_bytes());
}

#[test]
fn a_run_goes_from_check_to_check_by_asking() {
    let mut bench = asked("");
    for value in ["92.4\r\n", "71.4\r\n", "75.0\r\n", "92.3\r\n"] {
        read(&mut bench, value);
    }
    assert!(bench.run.is_over());
    assert_eq!(bench.zone_readings(), "C1 71.4 proven\nT1 75.0 proven\n");
    assert_eq!(requests(&bench), "1.0 R\\r\n2.2 R\\r\n3.4 R\\r\n4.6 R\\r\n");
}

#[test]
fn a_lost_answer_is_asked_for_again_and_silence_ends_with_what_to_do() {
    let mut bench = asked("");
    bench.word(Word::Read);
    assert_eq!(bench.run.deadline_us(), Some(2_000_000));
    ms(&mut bench, 1000.0).tick();
    ms(&mut bench, 300.0).bytes(b"92.4\r\n");
    assert_eq!(bench.run.deadline_us(), Some(62_300_000 + 59 * 60_000_000), "only the long pause is due");
    bench.said.clear();
    // An answer to the first try can still come; the next request waits until it cannot.
    bench.word(Word::Read);
    assert_eq!(requests(&bench), "1.0 R\\r\n2.0 R\\r\n3.3 R\\r\n");
    for _ in 0..3 {
        ms(&mut bench, 1000.0).tick();
    }
    check(
        &mut bench,
        expect![[r#"
        0.07 no answer yet; `R\r` is sent again, try 2 of 3
        0.09 no answer yet; `R\r` is sent again, try 3 of 3
        0.10 no reading: `R\r` was sent 3 times, and nothing came within 1000 ms of any: look whether the meter is on and its cable is in, and compare `baud`, `request` and `timeout_ms` of the profile with its manual; then `read` asks again
    "#]],
    );
    assert_eq!(requests(&bench).lines().last(), Some("5.3 R\\r"));
}

#[test]
fn a_late_answer_is_never_taken_for_the_next_zone() {
    let mut bench = asked("");
    bench.word(Word::Read);
    ms(&mut bench, 1000.0).tick();
    ms(&mut bench, 100.0).bytes(b"92.4\r\n");
    bench.said.clear();
    // The meter is on C1 now; what comes first was measured on the tile.
    bench.put(Body::Word(Word::Read));
    ms(&mut bench, 100.0).bytes(b"92.4\r\n");
    assert_eq!(requests(&bench).lines().count(), 2, "not asked before the late answer can no longer come");
    let due_us = bench.run.deadline_us().unwrap();
    assert_eq!(due_us, 3_000_000);
    ms(&mut bench, 800.0).tick();
    ms(&mut bench, 200.0).bytes(b"71.4\r\n");
    assert_eq!(bench.zone_readings(), "C1 71.4 pending\n");
    check(
        &mut bench,
        expect![[r#"
        0.04 not taken: `92.4` came, but nobody had asked for it; `read` asks for a reading
        0.05 C1: 71.4 GU at 60°
        0.05 Zone T1.
    "#]],
    );
}

#[test]
fn an_answer_after_the_last_try_and_a_line_that_nobody_asked_for_are_told_and_not_taken() {
    let mut bench = asked("echo = false");
    bench.bytes(b"92.4\r\n");
    bench.word(Word::Read);
    for _ in 0..3 {
        ms(&mut bench, 1000.0).tick();
    }
    bench.bytes(b"92.4\r\n");
    assert!(bench.run.ledger().readings.is_empty());
    check(
        &mut bench,
        expect![[r#"
        0.00 the meter's line is up: the bench
        0.00 Tile, opening check, reading 1 of 1: wipe the meter's foot, clean the tile, lift between readings.
        0.00 not taken: `92.4` came, but nobody had asked for it; `read` asks for a reading
        0.03 no answer yet; `R\r` is sent again, try 2 of 3
        0.05 no answer yet; `R\r` is sent again, try 3 of 3
        0.07 no reading: `R\r` was sent 3 times, and nothing came within 1000 ms of any: look whether the meter is on and its cable is in, and compare `baud`, `request` and `timeout_ms` of the profile with its manual; then `read` asks again
        0.07 not taken: `92.4` came, but nobody had asked for it; `read` asks for a reading
    "#]],
    );
}

#[test]
fn a_tick_that_comes_late_puts_the_next_try_off_and_no_more() {
    let story = |ticks: bool| {
        let mut bench = asked("");
        bench.word(Word::Read);
        for _ in 0..3 {
            ms(&mut bench, 1000.0);
            if ticks {
                bench.tick();
            }
        }
        ms(&mut bench, 1.0).bytes(b"92.4\r\n");
        bench.run.ledger().readings.len()
    };
    assert_eq!((story(true), story(false)), (0, 1), "the tries that were never made have not run out");
}

#[test]
fn an_answer_without_its_end_runs_into_no_other() {
    let mut bench = asked("");
    bench.word(Word::Read);
    bench.bytes(b"9");
    ms(&mut bench, 1000.0).tick();
    // The rest of the first answer, late: by itself it would pass for a value.
    ms(&mut bench, 100.0).bytes(b"2.4\r\n");
    assert!(bench.run.ledger().readings.is_empty());
    ms(&mut bench, 100.0).bytes(b"92.3\r\n");
    assert_eq!(bench.run.ledger().readings.len(), 1);
    check(
        &mut bench,
        expect![[r#"
        0.00 the meter's line is up: the bench
        0.00 Tile, opening check, reading 1 of 1: wipe the meter's foot, clean the tile, lift between readings.
        0.03 no answer yet; `R\r` is sent again, try 2 of 3
        0.03 not taken: `9` came and was not ended in time; what still comes of it is dropped. If it is a whole answer, the profile's `end` is not the meter's
        0.04 tile, opening check: 92.3 GU at 60°
        0.04 opening check passed: 92.30 GU at 60°, -0.10 from 92.4 (within 1.0 GU)
        0.04 Zone C1.
    "#]],
    );
}

#[test]
fn a_meter_that_streams_unasked_is_told_of_once_a_second() {
    let mut bench = asked("");
    for _ in 0..30 {
        ms(&mut bench, 100.0).bytes(b"92.4\r\n");
    }
    assert_eq!(bench.said.matches("nobody had asked").count(), 3);
    assert_eq!(bench.run.counts().refused, 30);
}

#[test]
fn an_echo_is_passed_over_and_one_that_the_profile_does_not_know_is_told_once() {
    for (keys, told) in [("echo = true", 0), ("", 1)] {
        let mut bench = asked(keys);
        for value in ["92.4", "71.4"] {
            bench.word(Word::Read);
            bench.bytes(b"R\r").bytes(format!("{value}\r\n").as_bytes());
        }
        assert_eq!(bench.run.ledger().readings.len(), 2, "{keys}");
        assert_eq!(bench.said.matches("set `echo = true`").count(), told, "{}", bench.said);
    }
}

#[test]
fn start_requests_go_out_each_time_the_line_comes_up() {
    let mut bench = asked(r"start = ['*RST\n', '*CLS\n']");
    ms(&mut bench, 5000.0).link(false).link(true);
    assert_eq!(requests(&bench), "0.0 *RST\\n\n0.0 *CLS\\n\n5.0 *RST\\n\n5.0 *CLS\\n\n");
    assert_eq!(bench.run.deadline_us(), None, "nothing is awaited");
}

const QUEUE: &str = r"error_query = 'SYST:ERR?\n'";

#[test]
fn after_a_failure_the_error_queue_is_read_to_its_end() {
    let mut bench = asked(QUEUE);
    read(&mut bench, "LOW\r\n");
    ms(&mut bench, 50.0).bytes(b"-230,\"Data corrupt or stale\"\r\n");
    ms(&mut bench, 50.0).bytes(b"-350,\"Queue overflow\"\r\n");
    bench.put(Body::Word(Word::Read));
    ms(&mut bench, 50.0).bytes(b"0,\"No error\"\r\n");
    read(&mut bench, "92.4\r\n");
    assert_eq!(bench.run.ledger().readings.len(), 1);
    check(
        &mut bench,
        expect![[r#"
            0.00 the meter's line is up: the bench
            0.00 Tile, opening check, reading 1 of 1: wipe the meter's foot, clean the tile, lift between readings.
            0.02 not taken: field 1 (gloss) is `LOW`, not a number such as 85.3 (line `LOW`): most likely bytes were lost, or the meter sent a word for an error; press again, and if it is such a word, add it to `status.errors`
            0.02 the meter's error queue says `-230,"Data corrupt or stale"`
            0.02 the meter's error queue says `-350,"Queue overflow"`
            0.02 the meter's error queue is being read; ask again after it
            0.02 the meter's error queue is read to its end, 2 told: look these up in its manual, then `read` asks again
            0.04 tile, opening check: 92.4 GU at 60°
            0.04 opening check passed: 92.40 GU at 60°, +0.00 from 92.4 (within 1.0 GU)
            0.04 Zone C1.
        "#]],
    );
    assert_eq!(
        requests(&bench),
        "1.0 R\\r\n1.2 SYST:ERR?\\n\n1.2 SYST:ERR?\\n\n1.3 SYST:ERR?\\n\n2.4 R\\r\n"
    );
}

#[test]
fn an_error_queue_that_never_ends_is_left_after_ten_and_a_silent_one_at_once() {
    let mut bench = asked(QUEUE);
    read(&mut bench, "LOW\r\n");
    for _ in 0..10 {
        bench.bytes(b"-350,\"Queue overflow\"\r\n");
    }
    assert_eq!(bench.said.matches("error queue says").count(), 10);
    assert_eq!(bench.said.matches("more may follow").count(), 1);
    assert_eq!(requests(&bench).lines().count(), 1 + 10);
    assert_eq!(bench.run.deadline_us(), None);
    let mut bench = asked(QUEUE);
    bench.word(Word::Read);
    for _ in 0..4 {
        ms(&mut bench, 1000.0).tick();
    }
    check(
        &mut bench,
        expect![[r#"
        0.00 the meter's line is up: the bench
        0.00 Tile, opening check, reading 1 of 1: wipe the meter's foot, clean the tile, lift between readings.
        0.03 no answer yet; `R\r` is sent again, try 2 of 3
        0.05 no answer yet; `R\r` is sent again, try 3 of 3
        0.07 no reading: `R\r` was sent 3 times, and nothing came within 1000 ms of any: look whether the meter is on and its cable is in, and compare `baud`, `request` and `timeout_ms` of the profile with its manual; then `read` asks again
        0.08 the meter's error queue could not be read either: nothing came to `SYST:ERR?\n`
    "#]],
    );
}

#[test]
fn what_was_asked_is_not_believed_answered_when_the_run_is_taken_up() {
    let mut bench = asked("");
    bench.word(Word::Read);
    bench.said.clear();
    bench.resume_after_min(0.001, false);
    assert_eq!(bench.run.deadline_us(), None);
    bench.bytes(b"92.4\r\n");
    assert!(bench.run.ledger().readings.is_empty());
    read(&mut bench, "92.3\r\n");
    assert_eq!(bench.run.ledger().readings.len(), 1);
    check(
        &mut bench,
        expect![[r#"
            0.02 the meter had been asked, and its answer is not awaited any more: `read` asks again
            0.02 Tile, opening check, reading 1 of 1: wipe the meter's foot, clean the tile, lift between readings.
            0.02 the meter's line is up: the bench
            0.02 not taken: `92.4` came, but nobody had asked for it; `read` asks for a reading
            0.04 tile, opening check: 92.3 GU at 60°
            0.04 opening check passed: 92.30 GU at 60°, -0.10 from 92.4 (within 1.0 GU)
            0.04 Zone C1.
        "#]],
    );
}

#[test]
fn an_answer_is_not_taken_for_something_else_than_it_was_asked_for() {
    let mut bench = asked("");
    read(&mut bench, "92.4\r\n");
    read(&mut bench, "71.4\r\n");
    bench.said.clear();
    bench.word(Word::Read);
    bench.put(Body::Word(Word::Undo));
    bench.bytes(b"75.0\r\n");
    assert_eq!(bench.zone_readings(), "C1 71.4 undone\n");
    bench.word(Word::Read);
    bench.put(Body::Word(Word::Pause));
    for _ in 0..4 {
        ms(&mut bench, 1000.0).tick();
    }
    bench.word(Word::Read);
    check(
        &mut bench,
        expect![[r#"
            0.06 placement 2 taken back
            0.06 Zone C1.
            0.06 not taken: `75.0` came, but something else is wanted now than when it was asked for; `read` asks anew
            0.07 Paused: say `resume` to go on.
            0.09 the meter had been asked, and its answer is not awaited any more: `read` asks again
            0.16 the run is paused; `resume` goes on
        "#]],
    );
}

#[test]
fn a_meter_with_a_button_or_a_stream_is_not_asked() {
    let mut pressed = Bench::new(setup(1));
    pressed.said.clear();
    pressed.word(Word::Read);
    check(
        &mut pressed,
        expect![[r#"
        0.02 this meter is not asked: put it down and press its own button
    "#]],
    );
    let mut streaming = streamed();
    streaming.said.clear();
    streaming.word(Word::Read);
    check(
        &mut streaming,
        expect![[r#"
        0.02 this meter is not asked: put it down and hold it still
    "#]],
    );
}

fn streamed() -> Bench {
    Bench::new(with_profile(
        "how = 'stream'\nwindow = 5\nspread_gu = '0.3'\nsettle = 2\naway = 3\nlift_below_gu = '5'",
    ))
}

/// Ten values a second.
fn stream<'v>(bench: &mut Bench, values: impl IntoIterator<Item = &'v str>) {
    for value in values {
        ms(bench, 100.0).bytes(format!("{value}\r\n").as_bytes());
    }
}

fn put_down<'v>(bench: &mut Bench, values: impl IntoIterator<Item = &'v str>) {
    stream(bench, ["0.0"; 5]);
    stream(bench, values);
}

#[test]
fn a_run_goes_from_check_to_check_by_putting_the_meter_down() {
    let mut bench = streamed();
    put_down(&mut bench, ["60.0", "90.0", "92.3", "92.4", "92.5", "92.4", "92.4"]);
    put_down(&mut bench, ["71.4"; 20]);
    put_down(&mut bench, ["75.0"; 20]);
    put_down(&mut bench, ["92.4"; 7]);
    assert!(bench.run.is_over());
    check(
        &mut bench,
        expect![[r#"
        0.00 the meter's line is up: the bench
        0.00 Tile, opening check, reading 1 of 1: wipe the meter's foot, clean the tile, lift between readings.
        0.02 tile, opening check: 92.4 GU at 60°
        0.02 opening check passed: 92.40 GU at 60°, +0.00 from 92.4 (within 1.0 GU)
        0.02 Zone C1.
        0.04 C1: 71.4 GU at 60°
        0.04 Zone T1.
        0.08 T1: 75.0 GU at 60°
        0.08 Tile, closing check, reading 1 of 1: wipe the meter's foot, clean the tile, lift between readings.
        0.12 tile, closing check: 92.4 GU at 60°
        0.12 closing check passed: 92.40 GU at 60°, +0.00 from 92.4 (within 1.0 GU)
        0.12 bracket proven: the tile moved by +0.00 GU at 60°
        0.12 run complete: every zone is proven, or left out with a reason
        0.12 Nothing more: the run is over.
    "#]],
    );
    let record = bench.run.ledger().readings[0].record;
    // Records 1 and 2 are the head and the link; the twelfth value completed the window.
    assert_eq!(record, 2 + 12);
    assert!(requests(&bench).is_empty());
}

#[test]
fn a_meter_that_wobbles_is_told_to_be_held_still_now_and_then() {
    let mut bench = streamed();
    bench.said.clear();
    put_down(&mut bench, (0..100).map(|k| if k % 2 == 0 { "92.0" } else { "93.1" }));
    check(
        &mut bench,
        expect![[r#"
            0.08 hold the meter still: its last values lie 1.1 GU apart at 60°, and 0.3 GU is the most for a reading
            0.14 hold the meter still: its last values lie 1.1 GU apart at 60°, and 0.3 GU is the most for a reading
        "#]],
    );
}

#[test]
fn what_is_wanted_may_change_under_a_meter_that_is_down() {
    let mut bench = streamed();
    put_down(&mut bench, ["92.4"; 7]);
    put_down(&mut bench, ["71.4"; 4]);
    bench.put(Body::Word(Word::Check));
    stream(&mut bench, ["71.4"; 30]);
    assert_eq!(bench.run.ledger().readings.len(), 1, "the zone was not taken for the tile");
    put_down(&mut bench, ["92.4"; 7]);
    assert_eq!(bench.run.ledger().readings.len(), 2);
}

#[test]
fn lines_of_a_stream_that_are_no_readings_are_told_once_and_a_pause_is_silent() {
    let mut bench = streamed();
    bench.said.clear();
    stream(&mut bench, ["what"; 50]);
    bench.put(Body::Word(Word::Pause));
    put_down(&mut bench, (0..100).map(|k| if k % 2 == 0 { "92.0" } else { "93.1" }));
    put_down(&mut bench, ["92.4"; 300]);
    bench.put(Body::Word(Word::Resume));
    stream(&mut bench, ["92.4"; 30]);
    assert!(bench.run.ledger().readings.is_empty());
    check(
        &mut bench,
        expect![[r#"
        0.00 not taken: field 1 (gloss) is `what`, not a number such as 85.3 (line `what`): most likely bytes were lost, or the meter sent a word for an error; press again, and if it is such a word, add it to `status.errors`
        0.00 `what` came 100 ms after the line came up: most likely the meter or its adapter started afresh when the port was opened and this is its greeting, or the rest of a line that was under way; nothing was taken. If it comes each time, set `settle_ms` in the profile, add it to `ignore`, or try `dtr = "off"`
        0.08 Paused: say `resume` to go on.
        0.77 Tile, opening check, reading 1 of 1: wipe the meter's foot, clean the tile, lift between readings.
    "#]],
    );
}

#[test]
fn a_replay_gives_what_the_bench_gave() {
    let mut asked = asked(QUEUE);
    read(&mut asked, "LOW\r\n");
    asked.bytes(b"-230,\"Data corrupt or stale\"\r\n0,\"No error\"\r\n");
    for value in ["92.4\r\n", "71.4\r\n", "75.0\r\n", "92.3\r\n"] {
        read(&mut asked, value);
    }
    let mut streaming = streamed();
    for value in ["92.4", "71.4", "75.0", "92.4"] {
        put_down(&mut streaming, [value; 7]);
    }
    for bench in [asked, streaming] {
        let mut scanner = Scanner::new("t", bench.bytes.as_slice());
        let replayed = replay("t", &mut scanner, |_, _, _| {}).unwrap();
        assert_eq!(replayed.run.ledger().readings, bench.run.ledger().readings);
        assert!(replayed.run.is_over() && replayed.has_end);
    }
}
