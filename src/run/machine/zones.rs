//! The plan and how far it has come: which zone is next, and what taking, undoing, voiding, skipping
//! and reading again do to it.

use super::ranges::Ranges;
use super::{Machine, Stamp};
use crate::run::ledger::{CheckKind, Reading, Spot, Status};

use crate::run::notice::{Effect, Notice};
use crate::run::setup::Setup;
use crate::units::{Gloss, PerGeometry};
use rust_decimal::Decimal;

/// How far each zone of the plan has come.
pub struct Zones {
    /// Zones in reading order, each with the number of its block.
    order: Vec<(usize, usize)>,
    /// Per zone: placements that count in the present attempt.
    taken: Vec<u32>,
    /// Per zone: repeat numbers that were taken back or voided, and come again.
    free: Vec<Vec<u32>>,
    /// Per zone: left out with a reason.
    skipped: Vec<bool>,
    /// How many readings each zone wants.
    pub(super) ranges: Ranges,
    /// Per zone: its panel.
    panel: Vec<usize>,
    /// Position in `order` before which every zone is complete.
    cursor: usize,
    /// Per zone: the sitting in which its present attempt was begun.
    sitting_of: Vec<u32>,
    sitting: u32,
    /// The zone read last.
    last: Option<usize>,
}

impl Zones {
    pub fn new(setup: &Setup, repeatability_gu: Option<Decimal>) -> Zones {
        let blocks = setup.plan.iter().enumerate();
        Zones {
            order: blocks.flat_map(|(b, block)| block.0.iter().map(move |&zone| (zone, b))).collect(),
            taken: vec![0; setup.zones.len()],
            free: vec![Vec::new(); setup.zones.len()],
            skipped: vec![false; setup.zones.len()],
            ranges: Ranges::new(setup, repeatability_gu),
            panel: setup.zones.iter().map(|zone| zone.panel).collect(),
            cursor: 0,
            sitting_of: vec![0; setup.zones.len()],
            sitting: 0,
            last: None,
        }
    }

    /// The next zone of the plan that is not complete. What a side wants besides comes once its whole panel
    /// has been read, so that it does not upset the turns that the sides take.
    pub fn next(&self) -> Option<usize> {
        let to_come =
            || self.order[self.cursor..].iter().map(|&(zone, _)| zone).filter(|&z| !self.complete(z));
        let first = to_come().next()?;
        if !self.has_base(first) {
            return Some(first);
        }
        let before = |&zone: &usize| self.panel[zone] == self.panel[first] && !self.has_base(zone);
        to_come().find(before).or(Some(first))
    }

    /// Placements of the present attempt on a zone that count.
    pub fn taken(&self, zone: usize) -> u32 {
        self.taken[zone]
    }

    /// Number of the repeat that comes on a zone.
    pub fn repeat(&self, zone: usize) -> u32 {
        let free = self.free[zone].iter().rev().find(|&&repeat| repeat <= self.ranges.wanted(zone));
        free.copied().unwrap_or(self.given_out(zone) + 1)
    }

    /// Repeats of a zone that have had a number: those that count, and those that come again.
    fn given_out(&self, zone: usize) -> u32 {
        self.taken[zone] + self.free[zone].len() as u32
    }

    /// Whether repeats 1 to this number count.
    pub fn has_all(&self, zone: usize, repeats: u32) -> bool {
        self.given_out(zone) >= repeats && !self.free[zone].iter().any(|&free| free <= repeats)
    }

    /// Repeats of a zone that count, and those that are wanted still.
    pub fn in_all(&self, zone: usize) -> u32 {
        let wanted = self.ranges.wanted(zone);
        let again = self.free[zone].iter().filter(|&&free| free <= wanted).count() as u32;
        self.taken[zone] + again + wanted.saturating_sub(self.given_out(zone))
    }

    pub fn complete(&self, zone: usize) -> bool {
        self.skipped[zone] || self.has_all(zone, self.ranges.wanted(zone))
    }

    /// Whether a zone is complete but for what its side wants besides.
    fn has_base(&self, zone: usize) -> bool {
        self.skipped[zone] || self.has_all(zone, self.ranges.base(zone))
    }

    /// More may be wanted of zones that were complete.
    pub fn look_anew_for_next(&mut self) {
        self.cursor = 0;
    }

    /// Whether no block is half-way: begun, and not complete. Both sides of a block belong into one
    /// bracket, so an interim check waits for this.
    pub fn between_blocks(&self) -> bool {
        // The commonest case by far where a zone takes many readings.
        if self.last.is_some_and(|zone| self.is_half_way(zone)) {
            return false;
        }
        let half_way = |zones: &[(usize, usize)]| {
            let rounds = || zones.iter().map(|&(zone, _)| zone).filter(|&zone| !self.skipped[zone]);
            let most = rounds().map(|zone| self.rounds(zone)).max().unwrap_or(0);
            rounds().any(|zone| self.is_half_way(zone))
                || rounds().any(|zone| !self.complete(zone) && self.rounds(zone) < most)
        };
        !self.order.chunk_by(|a, b| a.1 == b.1).any(half_way)
    }

    /// Rounds that a zone has come through: its own readings, then those that its side wants besides.
    fn rounds(&self, zone: usize) -> u8 {
        match () {
            () if !self.has_base(zone) => 0,
            () if self.ranges.wanted(zone) > self.ranges.base(zone) && self.complete(zone) => 2,
            () => 1,
        }
    }

    /// Whether a zone is in the middle of a round.
    fn is_half_way(&self, zone: usize) -> bool {
        let before = if self.has_base(zone) { self.ranges.base(zone) } else { 0 };
        self.taken[zone] > before && !self.complete(zone)
    }

    /// Zones of the plan in reading order.
    pub fn in_order(&self) -> impl Iterator<Item = usize> {
        self.order.iter().map(|&(zone, _)| zone)
    }

    /// Takes the next repeat of a zone, and gives its number.
    fn take(&mut self, zone: usize) -> u32 {
        let repeat = self.repeat(zone);
        self.free[zone].retain(|&free| free != repeat);
        self.taken[zone] += 1;
        self.last = Some(zone);
        self.sitting_of[zone] = self.sitting;
        while self.order.get(self.cursor).is_some_and(|&(zone, _)| self.complete(zone)) {
            self.cursor += 1;
        }
        repeat
    }

    /// From here on the meter may stand at another gain.
    pub fn new_sitting(&mut self) {
        self.sitting += 1;
    }

    /// Whether a zone was read in an earlier sitting than this one.
    pub fn is_of_earlier_sitting(&self, zone: usize) -> bool {
        self.taken[zone] > 0 && self.sitting_of[zone] != self.sitting
    }

    fn give_back(&mut self, zone: usize, repeat: u32) {
        self.taken[zone] = self.taken[zone].saturating_sub(1);
        self.free[zone].push(repeat);
        self.ranges.take_out(zone, repeat);
        self.cursor = 0;
    }

    /// Opens a zone anew. A zone that was left out stays out.
    pub fn reopen(&mut self, zone: usize) {
        self.taken[zone] = 0;
        self.free[zone].clear();
        self.ranges.clear(zone);
        self.cursor = 0;
    }

    pub fn skip(&mut self, zone: usize) {
        self.skipped[zone] = true;
    }

    pub fn unskip(&mut self, zone: usize) {
        self.skipped[zone] = false;
        self.cursor = 0;
    }

    pub fn is_skipped(&self, zone: usize) -> bool {
        self.skipped[zone]
    }
}

impl Machine {
    /// A placement on the zone that is next.
    pub(super) fn read_zone(&mut self, at: Stamp, gloss: &PerGeometry<Gloss>, out: &mut Vec<Effect>) {
        let Some(zone) = self.zones.next() else { return };
        // `Setup::check` keeps the number of zones within 16 bits.
        let spot = Spot::Zone { zone: zone as u16, attempt: self.ledger.attempts[zone] };
        let repeat = self.zones.take(zone);
        self.zones.ranges.enter(zone, repeat, gloss);
        self.since_check += 1;
        self.note_reading(zone);
        self.enter(at, spot, repeat, gloss, out);
        self.review_ranges(zone, out);
        self.advance(at.at_us, out);
    }

    /// Index of the first reading of the last placement that can still be taken back: of the check
    /// that is being read, or on a zone of the open bracket.
    pub(super) fn last_placement(&self) -> Option<usize> {
        let running = self.ledger.checks.len().checked_sub(1).map(|i| i as u32);
        let open = self.open_bracket().map(|b| b.first_reading as usize);
        let last = self.ledger.readings.iter().rposition(|r| r.status == Status::Pending)?;
        let reading = self.ledger.readings[last];
        let reachable = match reading.spot {
            Spot::Tile { check } => Some(check) == running,
            Spot::Zone { .. } => open.is_some_and(|first| last >= first),
        };
        let readings = &self.ledger.readings[..=last];
        reachable.then(|| readings.partition_point(|r| r.placement < reading.placement))
    }

    pub(super) fn undo(&mut self, now_us: u64, out: &mut Vec<Effect>) -> Result<(), String> {
        let first = self.last_placement().ok_or(
            "there is no placement to take back: what lies before a finished tile check stays; \
             `again ZONE` reads a zone anew",
        )?;
        let Reading { spot, placement, repeat, .. } = self.ledger.readings[first];
        self.set_placement(first, Status::Undone);
        out.push(Effect::Tell(Notice::Undone { placement }));
        if let Spot::Zone { zone, .. } = spot {
            self.zones.give_back(usize::from(zone), repeat);
            self.review_ranges(usize::from(zone), out);
            self.note_reopened(usize::from(zone));
            self.since_check = self.since_check.saturating_sub(1);
            self.look_again(now_us, out);
        }
        Ok(())
    }

    /// Declares a placement void. What it was read for is still wanted, so its zone comes again; whoever
    /// does not want that says `skip`.
    pub(super) fn void(
        &mut self,
        placement: Option<u32>,
        reason: String,
        now_us: u64,
        out: &mut Vec<Effect>,
    ) -> Result<(), String> {
        let counts = |r: &&Reading| matches!(r.status, Status::Pending | Status::Proven | Status::Drifted);
        let on_zone = |r: &&Reading| matches!(r.spot, Spot::Zone { .. });
        let found = match placement {
            Some(number) => self.ledger.readings.iter().find(|r| r.placement == number),
            None => self.ledger.readings.iter().rfind(|r| counts(r) && on_zone(r)),
        };
        let Some(&Reading { placement, spot, repeat, .. }) = found.filter(on_zone) else {
            return Err(match placement {
                Some(number) => format!(
                    "placement {number} is not one on a zone; `void NUMBER: REASON` takes one of those"
                ),
                None => "no zone has been read yet, so there is nothing to void".to_owned(),
            });
        };
        if !found.as_ref().is_some_and(counts) {
            return Err(format!(
                "placement {placement} does not count any more, so there is nothing to void"
            ));
        }
        let first = self.ledger.readings.partition_point(|r| r.placement < placement);
        self.set_placement(first, Status::Voided);
        self.ledger.voids.insert(placement, reason);
        out.push(Effect::Tell(Notice::Voided { placement }));
        if let Spot::Zone { zone, attempt } = spot {
            self.read_in_its_place(usize::from(zone), attempt, repeat, out);
            self.look_again(now_us, out);
        }
        Ok(())
    }

    fn read_in_its_place(&mut self, zone: usize, attempt: u16, repeat: u32, out: &mut Vec<Effect>) {
        // A reading of an earlier attempt has been read again already.
        if attempt != self.ledger.attempts[zone] || self.zones.is_skipped(zone) {
            return;
        }
        if self.zones.is_of_earlier_sitting(zone) {
            for zone in self.comparable_with(zone) {
                self.reopen(zone, out);
            }
        } else {
            self.zones.give_back(zone, repeat);
            self.review_ranges(zone, out);
            self.note_reopened(zone);
        }
    }

    /// Reads a zone again, whole.
    pub(super) fn again(
        &mut self,
        zone: Option<usize>,
        now_us: u64,
        out: &mut Vec<Effect>,
    ) -> Result<(), String> {
        let last_read = || {
            self.ledger.readings.iter().rev().find_map(|r| match r.spot {
                Spot::Zone { zone, .. } if r.status != Status::Undone => Some(usize::from(zone)),
                _ => None,
            })
        };
        let zone =
            zone.or_else(last_read).ok_or("no zone has been read yet, so there is none to read again")?;
        self.zones.unskip(zone);
        self.ledger.skipped.remove(&zone);
        let zones = self.comparable_with(zone);
        for &zone in &zones {
            self.reopen(zone, out);
        }
        out.push(Effect::Tell(Notice::Again { zones }));
        self.look_again(now_us, out);
        Ok(())
    }

    pub(super) fn skip(
        &mut self,
        zone: Option<usize>,
        reason: String,
        now_us: u64,
        out: &mut Vec<Effect>,
    ) -> Result<(), String> {
        let zone =
            zone.or_else(|| self.zones.next()).ok_or("every zone is read; name the zone to leave out")?;
        if self.zones.is_skipped(zone) {
            return Err(format!("zone {} is left out already", self.ledger.setup.zone_label(zone)));
        }
        self.reopen(zone, out);
        self.zones.skip(zone);
        self.ledger.skipped.insert(zone, reason);
        out.push(Effect::Tell(Notice::Skipped { zone }));
        // The others of its side may be all there are now.
        self.review_ranges(zone, out);
        self.look_again(now_us, out);
        Ok(())
    }

    /// The zone, and, if its panel was read in an earlier sitting, all zones of the panel: both sides
    /// of a comparison come from one sitting.
    fn comparable_with(&self, zone: usize) -> Vec<usize> {
        let zones = &self.ledger.setup.zones;
        let earlier = |&z: &usize| zones[z].panel == zones[zone].panel && self.zones.is_of_earlier_sitting(z);
        self.zones.in_order().filter(|z| *z == zone || earlier(z)).collect()
    }

    /// After the plan changed: if zones are being read, or a check that the plan asked for has not
    /// begun, look again at what comes. A check that the operator announced stays.
    fn look_again(&mut self, now_us: u64, out: &mut Vec<Effect>) {
        let planned = |c: &&crate::run::Check| matches!(c.kind, CheckKind::Closing | CheckKind::Interim);
        let running = self.ledger.checks.last().filter(planned).is_some_and(|c| c.verdict.is_none());
        let idle = self.phase == super::Phase::Checking && running && self.placements_of_check() == 0;
        if self.open_bracket().is_some() && (self.phase == super::Phase::Zones || idle) {
            self.drop_untouched_check();
            self.advance(now_us, out);
        }
    }

    /// Opens a zone anew: what was read there stays on the books, but does not count.
    pub(super) fn reopen(&mut self, zone: usize, out: &mut Vec<Effect>) {
        self.set_aside(zone);
        if self.zones.taken(zone) > 0 {
            self.ledger.attempts[zone] = self.ledger.attempts[zone].saturating_add(1);
        }
        self.zones.reopen(zone);
        self.review_ranges(zone, out);
        self.note_reopened(zone);
    }

    /// Marks the readings that still count on a zone as superseded.
    fn set_aside(&mut self, zone: usize) {
        for reading in &mut self.ledger.readings {
            if matches!(reading.spot, Spot::Zone { zone: of, .. } if usize::from(of) == zone)
                && matches!(reading.status, Status::Pending | Status::Proven)
            {
                reading.status = Status::Superseded;
            }
        }
    }

    /// Gives every reading of the placement that begins at `first` a status.
    fn set_placement(&mut self, first: usize, status: Status) {
        let placement = self.ledger.readings[first].placement;
        for reading in self.ledger.readings[first..].iter_mut().take_while(|r| r.placement == placement) {
            reading.status = status;
        }
    }
}
