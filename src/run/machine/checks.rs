//! Tile checks and brackets: when a check ends, what it says about the zones before it, and when
//! both sides have to be read again.

use super::{Machine, Phase, Stamp};
use crate::run::ledger::{Bracket, Check, CheckKind, RunState, Spot, Status};
use crate::run::notice::{Effect, Notice};
use crate::tile::{self, CheckVerdict, GeometryCheck};
use crate::units::{Geometry, Gloss, PerGeometry};

impl Machine {
    /// Begins a check; one that nobody has begun to read is replaced.
    pub(super) fn begin_check(&mut self, kind: CheckKind) {
        self.drop_untouched_check();
        self.leave_check_unfinished();
        self.phase = Phase::Checking;
        self.ledger.checks.push(Check { kind, at_us: 0, geometries: PerGeometry::none(), verdict: None });
    }

    /// A placement on the tile.
    pub(super) fn read_tile(&mut self, at: Stamp, gloss: &PerGeometry<Gloss>, out: &mut Vec<Effect>) {
        let Some(check) = self.ledger.checks.len().checked_sub(1) else { return };
        let repeat = self.placements_of_check() + 1;
        self.enter(at, Spot::Tile { check: check as u32 }, repeat, gloss, out);
        self.time_check(check);
        if repeat >= self.ledger.setup.tile.rule.readings {
            self.finish_check(check, at.at_us, out);
        }
    }

    /// Placements of the running check that have not been taken back.
    pub(super) fn placements_of_check(&self) -> u32 {
        let Some(check) = self.ledger.checks.len().checked_sub(1) else { return 0 };
        let geometries = self.ledger.setup.geometries.len().max(1);
        (self.check_readings(check).count() / geometries) as u32
    }

    /// Readings of a check that count, the last first.
    fn check_readings(&self, check: usize) -> impl Iterator<Item = &crate::run::Reading> {
        // Whatever came after the check began belongs to it, undone ones aside.
        let of_check = move |spot: Spot| spot == Spot::Tile { check: check as u32 };
        let readings = self.ledger.readings.iter().rev().take_while(move |r| of_check(r.spot));
        readings.filter(|r| r.status != Status::Undone)
    }

    fn time_check(&mut self, check: usize) {
        let (mut sum, mut n) = (0u128, 0u128);
        for reading in self.check_readings(check) {
            sum += u128::from(reading.at_us);
            n += 1;
        }
        self.ledger.checks[check].at_us = sum.checked_div(n).map_or(0, |mean| mean as u64);
    }

    fn finish_check(&mut self, check: usize, now_us: u64, out: &mut Vec<Effect>) {
        let verdict = self.judge_check(check);
        let kind = self.ledger.checks[check].kind;
        self.ledger.checks[check].verdict = Some(verdict);
        self.mark_check(check, verdict);
        self.time_check(check);
        out.push(Effect::Tell(Notice::CheckDone { check }));
        if verdict == CheckVerdict::Invalid {
            self.repeated = true;
            out.push(Effect::Seal);
            self.begin_check(kind);
            return;
        }
        self.repeated = false;
        if kind.is_of_scale() {
            self.go_on_along_scale(check, kind, verdict, out);
            out.push(Effect::Seal);
            return;
        }
        self.failures = if verdict == CheckVerdict::Passed { 0 } else { self.failures + 1 };
        self.last_check_us = now_us;
        self.since_check = 0;
        let passed = verdict == CheckVerdict::Passed;
        match kind {
            CheckKind::Opening if passed => {
                self.hold_panels(check, out);
                self.open_bracket_at(check, now_us, out);
            }
            CheckKind::AsLeft if passed => {
                self.new_setting(out);
                self.open_bracket_at(check, now_us, out);
            }
            CheckKind::Opening | CheckKind::AsLeft => self.begin_check(kind),
            CheckKind::AsFound => {
                self.close_bracket(check, out);
                if passed {
                    self.hold_panels(check, out);
                }
                self.phase = Phase::Adjusting;
            }
            CheckKind::Interim | CheckKind::Closing => {
                self.close_bracket(check, out);
                if passed {
                    self.hold_panels(check, out);
                    self.open_bracket_at(check, now_us, out);
                } else {
                    self.begin_check(CheckKind::Opening);
                }
            }
            CheckKind::Zero | CheckKind::Middle => {}
        }
        // The end brings a seal of its own.
        if !out.contains(&Effect::End) {
            out.push(Effect::Seal);
        }
    }

    /// Judges each geometry; the worst one speaks for the check. A second invalid check in a row
    /// counts as failed.
    fn judge_check(&mut self, check: usize) -> CheckVerdict {
        let setup = &self.ledger.setup;
        let kind = self.ledger.checks[check].kind;
        let rule = setup.check_rule(kind);
        let judge = |geometry: Geometry| {
            let mut readings: Vec<Gloss> =
                self.check_readings(check).filter(|r| r.geometry == geometry).map(|r| r.gloss).collect();
            readings.reverse();
            let assigned_gu = setup.assigned_gu(kind, geometry)?;
            Some((geometry, GeometryCheck::judge(&readings, assigned_gu, &rule)?))
        };
        let geometries: PerGeometry<GeometryCheck> =
            setup.geometries.iter().filter_map(|&g| judge(g)).collect();
        let has = |verdict| geometries.iter().any(|(_, g)| g.verdict == verdict);
        let verdict = match (has(CheckVerdict::Failed), has(CheckVerdict::Invalid)) {
            (true, _) => CheckVerdict::Failed,
            (false, true) if self.repeated => CheckVerdict::Failed,
            (false, true) => CheckVerdict::Invalid,
            (false, false) => CheckVerdict::Passed,
        };
        self.ledger.checks[check].geometries = geometries;
        verdict
    }

    /// A reading of a check is proven if the check passed, drifted if it failed, and not proven if
    /// the check came to nothing.
    fn mark_check(&mut self, check: usize, verdict: CheckVerdict) {
        let status = match verdict {
            CheckVerdict::Passed => Status::Proven,
            CheckVerdict::Failed => Status::Drifted,
            CheckVerdict::Invalid => Status::NotProven,
        };
        self.mark_running_check(check, status);
    }

    fn mark_running_check(&mut self, check: usize, status: Status) {
        let spot = Spot::Tile { check: check as u32 };
        for reading in self.ledger.readings.iter_mut().rev().take_while(|r| r.spot == spot) {
            if reading.status == Status::Pending {
                reading.status = status;
            }
        }
    }

    pub(super) fn leave_check_unfinished(&mut self) {
        if let Some(check) = self.ledger.checks.len().checked_sub(1)
            && self.ledger.checks[check].verdict.is_none()
        {
            self.mark_running_check(check, Status::NotProven);
        }
    }

    pub(super) fn running_check_is_untouched(&self, kind: CheckKind) -> bool {
        let running = self.ledger.checks.last().filter(|c| c.verdict.is_none());
        let check = self.ledger.checks.len().saturating_sub(1) as u32;
        let untouched = !self.ledger.readings.last().is_some_and(|r| r.spot == Spot::Tile { check });
        self.phase == Phase::Checking && untouched && running.is_some_and(|c| c.kind == kind)
    }

    /// Forgets a check of which not even a taken-back reading exists.
    pub(super) fn drop_untouched_check(&mut self) {
        if let Some(kind) = self.ledger.checks.last().map(|c| c.kind)
            && self.running_check_is_untouched(kind)
        {
            self.ledger.checks.pop();
            self.phase = Phase::Zones;
        }
    }

    /// The bracket that waits for its second check.
    pub(super) fn open_bracket(&self) -> Option<Bracket> {
        self.ledger.brackets.last().copied().filter(|b| b.status == Status::Pending)
    }

    pub(super) fn bracket_is_open(&self) -> bool {
        self.open_bracket().is_some()
    }

    /// Whether readings wait in the open bracket to be proven.
    pub(super) fn pending_in_bracket(&self) -> bool {
        let Some(bracket) = self.open_bracket() else { return false };
        let readings = &self.ledger.readings[bracket.first_reading as usize..];
        readings.iter().any(|r| r.status == Status::Pending && matches!(r.spot, Spot::Zone { .. }))
    }

    /// Opens the next bracket, or ends the run if nothing is left to read.
    fn open_bracket_at(&mut self, check: usize, now_us: u64, out: &mut Vec<Effect>) {
        if self.zones.next().is_none() {
            return self.end(RunState::Complete, out);
        }
        self.ledger.brackets.push(Bracket {
            opening: check as u32,
            closing: None,
            first_reading: self.ledger.readings.len() as u32,
            status: Status::Pending,
        });
        self.advance(now_us, out);
    }

    /// Ends the open bracket with a finished check and says which zones have to be read again.
    fn close_bracket(&mut self, check: usize, out: &mut Vec<Effect>) {
        let Some(open) = self.open_bracket() else { return };
        let rule = self.ledger.setup.tile.rule;
        let (before, after) = (&self.ledger.checks[open.opening as usize], &self.ledger.checks[check]);
        let holds = self.ledger.setup.geometries.iter().all(|&g| {
            matches!((before.geometries.get(g), after.geometries.get(g)), (Some(b), Some(a)) if tile::holds(b, a, &rule))
        });
        let status = if holds && after.verdict == Some(CheckVerdict::Passed) {
            Status::Proven
        } else {
            Status::Drifted
        };
        self.end_bracket(Some(check as u32), status, out);
    }

    /// Ends the open bracket; unless it is proven, every zone read in it is opened anew and returned.
    pub(super) fn end_bracket(
        &mut self,
        closing: Option<u32>,
        status: Status,
        out: &mut Vec<Effect>,
    ) -> Vec<usize> {
        let Some(bracket) = self.ledger.brackets.len().checked_sub(1) else { return Vec::new() };
        self.ledger.brackets[bracket].closing = closing;
        self.ledger.brackets[bracket].status = status;
        let first = self.ledger.brackets[bracket].first_reading as usize;
        let mut touched = vec![false; self.ledger.setup.zones.len()];
        for reading in &mut self.ledger.readings[first..] {
            if let Spot::Zone { zone, .. } = reading.spot
                && reading.status == Status::Pending
            {
                reading.status = status;
                touched[usize::from(zone)] = true;
            }
        }
        let again: Vec<usize> = match status {
            Status::Proven => Vec::new(),
            _ => self.zones.in_order().filter(|&zone| touched[zone]).collect(),
        };
        for &zone in &again {
            self.reopen(zone, out);
        }
        out.push(Effect::Tell(Notice::BracketEnded { bracket, again: again.clone() }));
        again
    }
}
