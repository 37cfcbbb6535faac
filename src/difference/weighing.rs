//! How well a difference is known: the uncertainty budget of treated minus control.
//!
//! By JCGM 100:2008 (GUM), without counting twice:
//!
//! - **Zones** (type A, 4.2): the scatter of the zone values of each side, divided by √n. It holds
//!   repeatability, resolution, and drift within a side already, so these are floors to it and no
//!   components of their own: the scatter of a side is taken to be not smaller than the stated
//!   repeatability of a zone's mean, nor than step ÷ √12 (F.2.2.1). A floor keeps the degrees of freedom of
//!   the scatter that it lifts.
//! - **Display step**: where a side scatters by less than half a step, roundings are not independent of
//!   each other and no longer average out; then step ÷ √12 enters once more, whole.
//! - **Drift**: the tile's value at the mean time of the treated zones minus that at the mean time of the
//!   control zones, scaled to the gloss, is a false difference, if the gain moved in a straight line. Two checks
//!   tell how far it moved and not when. If it moved one way only, any course is a mixture of steps, and the
//!   step at the worst moment bounds it. Under `allow` the false difference stays in the values: the largest that
//!   any such course makes enters, with what the straight line makes in it, since the two add up. Under `correct`
//!   the straight line has been taken out: the most that a course can differ from it enters. Either
//!   enters whole, beside the standard uncertainties, as a known error that stays: Phillips, Eberhardt and Parry,
//!   "Guidelines for expressing the uncertainty of measurement results containing uncorrected bias", J. Res.
//!   NIST 102 (1997), 577 (from memory). Whole and not divided by √3, because a step puts the error at its
//!   bound in every run; what the straight line alone, and √3, missed is in `protocol-notes/coverage.md`. How
//!   well the checks know the drift enters under either policy.
//!
//! From these the interval and the verdict are made. What follows is common to both sides, and so
//! scales with the difference and not with the gloss (5.2, fully correlated inputs): it can make a
//! difference larger or smaller by a part of itself, but never make one out of nothing.
//!
//! - **Meter off its tile** (`allow` only): the mean deviation of the checks, not corrected, whole.
//! - **Tile checks**: how well the checks fix the scale.
//! - **Tile certificate**: the expanded uncertainty of the assigned value, k = 2.
//! - **Straightness**: a scale with a bow of height a between zero and the tile A follows 4a·x(1 − x), with x
//!   = gloss ÷ A, and its slope is off by at most 4a ÷ A; every slope within that is as likely (4.3.7).
//!
//! The case worked by hand: a tile of 92.4 GU known to 0.92 GU (k = 2), control zones at 71 GU, treated
//! ones at 79 GU. The tile may be wrong by 0.46 ÷ 92.4 = 0.50 %. Of the gloss of 79 GU that is 0.39 GU,
//! but the control is off by the same part, so that of the difference of 8 GU only 8 × 0.50 % = 0.040 GU
//! remain:
//!
//! ```
//! use halfpanel::difference::evidence::{Evidence, MeterFacts, Point, Sitting, TileFacts};
//! use halfpanel::difference::weighing::weigh;
//! use halfpanel::run::setup::DriftPolicy;
//! let zones = |values: [f64; 3]| values.map(Point::read).to_vec();
//! let after = Sitting {
//!     repeats: 1.0,
//!     control: zones([70.8, 71.0, 71.2]),
//!     treated: zones([78.8, 79.0, 79.2]),
//!     ..Sitting::default()
//! };
//! let weighed = weigh(&Evidence {
//!     after,
//!     before: None,
//!     meter: MeterFacts { step_gu: 0.1, repeatability_gu: None, bow_gu: None },
//!     tile: TileFacts { assigned_gu: 92.4, expanded_uncertainty_gu: Some(0.92) },
//!     policy: DriftPolicy::Allow,
//! });
//! let tile = weighed.parts.iter().find(|part| part.component.name == "tile certificate").unwrap();
//! assert!((tile.contribution_gu - 0.0398).abs() < 0.0001);
//! // The zones: standard deviation 0.2 a side, so √(2 × 0.2²/3) = 0.1633; it scatters, the tile does not.
//! assert!((weighed.chance.unwrap().standard_uncertainty_gu - 0.1633).abs() < 0.0001);
//! ```

use super::evidence::Evidence;
use super::evidence::Point;
use super::evidence::Side;
use super::evidence::Sitting;
use super::evidence::least_scatter_gu;
use crate::run::setup::DriftPolicy;
use crate::stats::budget::Component;
use crate::stats::budget::Degrees;
use crate::stats::budget::Stated;
use crate::stats::budget::budget;
use crate::stats::retention::ScaleCheck;
use crate::stats::summary::finite;
use crate::stats::summary::standard_deviation;
use crate::stats::summary::sum;
use crate::stats::welch::CONFIDENCE;

/// Degrees of freedom beyond which Student's t is the normal distribution to every printed digit.
const AS_GOOD_AS_NORMAL: f64 = 1e9;
/// Parts of a bracket's time that are one moment: far below the microseconds in which time is counted.
const SAME_MOMENT: f64 = 1e-12;

/// One line of the budget.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// What it is, with its figure, divisor, sensitivity and degrees of freedom.
    pub component: Component,
    /// Whether it is common to both sides: not part of the interval and the verdict.
    pub common: bool,
    /// What it brings to the difference, GU.
    pub contribution_gu: f64,
    /// Its part of the whole variance, 0 to 1; absent if nothing contributes.
    pub share: Option<f64>,
}

/// An uncertainty with its interval's half-width at [`CONFIDENCE`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known {
    /// Combined standard uncertainty, GU.
    pub standard_uncertainty_gu: f64,
    /// Effective degrees of freedom (Welch–Satterthwaite).
    pub degrees_of_freedom: f64,
    /// Student's t.
    pub coverage_factor: f64,
    /// Coverage factor × standard uncertainty, GU.
    pub expanded_gu: f64,
}

/// Why there is no uncertainty, or not all of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Lacking {
    /// A side has no zone.
    EmptySide,
    /// A side has one zone, which shows no scatter.
    OneZoneSide,
    /// The tile's assigned value has no stated uncertainty.
    TileWithoutUncertainty,
    /// A figure is beyond what can be computed.
    OutOfRange,
}

/// A difference, weighed.
#[derive(Clone, Debug, PartialEq)]
pub struct Weighed {
    /// Treated minus control under the drift policy, GU; absent if a side is empty.
    pub difference_gu: Option<f64>,
    /// What decides the verdict: everything that can make a difference out of nothing.
    pub chance: Option<Known>,
    /// All of it, with what is common to both sides.
    pub whole: Option<Known>,
    /// The budget.
    pub parts: Vec<Part>,
    /// The false difference by drift between the mean times of the sides, GU, as read.
    pub drift_bias_gu: f64,
    /// How well that is known, standard uncertainty, GU.
    pub drift_noise_gu: f64,
    /// A side scatters by less than half the meter's step.
    pub step_hides_scatter: bool,
    /// Why something is absent.
    pub lacking: Vec<Lacking>,
}

/// Weighs a difference.
#[must_use]
pub fn weigh(evidence: &Evidence) -> Weighed {
    let mut weighed = Weighed {
        difference_gu: evidence.difference_gu(evidence.policy).and_then(finite),
        chance: None,
        whole: None,
        parts: Vec::new(),
        drift_bias_gu: 0.0,
        drift_noise_gu: 0.0,
        step_hides_scatter: false,
        lacking: Vec::new(),
    };
    let Some(difference_gu) = weighed.difference_gu else {
        let is_empty = |side| evidence.values(side, evidence.policy).is_empty();
        let one_is_empty = is_empty(Side::Control) || is_empty(Side::Treated);
        weighed.lacking.push(if one_is_empty { Lacking::EmptySide } else { Lacking::OutOfRange });
        return weighed;
    };
    weighed.zones(evidence);
    for (sign, sitting) in evidence.sittings() {
        weighed.drift(evidence, sign, sitting);
    }
    for (sign, sitting) in evidence.sittings() {
        weighed.scale(evidence, sign, sitting);
    }
    weighed.tile(evidence, difference_gu);
    weighed.add_up();
    weighed
}

impl Weighed {
    fn part(&mut self, name: impl Into<String>, common: bool, value: f64, stated: Stated) -> &mut Component {
        let component =
            Component { name: name.into(), value, stated, sensitivity: 1.0, degrees_of_freedom: None };
        self.parts.push(Part { component, common, contribution_gu: 0.0, share: None });
        let last = self.parts.len() - 1;
        &mut self.parts[last].component
    }

    /// Scatter of both sides' zones, and the step where it hides the scatter.
    fn zones(&mut self, evidence: &Evidence) {
        let step = evidence.meter.step_gu;
        let times = evidence.sittings().count() as f64;
        for (side, name, sign) in [(Side::Control, "control", -1.0), (Side::Treated, "treated", 1.0)] {
            let values = evidence.values(side, evidence.policy);
            let n = values.len() as f64;
            let (Some(sd), Some(scatter)) = (standard_deviation(&values), evidence.scatter_gu(side)) else {
                self.lacking.push(if n < 2.0 { Lacking::OneZoneSide } else { Lacking::OutOfRange });
                continue;
            };
            let scatter = self.part(format!("scatter of {name} zones"), false, scatter, Stated::MeanOf { n });
            scatter.sensitivity = sign;
            scatter.degrees_of_freedom = Some(n - 1.0);
            if sd < 0.5 * step {
                self.step_hides_scatter = true;
                let rounding = self.part(format!("display step ({name} side)"), false, step, Stated::Step);
                rounding.sensitivity = sign * times.sqrt();
            }
        }
        self.lacking.dedup();
    }

    /// What the drift between the mean times of the sides does to the difference.
    fn drift(&mut self, evidence: &Evidence, sign: f64, sitting: &Sitting) {
        let (Some(control), Some(treated)) = (sitting.shares(Side::Control), sitting.shares(Side::Treated))
        else {
            return;
        };
        let level = |side| sitting.mean_gu(side, DriftPolicy::Allow).unwrap_or(0.0);
        // From the tile to the gloss of the zones.
        let scaled = 0.5 * (level(Side::Control) + level(Side::Treated)) / evidence.tile.assigned_gu;
        let apart: Vec<f64> = treated.iter().zip(&control).map(|(t, c)| t - c).collect();
        let line = sitting.tile_gu(&treated) - sitting.tile_gu(&control);
        self.drift_bias_gu += sign * line * scaled;
        let which = in_sitting(sign);
        let (least, most) = courses_gu(sitting);
        let (name, error) = match evidence.policy {
            DriftPolicy::Allow => ("drift between the sides", most.max(-least)),
            DriftPolicy::Correct => ("drift not straight", (most - line).max(line - least)),
        };
        self.part(format!("{name}{which}"), false, error.max(0.0), Stated::Standard).sensitivity =
            sign * scaled;
        if let Some((noise, degrees)) = check_noise(evidence, sitting, &apart) {
            self.drift_noise_gu = self.drift_noise_gu.hypot(noise * scaled);
            let part = self.part(format!("noise of the drift{which}"), false, noise, Stated::Standard);
            part.sensitivity = sign * scaled;
            part.degrees_of_freedom = degrees;
        }
    }

    /// What the checks of a sitting leave open of the scale, which both sides share.
    fn scale(&mut self, evidence: &Evidence, sign: f64, sitting: &Sitting) {
        let (Some(control), Some(treated)) = (sitting.shares(Side::Control), sitting.shares(Side::Treated))
        else {
            return;
        };
        let assigned = evidence.tile.assigned_gu;
        let difference = sitting.difference_gu(evidence.policy).unwrap_or(0.0);
        let middle: Vec<f64> = treated.iter().zip(&control).map(|(t, c)| 0.5 * (t + c)).collect();
        let which = in_sitting(sign);
        if evidence.policy == DriftPolicy::Allow {
            let off = (sitting.tile_gu(&middle) - assigned).abs();
            self.part(format!("meter off its tile{which}"), true, off, Stated::Standard).sensitivity =
                sign * difference / assigned;
        }
        if let Some((noise, degrees)) = check_noise(evidence, sitting, &middle) {
            let part = self.part(format!("scatter of tile checks{which}"), true, noise, Stated::Standard);
            part.sensitivity = sign * difference / assigned;
            part.degrees_of_freedom = degrees;
        }
    }

    fn tile(&mut self, evidence: &Evidence, difference_gu: f64) {
        let assigned = evidence.tile.assigned_gu;
        match evidence.tile.expanded_uncertainty_gu {
            Some(expanded) => {
                self.part("tile certificate", true, expanded, Stated::Expanded { k: 2.0 }).sensitivity =
                    difference_gu / assigned;
            }
            None => self.lacking.push(Lacking::TileWithoutUncertainty),
        }
        if let Some(bow) = evidence.meter.bow_gu {
            self.part("scale not straight", true, bow, Stated::Rectangular).sensitivity =
                4.0 * difference_gu / assigned;
        }
    }

    fn add_up(&mut self) {
        let both_sides =
            !self.lacking.contains(&Lacking::OneZoneSide) && !self.lacking.contains(&Lacking::OutOfRange);
        if both_sides {
            self.chance = self.known(|part| !part.common);
            self.whole = self.known(|_| true);
            if self.chance.is_none() || self.whole.is_none() {
                self.lacking.push(Lacking::OutOfRange);
            }
        }
        if self.lacking.contains(&Lacking::TileWithoutUncertainty) {
            self.whole = None;
        }
        let all: Vec<Component> = self.parts.iter().map(|part| part.component.clone()).collect();
        // What cannot be added up is no budget, and a contribution of 0 would be an untruth.
        let Ok(added) = budget(&all) else { return self.parts.clear() };
        for (part, contribution) in self.parts.iter_mut().zip(added.contributions) {
            part.contribution_gu = contribution.contribution;
            part.share = contribution.share;
        }
    }

    fn known(&self, meant: impl Fn(&Part) -> bool) -> Option<Known> {
        let parts: Vec<Component> =
            self.parts.iter().filter(|part| meant(part)).map(|part| part.component.clone()).collect();
        let added = budget(&parts).ok()?;
        let expanded = added.expanded(CONFIDENCE, Degrees::Fractional).ok()?;
        Some(Known {
            standard_uncertainty_gu: Some(added.combined).filter(|u| *u > 0.0)?,
            degrees_of_freedom: added.degrees_of_freedom.unwrap_or(AS_GOOD_AS_NORMAL),
            coverage_factor: expanded.coverage_factor,
            expanded_gu: expanded.expanded,
        })
    }
}

/// Behind the name of a part, so that two sittings can be told apart.
fn in_sitting(sign: f64) -> &'static str {
    if sign > 0.0 { "" } else { " (bare sitting)" }
}

/// Standard uncertainty of a combination of the checks' means, GU at the tile, with its degrees of
/// freedom. `None` without a check, or with a figure beyond computing.
fn check_noise(evidence: &Evidence, sitting: &Sitting, weights: &[f64]) -> Option<(f64, Option<f64>)> {
    let step = evidence.meter.step_gu;
    let seen = sitting.check_scatter.map_or(0.0, |scatter| scatter.sd);
    let rounding = if seen < 0.5 * step { step * step / 12.0 } else { 0.0 };
    let scatter = seen.max(least_scatter_gu(evidence.meter.repeatability_gu, step, 1.0, 1.0));
    let variance = sum(sitting
        .checks
        .iter()
        .zip(weights)
        .map(|(check, weight)| weight * weight * (scatter * scatter / check.n.max(1.0) + rounding)));
    Some((finite(variance.sqrt())?, sitting.check_scatter.map(|scatter| scatter.degrees_of_freedom)))
}

/// The least and the most, GU at the tile and with sign, that a gain which moved one way between neighbouring
/// checks can have put into treated minus control. What the straight line puts there lies between.
fn courses_gu(sitting: &Sitting) -> (f64, f64) {
    let (mut least, mut most) = (0.0, 0.0);
    for (before, checks) in sitting.checks.windows(2).enumerate() {
        let moved = checks[1].mean_gu - checks[0].mean_gu;
        // How much of this bracket's change each zone has behind it, 0 to 1.
        let behind = |side: &[Point]| -> Vec<f64> {
            side.iter().map(|point| sum(point.shares[before + 1..].iter().copied())).collect()
        };
        let (low, high) = of_step(&behind(&sitting.control), &behind(&sitting.treated));
        least += (moved * low).min(moved * high);
        most += (moved * low).max(moved * high);
    }
    (least, most)
}

/// The least and the most that a step of 1 at one moment, seen by the zones behind it, makes of treated minus
/// control. The moment of each zone runs from 0 to 1; the step lies within.
fn of_step(control: &[f64], treated: &[f64]) -> (f64, f64) {
    let of = |side: &[f64], sign: f64| -> Vec<(f64, f64)> {
        side.iter().map(|&moment| (moment, sign / side.len() as f64)).collect()
    };
    let mut zones = [of(control, -1.0), of(treated, 1.0)].concat();
    zones.sort_by(|one, other| one.0.total_cmp(&other.0));
    let (mut least, mut most) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut see = |made: f64| (least, most) = (least.min(made), most.max(made));
    // Before the first zone a step is seen by all of both sides alike.
    let mut made = 0.0;
    if zones.first().is_some_and(|zone| zone.0 > SAME_MOMENT) {
        see(made);
    }
    for (place, &(moment, weight)) in zones.iter().enumerate() {
        made -= weight;
        let is_last_of_moment = zones.get(place + 1).is_none_or(|next| next.0 - moment > SAME_MOMENT);
        if is_last_of_moment && moment < 1.0 - SAME_MOMENT {
            see(made);
        }
    }
    if least <= most { (least, most) } else { (0.0, 0.0) }
}

/// How well a sitting's checks fix the scale of the meter, for a ratio of two sittings: their scatter, and
/// under `allow` how far they were off the tile.
pub(super) fn scale_check(evidence: &Evidence, sitting: &Sitting) -> ScaleCheck {
    let unknown = ScaleCheck { relative_uncertainty: 0.0, degrees_of_freedom: None };
    let Some(shares) = sitting.shares(Side::Treated) else { return unknown };
    let assigned = evidence.tile.assigned_gu;
    let off = match evidence.policy {
        DriftPolicy::Allow => sitting.tile_gu(&shares) - assigned,
        DriftPolicy::Correct => 0.0,
    };
    let (noise, degrees_of_freedom) = check_noise(evidence, sitting, &shares).unwrap_or((0.0, None));
    ScaleCheck { relative_uncertainty: noise.hypot(off) / assigned, degrees_of_freedom }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::difference::evidence::CheckMean;
    use crate::difference::evidence::MeterFacts;
    use crate::difference::evidence::TileFacts;

    /// Zones of 45 GU on a tile of 90, which moves by 0.3 between checks; by the share of the time at which they are read.
    fn listed(control: [f64; 2], treated: [f64; 2], policy: DriftPolicy) -> Weighed {
        let at = |share: f64| Point { shares: vec![1.0 - share, share], ..Point::read(45.0) };
        let check = |mean_gu| CheckMean { mean_gu, n: 3.0 };
        let after = Sitting {
            checks: vec![check(90.0), check(90.3)],
            repeats: 1.0,
            control: control.map(at).to_vec(),
            treated: treated.map(at).to_vec(),
            ..Sitting::default()
        };
        weigh(&Evidence {
            after,
            before: None,
            meter: MeterFacts { step_gu: 0.01, repeatability_gu: None, bow_gu: None },
            tile: TileFacts { assigned_gu: 90.0, expanded_uncertainty_gu: Some(0.0) },
            policy,
        })
    }

    fn of(weighed: &Weighed, name: &str) -> Option<f64> {
        weighed.parts.iter().find(|part| part.component.name == name).map(|part| part.contribution_gu)
    }

    /// By hand: the line gives (0.6 + 0.8)/2 − (0.2 + 0.4)/2 = 0.4 of the change, a step between the sides all of
    /// it: 0.3 GU at the tile, 0.15 GU at half its gloss. Beyond the line that is 0.6 × 0.3 × 0.5 = 0.09 GU.
    #[test]
    fn a_step_of_the_gain_between_the_sides_is_allowed_for_under_either_policy() {
        for (policy, name, by_hand) in [
            (DriftPolicy::Allow, "drift between the sides", 0.15),
            (DriftPolicy::Correct, "drift not straight", 0.09),
        ] {
            let weighed = listed([0.2, 0.4], [0.6, 0.8], policy);
            let found = of(&weighed, name).unwrap();
            assert!((found - by_hand).abs() < 1e-9, "{found}");
            assert!((weighed.drift_bias_gu - 0.4 * 0.3 * 0.5).abs() < 1e-9, "{}", weighed.drift_bias_gu);
        }
    }

    /// By hand, C T T C at 0.2, 0.4, 0.6, 0.8: the line gives nothing, and a step behind the first zone or before
    /// the last half of the change: 0.5 × 0.3 × 0.5 = 0.075 GU.
    #[test]
    fn the_mirror_takes_out_the_line_and_leaves_the_step() {
        let weighed = listed([0.2, 0.8], [0.4, 0.6], DriftPolicy::Allow);
        let found = of(&weighed, "drift between the sides").unwrap();
        assert!((found - 0.075).abs() < 1e-9 && weighed.drift_bias_gu.abs() < 1e-9, "{found}");
    }

    #[test]
    fn no_step_lies_between_zones_of_one_moment_or_outside_the_bracket() {
        assert_eq!(of_step(&[0.3, 0.7], &[0.3, 0.7]), (0.0, 0.0));
        // Control wholly before and treated wholly behind the bracket: what lies between them is known.
        assert_eq!(of_step(&[0.0, 0.0], &[1.0, 1.0]), (1.0, 1.0));
        assert_eq!(of_step(&[0.0, 0.0], &[0.0, 0.0]), (0.0, 0.0));
    }
}
