//! Zones that were read before and after: what the treatment did, less what happened to the control
//! meanwhile.
//!
//! Source: the before/after, control/treated design, e.g. Stewart-Oaten, Murdoch and Parker, Ecology 67
//! (1986), 929–940; the change of each zone is one value (e-Handbook of Statistical Methods,
//! 7.3.1, paired observations), and the changes of both sides are compared by Welch's method
//! ([`crate::stats::welch`]). Where a zone started no longer matters, nor does the tile's scale error.

use crate::stats::summary::finite;
use crate::stats::summary::mean;
use crate::stats::welch::Welch;
use crate::stats::welch::welch;

/// One zone's mean at an earlier and at a later stage, in one unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BeforeAfter {
    /// At the earlier stage.
    pub before: f64,
    /// At the later stage.
    pub after: f64,
}

impl BeforeAfter {
    /// After minus before. `None` if either is not finite, or the change is beyond `f64`.
    #[must_use]
    pub fn change(&self) -> Option<f64> {
        finite(self.after - self.before)
    }
}

/// What changed, in the unit of the values.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Paired {
    /// Mean change of the control zones.
    pub control_change: f64,
    /// Mean change of the treated zones.
    pub treated_change: f64,
    /// Treated change minus control change, with its interval.
    pub compared: Welch,
}

/// Compares the changes of treated and control zones. `None` if a side is empty, or holds a value that
/// is not finite or a change beyond `f64`.
///
/// ```
/// use halfpanel::stats::paired::{BeforeAfter, paired};
/// let zone = |before, after| BeforeAfter { before, after };
/// // All zones lost 1 by lying in the sun; the treated ones gained 3 on top.
/// let control = [zone(70.0, 69.0), zone(75.0, 74.5), zone(72.0, 70.5)];
/// let treated = [zone(80.0, 82.0), zone(64.0, 66.5), zone(71.0, 72.5)];
/// assert_eq!(paired(&control, &treated).unwrap().compared.difference, 3.0);
/// ```
#[must_use]
pub fn paired(control: &[BeforeAfter], treated: &[BeforeAfter]) -> Option<Paired> {
    let changes = |zones: &[BeforeAfter]| zones.iter().map(BeforeAfter::change).collect::<Option<Vec<f64>>>();
    let (control, treated) = (changes(control)?, changes(treated)?);
    Some(Paired {
        control_change: mean(&control)?,
        treated_change: mean(&treated)?,
        compared: welch(&control, &treated)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zones(values: &[(f64, f64)]) -> Vec<BeforeAfter> {
        values.iter().map(|&(before, after)| BeforeAfter { before, after }).collect()
    }

    #[test]
    fn halves_that_differed_from_the_start_are_not_called_a_change() {
        let control = zones(&[(70.0, 70.1), (60.0, 60.2), (65.0, 64.9)]);
        let treated = zones(&[(90.0, 90.0), (80.0, 80.1), (85.0, 85.1)]);
        let found = paired(&control, &treated).unwrap();
        assert!(found.compared.difference.abs() < 0.01);
        // Zones differ by 10, their changes by 0.15: only the latter counts.
        assert!(found.compared.interval.unwrap().standard_error < 0.1);
    }

    #[test]
    fn an_empty_side_or_a_value_that_is_no_number_gives_nothing() {
        let sound = zones(&[(70.0, 71.0), (70.0, 71.5)]);
        assert_eq!(paired(&[], &sound), None);
        assert_eq!(paired(&sound, &zones(&[(f64::NAN, 71.0)])), None);
        assert_eq!(paired(&sound, &zones(&[(f64::MIN, f64::MAX)])), None);
    }
}
