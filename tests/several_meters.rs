//! Several meters in one process: a session each, spawned on one runtime, over real pseudo-terminals.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use halfpanel::run::record::{Body, Scanner};
use halfpanel::run::{Notice, Run, RunState, Status};
use halfpanel::session::clock::Clock;
use halfpanel::session::engine::{Command, Session, Stopped, Told};
use halfpanel::session::link::{Link, LinkSettings};
use halfpanel::session::pty::PtyHost;
use halfpanel::session::recorder::{self, Recorder, RecorderError};
use halfpanel::store::RealDisk;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

const METERS: usize = 8;
const ZONES_A_SIDE: usize = 4;
/// The one whose plug is pulled.
const UNLUCKY: usize = 3;
/// Lines that come before that: the opening check, and half of the zones.
const BEFORE: usize = 3 + ZONES_A_SIDE;

/// Far more than any of this takes; only a test that has failed waits so long.
const PATIENCE: Duration = Duration::from_secs(60);

async fn soon<T>(what: impl Future<Output = T>) -> T {
    tokio::time::timeout(PATIENCE, what).await.expect("nothing came for a minute")
}

/// What a session tells that the test waits for.
#[derive(Debug, PartialEq)]
enum Heard {
    Up,
    Down,
    /// So many readings were taken by now.
    Readings(usize),
}

/// A meter with its session.
struct Seat {
    host: PtyHost,
    recording: PathBuf,
    /// Everything the meter shows in the run, in order; no other meter has a zone like one of its own.
    shows: Vec<String>,
    heard: mpsc::UnboundedReceiver<Heard>,
    ending: JoinHandle<Result<(Stopped, Run), RecorderError>>,
    /// Held so that the session has somebody to listen to.
    _commands: mpsc::UnboundedSender<Command>,
}

impl Seat {
    async fn take(folder: &Path, number: usize) -> Seat {
        let mut host = PtyHost::open().unwrap();
        host.link_at(folder.join(format!("meter-{number}"))).unwrap();
        let recording = folder.join(format!("{number}.rec"));
        let session = session(&recording, host.path()).await;
        let (commands, waiting) = mpsc::unbounded_channel();
        let (hears, heard) = mpsc::unbounded_channel();
        let ending = tokio::spawn(session.drive(waiting, move |told, run, _| {
            let what = match told {
                Told::Notice(Notice::Link { up: true, .. }) => Heard::Up,
                Told::Notice(Notice::Link { up: false, .. }) => Heard::Down,
                Told::Notice(Notice::Taken { .. }) => Heard::Readings(run.ledger().readings.len()),
                _ => return,
            };
            let _ = hears.send(what);
        }));
        Seat { host, recording, shows: shows(number), heard, ending, _commands: commands }
    }

    async fn hear(&mut self, wanted: &Heard) {
        while soon(self.heard.recv()).await.expect("the session goes on") != *wanted {}
    }

    async fn send(&mut self, lines: std::ops::Range<usize>) {
        for line in &self.shows[lines] {
            soon(self.host.write_all(format!("{line}\r\n").as_bytes())).await.unwrap();
        }
    }

    /// The run ends, with the readings that this meter sent and no others.
    async fn end(self) -> Ended {
        let (stopped, run) = soon(self.ending).await.unwrap().unwrap();
        assert_eq!(stopped, Stopped::Over(RunState::Complete));
        let readings = &run.ledger().readings;
        let taken: Vec<String> = readings.iter().map(|reading| reading.gloss.to_string()).collect();
        assert_eq!(taken, self.shows);
        assert!(readings.iter().all(|reading| reading.status == Status::Proven));
        Ended::read(&self.recording)
    }
}

fn shows(number: usize) -> Vec<String> {
    let tile = || ["92.4", "92.5", "92.4"].map(str::to_owned);
    let zones = (0..2 * ZONES_A_SIDE).map(|zone| format!("{}.{zone}", 60 + number));
    tile().into_iter().chain(zones).chain(tile()).collect()
}

async fn session(recording: &Path, port: &Path) -> Session {
    let head = common::head(common::setup(ZONES_A_SIDE));
    let run = Run::open(&head).unwrap();
    let recorder = recorder::spawn(Recorder::create(&RealDisk, recording, head).unwrap()).unwrap();
    let settings = LinkSettings { baud: 115_200, ..LinkSettings::new(port.to_str().unwrap()) };
    let link = soon(Link::open(settings, None)).await.unwrap_or_else(|error| panic!("{error}"));
    let clock = Clock::real();
    Session { run, link, recorder, clock, base_us: 0, pending: Vec::new(), moments: None }
}

/// What a recording holds once its run is over.
struct Ended {
    bytes: Vec<u8>,
    /// Of each record of the link, whether it was up; a reason that changes while it is down has its own.
    links: Vec<bool>,
}

impl Ended {
    fn read(recording: &Path) -> Ended {
        let text = std::fs::read(recording).unwrap();
        let mut scanner = Scanner::new("recording", text.as_slice());
        let mut ended = Ended { bytes: Vec::new(), links: Vec::new() };
        while let Some(record) = scanner.next_record().unwrap() {
            match record.body {
                Body::Bytes(bytes) => ended.bytes.extend_from_slice(&bytes),
                Body::Link(link) => ended.links.push(link.up),
                _ => {}
            }
        }
        ended
    }
}

fn as_sent(lines: &[String]) -> Vec<u8> {
    lines.iter().flat_map(|line| format!("{line}\r\n").into_bytes()).collect()
}

/// Takes all seats, and returns once every link is up.
async fn sit_down(folder: &Path) -> Vec<Seat> {
    let mut seats = Vec::new();
    for number in 0..METERS {
        seats.push(Seat::take(folder, number).await);
    }
    for seat in &mut seats {
        seat.hear(&Heard::Up).await;
    }
    seats
}

/// All meters send these lines at once, each in a task of its own.
async fn all_send(seats: Vec<Seat>, lines: std::ops::Range<usize>) -> Vec<Seat> {
    let sending = seats.into_iter().map(|mut seat| {
        let lines = lines.clone();
        tokio::spawn(async move {
            seat.send(lines).await;
            seat
        })
    });
    let mut back = Vec::new();
    for task in sending.collect::<Vec<_>>() {
        back.push(task.await.unwrap());
    }
    back
}

#[tokio::test]
async fn each_of_several_meters_ends_its_run_with_exactly_its_own_readings() {
    let folder = tempfile::tempdir().unwrap();
    let seats = sit_down(folder.path()).await;
    let all = 0..shows(0).len();
    for seat in all_send(seats, all).await {
        let sent = as_sent(&seat.shows);
        let ended = seat.end().await;
        assert_eq!(ended.bytes, sent);
        assert_eq!(ended.links, [true]);
    }
}

#[tokio::test]
async fn a_meter_that_is_unplugged_does_not_touch_the_others_and_goes_on_when_it_is_back() {
    let folder = tempfile::tempdir().unwrap();
    let seats = sit_down(folder.path()).await;
    let mut seats = all_send(seats, 0..BEFORE).await;
    let mut unlucky = seats.remove(UNLUCKY);
    unlucky.hear(&Heard::Readings(BEFORE)).await;
    // Half a line is under way when the plug goes.
    soon(unlucky.host.write_all(b"6")).await.unwrap();
    unlucky.host.unplug();
    unlucky.hear(&Heard::Down).await;

    let all = shows(0).len();
    for seat in all_send(seats, BEFORE..all).await {
        let sent = as_sent(&seat.shows);
        let ended = seat.end().await;
        assert_eq!(ended.bytes, sent);
        assert_eq!(ended.links, [true], "another meter's plug");
    }
    assert!(!unlucky.ending.is_finished(), "it waits for its meter");

    unlucky.host.plug_in().unwrap();
    unlucky.hear(&Heard::Up).await;
    unlucky.send(BEFORE..all).await;
    let shows = unlucky.shows.clone();
    let ended = unlucky.end().await;
    let sent = [as_sent(&shows[..BEFORE]), as_sent(&shows[BEFORE..])];
    // Whether the half line was still read before the hang-up is the system's to say.
    assert!(ended.bytes == sent.concat() || ended.bytes == sent.join(&b"6"[..]));
    assert_eq!(ended.links.first(), Some(&true));
    assert_eq!(ended.links.last(), Some(&true));
    assert!(ended.links.contains(&false));
}
