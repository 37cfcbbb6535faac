//! What the readings of each zone come to: which of them count, their mean and scatter, and what the
//! zone is worth. In two passes over the readings; beside the ledger only the values of the zones
//! that are being read at the same time are held.

use super::doubt::suspects;
use super::gain::Brackets;
use super::gain::corrected_gu;
use super::gain::share_of_closing;
use crate::run::Bracket;
use crate::run::Ledger;
use crate::run::Spot;
use crate::run::Status;
use crate::run::setup::DriftPolicy;
use crate::stats::outliers::Floor;
use crate::stats::summary;
use crate::units::Geometry;
use crate::units::Gloss;
use std::collections::BTreeMap;

/// What a zone is worth at a geometry.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ZoneStatus {
    /// Every repeat that was wanted is there and proven; a voided one was read again in its place.
    Proven,
    /// A reading that counts is drifted.
    Drifted,
    /// Neither proven nor drifted.
    NotProven,
    /// Left out with a reason.
    Skipped,
}

impl ZoneStatus {
    /// The status as it stands in the tables.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            ZoneStatus::Proven => "proven",
            ZoneStatus::Drifted => "drifted",
            ZoneStatus::NotProven => "not-proven",
            ZoneStatus::Skipped => "skipped",
        }
    }
}

/// The figures of one zone at one geometry.
#[derive(Clone, Debug)]
pub struct ZoneFigures<'l> {
    /// Number of readings that count.
    pub n: usize,
    /// Mean, GU.
    pub mean_gu: Option<f64>,
    /// Standard deviation, GU.
    pub sd_gu: Option<f64>,
    /// Smallest value, GU.
    pub min_gu: Option<f64>,
    /// Largest value, GU.
    pub max_gu: Option<f64>,
    /// What the zone is worth.
    pub status: ZoneStatus,
    /// Every reading of it was voided.
    pub voided_to_nothing: bool,
    /// The study corrects for drift, but the values are as read: some lie in no proven bracket.
    pub uncorrected: bool,
    /// Brackets that the readings that count lie in, in order.
    pub brackets: Vec<&'l Bracket>,
    /// The zone's value for a comparison; absent without readings that count.
    pub value: Option<ZoneValue>,
    /// The same without its doubtful readings; absent if there are none, or nothing but them.
    pub without_doubtful: Option<ZoneValue>,
    /// Doubtful readings, by their index into the ledger's, rising.
    pub doubtful: Vec<usize>,
    /// Index of the reading of a zone that has one.
    pub only_reading: Option<usize>,
}

/// What the readings of a zone come to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ZoneValue {
    /// Mean of the readings as the meter gave them, GU.
    pub raw_gu: f64,
    /// Mean of the corrected readings, GU; absent if one of them lies in no proven bracket.
    pub corrected_gu: Option<f64>,
    /// By check of the ledger, rising: how much it has to say of the tile at the time of the readings.
    pub shares: Vec<(u32, f64)>,
}

/// The figures of every zone of a run.
pub struct Zones<'l> {
    figures: Vec<Option<ZoneFigures<'l>>>,
    geometries: usize,
    retaken: Vec<bool>,
    meter: Vec<Floor>,
}

impl<'l> Zones<'l> {
    /// Works out the figures of every zone.
    pub fn of(ledger: &'l Ledger) -> Zones<'l> {
        let choices = choose_attempts(ledger);
        let geometries = ledger.setup.geometries.len();
        let meter: Vec<Floor> = ledger.setup.geometries.iter().map(|&g| meter_floor(ledger, g)).collect();
        let mut cells: Vec<Cell<'l>> = Vec::new();
        cells.resize_with(ledger.setup.zones.len() * geometries, Cell::default);
        let mut figures: Vec<Option<ZoneFigures<'l>>> = vec![None; cells.len()];
        let mut brackets = Brackets::of(ledger);
        for (index, reading) in ledger.readings.iter().enumerate() {
            let Spot::Zone { zone, attempt } = reading.spot else { continue };
            let zone = usize::from(zone);
            let bracket = brackets.at(index);
            let Some(choice) = choices.get(zone).filter(|c| c.chosen() == Some(attempt)) else { continue };
            let at = ledger.setup.geometries.iter().position(|&g| g == reading.geometry);
            if let Some(at) = at {
                cells[zone * geometries + at].take_in(ledger, bracket, index);
            }
            if choice.last() == Some(index) {
                settle(ledger, zone, &meter, &mut cells, &mut figures);
            }
        }
        for zone in (0..choices.len()).filter(|&z| choices[z].last().is_none()) {
            settle(ledger, zone, &meter, &mut cells, &mut figures);
        }
        Zones { figures, geometries, retaken: choices.iter().map(|c| c.retaken).collect(), meter }
    }

    /// What the meter does by itself at the geometry with this place in the set-up's list.
    #[must_use]
    pub fn meter(&self, geometry: usize) -> Floor {
        self.meter.get(geometry).copied().unwrap_or_default()
    }

    /// The figures of a zone at the geometry with this place in the set-up's list.
    pub fn get(&self, zone: usize, geometry: usize) -> Option<&ZoneFigures<'l>> {
        self.figures.get(zone * self.geometries + geometry)?.as_ref()
    }

    /// Whether the zone was read in more than one attempt.
    pub fn retaken(&self, zone: usize) -> bool {
        self.retaken.get(zone).copied().unwrap_or(false)
    }
}

/// Turns what was gathered of a zone into its figures, and lets go of the values.
fn settle<'l>(
    ledger: &Ledger,
    zone: usize,
    meter: &[Floor],
    cells: &mut [Cell<'l>],
    figures: &mut [Option<ZoneFigures<'l>>],
) {
    for (at, floor) in meter.iter().enumerate() {
        let at = zone * meter.len() + at;
        figures[at] = Some(std::mem::take(&mut cells[at]).figures(ledger, zone, *floor));
    }
}

/// The stated repeatability, and the step of the display: the stated one, or else that of the digits that
/// the meter printed.
fn meter_floor(ledger: &Ledger, geometry: Geometry) -> Floor {
    let stated = |gu: Option<Gloss>| gu.map(Gloss::to_f64);
    let printed = || {
        let digits =
            ledger.readings.iter().filter(|r| r.geometry == geometry).map(|r| r.gloss.scale()).max()?;
        Some(0.1_f64.powi(i32::try_from(digits).ok()?))
    };
    let specification = &ledger.specification;
    Floor {
        repeatability: stated(specification.repeatability_gu),
        step: stated(specification.resolution_gu).or_else(printed),
    }
}

fn counts(status: Status) -> bool {
    !matches!(status, Status::Voided | Status::Undone | Status::Superseded)
}

/// Which attempt of a zone its figures are made of.
#[derive(Clone, Default)]
struct Choice {
    current: u16,
    /// Last reading of the current attempt, and whether any of it counts.
    current_last: Option<usize>,
    current_counts: bool,
    /// The latest earlier attempt with a reading that still waits for proof or failed it.
    earlier: Option<u16>,
    /// Attempt that was read last, with its last reading before the next began.
    earlier_last: Option<usize>,
    first_seen: Option<u16>,
    retaken: bool,
}

impl Choice {
    fn chosen(&self) -> Option<u16> {
        if self.current_counts || self.earlier.is_none() { Some(self.current) } else { self.earlier }
    }

    fn last(&self) -> Option<usize> {
        if self.chosen() == Some(self.current) { self.current_last } else { self.earlier_last }
    }

    fn see(&mut self, index: usize, attempt: u16, status: Status) {
        if status != Status::Undone {
            self.retaken |= self.first_seen.is_some_and(|first| first != attempt);
            self.first_seen.get_or_insert(attempt);
        }
        if attempt == self.current {
            self.current_last = Some(index);
            self.current_counts |= counts(status);
        } else if attempt < self.current {
            let unproven = matches!(status, Status::Drifted | Status::NotProven | Status::Pending);
            if unproven && self.earlier.is_none_or(|earlier| attempt > earlier) {
                self.earlier = Some(attempt);
            }
        }
    }
}

fn choose_attempts(ledger: &Ledger) -> Vec<Choice> {
    let current = |zone: usize| ledger.attempts.get(zone).copied().unwrap_or(1);
    let mut choices: Vec<Choice> = (0..ledger.setup.zones.len())
        .map(|zone| Choice { current: current(zone), ..Choice::default() })
        .collect();
    let zone_readings = || {
        ledger.readings.iter().enumerate().filter_map(|(index, reading)| match reading.spot {
            Spot::Zone { zone, attempt } => Some((index, usize::from(zone), attempt, reading.status)),
            Spot::Tile { .. } => None,
        })
    };
    for (index, zone, attempt, status) in zone_readings() {
        if let Some(choice) = choices.get_mut(zone) {
            choice.see(index, attempt, status);
        }
    }
    if choices.iter().any(|choice| choice.chosen() != Some(choice.current)) {
        for (index, zone, attempt, _) in zone_readings() {
            if let Some(choice) = choices.get_mut(zone).filter(|c| c.earlier == Some(attempt)) {
                choice.earlier_last = Some(index);
            }
        }
    }
    choices
}

/// What is gathered of a zone at a geometry while its readings go by.
#[derive(Default)]
struct Cell<'l> {
    counted: Vec<Counted>,
    voided: usize,
    drifted: bool,
    unproven: bool,
    brackets: Vec<&'l Bracket>,
}

/// A reading that counts.
struct Counted {
    index: usize,
    raw: f64,
    corrected: Option<f64>,
    /// Place in [`Cell::brackets`], with the share of the closing check.
    share: Option<(usize, f64)>,
}

impl<'l> Cell<'l> {
    fn take_in(&mut self, ledger: &'l Ledger, bracket: Option<&'l Bracket>, index: usize) {
        let reading = &ledger.readings[index];
        if reading.status == Status::Voided {
            self.voided += 1;
        }
        if !counts(reading.status) {
            return;
        }
        self.drifted |= reading.status == Status::Drifted;
        self.unproven |= reading.status != Status::Proven;
        let mut counted = Counted { index, raw: reading.gloss.to_f64(), corrected: None, share: None };
        if let Some(bracket) = bracket {
            if self.brackets.last().is_none_or(|last| *last != bracket) {
                self.brackets.push(bracket);
            }
            counted.corrected = corrected_gu(ledger, bracket, reading);
            let share = share_of_closing(ledger, bracket, reading.at_us);
            counted.share = share.map(|share| (self.brackets.len() - 1, share));
        }
        self.counted.push(counted);
    }

    fn figures(self, ledger: &Ledger, zone: usize, meter: Floor) -> ZoneFigures<'l> {
        let corrects = ledger.setup.procedure.drift_policy == DriftPolicy::Correct;
        let raw: Vec<f64> = self.counted.iter().map(|reading| reading.raw).collect();
        let corrected: Option<Vec<f64>> = self.counted.iter().map(|reading| reading.corrected).collect();
        let uncorrected = corrects && corrected.is_none();
        let values = corrected.as_ref().filter(|_| corrects).unwrap_or(&raw);
        let skipped = ledger.skipped.contains_key(&zone);
        let doubtful = suspects(&raw, meter);
        let without_doubtful =
            (!doubtful.is_empty()).then(|| self.value(|at| !doubtful.contains(&at))).flatten();
        ZoneFigures {
            n: values.len(),
            mean_gu: summary::mean(values),
            sd_gu: summary::standard_deviation(values),
            min_gu: summary::min(values),
            max_gu: summary::max(values),
            status: self.status(ledger, zone, uncorrected),
            voided_to_nothing: values.is_empty() && self.voided > 0 && !skipped,
            uncorrected,
            value: self.value(|_| true),
            without_doubtful,
            doubtful: doubtful.iter().map(|&at| self.counted[at].index).collect(),
            only_reading: self.counted.first().filter(|_| self.counted.len() == 1).map(|c| c.index),
            brackets: self.brackets,
        }
    }

    /// The zone's value by the readings at these places.
    fn value(&self, is_meant: impl Fn(usize) -> bool) -> Option<ZoneValue> {
        let meant: Vec<&Counted> =
            self.counted.iter().enumerate().filter(|(at, _)| is_meant(*at)).map(|(_, c)| c).collect();
        let raw: Vec<f64> = meant.iter().map(|reading| reading.raw).collect();
        let corrected: Option<Vec<f64>> = meant.iter().map(|reading| reading.corrected).collect();
        Some(ZoneValue {
            raw_gu: summary::mean(&raw)?,
            corrected_gu: corrected.and_then(|values| summary::mean(&values)),
            shares: self.shares(&meant),
        })
    }

    fn shares(&self, meant: &[&Counted]) -> Vec<(u32, f64)> {
        let each = 1.0 / meant.len() as f64;
        let mut shares = BTreeMap::new();
        for (at, share) in meant.iter().filter_map(|reading| reading.share) {
            let bracket = self.brackets[at];
            *shares.entry(bracket.opening).or_insert(0.0) += (1.0 - share) * each;
            if let Some(closing) = bracket.closing {
                *shares.entry(closing).or_insert(0.0) += share * each;
            }
        }
        shares.into_iter().collect()
    }

    fn status(&self, ledger: &Ledger, zone: usize, uncorrected: bool) -> ZoneStatus {
        let complete = self.counted.len() >= ledger.wanted(zone) as usize;
        match () {
            () if ledger.skipped.contains_key(&zone) => ZoneStatus::Skipped,
            () if self.drifted => ZoneStatus::Drifted,
            () if complete && !self.unproven && !uncorrected => ZoneStatus::Proven,
            () => ZoneStatus::NotProven,
        }
    }
}

/// Zones of the plan in the set-up's order; a zone that is not in the plan is in no table.
pub fn planned(ledger: &Ledger) -> Vec<usize> {
    let mut zones: Vec<usize> = ledger.setup.plan.iter().flat_map(|block| block.0.iter().copied()).collect();
    zones.retain(|&zone| zone < ledger.setup.zones.len());
    zones.sort_unstable();
    zones.dedup();
    zones
}

/// The geometries of the plan with their places in the set-up's list.
pub fn geometries(ledger: &Ledger) -> impl Iterator<Item = (usize, Geometry)> + '_ {
    ledger.setup.geometries.iter().copied().enumerate()
}
