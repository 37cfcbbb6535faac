//! No input, however odd, panics or yields a number that is not finite.

use super::student::t_quantile;
use super::student::t_two_sided_p;
use super::summary;
use super::welch::welch;
use proptest::collection::vec;
use proptest::num::f64::ANY;
use proptest::prelude::*;

/// Any double at all, with the odd ones and everyday gloss values made frequent.
fn odd() -> impl Strategy<Value = f64> {
    let named = [0.0, -0.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN, 5e-324];
    prop_oneof![ANY, 0.0..120.0, proptest::sample::select(named.to_vec()), -1e-300..1e-300, -1e308..1e308]
}

/// Sides that are mostly usable: one scale for all values, so that most cases get as far as an interval.
fn sides() -> impl Strategy<Value = (Vec<f64>, Vec<f64>)> {
    let values = || vec(-1.0..1.0, 2..8);
    (-320..308, -1e3..1e3, values(), values()).prop_map(|(power, offset, mut a, mut b)| {
        let scale = 10_f64.powi(power);
        a.iter_mut().chain(&mut b).for_each(|value| *value = (*value + offset) * scale);
        (a, b)
    })
}

/// Runs Welch and says whether each figure is what it promises to be.
fn is_sound(control: &[f64], treated: &[f64]) -> bool {
    let Some(compared) = welch(control, treated) else { return true };
    let Ok(found) = compared.interval else { return compared.difference.is_finite() };
    let figures = [
        compared.difference,
        found.standard_error,
        found.degrees_of_freedom,
        found.coverage_factor,
        found.ci_low,
        found.ci_high,
        found.t,
        found.p_value,
    ];
    figures.iter().all(|figure| figure.is_finite())
        && found.standard_error > 0.0
        && found.ci_low <= compared.difference
        && compared.difference <= found.ci_high
        && (0.0..=1.0).contains(&found.p_value)
}

proptest! {
    #[test]
    fn a_summary_of_anything_is_finite_or_absent(values in vec(odd(), 0..12)) {
        for statistic in [summary::mean, summary::standard_deviation, summary::range, summary::min, summary::max] {
            prop_assert!(statistic(&values).is_none_or(f64::is_finite));
        }
    }

    #[test]
    fn a_mean_lies_within_its_values(values in vec(-1e300..1e300, 1..12)) {
        let mean = summary::mean(&values).expect("twelve such values sum below the largest double");
        prop_assert!(summary::min(&values).is_some_and(|low| low <= mean));
        prop_assert!(summary::max(&values).is_some_and(|high| mean <= high));
    }

    #[test]
    fn a_t_of_anything_is_finite_or_absent(p in odd(), df in odd()) {
        prop_assert!(t_quantile(p, df).is_none_or(f64::is_finite));
        prop_assert!(t_two_sided_p(p, df).is_none_or(|p| (0.0..=1.0).contains(&p)));
    }

    #[test]
    fn a_quantile_leads_back_to_its_share(p in 1e-12_f64..1.0, ln_df in -0.5_f64..30.0) {
        let df = ln_df.exp();
        let back = t_quantile(p, df).and_then(|t| t_two_sided_p(t, df)).expect("both are in their domain");
        let outside = 2.0 * p.min(1.0 - p);
        prop_assert!((back - outside).abs() <= 1e-9 * outside, "p {p}, df {df}: {back} for {outside}");
    }

    #[test]
    fn welch_of_anything_is_finite_or_absent(control in vec(odd(), 0..8), treated in vec(odd(), 0..8)) {
        prop_assert!(is_sound(&control, &treated));
    }

    #[test]
    fn welch_at_any_scale_is_finite_or_absent((control, treated) in sides()) {
        prop_assert!(is_sound(&control, &treated));
    }
}
