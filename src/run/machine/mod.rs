//! The state machine of one run.
//!
//! ```text
//!            ┌─────────── failed: clean, again ───────────┐
//!            ▼                                            │
//!  ──▶ (zero, middle) ─▶ opening check ──passed──▶ zones ──▶ interim or closing check ──▶ complete
//!            ▲                     ▲                      │
//!            │                     └── passed: next ──────┤ (drifted zones are read again)
//!        as-left ◀── adjusting ◀── as-found ◀── `adjust` ─┘
//! ```
//!
//! Nothing here knows of bytes, files, ports or clocks. What comes in is a line's values, a word or
//! a time; what goes out are effects. [`checks`] has the tile and the brackets, [`scale`] zero
//! and middle, [`zones`] the plan, [`ranges`] readings that lie too far apart, [`panels`] what can be
//! compared, [`words`] the operator.

mod checks;
mod panels;
mod ranges;
mod scale;
mod words;
mod zones;

use super::ledger::{CheckKind, Ledger, Reading, RunState, Spot, Status};
use super::notice::{Advice, Effect, NewSitting, NotNow, Notice, Want};
use crate::units::{Gloss, PerGeometry};
use panels::Panels;
use zones::Zones;

/// Where a run stands. Which zone is next, and whether a check is due, follow from the books.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    /// The last check of the ledger is being read.
    Checking,
    /// A bracket is open and zones are being read.
    Zones,
    /// The as-found check is done; the operator adjusts the meter.
    Adjusting,
    /// Nothing more is taken.
    Ended,
}

/// When, and by which record, something came.
#[derive(Clone, Copy, Debug)]
pub struct Stamp {
    /// Microseconds since the start of the run.
    pub at_us: u64,
    /// Number of the record.
    pub record: u32,
}

/// One run, from its opening check to its end.
pub struct Machine {
    ledger: Ledger,
    phase: Phase,
    paused: bool,
    zones: Zones,
    panels: Panels,
    placements: u32,
    /// Something was read since the sitting began, so that a long pause ends it.
    sitting_has_placements: bool,
    /// Zone placements since the last finished check.
    since_check: u32,
    /// When the last check was finished.
    last_check_us: u64,
    /// When the last placement was taken, or the sitting began.
    last_placement_us: u64,
    /// The last check was invalid and is being repeated.
    repeated: bool,
    /// Checks that failed in a row.
    failures: u32,
    /// Zero or middle checks that failed in a row.
    scale_failures: u32,
    /// The check on the tile that follows the zero and middle checks.
    after_scale: CheckKind,
    told: Option<Want>,
}

impl Machine {
    /// A run that waits for its opening check.
    pub fn new(ledger: Ledger) -> Machine {
        let repeatability_gu = ledger.specification.repeatability_gu.map(Gloss::decimal);
        let zones = Zones::new(&ledger.setup, repeatability_gu);
        let panels = Panels::new(&ledger.setup);
        let mut machine = Machine {
            ledger,
            phase: Phase::Checking,
            paused: false,
            zones,
            panels,
            placements: 0,
            sitting_has_placements: false,
            since_check: 0,
            last_check_us: 0,
            last_placement_us: 0,
            repeated: false,
            failures: 0,
            scale_failures: 0,
            after_scale: CheckKind::Opening,
            told: None,
        };
        machine.begin_scale(CheckKind::Opening);
        machine
    }

    /// The books.
    pub fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    /// Takes the values of one line as a placement.
    pub fn placement(&mut self, at: Stamp, line: &[u8], gloss: &PerGeometry<Gloss>, out: &mut Vec<Effect>) {
        self.pass_time(at.at_us, out);
        let why = match self.phase {
            Phase::Ended => Some(NotNow::Ended),
            _ if self.paused => Some(NotNow::Paused),
            Phase::Adjusting => Some(NotNow::Adjusting),
            Phase::Checking | Phase::Zones => None,
        };
        if let Some(why) = why {
            out.push(Effect::Tell(Notice::NotNow { line: line.to_vec(), why }));
            return;
        }
        self.last_placement_us = at.at_us;
        match self.phase {
            Phase::Checking => self.read_tile(at, gloss, out),
            _ => self.read_zone(at, gloss, out),
        }
        self.tell_wanted(out);
    }

    /// Lets time pass: a deadline may be behind us. Every event does this first, so that a tick that
    /// comes late changes nothing.
    pub fn pass_time(&mut self, now_us: u64, out: &mut Vec<Effect>) {
        if self.phase == Phase::Ended {
            return;
        }
        if self.sitting_has_placements && now_us >= self.pause_limit_us() {
            self.new_sitting(NewSitting::LongPause, out);
        }
        if self.phase == Phase::Zones && !self.paused && self.interim_is_due(now_us) && self.between_blocks()
        {
            self.begin_check(CheckKind::Interim);
        }
        self.tell_wanted(out);
    }

    /// The run was taken up again at this time; `gap_unknown` if the clock cannot say how long it lay.
    pub fn resumed(&mut self, now_us: u64, gap_unknown: bool, out: &mut Vec<Effect>) {
        if self.phase != Phase::Ended && gap_unknown && self.sitting_has_placements {
            self.new_sitting(NewSitting::GapUnknown, out);
        }
        self.told = None;
        self.pass_time(now_us, out);
    }

    /// Adds a point where elapsed time is tied to the wall clock.
    pub fn begin_sitting(&mut self, sitting: super::ledger::Sitting) {
        self.ledger.sittings.push(sitting);
    }

    /// The next time at which something is due, microseconds since the start; the shell records a
    /// tick once it has passed.
    pub fn deadline_us(&self) -> Option<u64> {
        if self.phase == Phase::Ended || !self.sitting_has_placements {
            return None;
        }
        let interim = match self.ledger.setup.procedure.interim_after_min {
            Some(minutes) if self.phase == Phase::Zones && !self.paused && self.between_blocks() => {
                Some(self.last_check_us.saturating_add(minutes_us(minutes)))
            }
            _ => None,
        };
        Some(interim.map_or(self.pause_limit_us(), |at| at.min(self.pause_limit_us())))
    }

    /// What the operator should do next.
    pub fn want(&self) -> Want {
        match self.phase {
            Phase::Ended => Want::Nothing,
            _ if self.paused => Want::Resume,
            Phase::Adjusting => Want::Adjust,
            Phase::Checking => {
                let rule = &self.ledger.setup.tile.rule;
                let check = self.ledger.checks.last();
                let kind = check.map_or(CheckKind::Opening, |c| c.kind);
                let reading = self.placements_of_check() + 1;
                Want::Tile { kind, reading, of: rule.readings, advice: self.advice(kind) }
            }
            Phase::Zones => match self.zones.next() {
                Some(zone) => {
                    Want::Zone { zone, repeat: self.zones.repeat(zone), of: self.ledger.wanted(zone) }
                }
                None => Want::Nothing,
            },
        }
    }

    /// Time of the last finished check on the tile, microseconds since the start; absent before the first.
    pub fn last_check_us(&self) -> Option<u64> {
        let on_tile = |c: &crate::run::Check| !c.kind.is_of_scale() && c.verdict.is_some();
        self.ledger.checks.iter().any(on_tile).then_some(self.last_check_us)
    }

    /// Whether the run is over.
    pub fn is_over(&self) -> bool {
        self.phase == Phase::Ended
    }

    fn advice(&self, kind: CheckKind) -> Advice {
        let failures = if kind.is_of_scale() { self.scale_failures } else { self.failures };
        match failures {
            _ if self.repeated => Advice::Reseat,
            0 => Advice::Wipe,
            1 => Advice::Clean,
            _ => Advice::AdjustMeter,
        }
    }

    fn pause_limit_us(&self) -> u64 {
        self.last_placement_us.saturating_add(minutes_us(self.ledger.setup.procedure.longest_pause_min))
    }

    fn interim_is_due(&self, now_us: u64) -> bool {
        let procedure = &self.ledger.setup.procedure;
        procedure.interim_after_readings.is_some_and(|n| self.since_check >= n)
            || procedure
                .interim_after_min
                .is_some_and(|m| now_us >= self.last_check_us.saturating_add(minutes_us(m)))
    }

    /// Whether no block is half-way.
    fn between_blocks(&self) -> bool {
        self.zones.between_blocks()
    }

    /// What comes after a zone or a check: the next zone, a check, or the end.
    fn advance(&mut self, now_us: u64, out: &mut Vec<Effect>) {
        self.phase = Phase::Zones;
        if self.zones.next().is_some() {
            if self.interim_is_due(now_us) && self.between_blocks() {
                self.begin_check(CheckKind::Interim);
            }
        } else if self.pending_in_bracket() {
            self.begin_check(CheckKind::Closing);
        } else {
            self.end(RunState::Complete, out);
        }
    }

    fn end(&mut self, state: RunState, out: &mut Vec<Effect>) {
        self.phase = Phase::Ended;
        self.ledger.state = state;
        out.push(Effect::Tell(Notice::Ended { state }));
        out.push(Effect::End);
    }

    fn tell_wanted(&mut self, out: &mut Vec<Effect>) {
        let want = self.want();
        if self.told != Some(want) {
            self.told = Some(want);
            out.push(Effect::Tell(Notice::Wanted(want)));
        }
    }

    /// Puts a placement on the books: one reading for each geometry of the plan.
    fn enter(
        &mut self,
        at: Stamp,
        spot: Spot,
        repeat: u32,
        gloss: &PerGeometry<Gloss>,
        out: &mut Vec<Effect>,
    ) {
        self.placements += 1;
        self.sitting_has_placements = true;
        let first = self.ledger.readings.len();
        for &geometry in &self.ledger.setup.geometries {
            // The line's values were held against the plan before it came here.
            let Some(&gloss) = gloss.get(geometry) else { continue };
            self.ledger.readings.push(Reading {
                at_us: at.at_us,
                record: at.record,
                placement: self.placements,
                gloss,
                spot,
                repeat,
                geometry,
                status: Status::Pending,
            });
        }
        let count = self.ledger.readings.len() - first;
        out.push(Effect::Tell(Notice::Taken { first, count }));
    }
}

const fn minutes_us(minutes: u32) -> u64 {
    minutes as u64 * 60_000_000 // 32 bits of minutes fit in 64 bits of microseconds
}
