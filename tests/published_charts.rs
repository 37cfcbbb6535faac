//! Control charts against the worked examples of the NIST/SEMATECH e-Handbook.
//! Figures and how sure they are: `fixtures/published/ehandbook_control_charts.toml`.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod published;

use halfpanel::stats::charts::Limits;
use halfpanel::stats::charts::Rule;
use halfpanel::stats::charts::Sigma;
use halfpanel::stats::charts::ewma;
use halfpanel::stats::charts::moving_range_limit;
use halfpanel::stats::charts::moving_ranges;
use halfpanel::stats::charts::scatter_limit;
use halfpanel::stats::charts::western_electric;
use halfpanel::stats::precision::Scatter;
use halfpanel::stats::precision::pool;
use halfpanel::stats::summary::mean;
use halfpanel::stats::summary::standard_deviation;
use halfpanel::tile::history::ChartRule;
use halfpanel::tile::history::chart;
use published::all_close;
use published::close;
use published::half_of_decimal;
use published::published;
use serde::Deserialize;

#[derive(Deserialize)]
struct Charts {
    ewma: EwmaExample,
    individuals: Individuals,
    mass_check_standard: Mass,
}

#[derive(Deserialize)]
struct EwmaExample {
    target: f64,
    s: f64,
    lambda: f64,
    ucl: f64,
    lcl: f64,
    data: Vec<f64>,
    ewma: Vec<f64>,
    out_of_control: bool,
}

#[derive(Deserialize)]
struct Individuals {
    data: Vec<f64>,
    moving_range: Vec<f64>,
    mean: f64,
    mean_moving_range: f64,
    d2: f64,
    d4_range: f64,
    ucl: f64,
    lcl: f64,
}

#[derive(Deserialize)]
struct Mass {
    n: usize,
    n_baseline: usize,
    baseline_mean: f64,
    baseline_sd: f64,
    ucl_3s: f64,
    lcl_3s: f64,
    after_mean: f64,
    after_sd: f64,
    n_after_outside_3s: usize,
    ewma_lambda: f64,
    ewma_ucl: f64,
    ewma_lcl: f64,
    ewma_first_signal_index: usize,
    ewma_first_signal_date: f64,
    ewma_first_signal_value: f64,
    pooled_residual_sd: f64,
    residual_df_each: f64,
    precision_limit: f64,
    precision_limit_printed: f64,
    date: Vec<f64>,
    value: Vec<f64>,
    residual_sd: Vec<f64>,
}

fn charts() -> Charts {
    published("ehandbook_control_charts.toml")
}

#[test]
fn the_moving_average_is_that_of_the_handbook() {
    // e-Handbook 6.3.2.4; the lower limit is printed truncated, and the limits use a factor of four digits.
    let expected = charts().ewma;
    let limits = Limits::given(expected.target, expected.s).unwrap();
    let found = ewma(&expected.data, &limits, expected.lambda).unwrap();
    close("first", limits.centre, expected.ewma[0], 0.0);
    all_close("average", &found.averages, &expected.ewma[1..], half_of_decimal(2));
    close("upper limit", found.upper, expected.ucl, 2e-4);
    close("lower limit", found.lower, expected.lcl, 2e-4);
    assert_eq!(!found.signals.is_empty(), expected.out_of_control);
}

#[test]
fn the_flow_rates_have_the_limits_of_the_handbook() {
    // e-Handbook 6.3.2.2.
    let expected = charts().individuals;
    let limits = Limits::from_baseline(&expected.data, Sigma::MovingRange, None).unwrap();
    all_close("range", &moving_ranges(&expected.data).unwrap(), &expected.moving_range, 1e-9);
    close("mean", limits.centre, expected.mean, half_of_decimal(2));
    close("mean range", limits.sigma * expected.d2, expected.mean_moving_range, half_of_decimal(4));
    close("upper limit", limits.upper, expected.ucl, 2e-4);
    close("lower limit", limits.lower, expected.lcl, 2e-4);
    let of_range = expected.d4_range * expected.mean_moving_range;
    close("limit of the range", moving_range_limit(&expected.data, None), of_range, 2e-4);
    assert!(western_electric(&expected.data, &limits).iter().all(|signal| signal.rule != Rule::BeyondLimit));
}

#[test]
fn the_kilogram_s_baseline_judges_what_came_after_it() {
    // e-Handbook 2.3.5.2.1 and 2.2.2.1.1: baseline before 1985.
    let expected = charts().mass_check_standard;
    assert_eq!((expected.value.len(), expected.date.len()), (expected.n, expected.n));
    let (before, after) = expected.value.split_at(expected.n_baseline);
    let eight = half_of_decimal(8);
    let limits = Limits::from_baseline(before, Sigma::StandardDeviation, None).unwrap();
    close("mean", limits.centre, expected.baseline_mean, eight);
    close("sigma", limits.sigma, expected.baseline_sd, eight);
    close("upper limit", limits.upper, expected.ucl_3s, eight);
    close("lower limit", limits.lower, expected.lcl_3s, eight);
    close("later mean", mean(after), expected.after_mean, eight);
    close("later scatter", standard_deviation(after), expected.after_sd, eight);
    let beyond =
        western_electric(after, &limits).into_iter().filter(|signal| signal.rule == Rule::BeyondLimit);
    assert_eq!(beyond.count(), expected.n_after_outside_3s);
}

#[test]
fn the_history_of_a_tile_sees_the_kilogram_s_change_when_the_handbook_does() {
    let expected = charts().mass_check_standard;
    let rule =
        ChartRule { baseline: expected.n_baseline, sigma: Sigma::StandardDeviation, least_sigma_gu: None };
    let found = chart(&expected.value, &rule).unwrap();
    close("weight", halfpanel::tile::history::EWMA_WEIGHT, expected.ewma_lambda, 0.0);
    close("upper limit", found.ewma.upper, expected.ewma_ucl, half_of_decimal(8));
    close("lower limit", found.ewma.lower, expected.ewma_lcl, half_of_decimal(8));
    let first = found.ewma.signals.first().expect("the handbook has one");
    // Counted from 1 after the baseline in print, from 0 of all here.
    assert_eq!(first.index, expected.n_baseline + expected.ewma_first_signal_index - 1);
    assert!(first.above);
    close("date", expected.date[first.index], expected.ewma_first_signal_date, 0.0);
    let average = found.ewma.averages[first.index - expected.n_baseline];
    close("value", average, expected.ewma_first_signal_value, half_of_decimal(8));
}

#[test]
fn the_limit_of_a_check_s_own_scatter_is_that_of_the_handbook() {
    // e-Handbook 2.3.5.2.2; the published script uses 351 degrees of freedom.
    let expected = charts().mass_check_standard;
    let degrees_of_freedom = expected.residual_df_each;
    let parts: Vec<Scatter> =
        expected.residual_sd.iter().map(|&sd| Scatter { sd, degrees_of_freedom }).collect();
    let pooled = pool(&parts).unwrap();
    close("pooled", pooled.sd, expected.pooled_residual_sd, half_of_decimal(8));
    let limit = scatter_limit(pooled.sd, 351.0, degrees_of_freedom, 0.01);
    close("limit", limit, expected.precision_limit, half_of_decimal(8));
    close("limit", limit, expected.precision_limit_printed, half_of_decimal(3));
}
