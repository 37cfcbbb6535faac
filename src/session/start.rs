//! From a study folder to a running session: a new run, or one taken up where it stopped.

use super::clock::{BadFactor, Clock};
use super::earlier;
use super::engine::{CLOCK_STEP_US, Session};
use super::folder::{Folder, FolderError, LoadedStudy, Unfinished};
use super::hand::{Hand, Outlet};
use super::link::{Link, LinkProblem, LinkSettings};
use super::recorder::{self, Entry, Recorder, RecorderError, RecorderThread};
use crate::meter::{self, Profile, Scenario, SimulatedMeter};
use crate::run::record::{Body, FORMAT, Head, OLDEST_READER, Record, Resumed, bytes_as_text};
use crate::run::{BadHead, Run, Setup};
use crate::store::lock::{self, LockError};
use chrono::{DateTime, FixedOffset, TimeDelta};
use tokio::sync::mpsc;

/// Version of this program, as it stands in a recording.
pub const PROGRAM: &str = env!("CARGO_PKG_VERSION");

/// Why a session could not begin.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The study or a recording.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// The port.
    #[error(transparent)]
    Link(#[from] LinkProblem),
    /// Another session has the port.
    #[error(transparent)]
    PortLock(#[from] LockError),
    /// The disk.
    #[error(transparent)]
    Recorder(#[from] RecorderError),
    /// The set-up does not hold together.
    #[error(transparent)]
    Head(#[from] BadHead),
    /// The scenario's time factor.
    #[error(transparent)]
    Time(#[from] BadFactor),
    /// No thread for the recorder.
    #[error("the recorder's thread could not be started: {0}")]
    Thread(std::io::Error),
}

impl StartError {
    /// What to do about it; empty where the message says it already.
    #[must_use]
    pub fn hint(&self) -> String {
        match self {
            StartError::Folder(error) => error.hint(),
            StartError::Link(error) => error.hint(),
            StartError::Recorder(error) => error.hint(),
            StartError::PortLock(_) | StartError::Head(_) | StartError::Time(_) | StartError::Thread(_) => {
                String::new()
            }
        }
    }
}

/// A meter's line, with the clock that goes with it and, for a simulated one, the hand.
pub struct Bench {
    /// The line.
    pub link: Link,
    /// The clock of the sitting.
    pub clock: Clock,
    /// The simulated hand, for a `sim:` port.
    pub hand: Option<Hand>,
}

/// Opens a port. `sim:FILE` stands for a simulated meter within the program, its scenario being a file
/// in the study's folder; `from` is where its wall clock starts, the machine's time if absent.
///
/// # Errors
/// [`StartError`]: no such port, busy, a mistake in the scenario.
pub async fn open_bench(
    folder: &Folder,
    port: &str,
    profile: &Profile,
    from: Option<DateTime<FixedOffset>>,
) -> Result<Bench, StartError> {
    if let Some(file) = port.strip_prefix("sim:") {
        let path = folder.root().join(file);
        let scenario = Scenario::load(&path.display().to_string(), &folder.text(&path)?)
            .map_err(FolderError::Problem)?;
        let clock = simulated_clock(&scenario, from)?;
        let (outlet, streams) = Outlet::in_process();
        let hand = Hand::new(SimulatedMeter::new(scenario), outlet, clock.clone());
        let link = Link::plugged(streams).named(port);
        return Ok(Bench { link, clock, hand: Some(hand) });
    }
    let note = format!("reading for {}", folder.root().display());
    let guard = lock::for_port(port, &note)?;
    let link = Link::open(settings(port, profile), Some(Box::new(guard))).await?;
    Ok(Bench { link, clock: Clock::real(), hand: None })
}

/// A bench without a meter, for a run that only lacks its end record.
#[must_use]
pub fn no_bench() -> Bench {
    let (_, streams) = mpsc::channel(1);
    Bench { link: Link::plugged(streams), clock: Clock::real(), hand: None }
}

/// The clock of a simulated sitting.
///
/// # Errors
/// [`BadFactor`] for a time factor that would stop time.
pub fn simulated_clock(scenario: &Scenario, from: Option<DateTime<FixedOffset>>) -> Result<Clock, BadFactor> {
    match from {
        Some(wall) => Clock::scaled_from(scenario.time_factor(), wall),
        None => Clock::scaled(scenario.time_factor()),
    }
}

/// Serial settings of a profile for a port.
#[must_use]
pub fn settings(port: &str, profile: &Profile) -> LinkSettings {
    let serial = profile.serial();
    LinkSettings {
        port: port.to_owned(),
        baud: serial.baud,
        data_bits: serial.data_bits,
        parity: serial.parity,
        stop_bits: serial.stop_bits,
        flow_control: serial.flow,
        dtr: match serial.dtr {
            meter::Dtr::Leave => None,
            meter::Dtr::On => Some(true),
            meter::Dtr::Off => Some(false),
        },
        settle_ms: serial.settle_ms,
    }
}

/// Begins a run: its recording is on the disk once this returns. The earlier runs that it is held against
/// are chosen here; what was not fit for it is given back in words.
///
/// # Errors
/// [`StartError`].
pub fn begin(
    folder: &Folder,
    loaded: &LoadedStudy,
    mut setup: Setup,
    bench: Bench,
) -> Result<(Session, Option<Hand>, Vec<String>), StartError> {
    let chosen = earlier::choose(folder, &loaded.study.comparing, &setup)?;
    setup.comparing.earlier = chosen.earlier;
    let wall = bench.clock.wall();
    let id = folder.next_id(wall.date_naive())?;
    let head = Head {
        format: FORMAT,
        oldest_reader: OLDEST_READER.to_owned(),
        program: PROGRAM.to_owned(),
        run: id.clone(),
        wall,
        clock: bench.clock.kind().to_owned(),
        time_factor: bench.clock.factor(),
        study_sha256: loaded.sha256.clone(),
        setup,
    };
    let run = Run::open(&head)?;
    let path = folder.recording(&id);
    if let Some(parent) = path.parent() {
        folder.disk().create_dir_all(parent).map_err(FolderError::Store)?;
    }
    let recorder = Recorder::create(folder.disk(), &path, head)?;
    let recorder = start(recorder)?;
    let (session, hand) = session(run, recorder, bench, 0, Vec::new());
    Ok((session, hand, chosen.remarks))
}

/// Takes a run up again behind its last whole record.
///
/// # Errors
/// [`StartError`].
pub fn take_up(
    folder: &Folder,
    unfinished: Unfinished,
    bench: Bench,
) -> Result<(Session, Option<Hand>), StartError> {
    let Unfinished { id, replayed, encoder } = unfinished;
    let last_us = encoder.last_us();
    let wall = bench.clock.wall();
    let gap_us = wall.timestamp_micros() - replayed.run.ledger().wall(last_us).0;
    let resumed = Resumed {
        program: PROGRAM.to_owned(),
        wall,
        clock: bench.clock.kind().to_owned(),
        // A wall clock that is slewed back by a little is no reason to read both sides again.
        gap_unknown: gap_us < -CLOCK_STEP_US,
        torn: bytes_as_text(&replayed.tail.torn),
    };
    let base_us = last_us + u64::try_from(gap_us).unwrap_or(0);
    let mut recorder =
        Recorder::take_up(folder.disk(), &folder.recording(&id), replayed.tail.whole, encoder)?;
    let pending = recorder.commit(vec![Entry { at_us: base_us, body: Body::Resumed(Box::new(resumed)) }])?;
    let recorder = start(recorder)?;
    Ok(session(replayed.run, recorder, bench, base_us, pending))
}

/// The wall-clock time at which a run stands, for a simulated clock to go on from.
#[must_use]
pub fn stands_at(unfinished: &Unfinished) -> Option<DateTime<FixedOffset>> {
    let (wall_us, offset_s) = unfinished.replayed.run.ledger().wall(unfinished.encoder.last_us());
    let offset = FixedOffset::east_opt(offset_s)?;
    let utc = DateTime::from_timestamp_micros(wall_us)?;
    // Rounded up, so that the clock never seems to have run backwards.
    Some(utc.with_timezone(&offset) + TimeDelta::microseconds(1))
}

fn start(recorder: Recorder) -> Result<RecorderThread, StartError> {
    recorder::spawn(recorder).map_err(StartError::Thread)
}

fn session(
    run: Run,
    recorder: RecorderThread,
    bench: Bench,
    base_us: u64,
    pending: Vec<Record<'static>>,
) -> (Session, Option<Hand>) {
    let Bench { link, clock, hand } = bench;
    (Session { run, link, recorder, clock, base_us, pending, moments: None }, hand)
}
