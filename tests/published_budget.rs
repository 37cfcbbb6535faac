//! The uncertainty budget against the examples of the GUM (JCGM 100:2008).
//! Figures and how sure they are: `fixtures/published/gum_uncertainty.toml`.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod published;

use halfpanel::stats::budget::Budget;
use halfpanel::stats::budget::Component;
use halfpanel::stats::budget::Degrees;
use halfpanel::stats::budget::Stated;
use halfpanel::stats::budget::budget;
use halfpanel::stats::budget::degrees_from_reliability;
use halfpanel::stats::budget::relative_scatter_of_scatter;
use halfpanel::stats::student::t_quantile;
use published::close;
use published::half_of_decimal;
use published::published;
use serde::Deserialize;

#[derive(Deserialize)]
struct Gum {
    welch_satterthwaite: Product,
    end_gauge_h1: EndGauge,
    type_b: TypeB,
    table_e1: TableE1,
    table_g2: TableG2,
}

#[derive(Deserialize)]
struct Product {
    relative_u_percent: [f64; 3],
    dof: [f64; 3],
    uc_percent: f64,
    nu_eff: f64,
    t95: f64,
    #[serde(rename = "U95_percent")]
    expanded_percent: f64,
}

#[derive(Deserialize)]
struct EndGauge {
    unrounded_component_nm: [f64; 4],
    unrounded_uc_squared_nm2: f64,
    component_nm: [f64; 4],
    component_dof: [f64; 4],
    uc_nm: f64,
    u_d_nm: f64,
    nu_d: f64,
    nu_eff: f64,
    nu_used: f64,
    t99: f64,
    #[serde(rename = "U99_nm")]
    expanded_99_nm: f64,
    ls_nm: f64,
    l_nm: f64,
    theta: f64,
    alpha_s: f64,
    u_alpha_s: f64,
    u_theta: f64,
    delta_theta: [f64; 2],
    second_order_nm: [f64; 2],
    uc_with_second_order_nm: f64,
}

#[derive(Deserialize)]
struct TypeB {
    a: Vec<f64>,
    u_rectangular: Vec<f64>,
    u_triangular: Vec<f64>,
    step: Vec<f64>,
    u_resolution: Vec<f64>,
    factor_printed: f64,
}

#[derive(Deserialize)]
struct TableE1 {
    n: Vec<u32>,
    percent: Vec<f64>,
}

#[derive(Deserialize)]
struct TableG2 {
    p_percent: Vec<f64>,
    row: Vec<TableG2Row>,
}

#[derive(Deserialize)]
struct TableG2Row {
    df: f64,
    t: Vec<f64>,
}

fn gum() -> Gum {
    published("gum_uncertainty.toml")
}

fn part(name: &str, value: f64, stated: Stated, sensitivity: f64, degrees: Option<f64>) -> Component {
    Component { name: name.to_owned(), value, stated, sensitivity, degrees_of_freedom: degrees }
}

#[test]
fn the_product_of_three_inputs_has_19_effective_degrees_of_freedom() {
    // GUM G.4.1, the example after eq. G.2b; relative uncertainties in percent.
    let expected = gum().welch_satterthwaite;
    let inputs = expected.relative_u_percent.iter().zip(expected.dof);
    let parts: Vec<Component> =
        inputs.map(|(u, dof)| part("x", *u, Stated::Standard, 1.0, Some(dof))).collect();
    let found = budget(&parts).unwrap();
    // 18.98 is printed as 19.0; the next lower number would be 18, which the GUM does not take here.
    let expanded = found.expanded(0.95, Degrees::Fractional).unwrap();
    close("u_c", found.combined, expected.uc_percent, half_of_decimal(2));
    close("degrees of freedom", found.degrees_of_freedom, expected.nu_eff, half_of_decimal(1));
    close("t", expanded.coverage_factor, expected.t95, half_of_decimal(2));
    close("U", expanded.expanded, expected.expanded_percent, half_of_decimal(1));
    let shares: f64 = found.contributions.iter().filter_map(|part| part.share).sum();
    close("sum of shares", shares, 1.0, 1e-14);
}

/// The inputs of H.1 as its text states them, before any rounding: nm, and °C for the temperature.
fn end_gauge(expected: &EndGauge) -> (Budget, Budget) {
    // H.1.3.2: pooled scatter of 25 repeats over 5 readings; a comparator's random and systematic part.
    let difference = budget(&[
        part("repeats", 13.0, Stated::Expanded { k: 5_f64.sqrt() }, 1.0, Some(24.0)),
        part("comparator, random", 10.0, Stated::Expanded { k: 2.57 }, 1.0, Some(5.0)),
        part(
            "comparator, systematic",
            20.0,
            Stated::Expanded { k: 3.0 },
            1.0,
            degrees_from_reliability(0.25),
        ),
    ])
    .unwrap();
    let length = budget(&[
        part("standard", 75.0, Stated::Expanded { k: 3.0 }, 1.0, Some(18.0)),
        part("difference", difference.combined, Stated::Standard, 1.0, difference.degrees_of_freedom),
        part(
            "expansion",
            1e-6,
            Stated::Rectangular,
            expected.ls_nm * expected.theta,
            degrees_from_reliability(0.1),
        ),
        part(
            "temperature",
            0.05,
            Stated::Rectangular,
            -expected.ls_nm * expected.alpha_s,
            degrees_from_reliability(0.5),
        ),
    ])
    .unwrap();
    (difference, length)
}

#[test]
fn the_end_gauge_has_the_budget_of_the_gum() {
    // GUM H.1, table H.1.
    let expected = gum().end_gauge_h1;
    let (difference, length) = end_gauge(&expected);
    close("u(d)", difference.combined, expected.u_d_nm, half_of_decimal(1));
    close("degrees of freedom of d", difference.degrees_of_freedom, expected.nu_d, half_of_decimal(1));
    for (place, found) in length.contributions.iter().enumerate() {
        close(&found.name, found.contribution, expected.component_nm[place], half_of_decimal(1));
        close(&found.name, found.contribution, expected.unrounded_component_nm[place], half_of_decimal(6));
    }
    close("u_c²", length.combined.powi(2), expected.unrounded_uc_squared_nm2, half_of_decimal(4));
    close("u_c", length.combined, expected.uc_nm, half_of_decimal(0));
    close("degrees of freedom", length.degrees_of_freedom, expected.nu_eff, half_of_decimal(1));
    let expanded = length.expanded(0.99, Degrees::NextLower).unwrap();
    close("t at 16", t_quantile(0.995, expected.nu_used), expected.t99, half_of_decimal(2));
    close("t", expanded.coverage_factor, expected.t99, half_of_decimal(2));
    // H.1.6 multiplies the rounded 32 nm; from the unrounded it is 92.5 nm.
    close("U", expanded.coverage_factor * expected.uc_nm, expected.expanded_99_nm, half_of_decimal(0));
    close("U", expanded.expanded, expected.expanded_99_nm, 0.6);
    assert!((expected.l_nm - expected.ls_nm - 215.0).abs() < 1e-6);
}

#[test]
fn judged_uncertainties_have_the_degrees_of_freedom_of_the_gum() {
    // GUM G.4.2 and H.1.3: a quarter 8, a tenth 50, a half 2.
    let expected = gum().end_gauge_h1;
    close("a tenth", degrees_from_reliability(0.1), expected.component_dof[2], 1e-9);
    close("a half", degrees_from_reliability(0.5), expected.component_dof[3], 1e-9);
    close("a quarter", degrees_from_reliability(0.25), 8.0, 1e-9);
}

#[test]
fn the_second_order_terms_are_parts_like_any_other() {
    // GUM H.1.7: products of two uncertainties, as two more components.
    let expected = gum().end_gauge_h1;
    let (_, length) = end_gauge(&expected);
    let products = [1e-6 / 3_f64.sqrt() * expected.u_theta, expected.u_alpha_s * expected.delta_theta[0]];
    let mut parts = vec![part("first order", length.combined, Stated::Standard, 1.0, None)];
    parts.extend(products.map(|product| part("product", product, Stated::Standard, expected.ls_nm, None)));
    let found = budget(&parts).unwrap();
    for (place, printed) in expected.second_order_nm.iter().enumerate() {
        close("product", found.contributions[place + 1].contribution, *printed, 0.15);
    }
    close("u_c", found.combined, expected.uc_with_second_order_nm, half_of_decimal(0));
}

#[test]
fn limits_and_steps_have_their_divisors() {
    // GUM 4.3.7, 4.3.9 and F.2.2.1.
    let expected = gum().type_b;
    let of = |value: f64, stated: Stated| budget(&[part("x", value, stated, 1.0, None)]).unwrap().combined;
    for (place, a) in expected.a.iter().enumerate() {
        close("rectangular", of(*a, Stated::Rectangular), expected.u_rectangular[place], half_of_decimal(10));
        close("triangular", of(*a, Stated::Triangular), expected.u_triangular[place], half_of_decimal(10));
    }
    for (step, u) in expected.step.iter().zip(&expected.u_resolution) {
        close("step", of(*step, Stated::Step), *u, half_of_decimal(10));
    }
    close("factor", of(1.0, Stated::Step), expected.factor_printed, half_of_decimal(2));
}

#[test]
fn few_readings_know_their_own_scatter_as_poorly_as_table_e1_says() {
    // GUM table E.1, percent.
    let expected = gum().table_e1;
    for (n, percent) in expected.n.iter().zip(&expected.percent) {
        let found = relative_scatter_of_scatter(*n).map(|part| 100.0 * part);
        close(&format!("{n} readings"), found, *percent, half_of_decimal(0));
    }
    assert_eq!((relative_scatter_of_scatter(1), relative_scatter_of_scatter(0)), (None, None));
    // Where the series takes over there is no step.
    let (below, above) =
        (relative_scatter_of_scatter(10_000).unwrap(), relative_scatter_of_scatter(10_001).unwrap());
    close("at the change", below / above, 1.0, 1e-4);
}

#[test]
fn coverage_factors_are_those_of_table_g2() {
    // GUM table G.2, two-sided coverage in percent.
    let table = gum().table_g2;
    for row in &table.row {
        for (percent, t) in table.p_percent.iter().zip(&row.t) {
            // 68.27, 95.45 and 99.73 stand for 1, 2 and 3 sigma, which the coarse digits move a little.
            let decimals = if row.df > 99.0 { 3 } else { 2 };
            let coverage = match *percent {
                p if (p - 68.27).abs() < 0.001 => 0.682_689_492_137_086,
                p if (p - 95.45).abs() < 0.001 => 0.954_499_736_103_642,
                p if (p - 99.73).abs() < 0.001 => 0.997_300_203_936_74,
                p => p / 100.0,
            };
            let alone = budget(&[part("x", 1.0, Stated::Standard, 1.0, Some(row.df))]).unwrap();
            let found = alone.expanded(coverage, Degrees::Fractional).unwrap().coverage_factor;
            close(&format!("{percent} %, {} df", row.df), found, *t, half_of_decimal(decimals));
        }
    }
}
