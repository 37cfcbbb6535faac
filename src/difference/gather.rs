//! From the books to the evidence: the zones of both sides, paired with their bare readings where there
//! are any, and the checks that they lie between.

use super::books::Book;
use super::evidence::CheckMean;
use super::evidence::Evidence;
use super::evidence::MeterFacts;
use super::evidence::Point;
use super::evidence::Sitting;
use super::evidence::TileFacts;
use super::three_point::three_point;
use super::zone_figures::ZoneFigures;
use super::zone_figures::ZoneStatus;
use super::zone_figures::ZoneValue;
use crate::run::Ledger;
use crate::stats::precision::Scatter;
use crate::stats::precision::pool;
use crate::units::Geometry;
use crate::units::Gloss;

/// A zone that takes part, with its bare reading in a paired comparison.
#[derive(Clone, Copy)]
pub struct Entry<'z, 'l> {
    /// Index of the zone in its set-up.
    pub zone: usize,
    /// What was read.
    pub after: &'z ZoneFigures<'l>,
    /// What was read bare.
    pub before: Option<&'z ZoneFigures<'l>>,
}

/// Which of a zone's readings are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Take {
    /// All that count.
    All,
    /// Those that are not doubtful.
    WithoutDoubtful,
}

impl Take {
    fn value<'z>(self, figures: &'z ZoneFigures<'_>) -> Option<&'z ZoneValue> {
        match self {
            Take::WithoutDoubtful if !figures.doubtful.is_empty() => figures.without_doubtful.as_ref(),
            _ => figures.value.as_ref(),
        }
    }
}

/// The zones of a side that are proven, paired where there is a baseline. Zones that are proven now and
/// have no proven bare reading are given back by themselves.
pub fn entries<'z, 'l>(
    run: &'z Book<'l>,
    baseline: Option<&'z Book<'l>>,
    zones: &[usize],
    at: usize,
) -> (Vec<Entry<'z, 'l>>, Vec<usize>) {
    let (mut found, mut unpaired) = (Vec::new(), Vec::new());
    for &zone in zones {
        let Some(after) = run.zones().get(zone, at).filter(|f| f.status == ZoneStatus::Proven) else {
            continue;
        };
        let before = match baseline {
            None => None,
            Some(book) => {
                let Some(bare) = bare(run, book, zone, at) else {
                    unpaired.push(zone);
                    continue;
                };
                Some(bare)
            }
        };
        found.push(Entry { zone, after, before });
    }
    (found, unpaired)
}

fn bare<'z, 'l>(run: &Book<'l>, book: &'z Book<'l>, zone: usize, at: usize) -> Option<&'z ZoneFigures<'l>> {
    let setup = &run.ledger.setup;
    let geometry = setup.geometries.get(at)?;
    let zone = setup.zones.get(zone)?;
    let there = book.zone(&setup.panels.get(zone.panel)?.id, &zone.name)?;
    let place = book.ledger.setup.geometries.iter().position(|g| g == geometry)?;
    book.zones().get(there, place).filter(|figures| figures.status == ZoneStatus::Proven)
}

/// The evidence for a comparison at a geometry. `None` if the tile has no value there.
pub fn evidence(
    run: &Book<'_>,
    baseline: Option<&Book<'_>>,
    (control, treated): (&[Entry<'_, '_>], &[Entry<'_, '_>]),
    at: usize,
    take: Take,
) -> Option<Evidence> {
    let setup = &run.ledger.setup;
    let geometry = *setup.geometries.get(at)?;
    let tile = setup.tile_value(geometry)?;
    let floor = run.zones().meter(at);
    let gu = |decimal| Gloss::from(decimal).to_f64();
    let before = match baseline {
        None => None,
        Some(book) => Some(sitting(book, geometry, control, treated, take, |entry| entry.before)?),
    };
    Some(Evidence {
        after: sitting(run, geometry, control, treated, take, |entry| Some(entry.after))?,
        before,
        meter: MeterFacts {
            step_gu: floor.step.filter(|step| *step > 0.0)?,
            repeatability_gu: floor.repeatability,
            bow_gu: bow_gu(run.ledger, geometry),
        },
        tile: TileFacts {
            assigned_gu: Some(gu(tile.assigned_gu)).filter(|assigned| *assigned > 0.0)?,
            expanded_uncertainty_gu: tile.expanded_uncertainty_gu.map(gu),
        },
        policy: setup.procedure.drift_policy,
    })
}

/// How far the scale bends: as three standards showed it, or else as the profile states it.
fn bow_gu(ledger: &Ledger, geometry: Geometry) -> Option<f64> {
    let shown = three_point(ledger, geometry).and_then(|three| three.bow_gu);
    shown.map(f64::abs).or_else(|| ledger.specification.linearity_gu.map(Gloss::to_f64))
}

fn sitting<'z, 'l>(
    book: &Book<'_>,
    geometry: Geometry,
    control: &[Entry<'z, 'l>],
    treated: &[Entry<'z, 'l>],
    take: Take,
    which: impl Fn(&Entry<'z, 'l>) -> Option<&'z ZoneFigures<'l>>,
) -> Option<Sitting> {
    let figures = |side: &[Entry<'z, 'l>]| side.iter().map(&which).collect::<Option<Vec<_>>>();
    let (control, treated) = (figures(control)?, figures(treated)?);
    let values = |side: &[&ZoneFigures<'l>]| {
        side.iter().filter_map(|figures| take.value(figures).cloned()).collect::<Vec<ZoneValue>>()
    };
    let repeats = control.iter().chain(&treated).map(|figures| figures.n).min().unwrap_or(1);
    let (control, treated) = (values(&control), values(&treated));
    let mut checks: Vec<u32> = control
        .iter()
        .chain(&treated)
        .flat_map(|value| value.shares.iter().map(|(check, _)| *check))
        .collect();
    checks.sort_unstable();
    checks.dedup();
    let judged: Vec<_> = checks
        .iter()
        .filter_map(|&check| book.ledger.checks.get(check as usize)?.geometries.get(geometry))
        .collect();
    // A check without a figure at this geometry leaves the shares of no zone whole.
    let whole = judged.len() == checks.len();
    let scatters: Vec<Scatter> = judged
        .iter()
        .filter_map(|check| Some(Scatter { sd: check.sd_gu?, degrees_of_freedom: f64::from(check.n) - 1.0 }))
        .collect();
    let points = |values: &[ZoneValue]| values.iter().map(|value| point(value, &checks, whole)).collect();
    Some(Sitting {
        check_scatter: pool(&scatters),
        repeats: repeats as f64,
        control: points(&control),
        treated: points(&treated),
        checks: match whole {
            true => judged.iter().map(|c| CheckMean { mean_gu: c.mean_gu, n: f64::from(c.n) }).collect(),
            false => Vec::new(),
        },
    })
}

fn point(value: &ZoneValue, checks: &[u32], whole: bool) -> Point {
    let share =
        |check: &u32| value.shares.iter().find(|(of, _)| of == check).map_or(0.0, |(_, share)| *share);
    Point {
        raw_gu: value.raw_gu,
        corrected_gu: value.corrected_gu,
        shares: if whole { checks.iter().map(share).collect() } else { Vec::new() },
    }
}
