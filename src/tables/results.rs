//! `results.csv`: treated minus control, one row per panel, treatment and geometry. No figure of
//! gloss stands in a row whose meter is not proven.

use super::cells::Flags;
use super::cells::Rows;
use crate::difference::Books;
use crate::difference::Comparison;
use crate::difference::books::Found;
use crate::difference::comparison::Figures;
use crate::difference::drifts::Drifts;
use crate::difference::flags::Flag;
use crate::difference::kept::Kept;
use crate::difference::weighing::Known;
use crate::difference::zone_figures::ZoneStatus;
use crate::run::Ledger;
use crate::run::setup::DriftPolicy;
use crate::run::setup::Serves;
use crate::stats::retention::Retention;
use std::io;

/// Whether there are rows, and each is proven.
pub(super) fn are_proven(books: &Books<'_>) -> bool {
    let rows = books.comparisons();
    !rows.is_empty() && rows.iter().all(|row| row.status == ZoneStatus::Proven)
}

pub(super) fn write(books: &Books<'_>, rows: &mut Rows<'_>) -> io::Result<()> {
    let ledger = books.run.ledger;
    let mut flags = Flags::default();
    for comparison in books.comparisons() {
        write_place(ledger, comparison, rows)?;
        rows.text(comparison.design.text())?;
        rows.text(comparison.geometry.text())?;
        rows.integer(comparison.n_control as u64)?;
        rows.integer(comparison.n_treated as u64)?;
        write_difference(comparison.figures.as_ref(), rows)?;
        write_kept(comparison.kept.as_ref(), rows)?;
        rows.figure(cure_hours(ledger, comparison.zone))?;
        let drifts = Drifts::of(&books.run, comparison);
        write_drift(&drifts, rows)?;
        rows.text(drift_policy(ledger))?;
        rows.text(comparison.status.text())?;
        rows.text(&ledger.id)?;
        rows.text(books.run.sha256)?;
        match books.earlier(Serves::Baseline, comparison.panel) {
            Found::NotNamed => rows.absent(2)?,
            Found::Missing(named) | Found::There(named, _) => {
                rows.text(&named.run)?;
                rows.text(&named.sha256)?;
            }
        }
        write_more(comparison, &drifts, rows)?;
        collect(&comparison.flags, &mut flags);
        rows.text(flags.as_str())?;
        rows.end_row()?;
    }
    Ok(())
}

/// Run, panel, treatment and stage.
pub(super) fn write_place(
    ledger: &Ledger,
    comparison: &Comparison<'_>,
    rows: &mut Rows<'_>,
) -> io::Result<()> {
    rows.text(&ledger.id)?;
    rows.text(ledger.setup.panels.get(comparison.panel).map_or("", |p| &p.id))?;
    rows.text(ledger.setup.treatments.get(comparison.treatment).map_or("", |t| &t.code))?;
    rows.text(ledger.setup.zones.get(comparison.zone).map_or("", |zone| &zone.stage))
}

pub(super) fn collect(found: &[Flag], flags: &mut Flags) {
    flags.clear();
    for flag in found {
        let (token, reason) = flag.token();
        flags.add_reason(token, reason);
    }
}

/// From `control_mean_gu` to `detectable_gu`.
fn write_difference(figures: Option<&Figures>, rows: &mut Rows<'_>) -> io::Result<()> {
    let Some(figures) = figures else {
        rows.absent(9)?;
        rows.text("no result")?;
        return rows.absent(1);
    };
    let difference = figures.weighed.difference_gu;
    rows.figure(figures.control_mean_gu)?;
    rows.figure(figures.treated_mean_gu)?;
    rows.figure(difference)?;
    write_interval(difference, figures.weighed.chance.as_ref(), rows)?;
    let whole = figures.weighed.whole.as_ref();
    rows.figure(whole.map(|known| known.standard_uncertainty_gu))?;
    rows.figure(whole.map(|known| known.degrees_of_freedom))?;
    rows.figure(whole.map(|known| known.coverage_factor))?;
    rows.figure(whole.map(|known| known.expanded_gu))?;
    rows.text(figures.verdict.text())?;
    rows.figure(figures.detectable_gu)
}

/// Both ends.
pub(super) fn write_interval(
    difference: Option<f64>,
    chance: Option<&Known>,
    rows: &mut Rows<'_>,
) -> io::Result<()> {
    let end = |sign: f64| Some(difference? + sign * chance?.expanded_gu);
    rows.figure(end(-1.0))?;
    rows.figure(end(1.0))
}

fn write_kept(kept: Option<&Kept>, rows: &mut Rows<'_>) -> io::Result<()> {
    let percent = |side: Option<&Retention>| side.map(|retention| 100.0 * retention.ratio);
    rows.figure(percent(kept.and_then(|kept| kept.treated.as_ref())))?;
    rows.text(kept.map_or("", |kept| &kept.from_stage))?;
    rows.figure(percent(kept.and_then(|kept| kept.control.as_ref())))
}

/// The columns behind those of the recording, but the flags.
fn write_more(comparison: &Comparison<'_>, drifts: &Drifts, rows: &mut Rows<'_>) -> io::Result<()> {
    let figures = comparison.figures.as_ref();
    rows.figure(figures.and_then(|figures| figures.difference_raw_gu))?;
    rows.figure(figures.and_then(|figures| figures.difference_corrected_gu))?;
    let drift_end = |sign: f64| Some(drifts.worst?.gu_per_h? + sign * drifts.worst?.half_width_gu_per_h?);
    rows.figure(drift_end(-1.0))?;
    rows.figure(drift_end(1.0))?;
    let treated = comparison.kept.as_ref().and_then(|kept| kept.treated.as_ref());
    rows.figure(treated.map(|kept| 100.0 * kept.low))?;
    rows.figure(treated.map(|kept| 100.0 * kept.high))?;
    rows.text(figures.and_then(|figures| figures.matters).map_or("", |matters| matters.text()))?;
    for number in [figures.and_then(|f| f.zones_to_settle), figures.and_then(|f| f.repeats_to_settle)] {
        match number {
            Some(number) => rows.integer(number.into())?,
            None => rows.absent(1)?,
        }
    }
    rows.text(figures.and_then(|f| f.equivalent).map_or("", |equal| if equal { "true" } else { "false" }))?;
    let without = figures.and_then(|figures| figures.without_doubtful.as_ref());
    let difference = without.and_then(|weighed| weighed.difference_gu);
    rows.figure(difference)?;
    write_interval(difference, without.and_then(|weighed| weighed.chance.as_ref()), rows)?;
    rows.text(figures.and_then(Figures::verdict_without_doubtful).map_or("", |verdict| verdict.text()))
}

/// Hours from putting the treatment on to the start of the run; none for a run before that.
fn cure_hours(ledger: &Ledger, zone: usize) -> Option<f64> {
    let applied = ledger.setup.zones.get(zone)?.applied_at.as_deref()?;
    let applied = chrono::DateTime::parse_from_rfc3339(applied).ok()?;
    let start_us = ledger.sittings.first().map(|_| ledger.wall(0).0)?;
    let since_us = start_us.checked_sub(applied.timestamp_micros())?;
    (since_us >= 0).then_some(since_us as f64 / 3.6e9)
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
