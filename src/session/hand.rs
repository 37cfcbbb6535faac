//! The simulated hand: it follows a run, puts the simulated meter where the run wants it, and presses.
//! So undo, zones taken again and checks all meet the right spot. It only ever sees what a person sees:
//! what the run tells.

mod ways;

pub use ways::Heard;

use super::clock::Clock;
use super::link::MeterStream;
use super::pty::PtyHost;
use crate::meter::{Emission, SimulatedMeter, Spot, UnknownSpot};
use crate::run::setup::Between;
use crate::run::{Advice, AskNotice, CheckKind, Notice, Run, Want, Word};
use std::io;
use std::time::Duration;
use tokio::io::{AsyncWriteExt, DuplexStream};
use tokio::sync::mpsc;
use tokio::time::{Interval, MissedTickBehavior};

/// Bytes that an in-process line holds, as a driver's buffer would.
const LINE_BUFFER: usize = 64 * 1024;

/// How long the hand waits for an answer to a press before it presses again; many times the pace, and
/// at least this.
const SHORTEST_PATIENCE: Duration = Duration::from_secs(3);

/// What the hand is told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cue {
    /// Put the meter there and press.
    Place {
        /// Where.
        spot: Spot,
        /// Clean the tile before.
        clean: bool,
        /// If the meter stands there already, leave it down and press.
        stay: bool,
    },
    /// Adjust the meter, and say so.
    Adjust,
    /// The last press gave no reading: press again.
    Again,
    /// Keep still.
    Rest,
    /// A request to the meter stands in the recording.
    Asked,
    /// The line came up: requests from before it are gone.
    LineUp,
    /// The run is over.
    Over,
}

/// What a notice of the run means for the hand, if anything.
#[must_use]
pub fn cue(notice: &Notice, run: &Run) -> Option<Cue> {
    match notice {
        Notice::Wanted(want) => Some(match *want {
            Want::Tile { kind: CheckKind::Zero, .. } => {
                Cue::Place { spot: Spot::Zero, clean: false, stay: false }
            }
            Want::Tile { kind: CheckKind::Middle, .. } => {
                Cue::Place { spot: Spot::Middle, clean: false, stay: false }
            }
            Want::Tile { reading, advice, .. } => Cue::Place {
                spot: Spot::Tile,
                clean: reading == 1 && matches!(advice, Advice::Clean | Advice::AdjustMeter),
                stay: false,
            },
            Want::Zone { zone, repeat, .. } => {
                let setup = &run.ledger().setup;
                let panel = setup.panels[setup.zones[zone].panel].id.clone();
                Cue::Place {
                    spot: Spot::Zone { panel, zone: setup.spot_name(zone).to_owned() },
                    clean: false,
                    stay: repeat > 1 && setup.between(zone) == Some(Between::Still),
                }
            }
            Want::Adjust => Cue::Adjust,
            Want::Resume => Cue::Rest,
            Want::Nothing => Cue::Over,
        }),
        Notice::Refused { .. } | Notice::Link { up: true, .. } => Some(Cue::Again),
        Notice::Asking(
            AskNotice::Again { .. }
            | AskNotice::Unfinished { .. }
            | AskNotice::Echoed { .. }
            | AskNotice::MeterError { .. },
        ) => None,
        Notice::Asking(_) => Some(Cue::Again),
        Notice::Ended { .. } => Some(Cue::Over),
        _ => None,
    }
}

/// Where the simulated meter's line leads.
pub enum Outlet {
    /// A pseudo-terminal, which any program can open.
    Pty(PtyHost),
    /// A stream within the program; a new one goes through the channel each time it is plugged in.
    InProcess {
        /// The end that the meter writes to; none while unplugged.
        stream: Option<DuplexStream>,
        /// Takes the other ends.
        plugs: mpsc::Sender<Box<dyn MeterStream>>,
    },
}

impl Outlet {
    /// An in-process line, not plugged in yet, and what [`super::link::Link::plugged`] takes.
    #[must_use]
    pub fn in_process() -> (Outlet, mpsc::Receiver<Box<dyn MeterStream>>) {
        let (plugs, streams) = mpsc::channel(1);
        (Outlet::InProcess { stream: None, plugs }, streams)
    }

    /// Plugs the meter in; nothing happens if it is.
    ///
    /// # Errors
    /// What the system says.
    pub async fn plug_in(&mut self) -> io::Result<()> {
        match self {
            Outlet::Pty(host) => host.plug_in(),
            Outlet::InProcess { stream: Some(_), .. } => Ok(()),
            Outlet::InProcess { stream, plugs } => {
                let (near, far) = tokio::io::duplex(LINE_BUFFER);
                *stream = Some(near);
                plugs.send(Box::new(far)).await.map_err(|_| io::ErrorKind::BrokenPipe.into())
            }
        }
    }

    fn unplug(&mut self) {
        match self {
            Outlet::Pty(host) => host.unplug(),
            Outlet::InProcess { stream, .. } => *stream = None,
        }
    }

    async fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        match self {
            Outlet::Pty(host) => host.write_all(bytes).await,
            Outlet::InProcess { stream: Some(stream), .. } => stream.write_all(bytes).await,
            Outlet::InProcess { stream: None, .. } => Err(io::ErrorKind::NotConnected.into()),
        }
    }
}

/// Why the hand stopped.
#[derive(Debug, thiserror::Error)]
pub enum HandError {
    /// The run wants a zone that the scenario does not have.
    #[error(transparent)]
    Spot(#[from] UnknownSpot),
    /// The line broke.
    #[error("the simulated meter's line broke: {0}")]
    Line(#[from] io::Error),
}

/// The simulated hand with its meter.
pub struct Hand {
    /// The meter it holds.
    pub meter: SimulatedMeter,
    /// Where the meter's line leads.
    pub outlet: Outlet,
    /// The clock of the session, for the pace.
    pub clock: Clock,
    /// Where it says `adjusted`.
    pub words: Option<mpsc::UnboundedSender<Word>>,
    /// What came of requests that are not whole yet.
    inbox: Vec<u8>,
    /// The beat of a meter that streams.
    ticker: Option<Interval>,
}

impl Hand {
    /// A hand without a voice. Needs a tokio runtime with time.
    #[must_use]
    pub fn new(meter: SimulatedMeter, outlet: Outlet, clock: Clock) -> Hand {
        let ticker = meter.scenario().streams().map(|streams| {
            let every = clock.real_duration(streams.every_us()).max(Duration::from_millis(1));
            let mut ticker = tokio::time::interval(every);
            ticker.set_missed_tick_behavior(MissedTickBehavior::Delay);
            ticker
        });
        Hand { meter, outlet, clock, words: None, inbox: Vec::new(), ticker }
    }

    /// Follows the cues until the run is over or nobody gives any more.
    ///
    /// # Errors
    /// [`HandError`].
    pub async fn follow(mut self, mut cues: mpsc::UnboundedReceiver<Cue>) -> Result<(), HandError> {
        self.outlet.plug_in().await?;
        if self.ticker.is_some() {
            return self.follow_streaming(cues).await;
        }
        if self.meter.scenario().answers().is_some() {
            return self.follow_asked(cues).await;
        }
        let mut wish = Wish::default();
        loop {
            let patience = wish.place.as_ref().map(|_| self.patience());
            let Some(cue) = next_cue(&mut cues, patience).await else { return Ok(()) };
            wish.hear(cue);
            if let Some(pace) = wish.place.as_ref().map(|target| self.pace(target)) {
                tokio::time::sleep(pace).await;
            }
            // Only what is wanted once the meter comes down counts.
            while let Ok(cue) = cues.try_recv() {
                wish.hear(cue);
            }
            if wish.over {
                return Ok(());
            }
            self.adjust(&mut wish);
            if wish.place.is_some() {
                self.put_down(&mut wish)?;
                let sent = self.meter.press();
                self.emit(sent).await?;
            }
        }
    }

    /// Adjusts the meter if that is wished, and says so.
    fn adjust(&mut self, wish: &mut Wish) {
        if std::mem::take(&mut wish.adjust) {
            self.meter.adjust();
            self.say(Word::Adjusted);
        }
    }

    fn say(&self, word: Word) {
        if let Some(words) = &self.words {
            // The run may be over by now.
            let _ = words.send(word);
        }
    }

    /// Puts the meter where it is wished.
    fn put_down(&mut self, wish: &mut Wish) -> Result<(), UnknownSpot> {
        let Some(target) = wish.place.clone() else { return Ok(()) };
        if target.clean && !std::mem::replace(&mut wish.cleaned, true) {
            self.meter.clean_tile();
        }
        if !(target.stay && wish.stands_on.as_ref() == Some(&target.spot)) {
            self.meter.place(&target.spot)?;
            wish.stands_on = Some(target.spot);
        }
        Ok(())
    }

    fn patience(&self) -> Duration {
        (self.real(self.meter.scenario().pace_us()) * 5).max(SHORTEST_PATIENCE)
    }

    fn real(&self, us: u64) -> Duration {
        self.clock.real_duration(us)
    }

    fn pace(&self, target: &Target) -> Duration {
        self.real(match target.spot {
            Spot::Zone { .. } if !target.stay => self.meter.scenario().pace_us(),
            _ => self.meter.scenario().between_presses_us(),
        })
    }

    /// Sends what comes out of the meter. Not cancel-safe.
    ///
    /// # Errors
    /// If the line broke.
    pub async fn emit(&mut self, emissions: Vec<Emission>) -> Result<(), HandError> {
        for emission in emissions {
            match emission {
                Emission::Bytes(bytes) => self.outlet.write(&bytes).await?,
                Emission::Pause { us } => tokio::time::sleep(self.real(us)).await,
                Emission::Unplug { return_after_us } => {
                    self.outlet.unplug();
                    tokio::time::sleep(self.real(return_after_us)).await;
                    self.outlet.plug_in().await?;
                }
            }
        }
        Ok(())
    }
}

/// Where the meter is wanted.
#[derive(Clone)]
struct Target {
    spot: Spot,
    /// Clean the tile before.
    clean: bool,
    /// Leave the meter down if it stands there.
    stay: bool,
}

/// What the hand is after.
#[derive(Default)]
struct Wish {
    /// Where to put the meter.
    place: Option<Target>,
    /// Where the meter stands.
    stands_on: Option<Spot>,
    /// The tile was cleaned for this wish.
    cleaned: bool,
    adjust: bool,
    over: bool,
    /// Requests that stand in the recording and were not met on the line yet.
    asked: u32,
}

impl Wish {
    fn hear(&mut self, cue: Cue) {
        match cue {
            Cue::Place { spot, clean, stay } => {
                self.place = Some(Target { spot, clean, stay });
                self.cleaned = false;
            }
            Cue::Adjust => {
                self.place = None;
                self.adjust = true;
            }
            Cue::Rest => self.place = None,
            Cue::Over => self.over = true,
            // The wish stands; the meter is about to come down on it anyway.
            Cue::Again => {}
            Cue::Asked => self.asked += 1,
            Cue::LineUp => self.asked = 0,
        }
    }
}

/// The next cue; `Again` once patience runs out; `None` when nobody gives cues any more.
async fn next_cue(cues: &mut mpsc::UnboundedReceiver<Cue>, patience: Option<Duration>) -> Option<Cue> {
    match patience {
        None => cues.recv().await,
        Some(patience) => tokio::time::timeout(patience, cues.recv()).await.unwrap_or(Some(Cue::Again)),
    }
}
