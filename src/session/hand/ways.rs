//! The simulated hand with a meter that has no button that sends: it puts the meter down, and has it
//! asked; or lets it stream, in the air and where it is wanted.

use super::{Cue, Hand, HandError, Outlet, Wish};
use crate::run::Word;
use std::future::pending;
use std::io;
use std::time::Duration;
use tokio::io::AsyncReadExt;
use tokio::sync::mpsc;

/// How long a request waits for the hand to read of it in the recording.
const CATCH_UP: Duration = Duration::from_secs(2);

/// How long a value waits for somebody to read it. A meter that streams does not wait at all; this is
/// for a reader that is slow.
const STREAM_WAIT: Duration = Duration::from_millis(500);

/// What a meter without a button does next by itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Heard {
    /// It answers a request.
    Request(Vec<u8>),
    /// It sends the next value of its stream.
    Value,
}

impl Outlet {
    /// Bytes from the other end; waits for ever where there is none. Cancel-safe.
    async fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        match self {
            Outlet::Pty(host) => host.read(buf).await,
            Outlet::InProcess { stream: Some(stream), .. } => match stream.read(buf).await? {
                0 => pending().await,
                n => Ok(n),
            },
            Outlet::InProcess { stream: None, .. } => pending().await,
        }
    }
}

impl Hand {
    /// The next thing that the meter does by itself; one with a button does nothing. Cancel-safe.
    ///
    /// # Errors
    /// If the line broke.
    pub async fn heard(&mut self) -> Result<Heard, HandError> {
        if let Some(ticker) = &mut self.ticker {
            ticker.tick().await;
            return Ok(Heard::Value);
        }
        if self.meter.scenario().answers().is_none() {
            return pending().await;
        }
        loop {
            if let Some(request) = self.meter.take_request(&mut self.inbox) {
                return Ok(Heard::Request(request));
            }
            let mut buf = [0; 256];
            let n = self.outlet.read(&mut buf).await?;
            self.inbox.extend_from_slice(&buf[..n]);
        }
    }

    /// Lets the meter do it. Not cancel-safe.
    ///
    /// # Errors
    /// If the line broke.
    pub async fn play(&mut self, heard: Heard) -> Result<(), HandError> {
        match heard {
            Heard::Request(request) => {
                let answer = self.meter.answer(&request);
                self.emit(answer).await
            }
            Heard::Value => {
                let value = self.meter.press();
                // What nobody reads is gone.
                tokio::time::timeout(STREAM_WAIT, self.emit(value)).await.unwrap_or(Ok(()))
            }
        }
    }

    /// Follows the cues with a meter that is asked. Where the hand has a voice, it says `read` once the
    /// meter is down; else somebody else does.
    pub(super) async fn follow_asked(
        mut self,
        mut cues: mpsc::UnboundedReceiver<Cue>,
    ) -> Result<(), HandError> {
        let mut wish = Wish::default();
        loop {
            let patience = match (&self.words, &wish.place) {
                (Some(_), Some(_)) => Some(self.patience()),
                _ => None,
            };
            tokio::select! {
                cue = super::next_cue(&mut cues, patience) => {
                    let Some(cue) = cue else { return Ok(()) };
                    let is_place = matches!(cue, Cue::Place { .. });
                    wish.hear(cue);
                    if self.words.is_none() {
                        if is_place {
                            self.put_down(&mut wish)?;
                        }
                    } else if let Some(pace) = wish.place.as_ref().map(|target| self.pace(target)) {
                        tokio::time::sleep(pace).await;
                        while let Ok(cue) = cues.try_recv() {
                            wish.hear(cue);
                        }
                    }
                    if wish.over {
                        return Ok(());
                    }
                    self.adjust(&mut wish);
                    if self.words.is_some() && wish.place.is_some() {
                        self.put_down(&mut wish)?;
                        self.say(Word::Read);
                    }
                }
                heard = self.heard() => {
                    let heard = heard?;
                    if self.words.is_none() {
                        self.catch_up(&mut cues, &mut wish).await?;
                    }
                    self.play(heard).await?;
                }
            }
        }
    }

    /// A request has come. What the run wanted when it was made stands in the recording before it: the
    /// hand reads on until it has seen the request there, too.
    async fn catch_up(
        &mut self,
        cues: &mut mpsc::UnboundedReceiver<Cue>,
        wish: &mut Wish,
    ) -> Result<(), HandError> {
        while wish.asked == 0 {
            let Ok(Some(cue)) = tokio::time::timeout(CATCH_UP, cues.recv()).await else { return Ok(()) };
            let is_place = matches!(cue, Cue::Place { .. });
            wish.hear(cue);
            self.adjust(wish);
            if is_place {
                self.put_down(wish)?;
            }
        }
        wish.asked -= 1;
        Ok(())
    }

    /// Follows the cues with a meter that streams: lifts it, and puts it down where it is wanted `pace_s`
    /// later.
    pub(super) async fn follow_streaming(
        mut self,
        mut cues: mpsc::UnboundedReceiver<Cue>,
    ) -> Result<(), HandError> {
        let mut wish = Wish::default();
        // Values until the meter comes down; none while it is down or nothing is wanted.
        let mut in_air: Option<u64> = None;
        let mut since_cue: u64 = 0;
        let every_us = self.every_us().max(1);
        let values_in_air = self.meter.scenario().pace_us().div_ceil(every_us).max(10);
        // One who wobbles is given time to come to rest.
        let patience = 3 * self.patience().as_micros() / self.real(every_us).as_micros().max(1_000);
        let patience = u64::try_from(patience).unwrap_or(u64::MAX);
        loop {
            tokio::select! {
                cue = cues.recv() => {
                    let Some(cue) = cue else { return Ok(()) };
                    wish.hear(cue);
                    if wish.over {
                        return Ok(());
                    }
                    self.adjust(&mut wish);
                    self.meter.lift();
                    in_air = wish.place.is_some().then_some(values_in_air);
                    since_cue = 0;
                }
                heard = self.heard() => {
                    let heard = heard?;
                    since_cue += 1;
                    in_air = match in_air {
                        Some(0) => {
                            self.put_down(&mut wish)?;
                            None
                        }
                        Some(values) => Some(values - 1),
                        // The placement came to nothing: lift and put it down again.
                        None if wish.place.is_some() && since_cue > patience + values_in_air => {
                            self.meter.lift();
                            since_cue = 0;
                            Some(values_in_air)
                        }
                        None => None,
                    };
                    self.play(heard).await?;
                }
            }
        }
    }

    /// Time between two values of the stream, microseconds of the scenario.
    fn every_us(&self) -> u64 {
        self.meter.scenario().streams().map_or(0, crate::meter::scenario::Streams::every_us)
    }
}
