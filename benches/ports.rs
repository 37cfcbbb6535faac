//! What many meters in one process cost beside the least that they could cost: 32 pseudo-terminals at the
//! full rate of 115200 baud at once, each with a link, a recorder and a run of its own, in one runtime.
//!
//! `cargo bench --bench ports`; behind `--` the number of rounds (3). Linux only.
//!
//! This bench is started again as three children, which take turns:
//!
//! - the meters, which write what is due on every line each 16 ms or each 1 ms, and never wait: bytes that a
//!   line does not take when they are due count as lost (and are sent all the same, so that the rest can be
//!   compared);
//! - the sessions, each spawned as it is driven by `halfpanel run`, with nobody to tell its readings to;
//! - the floor, which has a thread for each port that reads, appends to a file and syncs after each read.
//!
//! Compared is the CPU time, user and system, from the moment at which every port is open until the last
//! byte is synced (and, of the sessions, taken as a reading). Every byte in every file is compared with what
//! was sent.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "a bench")]

mod common;

use common::{Board, hardwareless, median, status_kib};
use halfpanel::meter::shipped;
use halfpanel::run::record::{Body, Scanner};
use halfpanel::run::{Notice, Run};
use halfpanel::session::clock::Clock;
use halfpanel::session::engine::{Command as Ask, Session, Told};
use halfpanel::session::link::{Link, LinkSettings};
use halfpanel::session::recorder::{self, Recorder};
use halfpanel::store::RealDisk;
use rustix::fd::OwnedFd;
use rustix::pty::OpenptFlags;
use rustix::termios::OptionalActions;
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

const PORTS: usize = 32;
/// 115200 baud, ten bits to a character.
const BYTES_PER_S: usize = 11_520;
const SECONDS: usize = 5;
/// Bytes that each meter sends.
const TOTAL: usize = BYTES_PER_S * SECONDS;
/// Bytes in each of its lines.
const LINE: usize = 20;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["--meters", chunk_us] => return meters(Duration::from_micros(chunk_us.parse().unwrap())),
        ["--sessions", folder, ports @ ..] => return sessions(Path::new(folder), ports),
        ["--floor", folder, ports @ ..] => return floor(Path::new(folder), ports),
        _ => {}
    }
    let rounds = words.iter().find_map(|word| word.parse().ok()).unwrap_or(3);
    let mut board = Board::default();
    for chunk_ms in [16, 1] {
        compare(chunk_ms, rounds, &mut board);
    }
    board.print();
}

fn compare(chunk_ms: u64, rounds: usize, board: &mut Board) {
    let (mut ratios, mut ours, mut floors) = (vec![], vec![], vec![]);
    let (mut each_ours, mut each_floor, mut peaks) = (vec![], vec![], vec![]);
    let (mut lost, mut wrong) = (0, 0);
    let mut writes = vec![];
    for round in 0..rounds {
        let session = measure("--sessions", chunk_ms);
        let floor = measure("--floor", chunk_ms);
        println!("every {chunk_ms} ms, round {round}: sessions {session:?}\n  floor {floor:?}");
        ratios.push(session.cpu_s / floor.cpu_s);
        ours.push(session.cpu_s);
        floors.push(floor.cpu_s);
        each_ours.push(session.cpu_s * 1e6 / session.syncs as f64);
        each_floor.push(floor.cpu_s * 1e6 / floor.syncs as f64);
        peaks.push(session.peak_kib as f64 / 1024.0);
        writes.push(session.writes as f64);
        lost += session.lost;
        wrong += session.wrong_files;
        assert_eq!(floor.wrong_files, 0, "the floor itself lost bytes");
    }
    board.put(&format!("{PORTS} ports, every {chunk_ms} ms: CPU"), median(&mut ratios), "x", Some(1.5));
    board.put("  sessions: CPU", median(&mut ours), "s", None);
    board.put("  floor: CPU", median(&mut floors), "s", None);
    board.put("  sessions: CPU a sync", median(&mut each_ours), "us", None);
    board.put("  floor: CPU a sync", median(&mut each_floor), "us", None);
    board.put("  sessions: writes of the meters", median(&mut writes), "", None);
    board.put("  sessions: peak memory", median(&mut peaks), "MiB", None);
    board.put("  sessions: bytes that a line did not take in time", lost as f64, "B", Some(0.0));
    board.put("  sessions: recordings that differ from what was sent", wrong as f64, "", Some(0.0));
}

/// One turn of one reader.
#[derive(Debug)]
struct Turn {
    cpu_s: f64,
    peak_kib: u64,
    syncs: usize,
    /// How many writes the meters made; fewer than planned if they were held up.
    writes: usize,
    lost: usize,
    wrong_files: usize,
}

fn measure(reader: &str, chunk_ms: u64) -> Turn {
    let folder = tempfile::tempdir().unwrap();
    let chunk_us = (chunk_ms * 1000).to_string();
    let (mut meters, mut played) = again(&["--meters", &chunk_us]);
    let ports: Vec<String> = (0..PORTS).map(|_| line(&mut played)).collect();
    let mut arguments = vec![reader, folder.path().to_str().unwrap()];
    arguments.extend(ports.iter().map(String::as_str));
    let (mut child, mut said) = again(&arguments);
    assert_eq!(line(&mut said), "ready");
    let mut go = meters.stdin.take().unwrap();
    writeln!(go, "go").unwrap();
    let [writes, lost] = numbers(&line(&mut played));
    let [cpu_ns, peak_kib] = numbers(&line(&mut said));
    // Only now: a line that is hung up loses what has not been read.
    drop(go);
    assert!(child.wait().unwrap().success() && meters.wait().unwrap().success());
    let held =
        |port| if reader == "--floor" { raw(folder.path(), port) } else { recorded(folder.path(), port) };
    let mut turn = Turn {
        cpu_s: cpu_ns as f64 / 1e9,
        peak_kib: peak_kib as u64,
        syncs: 0,
        writes,
        lost,
        wrong_files: 0,
    };
    for port in 0..PORTS {
        let (bytes, syncs) = held(port);
        turn.wrong_files += usize::from(bytes != stream(port));
        turn.syncs += syncs;
    }
    turn
}

/// What a meter sends: lines of the shipped profile `semicolon-numbered`, three for the tile first, and
/// values on the zones that no other meter has.
fn stream(port: usize) -> Vec<u8> {
    let mut text = String::with_capacity(TOTAL);
    for k in 0..TOTAL / LINE {
        let tenths = if k < 3 { 924 } else { 300 + 10 * port + k % 10 };
        text.push_str(&format!("{:04};60;{}.{};GU;OK\r\n", k % 9999 + 1, tenths / 10, tenths % 10));
    }
    text.into_bytes()
}

/// The meters. Says their ports, waits for a line, sends, says how many writes it made and how many bytes
/// were lost, and hangs up once its standard input is closed.
fn meters(chunk: Duration) {
    let ends: Vec<OwnedFd> = (0..PORTS).map(|_| meter_end()).collect();
    let streams: Vec<Vec<u8>> = (0..PORTS).map(stream).collect();
    let mut stdin = std::io::stdin().lock();
    stdin.read_line(&mut String::new()).unwrap();
    let (mut sent, mut told_lost) = ([0; PORTS], [0; PORTS]);
    let (mut writes, mut lost) = (0, 0);
    let started = Instant::now();
    for tick in 1.. {
        std::thread::sleep((chunk * tick).saturating_sub(started.elapsed()));
        let due = TOTAL.min((started.elapsed().as_secs_f64() * BYTES_PER_S as f64) as usize);
        for (port, end) in ends.iter().enumerate() {
            if sent[port] < due {
                sent[port] += rustix::io::write(end, &streams[port][sent[port]..due]).unwrap_or(0);
                writes += 1;
                lost += due - sent[port].max(told_lost[port]);
                told_lost[port] = due;
            }
        }
        if sent.iter().all(|&sent| sent == TOTAL) {
            break;
        }
    }
    println!("{writes} {lost}");
    stdin.read_to_end(&mut Vec::new()).unwrap();
}

/// The meter's end of a new pseudo-terminal, raw; its writes never wait.
fn meter_end() -> OwnedFd {
    let end = rustix::pty::openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    rustix::pty::grantpt(&end).unwrap();
    rustix::pty::unlockpt(&end).unwrap();
    let mut settings = rustix::termios::tcgetattr(&end).unwrap();
    settings.make_raw();
    rustix::termios::tcsetattr(&end, OptionalActions::Now, &settings).unwrap();
    rustix::io::ioctl_fionbio(&end, true).unwrap();
    println!("{}", rustix::pty::ptsname(&end, Vec::new()).unwrap().into_string().unwrap());
    end
}

/// The least that does the same.
fn floor(folder: &Path, ports: &[&str]) {
    let open = |(number, port): (usize, &&str)| {
        let file = File::options().create_new(true).append(true).open(folder.join(format!("{number}.raw")));
        (File::open(port).unwrap(), file.unwrap())
    };
    let files: Vec<(File, File)> = ports.iter().enumerate().map(open).collect();
    let before_ns = ready();
    let readers: Vec<_> =
        files.into_iter().map(|(port, file)| std::thread::spawn(|| copy_synced(port, file))).collect();
    let syncs: Vec<usize> = readers.into_iter().map(|reader| reader.join().unwrap()).collect();
    done(before_ns);
    for (number, syncs) in syncs.iter().enumerate() {
        std::fs::write(folder.join(format!("{number}.syncs")), syncs.to_string()).unwrap();
    }
}

fn copy_synced(mut port: File, mut file: File) -> usize {
    let (mut chunk, mut total, mut syncs) = (vec![0; 64 * 1024], 0, 0);
    while total < TOTAL {
        let n = port.read(&mut chunk).unwrap();
        assert!(n > 0, "the line was hung up");
        file.write_all(&chunk[..n]).unwrap();
        file.sync_data().unwrap();
        total += n;
        syncs += 1;
    }
    syncs
}

/// Every meter with a session of its own, in one runtime such as the program has.
fn sessions(folder: &Path, ports: &[&str]) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let mut sessions = Vec::new();
        for (number, port) in ports.iter().enumerate() {
            sessions.push(session(&recording(folder, number), port).await);
        }
        let (up, mut ups) = mpsc::unbounded_channel();
        let tasks: Vec<_> = sessions.into_iter().map(|it| tokio::spawn(drive(it, up.clone()))).collect();
        for _ in ports {
            ups.recv().await.unwrap();
        }
        let before_ns = ready();
        for task in tasks {
            task.await.unwrap();
        }
        done(before_ns);
    });
}

async fn session(recording: &Path, port: &str) -> Session {
    let mut setup = hardwareless::setup(5);
    setup.profile = shipped::text("semicolon-numbered").unwrap().to_owned();
    setup.procedure.readings_per_zone = 10_000;
    let head = hardwareless::head(setup);
    let run = Run::open(&head).unwrap();
    let recorder = recorder::spawn(Recorder::create(&RealDisk, recording, head).unwrap()).unwrap();
    let settings = LinkSettings { baud: 115_200, ..LinkSettings::new(port) };
    let link = Link::open(settings, None).await.unwrap();
    let clock = Clock::real();
    Session { run, link, recorder, clock, base_us: 0, pending: Vec::new(), moments: None }
}

/// Until every line has become a reading.
async fn drive(session: Session, up: mpsc::UnboundedSender<()>) {
    let (commands, waiting) = mpsc::unbounded_channel();
    let told = move |told: &Told<'_>, run: &Run, _| match told {
        Told::Notice(Notice::Link { up: true, .. }) => up.send(()).unwrap(),
        Told::Settled if run.ledger().readings.len() == TOTAL / LINE => {
            let _ = commands.send(Ask::Stop);
        }
        _ => {}
    };
    session.drive(waiting, told).await.unwrap();
}

/// Says that every port is open, and gives the CPU time of this process so far, ns.
fn ready() -> u64 {
    println!("ready");
    own_cpu_ns()
}

fn done(before_ns: u64) {
    let cpu_ns = own_cpu_ns() - before_ns;
    println!("{cpu_ns} {}", status_kib(std::process::id(), "VmHWM:").unwrap());
}

fn own_cpu_ns() -> u64 {
    let used = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    used.tv_sec as u64 * 1_000_000_000 + used.tv_nsec as u64
}

fn recording(folder: &Path, number: usize) -> PathBuf {
    folder.join(format!("{number}.rec"))
}

/// What the floor has of a port, and after how many syncs.
fn raw(folder: &Path, number: usize) -> (Vec<u8>, usize) {
    let syncs = std::fs::read_to_string(folder.join(format!("{number}.syncs"))).unwrap();
    (std::fs::read(folder.join(format!("{number}.raw"))).unwrap(), syncs.parse().unwrap())
}

/// What a recording has of a port, and in how many sync groups.
fn recorded(folder: &Path, number: usize) -> (Vec<u8>, usize) {
    let file = BufReader::new(File::open(recording(folder, number)).unwrap());
    let mut scanner = Scanner::new("recording", file);
    let (mut bytes, mut groups, mut last) = (Vec::new(), 0, 0);
    while let Some(record) = scanner.next_record().unwrap() {
        groups += usize::from(record.group != last);
        last = record.group;
        if let Body::Bytes(more) = record.body {
            bytes.extend_from_slice(&more);
        }
    }
    (bytes, groups)
}

fn again(arguments: &[&str]) -> (Child, BufReader<ChildStdout>) {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let out = BufReader::new(child.stdout.take().unwrap());
    (child, out)
}

fn line(out: &mut impl BufRead) -> String {
    let mut line = String::new();
    assert!(out.read_line(&mut line).unwrap() > 0, "a child of this bench ended early");
    line.trim_end().to_owned()
}

fn numbers(line: &str) -> [usize; 2] {
    let mut words = line.split(' ').map(|word| word.parse().unwrap());
    [words.next().unwrap(), words.next().unwrap()]
}
