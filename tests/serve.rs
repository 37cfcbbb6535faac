//! The daemon as its pages and programs meet it: the real process, real sockets, a simulated meter.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;
#[path = "common/web.rs"]
mod web;

use halfpanel::run::record::Scanner;
use halfpanel::run::replay;
use process::Meter;
use process::PATIENCE;
use process::STUDY;
use process::SURFACES;
use process::halfpanel;
use process::output;
use process::recordings;
use process::rows;
use rustix::process::Signal;
use serde_json::Value;
use serde_json::json;
use std::fs;
use std::io::Read;
use std::io::Write;
use std::net::TcpStream;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::path::PathBuf;
use tempfile::TempDir;
use web::Daemon;
use web::Events;
use web::Reply;
use web::region;
use web::request;
use web::taken;

/// Placements of a whole run: two on the tile, four zones, two on the tile.
const WHOLE: usize = 8;

/// A study whose simulated meter takes `pace_ms` from one placement to the next.
fn study(folder: &Path, name: &str, pace_ms: u32) -> PathBuf {
    let study = folder.join(name);
    fs::create_dir(&study).unwrap();
    fs::write(study.join("study.toml"), STUDY).unwrap();
    let layout = "[layout]\nline = \"{geometry}\\t{gloss}\"\n";
    let pace_s = f64::from(pace_ms) / 100.0;
    let pace = format!("time_factor = 10\npace_s = {pace_s:?}\nbetween_presses_s = {pace_s:?}\n");
    let meter = format!("seed = 1\n{pace}{layout}{SURFACES}");
    fs::write(study.join("meter.toml"), meter).unwrap();
    study
}

fn bench(pace_ms: u32) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let study = study(folder.path(), "harbour", pace_ms);
    (folder, study)
}

/// The same study with its meter on a pseudo-terminal, which the test presses.
fn bench_on_a_line() -> (TempDir, PathBuf, Meter) {
    let (folder, study) = bench(12);
    let port = folder.path().join("port");
    let text = STUDY.replace("sim:meter.toml", port.to_str().unwrap());
    fs::write(study.join("study.toml"), text).unwrap();
    let meter = Meter::linked(&port);
    (folder, study, meter)
}

/// Presses the meter's button: the line of that placement, counted from 1. Returns once it was heard to be taken.
fn press(meter: &mut Meter, events: &mut Events, placement: usize) {
    let values = ["92.4", "92.4", "71.2", "78.9", "78.1", "70.6", "92.4", "92.4"];
    meter.send(format!("60\t{}\r\n", values[placement - 1]).as_bytes());
    events.until_taken(placement);
}

fn until_up(events: &mut Events, times: usize) {
    events.until(|_, heard| heard.iter().filter(|(says, _)| says.contains("line is up")).count() == times);
}

/// The tables are what the recordings give, byte for byte.
fn verify(study: &Path) {
    let verified = output([Path::new("verify"), study]);
    assert_eq!(verified.code, Some(0), "{}{}", verified.stdout, verified.stderr);
}

/// The only recording of a study, read to its end.
fn replayed(study: &Path) -> halfpanel::run::Replayed {
    let paths = recordings(study);
    let [path] = paths.as_slice() else { panic!("{paths:?}") };
    let bytes = fs::read(path).unwrap();
    replay("recording", &mut Scanner::new("recording", bytes.as_slice()), |_, _, _| {}).unwrap()
}

#[test]
fn a_whole_run_goes_by_the_meter_alone_once_it_was_started() {
    let (_folder, study) = bench(12);
    let daemon = Daemon::serve(&[&study]);
    let mut events = Events::follow(&daemon, "harbour");
    assert!(region(&events.next().unwrap(), "start").contains("Start the run"));
    let version = daemon.study("harbour")["version"].clone();
    let reply = daemon.post(
        "/s/harbour/start",
        &json!({ "version": version, "operator": "Jo", "temperature_c": 21.5, "humidity_pct": 48 }),
    );
    assert_eq!(reply.status, 200, "{}", reply.text());
    let last = events.until_over();
    assert_eq!(taken(&events.heard), WHOLE, "{:#?}", events.heard);
    assert!(region(&last, "figures").contains("T1"), "{}", region(&last, "figures"));
    let results = rows(&study.join("results/results.csv"));
    assert_eq!((results.len(), results[0]["status"].as_str()), (1, "proven"));
    assert_eq!(results[0]["difference_gu"], "7.6000", "(78.9 + 78.1) / 2 - (71.2 + 70.6) / 2");
    let recording = fs::read_to_string(&recordings(&study)[0]).unwrap();
    assert!(recording.contains("temperature 21.5 °C") && recording.contains("relative humidity 48 %"));
    assert_eq!(daemon.counted("halfpanel_lines_total", "harbour") as usize, WHOLE);
    assert_eq!(daemon.counted("halfpanel_readings_total", "harbour") as usize, WHOLE);
    assert!(daemon.counted("halfpanel_sync_seconds_count", "harbour") as usize >= WHOLE);
    verify(&study);
}

#[test]
fn what_is_downloaded_is_what_lies_on_the_disk_and_every_reading_has_its_line() {
    let (_folder, study) = bench(12);
    let daemon = Daemon::serve(&[&study]);
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    events.until_over();
    for file in fs::read_dir(study.join("results")).unwrap().map(Result::unwrap) {
        if file.path().is_file() {
            let name = file.file_name().into_string().unwrap();
            let reply = daemon.get(&format!("/s/harbour/tables/{name}"));
            assert_eq!((reply.status, reply.body), (200, fs::read(file.path()).unwrap()), "{name}");
        }
    }
    let runs = daemon.get("/s/harbour/runs").json();
    let run = runs[0]["run"].as_str().unwrap();
    assert_eq!((runs.as_array().unwrap().len(), runs[0]["operator"].as_str()), (1, Some("Jo")));
    let recording = daemon.get(&format!("/s/harbour/recordings/{run}.rec"));
    assert_eq!(recording.body, fs::read(&recordings(&study)[0]).unwrap());
    let sheet = daemon.get(&format!("/s/harbour/runs/{run}")).json();
    let lines: Vec<_> =
        sheet["readings"].as_array().unwrap().iter().map(|r| r["line"].as_str().unwrap()).collect();
    let values = [("", "92.4"), ("", "92.4"), ("C1", "71.2"), ("A1", "78.9"), ("A2", "78.1"), ("C2", "70.6")];
    let values = values.iter().chain(&[("", "92.4"), ("", "92.4")]);
    assert_eq!(lines, values.clone().map(|(_, value)| format!("`60\\t{value}`")).collect::<Vec<_>>());
    let zones: Vec<_> =
        sheet["readings"].as_array().unwrap().iter().map(|r| r["zone"].as_str().unwrap()).collect();
    assert_eq!(zones, values.map(|(zone, _)| *zone).collect::<Vec<_>>());
    assert_eq!(sheet["state"], "complete");
    let part = daemon.get(&format!("/s/harbour/runs/{run}?from=6")).json();
    assert_eq!((part["readings"].as_array().unwrap().len(), &part["of"]), (2, &json!(WHOLE)));
    for page in ["runs".to_owned(), format!("runs/{run}"), "tile".to_owned(), String::new()] {
        let reply = daemon.get_page(&format!("/s/harbour/{page}"));
        assert_eq!((reply.status, reply.header("content-type")), (200, Some("text/html; charset=utf-8")));
    }
}

#[test]
fn nothing_but_the_tables_and_recordings_can_be_had() {
    let (folder, study) = bench(12);
    let daemon = Daemon::serve(&[&study]);
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    events.until_over();
    let absolute = format!("/s/harbour/tables/{}", study.join("study.toml").display());
    let encoded =
        format!("/s/harbour/recordings/{}", folder.path().display().to_string().replace('/', "%2f"));
    for path in [
        "/s/harbour/tables/../study.toml",
        "/s/harbour/tables/..%2fstudy.toml",
        "/s/harbour/tables/%2e%2e%2fstudy.toml",
        "/s/harbour/tables/%2e%2e/study.toml",
        "/s/harbour/tables/..%5cstudy.toml",
        "/s/harbour/tables/runs",
        "/s/harbour/tables/results.csv%00",
        "/s/harbour/tables/RESULTS.CSV",
        "/s/harbour/tables/",
        "/s/harbour/recordings/..%2fstudy.toml",
        "/s/harbour/recordings/.lock",
        "/s/harbour/recordings/2026-01-01-01.rec",
        "/s/harbour/runs/..%2f..%2fstudy",
        "/s/..%2fharbour/tables/results.csv",
        "/assets/..%2fmod.rs",
        "/study.toml",
        &absolute,
        &encoded,
    ] {
        let reply = daemon.get(path);
        assert!((400..500).contains(&reply.status), "{path}: {}", reply.status);
        assert!(!reply.text().contains("Black glass"), "{path}");
    }
}

#[test]
fn of_two_orders_for_one_state_the_second_is_refused() {
    let (_folder, study) = bench(600_000);
    let daemon = Daemon::serve(&[&study]);
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    // Nothing comes from the meter for a while, so the state stands still.
    events.until(|state, heard| {
        region(state, "actions").contains("pause") && heard.iter().any(|(s, _)| s.contains("is up"))
    });
    let all_at_once = || -> Vec<Reply> {
        let body = json!({ "version": daemon.study("harbour")["version"], "word": "pause" });
        let body = serde_json::to_vec(&body).unwrap();
        std::thread::scope(|scope| {
            let send = || {
                request(&daemon.at, "POST", "/s/harbour/word", &[("Content-Type", "application/json")], &body)
            };
            let tabs: Vec<_> = (0..4).map(|_| scope.spawn(send)).collect();
            tabs.into_iter().map(|tab| tab.join().unwrap()).collect()
        })
    };
    // What was told last may have changed the state behind that version; then none of them is followed.
    let mut replies = all_at_once();
    while replies.iter().all(|reply| reply.status == 409) {
        replies = all_at_once();
    }
    let mut statuses: Vec<u16> = replies.iter().map(|reply| reply.status).collect();
    statuses.sort_unstable();
    assert_eq!(statuses, [200, 409, 409, 409]);
    let stale = replies.iter().find(|reply| reply.status == 409).unwrap();
    assert_eq!(stale.json()["code"], "stale", "{}", stale.text());
    let recording = fs::read_to_string(&recordings(&study)[0]).unwrap();
    assert_eq!(recording.matches("\"pause\"").count(), 1, "{recording}");
    // A word that the run does not follow is answered with why, and so is one that is none.
    let refused = daemon.say("harbour", "adjusted");
    assert_eq!(
        (refused.status, refused.json()["code"].as_str()),
        (422, Some("refused")),
        "{}",
        refused.text()
    );
    let none = daemon.say("harbour", "dance");
    assert_eq!((none.status, none.json()["code"].as_str()), (422, Some("bad-input")), "{}", none.text());
}

#[test]
fn a_browser_without_its_script_gets_by_with_forms() {
    let (_folder, study) = bench(600_000);
    let daemon = Daemon::serve(&[&study]);
    let form = |path: &str, body: String| {
        let headers = [("Content-Type", "application/x-www-form-urlencoded"), ("Accept", "text/html")];
        request(&daemon.at, "POST", path, &headers, body.as_bytes())
    };
    let version = || daemon.study("harbour")["version"].to_string();
    let mut events = Events::follow(&daemon, "harbour");
    let started = form(
        "/s/harbour/start",
        format!(
            "version={}&panel=P1&treatment=T1&stage=&operator=J%C3%B6&temperature_c=21%2C5&humidity_pct=",
            version()
        ),
    );
    assert_eq!(
        (started.status, started.header("location")),
        (303, Some("/s/harbour/")),
        "{}",
        started.text()
    );
    until_up(&mut events, 1);
    let skipped =
        form("/s/harbour/word", format!("version={}&word=skip+A1&reason=scratched%3A+deep", version()));
    assert_eq!(skipped.status, 303, "{}", skipped.text());
    let stale = form("/s/harbour/word", "version=3&word=undo".to_owned());
    assert_eq!((stale.status, stale.header("content-type")), (409, Some("text/html; charset=utf-8")));
    assert!(stale.text().contains("moved on"), "{}", stale.text());
    assert_eq!(form("/s/harbour/stop", format!("version={}", version())).status, 303);
    let ledger = replayed(&study);
    assert_eq!(ledger.run.ledger().setup.operator, "Jö");
    assert!(ledger.run.ledger().skipped.values().any(|why| why == "scratched: deep"));
    let recording = fs::read_to_string(&recordings(&study)[0]).unwrap();
    assert!(recording.contains("temperature 21.5 °C"), "{recording}");
}

#[test]
fn a_daemon_that_was_killed_offers_its_run_and_goes_on_with_it() {
    let (_folder, study) = bench(60);
    let daemon = Daemon::serve(&[&study]);
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    events.until_taken(4);
    let old = daemon.study("harbour")["version"].as_u64().unwrap();
    daemon.running.signal(Signal::KILL);
    while events.next().is_some() {}
    let shown = taken(&events.heard);
    drop(daemon);
    assert!(replayed(&study).run.ledger().readings.len() >= shown, "what was shown is recorded");

    let daemon = Daemon::serve(&[&study]);
    assert!(daemon.study("harbour")["version"].as_u64().unwrap() > old, "no old page is taken for a new one");
    let mut events = Events::follow(&daemon, "harbour");
    assert!(region(&events.next().unwrap(), "before").contains("was cut off"));
    let reply = daemon.order("harbour", "take-up", json!({}));
    assert_eq!(reply.status, 200, "{}", reply.text());
    events.until_over();
    assert_eq!(replayed(&study).run.ledger().sittings.len(), 2);
    verify(&study);
    let none = daemon.order("harbour", "take-up", json!({}));
    assert_eq!((none.status, none.json()["code"].as_str()), (409, Some("not-now")), "{}", none.text());
}

#[test]
fn two_studies_go_on_at_once_each_with_its_own_meter() {
    let folder = tempfile::tempdir().unwrap();
    let studies = ["harbour", "slip way"].map(|name| study(folder.path(), name, 40));
    let daemon = Daemon::serve(&[&studies[0], &studies[1]]);
    let list = daemon.get_page("/");
    for slug in ["harbour", "slip-way"] {
        assert!(list.text().contains(&format!("/s/{slug}/")), "{}", list.text());
    }
    let mut pages = ["harbour", "slip-way"].map(|slug| Events::follow(&daemon, slug));
    daemon.begin("harbour");
    daemon.begin("slip-way");
    // The first is under way still when the second has begun.
    assert_eq!(daemon.study("harbour")["phase"], "running");
    for (page, study) in pages.iter_mut().zip(&studies) {
        page.until_over();
        assert_eq!(taken(&page.heard), WHOLE);
        verify(study);
    }
}

#[test]
fn a_stopped_daemon_leaves_its_recording_whole_and_says_so_to_the_service_manager() {
    let (folder, study) = bench(60);
    let socket = folder.path().join("notify");
    let manager = UnixDatagram::bind(&socket).unwrap();
    manager.set_read_timeout(Some(PATIENCE)).unwrap();
    let notified = || {
        let mut text = [0; 200];
        let n = manager.recv(&mut text).unwrap();
        String::from_utf8_lossy(&text[..n]).trim().to_owned()
    };
    let mut command = halfpanel();
    command
        .arg("serve")
        .arg(&study)
        .args(["--listen", "127.0.0.1:0", "--log-json"])
        .env("NOTIFY_SOCKET", &socket);
    let daemon = Daemon::start(&mut command);
    assert_eq!(notified(), "READY=1");
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    events.until_taken(3);
    daemon.running.signal(Signal::TERM);
    while events.next().is_some() {}
    assert_eq!(notified(), "STOPPING=1");
    let (status, _, log) = daemon.running.end();
    assert_eq!(status.code(), Some(0), "{log}");
    for line in log.lines() {
        let entry: Value = serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"));
        assert!(entry["timestamp"].is_string() && entry["level"].is_string(), "{line}");
    }
    let replayed = replayed(&study);
    assert!(replayed.tail.torn.is_empty() && !replayed.has_end);
    assert!(replayed.run.ledger().readings.len() >= 3);
    verify(&study);
}

#[test]
fn clients_that_never_read_hold_nothing_up_and_cost_little() {
    const DEAF: usize = 20;
    const WORDS: usize = 300;
    let (_folder, study, mut meter) = bench_on_a_line();
    let daemon = Daemon::serve(&[&study]);
    let deaf: Vec<TcpStream> = (0..DEAF)
        .map(|_| {
            let mut stream = TcpStream::connect(&daemon.at).unwrap();
            let head = format!("GET /s/harbour/events HTTP/1.1\r\nHost: {}\r\n\r\n", daemon.at);
            stream.write_all(head.as_bytes()).unwrap();
            // It is there; from here on it listens no more.
            stream.read_exact(&mut [0; 12]).unwrap();
            stream
        })
        .collect();
    let before = memory_kib(daemon.running.pid());
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    until_up(&mut events, 1);
    for _ in 0..WORDS {
        assert_eq!(daemon.say("harbour", "adjusted").status, 422);
    }
    (1..=WHOLE).for_each(|placement| press(&mut meter, &mut events, placement));
    let state = events.until_over();
    let grown = memory_kib(daemon.running.pid()).saturating_sub(before);
    println!(
        "{DEAF} deaf clients over {WORDS} changes: {grown} KiB more; the last state has {} bytes",
        state.to_string().len()
    );
    assert!(grown < 16 * 1024, "{grown} KiB more");
    verify(&study);
    drop(deaf);
}

/// Memory of a process that is its own, KiB.
fn memory_kib(pid: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("RssAnon:")).unwrap();
    line.trim().trim_end_matches(" kB").parse().unwrap()
}

#[test]
fn a_meter_that_was_unplugged_comes_back_into_the_same_run() {
    let (_folder, study, mut meter) = bench_on_a_line();
    let daemon = Daemon::serve(&[&study]);
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    until_up(&mut events, 1);
    (1..=4).for_each(|placement| press(&mut meter, &mut events, placement));
    meter.unplug();
    let lost = events.until(|_, heard| heard.iter().any(|(_, sound)| sound == "lost"));
    assert!(region(&lost, "status").contains("line is down"), "{}", region(&lost, "status"));
    assert_eq!(daemon.study("harbour")["link_up"], false);
    meter.plug_in();
    until_up(&mut events, 2);
    (5..=WHOLE).for_each(|placement| press(&mut meter, &mut events, placement));
    events.until_over();
    assert_eq!(daemon.counted("halfpanel_reconnects_total", "harbour") as usize, 1);
    assert_eq!(rows(&study.join("results/results.csv"))[0]["status"], "proven");
    verify(&study);
}

#[test]
fn a_start_that_fails_says_what_to_do_and_is_no_end_of_the_daemon() {
    let (folder, study) = bench(250);
    let port = folder.path().join("nowhere");
    fs::write(study.join("study.toml"), STUDY.replace("sim:meter.toml", port.to_str().unwrap())).unwrap();
    let daemon = Daemon::serve(&[&study]);
    let mut events = Events::follow(&daemon, "harbour");
    let failed = daemon.order("harbour", "start", json!({}));
    assert_eq!((failed.status, failed.json()["code"].as_str()), (422, Some("failed")), "{}", failed.text());
    assert!(failed.json()["title"].as_str().unwrap().contains("there is no port"), "{}", failed.text());
    assert!(!failed.json()["detail"].as_str().unwrap().is_empty());
    let stuck = events.until(|state, _| region(state, "before").contains("There is no port"));
    assert!(!region(&stuck, "start").is_empty(), "it can be tried again");
    let unknown = daemon.order("harbour", "start", json!({ "panel": ["P9"] }));
    assert!(unknown.text().contains("no panel `P9`"), "{}", unknown.text());
    // A study that was mended meanwhile is read anew; its meter is slow enough for what is asked meanwhile.
    fs::write(study.join("study.toml"), STUDY).unwrap();
    daemon.begin("harbour");
    let busy = daemon.order("harbour", "start", json!({}));
    assert_eq!((busy.status, busy.json()["code"].as_str()), (409, Some("not-now")), "{}", busy.text());
    let elsewhere = output([Path::new("run"), &study, Path::new("--json")]);
    assert_eq!(elsewhere.code, Some(2), "the study is held by the daemon while a run goes on");
    assert!(elsewhere.stderr.contains("halfpanel serve"), "{}", elsewhere.stderr);
    events.until_over();
    verify(&study);
}
