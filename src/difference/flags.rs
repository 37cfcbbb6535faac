//! What a reader of a result has to know beside its figures: the tokens of its `flags` cell.

use super::books::Book;
use super::doubt::suspects;
use super::evidence::Evidence;
use super::evidence::Side;
use super::gather::Entry;
use super::three_point::ScalePoint;
use super::three_point::three_point;
use super::weighing::Lacking;
use super::weighing::Weighed;
use super::zone_figures::ZoneStatus;
use crate::run::Ledger;
use crate::run::setup::DriftPolicy;
use crate::tile::gloss_scale::advised_geometry;
use crate::units::Geometry;

/// One remark on a result.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Flag {
    /// No bare readings: the halves may have differed before.
    NoBaseline,
    /// The run with the bare readings is not there, or is no longer the one that was named.
    BaselineMissing(String),
    /// The run with the earlier stage that gloss is to be kept from is not there, or no longer the one that was named.
    RetentionMissing(String),
    /// Zones without a proven bare reading, which take no part.
    Unpaired(String),
    /// The treatments on the panel share its control, so their differences are not independent.
    SharedControl,
    /// Zones were added after a verdict on fewer of them was known, in that run.
    Extended(String),
    /// Zones that are drifted.
    Drifted(String),
    /// Zones that are neither proven nor drifted.
    NotProven(String),
    /// Zones that were left out with a reason.
    Skipped(String),
    /// A side has no zone that takes part.
    EmptySide,
    /// A side has one zone, which shows no scatter: no interval.
    OneZoneSide,
    /// A side scatters by less than half the meter's step: the step decides the uncertainty.
    ScatterBelowStep,
    /// The tile's certificate states no uncertainty: none can be given for the difference.
    TileWithoutUncertainty,
    /// Zones with doubtful readings, or that stand out from their side.
    Doubtful(String),
    /// The correction for drift adds more noise than it takes away error.
    CorrectionNotWorthItsNoise,
    /// The gloss is outside what the geometry is for: this one is advised.
    ReadAt(Geometry),
    /// The black trap read more than its tolerance.
    ZeroOff,
    /// The tile in the middle of the scale was off by more than its tolerance.
    MiddleOff,
    /// Zero, middle and tile lie further from a straight line than the scatter of the checks explains.
    ScaleBent,
    /// A figure is beyond what can be computed.
    OutOfRange,
}

impl Flag {
    /// The token, and what stands behind its `=`.
    #[must_use]
    pub fn token(&self) -> (&'static str, Option<&str>) {
        match self {
            Flag::NoBaseline => ("no-baseline", None),
            Flag::BaselineMissing(run) => ("baseline-missing", Some(run)),
            Flag::RetentionMissing(run) => ("retention-missing", Some(run)),
            Flag::Unpaired(zones) => ("unpaired", Some(zones)),
            Flag::SharedControl => ("shared-control", None),
            Flag::Extended(run) => ("extended", Some(run)),
            Flag::Drifted(zones) => ("drifted", Some(zones)),
            Flag::NotProven(zones) => ("not-proven", Some(zones)),
            Flag::Skipped(zones) => ("skipped", Some(zones)),
            Flag::EmptySide => ("empty-side", None),
            Flag::OneZoneSide => ("one-zone-side", None),
            Flag::ScatterBelowStep => ("scatter-below-step", None),
            Flag::TileWithoutUncertainty => ("tile-without-uncertainty", None),
            Flag::Doubtful(zones) => ("doubtful", Some(zones)),
            Flag::CorrectionNotWorthItsNoise => ("correction-not-worth-its-noise", None),
            Flag::ReadAt(geometry) => ("read-at", Some(geometry.text())),
            Flag::ZeroOff => ("zero-off", None),
            Flag::MiddleOff => ("middle-off", None),
            Flag::ScaleBent => ("scale-bent", None),
            Flag::OutOfRange => ("out-of-range", None),
        }
    }
}

/// Names of zones, comma-separated.
pub(super) fn names(ledger: &Ledger, zones: &[usize]) -> String {
    let name = |zone: &usize| ledger.setup.zones.get(*zone).map_or("?", |zone| zone.name.as_str());
    zones.iter().map(name).collect::<Vec<_>>().join(", ")
}

/// Zones that are not proven, by what they are.
pub(super) fn of_zones(run: &Book<'_>, control: &[usize], treated: &[usize], at: usize) -> Vec<Flag> {
    let with = |wanted: ZoneStatus| {
        let is = |zone: &usize| run.zones().get(*zone, at).is_some_and(|f| f.status == wanted);
        let zones: Vec<usize> = control.iter().chain(treated).copied().filter(is).collect();
        (!zones.is_empty()).then(|| names(run.ledger, &zones))
    };
    let found = [
        with(ZoneStatus::Drifted).map(Flag::Drifted),
        with(ZoneStatus::NotProven).map(Flag::NotProven),
        with(ZoneStatus::Skipped).map(Flag::Skipped),
    ];
    found.into_iter().flatten().collect()
}

/// What the figures have to be read with.
pub(super) fn of_figures(evidence: &Evidence, weighed: &Weighed) -> Vec<Flag> {
    let mut flags: Vec<Flag> = weighed
        .lacking
        .iter()
        .map(|lacking| match lacking {
            Lacking::EmptySide => Flag::EmptySide,
            Lacking::OneZoneSide => Flag::OneZoneSide,
            Lacking::TileWithoutUncertainty => Flag::TileWithoutUncertainty,
            Lacking::OutOfRange => Flag::OutOfRange,
        })
        .collect();
    if weighed.step_hides_scatter {
        flags.push(Flag::ScatterBelowStep);
    }
    if evidence.policy == DriftPolicy::Correct && weighed.drift_bias_gu.abs() < weighed.drift_noise_gu {
        flags.push(Flag::CorrectionNotWorthItsNoise);
    }
    flags
}

/// Another geometry, where both sides ask for it (ISO 2813, ASTM D523) and it is not `read` anyway.
pub(super) fn advice(evidence: &Evidence, geometry: Geometry, read: &[Geometry]) -> Option<Flag> {
    let advised = |side| advised_geometry(evidence.after.mean_gu(side, evidence.policy)?);
    let control = advised(Side::Control).filter(|_| geometry == Geometry::Deg60)?;
    (advised(Side::Treated) == Some(control) && !read.contains(&control)).then_some(Flag::ReadAt(control))
}

/// What zero and middle say of the scale.
pub(super) fn of_scale(ledger: &Ledger, geometry: Geometry) -> Vec<Flag> {
    let Some(three) = three_point(ledger, geometry) else { return Vec::new() };
    let off = |point: Option<ScalePoint>| point.is_some_and(|point| !point.passed);
    let bent = three.linearity.as_ref().is_some_and(|linearity| !linearity.holds());
    [(off(three.zero), Flag::ZeroOff), (off(three.middle), Flag::MiddleOff), (bent, Flag::ScaleBent)]
        .into_iter()
        .filter_map(|(is_so, flag)| is_so.then_some(flag))
        .collect()
}

/// What is doubtful in a comparison.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Doubtful {
    /// Zones that stand out from their side.
    pub zones: Vec<usize>,
    /// Zones that hold doubtful readings.
    pub with_readings: Vec<usize>,
    /// Zones that held doubtful readings when they were read bare.
    pub bare: Vec<usize>,
}

impl Doubtful {
    /// Whether nothing is.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.zones.is_empty() && self.with_readings.is_empty() && self.bare.is_empty()
    }

    /// A side without the zones that stand out from it.
    pub(super) fn leave_out<'z, 'l>(&self, side: &[Entry<'z, 'l>]) -> Vec<Entry<'z, 'l>> {
        side.iter().filter(|entry| !self.zones.contains(&entry.zone)).copied().collect()
    }

    pub(super) fn flag(&self, ledger: &Ledger) -> Option<Flag> {
        let mut zones = [self.zones.as_slice(), &self.with_readings, &self.bare].concat();
        zones.sort_unstable();
        zones.dedup();
        (!zones.is_empty()).then(|| Flag::Doubtful(names(ledger, &zones)))
    }
}

/// Zones that stand out from their side, and zones that hold doubtful readings.
pub(super) fn doubtful(
    run: &Book<'_>,
    evidence: &Evidence,
    (control, treated): (&[Entry<'_, '_>], &[Entry<'_, '_>]),
    at: usize,
) -> Doubtful {
    let mut found = Doubtful::default();
    for (side, entries) in [(Side::Control, control), (Side::Treated, treated)] {
        let values = evidence.values(side, evidence.policy);
        let out = suspects(&values, run.zones().meter(at));
        found.zones.extend(out.into_iter().filter_map(|place| entries.get(place)).map(|entry| entry.zone));
        let with_readings = entries.iter().filter(|entry| !entry.after.doubtful.is_empty());
        found.with_readings.extend(with_readings.map(|entry| entry.zone));
        let held = |entry: &&Entry<'_, '_>| entry.before.is_some_and(|bare| !bare.doubtful.is_empty());
        found.bare.extend(entries.iter().filter(held).map(|entry| entry.zone));
    }
    found
}
