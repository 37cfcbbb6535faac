//! Asking a meter for a reading: requests, answers, silence, and the meter's own queue of errors. Pure:
//! times are those of records, requests are effects, and a request counts as sent once its record is
//! there.

use super::notice::{Effect, Notice};
use crate::meter::{Asking, Seen};
use std::fmt;

/// Entries of the error queue that are read after one failure. Source of the bound: none; a queue that
/// is longer says more about the program that filled it than about this reading.
const MOST_ERRORS: u32 = 10;

/// Least time between two lines that nobody asked for and that are told, microseconds.
const UNASKED_EVERY_US: u64 = 1_000_000;

/// What the operator is told of the asking.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum AskNotice {
    /// No answer came in time; the meter is asked once more.
    Again {
        /// What is sent.
        request: Box<[u8]>,
        /// Which try comes, from 2.
        attempt: u32,
        /// Tries there are.
        of: u32,
    },
    /// No answer came to any try.
    NoAnswer {
        /// What was sent.
        request: Box<[u8]>,
        /// How long each try waited, ms.
        timeout_ms: u64,
        /// How often it was sent.
        tries: u32,
    },
    /// An answer is not awaited any more: the line went down, the run stopped, or something else is wanted.
    Cut,
    /// The meter sends requests back, and the profile does not say so.
    Echoed {
        /// What came back.
        line: Vec<u8>,
    },
    /// One entry of the meter's error queue.
    MeterError {
        /// The entry, as it came.
        line: Vec<u8>,
    },
    /// The error queue is read to its end, or to the last entry that is read.
    ErrorsRead {
        /// Entries that were told.
        told: u32,
        /// Whether the queue is empty.
        empty: bool,
    },
    /// Part of an answer came, and not its end.
    Unfinished {
        /// What came.
        line: Vec<u8>,
    },
    /// The error queue could not be read.
    ErrorsUnread {
        /// What was sent.
        request: Box<[u8]>,
    },
}

impl AskNotice {
    /// A short name that stays the same, for programs.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            AskNotice::Again { .. } => "asked-again",
            AskNotice::NoAnswer { .. } => "no-answer",
            AskNotice::Cut => "ask-cut",
            AskNotice::Echoed { .. } => "echoed",
            AskNotice::MeterError { .. } => "meter-error",
            AskNotice::ErrorsRead { .. } => "errors-read",
            AskNotice::Unfinished { .. } => "unfinished",
            AskNotice::ErrorsUnread { .. } => "errors-unread",
        }
    }
}

impl fmt::Display for AskNotice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            AskNotice::Again { request, attempt, of } => {
                write!(f, "no answer yet; {} is sent again, try {attempt} of {of}", Seen::new(request))
            }
            AskNotice::NoAnswer { request, timeout_ms, tries } => write!(
                f,
                "no reading: {} was sent {tries} time{}, and nothing came within {timeout_ms} ms of any: look whether \
                 the meter is on and its cable is in, and compare `baud`, `request` and `timeout_ms` of the profile \
                 with its manual; then `read` asks again",
                Seen::new(request),
                if *tries == 1 { "" } else { "s" }
            ),
            AskNotice::Cut => f.write_str(
                "the meter had been asked, and its answer is not awaited any more: `read` asks again",
            ),
            AskNotice::Echoed { line } => write!(
                f,
                "the meter sends requests back ({}): set `echo = true` in the profile's `[reading]`",
                Seen::new(line)
            ),
            AskNotice::MeterError { line } => write!(f, "the meter's error queue says {}", Seen::new(line)),
            AskNotice::ErrorsRead { told: 0, .. } => {
                f.write_str("the meter's error queue is empty: by itself the meter knows of no error")
            }
            AskNotice::ErrorsRead { told, empty: true } => write!(
                f,
                "the meter's error queue is read to its end, {told} told: look these up in its manual, then `read` asks again"
            ),
            AskNotice::ErrorsRead { told, empty: false } => write!(
                f,
                "{told} entries of the meter's error queue were told and more may follow: look these up in its manual"
            ),
            AskNotice::Unfinished { line } => write!(
                f,
                "not taken: {} came and was not ended in time; what still comes of it is dropped. If it is a whole answer, the \
                 profile's `end` is not the meter's",
                Seen::new(line)
            ),
            AskNotice::ErrorsUnread { request } => {
                write!(
                    f,
                    "the meter's error queue could not be read either: nothing came to {}",
                    Seen::new(request)
                )
            }
        }
    }
}

/// Whether a line may be taken as the answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Claim {
    /// The meter was asked, and this is what for.
    Answer,
    /// The meter was asked for something that is no longer wanted.
    Outdated,
    /// Nothing was asked.
    Unasked,
}

/// One meter that is asked.
pub struct Asker {
    plan: Asking,
    state: State,
    /// Requests for a reading to which nothing has come.
    unanswered: u32,
    /// When the last of them was sent.
    last_us: u64,
    told_busy: bool,
    told_echo: bool,
    timed_out: bool,
    told_unasked_us: Option<u64>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Idle,
    /// Asks once late answers to earlier requests can no longer come.
    Held {
        until_us: u64,
    },
    /// The deadline is there once the request is sent.
    Waiting {
        attempt: u32,
        deadline_us: Option<u64>,
        outdated: bool,
    },
    /// The first line of an answer of several has come; its time is not the asker's any more.
    Answering {
        outdated: bool,
    },
    /// Reads the error queue, this entry now.
    Errors {
        entry: u32,
        deadline_us: Option<u64>,
    },
}

impl Asker {
    /// Nothing asked yet.
    pub fn new(plan: Asking) -> Asker {
        Asker {
            plan,
            state: State::Idle,
            unanswered: 0,
            last_us: 0,
            told_busy: false,
            told_echo: false,
            timed_out: false,
            told_unasked_us: None,
        }
    }

    /// The next time at which something is due.
    pub fn deadline_us(&self) -> Option<u64> {
        match self.state {
            State::Idle | State::Answering { .. } => None,
            State::Held { until_us } => Some(until_us),
            State::Waiting { deadline_us, .. } | State::Errors { deadline_us, .. } => deadline_us,
        }
    }

    /// The line came up: what the profile sends once goes out.
    pub fn line_up(&mut self, now_us: u64, out: &mut Vec<Effect>) {
        // An answer to what was asked before may still be on its way.
        self.last_us = now_us;
        out.extend(self.plan.start.iter().cloned().map(Effect::Request));
    }

    /// The line went down, or the run was taken up again: what was asked is not believed answered.
    pub fn cut(&mut self, out: &mut Vec<Effect>) {
        if matches!(
            self.state,
            State::Waiting { outdated: false, .. }
                | State::Answering { outdated: false }
                | State::Held { .. }
        ) {
            out.push(tell(AskNotice::Cut));
        }
        self.state = State::Idle;
    }

    /// The operator asks for a reading.
    ///
    /// # Errors
    /// A sentence, once, if the meter is being asked already.
    pub fn read(&mut self, now_us: u64, out: &mut Vec<Effect>) -> Result<(), String> {
        match self.state {
            State::Idle => {}
            _ if std::mem::replace(&mut self.told_busy, true) => return Ok(()),
            State::Errors { .. } => {
                return Err("the meter's error queue is being read; ask again after it".to_owned());
            }
            _ => return Err("the meter has been asked already; its answer is awaited".to_owned()),
        }
        self.told_busy = false;
        let quiet_us = self.last_us.saturating_add(self.plan.timeout_us);
        if self.unanswered > 0 && now_us < quiet_us {
            self.state = State::Held { until_us: quiet_us };
            return Ok(());
        }
        self.ask(1, out);
        Ok(())
    }

    fn ask(&mut self, attempt: u32, out: &mut Vec<Effect>) {
        if attempt == 1 {
            self.unanswered = 0;
        }
        self.state = State::Waiting { attempt, deadline_us: None, outdated: false };
        out.push(Effect::Request(self.plan.request.clone()));
    }

    /// A request is on the disk, and goes out.
    pub fn sent(&mut self, now_us: u64, request: &[u8]) {
        let until_us = now_us.saturating_add(self.plan.timeout_us);
        match &mut self.state {
            State::Waiting { deadline_us: deadline @ None, .. } if *request == *self.plan.request => {
                *deadline = Some(until_us);
            }
            State::Errors { deadline_us: deadline @ None, .. } => *deadline = Some(until_us),
            _ => {}
        }
        if *request == *self.plan.request {
            self.unanswered = self.unanswered.saturating_add(1);
            self.last_us = now_us;
        }
    }

    /// Something else is wanted now than when the meter was asked.
    pub fn outdate(&mut self, out: &mut Vec<Effect>) {
        match &mut self.state {
            State::Waiting { outdated, .. } | State::Answering { outdated } => *outdated = true,
            // Nothing has been sent yet.
            State::Held { .. } => self.cut(out),
            State::Idle | State::Errors { .. } => {}
        }
    }

    /// Lets time pass.
    pub fn pass_time(&mut self, now_us: u64, out: &mut Vec<Effect>) {
        if self.deadline_us().is_none_or(|deadline| now_us < deadline) {
            return;
        }
        self.timed_out = !matches!(self.state, State::Held { .. });
        match self.state {
            State::Idle | State::Answering { .. } => {}
            State::Held { .. } => self.ask(1, out),
            State::Waiting { outdated: true, .. } => {
                out.push(tell(AskNotice::Cut));
                self.state = State::Idle;
            }
            State::Waiting { attempt, .. } if attempt < self.plan.tries => {
                let (request, of) = (self.plan.request.clone(), self.plan.tries);
                out.push(tell(AskNotice::Again { request, attempt: attempt + 1, of }));
                self.ask(attempt + 1, out);
            }
            State::Waiting { attempt: tries, .. } => {
                let (request, timeout_ms) = (self.plan.request.clone(), self.plan.timeout_us / 1_000);
                out.push(tell(AskNotice::NoAnswer { request, timeout_ms, tries }));
                self.failed(out);
            }
            State::Errors { .. } => {
                let request = self.plan.error_query.clone().unwrap_or_default();
                out.push(tell(AskNotice::ErrorsUnread { request }));
                self.state = State::Idle;
            }
        }
    }

    /// Whether the time for an answer has run out since this was asked last.
    pub fn has_timed_out(&mut self) -> bool {
        std::mem::take(&mut self.timed_out)
    }

    /// Whether a line that nobody asked for may be told: once in [`UNASKED_EVERY_US`].
    pub fn may_tell_unasked(&mut self, now_us: u64) -> bool {
        let may = self.told_unasked_us.is_none_or(|told| now_us.saturating_sub(told) >= UNASKED_EVERY_US);
        if may {
            self.told_unasked_us = Some(now_us);
        }
        may
    }

    /// Whether a line is a request that the meter sent back. It is passed over; where the profile does
    /// not say that the meter does so, that is told once.
    pub fn is_echo(&mut self, line: &[u8], out: &mut Vec<Effect>) -> bool {
        let line_of = |request: &[u8]| without_end(request).trim_ascii().to_vec();
        let came = line.trim_ascii();
        let requests =
            std::iter::once(&self.plan.request).chain(&self.plan.start).chain(&self.plan.error_query);
        let is_echo = requests.map(|r| line_of(r)).any(|r| !r.is_empty() && r == came);
        if is_echo && !self.plan.echo && !std::mem::replace(&mut self.told_echo, true) {
            out.push(tell(AskNotice::Echoed { line: line.to_vec() }));
        }
        is_echo
    }

    /// Takes a line as an answer of the error queue, if the meter has one and it looks like that.
    pub fn take_error(&mut self, line: &[u8], out: &mut Vec<Effect>) -> bool {
        let (Some(number), true) = (error_number(line), self.plan.error_query.is_some()) else {
            return false;
        };
        let entry = match self.state {
            State::Errors { entry, .. } => entry,
            // It was asked for earlier, and comes late.
            _ if number == 0 => return true,
            _ => {
                out.push(tell(AskNotice::MeterError { line: line.to_vec() }));
                return true;
            }
        };
        if number == 0 {
            out.push(tell(AskNotice::ErrorsRead { told: entry - 1, empty: true }));
            self.state = State::Idle;
            return true;
        }
        out.push(tell(AskNotice::MeterError { line: line.to_vec() }));
        if entry >= MOST_ERRORS {
            out.push(tell(AskNotice::ErrorsRead { told: entry, empty: false }));
            self.state = State::Idle;
        } else {
            self.query(entry + 1, out);
        }
        true
    }

    /// What a line may be taken for that is neither passed over nor an error. It counts as one answer.
    pub fn claim(&mut self) -> Claim {
        let claim = self.claim_part();
        if claim != Claim::Unasked {
            self.state = State::Idle;
        }
        claim
    }

    /// The same for a line of an answer of several, which counts as one answer with all of them; the others
    /// are still to come, until [`claim`](Self::claim).
    pub fn claim_part(&mut self) -> Claim {
        let outdated = match self.state {
            State::Answering { outdated } => outdated,
            State::Waiting { outdated, .. } => {
                self.unanswered = self.unanswered.saturating_sub(1);
                outdated
            }
            _ => {
                self.unanswered = self.unanswered.saturating_sub(1);
                return Claim::Unasked;
            }
        };
        self.state = State::Answering { outdated };
        if outdated { Claim::Outdated } else { Claim::Answer }
    }

    /// The rest of an answer of several lines did not come in time: what still comes is no part of it.
    pub const fn part_timed_out(&mut self) {
        self.timed_out = true;
    }

    /// There is no reading: the error queue may say why.
    pub fn failed(&mut self, out: &mut Vec<Effect>) {
        self.query(1, out);
    }

    fn query(&mut self, entry: u32, out: &mut Vec<Effect>) {
        let Some(query) = &self.plan.error_query else {
            self.state = State::Idle;
            return;
        };
        out.push(Effect::Request(query.clone()));
        self.state = State::Errors { entry, deadline_us: None };
    }
}

fn tell(notice: AskNotice) -> Effect {
    Effect::Tell(Notice::Asking(notice))
}

fn without_end(request: &[u8]) -> &[u8] {
    let end = request.iter().rposition(|b| !matches!(b, b'\r' | b'\n'));
    &request[..end.map_or(0, |last| last + 1)]
}

/// The number of an entry of the error queue, such as `-113,"Undefined header"`. Source: SCPI-1999,
/// volume 2, 21.8 (`SYSTem:ERRor?`): a number, a comma, a string; 0 says that the queue is empty.
fn error_number(line: &[u8]) -> Option<i32> {
    let text = std::str::from_utf8(line).ok()?;
    let (number, says) = text.trim().split_once(',')?;
    says.trim_start().starts_with(['"', '\'']).then(|| number.trim().parse().ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entries_of_the_error_queue_are_told_from_readings() {
        for (line, number) in [
            ("0,\"No error\"", Some(0)),
            ("+0,\"No error\"\r", Some(0)),
            ("-113,\"Undefined header;RED?\"", Some(-113)),
            ("60,85.3", None),
            ("85.3", None),
            ("\"No error\"", None),
            (",\"\"", None),
        ] {
            assert_eq!(error_number(line.as_bytes()), number, "{line}");
        }
    }
}
