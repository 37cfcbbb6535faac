//! Precision, analysis of variance, straight lines and F against published figures.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod published;

use halfpanel::stats::anova::one_way;
use halfpanel::stats::chi_square::chi_square_quantile;
use halfpanel::stats::chi_square::sd_interval;
use halfpanel::stats::fisher::f_quantile;
use halfpanel::stats::fisher::f_upper_tail;
use halfpanel::stats::line::fit;
use halfpanel::stats::precision::Scatter;
use halfpanel::stats::precision::cochran;
use halfpanel::stats::precision::cochran_critical;
use halfpanel::stats::precision::components;
use halfpanel::stats::precision::pool;
use halfpanel::stats::precision::precision;
use halfpanel::stats::summary::mean;
use halfpanel::stats::summary::standard_deviation;
use published::close;
use published::close_relative;
use published::digits;
use published::half_of_decimal;
use published::published;
use serde::Deserialize;

// ASTM E691 and ISO 5725-2.

#[derive(Deserialize)]
struct Tables {
    e691_glucose: Glucose,
    cochran_critical: Cochran,
}

#[derive(Deserialize)]
struct Glucose {
    material: Vec<Material>,
}

#[derive(Deserialize)]
#[expect(non_snake_case, reason = "the standards tell r and R apart by case alone")]
struct Material {
    name: String,
    mean: f64,
    s_xbar: f64,
    s_r: f64,
    s_R: f64,
    r: f64,
    R: f64,
    results: Vec<Vec<f64>>,
}

#[derive(Deserialize)]
struct Cochran {
    row: Vec<CochranRow>,
}

#[derive(Deserialize)]
struct CochranRow {
    p: u32,
    n: u32,
    crit_5: f64,
    crit_1: f64,
}

#[test]
fn glucose_in_serum_has_the_precision_of_e691() {
    // ASTM E691, example: materials A, D and E as printed, B and C computed from the same data.
    let materials = published::<Tables>("precision_e691_iso5725.toml").e691_glucose.material;
    assert_eq!(materials.len(), 5);
    for expected in materials {
        let found = precision(&expected.results).unwrap();
        let figures = [
            ("mean", found.mean, expected.mean, 4),
            ("scatter of means", found.sd_of_means, expected.s_xbar, 4),
            ("s_r", found.repeatability_sd, expected.s_r, 4),
            ("s_R", found.reproducibility_sd, expected.s_R, 4),
            ("r", found.repeatability_limit, expected.r, 2),
            ("R", found.reproducibility_limit, expected.R, 2),
        ];
        for (what, found, printed, decimals) in figures {
            // The standard prints 194.7170 for a mean of 194.71708.
            let allowed = if what == "mean" { 1e-4 } else { half_of_decimal(decimals) };
            close(&format!("{}: {what}", expected.name), found, printed, allowed);
        }
    }
}

#[test]
fn cochran_s_critical_values_are_those_of_iso_5725() {
    // ISO 5725-2, table 4, within one of its last digit.
    for row in published::<Tables>("precision_e691_iso5725.toml").cochran_critical.row {
        for (alpha, printed) in [(0.05, row.crit_5), (0.01, row.crit_1)] {
            let what = format!("{} cells of {}, {alpha}", row.p, row.n);
            close(&what, cochran_critical(row.p, row.n, alpha), printed, 0.001);
        }
    }
}

#[test]
fn cochran_tells_the_laboratory_that_scatters_most() {
    // E691 material C: laboratory 4 has 138.50, 148.30, 135.69 (variance 43.5 of 60.5, worked out by hand).
    let materials = published::<Tables>("precision_e691_iso5725.toml").e691_glucose.material;
    let c = cochran(&materials[2].results).unwrap();
    close("C", c, 0.719, half_of_decimal(2));
    assert!(c > cochran_critical(8, 3, 0.01).unwrap());
}

// e-Handbook, gauge study.

#[derive(Deserialize)]
struct Gauge {
    pooled_repeatability: Pooled,
    nested: NestedStudy,
}

#[derive(Deserialize)]
struct Pooled {
    sd: Vec<f64>,
    df: Vec<f64>,
    total_df: f64,
    s1: f64,
}

#[derive(Deserialize)]
struct NestedStudy {
    s1_run1: f64,
    s1_run2: f64,
    s1_pooled: f64,
    s1_df: f64,
    s2_run1: f64,
    s2_run2: f64,
    s2_pooled: f64,
    s2_df: f64,
    s3_pooled: f64,
    s3_df: f64,
    wafers: Vec<u32>,
    mean_run1: Vec<f64>,
    mean_run2: Vec<f64>,
    sd_between_runs: Vec<f64>,
    run: Vec<u32>,
    wafer: Vec<u32>,
    average: Vec<f64>,
    sd: Vec<f64>,
}

impl NestedStudy {
    /// The days of one wafer in one run: averages and standard deviations.
    fn days(&self, run: u32, wafer: u32) -> (Vec<f64>, Vec<f64>) {
        let places = (0..self.run.len()).filter(|&i| self.run[i] == run && self.wafer[i] == wafer);
        places.map(|i| (self.average[i], self.sd[i])).unzip()
    }

    fn pooled(&self, runs: &[u32], of_days: bool) -> Scatter {
        let cells = runs.iter().flat_map(|&run| self.wafers.iter().map(move |&wafer| (run, wafer)));
        let parts = cells.flat_map(|(run, wafer)| {
            let (averages, sds) = self.days(run, wafer);
            let between =
                vec![Scatter { sd: standard_deviation(&averages).unwrap(), degrees_of_freedom: 5.0 }];
            let within = sds.iter().map(|&sd| Scatter { sd, degrees_of_freedom: 5.0 }).collect();
            if of_days { between } else { within }
        });
        pool(&parts.collect::<Vec<Scatter>>()).unwrap()
    }
}

#[test]
fn repeatability_is_pooled_as_in_the_handbook() {
    // e-Handbook 2.4.4.1.
    let expected = published::<Gauge>("ehandbook_gauge_study.toml").pooled_repeatability;
    let parts = expected.sd.iter().zip(&expected.df);
    let parts: Vec<Scatter> =
        parts.map(|(&sd, &degrees_of_freedom)| Scatter { sd, degrees_of_freedom }).collect();
    let found = pool(&parts).unwrap();
    close("s1", found.sd, expected.s1, half_of_decimal(5));
    close("degrees of freedom", found.degrees_of_freedom, expected.total_df, 1e-9);
}

#[test]
fn the_levels_of_the_gauge_study_are_those_of_the_handbook() {
    // e-Handbook 2.6.1, probe 2362: within days, days within runs, runs.
    let expected = published::<Gauge>("ehandbook_gauge_study.toml").nested;
    let five = half_of_decimal(5);
    close("level 1, run 1", expected.pooled(&[1], false).sd, expected.s1_run1, five);
    close("level 1, run 2", expected.pooled(&[2], false).sd, expected.s1_run2, five);
    close("level 2, run 1", expected.pooled(&[1], true).sd, expected.s2_run1, five);
    close("level 2, run 2", expected.pooled(&[2], true).sd, expected.s2_run2, five);
    let (within, of_days) = (expected.pooled(&[1, 2], false), expected.pooled(&[1, 2], true));
    close("level 1", within.sd, expected.s1_pooled, five);
    close("level 1, degrees of freedom", within.degrees_of_freedom, expected.s1_df, 1e-9);
    close("level 2", of_days.sd, expected.s2_pooled, five);
    close("level 2, degrees of freedom", of_days.degrees_of_freedom, expected.s2_df, 1e-9);
    let of_runs = level_3(&expected);
    close("level 3", of_runs.sd, expected.s3_pooled, half_of_decimal(4));
    close("level 3, degrees of freedom", of_runs.degrees_of_freedom, expected.s3_df, 1e-9);
    // e-Handbook 2.4.4: s_R² = s3² + s2² (J − 1)/J + s1² (K − 1)/K, with J = K = 6.
    let found = components(within.sd, 6, of_days.sd, 6, Some(of_runs.sd)).unwrap();
    let all = of_runs.sd.powi(2) + (of_days.sd.powi(2) + within.sd.powi(2)) * 5.0 / 6.0;
    close("reproducibility", found.reproducibility_sd, all.sqrt(), 1e-12);
}

fn level_3(expected: &NestedStudy) -> Scatter {
    let of_wafer = |(place, &wafer): (usize, &u32)| {
        let means = [1, 2].map(|run| mean(&expected.days(run, wafer).0).unwrap());
        close("mean of run 1", means[0], expected.mean_run1[place], half_of_decimal(5));
        close("mean of run 2", means[1], expected.mean_run2[place], half_of_decimal(5));
        let sd = standard_deviation(&means).unwrap();
        close("between runs", sd, expected.sd_between_runs[place], half_of_decimal(5));
        Scatter { sd, degrees_of_freedom: 1.0 }
    };
    pool(&expected.wafers.iter().enumerate().map(of_wafer).collect::<Vec<Scatter>>()).unwrap()
}

// Chi-square.

#[derive(Deserialize)]
struct ChiSquares {
    chi2: ChiSquareTable,
}

#[derive(Deserialize)]
struct ChiSquareTable {
    p: Vec<f64>,
    row: Vec<ChiSquareRow>,
}

#[derive(Deserialize)]
struct ChiSquareRow {
    df: f64,
    q: Vec<f64>,
}

#[test]
fn quantiles_of_chi_square_are_those_of_scipy() {
    let table = published::<ChiSquares>("chi_square_scipy.toml").chi2;
    assert!(table.row.len() >= 8);
    for row in table.row {
        for (p, q) in table.p.iter().zip(row.q) {
            let what = format!("{p}, {} degrees of freedom", row.df);
            close_relative(&what, chi_square_quantile(*p, row.df), q, 1e-9);
        }
    }
}

#[test]
fn the_interval_of_a_standard_deviation_is_made_of_the_tabled_quantiles() {
    // Tables of chi-square, 9 degrees of freedom: 2.700 (0.025) and 19.023 (0.975); √(9 ÷ q) by hand.
    let scatter = Scatter { sd: 1.0, degrees_of_freedom: 9.0 };
    let [low, high] = sd_interval(scatter, 0.95).unwrap();
    close("lower end", low, 0.688, half_of_decimal(3));
    close("upper end", high, 1.826, half_of_decimal(3));
    assert_eq!(sd_interval(Scatter { sd: -1.0, ..scatter }, 0.95), None);
    assert_eq!(sd_interval(scatter, 1.0), None);
}

// NIST StRD and the e-Handbook: analysis of variance and straight lines.

#[derive(Deserialize)]
#[expect(non_snake_case, reason = "the names that NIST gave the sets")]
struct Strd {
    Norris: Norris,
    SiRstv: OneWaySet,
    AtmWtAg: OneWaySet,
    calibration_line: CalibrationLine,
}

#[derive(Deserialize)]
struct Norris {
    b0: f64,
    b1: f64,
    sd_b0: f64,
    sd_b1: f64,
    residual_sd: f64,
    r_squared: f64,
    f: f64,
    df_residual: f64,
    y: Vec<f64>,
    x: Vec<f64>,
}

#[derive(Deserialize)]
struct OneWaySet {
    df_between: f64,
    df_within: f64,
    ss_between: f64,
    ss_within: f64,
    ms_between: f64,
    ms_within: f64,
    f: f64,
    r_squared: f64,
    residual_sd: f64,
    groups: Vec<Vec<f64>>,
}

#[derive(Deserialize)]
struct CalibrationLine {
    intercept: f64,
    se_intercept: f64,
    slope: f64,
    se_slope: f64,
    t_slope: f64,
    cov_intercept_slope: f64,
    residual_sd: f64,
    df_residual: f64,
    x: Vec<f64>,
    y: Vec<f64>,
}

fn strd() -> Strd {
    published("strd_regression_anova.toml")
}

#[test]
fn analysis_of_variance_reaches_the_digits_that_nist_certified() {
    // StRD SiRstv (4 constant leading digits) and AtmWtAg (7). Their data cannot be held exactly in an f64,
    // which for AtmWtAg leaves about 10 digits.
    let sets = strd();
    for (name, set, least) in [("SiRstv", sets.SiRstv, 12.0), ("AtmWtAg", sets.AtmWtAg, 8.5)] {
        let found = one_way(&set.groups).unwrap();
        let figures = [
            (found.ss_between, set.ss_between),
            (found.ss_within, set.ss_within),
            (found.ms_between, set.ms_between),
            (found.ms_within, set.ms_within),
            (found.f, set.f),
            (found.r_squared, set.r_squared),
            (found.residual_sd, set.residual_sd),
        ];
        let fewest =
            figures.map(|(found, certified)| digits(found, certified)).into_iter().fold(17.0, f64::min);
        println!("{name}: {fewest:.1} digits");
        assert!(fewest >= least, "{name}: {fewest} digits of {least}");
        close("df between", found.df_between, set.df_between, 0.0);
        close("df within", found.df_within, set.df_within, 0.0);
    }
}

#[test]
fn the_line_reaches_the_digits_that_nist_certified() {
    // StRD Norris.
    let set = strd().Norris;
    let found = fit(&set.x, &set.y).unwrap();
    let figures = [
        ("intercept", found.intercept, set.b0),
        ("slope", found.slope, set.b1),
        ("its error", found.intercept_error, set.sd_b0),
        ("its error", found.slope_error, set.sd_b1),
        ("residual", found.residual_sd, set.residual_sd),
        ("R²", found.r_squared.unwrap(), set.r_squared),
        ("F", (found.slope / found.slope_error).powi(2), set.f),
    ];
    for (what, found, certified) in figures {
        let reached = digits(found, certified);
        println!("Norris, {what}: {reached:.1} digits");
        assert!(reached >= 12.0, "{what}: {reached} digits");
    }
    close("degrees of freedom", found.degrees_of_freedom, set.df_residual, 0.0);
}

#[test]
fn the_calibration_line_is_that_of_the_handbook() {
    // e-Handbook 2.3.6.7.3.
    let set = strd().calibration_line;
    let found = fit(&set.x, &set.y).unwrap();
    close("intercept", found.intercept, set.intercept, half_of_decimal(7));
    close("its error", found.intercept_error, set.se_intercept, half_of_decimal(8));
    close("slope", found.slope, set.slope, half_of_decimal(7));
    close("its error", found.slope_error, set.se_slope, half_of_decimal(8));
    close("t", found.slope / found.slope_error, set.t_slope, half_of_decimal(6));
    close("covariance", found.covariance, set.cov_intercept_slope, 1e-11);
    close("residual", found.residual_sd, set.residual_sd, half_of_decimal(5));
    close("degrees of freedom", found.degrees_of_freedom, set.df_residual, 0.0);
}

#[test]
fn the_heat_flow_meter_drifts_as_in_the_case_study() {
    // e-Handbook 1.4.2.8 (ZARR13): line on run order.
    #[derive(Deserialize)]
    struct Data {
        zarr13: Y,
    }
    #[derive(Deserialize)]
    struct Y {
        y: Vec<f64>,
    }
    #[derive(Deserialize)]
    struct Drifts {
        zarr13: Drifting,
    }
    #[derive(Deserialize)]
    struct Drifting {
        drift: Drift,
    }
    #[derive(Deserialize)]
    struct Drift {
        slope: f64,
        se_slope: f64,
        t: f64,
        p: f64,
        intercept: f64,
        se_intercept: f64,
        residual_sd: f64,
        df: f64,
        r_squared: f64,
        f: f64,
        p_f: f64,
    }
    let y = published::<Data>("ehandbook_means.toml").zarr13.y;
    let expected = published::<Drifts>("ehandbook_drift.toml").zarr13.drift;
    let order: Vec<f64> = (1_u32..).take(y.len()).map(f64::from).collect();
    let found = fit(&order, &y).unwrap();
    close("slope", found.slope, expected.slope, half_of_decimal(8));
    close("its error", found.slope_error, expected.se_slope, half_of_decimal(8));
    close("intercept", found.intercept, expected.intercept, half_of_decimal(3));
    close("its error", found.intercept_error, expected.se_intercept, half_of_decimal(6));
    close("residual", found.residual_sd, expected.residual_sd, half_of_decimal(5));
    close("degrees of freedom", found.degrees_of_freedom, expected.df, 0.0);
    close("R²", found.r_squared, expected.r_squared, half_of_decimal(5));
    close("t", found.slope / found.slope_error, expected.t, half_of_decimal(2));
    let slope = found.slope_interval(0.95).unwrap();
    close("p", slope.p_value, expected.p, half_of_decimal(4));
    close("F's p", f_upper_tail(expected.f, 1.0, expected.df), expected.p_f, 2.0 * half_of_decimal(5));
    assert!(slope.low < 0.0 && slope.high > 0.0, "just not significant: {slope:?}");
}

// F, computed by others.

#[derive(Deserialize)]
struct FTables {
    f: FTable,
    f_upper_tail: FTails,
}

#[derive(Deserialize)]
struct FTable {
    p: Vec<f64>,
    row: Vec<FRow>,
}

#[derive(Deserialize)]
struct FRow {
    df1: f64,
    df2: f64,
    q: Vec<f64>,
}

#[derive(Deserialize)]
struct FTails {
    x: Vec<f64>,
    df1: Vec<f64>,
    df2: Vec<f64>,
    p: Vec<f64>,
}

#[test]
fn quantiles_and_tails_of_f_are_those_of_scipy() {
    let scipy: FTables = published("f_scipy.toml");
    for row in &scipy.f.row {
        for (p, q) in scipy.f.p.iter().zip(&row.q) {
            close_relative(
                &format!("p {p}, df {} {}", row.df1, row.df2),
                f_quantile(*p, row.df1, row.df2),
                *q,
                1e-11,
            );
        }
    }
    let tails = &scipy.f_upper_tail;
    for (place, p) in tails.p.iter().enumerate() {
        let found = f_upper_tail(tails.x[place], tails.df1[place], tails.df2[place]);
        close_relative(&format!("tail {place}"), found, *p, 1e-11);
    }
}
