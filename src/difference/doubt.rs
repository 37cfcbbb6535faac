//! Readings and zones that stand out from their like. They are flagged and shown, and never dropped: a
//! person may void a reading with a reason.
//!
//! Up to [`FEW`] values the one furthest out is held against Grubbs' test; beyond that as many as a tenth
//! of the values, by the generalized ESD test, which does not let two of them hide each other (e-Handbook of
//! Statistical Methods, NIST/SEMATECH, 1.3.5.17.1 and 1.3.5.17.3: good from about 15 values on). A value
//! is flagged only beyond three repeatabilities and two steps of the meter ([`Floor`]), so that one step
//! of a coarse display never is.

use crate::stats::outliers::End;
use crate::stats::outliers::Floor;
use crate::stats::outliers::generalized_esd;
use crate::stats::outliers::grubbs;

/// Chance of flagging one of a set of values that are all sound.
pub const LEVEL: f64 = 0.05;
/// Below so many values only one outlier can be told.
pub const FEW: usize = 15;
/// No more are looked for, however many values there are.
const MOST: usize = 20;

/// Places of the values that stand out, rising; none where there are fewer than three.
#[must_use]
pub fn suspects(values: &[f64], floor: Floor) -> Vec<usize> {
    if values.len() < FEW {
        let found = grubbs(values, LEVEL, End::Either, floor);
        return found.into_iter().filter(|found| found.flagged).map(|found| found.index).collect();
    }
    let most = (values.len() / 10).clamp(1, MOST);
    generalized_esd(values, most, LEVEL, floor).map(|found| found.flagged).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    const METER: Floor = Floor { repeatability: Some(0.05), step: Some(0.1) };

    const NONE: [usize; 0] = [];

    #[test]
    fn one_step_of_a_coarse_display_is_never_flagged_and_a_slid_meter_is() {
        assert_eq!(suspects(&[71.2, 71.2, 71.2, 71.2, 71.3], METER), NONE);
        assert_eq!(suspects(&[71.2, 71.2, 71.3, 71.2, 74.9], METER), [4]);
    }

    #[test]
    fn two_that_hide_each_other_are_both_found_among_many() {
        let mut values: Vec<f64> = (0..28).map(|at| 71.0 + 0.1 * f64::from(at % 5)).collect();
        values.extend([75.0, 75.1]);
        assert_eq!(suspects(&values, METER), [28, 29]);
    }

    #[test]
    fn fewer_than_three_values_say_nothing() {
        assert_eq!(suspects(&[71.0, 95.0], METER), NONE);
        assert_eq!(suspects(&[], METER), NONE);
    }
}
