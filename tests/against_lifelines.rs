//! Lives beside lifelines, and beside likelihoods written out with scipy, on cases drawn from a seed.
//! `HALFPANEL_PYTHON` names an interpreter that has them (`tests/requirements.txt`); without it the comparison is
//! skipped, aloud. `HALFPANEL_SEED` draws other cases.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

use halfpanel::stats::censored::Span;
use halfpanel::stats::kaplan_meier;
use halfpanel::stats::log_rank::log_rank;
use halfpanel::stats::turnbull::turnbull;
use halfpanel::stats::weibull::weibull;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Weibull};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::Write;
use std::process::{Command, Stdio};

/// Cases of each function.
const CASES: usize = 40;

type Found = Vec<Option<f64>>;

struct Compared {
    name: &'static str,
    allowed: f64,
    cases: Vec<(Value, Found)>,
}

struct Draw(ChaCha8Rng);

impl Draw {
    fn times(&mut self, from: usize, to: usize) -> Vec<f64> {
        let n = self.0.random_range(from..=to);
        let of = Weibull::<f64>::new(self.0.random_range(8.0..40.0), self.0.random_range(0.8..4.0)).unwrap();
        (0..n).map(|_| f64::max(of.sample(&mut self.0), 0.05)).collect()
    }

    /// Ends known to the tenth, or not yet come.
    fn exact(&mut self, from: usize, to: usize) -> Vec<Span> {
        let end = self.0.random_range(15.0..40.0_f64).round();
        let life =
            |time: f64| if time > end { Span::Beyond(end) } else { Span::At((time * 10.0).ceil() / 10.0) };
        self.times(from, to).into_iter().map(life).collect()
    }

    /// Ends between looks every few washes, or not yet come.
    fn looked(&mut self, from: usize, to: usize) -> Vec<Span> {
        let mut lives = Vec::new();
        for time in self.times(from, to) {
            let (every, last) = (self.0.random_range(2..6_u8), self.0.random_range(4..12_u8));
            let looks = (0..=last).map(|look| f64::from(look * every));
            let after = looks.clone().rfind(|look| *look < time).unwrap();
            let until = looks.clone().find(|look| *look >= time);
            lives.push(until.map_or(Span::Beyond(after), |until| Span::Between { after, until }));
        }
        lives
    }
}

fn told(lives: &[Span]) -> Value {
    lives.iter().map(|life| json!([life.lower(), life.upper()])).collect()
}

fn compare(
    draw: &mut Draw,
    name: &'static str,
    allowed: f64,
    case: impl Fn(&mut Draw) -> Option<(Value, Found)>,
) -> Compared {
    let mut cases = Vec::new();
    for _ in 0..20 * CASES {
        cases.extend(case(draw));
        if cases.len() == CASES {
            return Compared { name, allowed, cases };
        }
    }
    panic!("{name}: hardly a case is usable");
}

fn all(draw: &mut Draw) -> Vec<Compared> {
    vec![
        compare(draw, "product_limit", 1e-9, |draw| {
            let lives = draw.exact(3, 20);
            let steps = kaplan_meier::curve(&lives).unwrap();
            let of = |step: &kaplan_meier::Step| {
                [Some(step.survival)]
                    .into_iter()
                    .chain(step.interval.into_iter().flatten().map(Some))
                    .collect::<Vec<_>>()
            };
            Some((json!([told(&lives)]), steps.iter().flat_map(of).collect()))
        }),
        compare(draw, "median", 1e-12, |draw| {
            let lives = draw.exact(3, 20);
            let steps = kaplan_meier::curve(&lives).unwrap();
            // A half that is missed by its rounding is passed over there.
            let told_alike = steps.iter().all(|step| (step.survival - 0.5).abs() > 1e-9);
            told_alike.then(|| (json!([told(&lives)]), vec![kaplan_meier::median(&steps)]))
        }),
        compare(draw, "log_rank", 1e-9, |draw| {
            let (one, other) = (draw.exact(3, 12), draw.exact(3, 12));
            let found = log_rank([&one, &other]).unwrap()?;
            Some((json!([told(&one), told(&other)]), vec![Some(found.chi_square), Some(found.p_value)]))
        }),
        compare(draw, "weibull_exact", 1e-4, |draw| {
            let lives = draw.exact(6, 25);
            let found = weibull(&lives).ok()?;
            Some((json!([told(&lives)]), vec![Some(found.shape.value), Some(found.scale.value)]))
        }),
        compare(draw, "weibull", 1e-5, |draw| {
            let lives = draw.looked(5, 12);
            // Shapes far from those of any product leave the search of the other side.
            let found = weibull(&lives).ok().filter(|found| (0.3..10.0).contains(&found.shape.value))?;
            let [low, high] = found.median.profile;
            let figures = [found.shape.value, found.scale.value, found.median.value, found.log_likelihood];
            Some((json!([told(&lives)]), figures.into_iter().map(Some).chain([low, high]).collect()))
        }),
        compare(draw, "greatest_likelihood", 1e-6, |draw| {
            let lives = draw.looked(5, 20);
            let found = turnbull(&lives).unwrap();
            let chance = |life: &Span| -> f64 {
                let within = |mass: &&halfpanel::stats::turnbull::Mass| {
                    let ends = life.upper().is_none_or(|until| mass.until.is_some_and(|end| end <= until));
                    life.lower() <= mass.after && ends
                };
                found.support.iter().filter(within).map(|mass| mass.mass).sum()
            };
            Some((json!([told(&lives)]), vec![Some(lives.iter().map(|life| chance(life).ln()).sum())]))
        }),
    ]
}

#[test]
fn every_estimate_of_lives_agrees_with_lifelines_and_written_out_likelihoods() {
    let Some(python) = std::env::var("HALFPANEL_PYTHON").ok().filter(|python| !python.is_empty()) else {
        eprintln!(
            "SKIPPED: HALFPANEL_PYTHON names no interpreter with tests/requirements.txt, so that nothing was compared"
        );
        return;
    };
    let seed = std::env::var("HALFPANEL_SEED").ok().map_or(20_813, |seed| seed.parse().unwrap());
    let all = all(&mut Draw(ChaCha8Rng::seed_from_u64(seed)));
    let cases: BTreeMap<&str, Vec<&Value>> =
        all.iter().map(|one| (one.name, one.cases.iter().map(|case| &case.0).collect())).collect();
    let answers = ask(&python, &json!(cases));
    println!("seed {seed}, {CASES} cases each, {}", answers["versions"].as_str().unwrap());
    let failed: Vec<String> =
        all.iter().filter_map(|one| differs(one, &answers["answers"][one.name])).collect();
    assert!(failed.is_empty(), "seed {seed}:\n{}", failed.join("\n"));
}

fn ask(python: &str, cases: &Value) -> Value {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/against_lifelines.py");
    let mut child =
        Command::new(python).arg(script).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    child.stdin.take().unwrap().write_all(cases.to_string().as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success(), "{python} {script} failed; is tests/requirements.txt installed for it?");
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Prints the largest difference; says which case is too far off, if one is.
fn differs(one: &Compared, answers: &Value) -> Option<String> {
    let answers: Vec<Found> = serde_json::from_value(answers.clone()).unwrap();
    let mut largest = (0.0_f64, String::new());
    for ((case, found), expected) in one.cases.iter().zip(&answers) {
        assert_eq!(found.len(), expected.len(), "{}: number of figures of {case}", one.name);
        for pair in found.iter().zip(expected) {
            let apart = match pair {
                (Some(found), Some(expected)) => (found - expected).abs() / expected.abs().max(1e-3),
                (None, None) => 0.0,
                _ => f64::INFINITY,
            };
            if apart.is_nan() || apart > largest.0 {
                largest = (apart, format!("{case}: {found:?} for {expected:?}"));
            }
        }
    }
    println!("{:>20}: {:.1e} (allowed {:.0e})", one.name, largest.0, one.allowed);
    (largest.0.is_nan() || largest.0 > one.allowed)
        .then(|| format!("{}: {:e} off: {}", one.name, largest.0, largest.1))
}
