//! Listening to a meter that nobody has seen: at which settings its lines are text, and what it sends from
//! the tile. Nothing is written to it but the request that the caller gives.

use crate::meter::Line;
use crate::meter::LineAssembler;
use crate::meter::LineEnd;
use crate::meter::Serial;
use crate::meter::identify::Evidence;
use crate::meter::identify::HeardLine;
use crate::meter::identify::Hearing;
use crate::meter::identify::How;
use crate::meter::identify::Known;
use crate::meter::identify::Search;
use crate::meter::identify::Verdict;
use crate::meter::identify::When;
use crate::meter::identify::cut_into_lines;
use crate::meter::identify::has_left;
use crate::meter::identify::hear;
use crate::meter::identify::stands_still;
use crate::session::link::Link;
use crate::session::link::LinkEvent;
use crate::session::link::LinkProblem;
use crate::session::link::LinkSettings;
use std::time::Duration;
use tokio::sync::mpsc;

/// Presses on the tile that are asked for.
pub const PRESSES: u32 = 3;

/// Silence after which what a press sends is taken to be over.
const PRESS_OVER: Duration = Duration::from_millis(500);
/// The same while settings are tried.
const HEARD_OVER: Duration = Duration::from_millis(250);
/// A meter that sends for so long without such a silence streams.
const STREAMS: Duration = Duration::from_secs(2);
/// How long a stream is looked at before it is judged.
const WINDOW: Duration = Duration::from_millis(1_500);
/// Lines that a stream has at least within [`STREAMS`].
const STREAM_LINES: usize = 6;
/// How long an answer may take, and how often a reading is asked for.
const ANSWER: Duration = Duration::from_secs(2);
const TRIES: u32 = 2;
/// Windows in which a stream's meter may be lifted.
const LIFT_WINDOWS: u32 = 14;

/// How to listen.
#[derive(Debug)]
pub struct Plan<'a> {
    /// The port.
    pub port: String,
    /// The settings to try.
    pub search: Search,
    /// What asks the meter for a reading, as bytes and as it is written; nothing else is ever sent.
    pub request: Option<(Box<[u8]>, String)>,
    /// How long to wait at each setting for the first byte.
    pub wait: Duration,
    /// How long to wait for each press.
    pub press_wait: Duration,
    /// What is known of the tile.
    pub known: Known,
    /// A message when the user is ready; `None` where nobody can say so.
    pub ready: Option<&'a mut mpsc::UnboundedReceiver<String>>,
}

/// What happens while listening, and what the user has to do.
#[derive(Clone, Debug)]
pub enum Step {
    /// Listening at a setting.
    Listening {
        /// Such as `9600 baud, 8N1`.
        settings: String,
        /// Which one it is, from 1.
        number: usize,
        /// How many there are.
        of: usize,
    },
    /// Something came at it.
    Heard {
        /// The setting.
        settings: String,
        /// What came.
        bytes: Vec<u8>,
        /// What it looks like.
        hearing: Hearing,
    },
    /// Put the meter on the tile and press its button.
    Press {
        /// Which press, from 1.
        number: u32,
    },
    /// Put the meter on the tile: it is going to be asked.
    PutOnTile,
    /// The meter is asked.
    Asking {
        /// Which reading, from 1.
        number: u32,
    },
    /// Lines from the tile.
    Lines {
        /// Which press.
        press: u32,
        /// The lines.
        lines: Vec<Vec<u8>>,
    },
    /// The meter sends without end: put it on the tile and hold it still.
    HoldStill,
    /// Lift the meter and hold it in the air.
    Lift,
}

/// What was heard in the end.
#[derive(Clone, Debug)]
pub enum Caught {
    /// Lines to propose a profile from.
    Lines(Box<Evidence>),
    /// Bytes came, and at no setting were they text.
    Garbage {
        /// Setting, bytes, and what they look like, for each setting at which something came.
        heard: Vec<(String, Vec<u8>, Hearing)>,
    },
    /// The settings are right, and then no press came.
    NoPress {
        /// The setting.
        settings: String,
        /// How many presses had come.
        presses: u32,
    },
    /// Nothing came at any setting.
    Nothing,
}

/// Listens by the plan; `tell` is told each step. The caller holds the lock of the port.
///
/// # Errors
/// If the port cannot be opened, or is lost meanwhile.
pub async fn listen(mut plan: Plan<'_>, tell: &mut dyn FnMut(Step)) -> Result<Caught, LinkProblem> {
    let mut heard = Vec::new();
    while let Some(serial) = plan.search.next_setting() {
        let settings = settings_of(&plan.port, serial);
        let words = settings.in_words();
        let (number, of) = plan.search.progress();
        tell(Step::Listening { settings: words.clone(), number, of });
        let mut ear = match Link::open(settings, None).await {
            Ok(link) => Ear::new(link),
            // Not every driver has every rate.
            Err(LinkProblem::SettingsRefused { .. }) if number < of => continue,
            Err(problem) => return Err(problem),
        };
        let (bytes, goes_on) = ear.sound(&plan).await?;
        if bytes.is_empty() {
            continue;
        }
        let hearing = hear(&bytes, serial.data_bits);
        tell(Step::Heard { settings: words.clone(), bytes: bytes.clone(), hearing: hearing.clone() });
        if hearing.verdict == Verdict::Text {
            let catch = Catch { serial, words, plan, tell };
            return catch.go_on(ear, &bytes, goes_on).await;
        }
        plan.search.learn(hearing.verdict);
        heard.push((words, bytes, hearing));
    }
    Ok(if heard.is_empty() { Caught::Nothing } else { Caught::Garbage { heard } })
}

fn settings_of(port: &str, serial: Serial) -> LinkSettings {
    LinkSettings {
        baud: serial.baud,
        data_bits: serial.data_bits,
        parity: serial.parity,
        ..LinkSettings::new(port)
    }
}

/// An open line, and the line of text under way.
struct Ear {
    link: Link,
    assembler: LineAssembler,
    /// Something came only when the meter was asked.
    was_asked: bool,
}

impl Ear {
    fn new(link: Link) -> Ear {
        Ear { link, assembler: LineAssembler::new(LineEnd::Any), was_asked: false }
    }

    /// What comes at a setting, by itself or when asked; and whether it goes on and on.
    async fn sound(&mut self, plan: &Plan<'_>) -> Result<(Vec<u8>, bool), LinkProblem> {
        let Some((request, _)) = &plan.request else {
            return self.gather(plan.wait, HEARD_OVER, STREAMS).await;
        };
        // A meter that sends by itself needs no asking.
        let (bytes, goes_on) = self.gather(PRESS_OVER, HEARD_OVER, STREAMS).await?;
        if !bytes.is_empty() {
            return Ok((bytes, goes_on));
        }
        self.was_asked = true;
        self.link.send(request).await?;
        self.gather(ANSWER, HEARD_OVER, STREAMS).await
    }

    /// Bytes from the first on, which may take `first`, to a silence of `quiet`; or for `most`, which is told.
    async fn gather(
        &mut self,
        first: Duration,
        quiet: Duration,
        most: Duration,
    ) -> Result<(Vec<u8>, bool), LinkProblem> {
        let mut bytes = Vec::new();
        let Some(fresh) = self.bytes_within(first).await? else { return Ok((bytes, false)) };
        bytes.extend(fresh);
        let mut over = std::pin::pin!(tokio::time::sleep(most));
        loop {
            tokio::select! {
                fresh = self.bytes_within(quiet) => match fresh? {
                    Some(fresh) => bytes.extend(fresh),
                    None => return Ok((bytes, false)),
                },
                () = &mut over => return Ok((bytes, true)),
            }
        }
    }

    async fn bytes_within(&mut self, patience: Duration) -> Result<Option<Vec<u8>>, LinkProblem> {
        let fresh = async {
            loop {
                match self.link.next().await {
                    LinkEvent::Bytes(bytes) => return Ok(bytes),
                    LinkEvent::Down { why } | LinkEvent::StillDown { why, .. } => return Err(why),
                    // What had waited in the driver came at another setting.
                    LinkEvent::Stale(_) | LinkEvent::Up { .. } => {}
                }
            }
        };
        match tokio::time::timeout(patience, fresh).await {
            Ok(bytes) => bytes.map(Some),
            Err(_elapsed) => Ok(None),
        }
    }

    fn lines(&mut self, bytes: &[u8]) -> Vec<Vec<u8>> {
        let mut lines = Vec::new();
        self.assembler.feed(bytes, |line| {
            if let Line::Whole(line) = line {
                lines.push(line.to_vec());
            }
        });
        lines
    }

    /// Everything within a time, which ends early only where the line is silent for all of it.
    async fn window(&mut self) -> Result<Vec<Vec<u8>>, LinkProblem> {
        let (bytes, _) = self.gather(WINDOW, WINDOW, WINDOW).await?;
        Ok(self.lines(&bytes))
    }
}

/// The right settings, and what is still to be heard.
struct Catch<'a, 'r> {
    serial: Serial,
    words: String,
    plan: Plan<'r>,
    tell: &'a mut dyn FnMut(Step),
}

impl Catch<'_, '_> {
    async fn go_on(mut self, mut ear: Ear, first: &[u8], goes_on: bool) -> Result<Caught, LinkProblem> {
        let (lines, end, _) = cut_into_lines(first);
        ear.assembler = LineAssembler::new(end.map_or(LineEnd::Any, LineEnd::Byte));
        let mut evidence =
            Evidence { serial: self.serial, end, known: self.plan.known.clone(), ..Evidence::default() };
        if goes_on && lines.len() >= STREAM_LINES {
            // What is under way goes on in the next window.
            let _ = ear.lines(first);
            return self.stream(ear, evidence).await;
        }
        let asked = self.plan.request.take().filter(|_| ear.was_asked);
        evidence.lines = lines.into_iter().map(|bytes| HeardLine { bytes, when: When::Before }).collect();
        match asked {
            Some((request, written)) => self.answers(ear, evidence, &request, written).await,
            None => self.presses(ear, evidence).await,
        }
    }

    async fn presses(mut self, mut ear: Ear, mut evidence: Evidence) -> Result<Caught, LinkProblem> {
        for number in 1..=PRESSES {
            (self.tell)(Step::Press { number });
            let (bytes, goes_on) = ear.gather(self.plan.press_wait, PRESS_OVER, 2 * STREAMS).await?;
            let lines = ear.lines(&bytes);
            if bytes.is_empty() {
                return Ok(Caught::NoPress { settings: self.words, presses: number - 1 });
            }
            if goes_on && lines.len() >= STREAM_LINES {
                return self.stream(ear, evidence).await;
            }
            self.take(&mut evidence, number, lines);
        }
        Ok(Caught::Lines(Box::new(evidence)))
    }

    async fn answers(
        mut self,
        mut ear: Ear,
        mut evidence: Evidence,
        request: &[u8],
        written: String,
    ) -> Result<Caught, LinkProblem> {
        (self.tell)(Step::PutOnTile);
        self.wait_until_ready(&mut ear).await?;
        let mut echo = false;
        for number in 1..=PRESSES {
            let mut bytes = Vec::new();
            for _ in 0..TRIES {
                (self.tell)(Step::Asking { number });
                ear.link.send(request).await?;
                bytes = ear.gather(ANSWER, HEARD_OVER, STREAMS).await?.0;
                if !bytes.is_empty() {
                    break;
                }
            }
            if bytes.is_empty() {
                return Ok(Caught::NoPress { settings: self.words, presses: number - 1 });
            }
            let mut lines = ear.lines(&bytes);
            let count = lines.len();
            lines.retain(|line| line.as_slice() != request.trim_ascii_end());
            echo |= lines.len() < count;
            self.take(&mut evidence, number, lines);
        }
        evidence.lines.retain(|line| line.bytes.as_slice() != request.trim_ascii_end());
        evidence.how = How::Ask { request: written, echo };
        Ok(Caught::Lines(Box::new(evidence)))
    }

    async fn stream(mut self, mut ear: Ear, mut evidence: Evidence) -> Result<Caught, LinkProblem> {
        (self.tell)(Step::HoldStill);
        self.wait_until_ready(&mut ear).await?;
        let windows = self.plan.press_wait.as_millis() / WINDOW.as_millis();
        let mut still = Vec::new();
        for _ in 0..windows.max(2) {
            still = ear.window().await?;
            if stands_still(&still, &self.plan.known) {
                break;
            }
        }
        (self.tell)(Step::Lines { press: 1, lines: still.clone() });
        (self.tell)(Step::Lift);
        let (mut air, mut silent) = (Vec::new(), false);
        for _ in 0..LIFT_WINDOWS {
            let now = ear.window().await?;
            silent = now.is_empty();
            if silent {
                break;
            }
            if has_left(&still, &now) {
                // The first window may have the lift in it; the next shows the air alone.
                air = ear.window().await?;
                break;
            }
        }
        let numbered = (1..).zip(&still);
        evidence
            .lines
            .extend(numbered.map(|(n, line)| HeardLine { bytes: line.clone(), when: When::Tile(n) }));
        evidence.lines.extend(air.into_iter().map(|bytes| HeardLine { bytes, when: When::Air }));
        evidence.how = How::Stream { silent_in_air: silent };
        Ok(Caught::Lines(Box::new(evidence)))
    }

    fn take(&mut self, evidence: &mut Evidence, press: u32, lines: Vec<Vec<u8>>) {
        (self.tell)(Step::Lines { press, lines: lines.clone() });
        evidence.lines.extend(lines.into_iter().map(|bytes| HeardLine { bytes, when: When::Tile(press) }));
    }

    /// Until the user says so; what comes meanwhile is passed over, up to the line under way.
    async fn wait_until_ready(&mut self, ear: &mut Ear) -> Result<(), LinkProblem> {
        let Some(ready) = &mut self.plan.ready else { return Ok(()) };
        loop {
            tokio::select! {
                _said = ready.recv() => return Ok(()),
                bytes = ear.bytes_within(Duration::from_secs(3600)) => {
                    if let Some(bytes) = bytes? {
                        let _ = ear.lines(&bytes);
                    }
                }
            }
        }
    }
}
