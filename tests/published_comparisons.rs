//! Outliers and many comparisons against published examples.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod published;

use halfpanel::stats::multiplicity::holm;
use halfpanel::stats::outliers::End;
use halfpanel::stats::outliers::Floor;
use halfpanel::stats::outliers::generalized_esd;
use halfpanel::stats::outliers::grubbs;
use halfpanel::stats::outliers::grubbs_critical;
use published::all_close;
use published::close;
use published::half_of_decimal;
use published::published;
use serde::Deserialize;

#[derive(Deserialize)]
struct Outliers {
    grubbs_uranium: Uranium,
    gesd_rosner: Rosner,
}

#[derive(Deserialize)]
struct Uranium {
    data: Vec<f64>,
    g: f64,
    alpha: f64,
    critical_one_sided: f64,
    outlier: f64,
}

#[derive(Deserialize)]
struct Rosner {
    alpha: f64,
    max_outliers: usize,
    n_outliers: usize,
    r: Vec<f64>,
    critical: Vec<f64>,
    tolerance: f64,
    outliers: Vec<f64>,
    data: Vec<f64>,
}

#[test]
fn grubbs_finds_the_wild_uranium_isotope_of_the_handbook() {
    // e-Handbook 1.3.5.17.1, largest value tested.
    let expected = published::<Outliers>("ehandbook_outliers.toml").grubbs_uranium;
    let found = grubbs(&expected.data, expected.alpha, End::High, Floor::default()).unwrap();
    // 2.46876 is printed truncated.
    close("g", found.g, expected.g, 1e-4);
    close("critical", found.critical, expected.critical_one_sided, half_of_decimal(3));
    close("outlier", expected.data[found.index], expected.outlier, 0.0);
    assert!(found.significant && found.flagged && found.p_value < expected.alpha);
}

#[test]
fn grubbs_on_the_heat_flow_meter_has_the_p_value_of_the_case_study() {
    // e-Handbook 1.4.2.8 (ZARR13), one-sided.
    #[derive(Deserialize)]
    struct Handbook {
        zarr13: Zarr,
    }
    #[derive(Deserialize)]
    struct Zarr {
        grubbs_max_g: f64,
        grubbs_one_sided_p: f64,
        grubbs_value: f64,
        y: Vec<f64>,
    }
    let expected = published::<Handbook>("ehandbook_means.toml").zarr13;
    // The page names the largest value; the smallest lies nearly as far out.
    let found = grubbs(&expected.y, 0.05, End::High, Floor::default()).unwrap();
    close("g", found.g, expected.grubbs_max_g, half_of_decimal(4));
    close("p", found.p_value, expected.grubbs_one_sided_p, half_of_decimal(4));
    close("value", expected.y[found.index], expected.grubbs_value, 0.0);
    assert!(!found.significant && !found.flagged);
}

#[test]
fn the_generalized_esd_finds_rosner_s_three_outliers() {
    // e-Handbook 1.3.5.17.3, Rosner (1983); several printed values are truncated.
    let expected = published::<Outliers>("ehandbook_outliers.toml").gesd_rosner;
    let found =
        generalized_esd(&expected.data, expected.max_outliers, expected.alpha, Floor::default()).unwrap();
    let r: Vec<f64> = found.steps.iter().map(|step| step.r).collect();
    let critical: Vec<f64> = found.steps.iter().map(|step| step.critical).collect();
    all_close("R", &r, &expected.r, expected.tolerance);
    all_close("critical", &critical, &expected.critical, expected.tolerance);
    assert_eq!(found.outliers, expected.n_outliers);
    let mut values: Vec<f64> = found.flagged.iter().map(|&index| expected.data[index]).collect();
    values.sort_by(|a, b| b.total_cmp(a));
    all_close("outliers", &values, &expected.outliers, 0.0);
}

#[derive(Deserialize)]
struct Precision {
    grubbs_critical: GrubbsTable,
}

#[derive(Deserialize)]
struct GrubbsTable {
    row: Vec<GrubbsRow>,
}

#[derive(Deserialize)]
struct GrubbsRow {
    n: usize,
    one_sided_5: f64,
    one_sided_1: f64,
    two_sided_5: f64,
    two_sided_1: f64,
}

#[test]
fn the_critical_values_are_those_of_e178_and_iso_5725() {
    // One-sided: ASTM E178; two-sided: ISO 5725-2, table 5. Both tables are within one of their last digit.
    for row in published::<Precision>("precision_e691_iso5725.toml").grubbs_critical.row {
        let cases = [
            (End::High, 0.05, row.one_sided_5),
            (End::Low, 0.01, row.one_sided_1),
            (End::Either, 0.05, row.two_sided_5),
            (End::Either, 0.01, row.two_sided_1),
        ];
        for (end, alpha, printed) in cases {
            close(
                &format!("{} values, {alpha}, {end:?}", row.n),
                grubbs_critical(row.n, alpha, end),
                printed,
                0.001,
            );
        }
    }
}

#[derive(Deserialize)]
struct HolmCases {
    holm: Vec<HolmCase>,
}

#[derive(Deserialize)]
struct HolmCase {
    name: String,
    p: Vec<f64>,
    adjusted: Vec<f64>,
    reject_at_0_05: Vec<bool>,
}

#[test]
fn holm_adjusts_as_its_authors_print() {
    // Wikipedia, Holm–Bonferroni method; Abdi (2010), table 1.
    let cases = published::<HolmCases>("holm.toml").holm;
    assert_eq!(cases.len(), 2);
    for case in cases {
        let found = holm(&case.p).unwrap();
        all_close(&case.name, &found, &case.adjusted, 1e-12);
        let findings: Vec<bool> = found.iter().map(|p| *p <= 0.05).collect();
        assert_eq!(findings, case.reject_at_0_05, "{}", case.name);
    }
}
