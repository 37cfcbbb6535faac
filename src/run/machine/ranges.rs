//! Readings that lie too far apart: the repeats on a zone, and the zones of a side. What is wanted
//! follows from the readings that count alone, so whatever takes one away takes its consequences too.
//!
//! Sources: as many results again where the range of the first exceeds the critical one, ISO 5725-6, 5.2.2,
//! with the factors of [`critical_range_factor`]; readings on further places where those of a panel spread
//! too far, ASTM D523 and ISO 2813 (from memory), see [`crate::stats::precision::range_rule`].

use super::Machine;
use super::zones::Zones;
use crate::run::ledger::ZoneRange;
use crate::run::notice::{Effect, Notice, WiderThan};
use crate::run::setup::Setup;
use crate::stats::precision::critical_range_factor;
use crate::units::{Geometry, Gloss, PerGeometry};
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;
use std::collections::BTreeMap;

/// The most results that the table of factors covers.
const MOST_RESULTS: u32 = 10;

/// The rules, and the readings that they judge.
pub struct Ranges {
    planned: u32,
    /// Widest range of the planned repeats, and of twice as many, GU; absent where the rule is off.
    repeats_gu: Option<[Decimal; 2]>,
    side_limit_gu: Option<Decimal>,
    geometries: Vec<Geometry>,
    /// Zones of each side in reading order; empty where no rule needs them.
    sides: Vec<Vec<usize>>,
    /// Per zone: its readings that count, by repeat; empty where both rules are off.
    readings: Vec<BTreeMap<u32, PerGeometry<Gloss>>>,
    /// Per zone: repeats before the zones of its side are compared, and whether they were too far apart.
    base: Vec<u32>,
    extended: Vec<bool>,
    /// Per zone: sum of the readings of those repeats, once all are there.
    base_sum: Vec<Option<PerGeometry<Decimal>>>,
}

/// What a look at the ranges has changed.
#[derive(Default)]
pub struct Review {
    /// Zones whose range has to be entered anew, as it is now.
    pub ranges: Vec<(usize, ZoneRange)>,
    /// What the operator is told.
    pub told: Vec<Notice>,
}

impl Ranges {
    /// The rules of a run. `repeatability_gu` is the meter's stated standard deviation. A sitting that asks for
    /// that very figure takes the readings it set out to take, and no more.
    pub fn new(setup: &Setup, repeatability_gu: Option<Decimal>) -> Ranges {
        let (zones, procedure) = (setup.zones.len(), &setup.procedure);
        let is_run = setup.repeatability.is_none();
        let side_limit_gu = procedure.side_range_limit_gu.filter(|_| is_run);
        let limits = |sd: Decimal| {
            let twice = procedure.readings_per_zone.saturating_mul(2).min(MOST_RESULTS);
            Some([factor(procedure.readings_per_zone)? * sd, factor(twice)? * sd])
        };
        let mut sides: Vec<(crate::run::setup::Side, Vec<usize>)> = Vec::new();
        for &zone in setup.plan.iter().flat_map(|block| &block.0) {
            let side = setup.side(zone);
            match sides.iter_mut().find(|(known, _)| *known == side) {
                Some((_, zones)) => zones.push(zone),
                None => sides.push((side, vec![zone])),
            }
        }
        if side_limit_gu.is_none() {
            sides.clear();
        }
        Ranges {
            planned: procedure.readings_per_zone,
            repeats_gu: repeatability_gu.filter(|_| is_run).and_then(limits),
            side_limit_gu,
            geometries: setup.geometries.clone(),
            sides: sides.into_iter().map(|(_, zones)| zones).collect(),
            readings: vec![BTreeMap::new(); zones],
            base: vec![procedure.readings_per_zone; zones],
            extended: vec![false; zones],
            base_sum: vec![None; zones],
        }
    }

    fn are_off(&self) -> bool {
        self.repeats_gu.is_none() && self.side_limit_gu.is_none()
    }

    /// A reading that counts from now on.
    pub fn enter(&mut self, zone: usize, repeat: u32, gloss: &PerGeometry<Gloss>) {
        if !self.are_off() {
            self.readings[zone].insert(repeat, *gloss);
            self.changed(zone, repeat);
        }
    }

    /// A reading that counts no more.
    pub fn take_out(&mut self, zone: usize, repeat: u32) {
        self.readings[zone].remove(&repeat);
        self.changed(zone, repeat);
    }

    fn changed(&mut self, zone: usize, repeat: u32) {
        if repeat <= self.base[zone] {
            self.base_sum[zone] = None;
        }
    }

    /// No reading of the zone counts any more.
    pub fn clear(&mut self, zone: usize) {
        self.readings[zone].clear();
        self.base_sum[zone] = None;
    }

    /// Repeats of a zone before the zones of its side are compared.
    pub fn base(&self, zone: usize) -> u32 {
        self.base[zone]
    }

    /// Repeats that a zone wants in all.
    pub fn wanted(&self, zone: usize) -> u32 {
        let more = if self.extended[zone] { self.planned } else { 0 };
        self.base[zone].saturating_add(more)
    }

    /// Geometries at which the first `repeats` readings of a zone lie further apart than the limit.
    fn too_wide(&self, zone: usize, repeats: u32, limit_gu: Decimal) -> PerGeometry<()> {
        let values = |g: Geometry| {
            self.readings[zone].range(..=repeats).filter_map(move |(_, r)| r.get(g)).map(|r| r.decimal())
        };
        let is_wide = |g: &Geometry| match (values(*g).min(), values(*g).max()) {
            (Some(low), Some(high)) => high - low > limit_gu,
            _ => false,
        };
        self.geometries.iter().copied().filter(is_wide).map(|g| (g, ())).collect()
    }

    /// Sums of the first `repeats` readings of a zone.
    fn sum(&self, zone: usize, repeats: u32) -> PerGeometry<Decimal> {
        let sum = |g: Geometry| {
            self.readings[zone].range(..=repeats).filter_map(|(_, r)| r.get(g)).map(|r| r.decimal()).sum()
        };
        self.geometries.iter().map(|&g| (g, sum(g))).collect()
    }
}

/// The factor of the critical range, whose one decimal is exact.
fn factor(results: u32) -> Option<Decimal> {
    let factor = critical_range_factor(results as usize)?;
    Decimal::from_f64(factor).map(|exact| exact.round_dp(1))
}

/// Geometries at which the means lie further apart than the limit. Each zone gives its sums and how many
/// readings are in them; multiplied out, so that no mean has to be rounded.
fn means_too_far(
    geometries: &[Geometry],
    zones: &[(PerGeometry<Decimal>, u32)],
    limit_gu: Decimal,
) -> PerGeometry<()> {
    let is_wide = |g: &Geometry| {
        let of = |&(ref sums, n): &(PerGeometry<Decimal>, u32)| Some((*sums.get(*g)?, Decimal::from(n)));
        let means = || zones.iter().filter_map(of);
        let above = |a: &(Decimal, Decimal), b: &(Decimal, Decimal)| (a.0 * b.1).cmp(&(b.0 * a.1));
        match (means().min_by(above), means().max_by(above)) {
            (Some(low), Some(high)) => high.0 * low.1 - low.0 * high.1 > limit_gu * low.1 * high.1,
            _ => false,
        }
    };
    geometries.iter().copied().filter(is_wide).map(|g| (g, ())).collect()
}

impl Zones {
    /// Judges a zone, and the side it belongs to, by the readings that count now.
    pub fn review(&mut self, zone: usize) -> Review {
        let mut review = Review::default();
        if self.ranges.are_off() {
            return review;
        }
        let before = self.ranges.wanted(zone);
        self.review_repeats(zone);
        if self.ranges.wanted(zone) > before {
            review.told.push(Notice::MoreWanted { zones: vec![zone], why: WiderThan::Repeatability });
        }
        let sides = &self.ranges.sides;
        let side = sides.iter().find(|side| side.contains(&zone)).cloned().unwrap_or_else(|| vec![zone]);
        let side_exceeded = self.review_side(&side, &mut review);
        self.look_anew_for_next();
        let range = |&zone: &usize| {
            let mut range =
                ZoneRange { extra: self.in_all(zone) - self.ranges.planned, ..ZoneRange::default() };
            if !self.is_skipped(zone) {
                (range.exceeded, range.side_exceeded) = (self.repeats_exceeded(zone), side_exceeded);
            }
            (zone, range)
        };
        review.ranges = side.iter().map(range).collect();
        review
    }

    /// Whether the planned repeats of a zone lie too far apart, so that as many again are wanted.
    fn review_repeats(&mut self, zone: usize) {
        let planned = self.ranges.planned;
        let is_wide = self.ranges.repeats_gu.is_some_and(|[limit_gu, _]| {
            self.has_all(zone, planned) && !self.ranges.too_wide(zone, planned, limit_gu).is_empty()
        });
        let base = if is_wide { planned.saturating_mul(2) } else { planned };
        if self.ranges.base[zone] != base {
            self.ranges.base[zone] = base;
            self.ranges.base_sum[zone] = None;
        }
    }

    /// Where all readings of a zone that was read twice as often lie too far apart still.
    fn repeats_exceeded(&self, zone: usize) -> PerGeometry<()> {
        let base = self.ranges.base[zone];
        match self.ranges.repeats_gu {
            Some([_, limit_gu]) if base > self.ranges.planned && self.has_all(zone, base) => {
                self.ranges.too_wide(zone, base, limit_gu)
            }
            _ => PerGeometry::none(),
        }
    }

    /// Whether the zones of a side lie too far apart, so that each is read more often; and where they do
    /// so still once that is done.
    fn review_side(&mut self, side: &[usize], review: &mut Review) -> PerGeometry<()> {
        let Some(limit_gu) = self.ranges.side_limit_gu else { return PerGeometry::none() };
        let read: Vec<usize> = side.iter().copied().filter(|&zone| !self.is_skipped(zone)).collect();
        let is_extended = read.iter().all(|&zone| self.has_all(zone, self.ranges.base[zone])) && {
            let sums: Vec<_> =
                read.iter().map(|&zone| (self.base_sum(zone), self.ranges.base[zone])).collect();
            !means_too_far(&self.ranges.geometries, &sums, limit_gu).is_empty()
        };
        let was_extended = read.iter().any(|&zone| self.ranges.extended[zone]);
        for &zone in side {
            self.ranges.extended[zone] = is_extended && read.contains(&zone);
        }
        let wanting: Vec<usize> = read.iter().copied().filter(|&zone| !self.complete(zone)).collect();
        if is_extended && !was_extended && !wanting.is_empty() {
            review.told.push(Notice::MoreWanted { zones: wanting, why: WiderThan::SideLimit });
        } else if is_extended && wanting.is_empty() {
            let all = |&zone: &usize| (self.ranges.sum(zone, u32::MAX), self.taken(zone));
            let sums: Vec<_> = read.iter().map(all).collect();
            return means_too_far(&self.ranges.geometries, &sums, limit_gu);
        }
        PerGeometry::none()
    }

    fn base_sum(&mut self, zone: usize) -> PerGeometry<Decimal> {
        let sum = self.ranges.base_sum[zone].unwrap_or_else(|| self.ranges.sum(zone, self.ranges.base[zone]));
        self.ranges.base_sum[zone] = Some(sum);
        sum
    }
}

impl Machine {
    /// After the readings of a zone have changed: enters what the range rules make of it, and tells of
    /// readings that are wanted besides.
    pub(super) fn review_ranges(&mut self, zone: usize, out: &mut Vec<Effect>) {
        let Review { ranges, told } = self.zones.review(zone);
        for (zone, range) in ranges {
            self.ledger.ranges[zone] = range;
        }
        out.extend(told.into_iter().map(Effect::Tell));
    }
}
