//! `results.csv`: treated minus control, one row per panel, treatment and geometry. No figure of
//! gloss stands in a row whose meter is not proven.

use super::cells::Rows;
use crate::difference::gain::Drift;
use crate::difference::gain::checks;
use crate::difference::gain::drift;
use crate::difference::zone_figures::ZoneFigures;
use crate::difference::zone_figures::ZoneStatus;
use crate::difference::zone_figures::Zones;
use crate::difference::zone_figures::geometries;
use crate::difference::zone_figures::planned;
use crate::run::Bracket;
use crate::run::Check;
use crate::run::Ledger;
use crate::run::setup::DriftPolicy;
use crate::run::setup::Role;
use crate::stats::summary;
use crate::stats::welch::Interval;
use crate::stats::welch::welch;
use crate::units::Geometry;
use std::collections::BTreeMap;
use std::io;

/// Whether there are rows, and each is proven.
pub(super) fn are_proven(ledger: &Ledger, zones: &Zones<'_>) -> bool {
    let sides = Sides::of(ledger);
    let mut rows = sides
        .treated
        .iter()
        .flat_map(|(&(panel, _), treated)| geometries(ledger).map(move |(at, _)| (panel, treated, at)));
    !sides.treated.is_empty()
        && rows.all(|(panel, treated, at)| {
            Comparison::of(zones, sides.control_on(panel), treated, at).status == ZoneStatus::Proven
        })
}

pub(super) fn write(
    ledger: &Ledger,
    zones: &Zones<'_>,
    recording_sha256: &str,
    rows: &mut Rows<'_>,
) -> io::Result<()> {
    let sides = Sides::of(ledger);
    for (&(panel, treatment), treated) in &sides.treated {
        for (at, geometry) in geometries(ledger) {
            let comparison = Comparison::of(zones, sides.control_on(panel), treated, at);
            rows.text(&ledger.id)?;
            rows.text(ledger.setup.panels.get(panel).map_or("", |p| &p.id))?;
            rows.text(ledger.setup.treatments.get(treatment).map_or("", |t| &t.code))?;
            rows.text(treated.first().map_or("", |&z| &ledger.setup.zones[z].stage))?;
            rows.text("no-baseline")?;
            rows.text(geometry.text())?;
            write_difference(&comparison, rows)?;
            // Detectable difference, and three cells of retention.
            rows.absent(4)?;
            rows.figure(treated.iter().find_map(|&zone| cure_hours(ledger, zone)))?;
            write_drift(&Drifts::of(ledger, geometry, &comparison.brackets()), rows)?;
            rows.text(drift_policy(ledger))?;
            rows.text(comparison.status.text())?;
            rows.text(&ledger.id)?;
            rows.text(recording_sha256)?;
            // The recording with the bare readings, and its digest.
            rows.absent(2)?;
            rows.end_row()?;
        }
    }
    Ok(())
}

/// Planned zones by the side they belong to.
struct Sides {
    /// By panel; shared by all treatments on it.
    control: BTreeMap<usize, Vec<usize>>,
    /// By panel and treatment, in the set-up's order.
    treated: BTreeMap<(usize, usize), Vec<usize>>,
}

impl Sides {
    fn of(ledger: &Ledger) -> Sides {
        let mut sides = Sides { control: BTreeMap::new(), treated: BTreeMap::new() };
        for zone in planned(ledger) {
            let at = &ledger.setup.zones[zone];
            match (at.role, at.treatment) {
                (Role::Control, _) => sides.control.entry(at.panel).or_default().push(zone),
                (Role::Treated, Some(treatment)) => {
                    sides.treated.entry((at.panel, treatment)).or_default().push(zone);
                }
                (Role::Treated, None) => {}
            }
        }
        sides
    }

    fn control_on(&self, panel: usize) -> &[usize] {
        self.control.get(&panel).map_or(&[], Vec::as_slice)
    }
}

/// Both sides of one row.
struct Comparison<'z, 'l> {
    control: Vec<&'z ZoneFigures<'l>>,
    treated: Vec<&'z ZoneFigures<'l>>,
    status: ZoneStatus,
}

impl<'z, 'l> Comparison<'z, 'l> {
    /// The comparison of two sides at the geometry with this place in the set-up's list.
    fn of(zones: &'z Zones<'l>, control: &[usize], treated: &[usize], at: usize) -> Comparison<'z, 'l> {
        let of_side = |side: &[usize]| side.iter().filter_map(|&z| zones.get(z, at)).collect();
        Comparison::new(of_side(control), of_side(treated))
    }

    fn new(control: Vec<&'z ZoneFigures<'l>>, treated: Vec<&'z ZoneFigures<'l>>) -> Comparison<'z, 'l> {
        let both = || control.iter().chain(&treated).map(|zone| zone.status);
        let settled = |status| matches!(status, ZoneStatus::Proven | ZoneStatus::Skipped);
        let has_proven = |side: &[&ZoneFigures<'l>]| side.iter().any(|z| z.status == ZoneStatus::Proven);
        let status = if both().any(|status| status == ZoneStatus::Drifted) {
            ZoneStatus::Drifted
        } else if both().all(settled) && has_proven(&control) && has_proven(&treated) {
            ZoneStatus::Proven
        } else {
            // A side that was skipped whole, or was never planned, leaves nothing to compare with.
            ZoneStatus::NotProven
        };
        Comparison { control, treated, status }
    }

    /// The means of the proven zones of a side, GU.
    fn means(side: &[&ZoneFigures<'l>]) -> Vec<f64> {
        side.iter().filter(|z| z.status == ZoneStatus::Proven).filter_map(|z| z.mean_gu).collect()
    }

    /// The brackets that the readings of both sides lie in, in order, each once.
    fn brackets(&self) -> Vec<&'l Bracket> {
        let not_skipped = |zone: &&&ZoneFigures<'l>| zone.status != ZoneStatus::Skipped;
        let zones = self.control.iter().chain(&self.treated).filter(not_skipped);
        let mut brackets: Vec<&Bracket> = zones.flat_map(|zone| zone.brackets.iter().copied()).collect();
        brackets.sort_by_key(|bracket| bracket.first_reading);
        brackets.dedup();
        brackets
    }
}

/// From `n_control` to `verdict`.
fn write_difference(comparison: &Comparison<'_, '_>, rows: &mut Rows<'_>) -> io::Result<()> {
    let (control, treated) = (Comparison::means(&comparison.control), Comparison::means(&comparison.treated));
    rows.integer(control.len() as u64)?;
    rows.integer(treated.len() as u64)?;
    let compared = welch(&control, &treated).filter(|_| comparison.status == ZoneStatus::Proven);
    let Some(compared) = compared else {
        rows.absent(9)?;
        return rows.text("no result");
    };
    let interval = compared.interval.ok();
    rows.figure(summary::mean(&control))?;
    rows.figure(summary::mean(&treated))?;
    rows.figure(Some(compared.difference))?;
    rows.figure(interval.map(|i| i.ci_low))?;
    rows.figure(interval.map(|i| i.ci_high))?;
    rows.figure(interval.map(|i| i.standard_error))?;
    rows.figure(interval.map(|i| i.degrees_of_freedom))?;
    rows.figure(interval.map(|i| i.coverage_factor))?;
    // The expanded uncertainty needs the whole budget.
    rows.absent(1)?;
    rows.text(verdict(interval))
}

/// Nobody can tell without an interval: one zone a side, or no scatter at all, says nothing of chance.
fn verdict(interval: Option<Interval>) -> &'static str {
    match interval {
        Some(interval) if interval.ci_low > 0.0 => "higher",
        Some(interval) if interval.ci_high < 0.0 => "lower",
        Some(_) | None => "no detectable difference",
    }
}

/// Hours from putting the treatment on to the start of the run.
fn cure_hours(ledger: &Ledger, zone: usize) -> Option<f64> {
    let applied = ledger.setup.zones[zone].applied_at.as_deref()?;
    let applied = chrono::DateTime::parse_from_rfc3339(applied).ok()?;
    let start_us = ledger.sittings.first().map(|_| ledger.wall(0).0)?;
    Some(start_us.checked_sub(applied.timestamp_micros())? as f64 / 3.6e9)
}

/// What the tile did over the brackets of a row.
struct Drifts {
    worst: Option<Drift>,
    opening_deviation_gu: Option<f64>,
    closing_deviation_gu: Option<f64>,
}

impl Drifts {
    fn of(ledger: &Ledger, geometry: Geometry, brackets: &[&Bracket]) -> Drifts {
        let deviation = |check: &Check| check.geometries.get(geometry).map(|g| g.deviation_gu);
        let first = brackets.first().and_then(|bracket| checks(ledger, bracket).0);
        let last = brackets.last().and_then(|bracket| checks(ledger, bracket).1);
        let all = brackets.iter().filter_map(|bracket| drift(ledger, bracket, geometry));
        // Of equal ones the first stays.
        let worst = all.reduce(|worst, next| if next.gu.abs() > worst.gu.abs() { next } else { worst });
        Drifts {
            worst,
            opening_deviation_gu: first.and_then(deviation),
            closing_deviation_gu: last.and_then(deviation),
        }
    }
}

fn write_drift(drifts: &Drifts, rows: &mut Rows<'_>) -> io::Result<()> {
    rows.figure(drifts.worst.map(|d| d.gu))?;
    rows.figure(drifts.opening_deviation_gu)?;
    rows.figure(drifts.closing_deviation_gu)?;
    rows.figure(drifts.worst.and_then(|d| d.gu_per_h))
}

fn drift_policy(ledger: &Ledger) -> &'static str {
    match ledger.setup.procedure.drift_policy {
        DriftPolicy::Allow => "allow",
        DriftPolicy::Correct => "correct",
    }
}
