//! What can be said of a difference: the verdict, whether it matters, and what would settle it.

use super::evidence::Evidence;
use super::evidence::Side;
use super::weighing::Known;
use super::weighing::Weighed;
use crate::stats::equivalence;
use crate::stats::power;
use crate::stats::summary::mean;
use crate::stats::summary::standard_deviation;

/// Nobody reads a zone more often.
const MOST_REPEATS: u32 = 50;

/// The verdict, as it stands in the tables.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The whole interval lies above zero.
    Higher,
    /// The whole interval lies below zero.
    Lower,
    /// The interval holds zero.
    NotDetectable,
    /// The meter is not proven, or nobody can tell for want of zones.
    NoResult,
}

impl Verdict {
    /// Of a proven difference with its chance interval. Without an interval nobody can tell.
    #[must_use]
    pub fn of(difference_gu: f64, chance: Option<&Known>) -> Verdict {
        match chance {
            None => Verdict::NoResult,
            Some(known) if difference_gu - known.expanded_gu > 0.0 => Verdict::Higher,
            Some(known) if difference_gu + known.expanded_gu < 0.0 => Verdict::Lower,
            Some(_) => Verdict::NotDetectable,
        }
    }

    /// The verdict as it stands in the tables.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Verdict::Higher => "higher",
            Verdict::Lower => "lower",
            Verdict::NotDetectable => "no detectable difference",
            Verdict::NoResult => "no result",
        }
    }
}

/// Whether a difference is as large as the study says that it matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Matters {
    /// The whole interval lies at or beyond the size that matters.
    Yes,
    /// The whole interval lies within it.
    No,
    /// The interval reaches over it.
    CannotTell,
}

impl Matters {
    /// Of a difference with its interval, against the smallest size that matters, above 0, GU.
    #[must_use]
    pub fn of(difference_gu: f64, chance: &Known, matters_gu: f64) -> Matters {
        let (least, most) =
            (difference_gu.abs() - chance.expanded_gu, difference_gu.abs() + chance.expanded_gu);
        match () {
            () if least >= matters_gu => Matters::Yes,
            () if most < matters_gu => Matters::No,
            () => Matters::CannotTell,
        }
    }

    /// As it stands in the tables.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Matters::Yes => "yes",
            Matters::No => "no",
            Matters::CannotTell => "cannot tell",
        }
    }
}

/// How well the size of a difference is known. An error of the scale makes no difference out of nothing, but
/// makes one larger or smaller; so a size is held against the wider of the two intervals, and against that
/// of chance alone where the tile's certificate states no uncertainty.
#[must_use]
pub fn size_known(chance: Known, whole: Option<Known>) -> Known {
    whole.filter(|whole| whole.expanded_gu > chance.expanded_gu).unwrap_or(chance)
}

/// Smallest true difference that a comparison of this kind finds with power 0.8 at 0.05, two-sided, GU.
#[must_use]
pub fn detectable_gu(weighed: &Weighed) -> Option<f64> {
    let known = weighed.chance.as_ref()?;
    power::detectable(known.standard_uncertainty_gu, known.degrees_of_freedom)
}

/// Zones on each side, 2 or more, that find a difference of this size (GU, above 0) with power 0.8, if
/// zones go on scattering as they do. The scatter is that of the budget, floors included.
#[must_use]
pub fn zones_to_settle(evidence: &Evidence, size_gu: f64) -> Option<u32> {
    let [control, treated] = [Side::Control, Side::Treated].map(|side| evidence.scatter_gu(side));
    power::zones_a_side(size_gu, control?, treated?).ok()
}

/// Readings on each zone that find a difference of this size (GU, above 0) with the zones that there
/// are, where repeats can do it: they take only the scatter within zones down. `within_sd` is that
/// scatter of single readings, GU. `None` if it is not known, or no number of repeats will do.
#[must_use]
pub fn repeats_to_settle(evidence: &Evidence, within_sd: f64, size_gu: f64) -> Option<u32> {
    let now = evidence.after.repeats.max(1.0);
    let sides = [Side::Control, Side::Treated].map(|side| {
        let values = evidence.values(side, evidence.policy);
        standard_deviation(&values).map(|sd| (sd, values.len() as f64))
    });
    let [(control, n_control), (treated, n_treated)] = [sides[0]?, sides[1]?];
    let between = |sd: f64| (sd * sd - within_sd * within_sd / now).max(0.0);
    let floor = evidence.meter.step_gu * evidence.meter.step_gu / 12.0;
    let is_enough = |repeats: u32| {
        let of = |sd: f64, n: f64| (between(sd) + within_sd * within_sd / f64::from(repeats)).max(floor) / n;
        let error = (of(control, n_control) + of(treated, n_treated)).sqrt();
        let power = power::power(size_gu, error, n_control + n_treated - 2.0);
        power.is_some_and(|power| power >= power::POWER)
    };
    (1..=MOST_REPEATS).find(|&repeats| is_enough(repeats))
}

/// Whether the difference is shown to lie within ±margin (GU, above 0): two one-sided tests at 0.05.
#[must_use]
pub fn is_equivalent(difference_gu: f64, chance: &Known, margin_gu: f64) -> Option<bool> {
    let found = equivalence::lies_within(
        difference_gu,
        chance.standard_uncertainty_gu,
        chance.degrees_of_freedom,
        margin_gu,
    );
    found.map(|found| found.equivalent)
}

/// Standard deviation of single readings within zones, pooled over zones of equal numbers of readings;
/// `None` if no zone has two.
#[must_use]
pub fn within_sd(zones: &[Option<f64>]) -> Option<f64> {
    let known: Vec<f64> = zones.iter().flatten().map(|sd| sd * sd).collect();
    mean(&known).map(f64::sqrt)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::difference::evidence::MeterFacts;
    use crate::difference::evidence::Point;
    use crate::difference::evidence::Sitting;
    use crate::difference::evidence::TileFacts;
    use crate::difference::weighing::weigh;
    use crate::run::setup::DriftPolicy;

    fn matters(expanded_uncertainty_gu: Option<f64>) -> Matters {
        let zones = |gu: f64| vec![Point::read(gu); 5];
        let after =
            Sitting { repeats: 1.0, control: zones(40.0), treated: zones(42.1), ..Sitting::default() };
        let meter = MeterFacts { step_gu: 0.1, repeatability_gu: None, bow_gu: None };
        let tile = TileFacts { assigned_gu: 92.4, expanded_uncertainty_gu };
        let weighed = weigh(&Evidence { after, before: None, meter, tile, policy: DriftPolicy::Allow });
        Matters::of(weighed.difference_gu.unwrap(), &size_known(weighed.chance.unwrap(), weighed.whole), 2.0)
    }

    /// A difference of 2.10 by a tile known to 9 of 92.4 GU (k = 2): by the tile alone ± 0.205, so that it
    /// may be 1.9. What the zones add is 0.09.
    #[test]
    fn a_size_is_not_known_better_than_the_tile_that_gave_the_scale() {
        assert_eq!(matters(Some(9.0)), Matters::CannotTell);
        assert_eq!(matters(Some(0.1)), Matters::Yes);
        assert_eq!(matters(None), Matters::Yes);
    }
}
