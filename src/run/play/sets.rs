//! Lines that belong together, one for each angle, on their way to the machine as one placement.

use super::Desk;
use super::ways::Source;
use crate::meter::{Joiner, Refusal, SetEnd};
use crate::run::asking::Claim;
use crate::run::machine::Stamp;
use crate::run::notice::{Effect, Want};
use crate::units::{Gloss, PerGeometry};

/// The lines under way, and what was wanted when the first of them came.
pub(super) struct Sets {
    joiner: Joiner,
    wanted: Option<Want>,
}

impl Sets {
    pub(super) const fn new(joiner: Joiner) -> Sets {
        Sets { joiner, wanted: None }
    }
}

impl Desk {
    pub(super) fn set_deadline_us(&self) -> Option<u64> {
        self.sets.as_ref().and_then(|sets| sets.joiner.deadline_us())
    }

    /// Time has passed: a set that is late is refused.
    pub(super) fn end_late_set(&mut self, now_us: u64, out: &mut Vec<Effect>) {
        if let Some((lines, why)) = self.sets.as_mut().and_then(|sets| sets.joiner.pass_time(now_us)) {
            self.refuse(lines, why, out);
            if self.machine.is_over() {
                return;
            }
            if let Source::Ask(asker) = &mut self.source {
                asker.part_timed_out();
            }
            self.answer_failed(out);
        }
    }

    /// Nothing more comes of the set under way. Whoever calls this knows what becomes of what was asked.
    pub(super) fn end_set(&mut self, end: SetEnd, out: &mut Vec<Effect>) {
        if let Some(sets) = &mut self.sets {
            sets.wanted = None;
        }
        if let Some((lines, why)) = self.sets.as_mut().and_then(|sets| sets.joiner.end(end)) {
            self.refuse(lines, why, out);
        }
    }

    /// A line of a press.
    pub(super) fn part_of_press(
        &mut self,
        at: Stamp,
        line: &[u8],
        gloss: &PerGeometry<Gloss>,
        sequence: Option<u64>,
        out: &mut Vec<Effect>,
    ) {
        self.hints.good(line, &self.reader);
        let want = self.machine.want();
        let Some(sets) = &mut self.sets else { return };
        let wanted = sets.wanted.take();
        let step = sets.joiner.take(at.at_us, line, gloss, sequence);
        // A set that is refused makes room for one that begins with this line.
        let is_new =
            step.refused.as_ref().is_some_and(|(_, why)| matches!(why, Refusal::SetUnfinished { .. }));
        if sets.joiner.is_open() {
            sets.wanted = wanted.filter(|_| !is_new).or(Some(want));
        }
        if let Some((lines, why)) = step.refused {
            self.refuse(lines, why, out);
        }
        let Some(joined) = step.whole else { return };
        if wanted.is_some_and(|wanted| wanted != want) {
            return self.refuse(joined.lines, Refusal::SetOutdated, out);
        }
        self.values(at, &joined.lines, &joined.gloss, joined.numbers, out);
    }

    /// A line of an answer.
    pub(super) fn part_of_answer(
        &mut self,
        at: Stamp,
        line: &[u8],
        gloss: &PerGeometry<Gloss>,
        sequence: Option<u64>,
        out: &mut Vec<Effect>,
    ) {
        self.hints.good(line, &self.reader);
        let (Source::Ask(asker), Some(sets)) = (&mut self.source, &mut self.sets) else { return };
        if asker.claim_part() == Claim::Unasked {
            self.last_sequence = sequence.or(self.last_sequence);
            self.counts.refused += 1;
            return self.tell_unwanted(at.at_us, line, Claim::Unasked, out);
        }
        let step = sets.joiner.take(at.at_us, line, gloss, sequence);
        if let Some((lines, why)) = step.refused {
            let is_repeat = matches!(why, Refusal::SequenceRepeated { .. });
            self.refuse(lines, why, out);
            if !is_repeat {
                // What this line may have begun is no answer to what was asked.
                self.end_set(SetEnd::Refused, out);
                self.answer_failed(out);
            }
            return;
        }
        let (Some(joined), Source::Ask(asker)) = (step.whole, &mut self.source) else { return };
        let claim = asker.claim();
        let is_taken = if claim == Claim::Answer {
            self.values(at, &joined.lines, &joined.gloss, joined.numbers, out)
        } else {
            self.last_sequence = joined.numbers.map(|(_, last)| last).or(self.last_sequence);
            self.counts.refused += 1;
            self.tell_unwanted(at.at_us, &joined.lines, claim, out);
            true
        };
        self.after_answer(claim, is_taken, out);
    }

    /// Of what was asked, no reading comes.
    fn answer_failed(&mut self, out: &mut Vec<Effect>) {
        if let Source::Ask(asker) = &mut self.source {
            let claim = asker.claim();
            self.after_answer(claim, false, out);
        }
    }
}
