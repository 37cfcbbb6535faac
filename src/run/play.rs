//! A run fed by its records: live ones as they come back from the disk, or those of a recording.
//! There is no other way in, which is why a replay gives what the bench gave.

use super::asking::AskNotice;
use super::hints::Hints;
use super::ledger::{Ledger, RunState, Sitting, ZoneRange};
use super::machine::{Machine, Stamp};
use super::notice::{Effect, Notice, Want};
use super::record::{Body, Head, Record, RecordingError, Scanner, Tail};
use super::word::Word;
use crate::meter::{
    Habits, Line, LineAssembler, LineOutcome, LineReader, Profile, Refusal, SequenceRange, SetEnd,
};
use crate::units::{Geometry, Gloss, PerGeometry};
use chrono::{DateTime, FixedOffset};
use std::collections::BTreeMap;
use std::io::BufRead;

mod sets;
mod ways;

use sets::Sets;
use ways::Source;

/// A run and the lines on their way into it.
pub struct Run {
    lines: LineAssembler,
    desk: Desk,
    habits: Habits,
}

/// Counts of what came, for the screen and the logs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Lines read while the link was up, blank ones aside.
    pub lines: u64,
    /// Lines that the profile passes over.
    pub ignored: u64,
    /// Lines that were not taken as readings.
    pub refused: u64,
}

/// Everything behind the line assembler.
struct Desk {
    machine: Machine,
    reader: LineReader,
    sequence: Option<SequenceRange>,
    last_sequence: Option<u64>,
    link_up: bool,
    counts: Counts,
    source: Source,
    /// What was wanted when it was last looked at; not looked at for a meter with a button.
    wanted: Option<Want>,
    hints: Hints,
    /// Where the lines of one press or answer belong together.
    sets: Option<Sets>,
}

/// A head whose parts do not fit together, as after an edit by hand.
#[derive(Debug, thiserror::Error)]
#[error("the recording's head cannot be followed: {what}")]
pub struct BadHead {
    /// What does not fit.
    pub what: String,
}

impl Run {
    /// A run at its start, set up by the head of its recording.
    ///
    /// # Errors
    /// [`BadHead`] if the set-up or the profile in the head does not hold together.
    pub fn open(head: &Head) -> Result<Run, BadHead> {
        head.check().map_err(|what| BadHead { what })?;
        let profile = Profile::load("profile in the head", &head.setup.profile)
            .map_err(|problem| BadHead { what: problem.to_string() })?;
        let ledger = Ledger {
            id: head.run.clone(),
            program: head.program.clone(),
            setup: head.setup.clone(),
            specification: profile.specification(),
            readings: Vec::new(),
            checks: Vec::new(),
            brackets: Vec::new(),
            attempts: vec![1; head.setup.zones.len()],
            ranges: vec![ZoneRange::default(); head.setup.zones.len()],
            skipped: BTreeMap::new(),
            voids: BTreeMap::new(),
            sittings: vec![sitting(0, &head.wall)],
            state: RunState::Open,
        };
        let desk = Desk {
            machine: Machine::new(ledger),
            sequence: profile.sequence(),
            last_sequence: None,
            link_up: false,
            counts: Counts::default(),
            source: Source::of(profile.way()),
            wanted: None,
            hints: Hints::of(&profile, head.setup.serial_number.is_some()),
            sets: profile.joiner().map(Sets::new),
            reader: profile.reader().of_meter(head.setup.serial_number.as_deref()),
        };
        Ok(Run { lines: profile.assembler(), desk, habits: profile.habits() })
    }

    /// Applies one record, and tells what has to be done and said.
    pub fn apply(&mut self, record: &Record<'_>, out: &mut Vec<Effect>) {
        let at = Stamp { at_us: record.at_us, record: record.n };
        self.desk.hints.at(at.at_us);
        self.desk.end_late_set(at.at_us, out);
        match &record.body {
            Body::Bytes(bytes) if self.desk.link_up => {
                let desk = &mut self.desk;
                desk.hints.bytes();
                self.lines.feed(bytes, |line| {
                    desk.line(at, line, out);
                    desk.hints.tell(out);
                });
            }
            // Bytes from before the link came up are older than the run: recorded, never read.
            Body::Bytes(_) | Body::Head(_) => {}
            Body::Request(request) => self.desk.sent(at.at_us, request),
            Body::Word(Word::Read) => self.desk.read(at.at_us, out),
            Body::Word(word) => {
                self.desk.ask_on(at.at_us, out);
                self.desk.machine.word(at.at_us, word.clone(), out);
                self.desk.look_at_want(out);
            }
            Body::Link(link) => {
                self.cut_line(out);
                self.desk.end_set(SetEnd::Cut, out);
                self.desk.link_up = link.up;
                self.desk.hints.link(link.up);
                out.push(Effect::Tell(Notice::Link { up: link.up, what: link.what.clone() }));
                self.desk.link(at.at_us, link.up, out);
                self.desk.pass_time(at.at_us, out);
            }
            Body::Tick => {
                self.desk.pass_time(at.at_us, out);
                self.desk.look_for_silence(self.lines.under_way());
            }
            Body::Resumed(resumed) => {
                self.cut_line(out);
                self.desk.end_set(SetEnd::Cut, out);
                self.desk.hints.begin_sitting();
                self.desk.take_up(at, resumed, out);
            }
            Body::Clock(_) | Body::Seal(_) | Body::End(_) => {}
        }
        if self.desk.has_timed_out() {
            self.give_up_line(out);
        }
        self.desk.hints.tell(out);
    }

    /// An answer that was not ended in time is no reading, and must not run into the next one.
    fn give_up_line(&mut self, out: &mut Vec<Effect>) {
        if let Some(line) = self.lines.give_up_line() {
            self.desk.counts.lines += 1;
            self.desk.counts.refused += 1;
            out.push(Effect::Tell(Notice::Asking(AskNotice::Unfinished { line })));
        }
    }

    /// A line whose end did not come before the link changed is no reading.
    fn cut_line(&mut self, out: &mut Vec<Effect>) {
        if let Some(line) = self.lines.take_partial()
            && self.desk.link_up
        {
            self.desk.counts.lines += 1;
            let why = Refusal::cut_off(&line);
            self.desk.refuse(line, why, out);
        }
    }

    /// The books.
    #[must_use]
    pub fn ledger(&self) -> &Ledger {
        self.desk.machine.ledger()
    }

    /// What the operator should do next.
    #[must_use]
    pub fn want(&self) -> Want {
        self.desk.machine.want()
    }

    /// The next time at which something is due, microseconds since the start of the run.
    #[must_use]
    pub fn deadline_us(&self) -> Option<u64> {
        let (run, asked) = (self.desk.machine.deadline_us(), self.desk.source.deadline_us());
        let (silence, set) = (self.desk.hints.deadline_us(), self.desk.set_deadline_us());
        let beside = silence.into_iter().chain(set).filter(|_| !self.is_over());
        run.into_iter().chain(asked).chain(beside).min()
    }

    /// The next time at which the run itself has something due, whatever was asked of the meter.
    #[must_use]
    pub fn due_us(&self) -> Option<u64> {
        self.desk.machine.deadline_us()
    }

    /// Time of the last finished tile check, microseconds since the start of the run.
    #[must_use]
    pub fn last_check_us(&self) -> Option<u64> {
        self.desk.machine.last_check_us()
    }

    /// Whether the run is over.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.desk.machine.is_over()
    }

    /// What the operator should know of the meter before a sitting, a sentence each; from the profile.
    #[must_use]
    pub fn advice(&self) -> Vec<String> {
        self.habits.advice()
    }

    /// Whether the operator asks for each reading (`read`), since the meter has no button that sends.
    #[must_use]
    pub fn is_asked(&self) -> bool {
        matches!(self.desk.source, Source::Ask(_))
    }

    /// Whether readings are taken out of a stream, one for each time that the meter is put down.
    #[must_use]
    pub fn is_streamed(&self) -> bool {
        matches!(self.desk.source, Source::Stream(_))
    }

    /// Whether the meter is there.
    #[must_use]
    pub fn link_is_up(&self) -> bool {
        self.desk.link_up
    }

    /// Counts of lines.
    #[must_use]
    pub fn counts(&self) -> Counts {
        self.desk.counts
    }
}

impl Desk {
    fn line(&mut self, at: Stamp, line: Line<'_>, out: &mut Vec<Effect>) {
        self.counts.lines += 1;
        self.hints.line();
        let bytes = match line {
            Line::Whole(bytes) => bytes,
            Line::TooLong(bytes) => return self.too_long(at, bytes, out),
        };
        if !matches!(self.source, Source::Press) {
            return self.whole_line(at, bytes, out);
        }
        match self.reader.read(bytes) {
            LineOutcome::Values { gloss, sequence } if self.sets.is_some() => {
                self.part_of_press(at, bytes, &gloss, sequence, out);
            }
            LineOutcome::Values { gloss, sequence } => {
                self.hints.good(bytes, &self.reader);
                self.values(at, bytes, &gloss, sequence.map(|number| (number, number)), out);
            }
            LineOutcome::Ignored => self.counts.ignored += 1,
            LineOutcome::Refused(why) => self.refuse(bytes.to_vec(), why, out),
        }
    }

    /// Takes the values of a line, or of several that belong together, as a placement; whether they fit the
    /// plan and the numbers. `numbers` are those of the first and of the last line.
    fn values(
        &mut self,
        at: Stamp,
        line: &[u8],
        gloss: &PerGeometry<Gloss>,
        numbers: Option<(u64, u64)>,
        out: &mut Vec<Effect>,
    ) -> bool {
        let plan = &self.machine.ledger().setup.geometries;
        if plan.iter().any(|&g| gloss.get(g).is_none()) {
            let why = not_planned(plan, gloss);
            self.refuse(line.to_vec(), why, out);
            return false;
        }
        if let Some((came, latest)) = numbers {
            match self.last_sequence {
                Some(last) if last == came => {
                    let why = Refusal::SequenceRepeated { sequence: came };
                    self.refuse(line.to_vec(), why, out);
                    return false;
                }
                Some(last) => {
                    let expected = self.sequence.map_or(came, |range| range.after(last));
                    if expected != came {
                        self.hints.lost(line);
                        out.push(Effect::Tell(Notice::LinesLost { expected, came }));
                    }
                }
                None => {}
            }
            self.last_sequence = Some(latest);
        }
        self.place(at, line, gloss, out);
        true
    }

    /// Gives a placement to the run.
    fn place(&mut self, at: Stamp, line: &[u8], gloss: &PerGeometry<Gloss>, out: &mut Vec<Effect>) {
        let before = out.len();
        self.machine.placement(at, line, gloss, out);
        for effect in &out[before..] {
            if let Effect::Tell(Notice::Taken { first, .. }) = effect {
                self.hints.taken(line, gloss, *first, self.machine.ledger());
            }
        }
    }

    /// A deadline has passed: whether anything came since the line is up.
    fn look_for_silence(&mut self, partial: &[u8]) {
        let is_wanted = matches!(self.machine.want(), Want::Tile { .. } | Want::Zone { .. });
        self.hints.pass_time(is_wanted, partial);
    }

    fn refuse(&mut self, line: Vec<u8>, why: Refusal, out: &mut Vec<Effect>) {
        self.counts.refused += 1;
        self.hints.refused(&line, &why);
        out.push(Effect::Tell(Notice::Refused { line, why }));
    }
}

/// The refusal of a line without a geometry of the plan.
fn not_planned(plan: &[Geometry], gloss: &PerGeometry<Gloss>) -> Refusal {
    Refusal::GeometryNotPlanned {
        line_has: gloss.iter().map(|(geometry, _)| (geometry, ())).collect(),
        plan_wants: plan.iter().map(|&geometry| (geometry, ())).collect(),
    }
}

fn sitting(at_us: u64, wall: &DateTime<FixedOffset>) -> Sitting {
    Sitting { at_us, wall_us: wall.timestamp_micros(), offset_s: wall.offset().local_minus_utc() }
}

/// A recording, read to its end.
pub struct Replayed {
    /// The run as it stands behind the last whole record.
    pub run: Run,
    /// The head.
    pub head: Head,
    /// SHA-256 of the whole file.
    pub sha256: String,
    /// What the recording ended with.
    pub tail: Tail,
    /// Whether the `end` record is there.
    pub has_end: bool,
    /// Number of whole records.
    pub records: u32,
}

/// Why a recording could not be replayed.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// It cannot be read.
    #[error(transparent)]
    Recording(#[from] RecordingError),
    /// Its head does not hold together.
    #[error("{name}: {source}")]
    Head {
        /// Name of the recording.
        name: String,
        /// What is wrong.
        source: BadHead,
    },
}

impl ReplayError {
    /// Whether there is no head, so that nothing was ever taken.
    #[must_use]
    pub fn is_empty_recording(&self) -> bool {
        matches!(self, ReplayError::Recording(RecordingError::NoHead { .. }))
    }

    /// What to do about it.
    #[must_use]
    pub fn hint(&self) -> String {
        match self {
            ReplayError::Recording(error) => error.hint(),
            ReplayError::Head { .. } => {
                "the head was written by another program or edited by hand; take the file \
                from a backup"
                    .to_owned()
            }
        }
    }
}

/// Reads a recording to its end. `each` sees every record behind the head once it was applied, with the
/// run and the effects it had.
///
/// # Errors
/// [`ReplayError`], with the place.
pub fn replay(
    name: &str,
    scanner: &mut Scanner<impl BufRead>,
    mut each: impl FnMut(&Record<'_>, &mut Run, &mut Vec<Effect>),
) -> Result<Replayed, ReplayError> {
    let mut effects = Vec::new();
    let first = scanner.next_record()?;
    let Some(Record { body: Body::Head(head), .. }) = first else {
        // The scanner gives a head first or an error.
        return Err(RecordingError::NoHead { name: name.to_owned(), whole: 0 }.into());
    };
    let head = *head;
    let mut run = Run::open(&head).map_err(|source| ReplayError::Head { name: name.to_owned(), source })?;
    let mut records = 1;
    while let Some(record) = scanner.next_record()? {
        run.apply(&record, &mut effects);
        records = record.n;
        each(&record, &mut run, &mut effects);
        effects.clear();
    }
    let tail = scanner.tail().cloned().unwrap_or_default();
    Ok(Replayed { run, head, sha256: scanner.sha256(), tail, has_end: scanner.has_end(), records })
}
