//! The real daemon over real sockets, met by what a hostile browser, a stranger on the network or a broken client sends.
//!
//! `HALFPANEL_BAD_REQUESTS` sets how many broken requests are sent, `HALFPANEL_SEED` which.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "gate/bad_requests.rs"]
mod bad_requests;
#[path = "common/process.rs"]
mod process;
#[path = "common/raw_http.rs"]
mod raw_http;
#[path = "gate/sitting.rs"]
mod sitting;

use bad_requests::Bad;
use raw_http::Answer;
use raw_http::Daemon;
use raw_http::Events;
use raw_http::connect;
use raw_http::exchange;
use rustix::process::Signal;
use sitting::Sitting;
use sitting::study;
use std::collections::BTreeMap;
use std::io::Read;
use std::io::Write;
use std::sync::atomic::AtomicBool;
use std::sync::atomic::Ordering;

const FORM: &str = "application/x-www-form-urlencoded";
const JSON: &str = "application/json";

/// A daemon that nobody has paired with, and its two codes.
fn on_a_lan(study: &std::path::Path) -> (Daemon, String, String) {
    let mut daemon = Daemon::serve(study, &["--lan"]);
    let mut code = |words: &str| {
        let line = daemon.says(words);
        line.split_whitespace().next().unwrap().to_owned()
    };
    let (operator, viewer) = (code("to lead a run"), code("to look only"));
    (daemon, operator, viewer)
}

/// The header that brings the cookie of a browser that paired with `code`.
fn paired(daemon: &Daemon, code: &str) -> String {
    let answer = daemon.post("/pair", FORM, &format!("code={code}"), "");
    assert_eq!(answer.status, 303, "{answer:?}");
    let cookie = answer.header("set-cookie").unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
    format!("Cookie: {}\r\n", cookie.split(';').next().unwrap())
}

fn expect(answer: &Answer, status: u16, words: &str) {
    assert_eq!(answer.status, status, "{answer:?}");
    assert!(answer.body.contains(words), "{words} is missing: {answer:?}");
    let policy = answer.header("content-security-policy").unwrap();
    assert!(policy.starts_with("default-src 'none'"), "{answer:?}");
    assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
}

#[test]
fn it_does_not_listen_to_others_unless_told() {
    let (folder, _line) = study();
    let path = folder.path().to_str().unwrap();
    let refused = process::output(["serve", path, "--listen", "0.0.0.0:0"]);
    assert_eq!(refused.code, Some(2), "{refused:?}");
    assert!(refused.stderr.contains("--lan"), "{refused:?}");
}

#[test]
fn another_sites_page_can_neither_see_nor_do_anything() {
    let (folder, _line) = study();
    let daemon = Daemon::serve(folder.path(), &[]);
    let at = daemon.at;
    let bench = sitting::bench(&daemon);
    let rebound = format!("GET {bench} HTTP/1.1\r\nHost: rebound.example\r\nConnection: close\r\n\r\n");
    expect(&daemon.ask(&rebound), 421, "not called rebound.example");
    let absolute = format!("GET http://{at}{bench} HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n");
    expect(&daemon.ask(&absolute), 400, "whole address");
    let twice = format!("GET / HTTP/1.1\r\nHost: {at}\r\nHost: rebound.example\r\nConnection: close\r\n\r\n");
    expect(&daemon.ask(&twice), 400, "one Host header");

    let version = Events::listen(at, &format!("{bench}events"), "").next().unwrap()["version"].clone();
    let start = format!("{{\"version\":{version}}}");
    for foreign in ["Origin: http://elsewhere.example", "Origin: null", "Sec-Fetch-Site: cross-site"] {
        let path = format!("{bench}start");
        let length = start.len();
        let post = format!(
            "POST {path} HTTP/1.1\r\nHost: {at}\r\n{foreign}\r\nContent-Type: {JSON}\r\n\
             Content-Length: {length}\r\nConnection: close\r\n\r\n{start}"
        );
        expect(&daemon.ask(&post), 403, "another site");
        let listening = daemon.get(&format!("{bench}events"), &format!("{foreign}\r\n"));
        expect(&listening, 403, "another site");
    }
    // The same from the daemon's own page does start a run, so that it was the sender that was refused.
    let own = daemon.post(&format!("{bench}start"), JSON, &start, "Sec-Fetch-Site: same-origin\r\n");
    assert_eq!(own.status, 200, "{own:?}");
}

#[test]
fn on_a_lan_who_has_not_paired_sees_nothing_and_who_looks_cannot_act() {
    let (folder, _line) = study();
    let (daemon, operator, viewer) = on_a_lan(folder.path());
    let answer = daemon.get("/", "");
    expect(&answer, 401, "not paired");
    assert_eq!(daemon.get("/", "Accept: text/html\r\n").header("location"), Some("/pair"));
    let foreign = format!("Cookie: halfpanel-{}={}\r\n", daemon.at.port(), "0".repeat(64));
    for path in ["/", "/openapi.json", "/s/none/", "/s/none/events", "/s/none/tables/results.csv"] {
        assert_eq!(daemon.get(path, "").status, 401, "{path}");
        assert_eq!(daemon.get(path, &foreign).status, 401, "{path}");
    }
    expect(&daemon.get("/pair?code=%22%3E%3Cscript%3E", ""), 200, "&lt;script&gt;");

    let looks = paired(&daemon, &viewer);
    let bench = sitting::bench_as(&daemon, &looks);
    let mut events = Events::listen(daemon.at, &format!("{bench}events"), &looks);
    let start = format!("{{\"version\":{}}}", events.next().unwrap()["version"]);
    let path = format!("{bench}start");
    expect(&daemon.post(&path, JSON, &start, &looks), 403, "look only");
    expect(&daemon.post(&path, JSON, &start, ""), 401, "not paired");
    // A lower-case code without its hyphen, as somebody types it.
    let acts = paired(&daemon, &operator.replace('-', "").to_lowercase());
    assert_eq!(daemon.post(&path, JSON, &start, &acts).status, 200);
}

#[test]
fn guessing_codes_is_locked_and_said_in_words() {
    let (folder, _line) = study();
    let (daemon, operator, _) = on_a_lan(folder.path());
    let inside = paired(&daemon, &operator);
    for n in 0..5 {
        let guess = format!("code=GUESS{n:03}");
        expect(&daemon.post("/pair", FORM, &guess, ""), 403, "not one of the codes");
    }
    let mut answers = BTreeMap::new();
    for n in 0..200 {
        let guess = daemon.post("/pair", FORM, &format!("code=GUESS{n:03}"), "");
        *answers.entry(guess.status).or_insert(0) += 1;
    }
    assert_eq!(answers, BTreeMap::from([(429, 200)]));
    let right = daemon.post("/pair", FORM, &format!("code={operator}"), "");
    expect(&right, 429, "no code is looked at");
    assert!(right.header("retry-after").unwrap().parse::<u64>().unwrap() <= 60);
    assert!(right.header("set-cookie").is_none());
    assert_eq!(daemon.get("/openapi.json", &inside).status, 200, "who is in stays in");
}

#[test]
fn no_way_of_writing_a_path_leads_out_of_the_study() {
    let (folder, _line) = study();
    let daemon = Daemon::serve(folder.path(), &[]);
    let bench = sitting::bench(&daemon);
    let up = ["..", "%2e%2e", ".%2e", "%252e%252e", "..%00", "%c0%ae%c0%ae", "%u002e%u002e", "....", "..;"];
    let slash = ["/", "%2f", "%252f", "\\", "%5c", "%255c", "//"];
    for folder in ["tables", "recordings", "runs"] {
        for (up, slash) in up.iter().flat_map(|up| slash.iter().map(move |slash| (up, slash))) {
            for target in ["study.toml", &format!("{up}{slash}{up}{slash}{up}{slash}etc{slash}passwd")] {
                let answer = daemon.get(&format!("{bench}{folder}/{up}{slash}{target}"), "");
                assert!((400..500).contains(&answer.status), "{up}{slash}{target}: {answer:?}");
                assert!(!answer.body.contains("[meter]") && !answer.body.contains("root:"), "{answer:?}");
            }
        }
    }
    assert_eq!(daemon.get(&format!("{bench}tables/%2fetc%2fpasswd"), "").status, 400);
    for asset in ["/assets/../Cargo.toml", "/assets/%2e%2e/Cargo.toml", "/assets//etc/passwd"] {
        assert!((400..500).contains(&daemon.get(asset, "").status), "{asset}");
    }
}

#[test]
fn heads_and_bodies_beyond_their_bounds_are_refused_and_at_them_are_not() {
    let (folder, _line) = study();
    let daemon = Daemon::serve(folder.path(), &[]);
    let bench = sitting::bench(&daemon);
    assert_eq!(daemon.get("/health", &format!("X-Long: {}\r\n", "x".repeat(8_000))).status, 200);
    assert_eq!(daemon.get("/health", &format!("X-Long: {}\r\n", "x".repeat(40_000))).status, 431);
    assert_eq!(daemon.get("/health", &"X-Many: 1\r\n".repeat(100)).status, 431);
    assert!((400..500).contains(&daemon.get(&format!("/{}", "x".repeat(70_000)), "").status));

    let word = format!("{bench}word");
    let long = "x".repeat(65_537);
    expect(&daemon.post(&word, JSON, &long, ""), 413, "65536 bytes");
    let taken = daemon.post(&word, JSON, &long[1..], "").status;
    assert!(taken != 413 && (400..500).contains(&taken), "at the bound it is read, and is no word: {taken}");
    // A length that is only claimed is refused without waiting for it.
    let claimed = format!(
        "POST {word} HTTP/1.1\r\nHost: {}\r\nContent-Type: {JSON}\r\nContent-Length: 99999999999\r\n\r\n",
        daemon.at
    );
    expect(&daemon.ask(&claimed), 413, "65536 bytes");
    let piece = format!("4000\r\n{}\r\n", "x".repeat(0x4000));
    let chunked = format!(
        "POST {word} HTTP/1.1\r\nHost: {}\r\nContent-Type: {JSON}\r\nTransfer-Encoding: chunked\r\n\r\n{}0\r\n\r\n",
        daemon.at,
        piece.repeat(5)
    );
    expect(&daemon.ask(&chunked), 413, "65536 bytes");
}

#[test]
fn clients_that_send_or_read_too_slowly_are_dropped() {
    let (folder, _line) = study();
    let daemon = Daemon::serve(folder.path(), &[]);
    let at = daemon.at;
    let starts: [&[u8]; 4] =
        [b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: ", b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n"];
    std::thread::scope(|scope| {
        for start in starts {
            scope.spawn(move || {
                let mut stream = connect(at);
                stream.write_all(start).unwrap();
                // Ends once the daemon closes: after an answer, if there was one, nothing more was asked.
                let read = stream.read_to_end(&mut Vec::new());
                assert!(read.is_ok(), "not dropped: {start:?}");
            });
        }
        scope.spawn(move || {
            let head = format!("POST /pair HTTP/1.1\r\nHost: {at}\r\nContent-Length: 10\r\n\r\nhalf");
            let answer = exchange(at, head.as_bytes()).unwrap();
            expect(&answer, 408, "within 10 seconds");
        });
        scope.spawn(move || {
            // Asks again and again and never reads: once nothing more fits, the daemon gives it up.
            let mut stream = connect(at);
            let request = format!("GET /openapi.json HTTP/1.1\r\nHost: {at}\r\n\r\n");
            let error = loop {
                if let Err(error) = stream.write_all(request.as_bytes()) {
                    break error;
                }
            };
            use std::io::ErrorKind::BrokenPipe;
            use std::io::ErrorKind::ConnectionReset;
            assert!(matches!(error.kind(), BrokenPipe | ConnectionReset), "not dropped: {error}");
        });
    });
    assert_eq!(daemon.get("/health", "").status, 200);
}

#[test]
fn whoever_finds_no_seat_is_told_so_and_there_is_one_again() {
    let (folder, _line) = study();
    let daemon = Daemon::serve(folder.path(), &[]);
    let mut seated: Vec<_> = (0..512).map(|_| connect(daemon.at)).collect();
    // Served in turn, so that all are seated once the last of them is.
    let head = format!("GET /health HTTP/1.1\r\nHost: {}\r\n\r\n", daemon.at);
    seated[511].write_all(head.as_bytes()).unwrap();
    let mut first = [0; 12];
    seated[511].read_exact(&mut first).unwrap();
    assert_eq!(&first, b"HTTP/1.1 200");
    let mut turned_away = String::new();
    connect(daemon.at).read_to_string(&mut turned_away).unwrap();
    assert!(turned_away.starts_with("HTTP/1.1 429") && turned_away.contains("Close some"), "{turned_away}");
    drop(seated);
    // The daemon sees them leave one by one.
    while exchange(daemon.at, head.as_bytes()).is_none_or(|answer| answer.status == 429) {}
}

#[test]
fn a_run_loses_nothing_while_ten_thousand_broken_requests_come_in() {
    let number = |name: &str, usual: u64| std::env::var(name).map_or(usual, |text| text.parse().unwrap());
    let (count, seed) = (number("HALFPANEL_BAD_REQUESTS", 10_000), number("HALFPANEL_SEED", 1));
    let (folder, line) = study();
    let daemon = Daemon::serve(folder.path(), &[]);
    let at = daemon.at;
    let bench = sitting::bench(&daemon);
    let mut sitting = Sitting::begin(&daemon, &bench, folder.path());
    let is_over = AtomicBool::new(false);
    let answers = std::thread::scope(|scope| {
        let senders: Vec<_> = (0..4)
            .map(|sender| {
                let mut bad = Bad::new(seed * 4 + sender, at, &bench);
                scope.spawn(move || (0..count / 4).map(|_| bad.send()).fold(BTreeMap::new(), counted))
            })
            .collect();
        let reading = scope.spawn(|| {
            while !is_over.load(Ordering::Relaxed) && sitting.can_go_on() {
                sitting.press(&line);
            }
        });
        let answers = senders.into_iter().map(|sender| sender.join().unwrap());
        let answers: BTreeMap<u16, u64> = answers.flatten().fold(BTreeMap::new(), |mut all, (status, n)| {
            *all.entry(status).or_insert(0) += n;
            all
        });
        is_over.store(true, Ordering::Relaxed);
        reading.join().unwrap();
        answers
    });
    let again = format!("again: HALFPANEL_SEED={seed} HALFPANEL_BAD_REQUESTS={count} cargo test --test gate");
    eprintln!("answers by status (0: closed without one): {answers:?}");
    assert!(answers.keys().all(|status| *status < 500), "{answers:?}; {again}");
    assert!(answers.len() >= 8, "many ways to be refused: {answers:?}");
    while sitting.can_go_on() {
        sitting.press(&line);
    }
    sitting.holds(folder.path());
    assert_eq!(daemon.get("/health", "").status, 200, "{again}");
    if let Some(peak_kib) = daemon.peak_kib() {
        eprintln!("most resident memory: {:.1} MiB", peak_kib as f64 / 1024.0);
        assert!(peak_kib < 64 * 1024, "{peak_kib} KiB; {again}");
    }
    daemon.running.signal(Signal::TERM);
    let (status, _, errors) = daemon.running.end();
    assert_eq!(status.code(), Some(0), "{errors}");
    assert!(!errors.contains("panicked"), "{errors}; {again}");
}

fn counted(mut answers: BTreeMap<u16, u64>, status: u16) -> BTreeMap<u16, u64> {
    *answers.entry(status).or_insert(0) += 1;
    answers
}
