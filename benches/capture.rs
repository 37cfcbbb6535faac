//! What capture costs beside the least that it could cost: lines over a pseudo-terminal, recorded and
//! synced by `halfpanel run --json` and, in turn, by a program that does nothing else.
//!
//! `HALFPANEL_FLOOR=DIR cargo bench --bench capture`, where DIR holds two programs:
//!
//! - `feeder --ports 1 --file RAW (--rate LINES/S | --burst) [--seconds S] [--log FILE]` plays the meter. It
//!   prints the port's name, waits for a line on standard input, writes the lines of RAW over and over, logs
//!   each write's CLOCK_MONOTONIC in ns, and prints how many bytes were sent and lost.
//! - `floorlog --sync DIR PORT` reads the port and appends what comes to a file, with a sync after each read.
//!
//! Behind `--` may stand the number of rounds (3) and the parts to measure: `delays`, `burst`, `flood`.
//! Without the two programs nothing is measured, and the bench says so.
//!
//! Compared are
//!
//! - the delay from the meter's write to the moment at which another process learns that the line is on the
//!   disk: for `halfpanel` the arrival of the reading's JSON event, for the floor the arrival of a line that
//!   a twin of `floorlog` within this bench prints after each sync;
//! - the CPU time, user and system, that a burst of a million lines costs `halfpanel` until its last event is
//!   out, and `floorlog` until the port hangs up;
//! - the bytes in the recording with those that were sent.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "a bench")]

mod common;

use common::{Board, HALFPANEL, cpu_s, median, quantile};
use halfpanel::run::record::{Body, Scanner};
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::Duration;

/// Lines until the numbers of the shipped profile start again.
const NUMBERS: usize = 9999;
const BURST_LINES: usize = 1_000_000;
const FLOOD: [&str; 4] = ["--rate", "50000", "--seconds", "5"];

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    if let [_, word, out, port] = arguments.as_slice()
        && word == "--twin"
    {
        return twin(Path::new(out), Path::new(port));
    }
    let Some(floor) = std::env::var_os("HALFPANEL_FLOOR").map(PathBuf::from) else {
        println!(
            "SKIPPED: HALFPANEL_FLOOR names no folder with `feeder` and `floorlog`; nothing was measured"
        );
        return;
    };
    let rounds = arguments.iter().find_map(|a| a.parse().ok()).unwrap_or(3);
    let scratch = tempfile::tempdir().unwrap();
    let bench = Bench { floor, scratch: scratch.path().to_owned() };
    let mut board = Board::default();
    let parts = ["delays", "burst", "flood"];
    let named = |part: &str| arguments.iter().any(|a| a == part);
    let is_wanted = |part: &str| named(part) || !parts.iter().any(|part| named(part));
    if is_wanted("delays") {
        bench.delays(10, 20, rounds, &mut board);
        bench.delays(1000, 5, rounds, &mut board);
    }
    if is_wanted("burst") {
        bench.burst(rounds, &mut board);
    }
    if is_wanted("flood") {
        bench.flood(rounds, &mut board);
    }
    board.print();
}

/// As `floorlog --sync`, and prints how many bytes are on the disk after each sync.
fn twin(out: &Path, port: &Path) {
    let mut port = File::open(port).unwrap();
    let mut file = File::options().create(true).append(true).open(out).unwrap();
    let mut stdout = std::io::stdout().lock();
    writeln!(stdout, "ready").unwrap();
    let (mut chunk, mut total) = (vec![0; 64 * 1024], 0);
    while let Ok(n @ 1..) = port.read(&mut chunk) {
        file.write_all(&chunk[..n]).unwrap();
        file.sync_data().unwrap();
        total += n;
        writeln!(stdout, "{total}").unwrap();
    }
}

struct Bench {
    floor: PathBuf,
    scratch: PathBuf,
}

/// The playing meter, waiting to begin.
struct Feeder {
    child: Child,
    out: BufReader<ChildStdout>,
    port: String,
}

/// What the feeder says at its end.
struct Fed {
    sent: usize,
    lost: usize,
}

impl Bench {
    /// Lines of the shipped profile `semicolon-numbered`: three for the tile come first, and zones and tile
    /// read alike, since only the first check is ever made.
    fn lines(&self, count: usize) -> PathBuf {
        let path = self.scratch.join(format!("{count}.raw"));
        let mut text = String::new();
        for k in 0..count {
            text.push_str(&format!("{:04};60;92.{};GU;OK\r\n", k % NUMBERS + 1, 4 + k % 2));
        }
        std::fs::write(&path, text).unwrap();
        path
    }

    fn feeder(&self, lines: &Path, arguments: &[&str]) -> Feeder {
        let mut child = Command::new(self.floor.join("feeder"))
            .args(["--ports", "1", "--file"])
            .arg(lines)
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("HALFPANEL_FLOOR has a program `feeder`");
        let mut out = BufReader::new(child.stdout.take().unwrap());
        let mut port = String::new();
        out.read_line(&mut port).unwrap();
        Feeder { child, out, port: port.trim().to_owned() }
    }

    /// A study whose zones never get full, and `halfpanel run --json` on it.
    fn halfpanel(&self, port: &str) -> (Child, BufReader<ChildStdout>, PathBuf) {
        let study = self.scratch.join("study");
        if study.exists() {
            std::fs::remove_dir_all(&study).unwrap();
        }
        common::write_study(&study);
        let mut child = Command::new(HALFPANEL)
            .arg("run")
            .arg(&study)
            .args(["--json", "--port", port])
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut out = BufReader::with_capacity(1 << 20, child.stdout.take().unwrap());
        wait_for(&mut out, "\"event\":\"link\"");
        (child, out, study)
    }

    fn delays(&self, rate: u32, seconds: u32, rounds: usize, board: &mut Board) {
        let lines = self.lines(NUMBERS);
        let (mut halves, mut tails, mut excess) = (vec![], vec![], vec![]);
        let (mut ours_half, mut floor_half, mut ours_tail, mut floor_tail) = (vec![], vec![], vec![], vec![]);
        for round in 0..rounds {
            let mut ours = self.our_delays(&lines, rate, seconds);
            let mut floor = self.twin_delays(&lines, rate, seconds);
            let (half, floor_median) = (median(&mut ours), median(&mut floor));
            let (tail, floor_p99) = (quantile(&mut ours, 0.99), quantile(&mut floor, 0.99));
            println!(
                "{rate} lines/s, round {round}: {} lines, median {half:.0} us against {floor_median:.0}, p99 \
                 {tail:.0} us against {floor_p99:.0}",
                ours.len()
            );
            halves.push(half / floor_median);
            tails.push(tail / floor_p99);
            excess.push((tail - floor_p99) / 1e3);
            ours_half.push(half);
            floor_half.push(floor_median);
            ours_tail.push(tail);
            floor_tail.push(floor_p99);
        }
        let what = |text: &str| format!("{rate} lines/s, write to synced and told: {text}");
        board.put(&what("median"), median(&mut halves), "x", Some(1.5));
        board.put("  median: ours", median(&mut ours_half), "us", None);
        board.put("  median: floor", median(&mut floor_half), "us", None);
        board.put(&what("p99"), median(&mut tails), "x", Some(2.0));
        board.put(&what("p99 beyond"), median(&mut excess), "ms", Some(1.0));
        board.put("  p99: ours", median(&mut ours_tail), "us", None);
        board.put("  p99: floor", median(&mut floor_tail), "us", None);
    }

    fn our_delays(&self, lines: &Path, rate: u32, seconds: u32) -> Vec<f64> {
        let (feeder, log) = self.paced(lines, rate, seconds);
        let (child, out, _) = self.halfpanel(&feeder.port);
        let wanted = (rate * seconds) as usize;
        let arrivals = std::thread::spawn(move || {
            let mut arrivals = Vec::new();
            for line in out.lines() {
                let now = monotonic_ns();
                if line.unwrap().starts_with("{\"event\":\"reading\"") {
                    arrivals.push(now);
                }
                if arrivals.len() == wanted {
                    break;
                }
            }
            arrivals
        });
        let fed = feeder.go();
        assert_eq!(fed.lost, 0, "the feeder lost bytes at {rate} lines/s");
        let arrivals = arrivals.join().unwrap();
        stop(child);
        let written = stamps(&log);
        assert_eq!(arrivals.len(), written.len(), "every line becomes one reading");
        arrivals.iter().zip(&written).map(|(told, written)| (told - written) as f64 / 1e3).collect()
    }

    fn twin_delays(&self, lines: &Path, rate: u32, seconds: u32) -> Vec<f64> {
        let (feeder, log) = self.paced(lines, rate, seconds);
        let out = self.scratch.join("twin.raw");
        let _ = std::fs::remove_file(&out);
        let mut child = Command::new(std::env::current_exe().unwrap())
            .arg("--twin")
            .args([out.as_os_str(), feeder.port.as_ref()])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut told = BufReader::new(child.stdout.take().unwrap());
        wait_for(&mut told, "ready");
        let arrivals = std::thread::spawn(move || {
            let of_line = |line: std::io::Result<String>| {
                let now = monotonic_ns();
                (line.unwrap().parse::<usize>().unwrap(), now)
            };
            told.lines().map(of_line).collect::<Vec<_>>()
        });
        let fed = feeder.go();
        assert_eq!(fed.lost, 0, "the feeder lost bytes at {rate} lines/s");
        let arrivals = arrivals.join().unwrap();
        child.wait().unwrap();
        let written = stamps(&log);
        // Every line is of one length, so the bytes on the disk tell which lines are.
        let length = fed.sent / written.len();
        let told_at = |line: usize| {
            let at = arrivals.partition_point(|&(bytes, _)| bytes < (line + 1) * length);
            arrivals[at].1
        };
        written.iter().enumerate().map(|(line, written)| (told_at(line) - written) as f64 / 1e3).collect()
    }

    fn paced(&self, lines: &Path, rate: u32, seconds: u32) -> (Feeder, PathBuf) {
        let log = self.scratch.join("written.log");
        let (rate, seconds) = (rate.to_string(), seconds.to_string());
        let arguments = ["--rate", &rate, "--seconds", &seconds, "--log", log.to_str().unwrap()];
        (self.feeder(lines, &arguments), log)
    }

    fn burst(&self, rounds: usize, board: &mut Board) {
        let lines = self.lines(BURST_LINES);
        let (mut ratios, mut ours, mut floors) = (vec![], vec![], vec![]);
        for round in 0..rounds {
            let our_cpu = self.our_burst(&lines);
            let floor_cpu = self.floor_burst(&lines);
            println!("burst, round {round}: {our_cpu:.2} s of CPU against {floor_cpu:.2}");
            ratios.push(our_cpu / floor_cpu);
            ours.push(our_cpu);
            floors.push(floor_cpu);
        }
        board.put("a burst of a million lines, CPU beside the floor", median(&mut ratios), "x", Some(3.0));
        board.put("  burst: ours", median(&mut ours), "s", None);
        board.put("  burst: floor", median(&mut floors), "s", None);
    }

    fn our_burst(&self, lines: &Path) -> f64 {
        let feeder = self.feeder(lines, &["--burst"]);
        let (child, out, study) = self.halfpanel(&feeder.port);
        let pid = child.id();
        let before_s = cpu_s(pid);
        let counting = std::thread::spawn(move || count_readings(out, BURST_LINES, pid));
        let fed = feeder.go();
        let after_s = counting.join().unwrap();
        stop(child);
        assert_eq!(recorded(&study), std::fs::read(lines).unwrap(), "the recording holds what was sent");
        assert_eq!(fed.lost, 0);
        after_s - before_s
    }

    fn floor_burst(&self, lines: &Path) -> f64 {
        let feeder = self.feeder(lines, &["--burst"]);
        let child = self.floor(&feeder.port);
        let since = std::time::Instant::now();
        feeder.go();
        common::wait_measured(child, since).cpu_s
    }

    fn floor(&self, port: &str) -> Child {
        let out = self.scratch.join("floor");
        let _ = std::fs::remove_dir_all(&out);
        let child = Command::new(self.floor.join("floorlog"))
            .arg("--sync")
            .args([out.as_os_str(), port.as_ref()])
            .spawn()
            .expect("HALFPANEL_FLOOR has a program `floorlog`");
        // It says nothing when it is ready.
        std::thread::sleep(Duration::from_millis(200));
        child
    }

    /// 50,000 lines a second from a feeder that never waits: whatever is not taken in time is lost. On a
    /// machine that is busy otherwise the floor loses bytes too, so it takes its turn here as well.
    fn flood(&self, rounds: usize, board: &mut Board) {
        let lines = self.lines(NUMBERS);
        let (mut most_lost, mut floor_lost, mut differs) = (0, 0, 0);
        for round in 0..rounds {
            let (fed, kept) = self.our_flood(&lines);
            let whole = std::fs::read(&lines).unwrap();
            let missing = fed.sent.saturating_sub(kept.len());
            // What was lost on the way leaves gaps, so only a whole flood can be held against its source.
            if fed.lost == 0 && !whole.iter().cycle().take(fed.sent).eq(kept.iter()) {
                differs += 1;
            }
            let feeder = self.feeder(&lines, &FLOOD);
            let floor = self.floor(&feeder.port);
            let by_floor = feeder.go();
            common::wait_measured(floor, std::time::Instant::now());
            println!(
                "flood, round {round}: {} bytes sent, {} lost before halfpanel, {missing} sent and not recorded; \
                 {} lost before the floor",
                fed.sent, fed.lost, by_floor.lost
            );
            most_lost = most_lost.max(fed.lost + missing);
            floor_lost = floor_lost.max(by_floor.lost);
        }
        board.put("50,000 lines/s for 5 s, bytes lost (worst round)", most_lost as f64, "B", Some(0.0));
        board.put("  flood: bytes lost before the floor (worst round)", floor_lost as f64, "B", None);
        board.put("  flood: recordings that differ from what was sent", f64::from(differs), "", Some(0.0));
    }

    fn our_flood(&self, lines: &Path) -> (Fed, Vec<u8>) {
        let feeder = self.feeder(lines, &FLOOD);
        let (child, mut out, study) = self.halfpanel(&feeder.port);
        let reading = std::thread::spawn(move || std::io::copy(&mut out, &mut std::io::sink()).unwrap());
        let fed = feeder.go();
        // The feeder ends once its line is empty, and stopping waits for what is queued.
        stop(child);
        reading.join().unwrap();
        (fed, recorded(&study))
    }
}

impl Feeder {
    /// Lets it begin, and waits for its end.
    fn go(mut self) -> Fed {
        self.child.stdin.take().unwrap().write_all(b"go\n").unwrap();
        let mut last = String::new();
        self.out.read_to_string(&mut last).unwrap();
        self.child.wait().unwrap();
        let said: serde_json::Value = serde_json::from_str(last.trim()).unwrap();
        let number = |key: &str| said[key].as_u64().unwrap() as usize;
        Fed { sent: number("sent"), lost: number("lost") }
    }
}

fn wait_for(out: &mut impl BufRead, part: &str) {
    let mut line = String::new();
    while out.read_line(&mut line).unwrap() > 0 {
        if line.contains(part) {
            return;
        }
        line.clear();
    }
    panic!("the program ended before it said {part}");
}

/// Reads events until so many readings were told; the CPU time that the process has then used.
fn count_readings(mut out: BufReader<ChildStdout>, wanted: usize, pid: u32) -> f64 {
    let (mut readings, mut line) = (0, Vec::new());
    while readings < wanted {
        line.clear();
        assert!(out.read_until(b'\n', &mut line).unwrap() > 0, "it ended after {readings} readings");
        readings += usize::from(line.starts_with(b"{\"event\":\"reading\""));
    }
    let cpu = cpu_s(pid);
    // What it says from here on must not make it wait.
    std::thread::spawn(move || std::io::copy(&mut out, &mut std::io::sink()));
    cpu
}

/// Stops `halfpanel run`, which then writes its tables.
fn stop(mut child: Child) {
    rustix::process::kill_process(rustix::process::Pid::from_child(&child), rustix::process::Signal::TERM)
        .unwrap();
    child.wait().unwrap();
}

/// All bytes of the one recording of a study.
fn recorded(study: &Path) -> Vec<u8> {
    let recording = std::fs::read_dir(study.join("recordings")).unwrap().next().unwrap().unwrap().path();
    let mut scanner = Scanner::new("recording", BufReader::new(File::open(recording).unwrap()));
    let mut bytes = Vec::new();
    while let Some(record) = scanner.next_record().unwrap() {
        if let Body::Bytes(more) = record.body {
            bytes.extend_from_slice(&more);
        }
    }
    bytes
}

fn stamps(log: &Path) -> Vec<u64> {
    std::fs::read_to_string(log).unwrap().lines().map(|line| line.parse().unwrap()).collect()
}

/// The clock that the feeder logs.
fn monotonic_ns() -> u64 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    now.tv_sec as u64 * 1_000_000_000 + now.tv_nsec as u64
}
