//! The engine: one task that owns a meter's link, recorder and run. Everything that enters the run has
//! come back from the disk first; everything that is told was applied to the run first.

use super::clock::Clock;
use super::link::{Link, LinkEvent};
use super::recorder::{Entry, RecorderError, RecorderThread};
use crate::run::record::{self, Body, ClockStep, Ending, Record};
use crate::run::{Effect, Notice, Run, RunState, Word};
use std::time::Duration;
use tokio::sync::mpsc;

/// A wall clock that is off by more than this was stepped, microseconds.
pub const CLOCK_STEP_US: i64 = 2_000_000;

/// What can be asked of a running session.
#[derive(Clone, Debug, PartialEq)]
pub enum Command {
    /// The operator said something.
    Say(Word),
    /// Stop; the run stays open and can be taken up again.
    Stop,
    /// Tell [`Told::Moment`] now: something beside the run has changed on the screen.
    Draw,
}

/// One run at the bench.
pub struct Session {
    /// The run, with everything of its recording applied.
    pub run: Run,
    /// The meter's line.
    pub link: Link,
    /// The recorder, behind the last record that was applied.
    pub recorder: RecorderThread,
    /// The clock of this sitting.
    pub clock: Clock,
    /// Elapsed time of the run at which `clock` started, microseconds.
    pub base_us: u64,
    /// Records that are on the disk and not applied yet.
    pub pending: Vec<Record<'static>>,
    /// How often to tell [`Told::Moment`], for a screen with a clock on it; never if absent.
    pub moments: Option<Duration>,
}

/// How a session ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stopped {
    /// The run is over.
    Over(RunState),
    /// It was asked to stop; the run is open.
    Asked,
}

/// What is told while a session runs.
pub enum Told<'a> {
    /// Something to tell the operator; it is on the disk already.
    Notice(&'a Notice),
    /// This record, which is on the disk, was applied, and all notices that came of it are told.
    Applied(&'a Record<'static>),
    /// All notices of a batch are out: a moment to draw.
    Settled,
    /// A moment has passed: time to draw the clock anew.
    Moment,
}

impl Session {
    /// Runs until the run is over, the session is told to stop, or the disk refuses. `tell` gets what is
    /// told, the run, and the time in microseconds since the start of the run.
    ///
    /// # Errors
    /// [`RecorderError`] when recording is no longer possible.
    pub async fn drive(
        mut self,
        mut commands: mpsc::UnboundedReceiver<Command>,
        mut tell: impl FnMut(&Told<'_>, &Run, u64),
    ) -> Result<(Stopped, Run), RecorderError> {
        let mut wall_anchor = WallAnchor::new(&self.clock);
        let mut ticked: Option<u64> = None;
        let mut stopping = false;
        let mut listening = true;
        let pending = std::mem::take(&mut self.pending);
        self.take(&pending, &mut tell).await;
        if self.run.is_over() {
            self.finish().await;
        }
        loop {
            if stopping && self.recorder.in_flight() == 0 {
                return Ok((Stopped::Asked, self.run));
            }
            let deadline = self.run.deadline_us().filter(|&d| ticked != Some(d));
            let wait = deadline.map(|d| self.clock.real_duration(d.saturating_sub(self.now_us())));
            tokio::select! {
                biased;
                synced = self.recorder.next_synced() => {
                    let Some(synced) = synced else { return Ok((self.stopped(), self.run)) };
                    if self.take(&synced?, &mut tell).await {
                        return Ok((self.stopped(), self.run));
                    }
                }
                command = commands.recv(), if listening && !stopping => match command {
                    Some(Command::Say(word)) => self.record(Body::Word(word)).await,
                    Some(Command::Stop) => stopping = true,
                    Some(Command::Draw) => tell(&Told::Moment, &self.run, self.now_us()),
                    None => listening = false,
                },
                () = sleep_for(wait), if !stopping => {
                    ticked = deadline;
                    self.record(Body::Tick).await;
                }
                () = sleep_for(self.moments), if self.moments.is_some() => tell(&Told::Moment, &self.run, self.now_us()),
                event = self.link.next(), if !stopping && !self.run.is_over() => {
                    if let Some(step_us) = wall_anchor.step(&self.clock) {
                        self.record(Body::Clock(ClockStep { step_us })).await;
                    }
                    if let Some(body) = body_of(event) {
                        self.record(body).await;
                    }
                }
            }
        }
    }

    /// Microseconds since the start of the run.
    #[must_use]
    pub fn now_us(&self) -> u64 {
        self.base_us + self.clock.elapsed_us()
    }

    fn stopped(&self) -> Stopped {
        if self.run.is_over() { Stopped::Over(self.run.ledger().state) } else { Stopped::Asked }
    }

    async fn record(&mut self, body: Body<'static>) {
        let at_us = self.now_us();
        self.recorder.record(Entry { at_us, body }).await;
    }

    /// Applies records that are on the disk and does what the run asks for. True once the end is
    /// recorded.
    async fn take(
        &mut self,
        records: &[Record<'static>],
        tell: &mut impl FnMut(&Told<'_>, &Run, u64),
    ) -> bool {
        let mut effects = Vec::new();
        for record in records {
            self.run.apply(record, &mut effects);
            for effect in effects.drain(..) {
                match effect {
                    Effect::Tell(notice) => tell(&Told::Notice(&notice), &self.run, record.at_us),
                    Effect::Request(request) => self.record(Body::Request(Vec::from(request).into())).await,
                    Effect::Seal => self.record(Body::Seal(String::new())).await,
                    Effect::End => self.finish().await,
                }
            }
            if let Body::Request(request) = &record.body {
                // A line that is lost by it says so itself, as the link's next event.
                let _ = self.link.send(request).await;
            }
            tell(&Told::Applied(record), &self.run, self.now_us());
        }
        tell(&Told::Settled, &self.run, self.now_us());
        records.iter().any(|r| matches!(r.body, Body::End(_)))
    }

    /// Seal and end: nothing follows.
    async fn finish(&mut self) {
        let ending = match self.run.ledger().state {
            RunState::Abandoned => Ending::Abandoned,
            RunState::Complete | RunState::Open => Ending::Complete,
        };
        self.record(Body::Seal(String::new())).await;
        self.record(Body::End(ending)).await;
    }
}

async fn sleep_for(wait: Option<Duration>) {
    match wait {
        Some(wait) => tokio::time::sleep(wait).await,
        None => std::future::pending().await,
    }
}

fn body_of(event: LinkEvent) -> Option<Body<'static>> {
    let link = |up, what: String| Some(Body::Link(record::Link { up, what }));
    match event {
        LinkEvent::Stale(bytes) | LinkEvent::Bytes(bytes) => Some(Body::Bytes(bytes.into())),
        LinkEvent::Up { port } => link(true, port),
        LinkEvent::Down { why } => link(false, why.to_string()),
        LinkEvent::StillDown { why, tries: _ } => link(false, why.to_string()),
    }
}

/// Where the wall clock should be, by the elapsed time.
struct WallAnchor {
    offset_us: i64,
}

impl WallAnchor {
    fn new(clock: &Clock) -> WallAnchor {
        WallAnchor { offset_us: Self::offset(clock) }
    }

    fn offset(clock: &Clock) -> i64 {
        clock.wall().timestamp_micros() - clock.elapsed_us() as i64
    }

    /// How far the wall clock was stepped since the last look, microseconds.
    fn step(&mut self, clock: &Clock) -> Option<i64> {
        let now = Self::offset(clock);
        let step_us = now - self.offset_us;
        if step_us.abs() < CLOCK_STEP_US {
            return None;
        }
        self.offset_us = now;
        Some(step_us)
    }
}
