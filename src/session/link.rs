//! An open meter: its bytes as they come, its loss, and its return.
//!
//! The link tells [`LinkEvent`]s through [`Link::next`] and never ends by itself: a lost port is opened
//! again by its configured name, for ever. It reads nothing into the bytes, and writes nothing other than
//! what [`Link::send`] is given.

use std::future::pending;
use std::future::poll_fn;
use std::io;
use std::path::Path;
use std::pin::Pin;
use std::task::Context;
use std::task::Poll;
use std::time::Duration;

use tokio::io::AsyncRead;
use tokio::io::AsyncWrite;
use tokio::io::AsyncWriteExt;
use tokio::io::ReadBuf;
use tokio::task::JoinHandle;
use tokio::time::Sleep;
use tokio_serial::SerialStream;

pub use crate::session::opening::FlowControl;
pub use crate::session::opening::LinkSettings;
pub use crate::session::opening::MOST_BYTES;
pub use crate::session::opening::Parity;
pub use crate::session::problem::LinkProblem;

use crate::session::opening::Fresh;
use crate::session::opening::open_port;
use crate::session::opening::take_stale;

/// First wait before a lost port is opened again; doubled at each try up to [`LONGEST_WAIT`].
const FIRST_WAIT: Duration = Duration::from_millis(100);
const LONGEST_WAIT: Duration = Duration::from_secs(2);

/// How long a request may take to leave for the driver.
const SEND_LIMIT: Duration = Duration::from_secs(2);

/// What happened on the line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LinkEvent {
    /// Bytes that were sent before the link was up, and waited in the driver: to be recorded, never read.
    /// Told before the `Up` that they are older than.
    Stale(Vec<u8>),
    /// The meter's line is open, and what comes from now on is fresh.
    Up {
        /// The port's configured name.
        port: String,
    },
    /// Fresh bytes: 1 to [`MOST_BYTES`], everything that was there, cut anywhere.
    Bytes(Vec<u8>),
    /// The line is lost. Every byte that came before has been told.
    Down {
        /// Why.
        why: LinkProblem,
    },
    /// Opening the port again failed. Told at the first try, and later only when the reason has changed.
    StillDown {
        /// Why.
        why: LinkProblem,
        /// How many tries there have been since the loss (or since the start).
        tries: u32,
    },
}

/// What the link reads from and writes to: a serial port, or anything else that behaves like one.
pub trait MeterStream: AsyncRead + AsyncWrite + Unpin + Send {}

impl<S: AsyncRead + AsyncWrite + Unpin + Send> MeterStream for S {}

/// One meter's line. See the [module](self).
pub struct Link {
    port: String,
    /// `None` for a stream that cannot be opened again.
    settings: Option<LinkSettings>,
    state: State,
    scratch: Box<[u8]>,
    /// Streams within the program that stand for the meter plugged in again.
    plugged: Option<tokio::sync::mpsc::Receiver<Box<dyn MeterStream>>>,
    /// Held for as long as the link is, such as the program's own lock on the port.
    _guard: Option<Box<dyn Send>>,
}

enum State {
    /// Open, and the meter is given time to start.
    Settling(Box<SerialStream>, Pin<Box<Sleep>>),
    /// Open, and not told yet, with what had waited in the driver.
    Opened(Box<dyn MeterStream>, Vec<u8>),
    Up(Box<dyn MeterStream>),
    /// Lost, and not told yet.
    Lost(LinkProblem),
    Waiting(Retry, Pin<Box<Sleep>>),
    Opening(Retry, JoinHandle<Result<Fresh, LinkProblem>>),
    /// A stream that does not come back.
    Over,
}

/// Where the attempts to open a lost port stand.
#[derive(Debug, Clone, Default)]
struct Retry {
    tries: u32,
    /// The kind of problem that was told last.
    told: Option<&'static str>,
}

impl Retry {
    /// The wait before the next try: 100 ms, doubled at each failed one, and never more than 2 s.
    fn wait(&self) -> Duration {
        FIRST_WAIT.saturating_mul(1 << self.tries.min(16)).min(LONGEST_WAIT)
    }
}

impl Link {
    /// Opens the port, or says at once why it cannot. `guard` is kept for as long as the link lives. Needs
    /// a tokio runtime with time and I/O.
    ///
    /// # Errors
    /// The [`LinkProblem`] that stands in the way.
    pub async fn open(settings: LinkSettings, guard: Option<Box<dyn Send>>) -> Result<Link, LinkProblem> {
        let fresh = spawn_opening(&settings).await.unwrap_or_else(|e| Err(opening_broke(&settings, &e)))?;
        let state = opened(fresh, &settings);
        Ok(Link::with(settings, state, guard))
    }

    /// A link that starts without its port and waits for it, as it does after a loss: `StillDown` events
    /// come until the port is there. Needs a tokio runtime with time and I/O.
    pub fn open_waiting(settings: LinkSettings, guard: Option<Box<dyn Send>>) -> Link {
        let state = State::Opening(Retry::default(), spawn_opening(&settings));
        Link::with(settings, state, guard)
    }

    fn with(settings: LinkSettings, state: State, guard: Option<Box<dyn Send>>) -> Link {
        Link {
            port: settings.port.clone(),
            settings: Some(settings),
            state,
            scratch: scratch(),
            plugged: None,
            _guard: guard,
        }
    }

    /// A link over a stream within the program. It is up at once, and once lost it stays so.
    pub fn over(stream: impl MeterStream + 'static) -> Link {
        let state = State::Opened(Box::new(stream), Vec::new());
        Link {
            port: "in-process".into(),
            settings: None,
            state,
            scratch: scratch(),
            plugged: None,
            _guard: None,
        }
    }

    /// A link over streams within the program, one after the other, as a meter is plugged in again. It
    /// waits for the first.
    pub fn plugged(streams: tokio::sync::mpsc::Receiver<Box<dyn MeterStream>>) -> Link {
        let plugged = Some(streams);
        Link {
            port: "in-process".into(),
            settings: None,
            state: State::Over,
            scratch: scratch(),
            plugged,
            _guard: None,
        }
    }

    /// The same link under another name in what it tells; the port that is opened stays the same.
    #[must_use]
    pub fn named(mut self, port: impl Into<String>) -> Link {
        self.port = port.into();
        self
    }

    /// The port's configured name.
    pub fn port(&self) -> &str {
        &self.port
    }

    /// Whether [`LinkEvent::Up`] has been told, and no loss has been met since.
    pub fn is_up(&self) -> bool {
        matches!(self.state, State::Up(_))
    }

    /// The next thing that happens. Cancel-safe: nothing is lost when it is dropped in a `select!`. After
    /// the `Down` of a stream that cannot be opened again, it waits for ever.
    pub async fn next(&mut self) -> LinkEvent {
        loop {
            if let Some(event) = self.step().await {
                return event;
            }
        }
    }

    /// One move of the machine. Each arm awaits at most once, and changes the state only after that.
    async fn step(&mut self) -> Option<LinkEvent> {
        match &mut self.state {
            State::Settling(_, time) => {
                time.as_mut().await;
                self.replace(|state| match state {
                    State::Settling(mut stream, _) => {
                        let stale = take_stale(&mut stream);
                        State::Opened(stream, stale)
                    }
                    other => other,
                });
                None
            }
            State::Opened(_, stale) if !stale.is_empty() => Some(LinkEvent::Stale(std::mem::take(stale))),
            State::Opened(..) => {
                self.replace(|state| match state {
                    State::Opened(stream, _) => State::Up(stream),
                    other => other,
                });
                Some(LinkEvent::Up { port: self.port.clone() })
            }
            State::Up(stream) => {
                let (n, end) = poll_fn(|cx| read_what_is_there(stream, cx, &mut self.scratch)).await;
                if let Some(end) = end {
                    self.state = State::Lost(why_lost(&self.port, end));
                }
                (n > 0).then(|| LinkEvent::Bytes(self.scratch[..n].to_vec()))
            }
            State::Lost(why) => {
                let why = why.clone();
                self.state = match self.settings {
                    Some(_) => waiting(Retry::default()),
                    None => State::Over,
                };
                Some(LinkEvent::Down { why })
            }
            State::Waiting(retry, time) => {
                time.as_mut().await;
                let retry = retry.clone();
                let settings = self.settings.as_ref()?;
                self.state = State::Opening(retry, spawn_opening(settings));
                None
            }
            State::Opening(retry, opening) => {
                let outcome = opening.await;
                let retry = retry.clone();
                let settings = self.settings.as_ref()?;
                match outcome.unwrap_or_else(|e| Err(opening_broke(settings, &e))) {
                    Ok(fresh) => {
                        self.state = opened(fresh, settings);
                        None
                    }
                    Err(why) => self.still_down(retry, why),
                }
            }
            State::Over => {
                let Some(streams) = &mut self.plugged else { return pending().await };
                let Some(stream) = streams.recv().await else { return pending().await };
                self.state = State::Opened(stream, Vec::new());
                None
            }
        }
    }

    fn replace(&mut self, change: impl FnOnce(State) -> State) {
        let state = std::mem::replace(&mut self.state, State::Over);
        self.state = change(state);
    }

    fn still_down(&mut self, mut retry: Retry, why: LinkProblem) -> Option<LinkEvent> {
        retry.tries = retry.tries.saturating_add(1);
        let news = retry.told != Some(why.kind());
        retry.told = Some(why.kind());
        let tries = retry.tries;
        self.state = waiting(retry);
        news.then_some(LinkEvent::StillDown { why, tries })
    }

    /// Sends a request of the meter's profile, all of it. Not cancel-safe: dropped halfway, a part of it may
    /// have left. A failure loses the link, which the next event then tells.
    ///
    /// # Errors
    /// Why there is no meter to send to, or why the request did not leave within 2 s.
    pub async fn send(&mut self, request: &[u8]) -> Result<(), LinkProblem> {
        let (State::Up(stream) | State::Opened(stream, _)) = &mut self.state else {
            return Err(match &self.state {
                State::Lost(why) => why.clone(),
                _ => LinkProblem::Unplugged { port: self.port.clone() },
            });
        };
        // No flush: on a serial port it would block the thread until the last bit has left.
        let problem = match tokio::time::timeout(SEND_LIMIT, stream.write_all(request)).await {
            Ok(Ok(())) => return Ok(()),
            Ok(Err(e)) => why_lost(&self.port, End::Failed(e)),
            Err(_elapsed) => LinkProblem::Other {
                port: self.port.clone(),
                said: "the request did not leave within 2 s; flow control may be holding it back".into(),
            },
        };
        self.state = State::Lost(problem.clone());
        Err(problem)
    }
}

fn scratch() -> Box<[u8]> {
    vec![0; MOST_BYTES].into_boxed_slice()
}

fn waiting(retry: Retry) -> State {
    let time = Box::pin(tokio::time::sleep(retry.wait()));
    State::Waiting(retry, time)
}

fn opened(fresh: Fresh, settings: &LinkSettings) -> State {
    if settings.settle_ms == 0 {
        return State::Opened(Box::new(fresh.stream), fresh.stale);
    }
    let time = tokio::time::sleep(Duration::from_millis(settings.settle_ms.into()));
    State::Settling(Box::new(fresh.stream), Box::pin(time))
}

/// Opening looks at other processes and talks to the driver, either of which can take its time: it gets a
/// thread of its own, so that a page is still served meanwhile.
fn spawn_opening(settings: &LinkSettings) -> JoinHandle<Result<Fresh, LinkProblem>> {
    let settings = settings.clone();
    tokio::task::spawn_blocking(move || open_port(&settings))
}

fn opening_broke(settings: &LinkSettings, e: &tokio::task::JoinError) -> LinkProblem {
    LinkProblem::Other { port: settings.port.clone(), said: format!("opening it was cut short ({e})") }
}

/// How a stream ended.
enum End {
    /// A read gave no bytes: the line hung up.
    HungUp,
    Failed(io::Error),
}

/// Fills `buf` with all that can be had without waiting, and waits only for the first byte. Within one
/// poll, so that no byte is taken by a call that is then dropped.
fn read_what_is_there(
    stream: &mut Box<dyn MeterStream>,
    cx: &mut Context<'_>,
    buf: &mut [u8],
) -> Poll<(usize, Option<End>)> {
    let mut buf = ReadBuf::new(buf);
    loop {
        let before = buf.filled().len();
        match Pin::new(&mut *stream).poll_read(cx, &mut buf) {
            Poll::Pending if before == 0 => return Poll::Pending,
            Poll::Pending => return Poll::Ready((before, None)),
            Poll::Ready(Ok(())) if buf.filled().len() == before => {
                return Poll::Ready((before, Some(End::HungUp)));
            }
            Poll::Ready(Ok(())) if buf.remaining() == 0 => return Poll::Ready((buf.filled().len(), None)),
            Poll::Ready(Ok(())) => {}
            Poll::Ready(Err(e)) if e.kind() == io::ErrorKind::Interrupted => {}
            Poll::Ready(Err(e)) => return Poll::Ready((before, Some(End::Failed(e)))),
        }
    }
}

fn why_lost(port: &str, end: End) -> LinkProblem {
    use rustix::io::Errno;
    let gone = [Errno::IO, Errno::NXIO, Errno::NODEV].map(Errno::raw_os_error);
    match end {
        End::Failed(e) if e.raw_os_error().is_some_and(|code| !gone.contains(&code)) => {
            LinkProblem::Other { port: port.into(), said: e.to_string() }
        }
        _ if port.starts_with('/') && !Path::new(port).exists() => {
            LinkProblem::Unplugged { port: port.into() }
        }
        _ => LinkProblem::HungUp { port: port.into() },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_wait_doubles_from_a_tenth_of_a_second_to_two() {
        let waits: Vec<u128> = (0..7).map(|tries| Retry { tries, told: None }.wait().as_millis()).collect();
        assert_eq!(waits, [100, 200, 400, 800, 1600, 2000, 2000]);
        assert_eq!(Retry { tries: u32::MAX, told: None }.wait(), LONGEST_WAIT);
    }
}
