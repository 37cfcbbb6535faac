//! `tile-checks.csv`: one row per check and geometry.

use super::cells::Rows;
use super::times::Times;
use crate::run::Check;
use crate::run::Ledger;
use crate::run::Spot;
use crate::run::Status;
use crate::tile::CheckVerdict;
use crate::tile::GeometryCheck;
use crate::units::Geometry;
use crate::units::Gloss;
use std::collections::BTreeMap;
use std::io;

pub(super) fn write(ledger: &Ledger, rows: &mut Rows<'_>) -> io::Result<()> {
    let mut times = Times::new(ledger);
    let unfinished = unfinished_checks(ledger);
    for (index, check) in ledger.checks.iter().enumerate() {
        for geometry in Geometry::ALL {
            let figures = match check.verdict {
                Some(_) => check.geometries.get(geometry).copied(),
                None => unfinished.get(&(index, geometry)).and_then(|r| judge(ledger, check, geometry, r)),
            };
            if let Some(figures) = figures {
                write_row(ledger, check, geometry, &figures, &mut times, rows)?;
            }
        }
    }
    Ok(())
}

fn write_row(
    ledger: &Ledger,
    check: &Check,
    geometry: Geometry,
    figures: &GeometryCheck,
    times: &mut Times<'_>,
    rows: &mut Rows<'_>,
) -> io::Result<()> {
    // An invalid check is repeated whole, so none of its geometries has passed.
    let whole = check.verdict.is_some_and(|v| v != CheckVerdict::Invalid);
    let passed = whole && figures.verdict == CheckVerdict::Passed;
    rows.text(&ledger.id)?;
    rows.text(check.kind.text())?;
    rows.bytes(times.text(check.at_us))?;
    rows.text(geometry.text())?;
    rows.integer(figures.n.into())?;
    rows.figure(Some(figures.mean_gu))?;
    rows.figure(figures.sd_gu)?;
    rows.decimal(figures.assigned_gu)?;
    rows.figure(Some(figures.deviation_gu))?;
    rows.text(if passed { "true" } else { "false" })?;
    rows.end_row()
}

/// The readings so far of each check that was not finished.
fn unfinished_checks(ledger: &Ledger) -> BTreeMap<(usize, Geometry), Vec<Gloss>> {
    let mut readings: BTreeMap<(usize, Geometry), Vec<Gloss>> = BTreeMap::new();
    if ledger.checks.iter().all(|check| check.verdict.is_some()) {
        return readings;
    }
    for reading in &ledger.readings {
        let Spot::Tile { check } = reading.spot else { continue };
        let counts = !matches!(reading.status, Status::Voided | Status::Undone | Status::Superseded);
        if counts && ledger.checks.get(check as usize).is_some_and(|c| c.verdict.is_none()) {
            readings.entry((check as usize, reading.geometry)).or_default().push(reading.gloss);
        }
    }
    readings
}

fn judge(ledger: &Ledger, check: &Check, geometry: Geometry, readings: &[Gloss]) -> Option<GeometryCheck> {
    let assigned_gu = ledger.setup.assigned_gu(check.kind, geometry)?;
    GeometryCheck::judge(readings, assigned_gu, &ledger.setup.check_rule(check.kind))
}
