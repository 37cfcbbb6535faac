//! `readings.csv`: one row per reading, written as it goes; a run can have a million.

use super::cells::Flags;
use super::cells::Rows;
use super::times::Times;
use crate::difference::Books;
use crate::difference::gain::Brackets;
use crate::difference::gain::corrected_gu;
use crate::run::Bracket;
use crate::run::CheckKind;
use crate::run::Ledger;
use crate::run::Reading;
use crate::run::Spot;
use crate::run::Status;
use crate::run::setup::Zone;
use std::collections::BTreeSet;
use std::io;

pub(super) fn write(books: &Books<'_>, rows: &mut Rows<'_>) -> io::Result<()> {
    let ledger = books.run.ledger;
    let doubtful = doubtful_readings(books);
    let mut times = Times::new(ledger);
    let mut flags = Flags::default();
    let mut brackets = Brackets::of(ledger);
    for (index, reading) in ledger.readings.iter().enumerate() {
        rows.text(&ledger.id)?;
        rows.integer(index as u64 + 1)?;
        rows.bytes(times.text(reading.at_us))?;
        rows.seconds(reading.at_us)?;
        match reading.spot {
            Spot::Tile { check } => {
                rows.text(ledger.checks.get(check as usize).map_or("", |c| c.kind.text()))?;
                rows.absent(5)?;
            }
            Spot::Zone { zone, .. } => {
                rows.text("zone")?;
                write_zone(ledger, ledger.setup.zones.get(usize::from(zone)), rows)?;
            }
        }
        rows.integer(reading.repeat.into())?;
        rows.text(reading.geometry.text())?;
        rows.decimal(reading.gloss.decimal())?;
        rows.figure(corrected(ledger, brackets.at(index), reading))?;
        rows.text(status(reading.status).text())?;
        collect_flags(ledger, reading, &mut flags);
        if doubtful.contains(&index) {
            flags.add("doubtful");
        }
        rows.text(flags.as_str())?;
        rows.integer(reading.record.into())?;
        rows.end_row()?;
    }
    Ok(())
}

/// Readings that stand out from those of their zone, or, as the only one of it, from those of their side.
fn doubtful_readings(books: &Books<'_>) -> BTreeSet<usize> {
    let mut found = BTreeSet::new();
    for comparison in books.comparisons() {
        let Some(figures) = &comparison.figures else { continue };
        let at = books.run.ledger.setup.geometries.iter().position(|&g| g == comparison.geometry);
        let of = |zone: &usize| books.run.zones().get(*zone, at?);
        for zone in figures.doubtful.with_readings.iter().filter_map(of) {
            found.extend(&zone.doubtful);
        }
        for zone in figures.doubtful.zones.iter().filter_map(of) {
            found.extend(zone.only_reading);
        }
    }
    found
}

/// Panel, zone, role, treatment and stage.
pub(super) fn write_zone(ledger: &Ledger, zone: Option<&Zone>, rows: &mut Rows<'_>) -> io::Result<()> {
    let Some(zone) = zone else { return rows.absent(5) };
    rows.text(ledger.setup.panels.get(zone.panel).map_or("", |p| &p.id))?;
    rows.text(&zone.name)?;
    rows.text(zone.role.text())?;
    rows.text(zone.treatment.and_then(|t| ledger.setup.treatments.get(t)).map_or("", |t| &t.code))?;
    rows.text(&zone.stage)
}

/// What is on disk without a second check is not proven, whether or not the run still goes on.
fn status(status: Status) -> Status {
    if status == Status::Pending { Status::NotProven } else { status }
}

fn corrected(ledger: &Ledger, bracket: Option<&Bracket>, reading: &Reading) -> Option<f64> {
    match reading.spot {
        Spot::Tile { .. } => None,
        Spot::Zone { .. } => corrected_gu(ledger, bracket?, reading),
    }
}

fn collect_flags(ledger: &Ledger, reading: &Reading, flags: &mut Flags) {
    flags.clear();
    match reading.spot {
        Spot::Tile { check } => {
            if ledger.checks.get(check as usize).is_some_and(|c| c.kind == CheckKind::AsLeft) {
                flags.add("stability-only");
            }
        }
        Spot::Zone { attempt, .. } => {
            if attempt > 1 {
                flags.add("retaken");
            }
        }
    }
    if reading.status == Status::Voided {
        flags.add_reason("voided", ledger.voids.get(&reading.placement).map(String::as_str));
    }
}
