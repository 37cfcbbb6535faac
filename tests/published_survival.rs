//! Lives against published examples: curves, tests of two groups, and a Weibull fit.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod published;

use halfpanel::stats::censored::Span;
use halfpanel::stats::kaplan_meier;
use halfpanel::stats::kaplan_meier::Step;
use halfpanel::stats::log_rank::Scores;
use halfpanel::stats::log_rank::log_rank;
use halfpanel::stats::log_rank::permutation;
use halfpanel::stats::log_rank::scores;
use halfpanel::stats::turnbull::turnbull;
use halfpanel::stats::weibull::weibull;
use published::all_close;
use published::close;
use published::close_relative;
use published::half_of_decimal;
use published::published;
use serde::Deserialize;

#[derive(Deserialize)]
struct Survival {
    kaplan_meier: Handbook,
    weibull_mle: WeibullFit,
    six_mp: Arm,
    placebo: Arm,
    logrank: LogRankTest,
}

#[derive(Deserialize)]
struct Handbook {
    failure_times: Vec<f64>,
    censored_times: Vec<f64>,
    at_risk: Vec<usize>,
    reliability_printed: Vec<f64>,
    reliability: Vec<f64>,
}

#[derive(Deserialize)]
struct WeibullFit {
    failure_times: Vec<f64>,
    censor_time: f64,
    n_censored: usize,
    eta: f64,
    beta: f64,
    log_likelihood: f64,
    eta_tolerance: f64,
    eta_full: f64,
    beta_full: f64,
    log_likelihood_full: f64,
    se_eta: f64,
    se_beta: f64,
}

#[derive(Deserialize)]
struct Arm {
    time: Vec<f64>,
    event: Vec<u8>,
    #[serde(default)]
    event_times: Vec<f64>,
    #[serde(default)]
    at_risk: Vec<usize>,
    #[serde(default)]
    deaths: Vec<usize>,
    #[serde(default)]
    survival: Vec<f64>,
    #[serde(default)]
    greenwood_se: Vec<f64>,
    median: f64,
}

#[derive(Deserialize)]
struct LogRankTest {
    chi2: f64,
    p: f64,
    observed_6mp: f64,
    expected_6mp: f64,
    observed_placebo: f64,
    expected_placebo: f64,
}

fn survival() -> Survival {
    published("survival.toml")
}

impl Arm {
    fn lives(&self) -> Vec<Span> {
        let life =
            |(time, event): (&f64, &u8)| if *event == 1 { Span::At(*time) } else { Span::Beyond(*time) };
        self.time.iter().zip(&self.event).map(life).collect()
    }
}

fn of<T>(steps: &[Step], what: impl Fn(&Step) -> T) -> Vec<T> {
    steps.iter().map(what).collect()
}

#[test]
fn the_product_limit_estimate_is_that_of_the_handbook() {
    // e-Handbook 8.2.1.5.
    let expected = survival().kaplan_meier;
    let failed = expected.failure_times.iter().map(|time| Span::At(*time));
    let lives: Vec<Span> =
        failed.chain(expected.censored_times.iter().map(|time| Span::Beyond(*time))).collect();
    let steps = kaplan_meier::curve(&lives).unwrap();
    all_close("reliability", &of(&steps, |s| s.survival), &expected.reliability, half_of_decimal(10));
    all_close("printed", &of(&steps, |s| s.survival), &expected.reliability_printed, half_of_decimal(2));
    assert_eq!(of(&steps, |s| s.at_risk), expected.at_risk);
    assert_eq!(kaplan_meier::median(&steps), None, "the curve does not come down to a half");
}

#[test]
fn remission_times_have_the_printed_curve_errors_and_medians() {
    // Freireich et al. (1963), as in the standard texts.
    let expected = survival();
    let steps = kaplan_meier::curve(&expected.six_mp.lives()).unwrap();
    assert_eq!(of(&steps, |s| s.at_risk), expected.six_mp.at_risk);
    assert_eq!(of(&steps, |s| s.ended), expected.six_mp.deaths);
    all_close("times", &of(&steps, |s| s.time), &expected.six_mp.event_times, 0.0);
    all_close("survival", &of(&steps, |s| s.survival), &expected.six_mp.survival, half_of_decimal(3));
    let errors = of(&steps, |s| s.standard_error.unwrap());
    all_close("Greenwood", &errors, &expected.six_mp.greenwood_se, half_of_decimal(4));
    for arm in [expected.six_mp, expected.placebo] {
        close("median", kaplan_meier::median(&kaplan_meier::curve(&arm.lives()).unwrap()), arm.median, 0.0);
    }
}

#[test]
fn the_log_rank_test_of_the_remission_times_is_the_printed_one() {
    let of = survival();
    let expected = of.logrank;
    let found = log_rank([&of.six_mp.lives(), &of.placebo.lives()]).unwrap().unwrap();
    all_close("observed", &found.observed, &[expected.observed_6mp, expected.observed_placebo], 0.0);
    let wanted = [expected.expected_6mp, expected.expected_placebo];
    all_close("expected", &found.expected, &wanted, half_of_decimal(2));
    close("chi-square", found.chi_square, expected.chi2, half_of_decimal(2));
    close("p", found.p_value, expected.p, half_of_decimal(7));
}

#[test]
fn the_weibull_fit_is_that_of_the_handbook() {
    // e-Handbook 8.4.1.3; the maximum itself computed elsewhere.
    let expected = survival().weibull_mle;
    let mut lives: Vec<Span> = expected.failure_times.iter().map(|time| Span::At(*time)).collect();
    lives.extend(vec![Span::Beyond(expected.censor_time); expected.n_censored]);
    let found = weibull(&lives).unwrap();
    close("scale, printed", found.scale.value, expected.eta, expected.eta_tolerance);
    close("shape, printed", found.shape.value, expected.beta, half_of_decimal(4));
    close("log likelihood, printed", found.log_likelihood, expected.log_likelihood, half_of_decimal(3));
    close_relative("scale", found.scale.value, expected.eta_full, 1e-9);
    close_relative("shape", found.shape.value, expected.beta_full, 1e-9);
    close_relative("log likelihood", found.log_likelihood, expected.log_likelihood_full, 1e-9);
    close_relative("scale's error", found.scale.log_error * found.scale.value, expected.se_eta, 1e-6);
    close_relative("shape's error", found.shape.log_error * found.shape.value, expected.se_beta, 1e-6);
}

#[derive(Deserialize)]
struct IntervalCensored {
    radiation: Group,
    radiation_chemo: Group,
    tests: Tests,
    small_exact: Small,
}

#[derive(Deserialize)]
struct Group {
    left: Vec<f64>,
    right: Vec<f64>,
    support: Vec<[f64; 2]>,
    mass: Vec<f64>,
    mass_full: Vec<f64>,
}

#[derive(Deserialize)]
struct Tests {
    finkelstein_permutation_z: f64,
    finkelstein_permutation_p: f64,
    sun_permutation_z: f64,
    sun_permutation_p: f64,
    score_statistic_finkelstein: f64,
    score_statistic_sun: f64,
}

#[derive(Deserialize)]
struct Small {
    left: Vec<f64>,
    right: Vec<f64>,
    support: Vec<[f64; 2]>,
    mass_numerators: Vec<f64>,
    mass_denominators: Vec<f64>,
    sun_scores_numerators: Vec<f64>,
    sun_scores_denominators: Vec<f64>,
}

fn spans(left: &[f64], right: &[f64]) -> Vec<Span> {
    let life = |(&after, &until): (&f64, &f64)| {
        if until.is_finite() { Span::Between { after, until } } else { Span::Beyond(after) }
    };
    left.iter().zip(right).map(life).collect()
}

fn parts(numerators: &[f64], denominators: &[f64]) -> Vec<f64> {
    numerators.iter().zip(denominators).map(|(above, below)| above / below).collect()
}

#[test]
fn interval_censored_lives_have_the_published_curve() {
    // Fay and Shaw (2010), section 4.1.
    let of = published::<IntervalCensored>("interval_censoring.toml");
    for group in [of.radiation, of.radiation_chemo] {
        let found = turnbull(&spans(&group.left, &group.right)).unwrap();
        let support: Vec<[f64; 2]> = found.support.iter().map(|m| [m.after, m.until.unwrap()]).collect();
        assert_eq!(support, group.support);
        let masses: Vec<f64> = found.support.iter().map(|m| m.mass).collect();
        all_close("mass, printed", &masses, &group.mass, half_of_decimal(4));
        all_close("mass", &masses, &group.mass_full, 1e-7);
        assert!(found.gradient <= 1.0 + 1e-9, "{}", found.gradient);
    }
}

#[test]
fn two_groups_are_told_apart_as_published() {
    // Fay and Shaw (2010), sections 4.2 and 6.2.
    let of = published::<IntervalCensored>("interval_censoring.toml");
    let groups = [&of.radiation, &of.radiation_chemo].map(|group| spans(&group.left, &group.right));
    let t = of.tests;
    for (kind, z, p, score) in [
        (Scores::Sun, t.sun_permutation_z, t.sun_permutation_p, t.score_statistic_sun),
        (
            Scores::Finkelstein,
            t.finkelstein_permutation_z,
            t.finkelstein_permutation_p,
            t.score_statistic_finkelstein,
        ),
    ] {
        let found = permutation([&groups[0], &groups[1]], kind).unwrap().unwrap();
        close("z", found.z, z, half_of_decimal(4));
        close("p", found.p_value(), p, half_of_decimal(6));
        close("score", found.score, score, 1e-5);
        assert_eq!(found.p_exact, None, "94 lives have more regroupings than can be counted");
    }
}

#[test]
fn seven_lives_have_the_curve_and_scores_worked_out_by_hand() {
    // Fay and Shaw (2010), section 6.3, table 2.
    let of = published::<IntervalCensored>("interval_censoring.toml").small_exact;
    let lives = spans(&of.left, &of.right);
    let found = turnbull(&lives).unwrap();
    let support: Vec<[f64; 2]> = found.support.iter().map(|m| [m.after, m.until.unwrap()]).collect();
    assert_eq!(support, of.support);
    let masses: Vec<f64> = found.support.iter().map(|m| m.mass).collect();
    all_close("mass", &masses, &parts(&of.mass_numerators, &of.mass_denominators), 1e-8);
    let expected = parts(&of.sun_scores_numerators, &of.sun_scores_denominators);
    all_close("scores", &scores(&lives, Scores::Sun).unwrap(), &expected, 1e-7);
}
