//! Which panels can be compared as they stand. Both sides of a comparison have to be read with the
//! meter in one state: a step between them would be a false difference, even if every bracket holds
//! for itself. So all readings that count on a panel lie between checks that hold against each other.

use super::{CheckKind, Effect, Machine, NewSitting, Notice, Phase};
use crate::run::ledger::Status;
use crate::run::setup::Setup;
use crate::tile;

/// How far the comparison on each panel has come.
pub struct Panels {
    /// Per panel: the check that opened the bracket of its first reading that counts.
    began: Vec<Option<usize>>,
    /// Per panel: complete, and proven by a check that holds against that one.
    settled: Vec<bool>,
}

impl Panels {
    pub fn new(setup: &Setup) -> Panels {
        Panels { began: vec![None; setup.panels.len()], settled: vec![false; setup.panels.len()] }
    }

    /// A zone of the panel was read in the bracket that this check opened.
    pub fn read(&mut self, panel: usize, opening: usize) {
        self.began[panel].get_or_insert(opening);
    }

    /// A zone of the panel was opened anew; `is_empty` if none of its readings counts any more.
    pub fn reopen(&mut self, panel: usize, is_empty: bool) {
        self.settled[panel] = false;
        if is_empty {
            self.began[panel] = None;
        }
    }
}

impl Machine {
    fn panel_of(&self, zone: usize) -> usize {
        self.ledger.setup.zones[zone].panel
    }

    /// A zone was read, or opened anew: keeps the book of its panel.
    pub(super) fn note_reading(&mut self, zone: usize) {
        if let Some(bracket) = self.open_bracket() {
            self.panels.read(self.panel_of(zone), bracket.opening as usize);
        }
    }

    pub(super) fn note_reopened(&mut self, zone: usize) {
        let panel = self.panel_of(zone);
        let is_empty = !self.zones.in_order().any(|z| self.panel_of(z) == panel && self.zones.taken(z) > 0);
        self.panels.reopen(panel, is_empty);
    }

    /// After a check that passed: a panel that was begun with the tile elsewhere is read again on both
    /// sides; one that is complete is settled.
    pub(super) fn hold_panels(&mut self, check: usize, out: &mut Vec<Effect>) {
        let mut moved = vec![false; self.panels.began.len()];
        for (panel, moved) in moved.iter_mut().enumerate() {
            let Some(began) = self.panels.began[panel].filter(|_| !self.panels.settled[panel]) else {
                continue;
            };
            if !self.same_state(began, check) {
                *moved = true;
            } else if !self.zones.in_order().any(|z| self.panel_of(z) == panel && !self.zones.complete(z)) {
                self.panels.settled[panel] = true;
            }
        }
        if moved.contains(&true) {
            let again = self.reopen_zones(|machine, zone| moved[machine.panel_of(zone)], out);
            out.push(Effect::Tell(Notice::NewSitting { why: NewSitting::TileMoved, again }));
        }
    }

    /// Whether the tile stood still, within the drift limit, between two checks that passed.
    fn same_state(&self, before: usize, after: usize) -> bool {
        let (before, after) = (&self.ledger.checks[before].geometries, &self.ledger.checks[after].geometries);
        let rule = &self.ledger.setup.tile.rule;
        self.ledger
            .setup
            .geometries
            .iter()
            .all(|&g| matches!((before.get(g), after.get(g)), (Some(b), Some(a)) if tile::holds(b, a, rule)))
    }

    /// The meter has a new setting: what is not settled is read again on both sides.
    pub(super) fn new_setting(&mut self, out: &mut Vec<Effect>) {
        let again = self.reopen_unsettled(out);
        out.push(Effect::Tell(Notice::NewSitting { why: NewSitting::Adjusted, again }));
    }

    /// A check comes first, and what is not settled is read again on both sides. An adjustment that is
    /// under way stays so.
    pub(super) fn new_sitting(&mut self, why: NewSitting, out: &mut Vec<Effect>) {
        self.leave_check_unfinished();
        let mut again = Vec::new();
        if self.bracket_is_open() {
            again = self.end_bracket(None, Status::NotProven, out);
        }
        again.extend(self.reopen_unsettled(out));
        let again = self.zones.in_order().filter(|zone| again.contains(zone)).collect();
        out.push(Effect::Tell(Notice::NewSitting { why, again }));
        self.repeated = false;
        self.sitting_has_placements = false;
        if self.phase == Phase::Adjusting {
            return;
        }
        let running = self.ledger.checks.last().filter(|_| self.phase == Phase::Checking).map(|c| c.kind);
        match running {
            Some(CheckKind::AsFound) => self.begin_check(CheckKind::AsFound),
            Some(CheckKind::AsLeft) => self.begin_scale(CheckKind::AsLeft),
            Some(kind) if kind.is_of_scale() => self.begin_scale(self.after_scale),
            _ => self.begin_scale(CheckKind::Opening),
        }
    }

    fn reopen_unsettled(&mut self, out: &mut Vec<Effect>) -> Vec<usize> {
        self.zones.new_sitting();
        self.reopen_zones(|machine, zone| !machine.panels.settled[machine.panel_of(zone)], out)
    }

    /// Opens anew every zone that was read and that is meant; returns them in reading order.
    fn reopen_zones(
        &mut self,
        is_meant: impl Fn(&Machine, usize) -> bool,
        out: &mut Vec<Effect>,
    ) -> Vec<usize> {
        let was_read = |zone: &usize| self.zones.taken(*zone) > 0 && is_meant(self, *zone);
        let again: Vec<usize> = self.zones.in_order().filter(was_read).collect();
        for &zone in &again {
            self.reopen(zone, out);
        }
        again
    }
}
