//! The daemon comes to its end, or to the end of what it stands on: signals at any moment, kills, a log that nobody reads,
//! a port or a study that somebody else has, a folder that goes away. Nothing that a page was told is lost.
//!
//! `HALFPANEL_KILLS` sets the number of kills, `HALFPANEL_SEED` where they fall.

#![allow(clippy::disallowed_methods, reason = "it measures how long the daemon takes to end")]
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;
#[path = "common/web.rs"]
mod web;

use halfpanel::run::Replayed;
use halfpanel::run::record::Scanner;
use halfpanel::run::replay;
use process::Line;
use process::STUDY;
use process::SURFACES;
use process::halfpanel;
use process::output;
use process::recordings;
use rand::RngExt;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rustix::process::Signal;
use serde_json::Value;
use serde_json::json;
use std::fs;
use std::io::Read;
use std::io::Write;
use std::net::TcpStream;
use std::path::Path;
use std::path::PathBuf;
use std::process::Command;
use std::process::Stdio;
use std::time::Duration;
use std::time::Instant;
use tempfile::TempDir;
use web::Daemon;
use web::Events;
use web::region;
use web::request;
use web::taken;

/// What the meter reads at each placement of a whole run: tile, zones, tile.
const VALUES: [&str; 8] = ["92.4", "92.4", "71.2", "78.9", "78.1", "70.6", "92.4", "92.4"];

/// Far more than an end takes that waits for nobody: answers under way may take three seconds.
const SOON: Duration = Duration::from_secs(10);

/// A study whose meter is the other end of a pseudo-terminal.
fn on_a_line() -> (TempDir, PathBuf, Line) {
    let (folder, study) = simulated(1.0);
    let line = Line::open();
    let text = STUDY.replace("sim:meter.toml", line.path().to_str().unwrap());
    fs::write(study.join("study.toml"), text).unwrap();
    (folder, study, line)
}

/// A study whose simulated meter takes so long from one placement to the next.
fn simulated(pace_s: f64) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let study = folder.path().join("harbour");
    fs::create_dir(&study).unwrap();
    fs::write(study.join("study.toml"), STUDY).unwrap();
    let layout = "[layout]\nline = \"{geometry}\\t{gloss}\"\n";
    let pace = format!("seed = 1\npace_s = {pace_s:?}\nbetween_presses_s = {pace_s:?}\n");
    fs::write(study.join("meter.toml"), format!("{pace}{layout}{SURFACES}")).unwrap();
    (folder, study)
}

fn press(line: &Line, events: &mut Events, placement: usize) {
    line.send(format!("60\t{}\r\n", VALUES[placement - 1]).as_bytes());
    events.until_taken(placement);
}

fn until_up(events: &mut Events) {
    events.until(|_, heard| heard.iter().any(|(says, _)| says.contains("line is up")));
}

/// The tables are what the recordings give, byte for byte.
fn verify(study: &Path) {
    let verified = output([Path::new("verify"), study]);
    assert_eq!(verified.code, Some(0), "{}{}", verified.stdout, verified.stderr);
}

/// The only recording of a study, read to its end; nothing if there is none, or not a record of it yet.
fn replayed(study: &Path) -> Option<Replayed> {
    let paths = recordings(study);
    assert!(paths.len() <= 1, "{paths:?}");
    let bytes = fs::read(paths.first()?).unwrap();
    let read = replay("recording", &mut Scanner::new("recording", bytes.as_slice()), |_, _, _| {});
    read.map_err(|error| assert!(error.is_empty_recording(), "{error}")).ok()
}

/// The values in a recording are the first of those that were sent, in their order.
fn is_prefix(replayed: &Replayed) -> usize {
    let values: Vec<String> = replayed.run.ledger().readings.iter().map(|r| r.gloss.to_string()).collect();
    assert_eq!(values, VALUES[..values.len()], "nothing lost in between, and nothing more");
    values.len()
}

/// The next daemon over the study offers the run, and it comes to its end.
fn goes_on(study: &Path, line: &Line) {
    let daemon = Daemon::serve(&[study]);
    let mut events = Events::follow(&daemon, "harbour");
    assert!(region(&events.next().unwrap(), "before").contains("was cut off"), "the run is offered");
    let reply = daemon.order("harbour", "take-up", json!({}));
    assert_eq!(reply.status, 200, "{}", reply.text());
    until_up(&mut events);
    while let Some(value) = VALUES.get(is_prefix(&replayed(study).unwrap())) {
        let before = taken(&events.heard);
        line.send(format!("60\t{value}\r\n").as_bytes());
        events.until_taken(before + 1);
    }
    events.until_over();
    assert_eq!(is_prefix(&replayed(study).unwrap()), VALUES.len());
    verify(study);
}

#[test]
fn told_to_stop_in_a_run_with_two_hundred_pages_and_a_deaf_one_it_ends_soon_and_shows_it() {
    const PAGES: usize = 200;
    let (_folder, study, line) = on_a_line();
    let daemon = Daemon::serve(&[&study]);
    let mut deaf = TcpStream::connect(&daemon.at).unwrap();
    write!(deaf, "GET /s/harbour/events HTTP/1.1\r\nHost: {}\r\n\r\n", daemon.at).unwrap();
    deaf.read_exact(&mut [0; 12]).unwrap();
    let mut pages: Vec<Events> = (0..PAGES).map(|_| Events::follow(&daemon, "harbour")).collect();
    daemon.begin("harbour");
    until_up(&mut pages[0]);
    (1..=3).for_each(|placement| press(&line, &mut pages[0], placement));
    let began = Instant::now();
    daemon.running.signal(Signal::TERM);
    for (n, mut page) in pages.into_iter().enumerate() {
        let mut last = Value::Null;
        while let Some(state) = page.next() {
            last = state;
        }
        assert_eq!(taken(&page.heard), 3, "page {n}");
        assert!(region(&last, "before").contains("cut off"), "page {n} sees the run stopped: {last}");
    }
    let seen = began.elapsed();
    let (status, _, log) = daemon.running.end();
    println!("{PAGES} pages saw the end after {seen:?}, the process was gone after {:?}", began.elapsed());
    assert_eq!(status.code(), Some(0), "{log}");
    assert!(began.elapsed() < SOON, "{:?}", began.elapsed());
    let kept = replayed(&study).unwrap();
    assert!(kept.tail.torn.is_empty() && !kept.has_end);
    verify(&study);
    goes_on(&study, &line);
    drop(deaf);
}

/// Asks for a start. The status of the answer; nothing if the daemon was gone before there was one.
fn start(at: &str, version: &Value) -> Option<u16> {
    let body = json!({ "version": version }).to_string();
    let mut stream = TcpStream::connect(at).ok()?;
    let head = format!("POST /s/harbour/start HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n");
    let kind = format!("Content-Type: application/json\r\nContent-Length: {}\r\n\r\n", body.len());
    stream.write_all(format!("{head}{kind}{body}").as_bytes()).ok()?;
    let mut answer = String::new();
    let _ = stream.read_to_string(&mut answer);
    answer.split(' ').nth(1)?.parse().ok()
}

#[test]
fn told_to_stop_while_a_run_begins_it_leaves_a_whole_recording_or_none() {
    for round in 0..6 {
        let (_folder, study, line) = on_a_line();
        let daemon = Daemon::serve(&[&study]);
        let version = daemon.study("harbour")["version"].clone();
        let status = std::thread::scope(|scope| {
            let starting = scope.spawn(|| start(&daemon.at, &version));
            std::thread::sleep(Duration::from_millis(2 * round));
            daemon.running.signal(Signal::TERM);
            starting.join().unwrap()
        });
        let began = Instant::now();
        let (ended, _, log) = daemon.running.end();
        assert_eq!(ended.code(), Some(0), "{log}");
        assert!(began.elapsed() < SOON, "{:?}", began.elapsed());
        assert!(matches!(status, None | Some(200 | 503)), "{status:?}");
        let kept = replayed(&study);
        assert!(status != Some(200) || kept.is_some(), "a run that was said to have begun is on the disk");
        if kept.is_some() {
            verify(&study);
            goes_on(&study, &line);
        }
    }
}

#[test]
fn killed_at_any_moment_it_has_kept_what_a_page_was_told() {
    let number = |name: &str, usual: u64| std::env::var(name).map_or(usual, |text| text.parse().unwrap());
    let (kills, seed) = (number("HALFPANEL_KILLS", 8), number("HALFPANEL_SEED", 1));
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    for kill in 0..kills {
        let (_folder, study, line) = on_a_line();
        let daemon = Daemon::serve(&[&study]);
        let mut events = Events::follow(&daemon, "harbour");
        daemon.begin("harbour");
        until_up(&mut events);
        let presses = random.random_range(1..VALUES.len());
        (1..presses).for_each(|placement| press(&line, &mut events, placement));
        // The last press is under way, somewhere between the line, the disk and the page.
        line.send(format!("60\t{}\r\n", VALUES[presses - 1]).as_bytes());
        std::thread::sleep(Duration::from_micros(random.random_range(0..4000)));
        daemon.running.signal(Signal::KILL);
        while events.next().is_some() {}
        let told = taken(&events.heard);
        drop(daemon);
        let again = format!("kill {kill}; again: HALFPANEL_SEED={seed} HALFPANEL_KILLS={kills}");
        let kept = is_prefix(&replayed(&study).expect("it had begun"));
        assert!(kept >= told && told >= presses - 1, "{told} told, {kept} kept; {again}");
        goes_on(&study, &line);
    }
}

#[test]
fn a_second_signal_and_a_closed_terminal_end_it_as_the_first_one_does() {
    for signals in
        [&[Signal::INT, Signal::INT][..], &[Signal::TERM, Signal::INT, Signal::TERM], &[Signal::HUP]]
    {
        let (_folder, study, line) = on_a_line();
        let daemon = Daemon::serve(&[&study]);
        let mut events = Events::follow(&daemon, "harbour");
        daemon.begin("harbour");
        until_up(&mut events);
        press(&line, &mut events, 1);
        signals.iter().for_each(|&signal| daemon.running.signal(signal));
        while events.next().is_some() {}
        let (status, _, log) = daemon.running.end();
        assert_eq!(status.code(), Some(0), "{signals:?}: {log}");
        assert_eq!(is_prefix(&replayed(&study).unwrap()), 1);
        assert!(study.join("results/readings.csv").exists(), "its tables are written");
        verify(&study);
    }
}

#[test]
fn started_to_outlive_its_terminal_it_does() {
    let (_folder, study, line) = on_a_line();
    // What `nohup` does.
    let script = "trap '' HUP; exec \"$0\" serve \"$1\" --listen 127.0.0.1:0";
    let mut command = Command::new("sh");
    command.args(["-c", script, env!("CARGO_BIN_EXE_halfpanel"), study.to_str().unwrap()]);
    let daemon = Daemon::start(&mut command);
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    until_up(&mut events);
    daemon.running.signal(Signal::HUP);
    (1..=VALUES.len()).for_each(|placement| press(&line, &mut events, placement));
    events.until_over();
    daemon.running.signal(Signal::TERM);
    assert_eq!(daemon.running.end().0.code(), Some(0));
    verify(&study);
}

#[test]
fn a_log_that_nobody_reads_any_more_is_no_reason_to_break_off() {
    let (_folder, study, line) = on_a_line();
    let mut command = halfpanel();
    command.arg("serve").arg(&study).args(["--listen", "127.0.0.1:0"]).env("HALFPANEL_LOG", "trace");
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut said = std::io::BufReader::new(child.stdout.take().unwrap());
    let mut first = String::new();
    std::io::BufRead::read_line(&mut said, &mut first).unwrap();
    let at = first.trim().strip_prefix("Serving at http://").unwrap().trim_end_matches('/').to_owned();
    // As when a terminal is closed, or `| head` has seen enough.
    drop((said, child.stderr.take()));
    let get = |path: &str| request(&at, "GET", path, &[("Accept", "application/json")], &[]);
    let version = get("/health").json()["studies"][0]["version"].clone();
    let body = serde_json::to_vec(&json!({ "version": version })).unwrap();
    let kind = [("Content-Type", "application/json")];
    assert_eq!(request(&at, "POST", "/s/harbour/start", &kind, &body).status, 200);
    while get("/health").json()["studies"][0]["link_up"] != true {}
    for (n, value) in VALUES.iter().enumerate() {
        line.send(format!("60\t{value}\r\n").as_bytes());
        while replayed(&study).unwrap().run.ledger().readings.len() <= n {
            assert_eq!(get("/health").status, 200);
        }
    }
    while get("/health").json()["studies"][0]["phase"] != "idle" {}
    process::send_signal(child.id(), Signal::TERM);
    assert_eq!(child.wait().unwrap().code(), Some(0));
    verify(&study);
}

#[test]
fn every_line_of_the_log_is_json_and_none_holds_a_secret() {
    let (_folder, study) = simulated(0.01);
    let mut command = halfpanel();
    command
        .arg("serve")
        .arg(&study)
        .args(["--listen", "127.0.0.1:0", "--lan", "--log-json"])
        .env("HALFPANEL_LOG", "trace");
    let mut daemon = Daemon::start(&mut command);
    let mut code = |words: &str| loop {
        let line = daemon.running.line().unwrap();
        if line.contains(words) {
            return line.split_whitespace().next().unwrap().to_owned();
        }
    };
    let codes = [code("to lead a run"), code("to look only")];
    let form = ("Content-Type", "application/x-www-form-urlencoded");
    let mut secrets = Vec::new();
    for code in &codes {
        let plain = code.replace('-', "");
        let opened = request(&daemon.at, "GET", &format!("/pair?code={plain}"), &[], &[]);
        assert_eq!(opened.status, 200);
        let answer = request(&daemon.at, "POST", "/pair", &[form], format!("code={plain}").as_bytes());
        let cookie = answer.header("set-cookie").unwrap().split(';').next().unwrap().to_owned();
        assert_eq!(request(&daemon.at, "GET", "/health", &[("Cookie", &cookie)], &[]).status, 200);
        assert_eq!(request(&daemon.at, "GET", "/", &[("Cookie", &cookie), ("Host", "x")], &[]).status, 400);
        secrets.extend([code.clone(), plain, cookie.split_once('=').unwrap().1.to_owned()]);
    }
    for wrong in ["AAAA-AAAA", "SLIP-0001"] {
        let typed = format!("code={wrong}");
        assert_eq!(request(&daemon.at, "POST", "/pair", &[form], typed.as_bytes()).status, 403);
        // What was typed is often a right one with a slip.
        secrets.push(wrong.to_owned());
    }
    daemon.running.signal(Signal::TERM);
    let (status, _, log) = daemon.running.end();
    assert_eq!(status.code(), Some(0), "{log}");
    assert!(log.lines().count() >= 5, "{log}");
    for line in log.lines() {
        let entry: Value = serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"));
        assert!(entry["timestamp"].is_string() && entry["level"].is_string(), "{line}");
        for secret in &secrets {
            assert!(!line.contains(secret.as_str()), "{secret} in {line}");
        }
    }
}

#[test]
fn a_port_that_is_taken_is_said_with_what_to_do() {
    let (_folder, study) = simulated(1.0);
    let first = Daemon::serve(&[&study]);
    let second = output(["serve", study.to_str().unwrap(), "--listen", &first.at]);
    assert_eq!(second.code, Some(2), "{second:?}");
    for words in [&format!("cannot listen at {}", first.at), "in use", "--listen"] {
        assert!(second.stderr.contains(words), "{words} is missing: {}", second.stderr);
    }
    let as_json = output(["serve", study.to_str().unwrap(), "--listen", &first.at, "--log-json"]);
    let last = as_json.stderr.lines().last().unwrap();
    let entry: Value = serde_json::from_str(last).unwrap_or_else(|error| panic!("{error}: {last}"));
    let fields = &entry["fields"];
    assert!(fields["message"].as_str().unwrap().contains("cannot listen at"), "{last}");
    assert!(fields["hint"].as_str().unwrap().contains("--listen"), "{last}");
}

#[test]
fn of_two_daemons_over_one_study_the_second_says_who_has_it() {
    let (_folder, study, line) = on_a_line();
    let (first, second) = (Daemon::serve(&[&study]), Daemon::serve(&[&study]));
    let mut events = Events::follow(&first, "harbour");
    first.begin("harbour");
    until_up(&mut events);
    press(&line, &mut events, 1);
    for order in ["start", "take-up"] {
        let refused = second.order("harbour", order, json!({}));
        let problem = refused.json();
        assert_eq!((refused.status, problem["code"].as_str()), (422, Some("failed")), "{order}: {problem}");
        let said = problem["title"].as_str().unwrap();
        let pid = first.running.pid().to_string();
        assert!(said.contains("halfpanel serve") && said.contains(&pid), "{order}: {said}");
        let shown = second.get_page("/s/harbour/");
        assert!(shown.text().contains("halfpanel serve"), "the page says so, too: {}", shown.text());
    }
    (2..=VALUES.len()).for_each(|placement| press(&line, &mut events, placement));
    events.until_over();
    verify(&study);
    // Once the first is done, the second may begin the next run.
    assert_eq!(second.order("harbour", "start", json!({})).status, 200);
}

/// An order fails with these words, the page says them, and the daemon stays.
fn fails_with(daemon: &Daemon, order: &str, words: &str) {
    let failed = daemon.order("harbour", order, json!({}));
    assert_eq!(failed.status, 422, "{}", failed.text());
    let problem = failed.json();
    let said = format!("{} {}", problem["title"], problem["detail"]);
    assert!(said.contains(words), "{words} is missing: {said}");
    let page = daemon.get_page("/s/harbour/");
    assert_eq!(page.status, 200);
    let text = page.text().replace("&quot;", "\"").replace("&amp;", "&");
    assert!(text.contains(words), "the page does not say {words}: {text}");
    let health = daemon.get("/health");
    assert_eq!((health.status, health.json()["status"].as_str()), (200, Some("ok")));
}

#[test]
fn a_study_that_breaks_or_goes_away_between_runs_is_said_and_comes_back() {
    let (folder, study, line) = on_a_line();
    let daemon = Daemon::serve(&[&study]);
    let whole = fs::read_to_string(study.join("study.toml")).unwrap();
    fs::write(study.join("study.toml"), whole.replace("tile_readings = 2", "tile_readings = two")).unwrap();
    let at = whole.lines().position(|text| text.starts_with("tile_readings")).unwrap() + 1;
    fails_with(&daemon, "start", &format!("study.toml:{at}:"));
    fs::write(study.join("study.toml"), &whole).unwrap();

    // Nothing can be written there: a file stands where the recordings should lie. Permissions bind no administrator.
    fs::write(study.join("recordings"), "").unwrap();
    fails_with(&daemon, "start", "recordings");
    fs::remove_file(study.join("recordings")).unwrap();

    let elsewhere = folder.path().join("elsewhere");
    fs::rename(&study, &elsewhere).unwrap();
    fails_with(&daemon, "start", &format!("{} is gone", study.display()));
    assert!(!study.exists(), "no empty study is made in its place");
    for path in
        ["runs", "tile", "panels", "tables/results.csv", "recordings/2026-01-01-01.rec", "runs/2026-01-01-01"]
    {
        let answer = daemon.get(&format!("/s/harbour/{path}"));
        assert!(answer.status < 500, "{path}: {}", answer.text());
    }
    fs::rename(&elsewhere, &study).unwrap();
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    until_up(&mut events);
    (1..=VALUES.len()).for_each(|placement| press(&line, &mut events, placement));
    events.until_over();
    verify(&study);
}

#[test]
fn a_study_that_is_moved_away_during_a_run_loses_nothing_and_the_page_says_so() {
    let (folder, study, line) = on_a_line();
    let daemon = Daemon::serve(&[&study]);
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    until_up(&mut events);
    (1..=3).for_each(|placement| press(&line, &mut events, placement));
    let elsewhere = folder.path().join("elsewhere");
    fs::rename(&study, &elsewhere).unwrap();
    (4..=VALUES.len()).for_each(|placement| press(&line, &mut events, placement));
    let last = events.until(|state, _| !region(state, "start").is_empty());
    let said = format!("{} is gone", study.display());
    assert!(region(&last, "before").contains(&said), "{}", region(&last, "before"));
    assert_eq!(is_prefix(&replayed(&elsewhere).unwrap()), VALUES.len(), "it went on where the folder is now");
    assert_eq!(daemon.get("/health").status, 200);
    assert!(!study.exists(), "no empty study is made in its place");
    fs::rename(&elsewhere, &study).unwrap();
    for order in ["start", "stop"] {
        assert_eq!(daemon.order("harbour", order, json!({})).status, 200, "{order}");
    }
    verify(&study);
}
