//! The daemon with more on its hands than a workshop has: two hundred pages, clients that never read and clients that
//! send garbage, while a run goes on. The run loses nothing, and the daemon stays small.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common {
    pub mod bench_page;
    pub mod browser;
    pub mod process;
}

use common::bench_page::GLOSS;
use common::bench_page::Study;
use common::process::PATIENCE;
use common::process::output;
use common::process::rows;
use rand::RngExt;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use serde_json::Value;
use serde_json::json;
use std::io::BufRead;
use std::io::BufReader;
use std::io::Read;
use std::io::Write;
use std::net::TcpStream;
use std::sync::atomic::AtomicBool;
use std::sync::atomic::AtomicUsize;
use std::sync::atomic::Ordering;
use std::sync::mpsc;

const PAGES: usize = 200;
const DEAF: usize = 8;
const GARBLING: usize = 4;
/// Bad requests that are answered before the run's last press.
const BAD: usize = 10_000;
/// Placements on each zone.
const REPEATS: usize = 12;
/// What all of them together may cost the daemon, KiB.
const MOST_KIB: u64 = 32 * 1024;

#[test]
fn a_run_beside_two_hundred_pages_deaf_clients_and_garbage_loses_nothing_and_the_daemon_stays_small() {
    let (study, button) = Study::on_a_line();
    study.edit("tile_readings = 2", &format!("tile_readings = 2\nreadings_per_zone = {REPEATS}"));
    let daemon = study.serve("127.0.0.1:0");
    let (pid, at) = (daemon.running.pid(), daemon.at());
    let alone = status_kib(pid, "VmRSS:");
    let pages: Vec<Page> = (0..PAGES).map(|_| Page::open(&at)).collect();
    let deaf: Vec<TcpStream> = (0..DEAF).map(|_| events(&at)).collect();
    let mut pressing = Page::open(&at);
    begin(&at, &mut pressing);
    let (is_over, answered, failed) = (AtomicBool::new(false), AtomicUsize::new(0), AtomicUsize::new(0));
    let (tell, told) = mpsc::channel();
    let pages = std::thread::scope(|scope| {
        for seed in 0..GARBLING {
            let (is_over, answered, failed, at, tell) = (&is_over, &answered, &failed, &at, tell.clone());
            scope.spawn(move || {
                let mut random = ChaCha8Rng::seed_from_u64(seed as u64);
                while !is_over.load(Ordering::Relaxed) {
                    if let Some(status) = garbage(at, &mut random) {
                        answered.fetch_add(1, Ordering::Relaxed);
                        failed.fetch_add(usize::from(status >= 500), Ordering::Relaxed);
                        // Whoever pressed last listens no more.
                        let _ = tell.send(());
                    }
                }
            });
        }
        let watching: Vec<_> =
            pages.into_iter().map(|mut page| scope.spawn(move || page.until_over())).collect();
        // The meter is pressed as soon as the page has shown the press before, so that every state is sent to all.
        let mut pressed = 0;
        while let Some(gu) = pressing.wanted() {
            if pressed + 1 == 2 + GLOSS.len() * REPEATS + 2 {
                (0..BAD).for_each(|_| told.recv_timeout(PATIENCE).expect("bad requests go on"));
            }
            button.press(gu);
            pressed += 1;
            pressing.until_placement(pressed);
        }
        assert_eq!(pressed, 2 + GLOSS.len() * REPEATS + 2);
        let seen: Vec<u64> = watching.into_iter().map(|page| page.join().unwrap()).collect();
        is_over.store(true, Ordering::Relaxed);
        seen
    });
    let peak = status_kib(pid, "VmHWM:");
    println!(
        "{PAGES} pages, {DEAF} deaf clients, {} bad requests: {alone} KiB alone, {} KiB now, {peak} KiB at most",
        answered.load(Ordering::Relaxed),
        status_kib(pid, "VmRSS:")
    );
    assert!(pages.iter().all(|&states| states > 0), "every page saw the end");
    assert_eq!(failed.load(Ordering::Relaxed), 0, "answers of 500 and above");
    assert!(answered.load(Ordering::Relaxed) >= BAD, "too little garbage");
    assert!(peak - alone < MOST_KIB, "{peak} KiB, {alone} KiB without them");
    let readings = rows(&study.path().join("results/readings.csv"));
    assert_eq!(readings.len(), 2 + GLOSS.len() * REPEATS + 2);
    assert!(readings.iter().all(|row| row["status"] == "proven"));
    for (zone, gu) in GLOSS {
        let of_zone: Vec<_> = readings.iter().filter(|row| row["zone"] == zone).collect();
        assert_eq!(of_zone.len(), REPEATS, "{zone}");
        assert!(of_zone.iter().all(|row| row["gloss_gu"].parse() == Ok(gu)), "{zone}: {of_zone:?}");
    }
    let verified = output(["verify".as_ref(), study.path().as_os_str()]);
    assert_eq!(verified.code, Some(0), "{verified:?}");
    drop((deaf, daemon));
}

/// A figure of a process, KiB.
fn status_kib(pid: u32, key: &str) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix(key)).unwrap();
    line.trim().trim_end_matches(" kB").parse().unwrap()
}

/// An event stream from which nothing is read but that it is there.
fn events(at: &str) -> TcpStream {
    let mut stream = TcpStream::connect(at).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    write!(stream, "GET /s/harbour/events HTTP/1.1\r\nHost: {at}\r\n\r\n").unwrap();
    stream.read_exact(&mut [0; 12]).unwrap();
    stream
}

/// A page that follows the run.
struct Page {
    lines: std::io::Lines<BufReader<TcpStream>>,
    state: Value,
    states: u64,
}

impl Page {
    fn open(at: &str) -> Page {
        let mut page = Page { lines: BufReader::new(events(at)).lines(), state: Value::Null, states: 0 };
        page.next();
        page
    }

    /// The next state; the sizes of pieces stand between the lines, and are passed over.
    fn next(&mut self) {
        loop {
            let line = self.lines.next().expect("the stream goes on").unwrap();
            if let Some(data) = line.strip_prefix("data: ")
                && let Ok(state) = serde_json::from_str::<Value>(data)
                // A sign of life is no state.
                && state["regions"].is_object()
            {
                self.state = state;
                self.states += 1;
                return;
            }
        }
    }

    fn region(&self, id: &str) -> &str {
        self.state["regions"][id].as_str().unwrap()
    }

    /// What stands behind the first `before` of a region, up to the next `after`.
    fn between(&self, id: &str, before: &str, after: char) -> Option<&str> {
        self.region(id).split_once(before)?.1.split(after).next()
    }

    /// What the meter reads where this page wants it; nothing once the run is over.
    fn wanted(&self) -> Option<f64> {
        match self.between("now", "data-kind=\"", '"')? {
            "tile" => Some(92.4),
            "zone" => {
                let zone = self.between("now", "class=\"short\">", '<')?;
                GLOSS.iter().find(|(name, _)| *name == zone).map(|(_, gu)| *gu)
            }
            _ => None,
        }
    }

    fn is_over(&self) -> bool {
        self.region("tables").contains("results.csv")
    }

    fn until_placement(&mut self, number: usize) {
        let shown = |page: &Page| page.between("value", "data-placement=\"", '"')?.parse::<usize>().ok();
        while !self.is_over() && shown(self).is_none_or(|shown| shown < number) {
            self.next();
        }
    }

    /// How many states came until the run was over.
    fn until_over(&mut self) -> u64 {
        while !self.is_over() {
            self.next();
        }
        self.states
    }
}

/// Begins the run, and waits until its meter is there.
fn begin(at: &str, page: &mut Page) {
    let body = json!({ "version": page.state["version"] }).to_string();
    let status = send(at, "POST", "/s/harbour/start", "application/json", body.as_bytes());
    assert_eq!(status, Some(200));
    while !page.region("status").contains("line is up") {
        page.next();
    }
}

/// The status of the answer; nothing if the line was cut.
fn send(at: &str, method: &str, path: &str, media_type: &str, body: &[u8]) -> Option<u16> {
    let mut stream = TcpStream::connect(at).ok()?;
    stream.set_read_timeout(Some(PATIENCE)).ok()?;
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: {at}\r\nAccept: application/json\r\nConnection: close\r\n\
         Content-Type: {media_type}\r\nContent-Length: {}\r\n\r\n",
        body.len()
    );
    // What is refused while it is sent cannot be sent to its end.
    let _ = stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(body));
    let mut line = Vec::new();
    BufReader::new(stream).read_until(b'\n', &mut line).ok()?;
    std::str::from_utf8(&line).ok()?.split(' ').nth(1)?.parse().ok()
}

/// A request that means nothing, in one of many ways. None of them is followed.
fn garbage(at: &str, random: &mut ChaCha8Rng) -> Option<u16> {
    let orders = ["word", "start", "take-up", "stop", "events", "tables/results.csv", ""];
    let path = format!("/s/harbour/{}", orders[random.random_range(0..orders.len())]);
    let kinds =
        ["application/json", "application/x-www-form-urlencoded", "text/plain", "multipart/form-data"];
    let kind = kinds[random.random_range(0..kinds.len())];
    let body: Vec<u8> = match random.random_range(0..4) {
        0 => (0..random.random_range(0..4096)).map(|_| random.random()).collect(),
        1 => b"{\"version\":0,\"word\":\"undo\"}".to_vec(),
        2 => vec![b'['; random.random_range(1..60_000)],
        _ => {
            format!("version=18446744073709551616&word={}", "u".repeat(random.random_range(0..60_000))).into()
        }
    };
    send(at, "POST", &path, kind, &body)
}
