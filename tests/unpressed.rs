//! Meters that are asked, and meters that stream, through the whole program: processes, files and a real
//! pseudo-terminal with a simulated meter, or a test, at its other end.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;

use halfpanel::run::record::{Body, Scanner};
use process::{Line, Running, STUDY, SURFACES, halfpanel, output, recordings, rows};
use rustix::process::Signal;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

/// What the run has to find, zone by zone, in the order of the names.
const TRUTH: [(&str, &str); 4] = [("A1", "78.9"), ("A2", "78.1"), ("C1", "71.2"), ("C2", "70.6")];

/// The second line is lost, the fifth an error that the queue explains.
const ANSWERS: &str = r#"
[answers]
request = 'MEAS:GLOS?\n'
delay_s = 0.3
echo = true
error_query = 'SYST:ERR?\n'
[[answers.error]]
line = 5
says = '-230,"Data corrupt or stale"'
[[fault]]
line = 2
kind = "silence"
seconds = 0
[[fault]]
line = 5
kind = "error"
word = "9.91E+37"
"#;

/// The third placement wobbles longer than it takes to be told so.
const STREAM: &str = r#"
[stream]
every_s = 0.02
air_gu = 0.3
[[stream.wobble]]
placement = 3
seconds = 5
by_gu = 2
"#;

fn study(folder: &TempDir, profile: &str, head: &str, meter: &str) -> PathBuf {
    let study = folder.path().join("harbour");
    fs::create_dir(&study).unwrap();
    fs::write(study.join("study.toml"), STUDY.replace("tab-60", profile)).unwrap();
    fs::write(
        study.join("meter.toml"),
        format!("seed = 1\n{head}\n[layout]\nline = \"{{gloss}}\"\n{SURFACES}\n{meter}"),
    )
    .unwrap();
    study
}

/// A study whose profile is a shipped one with a few words changed.
fn study_with(folder: &TempDir, shipped: &str, change: (&str, &str), head: &str, meter: &str) -> PathBuf {
    let study = study(folder, "profile.toml", head, meter);
    let profile = halfpanel::meter::shipped::text(shipped).unwrap();
    assert!(profile.contains(change.0));
    fs::write(study.join("profile.toml"), profile.replace(change.0, change.1)).unwrap();
    study
}

/// The proven readings of the zones, sorted.
fn proven(study: &Path) -> Vec<(String, String)> {
    let rows = rows(&study.join("results/readings.csv"));
    let zones = rows.iter().filter(|row| !row["zone"].is_empty() && row["status"] == "proven");
    let mut found: Vec<(String, String)> =
        zones.map(|row| (row["zone"].clone(), row["gloss_gu"].clone())).collect();
    found.sort();
    found
}

fn assert_truth(study: &Path) {
    let found = proven(study);
    let found: Vec<(&str, &str)> = found.iter().map(|(z, v)| (z.as_str(), v.as_str())).collect();
    assert_eq!(found, TRUTH);
}

/// A replay of the recordings gives the tables byte for byte.
fn assert_replays(study: &Path) {
    let verified = output(["verify".as_ref(), study.as_os_str()]);
    assert_eq!(verified.code, Some(0), "{}{}", verified.stdout, verified.stderr);
}

fn requests(study: &Path) -> Vec<String> {
    let bytes = fs::read(recordings(study).pop().unwrap()).unwrap();
    let mut scanner = Scanner::new("t", bytes.as_slice());
    let mut sent = Vec::new();
    while let Some(record) = scanner.next_record().unwrap() {
        if let Body::Request(bytes) = record.body {
            sent.push(bytes.escape_ascii().to_string());
        }
    }
    sent
}

fn told<'e>(events: &'e [Value], what: &str) -> Vec<&'e str> {
    events.iter().filter(|e| e["what"] == what).map(|e| e["says"].as_str().unwrap()).collect()
}

/// Starts a simulated meter that follows the study, on a pseudo-terminal of that name.
fn simulate(study: &Path, link: &Path) -> Running {
    let mut command = halfpanel();
    command.arg("simulate").arg(study.join("meter.toml")).arg("--link").arg(link).arg("--follow").arg(study);
    let mut meter = Running::start(&mut command);
    assert!(meter.line().unwrap().starts_with("port "));
    meter
}

#[test]
fn a_whole_run_is_asked_for_with_echo_a_lost_answer_and_the_error_queue() {
    let folder = tempfile::tempdir().unwrap();
    let change = ("timeout_ms = 3000", "echo = true\ntimeout_ms = 1500");
    let study = study_with(&folder, "ask-query", change, "", ANSWERS);
    let link = folder.path().join("meter");
    let meter = simulate(&study, &link);
    let mut run = Running::run(&study, Some(&link));
    let mut events = Vec::new();
    let mut is_up = false;
    while let Some(event) = run.event() {
        is_up |= event["event"] == "link";
        let asks = event["event"] == "next" && event["do"].as_str().unwrap().starts_with("read-");
        let again = event["what"] == "errors-read";
        events.push(event);
        if is_up && (asks || again) {
            run.say("read");
        }
    }
    let (status, _, errors) = run.end();
    assert!(status.success(), "{errors}");
    assert_truth(&study);
    assert_eq!(told(&events, "asked-again").len(), 1);
    assert_eq!(
        told(&events, "meter-error"),
        ["the meter's error queue says `-230,\"Data corrupt or stale\"`"]
    );
    let sent = requests(&study);
    assert_eq!(sent[0], r"*CLS\n");
    assert_eq!(sent.iter().filter(|r| *r == r"MEAS:GLOS?\n").count(), 8 + 2);
    assert_eq!(sent.iter().filter(|r| *r == r"SYST:ERR?\n").count(), 2);
    assert_replays(&study);
    drop(meter);
}

#[test]
fn a_whole_run_streams_over_a_pseudo_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let study = study(&folder, "stream-plain", "pace_s = 0.3", STREAM);
    let link = folder.path().join("meter");
    let meter = simulate(&study, &link);
    let mut run = Running::run(&study, Some(&link));
    let mut events = Vec::new();
    while let Some(event) = run.event() {
        events.push(event);
    }
    let (status, _, errors) = run.end();
    assert!(status.success(), "{errors}");
    assert_truth(&study);
    let hints = told(&events, "hold-still");
    assert!((1..=2).contains(&hints.len()), "{hints:?}");
    assert!(requests(&study).is_empty());
    assert_replays(&study);
    let (ended, _, _) = meter.end();
    assert!(ended.success(), "the simulated meter ends with the run");
}

#[test]
fn simulated_meters_within_the_program_are_asked_and_stream_in_fast_time() {
    let fast = "time_factor = 60";
    for (profile, meter) in [("ask-plain", "[answers]\nrequest = 'R\\r'\n"), ("stream-plain", "[stream]\n")] {
        let folder = tempfile::tempdir().unwrap();
        let study = study(&folder, profile, fast, meter);
        let ended = output(["run".as_ref(), study.as_os_str(), "--json".as_ref()]);
        assert_eq!(ended.code, Some(0), "{profile}: {}{}", ended.stdout, ended.stderr);
        assert_truth(&study);
        assert_replays(&study);
    }
}

#[test]
fn silence_after_all_tries_is_told_and_an_empty_line_asks_too() {
    let folder = tempfile::tempdir().unwrap();
    let change = ("timeout_ms = 3000", "timeout_ms = 100");
    let study = study_with(&folder, "ask-plain", change, "", "");
    let line = Line::open();
    let mut run = Running::run(&study, Some(line.path()));
    run.until(|event| event["event"] == "link");
    run.say("");
    let silence = run.until(|event| event["what"] == "no-answer");
    let says = silence["says"].as_str().unwrap();
    assert!(says.contains("`R\\r` was sent 3 times, and nothing came within 100 ms"), "{says}");
    assert_eq!(line.hear(6), "R\rR\rR\r");
    run.say("read");
    run.until(|event| event["what"] == "asked-again");
    line.send(b"92.4\r\n");
    let reading = run.until(|event| event["event"] == "reading");
    assert_eq!(reading["gloss_gu"], "92.4");
    run.signal(Signal::TERM);
    run.end();
}

#[test]
fn a_request_whose_answer_a_kill_cut_off_is_not_believed_answered() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_with(&folder, "ask-plain", ("timeout_ms = 3000", "timeout_ms = 20000"), "", "");
    let line = Line::open();
    let mut run = Running::run(&study, Some(line.path()));
    run.until(|event| event["event"] == "link");
    run.say("read");
    assert_eq!(line.hear(2), "R\r");
    run.signal(Signal::KILL);
    run.end();
    assert_eq!(requests(&study), [r"R\r"], "it stood in the recording before it was sent");

    let mut run = Running::run(&study, Some(line.path()));
    run.until(|event| event["what"] == "ask-cut");
    run.until(|event| event["event"] == "link");
    // The meter has taken its time.
    line.send(b"92.0\r\n");
    let late = run.until(|event| event["event"] == "refused");
    assert_eq!(late["why"], "unasked");
    run.say("read");
    assert_eq!(line.hear(2), "R\r");
    line.send(b"92.4\r\n");
    let reading = run.until(|event| event["event"] == "reading");
    assert_eq!((&reading["gloss_gu"], &reading["placement"]), (&"92.4".into(), &1.into()));
    run.signal(Signal::TERM);
    run.end();
}

#[test]
fn a_streaming_meter_that_rests_through_a_kill_gives_no_second_reading() {
    let folder = tempfile::tempdir().unwrap();
    let study = study(&folder, "stream-plain", "", "");
    let line = Line::open();
    let send = |value: &str, times: usize| {
        for _ in 0..times {
            line.send(format!("{value}\r\n").as_bytes());
        }
    };
    let mut run = Running::run(&study, Some(line.path()));
    run.until(|event| event["event"] == "link");
    send("0.3", 5);
    send("92.4", 30);
    run.until(|event| event["event"] == "reading");
    run.signal(Signal::KILL);
    run.end();
    let mut run = Running::run(&study, Some(line.path()));
    run.until(|event| event["event"] == "link");
    send("92.4", 50);
    send("0.3", 5);
    send("92.5", 14);
    let second = run.until(|event| event["event"] == "reading");
    assert_eq!((&second["gloss_gu"], &second["placement"]), (&"92.5".into(), &2.into()));
    run.signal(Signal::TERM);
    run.end();
}
