//! Power, the noncentral t distribution and equivalence, against Cohen, R's documentation, mpmath, statsmodels.
//! Figures and how sure they are: `fixtures/published/power.toml`.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod published;

use halfpanel::stats::equivalence::equivalent;
use halfpanel::stats::noncentral;
use halfpanel::stats::power::POWER;
use halfpanel::stats::power::detectable;
use halfpanel::stats::power::power;
use halfpanel::stats::power::zones_a_side;
use halfpanel::stats::welch::welch;
use published::close;
use published::close_relative;
use published::published;
use serde::Deserialize;

#[derive(Deserialize)]
struct Figures {
    published: Cohen,
    few_zones: FewZones,
    r_documentation: Power,
    cross_validated: CrossValidated,
    noncentral_t: Noncentral,
    detectable: Detectable,
    equivalence: Vec<Equivalence>,
}

#[derive(Deserialize)]
struct Cohen {
    d: Vec<f64>,
    values_a_side: Vec<u32>,
    smallest: Vec<u32>,
}

#[derive(Deserialize)]
struct FewZones {
    d: Vec<f64>,
    smallest: Vec<u32>,
}

#[derive(Deserialize)]
struct Power {
    n: f64,
    d: f64,
    power: f64,
}

#[derive(Deserialize)]
struct CrossValidated {
    d: f64,
    power: f64,
    values_a_side: f64,
}

#[derive(Deserialize)]
struct Noncentral {
    t: Vec<f64>,
    df: Vec<f64>,
    noncentrality: Vec<f64>,
    upper_tail: Vec<f64>,
}

#[derive(Deserialize)]
struct Detectable {
    df: Vec<f64>,
    noncentrality: Vec<f64>,
}

#[derive(Deserialize)]
struct Equivalence {
    name: String,
    control: Vec<f64>,
    treated: Vec<f64>,
    margin: f64,
    p: f64,
    ci90: [f64; 2],
}

fn figures() -> Figures {
    published("power.toml")
}

/// Standard error of the difference of two sides of `n` values of scatter 1.
fn standard_error(n: f64) -> f64 {
    (2.0 / n).sqrt()
}

#[test]
fn zones_a_side_are_those_of_cohen() {
    // Cohen (1988), table 2.4.1; he rounds 393.4 down, this program to the number that reaches 0.8.
    let cohen = figures().published;
    for ((d, printed), smallest) in cohen.d.iter().zip(&cohen.values_a_side).zip(&cohen.smallest) {
        let found = zones_a_side(*d, 1.0, 1.0).unwrap();
        assert_eq!(found, *smallest, "d {d}");
        assert!(found.abs_diff(*printed) <= 1, "d {d}: {found} for {printed}");
    }
}

#[test]
fn few_zones_a_side_are_those_of_statsmodels() {
    let computed = figures().few_zones;
    for (d, smallest) in computed.d.iter().zip(&computed.smallest) {
        assert_eq!(zones_a_side(*d, 1.0, 1.0), Ok(*smallest), "d {d}");
    }
}

#[test]
fn the_power_is_that_of_r_and_of_its_packages() {
    // R leaves out the opposite tail, here 2.5e-7.
    let r = figures().r_documentation;
    close("power", power(r.d, standard_error(r.n), 2.0 * (r.n - 1.0)), r.power, 3e-7);
    let pwr = figures().cross_validated;
    let n = pwr.values_a_side;
    // n is printed to seven digits, near which the power changes by 1e-7.
    close("power", power(pwr.d, standard_error(n), 2.0 * (n - 1.0)), pwr.power, 2e-7);
}

#[test]
fn the_noncentral_t_is_that_of_mpmath() {
    let exact = figures().noncentral_t;
    for (place, tail) in exact.upper_tail.iter().enumerate() {
        let (t, df, noncentrality) = (exact.t[place], exact.df[place], exact.noncentrality[place]);
        let found = noncentral::upper_tail(t, df, noncentrality);
        close(&format!("t {t}, df {df}, noncentrality {noncentrality}"), found, *tail, 3e-11);
    }
}

#[test]
fn the_detectable_difference_is_that_of_mpmath() {
    let exact = figures().detectable;
    for (df, noncentrality) in exact.df.iter().zip(&exact.noncentrality) {
        close_relative(&format!("df {df}"), detectable(1.0, *df), *noncentrality, 1e-10);
        close("its power", power(*noncentrality, 1.0, *df), POWER, 3e-11);
    }
}

#[test]
fn equivalence_is_that_of_statsmodels() {
    let cases = figures().equivalence;
    assert_eq!(cases.len(), 3);
    for case in cases {
        let found = equivalent(&welch(&case.control, &case.treated).unwrap(), case.margin).unwrap();
        close_relative(&case.name, found.p_value, case.p, 1e-9);
        close_relative(&case.name, found.low, case.ci90[0], 1e-9);
        close_relative(&case.name, found.high, case.ci90[1], 1e-9);
        assert_eq!(found.equivalent, case.p < 0.05, "{}", case.name);
    }
}
