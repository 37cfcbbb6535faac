//! Those who were let in only to look, or not at all, and what they might try: every order there is, other people's
//! cookies, requests within requests, links in place of files, and time.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;
#[path = "common/raw_http.rs"]
mod raw_http;

use process::STUDY;
use process::SURFACES;
use raw_http::Answer;
use raw_http::Daemon;
use raw_http::connect;
use raw_http::exchange;
use serde_json::Value;
use std::fs;
use std::io::ErrorKind;
use std::io::Read;
use std::io::Write;
use std::net::SocketAddr;
use std::net::TcpStream;
use std::path::Path;
use std::path::PathBuf;
use std::time::Duration;
use std::time::Instant;
use tempfile::TempDir;

const FORM: &str = "application/x-www-form-urlencoded";
const JSON: &str = "application/json";

/// A study whose simulated meter is never pressed by itself within the time of a test.
fn study() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let study = folder.path().join("harbour");
    fs::create_dir(&study).unwrap();
    fs::write(study.join("study.toml"), STUDY).unwrap();
    let layout =
        "seed = 1\npace_s = 3600.0\nbetween_presses_s = 3600.0\n[layout]\nline = \"{geometry}\\t{gloss}\"\n";
    fs::write(study.join("meter.toml"), format!("{layout}{SURFACES}")).unwrap();
    (folder, study)
}

/// A daemon that lets others in, and its codes: to act, to look.
fn on_a_lan(study: &Path) -> (Daemon, [String; 2]) {
    let mut daemon = Daemon::serve(study, &["--lan"]);
    let codes = ["to lead a run", "to look only"].map(|words| {
        let line = daemon.says(words);
        line.split_whitespace().next().unwrap().to_owned()
    });
    (daemon, codes)
}

/// The header of a browser that has just paired, having brought `before`.
fn paired(daemon: &Daemon, code: &str, before: &str) -> String {
    let answer = daemon.post("/pair", FORM, &format!("code={code}"), before);
    let given = answer.header("set-cookie").unwrap_or_else(|| panic!("{answer:?}"));
    format!("Cookie: {}\r\n", given.split(';').next().unwrap())
}

fn code_of(answer: &Answer) -> String {
    let problem: Value = serde_json::from_str(&answer.body).unwrap_or_else(|_| panic!("{answer:?}"));
    problem["code"].as_str().unwrap_or_default().to_owned()
}

/// What the description names: method and path, with names of this study put in.
fn routes(daemon: &Daemon, cookie: &str) -> Vec<(String, String)> {
    let described: Value = serde_json::from_str(&daemon.get("/openapi.json", cookie).body).unwrap();
    let paths = described["paths"].as_object().unwrap();
    let each = paths.iter().flat_map(|(path, item)| {
        let path = path
            .replace("{slug}", "harbour")
            .replace("{file}", "results.csv")
            .replace("{run}", "2026-01-01-01")
            .replace("{name}", "none.css");
        assert!(!path.contains('{'), "{path}: what stands for it here?");
        item.as_object().unwrap().keys().map(move |method| (method.to_uppercase(), path.clone()))
    });
    each.collect()
}

#[test]
fn every_order_there_is_asks_for_the_right_role_and_the_right_page() {
    let (_folder, study) = study();
    let (daemon, [acts, looks]) = on_a_lan(&study);
    let (operator, viewer) = (paired(&daemon, &acts, ""), paired(&daemon, &looks, ""));
    let orders: Vec<String> = routes(&daemon, &viewer)
        .into_iter()
        .filter(|(method, path)| method == "POST" && path != "/pair")
        .map(|(_, path)| path)
        .collect();
    assert!(orders.len() >= 7, "{orders:?}");
    for path in &orders {
        for (kind, body) in
            [(JSON, "{\"version\":1,\"seen\":0}"), (FORM, "version=1&seen=0"), ("text/plain", "")]
        {
            let refused = daemon.post(path, kind, body, &viewer);
            assert_eq!((refused.status, code_of(&refused).as_str()), (403, "look-only"), "{path} {kind}");
            let stranger = daemon.post(path, kind, body, "");
            assert_eq!((stranger.status, code_of(&stranger).as_str()), (401, "not-paired"), "{path} {kind}");
            let at = daemon.at;
            for from in ["Origin: http://elsewhere.example", "Origin: null", "Sec-Fetch-Site: same-site"] {
                let foreign = daemon.ask(&format!(
                    "POST {path} HTTP/1.1\r\nHost: {at}\r\n{from}\r\n{operator}Content-Type: {kind}\r\n\
                     Content-Length: {}\r\nConnection: close\r\n\r\n{body}",
                    body.len()
                ));
                assert_eq!(
                    (foreign.status, code_of(&foreign).as_str()),
                    (403, "foreign-page"),
                    "{path} {from}"
                );
            }
        }
        // Whoever may act is heard: what they said was wrong in another way.
        let heard = daemon.post(path, JSON, "{\"version\":1,\"seen\":0}", &operator);
        assert!([409, 422].contains(&heard.status), "{path}: {heard:?}");
    }
    assert!(!study.join("observations.csv").exists(), "nothing was noted");
    assert!(!study.join("recordings").exists(), "nothing was begun");
}

#[test]
fn nothing_that_is_described_is_shown_to_who_has_not_paired() {
    let (_folder, study) = study();
    let (daemon, [_, looks]) = on_a_lan(&study);
    let viewer = paired(&daemon, &looks, "");
    let shown: Vec<String> = routes(&daemon, &viewer)
        .into_iter()
        .filter(|(method, _)| method == "GET")
        .map(|(_, path)| path)
        .collect();
    assert!(shown.len() >= 12, "{shown:?}");
    for path in &shown {
        // These are for whoever pairs, and for whoever looks after the daemon on its own machine.
        let is_open =
            path == "/pair" || path.starts_with("/assets/") || path == "/health" || path == "/metrics";
        for method in ["GET", "HEAD"] {
            let asked = format!("{method} {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n", daemon.at);
            let stranger = daemon.ask(&format!("{asked}\r\n")).status;
            assert_eq!(stranger == 401, !is_open, "{method} {path}: {stranger}");
            if !path.ends_with("/events") || method == "HEAD" {
                // A stream ends for nobody but who only asks for its head.
                let seen = daemon.ask(&format!("{asked}{viewer}\r\n")).status;
                assert!([200, 303, 404].contains(&seen), "{method} {path}: {seen}");
            }
        }
    }
}

#[test]
fn a_cookie_is_good_for_its_own_daemon_and_role_and_for_nothing_once_it_is_given_up() {
    let (_folder, study) = study();
    let (daemon, [acts, looks]) = on_a_lan(&study);
    let (other, [_, other_looks]) = on_a_lan(&study);
    let viewer = paired(&daemon, &looks, "");
    let token = viewer.trim().rsplit_once('=').unwrap().1.to_owned();
    let status = |cookie: &str| daemon.get("/openapi.json", &format!("Cookie: {cookie}\r\n")).status;
    let name = format!("halfpanel-{}", daemon.at.port());
    assert_eq!(status(&format!("{name}={token}")), 200);
    let elsewhere = paired(&other, &other_looks, "");
    let elsewhere = elsewhere.trim().rsplit_once('=').unwrap().1;
    for wrong in [
        format!("{name}={elsewhere}"),
        format!("halfpanel-{}={token}", other.at.port()),
        format!("{name}={}", token.to_uppercase().replace(['A', 'B', 'C', 'D', 'E', 'F'], "0")),
        format!("{name}=\"{token}\""),
        format!("{name}={token}0"),
        format!("{name} = {token}"),
        format!("{name}={looks}"),
        format!("{name}=operator"),
    ] {
        assert_eq!(status(&wrong), 401, "{wrong}");
    }
    // Beside it others may set what they like under the same name: it takes nothing away and gives nothing.
    let tossed = format!("Cookie: {name}={}; {name}={token}; role=operator\r\n", "0".repeat(64));
    assert_eq!(daemon.get("/openapi.json", &tossed).status, 200);
    assert_eq!(daemon.post("/s/harbour/stop", JSON, "{\"version\":1}", &tossed).status, 403);
    // The viewer who types the other code acts from then on, by a new cookie; the old one is worth nothing.
    let operator = paired(&daemon, &acts, &viewer);
    assert_ne!(operator, viewer);
    assert_eq!(daemon.post("/s/harbour/stop", JSON, "{\"version\":1}", &operator).status, 409);
    assert_eq!(daemon.get("/openapi.json", &viewer).status, 401);
}

#[test]
fn another_sites_page_can_neither_pair_a_browser_nor_use_up_its_tries() {
    let (_folder, study) = study();
    let (daemon, [acts, _]) = on_a_lan(&study);
    let at = daemon.at;
    let pair = |from: &str, code: &str| {
        let body = format!("code={code}");
        daemon.ask(&format!(
            "POST /pair HTTP/1.1\r\nHost: {at}\r\n{from}\r\nContent-Type: {FORM}\r\nContent-Length: {}\r\n\
             Connection: close\r\n\r\n{body}",
            body.len()
        ))
    };
    for from in ["Origin: http://elsewhere.example", "Origin: null", "Sec-Fetch-Site: cross-site"] {
        let right = pair(from, &acts);
        assert_eq!((right.status, right.header("set-cookie")), (403, None), "{from}");
        for _ in 0..10 {
            assert_eq!(code_of(&pair(from, "AAAA-AAAA")), "foreign-page");
        }
    }
    let looked = daemon.get(&format!("/pair?code={acts}"), "");
    assert_eq!((looked.status, looked.header("set-cookie")), (200, None), "looking pairs nobody");
    assert_eq!(pair("Accept: */*", &acts).status, 303, "no try was used up");
}

#[test]
fn a_request_within_a_request_is_not_taken_for_one() {
    let (_folder, study) = study();
    let daemon = Daemon::serve(&study, &[]);
    let at = daemon.at;
    let health = || -> Value { serde_json::from_str(&daemon.get("/health", "").body).unwrap() };
    let version = health()["studies"][0]["version"].clone();
    let body = format!("{{\"version\":{version}}}");
    let order = format!(
        "POST /s/harbour/start HTTP/1.1\r\nHost: {at}\r\nContent-Type: {JSON}\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    );
    let n = order.len();
    let last = format!("GET /health HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n");
    for (how, outer) in [
        (
            "in the body of a look",
            format!("GET /health HTTP/1.1\r\nHost: {at}\r\nContent-Length: {n}\r\n\r\n{order}{last}"),
        ),
        (
            "in the body of an order that is refused",
            format!("POST /nothing HTTP/1.1\r\nHost: {at}\r\nContent-Length: {n}\r\n\r\n{order}{last}"),
        ),
        (
            "behind a length and pieces at once",
            format!(
                "POST /s/harbour/stop HTTP/1.1\r\nHost: {at}\r\nContent-Length: {}\r\nTransfer-Encoding: chunked\r\n\r\n\
                 0\r\n\r\n{order}",
                n + 5
            ),
        ),
        (
            "behind two lengths",
            format!(
                "POST /s/harbour/stop HTTP/1.1\r\nHost: {at}\r\nContent-Length: 0\r\nContent-Length: {n}\r\n\r\n{order}"
            ),
        ),
        (
            "behind another coding of pieces",
            format!(
                "POST /s/harbour/stop HTTP/1.1\r\nHost: {at}\r\nTransfer-Encoding: chunked, x\r\n\r\n0\r\n\r\n{order}"
            ),
        ),
    ] {
        let mut stream = connect(at);
        // Whoever is refused early may find the connection closed while still sending.
        let _ = stream.write_all(outer.as_bytes());
        let _ = stream.shutdown(std::net::Shutdown::Write);
        let mut said = Vec::new();
        let _ = stream.read_to_end(&mut said);
        let stands = health();
        assert_eq!(stands["studies"][0]["phase"], "idle", "{how}: {}", String::from_utf8_lossy(&said));
        assert_eq!(stands["studies"][0]["version"], version, "{how}");
    }
    // Requests one behind the other are answered one behind the other; the same order is followed then.
    let answers = exchange(at, format!("{order}{last}").as_bytes()).unwrap();
    assert!(answers.status == 200 && answers.body.contains("HTTP/1.1 200"), "{answers:?}");
    assert_eq!(health()["studies"][0]["phase"], "running");
}

#[test]
fn only_plain_files_are_handed_out() {
    let (folder, study) = study();
    let secret = folder.path().join("secret");
    fs::write(&secret, "of no concern to anybody").unwrap();
    for part in ["results", "recordings"] {
        fs::create_dir(study.join(part)).unwrap();
    }
    let link = |to: &Path, at: &str| std::os::unix::fs::symlink(to, study.join(at)).unwrap();
    link(&secret, "results/results.csv");
    link(&secret, "recordings/2026-01-01-01.rec");
    link(Path::new("/dev/zero"), "results/readings.csv");
    link(Path::new("/etc/passwd"), "results/datapackage.json");
    let pipe = study.join("results/zones.csv");
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    fs::create_dir(study.join("results/budget.csv")).unwrap();
    fs::write(study.join("results/tile-checks.csv"), "a plain file\n").unwrap();
    let daemon = Daemon::serve(&study, &[]);
    for path in [
        "tables/results.csv",
        "tables/readings.csv",
        "tables/datapackage.json",
        "tables/zones.csv",
        "tables/budget.csv",
        "recordings/2026-01-01-01.rec",
    ] {
        let answer = daemon.get(&format!("/s/harbour/{path}"), "");
        assert_eq!((answer.status, code_of(&answer).as_str()), (404, "not-found"), "{path}");
    }
    let plain = daemon.get("/s/harbour/tables/tile-checks.csv", "");
    assert_eq!((plain.status, plain.body.contains("a plain file")), (200, true));
}

/// Sends one byte after another until the daemon has enough; how long that took, and what it said.
#[expect(clippy::disallowed_methods, reason = "it measures how long a client is heard")]
fn dripping(at: SocketAddr, start: &str, drop: u8) -> (Duration, String) {
    let mut stream = connect(at);
    stream.write_all(start.as_bytes()).unwrap();
    // Here the slow client is what is tried: it waits for an answer half a second before each byte.
    stream.set_read_timeout(Some(Duration::from_millis(500))).unwrap();
    let (began, mut said) = (Instant::now(), Vec::new());
    loop {
        let mut bytes = [0; 4096];
        match stream.read(&mut bytes) {
            Ok(0) => break,
            Ok(n) => said.extend_from_slice(&bytes[..n]),
            Err(error) if error.kind() == ErrorKind::WouldBlock => {
                assert!(began.elapsed() < process::PATIENCE, "still heard: {start}");
                if stream.write_all(&[drop]).is_err() {
                    break;
                }
            }
            Err(_) => break,
        }
    }
    (began.elapsed(), String::from_utf8_lossy(&said).into_owned())
}

#[test]
fn whoever_sends_a_byte_now_and_then_is_heard_no_longer_than_others() {
    let (_folder, study) = study();
    let daemon = Daemon::serve(&study, &[]);
    let at = daemon.at;
    let head = format!("GET /health HTTP/1.1\r\nHost: {at}\r\nX-Slow: ");
    let body = format!("POST /s/harbour/word HTTP/1.1\r\nHost: {at}\r\nContent-Type: {JSON}\r\n");
    let whole = format!("{body}Content-Length: 1000\r\n\r\n");
    // A first piece of 1000 bytes that never comes whole.
    let pieces = format!("{body}Transfer-Encoding: chunked\r\n\r\n3e8\r\n");
    std::thread::scope(|scope| {
        for (start, answer) in [(head.as_str(), ""), (&whole, "HTTP/1.1 408"), (&pieces, "HTTP/1.1 408")] {
            scope.spawn(move || {
                let (took, said) = dripping(at, start, b'x');
                assert!(said.starts_with(answer), "{start}: {said}");
                assert!(took > Duration::from_secs(5) && took < Duration::from_secs(20), "{start}: {took:?}");
            });
        }
    });
    assert_eq!(daemon.get("/health", "").status, 200);
}

/// An event stream of whoever brings these headers, its first state read.
fn stream(daemon: &Daemon, headers: &str) -> TcpStream {
    let mut stream = connect(daemon.at);
    write!(stream, "GET /s/harbour/events HTTP/1.1\r\nHost: {}\r\n{headers}\r\n", daemon.at).unwrap();
    until(&mut stream, "\"version\":");
    stream
}

/// Reads on until these words have come.
fn until(stream: &mut TcpStream, words: &str) {
    let (mut said, mut bytes) = (String::new(), [0; 4096]);
    while !said.contains(words) {
        let n = stream.read(&mut bytes).unwrap();
        assert!(n > 0, "it ended before {words} came: {said}");
        said.push_str(&String::from_utf8_lossy(&bytes[..n]));
    }
}

/// Reads on to the end, which has to be one that was meant: the last piece of the answer (RFC 9112, 7.1), and no
/// line that was cut.
fn ends_well(mut stream: TcpStream, what: &str) {
    let mut rest = Vec::new();
    stream.read_to_end(&mut rest).unwrap_or_else(|error| panic!("{what}: {error}"));
    assert!(
        rest.ends_with(b"0\r\n\r\n"),
        "{what}: …{}",
        String::from_utf8_lossy(&rest[rest.len().saturating_sub(80)..])
    );
}

#[test]
fn an_event_stream_ends_with_the_pairing_that_opened_it() {
    let (_folder, study) = study();
    let (daemon, [acts, looks]) = on_a_lan(&study);
    let viewer = paired(&daemon, &looks, "");
    let (first, beside) = (stream(&daemon, &viewer), paired(&daemon, &looks, ""));
    let mut beside = stream(&daemon, &beside);
    let operator = paired(&daemon, &acts, &viewer);
    ends_well(first, "the viewer has become an operator");
    // One pairing after another, until the first operator has to make room.
    let pushed_out = stream(&daemon, &operator);
    let pairings: Vec<_> = (0..64).map(|_| paired(&daemon, &acts, "")).collect();
    let last = pairings.last().unwrap();
    ends_well(pushed_out, "64 others have paired");
    assert_eq!(daemon.get("/openapi.json", &operator).status, 401);
    // Others go on: what happens now comes to them.
    let answer = daemon.get("/health", last).body;
    let version = serde_json::from_str::<Value>(&answer).unwrap()["studies"][0]["version"].clone();
    assert_eq!(
        daemon.post("/s/harbour/start", JSON, &format!("{{\"version\":{version}}}"), last).status,
        200
    );
    until(&mut beside, "event: state");
}

#[test]
fn an_event_stream_ends_by_itself_when_the_daemon_stops() {
    let (_folder, study) = study();
    let daemon = Daemon::serve(&study, &[]);
    let streams: Vec<_> = (0..5).map(|_| stream(&daemon, "")).collect();
    daemon.running.signal(rustix::process::Signal::TERM);
    for stream in streams {
        ends_well(stream, "the daemon stops");
    }
    assert_eq!(daemon.running.end().0.code(), Some(0));
}
