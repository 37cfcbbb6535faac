//! No lives, however odd, panic or yield a figure that is not finite; and what must hold of every estimate.

use super::censored::Span;
use super::kaplan_meier;
use super::log_rank::Scores;
use super::log_rank::log_rank;
use super::log_rank::permutation;
use super::log_rank::scores;
use super::turnbull::turnbull;
use super::weibull::weibull;
use proptest::collection::vec;
use proptest::prelude::*;

/// A life as looks at whole washes give it.
fn looked() -> impl Strategy<Value = Span> {
    let between = |after: u8, more: u8| Span::Between {
        after: f64::from(after),
        until: f64::from(after) + f64::from(more),
    };
    prop_oneof![
        (0_u8..40, 1_u8..12).prop_map(move |(after, more)| between(after, more)),
        (0_u8..40).prop_map(|after| Span::Beyond(f64::from(after))),
        (1_u8..40).prop_map(|time| Span::At(f64::from(time))),
    ]
}

fn exact() -> impl Strategy<Value = Span> {
    (1_u8..30, any::<bool>()).prop_map(
        |(time, ended)| {
            if ended { Span::At(time.into()) } else { Span::Beyond(time.into()) }
        },
    )
}

/// Any doubles at all as ends.
fn odd() -> impl Strategy<Value = Span> {
    let number = || prop_oneof![proptest::num::f64::ANY, 0.0..1e6, Just(0.0), 0.0..1e-300, 1e300..1e308];
    prop_oneof![
        number().prop_map(Span::At),
        number().prop_map(Span::Beyond),
        (number(), number()).prop_map(|(after, until)| Span::Between { after, until }),
        looked(),
    ]
}

proptest! {
    #[test]
    fn lives_of_any_ends_give_finite_figures_or_a_reason(lives in vec(odd(), 0..9), cut in 0_usize..9) {
        if let Ok(steps) = kaplan_meier::curve(&lives) {
            prop_assert!(steps.iter().all(|step| (0.0..=1.0).contains(&step.survival)));
            prop_assert!(steps.iter().all(|step| step.standard_error.is_none_or(f64::is_finite)));
        }
        if let Ok(found) = turnbull(&lives) {
            prop_assert!(found.support.iter().all(|m| m.mass > 0.0 && (0.0..=1.0).contains(&m.survival)));
        }
        if let Ok(found) = weibull(&lives) {
            for figure in [found.shape, found.scale, found.median] {
                let ends = figure.profile.into_iter().flatten().chain(figure.wald);
                prop_assert!(figure.value.is_finite() && figure.log_error.is_finite(), "{lives:?} {found:?}");
                prop_assert!(ends.into_iter().all(f64::is_finite), "{lives:?} {found:?}");
            }
        }
        let (one, other) = lives.split_at(cut.min(lives.len()));
        for kind in [Scores::Sun, Scores::Finkelstein] {
            if let Ok(Some(found)) = permutation([one, other], kind) {
                prop_assert!(found.z.is_finite() && (0.0..=1.0).contains(&found.p_value()), "{found:?}");
            }
        }
        if let Ok(Some(found)) = log_rank([one, other]) {
            prop_assert!(found.chi_square >= 0.0 && (0.0..=1.0).contains(&found.p_value));
        }
    }

    #[test]
    fn no_other_masses_are_likelier_than_the_estimated_ones(lives in vec(looked(), 1..14), moved in 0.01_f64..0.5) {
        let found = turnbull(&lives).unwrap();
        let total: f64 = found.support.iter().map(|m| m.mass).sum();
        prop_assert!((total - 1.0).abs() < 1e-9);
        let likelihood = |masses: &[f64]| -> f64 {
            found.covers.iter().map(|of| masses[of.clone()].iter().sum::<f64>().ln()).sum()
        };
        let best: Vec<f64> = found.support.iter().map(|m| m.mass).collect();
        for place in 0..best.len() {
            let towards = best.iter().zip(0..).map(|(mass, at)| mass * (1.0 - moved) + if at == place { moved } else { 0.0 });
            let other: Vec<f64> = towards.collect();
            prop_assert!(likelihood(&other) <= likelihood(&best) + 1e-6, "{lives:?}");
        }
    }

    #[test]
    fn with_exact_ends_the_curve_is_the_product_limit_estimate(lives in vec(exact(), 1..16)) {
        let curve = turnbull(&lives).unwrap();
        for step in kaplan_meier::curve(&lives).unwrap() {
            let [low, high] = curve.survival_at(step.time);
            prop_assert!((low - step.survival).abs() < 1e-6 && (high - step.survival).abs() < 1e-6, "{step:?}: {low} {high}");
        }
    }

    #[test]
    fn scores_add_up_to_nothing_and_groups_may_be_swapped(lives in vec(looked(), 2..12), cut in 1_usize..11) {
        for kind in [Scores::Sun, Scores::Finkelstein] {
            prop_assert!(scores(&lives, kind).unwrap().iter().sum::<f64>().abs() < 1e-5 * lives.len() as f64, "{lives:?}");
            let (one, other) = lives.split_at(cut.min(lives.len() - 1));
            let forth = permutation([one, other], kind).unwrap().map(|found| found.p_value());
            let back = permutation([other, one], kind).unwrap().map(|found| found.p_value());
            prop_assert!(forth.zip(back).is_none_or(|(forth, back)| (forth - back).abs() < 1e-6), "{forth:?} {back:?}");
        }
    }

    #[test]
    fn a_fit_lies_within_its_intervals_and_is_the_likeliest(lives in vec(looked(), 3..14)) {
        if let Ok(found) = weibull(&lives) {
            for figure in [found.shape, found.scale, found.median] {
                let [low, high] = figure.profile;
                prop_assert!(low.is_none_or(|low| low <= figure.value) && high.is_none_or(|high| figure.value <= high));
            }
            let chance = |shape: f64, scale: f64| -> f64 {
                let alive = |time: f64| (-(time / scale).powf(shape)).exp();
                lives.iter().map(|life| match *life {
                    Span::Beyond(time) => alive(time).ln(),
                    Span::Between { after, until } => (alive(after) - alive(until)).ln(),
                    Span::At(time) => (shape / scale * (time / scale).powf(shape - 1.0) * alive(time)).ln(),
                }).sum()
            };
            let best = chance(found.shape.value, found.scale.value);
            prop_assert!((best - found.log_likelihood).abs() < 1e-6 * (1.0 + best.abs()), "{lives:?} {found:?} {best}");
            for part in [0.98, 1.02] {
                prop_assert!(chance(found.shape.value * part, found.scale.value) <= best + 1e-9);
                prop_assert!(chance(found.shape.value, found.scale.value * part) <= best + 1e-9);
            }
        }
    }
}
