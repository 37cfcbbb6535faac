//! Lines of a meter that is asked, and of one that streams, on their way to the machine.

use super::{Desk, sitting};
use crate::meter::{Found, LineOutcome, Refusal, SetEnd, StreamWatch, Way};
use crate::run::asking::{Asker, Claim};
use crate::run::machine::Stamp;
use crate::run::notice::{Effect, NotNow, Notice, StreamNotice, Want};
use crate::run::record::Resumed;
use crate::units::{Gloss, PerGeometry};

/// How readings come to this run.
pub(super) enum Source {
    /// By the meter's button.
    Press,
    /// By asking.
    Ask(Asker),
    /// Out of a stream.
    Stream(Stream),
}

/// A stream, and the kinds of refused lines that were told of since the last reading: at ten lines a
/// second nobody could read them all.
pub(super) struct Stream {
    watch: StreamWatch,
    told: Vec<&'static str>,
}

impl Source {
    pub(super) fn of(way: &Way) -> Source {
        match way {
            Way::Press => Source::Press,
            Way::Ask(plan) => Source::Ask(Asker::new(plan.clone())),
            Way::Stream(rule) => Source::Stream(Stream { watch: StreamWatch::new(*rule), told: Vec::new() }),
        }
    }

    pub(super) fn deadline_us(&self) -> Option<u64> {
        match self {
            Source::Ask(asker) => asker.deadline_us(),
            Source::Press | Source::Stream(_) => None,
        }
    }
}

impl Desk {
    /// Lets time pass, for the run and for what was asked.
    pub(super) fn pass_time(&mut self, now_us: u64, out: &mut Vec<Effect>) {
        self.machine.pass_time(now_us, out);
        self.look_at_want(out);
        self.ask_on(now_us, out);
    }

    /// Lets time pass for what was asked.
    pub(super) fn ask_on(&mut self, now_us: u64, out: &mut Vec<Effect>) {
        if let Source::Ask(asker) = &mut self.source {
            asker.pass_time(now_us, out);
        }
    }

    /// Something else may be wanted now. A reading that is under way was meant for what was wanted
    /// before.
    pub(super) fn look_at_want(&mut self, out: &mut Vec<Effect>) {
        if self.note_want() {
            match &mut self.source {
                Source::Press => {}
                Source::Ask(asker) => asker.outdate(out),
                Source::Stream(stream) => stream.watch.spend(),
            }
        }
    }

    /// Keeps what is wanted in mind; whether it has changed.
    fn note_want(&mut self) -> bool {
        if let Source::Press = self.source {
            return false;
        }
        let want = Some(self.machine.want());
        std::mem::replace(&mut self.wanted, want) != want
    }

    /// The operator asks for a reading.
    pub(super) fn read(&mut self, now_us: u64, out: &mut Vec<Effect>) {
        self.pass_time(now_us, out);
        let why = match (&mut self.source, self.machine.want()) {
            (_, Want::Nothing) => "the run is over; a new one starts with `halfpanel run`",
            (Source::Press, _) => "this meter is not asked: put it down and press its own button",
            (Source::Stream(_), _) => "this meter is not asked: put it down and hold it still",
            (_, Want::Resume) => "the run is paused; `resume` goes on",
            (_, Want::Adjust) => "the meter is being adjusted; say `adjusted` when it is set",
            _ if !self.link_up => "the meter's line is down; `read` asks once it is up",
            (Source::Ask(asker), _) => match asker.read(now_us, out) {
                Ok(()) => return,
                Err(why) => return out.push(Effect::Tell(Notice::WordRefused { why })),
            },
        };
        out.push(Effect::Tell(Notice::WordRefused { why: why.to_owned() }));
    }

    /// A request is on the disk, and goes out.
    pub(super) fn sent(&mut self, now_us: u64, request: &[u8]) {
        self.hints.asked();
        if let Source::Ask(asker) = &mut self.source {
            asker.sent(now_us, request);
        }
    }

    pub(super) fn link(&mut self, now_us: u64, up: bool, out: &mut Vec<Effect>) {
        match &mut self.source {
            Source::Press => {}
            Source::Ask(asker) if up => asker.line_up(now_us, out),
            Source::Ask(asker) => asker.cut(out),
            Source::Stream(stream) => stream.watch.line_up(now_us),
        }
    }

    pub(super) fn take_up(&mut self, at: Stamp, resumed: &Resumed, out: &mut Vec<Effect>) {
        self.link_up = false;
        if let Source::Ask(asker) = &mut self.source {
            asker.cut(out);
        }
        self.machine.begin_sitting(sitting(at.at_us, &resumed.wall));
        self.machine.resumed(at.at_us, resumed.gap_unknown, out);
        self.look_at_want(out);
    }

    /// A whole line of a meter that is asked, or that streams. Its time passes first, as it would have
    /// with a tick.
    pub(super) fn whole_line(&mut self, at: Stamp, line: &[u8], out: &mut Vec<Effect>) {
        self.pass_time(at.at_us, out);
        if let Source::Ask(asker) = &mut self.source
            && (asker.is_echo(line, out) || asker.take_error(line, out))
        {
            self.counts.ignored += 1;
            return;
        }
        let outcome = self.reader.read(line);
        match (&self.source, outcome) {
            (_, LineOutcome::Ignored) => self.counts.ignored += 1,
            (Source::Stream(_), outcome) => self.stream_line(at, line, outcome, out),
            (_, outcome) => self.answer(at, line, outcome, out),
        }
    }

    fn answer(&mut self, at: Stamp, line: &[u8], outcome: LineOutcome, out: &mut Vec<Effect>) {
        if let (LineOutcome::Values { gloss, sequence }, true) = (&outcome, self.sets.is_some()) {
            return self.part_of_answer(at, line, gloss, *sequence, out);
        }
        self.end_set(SetEnd::Refused, out);
        let Source::Ask(asker) = &mut self.source else { return };
        let claim = asker.claim();
        let is_taken = match (outcome, claim) {
            (LineOutcome::Ignored, _) => return,
            (LineOutcome::Refused(why), _) => {
                self.refuse(line.to_vec(), why, out);
                false
            }
            (LineOutcome::Values { gloss, sequence }, Claim::Answer) => {
                self.hints.good(line, &self.reader);
                self.values(at, line, &gloss, sequence.map(|number| (number, number)), out)
            }
            (LineOutcome::Values { sequence, .. }, claim) => {
                self.last_sequence = sequence.or(self.last_sequence);
                self.counts.refused += 1;
                self.tell_unwanted(at.at_us, line, claim, out);
                true
            }
        };
        self.after_answer(claim, is_taken, out);
    }

    /// An answer has come to its end, taken or not.
    pub(super) fn after_answer(&mut self, claim: Claim, is_taken: bool, out: &mut Vec<Effect>) {
        self.note_want();
        if !is_taken
            && claim == Claim::Answer
            && let Source::Ask(asker) = &mut self.source
        {
            asker.failed(out);
        }
    }

    /// A good line that was not taken. One that nobody asked for is told once a second at most: the meter
    /// may be one that sends without end.
    pub(super) fn tell_unwanted(&mut self, now_us: u64, line: &[u8], claim: Claim, out: &mut Vec<Effect>) {
        let Source::Ask(asker) = &mut self.source else { return };
        let why = match claim {
            Claim::Unasked if !asker.may_tell_unasked(now_us) => return,
            Claim::Unasked => NotNow::Unasked,
            Claim::Outdated | Claim::Answer => NotNow::Outdated,
        };
        out.push(Effect::Tell(Notice::NotNow { line: line.to_vec(), why }));
    }

    /// Whether the time for an answer has run out since this was asked last.
    pub(super) fn has_timed_out(&mut self) -> bool {
        match &mut self.source {
            Source::Ask(asker) => asker.has_timed_out(),
            Source::Press | Source::Stream(_) => false,
        }
    }

    fn stream_line(&mut self, at: Stamp, line: &[u8], outcome: LineOutcome, out: &mut Vec<Effect>) {
        let plan = &self.machine.ledger().setup.geometries;
        let why = match outcome {
            LineOutcome::Ignored => return,
            LineOutcome::Refused(why) => why,
            LineOutcome::Values { gloss, .. } if plan.iter().any(|&g| gloss.get(g).is_none()) => {
                super::not_planned(plan, &gloss)
            }
            LineOutcome::Values { gloss, sequence } => {
                if sequence.is_some() && sequence == std::mem::replace(&mut self.last_sequence, sequence) {
                    return;
                }
                self.hints.good(line, &self.reader);
                let gloss = plan.iter().filter_map(|&g| gloss.get(g).map(|&v| (g, v))).collect();
                return self.stream_value(at, line, gloss, out);
            }
        };
        self.miss(at, line, why, out);
    }

    /// A line that is too long for one.
    pub(super) fn too_long(&mut self, at: Stamp, first_bytes: &[u8], out: &mut Vec<Effect>) {
        let why = Refusal::too_long(first_bytes);
        match self.source {
            Source::Stream(_) => self.miss(at, first_bytes, why, out),
            Source::Press | Source::Ask(_) => self.refuse(first_bytes.to_vec(), why, out),
        }
    }

    /// A line of a stream without a value.
    fn miss(&mut self, at: Stamp, line: &[u8], why: Refusal, out: &mut Vec<Effect>) {
        self.counts.refused += 1;
        self.hints.refused(line, &why);
        let Source::Stream(stream) = &mut self.source else { return };
        stream.watch.miss(at.at_us, matches!(why, Refusal::ErrorWord { .. }));
        if !stream.told.contains(&why.code()) {
            stream.told.push(why.code());
            out.push(Effect::Tell(Notice::Refused { line: line.to_vec(), why }));
        }
    }

    fn stream_value(&mut self, at: Stamp, line: &[u8], gloss: PerGeometry<Gloss>, out: &mut Vec<Effect>) {
        let Source::Stream(stream) = &mut self.source else { return };
        let limit_gu = stream.watch.rule().spread_gu;
        let found = stream.watch.feed(at.at_us, gloss);
        // While nothing can be taken, a stream goes by without a word.
        let is_wanted = matches!(self.machine.want(), Want::Tile { .. } | Want::Zone { .. });
        let notice = match found.filter(|_| is_wanted) {
            None => return,
            Some(Found::Reading(gloss)) => {
                stream.told.clear();
                self.place(at, line, &gloss, out);
                self.note_want();
                return;
            }
            Some(Found::Wobble { geometry, apart_gu }) => {
                StreamNotice::Wobble { geometry, apart_gu, limit_gu }
            }
            Some(Found::StillThere) => StreamNotice::StillThere,
        };
        out.push(Effect::Tell(Notice::Stream(notice)));
    }
}
