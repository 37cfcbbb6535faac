//! `zones.csv`: one row per planned zone and geometry.

use super::cells::Flags;
use super::cells::Rows;
use super::readings::write_zone;
use crate::difference::zone_figures::ZoneFigures;
use crate::difference::zone_figures::Zones;
use crate::difference::zone_figures::geometries;
use crate::difference::zone_figures::planned;
use crate::run::Ledger;
use std::io;

pub(super) fn write(ledger: &Ledger, zones: &Zones<'_>, rows: &mut Rows<'_>) -> io::Result<()> {
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
            collect_flags(ledger, zone, figures, zones.retaken(zone), &mut flags);
            rows.text(flags.as_str())?;
            rows.end_row()?;
        }
    }
    Ok(())
}

fn collect_flags(ledger: &Ledger, zone: usize, figures: &ZoneFigures<'_>, retaken: bool, flags: &mut Flags) {
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
}
