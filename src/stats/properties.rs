//! No input, however odd, panics or yields a number that is not finite.

use super::anova;
use super::budget::Component;
use super::budget::Degrees;
use super::budget::Stated;
use super::budget::budget;
use super::charts;
use super::chi_square::chi_square_quantile;
use super::equivalence::equivalent;
use super::fisher;
use super::line;
use super::multiplicity::holm;
use super::noncentral;
use super::outliers::End;
use super::outliers::Floor;
use super::outliers::generalized_esd;
use super::outliers::grubbs;
use super::paired::BeforeAfter;
use super::paired::paired;
use super::power;
use super::precision;
use super::retention::ScaleCheck;
use super::retention::retention;
use super::student::t_quantile;
use super::student::t_two_sided_p;
use super::student::t_upper_tail;
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

fn finite(figures: &[f64]) -> bool {
    figures.iter().all(|figure| figure.is_finite())
}

/// Degrees of freedom and levels that are mostly usable.
fn degrees() -> impl Strategy<Value = f64> {
    prop_oneof![odd(), 0.5..40.0]
}

/// Values of one scale, of which most cases get as far as an answer.
fn values() -> impl Strategy<Value = Vec<f64>> {
    let usable = (-320..308, -1e3..1e3, vec(-1.0..1.0, 0..12)).prop_map(|(power, offset, mut values)| {
        values.iter_mut().for_each(|value| *value = (*value + offset) * 10_f64.powi(power));
        values
    });
    prop_oneof![
        vec(odd(), 0..12),
        usable,
        vec((0_u32..4).prop_map(|step| 71.3 + 0.1 * f64::from(step)), 0..12)
    ]
}

fn zones() -> impl Strategy<Value = Vec<BeforeAfter>> {
    (values(), values()).prop_map(|(before, after)| {
        before.into_iter().zip(after).map(|(before, after)| BeforeAfter { before, after }).collect()
    })
}

fn floor() -> impl Strategy<Value = Floor> {
    let part = || proptest::option::of(prop_oneof![odd(), 0.0..1.0]);
    (part(), part()).prop_map(|(repeatability, step)| Floor { repeatability, step })
}

proptest! {
    #[test]
    fn outliers_of_anything_are_told_or_not(values in values(), alpha in degrees(), most in 0_usize..6, floor in floor()) {
        for end in [End::Either, End::High, End::Low] {
            for alpha in [alpha, 0.05] {
                if let Ok(found) = grubbs(&values, alpha, end, floor) {
                    prop_assert!(finite(&[found.g, found.critical, found.distance]), "{found:?}");
                    prop_assert!((0.0..=1.0).contains(&found.p_value), "{found:?}");
                    prop_assert!(found.index < values.len() && (found.significant || !found.flagged));
                }
            }
        }
        if let Ok(found) = generalized_esd(&values, most, 0.05, floor) {
            prop_assert!(found.steps.iter().all(|step| finite(&[step.r, step.critical])), "{found:?}");
            prop_assert!(found.flagged.len() <= found.outliers && found.outliers <= most);
        }
    }

    #[test]
    fn an_outlier_is_one_in_any_unit(values in vec(0.0..100.0, 3..9), power in -40..40) {
        let scaled: Vec<f64> = values.iter().map(|value| value * 2_f64.powi(power)).collect();
        let of = |values: &[f64]| grubbs(values, 0.05, End::Either, Floor::default()).map(|g| (g.index, g.flagged));
        prop_assert_eq!(of(&values), of(&scaled));
    }

    #[test]
    fn a_budget_of_anything_adds_up_or_says_why(
        parts in vec((odd(), 0_usize..5, odd(), proptest::option::of(degrees())), 0..5), coverage in degrees(),
    ) {
        let parts: Vec<Component> = parts.into_iter().map(|(value, stated, sensitivity, degrees_of_freedom)| {
            let stated = [Stated::Standard, Stated::Expanded { k: sensitivity }, Stated::Rectangular, Stated::Triangular, Stated::Step][stated];
            Component { name: String::new(), value: value.abs(), stated, sensitivity, degrees_of_freedom }
        }).collect();
        if let Ok(found) = budget(&parts) {
            prop_assert!(found.combined.is_finite() && found.degrees_of_freedom.is_none_or(f64::is_finite));
            let shares: Vec<f64> = found.contributions.iter().filter_map(|part| part.share).collect();
            prop_assert!(shares.is_empty() || (shares.iter().sum::<f64>() - 1.0).abs() < 1e-9, "{found:?}");
            for coverage in [coverage, 0.95] {
                for degrees in [Degrees::Fractional, Degrees::NextLower] {
                    if let Ok(at) = found.expanded(coverage, degrees) {
                        prop_assert!(finite(&[at.coverage_factor, at.expanded]), "{at:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn tails_of_anything_are_chances_or_absent(x in odd(), df1 in degrees(), df2 in degrees(), p in degrees()) {
        let chances = [fisher::f_upper_tail(x, df1, df2), noncentral::upper_tail(x, df1, df2), t_upper_tail(x, df1)];
        prop_assert!(chances.iter().flatten().all(|p| (0.0..=1.0).contains(p)), "{chances:?}");
        prop_assert!(fisher::f_quantile(p, df1, df2).is_none_or(|f| f.is_finite() && f >= 0.0));
        prop_assert!(chi_square_quantile(p, df1).is_none_or(|q| q.is_finite() && q >= 0.0));
    }

    #[test]
    fn power_of_anything_is_a_chance_or_absent(difference in degrees(), error in degrees(), df in degrees()) {
        prop_assert!(power::power(difference, error, df).is_none_or(|p| (0.0..=1.0 + 1e-9).contains(&p)));
        prop_assert!(power::detectable(error, df).is_none_or(|d| d.is_finite() && d > 0.0));
        let zones = power::zones_a_side(difference, error, df);
        prop_assert!(zones.is_err() || zones.is_ok_and(|n| (2..=power::MOST_ZONES).contains(&n)));
    }

    #[test]
    fn more_zones_detect_a_smaller_difference(sd in 0.01..2.0, n in 2_u32..30) {
        let at = |n: u32| power::detectable(sd * (2.0 / f64::from(n)).sqrt(), 2.0 * f64::from(n - 1)).unwrap();
        prop_assert!(at(n + 1) < at(n));
        // What the one says is detectable with n zones, the other says takes no more than n.
        prop_assert!(power::zones_a_side(at(n) * 1.000_001, sd, sd).is_ok_and(|zones| zones == n));
    }

    #[test]
    fn equivalence_and_paired_changes_of_anything_are_told_or_not(control in zones(), treated in zones(), margin in degrees()) {
        if let Some(found) = paired(&control, &treated) {
            prop_assert!(finite(&[found.control_change, found.treated_change, found.compared.difference]));
            if let Ok(told) = equivalent(&found.compared, margin) {
                prop_assert!(finite(&[told.low, told.high]) && (0.0..=1.0).contains(&told.p_value), "{told:?}");
            }
        }
    }

    #[test]
    fn retention_of_anything_is_told_or_not(zones in zones(), part in degrees(), degrees in proptest::option::of(degrees())) {
        let check = ScaleCheck { relative_uncertainty: part, degrees_of_freedom: degrees };
        let sure = ScaleCheck { relative_uncertainty: 0.002, degrees_of_freedom: Some(2.0) };
        for after in [check, sure] {
            if let Ok(found) = retention(&zones, sure, after) {
                prop_assert!(finite(&[found.ratio, found.low, found.high, found.coverage_factor]), "{found:?}");
                prop_assert!(found.low <= found.ratio && found.ratio <= found.high);
            }
        }
    }

    #[test]
    fn adjusted_p_values_are_no_smaller_and_in_the_same_order(p in vec(prop_oneof![odd(), 0.0..1.0], 0..6)) {
        if let Some(found) = holm(&p) {
            for (place, adjusted) in found.iter().enumerate() {
                prop_assert!((p[place]..=1.0).contains(adjusted));
                prop_assert!((0..p.len()).all(|other| p[other] < p[place] || *adjusted <= found[other]));
            }
        }
    }

    #[test]
    fn precision_and_analysis_of_variance_of_anything_are_finite_or_say_why(cells in vec(values(), 0..4), of in 2_usize..5) {
        if let Ok(found) = anova::one_way(&cells) {
            prop_assert!(finite(&[found.ss_between, found.ss_within, found.f, found.residual_sd]), "{found:?}");
            prop_assert!((0.0..=1.0).contains(&found.p_value) && (0.0..=1.0).contains(&found.r_squared));
        }
        let even: Vec<Vec<f64>> = cells.iter().filter_map(|cell| cell.get(..of)).map(<[f64]>::to_vec).collect();
        if let Ok(found) = precision::precision(&even) {
            prop_assert!(finite(&[found.mean, found.repeatability_sd, found.between_sd, found.reproducibility_limit]));
            prop_assert!(found.reproducibility_sd >= found.repeatability_sd, "{found:?}");
        }
        prop_assert!(precision::cochran(&even).is_none_or(|c| c > 0.0 && c <= 1.0 + 1e-12));
        if let Ok(found) = precision::nested(&[even.clone(), even.clone()]) {
            let of = found.components;
            prop_assert!(finite(&[of.repeatability_sd, of.day_sd, of.reproducibility_sd]), "{found:?}");
        }
    }

    #[test]
    fn charts_of_anything_are_finite_or_say_why(values in values(), later in values(), weight in degrees(), least in proptest::option::of(odd())) {
        for sigma in [charts::Sigma::MovingRange, charts::Sigma::StandardDeviation] {
            let Ok(limits) = charts::Limits::from_baseline(&values, sigma, least) else { continue };
            prop_assert!(finite(&[limits.centre, limits.sigma, limits.lower, limits.upper]) && limits.sigma > 0.0);
            prop_assert!(charts::western_electric(&later, &limits).iter().all(|signal| signal.index < later.len()));
            for weight in [weight, 0.2] {
                let found = charts::ewma(&later, &limits, weight);
                prop_assert!(found.is_err() || found.is_ok_and(|found| finite(&found.averages)));
            }
        }
        prop_assert!(charts::lag1_autocorrelation(&values).is_none_or(|r| (-1.001..=1.001).contains(&r)));
        prop_assert!(charts::moving_range_limit(&values, least).is_none_or(f64::is_finite));
    }

    #[test]
    fn a_line_through_anything_is_finite_or_says_why(x in values(), y in values(), confidence in degrees()) {
        let points = x.len().min(y.len());
        if let Ok(found) = line::fit(&x[..points], &y[..points]) {
            prop_assert!(finite(&[found.slope, found.intercept, found.slope_error, found.intercept_error, found.covariance]));
            for confidence in [confidence, 0.95] {
                if let Some(slope) = found.slope_interval(confidence) {
                    prop_assert!(finite(&[slope.low, slope.high]) && slope.low <= slope.high);
                    prop_assert!(slope.p_value.is_none_or(|p| (0.0..=1.0).contains(&p)));
                }
            }
        }
    }

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
