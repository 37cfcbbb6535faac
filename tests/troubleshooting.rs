//! Every way in which a line can misbehave, made to happen on a bench without hardware, and the page
//! `protocol-notes/troubleshooting.md` held to it: each row has its story, each word of the program its row.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;

use common::{Bench, PLAIN, setup};
use halfpanel::meter::shipped;
use halfpanel::run::record::Body;
use halfpanel::run::{Hint, Word};
use serde_json::Value;
use std::collections::BTreeSet;

const PAGE: &str = include_str!("../protocol-notes/troubleshooting.md");

/// A bench whose meter has this profile.
fn with(profile: &str) -> Bench {
    let mut one = setup(3);
    one.profile = profile.to_owned();
    Bench::new(one)
}

/// A profile of `[line]` keys and other tables, with an example that gives 85.3 GU at 60°.
fn profile(line: &str, rest: &str, example: &str) -> String {
    format!("name = 'mine'\n[line]\n{line}\n{rest}\n[[example]]\nline = {example}\ngloss_60 = '85.3'\n")
}

/// What is told when these bytes come five seconds after the line was up.
fn sent(profile: &str, bytes: &[u8]) -> Bench {
    let mut bench = with(profile);
    bench.wait_min(5.0 / 60.0).bytes(bytes);
    bench
}

fn fields(fields: &str, line: &str, rest: &str, example: &str) -> String {
    profile(&format!("separator = ';'\nfields = [{fields}]\n{line}"), rest, example)
}

fn numbered() -> String {
    fields("'sequence', 'gloss'", "geometry_deg = 60", "[sequence]\nlast = 99", "'7;85.3'")
}

fn marked() -> String {
    let marks = "[marks]\nfresh = ['S']\naverage = ['A']\nmemory = ['M']";
    fields("'gloss', 'mark'", "geometry_deg = 60", marks, "'85.3;S'")
}

fn with_status() -> String {
    let status = "[status]\nok = ['OK']\n[status.errors]\nLOBAT = 'the battery is nearly empty'";
    fields("'gloss', 'status'", "geometry_deg = 60", status, "'85.3;OK'")
}

fn angled() -> String {
    fields("'geometry', 'gloss'", "", "", "'60;85.3'")
}

fn switching_off() -> String {
    PLAIN.replace("[[example]]", "[meter]\nswitches_off_after_min = 5\n[[example]]")
}

fn joined() -> String {
    let example = "[[example]]\nlines = ['20;71.0', '60;85.3']\ngloss_20 = '71.0'\ngloss_60 = '85.3'";
    angled().replace("[[example]]", &format!("[reading]\njoins_deg = [20, 60]\n{example}\n[[example]]"))
}

fn columns() -> String {
    let columns = "columns = [{ field = 'gloss', from = 1, to = 6 }]\ngeometry_deg = 60";
    profile(columns, "", "'  85.3'")
}

fn with_checksum() -> String {
    // 8 bits of the sum of `85.3`: 0x38 + 0x35 + 0x2e + 0x33 = 0xce.
    let checksum = "[checksum]\nkind = 'sum-8'\nseparator = '*'";
    fields("'gloss'", "geometry_deg = 60", checksum, "'85.3*CE'")
}

fn reading(keys: &str) -> String {
    PLAIN.replace("[[example]]", &format!("[reading]\n{keys}\n[[example]]"))
}

fn asked() -> Bench {
    with(&reading("how = 'ask'\nrequest = 'R'\ntimeout_ms = 1000\ntries = 2\nerror_query = 'E'"))
}

fn seconds(bench: &mut Bench, count: u32) {
    for _ in 0..count {
        bench.wait_min(1.0 / 60.0).tick();
    }
}

fn streaming(values: &[&str]) -> Bench {
    let mut bench =
        with(&reading("how = 'stream'\nspread_gu = '0.3'\nlift_below_gu = '3'\nsettle = 0\nwindow = 3"));
    for value in values {
        bench.wait_min(1.0 / 60.0).bytes(format!("{value}\r\n").as_bytes());
    }
    bench
}

/// Seven bits and even parity in the highest: what an 8N1 port sees of a 7E1 meter.
fn even(text: &[u8]) -> Vec<u8> {
    text.iter().map(|byte| if byte.count_ones() % 2 == 1 { byte | 0x80 } else { *byte }).collect()
}

/// The bench after what the page's row says has happened.
fn story(row: &str) -> Option<Bench> {
    let mut bench = with(PLAIN);
    Some(match row {
        "nothing comes after the line is up" => {
            bench.wait_min(0.5).tick();
            bench
        }
        "a stream has stopped" => {
            let mut bench = streaming(&["0.1", "92.4", "92.4"]);
            bench.wait_min(10.0 / 60.0).tick();
            bench
        }
        "nothing has come for as long as the meter takes to switch itself off" => {
            let mut bench = with(&switching_off());
            bench.press("92.4").wait_min(4.9).tick().wait_min(0.1).tick();
            bench
        }
        "no answer to a request" => {
            let mut bench = asked();
            bench.word(Word::Read);
            seconds(&mut bench, 2);
            bench
        }
        "an answer without an end" => {
            let mut bench = asked();
            bench.word(Word::Read).bytes(b"92.");
            seconds(&mut bench, 2);
            bench
        }
        "requests come back" => {
            let mut bench = asked();
            bench.word(Word::Read).bytes(b"R\r\n");
            bench
        }
        "the line goes down while an answer is due" => {
            let mut bench = asked();
            bench.word(Word::Read).link(false);
            bench
        }
        "the error queue has entries" => {
            let mut bench = asked();
            bench.word(Word::Read).bytes(b"what\r\n-1,\"x\"\r\n0,\"\"\r\n");
            bench
        }
        "the error queue is silent" => {
            let mut bench = asked();
            bench.word(Word::Read).bytes(b"what\r\n");
            seconds(&mut bench, 2);
            bench
        }
        "bytes that are no text" => sent(PLAIN, b"\xf8\x00\xfe\r\n\xf8\x00\xfe\r\n\xf8\x80\xfe\r\n"),
        "text once the highest bits are gone" => sent(PLAIN, &even(b"92.4\n92.3\n92.4\n")),
        "text without the line end of the profile" => {
            let mut bench = sent(&PLAIN.replace("[line]", "[line]\nend = 'lf'"), b"92.4\r92.4\r");
            bench.wait_min(0.5).tick();
            bench
        }
        "1,024 bytes without a line end" => sent(PLAIN, &b"92.4;".repeat(300)),
        "each line has a part of its neighbour's end" => {
            sent(&PLAIN.replace("[line]", "[line]\nend = 'lf'"), b"92.4\r\n")
        }
        "the other decimal mark" => sent(PLAIN, b"92,4\r\n"),
        "more or fewer decimals" => sent(&PLAIN.replace("[line]", "[line]\ndecimals = 1"), b"92\r\n"),
        "another unit" => {
            sent(&fields("'gloss', 'unit'", "geometry_deg = 60", "", "'85.3;GU'"), b"92.4;HU\r\n")
        }
        "another word for an angle" => sent(&angled(), b"45;92.4\r\n"),
        "an angle that the plan has not" => sent(&angled(), b"20;92.4\r\n"),
        "two values at one angle" => {
            let two = fields("'geometry', 'gloss', 'geometry', 'gloss'", "", "", "'20;80.0;60;85.3'");
            sent(&two.replace("gloss_60", "gloss_20 = '80.0'\ngloss_60"), b"60;92.4;60;92.3\r\n")
        }
        "of the lines of one press, one is missing" => {
            let mut bench = sent(&joined(), b"20;92.4\r\n");
            bench.wait_min(1.0 / 60.0).tick();
            bench
        }
        "a line of a press that has not begun" => sent(&joined(), b"60;92.4\r\n"),
        "something else is wanted before the last line of a press" => {
            let mut bench = sent(&joined(), b"20;92.4\r\n60;92.4\r\n20;92.4\r\n");
            bench.put(Body::Word(Word::Pause));
            bench.bytes(b"60;92.4\r\n");
            bench
        }
        "the same value on five spots, a tile among them" => {
            bench.press("92.4 92.4 92.4 92.4 92.4 92.4 92.4");
            bench
        }
        "an unnumbered meter sends each line twice" => {
            bench.press("92.4 92.3 92.4").press("71.4").bytes(b"71.4\r\n");
            bench
        }
        "a numbered line comes again" => sent(&numbered(), b"1;92.4\r\n1;92.4\r\n"),
        "numbers are missing" => sent(&numbered(), b"1;92.4\r\n3;92.4\r\n"),
        "a sequence number that is none" => sent(&numbered(), b"x;92.4\r\n"),
        "a low battery, or another error word that the profile lists" => {
            sent(&with_status(), b"92.4;LOBAT\r\n")
        }
        "a low battery by a word that the profile does not list" => sent(&with_status(), b"92.4;BATT\r\n"),
        "a status word that nobody has explained" => sent(&with_status(), b"92.4;NEW\r\n"),
        "a mark that nobody has explained" => sent(&marked(), b"92.4;X\r\n"),
        "an average" => sent(&marked(), b"92.4;A\r\n"),
        "a value from the memory" => sent(&marked(), b"92.4;M\r\n"),
        "lines of another form after good ones" => {
            bench.press("92.4 92.3").press("92.4;1.2 92.3;1.1 8.0;14.7");
            bench
        }
        "a greeting, or half a line, as soon as the line is up" => {
            bench.wait_min(1.0 / 60.0).bytes(b"READY V2\r\n");
            bench
        }
        "the link is lost in the middle of a line" => {
            bench.bytes(b"92.").link(false);
            bench
        }
        "a byte was changed" => sent(&with_checksum(), b"95.3*CE\r\n"),
        "bytes or lines are lost again and again" => {
            sent(&with_checksum(), b"85.3*CE\r\n95.3*CE\r\n84.3*CD\r\n85.3*CF\r\n65.3*CE\r\n")
        }
        "the bytes 0x11 and 0x13 stand in a line" => sent(PLAIN, b"\x1392.4\r\n"),
        "the checksum is missing" => sent(&with_checksum(), b"85.3\r\n"),
        "what stands around the line is missing" => {
            let framed = fields("'gloss'", "geometry_deg = 60\nprefix = '$'", "", "'$85.3'");
            sent(&framed, b"92.4\r\n")
        }
        "a line that does not match the pattern" => {
            let pattern = profile("pattern = 'G(?<gloss_60>[0-9.]+)'", "", "'G85.3'");
            sent(&pattern, b"92.4\r\n")
        }
        "a line without a value" => {
            let pattern = profile("pattern = 'a|G(?<gloss_60>[0-9.]+)'", "", "'G85.3'");
            sent(&pattern, b"a\r\n")
        }
        "a line in columns that is short" => sent(&columns(), b"92.4\r\n"),
        "something between the columns" => sent(&columns(), b"  92.4 7\r\n"),
        "a value below what the meter can show" => sent(PLAIN, b"-0.4\r\n"),
        "a value above what the meter can show" => sent(PLAIN, b"9240\r\n"),
        "two meters were swapped" => {
            let one = fields(
                "'serial', 'gloss'",
                "geometry_deg = 60",
                "[meter]\nserial_number = 'A17'",
                "'A17;85.3'",
            );
            sent(&one, b"B03;92.4\r\n")
        }
        "two meters were swapped, and neither study nor profile states a number" => {
            let any = fields("'serial', 'gloss'", "geometry_deg = 60", "", "'A17;85.3'");
            sent(&any, b"A17;92.4\r\nB03;92.4\r\n")
        }
        "a press while the run is paused" => {
            bench.word(Word::Pause).press("92.4");
            bench
        }
        "a press while the meter is adjusted" => {
            bench.press("92.4 92.4 92.4").word(Word::Adjust).press("92.4 92.4 92.4 92.4");
            bench
        }
        "a press after the end" => {
            bench.word(Word::Abandon { reason: String::new() }).press("92.4");
            bench
        }
        "an answer that nobody asked for" => {
            let mut bench = asked();
            bench.bytes(b"92.4\r\n");
            bench
        }
        "an answer to what is not wanted any more" => {
            let mut bench = asked();
            bench.word(Word::Read).word(Word::Pause).bytes(b"92.4\r\n");
            bench
        }
        "a stream that wobbles" => {
            let mut values = vec!["0", "0", "0"];
            values.extend(["80.0", "85.0"].repeat(8));
            streaming(&values)
        }
        "a stream that never leaves its place" => streaming(&["92.4"; 25]),
        _ => return None,
    })
}

/// What was told to programs, by `why` or `what`, in order.
fn codes(bench: &Bench) -> Vec<String> {
    let parse = |line: &String| serde_json::from_str::<Value>(line).unwrap();
    let code = |event: Value| {
        let key = match event["event"].as_str().unwrap() {
            "refused" => "why",
            "told" => "what",
            _ => return None,
        };
        event[key].as_str().map(str::to_owned)
    };
    bench.events.iter().map(parse).filter_map(code).collect()
}

/// Rows of a section of the page: the first cell, and the words in the second.
fn rows(section: &str) -> Vec<(&'static str, Vec<&'static str>)> {
    let part = PAGE.split("\n## ").find(|part| part.starts_with(section)).unwrap();
    let rows = part.lines().filter(|line| line.starts_with("| ")).skip(2);
    rows.map(|row| {
        let cells: Vec<&str> = row.split('|').map(str::trim).collect();
        (cells[1], cells[2].split('`').skip(1).step_by(2).collect())
    })
    .collect()
}

#[test]
fn every_row_of_the_page_happens_and_is_told_as_it_says() {
    let rows = rows("Lines");
    assert!(rows.len() > 40, "{} rows", rows.len());
    for (row, words) in rows {
        let bench = story(row).unwrap_or_else(|| panic!("no story makes this happen: {row}"));
        let told = codes(&bench);
        for word in &words {
            assert!(told.iter().any(|code| code == word), "{row}: `{word}` was not told, but {told:?}");
        }
        // No hint beside those that the row has.
        for code in told.iter().filter(|code| Hint::CODES.contains(&code.as_str())) {
            assert!(words.contains(&code.as_str()), "{row}: `{code}` was told, and the page has it not");
        }
    }
}

/// Words in the lines of a source that map a variant to its word.
fn words_of(source: &'static str, variants: &[&str]) -> Vec<&'static str> {
    let maps = |line: &&str| variants.iter().any(|v| line.starts_with(v)) && line.contains("=> \"");
    let words = source.lines().map(str::trim).filter(maps).map(|line| line.split('"').nth(1).unwrap());
    words.filter(|word| !word.contains(' ')).collect()
}

#[test]
fn no_word_of_the_program_is_missing_on_the_page() {
    let on_page: BTreeSet<&str> = rows("Lines").into_iter().flat_map(|(_, words)| words).collect();
    let refusals = words_of(include_str!("../src/meter/refusal.rs"), &["Refusal::"]);
    let not_now = words_of(include_str!("../src/run/say.rs"), &["NotNow::"]);
    let asking = words_of(include_str!("../src/run/asking.rs"), &["AskNotice::"]);
    let stream = words_of(include_str!("../src/run/notice.rs"), &["StreamNotice::"]);
    let hints = words_of(include_str!("../src/run/hint.rs"), &["Hint::"]);
    assert_eq!(hints, Hint::CODES);
    let counts = [refusals.len(), not_now.len(), asking.len(), stream.len()];
    assert!(refusals.len() > 20 && counts.iter().all(|&count| count > 1), "{counts:?}");
    let all = [refusals, not_now, asking, stream, hints].concat();
    // The sentence of `sequence-skipped` is told as `lines-lost`.
    let told =
        |word: &str| if word == "sequence-skipped" { "lines-lost".to_owned() } else { word.to_owned() };
    let all: BTreeSet<String> = all.into_iter().map(told).collect();
    assert_eq!(all, on_page.into_iter().map(str::to_owned).collect());
}

#[test]
fn no_kind_of_a_ports_problem_is_missing_on_the_page() {
    let kinds = words_of(include_str!("../src/session/problem.rs"), &["LinkProblem::"]);
    let on_page: Vec<&str> = rows("Ports").into_iter().flat_map(|(_, words)| words).collect();
    assert_eq!(kinds, on_page);
}

/// The last sentence that has this in it.
fn sentence(bench: &Bench, part: &str) -> String {
    bench
        .said
        .lines()
        .rfind(|line| line.contains(part))
        .unwrap_or_else(|| panic!("{}", bench.said))
        .to_owned()
}

#[test]
fn a_hint_shows_the_bytes_and_the_key_to_change() {
    for (row, parts) in [
        ("nothing comes after the line is up", ["30 s and not one byte came", "`baud`"]),
        ("bytes that are no text", [r"`\xf8\x80\xfe`", "`baud`, `parity` and `data_bits`"]),
        ("text once the highest bits are gone", [r"it is `92.4`", "`data_bits = 7` and `parity = \"even\"`"]),
        ("text without the line end of the profile", [r"`92.4\r92.4\r`, and not", "set `end = \"any\"`"]),
        ("the same value on five spots, a tile among them", ["on 5 different spots", "(`again`)"]),
        ("an unnumbered meter sends each line twice", ["`71.4` came again after 0 ms", "(`undo`)"]),
        ("lines of another form after good ones", ["the last `8.0;14.7`", "such as `92.3`"]),
        (
            "a greeting, or half a line, as soon as the line is up",
            ["`READY V2` came 1000 ms after", "`settle_ms`"],
        ),
        (
            "two meters were swapped, and neither study nor profile states a number",
            ["meter `B03`, those before came from `A17`", "`serial_number`"],
        ),
        ("the bytes 0x11 and 0x13 stand in a line", [r"`\x1392.4`", "`flow = \"software\"`"]),
        ("a low battery by a word that the profile does not list", ["`92.4;BATT`", "`status.errors`"]),
        (
            "bytes or lines are lost again and again",
            ["3 times in this sitting", "the last time at `65.3*CE`"],
        ),
    ] {
        let bench = story(row).unwrap();
        let said = sentence(&bench, parts[0]);
        assert!(
            parts.iter().all(|part| said.contains(part)) && said.contains("most likely"),
            "{row}: {said}"
        );
    }
}

#[test]
fn silence_wakes_the_run_once_for_each_time_that_the_line_comes_up() {
    let mut bench = with(PLAIN);
    assert_eq!(bench.run.deadline_us(), Some(30_000_000));
    bench.wait_min(0.5).tick();
    assert_eq!(bench.run.deadline_us(), None);
    // A line that came is no silence, and nothing wakes for it.
    let mut bench = with(PLAIN);
    bench.press("92.4");
    assert_eq!(bench.run.deadline_us(), bench.run.due_us());
    bench.link(false).link(true);
    assert_eq!(bench.run.deadline_us(), Some(35_000_000));
    bench.link(false);
    assert_eq!(bench.run.deadline_us(), bench.run.due_us());
    // Nothing is wanted.
    let mut bench = with(PLAIN);
    bench.word(Word::Pause).wait_min(0.5).tick();
    assert_eq!((codes(&bench), bench.run.deadline_us()), (Vec::new(), bench.run.due_us()));
    // One that is asked has times of its own.
    assert_eq!(asked().run.deadline_us(), None);
}

#[test]
fn a_hint_is_told_once_a_sitting() {
    let mut bench = with(PLAIN);
    let count = |bench: &Bench| codes(bench).iter().filter(|code| *code == "greeting").count();
    bench.bytes(b"READY\r\n").link(false).link(true).bytes(b"READY\r\n");
    assert_eq!(count(&bench), 1);
    bench.resume_after_min(5.0, false).bytes(b"READY\r\n");
    assert_eq!(count(&bench), 2);
}

#[test]
fn a_meter_swapped_overnight_is_seen_and_one_that_stays_is_not() {
    let mut bench = with(&fields("'serial', 'gloss'", "geometry_deg = 60", "", "'A17;85.3'"));
    let count = |bench: &Bench| codes(bench).iter().filter(|code| *code == "two-meters").count();
    bench.bytes(b"A17;92.4\r\n").resume_after_min(5.0, false).bytes(b"A17;92.3\r\n");
    assert_eq!(count(&bench), 0);
    bench.resume_after_min(600.0, false).bytes(b"B03;92.4\r\n");
    assert_eq!(count(&bench), 1);
}

#[test]
fn a_serial_number_of_the_study_is_held_against_the_lines_and_is_in_the_recording() {
    let mut one = setup(1);
    one.profile = fields("'serial', 'gloss'", "geometry_deg = 60", "", "'A17;85.3'");
    one.serial_number = Some("A17".to_owned());
    let mut bench = Bench::new(one);
    bench.bytes(b"A17;92.4\r\nB03;92.4\r\nA17;92.4\r\n");
    assert_eq!(bench.run.ledger().readings.len(), 2);
    assert!(
        codes(&bench).contains(&"other-meter".to_owned())
            && !codes(&bench).contains(&"two-meters".to_owned())
    );
    let said = sentence(&bench, "serial number `B03`");
    assert!(said.contains("`serial_number` is `A17`") && said.contains("`study.toml`"), "{said}");
    assert!(String::from_utf8_lossy(&bench.bytes).contains("\"serial_number\":\"A17\""));
    assert!(
        !String::from_utf8_lossy(&with(PLAIN).bytes).contains("serial_number"),
        "old heads stay as they are"
    );
}

#[test]
fn a_silence_later_in_a_run_is_told_only_where_it_says_something_and_each_line_puts_it_off() {
    let told = |bench: &Bench, code: &str| codes(bench).iter().filter(|found| *found == code).count();
    // A button that nobody presses is no news, unless the meter goes off meanwhile.
    let mut plain = with(PLAIN);
    plain.press("92.4").wait_min(50.0).tick();
    assert_eq!(told(&plain, "switched-off"), 0);
    let mut off = with(&switching_off());
    off.press("92.4").wait_min(4.0).press("92.4");
    let due_us = off.run.deadline_us().unwrap();
    off.wait_min(4.0).tick();
    assert_eq!(told(&off, "switched-off"), 0);
    off.wait_min(1.0).tick();
    assert_eq!((told(&off, "switched-off"), due_us), (1, 250_000_000 + 300_000_000));
    off.press("92.4").wait_min(20.0).tick();
    assert_eq!(told(&off, "switched-off"), 1, "once a sitting");
    // While nothing is wanted, and once the link is down, silence is right.
    for word in [true, false] {
        let mut stream = streaming(&["0.1", "92.4"]);
        if word {
            stream.word(Word::Pause)
        } else {
            stream.link(false)
        };
        stream.wait_min(1.0).tick();
        assert_eq!(told(&stream, "stopped"), 0);
    }
}

#[test]
fn a_checksum_that_never_fits_is_the_profiles_and_no_loss() {
    let bench = sent(&with_checksum(), b"85.3*CF\r\n85.3*CF\r\n85.3*CF\r\n85.3*CF\r\n");
    assert!(!codes(&bench).contains(&"losses".to_owned()), "{:?}", codes(&bench));
}

#[test]
fn what_a_good_meter_does_is_hinted_at_by_nobody() {
    let mut bench = with(PLAIN);
    // Zones that are alike, the tile being another; a slip in between; two in a row that differ.
    bench.press("92.4 92.4 92.4").press("71.4 71.4 71.4 71.4 71.4").press("x;1 71.4 92.4 92.4 92.4");
    assert!(codes(&bench).iter().all(|code| !Hint::CODES.contains(&code.as_str())), "{:?}", codes(&bench));
    // A numbered meter that is fast, and the same line after more than 50 ms.
    let quick = sent(&numbered(), b"1;92.4\r\n2;92.4\r\n");
    assert_eq!(codes(&quick), Vec::<String>::new());
    let mut slow = sent(PLAIN, b"92.4\r\n");
    slow.wait_min(0.051 / 60.0).bytes(b"92.4\r\n");
    assert_eq!(codes(&slow), Vec::<String>::new());
}

#[test]
fn hints_leave_no_trace_in_a_recording_and_change_no_reading() {
    let mut bench = with(PLAIN);
    bench.bytes(b"READY\r\n").press("92.4 92.4 92.4 92.4 92.4 92.4 92.4");
    assert!(codes(&bench).contains(&"stuck".to_owned()));
    let text = String::from_utf8_lossy(&bench.bytes);
    assert!(!text.contains("stuck") && !text.contains("greeting"));
    assert_eq!(bench.run.ledger().readings.len(), 7);
}

#[test]
fn a_shipped_profile_is_quiet_about_its_own_example() {
    let mut one = setup(1);
    one.profile = shipped::text("semicolon-numbered").unwrap().to_owned();
    let mut bench = Bench::new(one);
    bench.bytes(b"0001;60;92.4;GU;OK\r\n");
    assert_eq!(codes(&bench), Vec::<String>::new());
}
