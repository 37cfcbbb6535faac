//! `zones.csv`: one row per planned zone and geometry.

use super::cells::Flags;
use super::cells::Rows;
use super::readings::write_zone;
use crate::difference::Books;
use crate::difference::Comparison;
use crate::difference::three_point::last_before;
use crate::difference::zone_figures::ZoneFigures;
use crate::difference::zone_figures::geometries;
use crate::difference::zone_figures::planned;
use crate::run::CheckKind;
use crate::run::Ledger;
use crate::tile::CheckVerdict;
use crate::units::Geometry;
use std::collections::BTreeSet;
use std::io;

pub(super) fn write(books: &Books<'_>, rows: &mut Rows<'_>) -> io::Result<()> {
    let (ledger, zones) = (books.run.ledger, books.run.zones());
    let doubtful = doubtful_zones(books);
    let mut flags = Flags::default();
    for zone in planned(ledger) {
        for (at, geometry) in geometries(ledger) {
            let Some(figures) = zones.get(zone, at) else { continue };
            rows.text(&ledger.id)?;
            write_zone(ledger, ledger.setup.zones.get(zone), rows)?;
            rows.text(geometry.text())?;
            rows.integer(figures.n as u64)?;
            rows.figure(figures.mean_gu)?;
            rows.figure(figures.sd_gu)?;
            rows.figure(figures.min_gu)?;
            rows.figure(figures.max_gu)?;
            rows.text(figures.status.text())?;
            collect_flags(ledger, zone, geometry, figures, zones.retaken(zone), &mut flags);
            if doubtful.contains(&(zone, geometry)) {
                flags.add("doubtful");
            }
            rows.text(flags.as_str())?;
            rows.figure(figures.value.as_ref().map(|value| value.raw_gu))?;
            rows.figure(figures.value.as_ref().and_then(|value| value.corrected_gu))?;
            rows.end_row()?;
        }
    }
    Ok(())
}

/// Zones that stand out from their side, or hold readings that stand out.
fn doubtful_zones(books: &Books<'_>) -> BTreeSet<(usize, Geometry)> {
    let of = |comparison: &Comparison<'_>| -> Vec<(usize, Geometry)> {
        let Some(figures) = &comparison.figures else { return Vec::new() };
        let zones = figures.doubtful.zones.iter().chain(&figures.doubtful.with_readings);
        zones.map(|&zone| (zone, comparison.geometry)).collect()
    };
    books.comparisons().iter().flat_map(of).collect()
}

fn collect_flags(
    ledger: &Ledger,
    zone: usize,
    geometry: Geometry,
    figures: &ZoneFigures<'_>,
    retaken: bool,
    flags: &mut Flags,
) {
    flags.clear();
    if let Some(reason) = ledger.skipped.get(&zone) {
        flags.add_reason("skipped", Some(reason));
    }
    if figures.voided_to_nothing {
        flags.add("voided-to-nothing");
    }
    if retaken {
        flags.add("retaken");
    }
    if figures.uncorrected {
        flags.add("uncorrected");
    }
    let range = ledger.range(zone);
    if range.exceeded.get(geometry).is_some() {
        flags.add("range-exceeded");
    }
    if range.side_exceeded.get(geometry).is_some() {
        flags.add("side-range-exceeded");
    }
    let Some(first) = figures.brackets.first() else { return };
    for (kind, flag) in [(CheckKind::Zero, "zero-off"), (CheckKind::Middle, "middle-off")] {
        let point = last_before(ledger, kind, first.opening as usize);
        let of_geometry = point.and_then(|check| check.geometries.get(geometry));
        if of_geometry.is_some_and(|figures| figures.verdict != CheckVerdict::Passed) {
            flags.add(flag);
        }
    }
}
