//! `protocol-notes/run-events.md` against the program: every event that scripted runs and a real
//! `halfpanel run --json` give is as the page says, and everything on the page occurs.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;

use common::stories::stories;
use common::{Bench, setup, state_repeatability, with_scale};
use halfpanel::meter::shipped;
use halfpanel::run::record::Scanner;
use halfpanel::run::{Effect, Word, replay, say};
use serde_json::{Map, Value};
use std::collections::BTreeMap;
use std::process::{Command, Stdio};

const PAGE: &str = include_str!("../protocol-notes/run-events.md");

/// A key as the page describes it.
struct Key {
    kind: String,
    may_be_missing: bool,
    /// The only words that occur; empty where any may.
    words: Vec<String>,
}

type Section = BTreeMap<String, Key>;

/// What stands between backquotes.
fn quoted(text: &str) -> Vec<String> {
    text.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

/// The page's sections by event.
fn sections() -> BTreeMap<String, Section> {
    let mut sections = BTreeMap::new();
    for part in PAGE.split("\n## ").skip(1) {
        let event = quoted(part.lines().next().unwrap()).remove(0);
        let mut keys = Section::new();
        for row in part.lines().filter(|line| line.starts_with("| `")) {
            let cells: Vec<&str> = row.split('|').map(str::trim).collect();
            let (kind, words) = cells[2].split_once(':').unwrap_or((cells[2], ""));
            let key = Key {
                kind: kind.split(',').next().unwrap().to_owned(),
                may_be_missing: kind.contains("may be missing"),
                words: quoted(words),
            };
            keys.insert(quoted(cells[1]).remove(0), key);
        }
        sections.insert(event, keys);
    }
    sections
}

/// The page's examples, as they stand there.
fn examples() -> Vec<&'static str> {
    let blocks = PAGE.split("```json\n").skip(1).map(|block| block.split("```").next().unwrap());
    blocks.flat_map(str::lines).collect()
}

/// Events of all stories, in the order in which they were told.
fn events_of_stories() -> Vec<String> {
    let mut events = Vec::new();
    for (name, bytes) in stories() {
        replay(name, &mut Scanner::new(name, bytes.as_slice()), |_, run, effects| {
            for effect in effects.iter() {
                let Effect::Tell(notice) = effect else { continue };
                let told = say::events(notice, run.ledger());
                events.extend(told.map(|event| serde_json::to_string(&event).unwrap()));
            }
        })
        .unwrap();
    }
    events
}

/// What no story tells: lost lines, a word that cannot be followed, a line after the end.
fn events_of_mishaps() -> Vec<String> {
    let mut one = setup(1);
    one.profile = shipped::text("semicolon-numbered").unwrap().to_owned();
    let mut bench = Bench::new(one);
    bench.bytes(b"0001;60;92.4;GU;OK\r\n0003;60;92.4;GU;OK\r\n");
    bench.word(Word::Adjusted).word(Word::Abandon { reason: String::new() });
    bench.bytes(b"0004;60;92.4;GU;OK\r\n");
    let mut scale = with_scale(setup(1));
    scale.procedure.readings_per_zone = 2;
    state_repeatability(&mut scale, "0.1".parse().unwrap());
    let mut off = Bench::new(scale);
    off.press("0.3 0.3 0.3 0.3 0.3 0.3").press("45.0 45.0 45.0 45.0 45.0 45.0");
    off.press("92.4 92.4 92.4").press("71.0 71.5");
    [bench.events, off.events, events_of_lines_that_misbehave()].concat()
}

/// Hints; each is a story in `troubleshooting.rs`.
fn events_of_lines_that_misbehave() -> Vec<String> {
    let mut bench = Bench::new(setup(3));
    bench.bytes(b"ready\r\n").link(false).link(true).wait_min(0.5).tick();
    bench.press("92.4 92.4 92.4 92.4 92.4 92.4 92.4").bytes(b"92.4\r\n");
    bench.press("a;1 a;2 a;3").bytes(&[b'9'; 1025]).bytes(b"\r\n");
    for _ in 0..3 {
        bench.bytes(b"\xf8\x00\xf8\r\n");
    }
    bench.bytes(b"\x1392.4\r\nLOBAT\r\n");
    let mut other = setup(1);
    other.profile = common::PLAIN
        .replace("[\"gloss\"]", "[\"serial\", \"gloss\"]")
        .replace("\"85.3\"\ngloss", "\"A17;85.3\"\ngloss");
    let mut swapped = Bench::new(other);
    swapped.bytes(b"A17;92.4\r\nB03;92.4\r\n");
    let mut numbered = setup(1);
    numbered.profile = shipped::text("semicolon-numbered").unwrap().to_owned();
    let mut losing = Bench::new(numbered);
    for n in [1, 3, 5, 7] {
        losing.bytes(format!("000{n};60;92.4;GU;OK\r\n").as_bytes());
    }
    let mut off = setup(1);
    off.profile = common::PLAIN.replace("[[example]]", "[meter]\nswitches_off_after_min = 5\n[[example]]");
    let mut off = Bench::new(off);
    off.press("92.4").wait_min(5.0).tick();
    let mut stopped = bench_with("how = 'stream'\nspread_gu = '0.3'\nlift_below_gu = '3'");
    stopped.bytes(b"92.4\r\n").wait_min(1.0).tick();
    [bench.events, swapped.events, losing.events, off.events, stopped.events].concat()
}

/// A bench whose meter is read in another way.
fn bench_with(reading: &str) -> Bench {
    let mut one = setup(1);
    one.profile = common::PLAIN.replace("[[example]]", &format!("[reading]\n{reading}\n[[example]]"));
    Bench::new(one)
}

/// What only a meter without a button has to tell.
fn events_of_asking_and_streaming() -> Vec<String> {
    let mut asked = bench_with("how = 'ask'\nrequest = 'R'\ntimeout_ms = 1000\ntries = 2\nerror_query = 'E'");
    asked.bytes(b"92.4\r\n").word(Word::Read).bytes(b"R\r\nwhat\r\n-1,\"x\"\r\n0,\"\"\r\n");
    asked.word(Word::Read);
    for _ in 0..3 {
        asked.wait_min(1.0 / 60.0).tick();
    }
    asked.bytes(b"9").word(Word::Read).link(false).link(true);
    asked.wait_min(1.0).word(Word::Read).bytes(b"92.").wait_min(0.1).tick();
    asked.wait_min(1.0).word(Word::Read).word(Word::Pause).bytes(b"92.4\r\n");
    let mut streaming =
        bench_with("how = 'stream'\nspread_gu = '0.3'\nlift_below_gu = '3'\nsettle = 0\nwindow = 3");
    for _ in 0..25 {
        streaming.wait_min(1.0 / 60.0).bytes(b"92.4\r\n");
    }
    streaming.bytes(b"0\r\n0\r\n0\r\n");
    for _ in 0..8 {
        streaming.wait_min(1.0 / 60.0).bytes(b"80.0\r\n").bytes(b"85.0\r\n");
    }
    [asked.events, streaming.events].concat()
}

/// Events of the program itself, with its own first and last line; time runs fast.
fn events_of_the_program() -> Vec<String> {
    let folder = tempfile::tempdir().unwrap();
    let study = folder.path().join("harbour");
    let halfpanel = || Command::new(env!("CARGO_BIN_EXE_halfpanel"));
    assert!(halfpanel().arg("init").arg(&study).output().unwrap().status.success());
    let meter = study.join("meter.toml");
    let scenario = std::fs::read_to_string(&meter).unwrap();
    assert!(scenario.contains("\npace_s = "));
    let scenario: Vec<&str> = scenario
        .lines()
        .filter(|line| !line.starts_with("time_factor") && !line.starts_with("pace_s"))
        .collect();
    std::fs::write(&meter, format!("pace_s = 6\ntime_factor = 200\n{}", scenario.join("\n"))).unwrap();
    let run = || {
        let run = halfpanel().arg("run").arg(&study).arg("--json").stdin(Stdio::null()).output().unwrap();
        assert_eq!(run.status.code(), Some(0), "{}", String::from_utf8_lossy(&run.stderr));
        String::from_utf8(run.stdout).unwrap()
    };
    let first = run();
    // The same meter, of which more is known.
    let file = study.join("study.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    let named = text.lines().find_map(|line| line.strip_prefix("profile = \"")?.split('"').next()).unwrap();
    let profile = shipped::text(named).unwrap();
    std::fs::write(study.join("mine.toml"), format!("{profile}\n[meter]\nswitches_off_after_min = 5\n"))
        .unwrap();
    std::fs::write(&file, text.replace(&format!("\"{named}\""), "\"mine.toml\"")).unwrap();
    [first, run()].concat().lines().map(str::to_owned).collect()
}

fn all_events() -> Vec<String> {
    [events_of_stories(), events_of_mishaps(), events_of_asking_and_streaming(), events_of_the_program()]
        .concat()
}

fn parsed(line: &str) -> (String, Map<String, Value>) {
    let mut event: Map<String, Value> = serde_json::from_str(line).unwrap();
    let Some(Value::String(name)) = event.remove("event") else { panic!("no `event` in {line}") };
    (name, event)
}

fn is_of_kind(value: &Value, kind: &str) -> bool {
    match kind {
        "text" => value.is_string(),
        "integer" => value.is_u64(),
        "number" => value.is_number(),
        "boolean" => value.is_boolean(),
        "list" => value.as_array().is_some_and(|list| !list.is_empty()),
        other => panic!("the page has the unknown type {other}"),
    }
}

/// An event is as the page says.
fn hold(sections: &BTreeMap<String, Section>, line: &str) {
    let (name, event) = parsed(line);
    let section = sections.get(&name).unwrap_or_else(|| panic!("the page has no event `{name}`"));
    for (key, value) in &event {
        let described = section.get(key).unwrap_or_else(|| panic!("`{name}` has no key `{key}`: {line}"));
        assert!(is_of_kind(value, &described.kind), "`{key}` is no {}: {line}", described.kind);
        let listed = described.words.is_empty() || described.words.iter().any(|word| value == word);
        assert!(listed, "`{key}` has a word that is not on the page: {line}");
    }
    for (key, described) in section {
        assert!(described.may_be_missing || event.contains_key(key), "`{key}` is missing: {line}");
    }
}

#[test]
fn every_event_is_as_the_page_says_and_the_page_says_no_more() {
    let sections = sections();
    let events = all_events();
    for line in &events {
        hold(&sections, line);
    }
    let mut by_name: BTreeMap<String, Vec<Map<String, Value>>> = BTreeMap::new();
    for (name, event) in events.iter().map(|line| parsed(line)) {
        by_name.entry(name).or_default().push(event);
    }
    for (name, section) in &sections {
        let events = by_name.get(name).unwrap_or_else(|| panic!("`{name}` never occurs"));
        for (key, described) in section {
            assert!(events.iter().any(|e| e.contains_key(key)), "`{name}` never has `{key}`");
            let missing = events.iter().any(|e| !e.contains_key(key));
            assert_eq!(missing, described.may_be_missing, "`{key}` of `{name}` may be missing, or never is");
            for word in &described.words {
                let occurs = events.iter().any(|e| e.get(key).is_some_and(|value| value == word));
                assert!(occurs, "`{key}` of `{name}` is never `{word}`");
            }
        }
    }
}

#[test]
fn the_examples_are_what_the_program_says() {
    let sections = sections();
    let events: Vec<String> = [events_of_stories(), events_of_mishaps()].concat();
    let mut shown = Vec::new();
    for example in examples() {
        hold(&sections, example);
        let (name, _) = parsed(example);
        // Both of these name paths; their keys are held to the program by the other test.
        let of_the_shell = name == "started" || name == "tables";
        assert!(of_the_shell || events.iter().any(|event| event == example), "never said: {example}");
        shown.push(name);
    }
    for name in sections.keys() {
        assert!(shown.contains(name), "no example of `{name}`");
    }
}

#[test]
fn the_reasons_of_a_refusal_are_all_on_the_page() {
    let section = PAGE.split("\n## ").find(|part| part.starts_with("`refused`")).unwrap();
    let (_, lists) = section.split_once("A good line").unwrap();
    let mut listed = quoted(lists.split("```").next().unwrap());
    let source = concat!(include_str!("../src/meter/refusal.rs"), include_str!("../src/run/say.rs"));
    let reasons = source.lines().map(str::trim).filter(|line| {
        line.starts_with("Refusal::") && line.contains("=> \"")
            || line.starts_with("NotNow::") && line.ends_with("\",")
    });
    let words = reasons.map(|line| line.split('"').nth(1).unwrap().to_owned());
    let mut words: Vec<String> = words.filter(|word| !word.contains(' ')).collect();
    words.sort();
    listed.sort();
    assert_eq!(listed, words);
}
