//! Every statistic beside scipy, statsmodels and numpy, on cases drawn from a seed. `HALFPANEL_PYTHON` names an
//! interpreter that has them (`tests/requirements.txt`); without it the comparison is skipped, aloud.
//! `HALFPANEL_SEED` draws other cases; the seed and the largest difference of each function are printed
//! (`cargo test --test against_scipy -- --nocapture`).

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

use halfpanel::stats::anova::one_way;
use halfpanel::stats::budget::{Component, Degrees, Stated, budget};
use halfpanel::stats::charts::{Limits, ewma};
use halfpanel::stats::equivalence::equivalent;
use halfpanel::stats::fisher::{f_quantile, f_upper_tail};
use halfpanel::stats::line::fit;
use halfpanel::stats::multiplicity::holm;
use halfpanel::stats::noncentral;
use halfpanel::stats::outliers::{End, Floor, generalized_esd, grubbs};
use halfpanel::stats::paired::{BeforeAfter, paired};
use halfpanel::stats::power;
use halfpanel::stats::precision::{cochran_critical, critical_range_factor, nested, precision};
use halfpanel::stats::retention::{ScaleCheck, retention};
use halfpanel::stats::student::{t_quantile, t_two_sided_p, t_upper_tail};
use halfpanel::stats::summary::{mean, standard_deviation};
use halfpanel::stats::welch::{Welch, welch};
use halfpanel::tile::gloss_scale::{gloss_of_index_gu, index_of_gloss};
use halfpanel::tile::linearity::{Calibration, limit};
use halfpanel::units::Geometry;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Normal};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::Write;
use std::process::{Command, Stdio};

/// Cases of each function.
const CASES: usize = 200;

/// One function: what goes to Python, what this program found, and how far they may differ, relative to the
/// figure, or to 0.001 where it is smaller.
struct Compared {
    name: &'static str,
    allowed: f64,
    cases: Vec<Value>,
    found: Vec<Vec<f64>>,
}

struct Draw(ChaCha8Rng);

impl Draw {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0.random_range(low..high)
    }

    fn count(&mut self, low: usize, high: usize) -> usize {
        self.0.random_range(low..=high)
    }

    /// Gloss values of one side, as a meter with steps of 0.01 GU prints them.
    fn side(&mut self, n: usize) -> Vec<f64> {
        let centre = self.between(5.0, 95.0);
        self.around(centre, n)
    }

    fn around(&mut self, centre: f64, n: usize) -> Vec<f64> {
        let scatter = Normal::new(centre, self.between(0.2, 1.5)).unwrap();
        (0..n).map(|_| (scatter.sample(&mut self.0) * 100.0).round() / 100.0).collect()
    }

    fn two_sides(&mut self) -> (Vec<f64>, Vec<f64>) {
        let (centre, effect) = (self.between(20.0, 90.0), self.between(-2.0, 2.0));
        let (control, treated) = (self.count(3, 10), self.count(3, 10));
        (self.around(centre, control), self.around(centre + effect, treated))
    }
}

fn compare(
    draw: &mut Draw,
    name: &'static str,
    allowed: f64,
    mut case: impl FnMut(&mut Draw) -> (Value, Vec<f64>),
) -> Compared {
    let (cases, found) = (0..CASES).map(|_| case(draw)).unzip();
    Compared { name, allowed, cases, found }
}

fn of_welch(compared: &Welch) -> Vec<f64> {
    let interval = compared.interval.unwrap();
    vec![interval.t, interval.degrees_of_freedom, interval.p_value, interval.ci_low, interval.ci_high]
}

fn distributions(draw: &mut Draw) -> Vec<Compared> {
    vec![
        compare(draw, "student", 1e-10, |draw| {
            let (p, df, t) = (draw.between(0.001, 0.999), draw.between(1.0, 60.0), draw.between(-6.0, 6.0));
            let found = [t_quantile(p, df), t_two_sided_p(t, df), t_upper_tail(t, df)];
            (json!([p, df, t]), found.map(Option::unwrap).to_vec())
        }),
        compare(draw, "fisher", 1e-11, |draw| {
            let (p, df1, df2) =
                (draw.between(0.01, 0.999), draw.between(1.0, 30.0), draw.between(1.0, 200.0));
            let f = draw.between(0.01, 12.0);
            let found = [f_quantile(p, df1, df2), f_upper_tail(f, df1, df2)];
            (json!([p, df1, df2, f]), found.map(Option::unwrap).to_vec())
        }),
        compare(draw, "noncentral", 1e-9, |draw| {
            let (t, df, noncentrality) =
                (draw.between(-2.0, 6.0), draw.between(2.0, 60.0), draw.between(-1.0, 6.0));
            (json!([t, df, noncentrality]), vec![noncentral::upper_tail(t, df, noncentrality).unwrap()])
        }),
        compare(draw, "three_points", 1e-11, |draw| {
            let (alpha, count, df) = (draw.between(0.001, 0.2), draw.count(1, 6), draw.between(2.0, 60.0));
            let found = limit(&Calibration::direct(1.0, df), u32::try_from(count).unwrap(), alpha);
            (json!([alpha, count, df]), vec![found.unwrap()])
        }),
    ]
}

fn comparisons(draw: &mut Draw) -> Vec<Compared> {
    vec![
        compare(draw, "welch", 1e-10, |draw| {
            let (control, treated) = draw.two_sides();
            let found = of_welch(&welch(&control, &treated).unwrap());
            (json!([control, treated]), found)
        }),
        compare(draw, "equivalence", 1e-10, |draw| {
            let ((control, treated), margin) = (draw.two_sides(), draw.between(0.2, 4.0));
            let found = equivalent(&welch(&control, &treated).unwrap(), margin).unwrap();
            (json!([control, treated, margin]), vec![found.p_value, found.low, found.high])
        }),
        compare(draw, "paired", 1e-11, |draw| {
            let n = [draw.count(3, 8), draw.count(3, 8)];
            let [(cb, ca), (tb, ta)] = n.map(|n| (draw.side(n), draw.side(n)));
            let zones = |before: &[f64], after: &[f64]| -> Vec<BeforeAfter> {
                before.iter().zip(after).map(|(&before, &after)| BeforeAfter { before, after }).collect()
            };
            let found = paired(&zones(&cb, &ca), &zones(&tb, &ta)).unwrap();
            (json!([cb, ca, tb, ta]), of_welch(&found.compared))
        }),
        compare(draw, "retention", 1e-12, |draw| {
            let n = draw.count(3, 8);
            let (before, after, check) = (draw.side(n), draw.side(n), draw.between(0.0, 0.01));
            let zones = before.iter().zip(&after).map(|(&before, &after)| BeforeAfter { before, after });
            let scale = ScaleCheck { relative_uncertainty: check, degrees_of_freedom: Some(2.0) };
            let found = retention(&zones.collect::<Vec<_>>(), scale, scale).unwrap();
            (json!([before, after, check]), vec![found.ratio, found.budget.combined])
        }),
        compare(draw, "holm", 1e-13, |draw| {
            let p: Vec<f64> = (0..draw.count(2, 12)).map(|_| draw.between(0.0, 0.3)).collect();
            let found = holm(&p).unwrap();
            (json!([p]), found)
        }),
    ]
}

fn of_power(draw: &mut Draw) -> Vec<Compared> {
    vec![
        compare(draw, "power", 1e-9, |draw| {
            let (difference, sd, n) =
                (draw.between(0.1, 3.0), draw.between(0.3, 2.0), draw.between(3.0, 30.0));
            let found = power::power(difference, sd * (2.0 / n).sqrt(), 2.0 * (n - 1.0)).unwrap();
            (json!([difference, sd, n]), vec![found])
        }),
        compare(draw, "zones_a_side", 0.0, |draw| {
            // Beyond three standard deviations scipy's noncentral t gives no number.
            let (difference, sd) = (draw.between(0.3, 2.0), draw.between(0.7, 1.5));
            let found = power::zones_a_side(difference, sd, sd).unwrap();
            (json!([difference, sd]), vec![f64::from(found)])
        }),
        compare(draw, "detectable", 1e-9, |draw| {
            let df = draw.between(2.0, 60.0);
            (json!([df]), vec![power::detectable(1.0, df).unwrap()])
        }),
    ]
}

fn of_values(draw: &mut Draw) -> Vec<Compared> {
    vec![
        compare(draw, "summary", 1e-13, |draw| {
            let n = draw.count(2, 30);
            let values = draw.side(n);
            let found = vec![mean(&values).unwrap(), standard_deviation(&values).unwrap()];
            (json!([values]), found)
        }),
        compare(draw, "grubbs", 1e-11, |draw| {
            let n = draw.count(3, 20);
            let values = draw.side(n);
            let found = grubbs(&values, 0.05, End::Either, Floor::default()).unwrap();
            (json!([values]), vec![found.g, found.critical])
        }),
        compare(draw, "esd", 1e-11, |draw| {
            let (n, most) = (draw.count(15, 40), draw.count(1, 5));
            // Off the meter's steps, or two values lie equally far out and either may go first.
            let values: Vec<f64> =
                draw.side(n).iter().map(|value| value + draw.between(0.0, 0.005)).collect();
            let found = generalized_esd(&values, most, 0.05, Floor::default()).unwrap();
            (json!([values, most]), found.steps.iter().flat_map(|step| [step.r, step.critical]).collect())
        }),
        compare(draw, "ewma", 1e-13, |draw| {
            let (n, centre, weight) = (draw.count(2, 30), draw.between(20.0, 90.0), draw.between(0.05, 1.0));
            let values = draw.around(centre, n);
            let found = ewma(&values, &Limits::given(centre, 1.0).unwrap(), weight).unwrap().averages;
            (json!([values, centre, weight]), found)
        }),
        compare(draw, "line", 1e-9, |draw| {
            let n = draw.count(4, 20);
            let x: Vec<f64> = (0..n).map(|_| draw.between(0.0, 8.0)).collect();
            let y = draw.side(n);
            let found = fit(&x, &y).unwrap();
            let slope = found.slope_interval(0.95).unwrap();
            let of_fit =
                [found.intercept, found.slope, found.intercept_error, found.slope_error, found.residual_sd];
            let rest = [found.r_squared.unwrap(), slope.low, slope.high, slope.p_value.unwrap()];
            (json!([x, y]), [&of_fit[..], &rest[..]].concat())
        }),
        compare(draw, "budget", 1e-11, |draw| {
            let n = draw.count(1, 6);
            let (u, nu): (Vec<f64>, Vec<f64>) =
                (0..n).map(|_| (draw.between(0.01, 1.0), draw.between(2.0, 50.0))).unzip();
            let parts = u.iter().zip(&nu).map(|(&value, &degrees)| Component {
                name: "part".to_owned(),
                value,
                stated: Stated::Standard,
                sensitivity: 1.0,
                degrees_of_freedom: Some(degrees),
            });
            let found = budget(&parts.collect::<Vec<_>>()).unwrap();
            let expanded = found.expanded(0.95, Degrees::Fractional).unwrap().expanded;
            (json!([u, nu]), vec![found.combined, found.degrees_of_freedom.unwrap(), expanded])
        }),
    ]
}

fn of_tables(draw: &mut Draw) -> Vec<Compared> {
    let table = |draw: &mut Draw, cells: usize, results: usize| -> Vec<Vec<f64>> {
        let centre = draw.between(20.0, 90.0);
        let cells = (0..cells).map(|_| centre + draw.between(-1.0, 1.0)).collect::<Vec<f64>>();
        cells.into_iter().map(|cell| draw.around(cell, results)).collect()
    };
    vec![
        compare(draw, "one_way", 1e-10, |draw| {
            let (cells, results) = (draw.count(2, 6), draw.count(2, 8));
            let groups = table(draw, cells, results);
            let found = one_way(&groups).unwrap();
            (json!(groups), vec![found.f, found.p_value, found.f])
        }),
        compare(draw, "precision", 1e-12, |draw| {
            let (cells, results) = (draw.count(2, 8), draw.count(2, 6));
            let cells = table(draw, cells, results);
            let found = precision(&cells).unwrap();
            (json!(cells), vec![found.repeatability_sd, found.reproducibility_sd])
        }),
        compare(draw, "nested", 1e-9, |draw| {
            let (operators, days, repeats) = (draw.count(2, 4), draw.count(2, 5), draw.count(2, 6));
            let study: Vec<Vec<Vec<f64>>> = (0..operators).map(|_| table(draw, days, repeats)).collect();
            let found = nested(&study).unwrap().components;
            let operator = found.operator_sd.unwrap();
            (json!([study]), vec![found.repeatability_sd, found.day_sd, operator, found.reproducibility_sd])
        }),
        compare(draw, "cochran", 1e-11, |draw| {
            let (cells, results) = (draw.count(2, 12), draw.count(2, 8));
            let of = |count: usize| u32::try_from(count).unwrap();
            (json!([cells, results]), vec![cochran_critical(of(cells), of(results), 0.05).unwrap()])
        }),
        compare(draw, "index", 1e-12, |draw| {
            let (index, geometry) = (draw.between(1.35, 1.8), Geometry::ALL[draw.count(0, 2)]);
            let gloss = gloss_of_index_gu(index, geometry).unwrap();
            (json!([gloss, geometry.degrees()]), vec![index_of_gloss(gloss, geometry).unwrap()])
        }),
    ]
}

/// The factors of the standard are printed to one decimal, so that they have a distance of their own.
fn critical_ranges() -> Compared {
    let found = (2..=10).map(|n| vec![critical_range_factor(n).unwrap()]).collect();
    Compared { name: "critical_range", allowed: 0.02, cases: (2..=10).map(|n| json!([n])).collect(), found }
}

#[test]
fn every_statistic_agrees_with_scipy_and_statsmodels() {
    let Some(python) = std::env::var("HALFPANEL_PYTHON").ok().filter(|python| !python.is_empty()) else {
        eprintln!(
            "SKIPPED: HALFPANEL_PYTHON names no interpreter with tests/requirements.txt, so that nothing was compared"
        );
        return;
    };
    let seed = std::env::var("HALFPANEL_SEED").ok().map_or(20_813, |seed| seed.parse().unwrap());
    let mut draw = Draw(ChaCha8Rng::seed_from_u64(seed));
    let mut all = distributions(&mut draw);
    all.extend(comparisons(&mut draw));
    all.extend(of_power(&mut draw));
    all.extend(of_values(&mut draw));
    all.extend(of_tables(&mut draw));
    all.push(critical_ranges());
    let cases: BTreeMap<&str, &Vec<Value>> = all.iter().map(|one| (one.name, &one.cases)).collect();
    let answers = ask(&python, &json!(cases));
    println!("seed {seed}, {CASES} cases each, {}", answers["versions"].as_str().unwrap());
    let failed: Vec<String> =
        all.iter().filter_map(|one| differs(one, &answers["answers"][one.name])).collect();
    assert!(failed.is_empty(), "seed {seed}:\n{}", failed.join("\n"));
}

fn ask(python: &str, cases: &Value) -> Value {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/against_scipy.py");
    let mut child =
        Command::new(python).arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(cases.to_string().as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{python} {script} failed; is tests/requirements.txt installed for it?");
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Prints the largest difference; says which case is too far off, if one is.
fn differs(one: &Compared, answers: &Value) -> Option<String> {
    let answers: Vec<Vec<Option<f64>>> = serde_json::from_value(answers.clone()).unwrap();
    assert_eq!(answers.len(), one.found.len(), "{}: number of cases", one.name);
    let mut largest = (0.0_f64, String::new());
    let mut unanswered = 0;
    for ((case, found), expected) in one.cases.iter().zip(&one.found).zip(&answers) {
        assert_eq!(found.len(), expected.len(), "{}: number of figures of {case}", one.name);
        for (found, expected) in found.iter().zip(expected) {
            let Some(expected) = expected else {
                unanswered += 1;
                continue;
            };
            let apart = (found - expected).abs() / expected.abs().max(1e-3);
            if apart.is_nan() || apart > largest.0 {
                largest = (apart, format!("{case}: {found} for {expected}"));
            }
        }
    }
    println!(
        "{:>15}: {:.1e} (allowed {:.0e}), {unanswered} without an answer there",
        one.name, largest.0, one.allowed
    );
    // The noncentral t of the library gives up now and then; more than a few would be no comparison.
    assert!(unanswered * 10 < one.found.len(), "{}: {unanswered} without an answer", one.name);
    (largest.0.is_nan() || largest.0 > one.allowed)
        .then(|| format!("{}: {:e} off: {}", one.name, largest.0, largest.1))
}
