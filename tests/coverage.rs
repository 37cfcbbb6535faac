//! Intervals and verdicts against known truth, in short: 2,000 benches a design from a fixed seed. The whole
//! count, with many more designs, is `cargo bench --bench coverage`; its figures, `protocol-notes/coverage.md`.
//! Bounds are at least five binomial standard errors (0.5 % of the runs) from what the long count found.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

#[path = "common/made_up_bench.rs"]
mod made_up_bench;

use halfpanel::difference::verdict::Verdict;
use halfpanel::difference::weighing::weigh;
use made_up_bench::Course;
use made_up_bench::Design;
use made_up_bench::Order;
use made_up_bench::PLAIN;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

const RUNS: u32 = 2_000;

/// Of the runs, in percent: how often the interval holds the truth, the whole one does, and a verdict is given.
fn count(design: &Design, truth_gu: f64) -> [f64; 3] {
    let mut chance = ChaCha8Rng::seed_from_u64(7);
    let mut counted = [0; 3];
    for _ in 0..RUNS {
        let weighed = weigh(&design.evidence(&design.make(truth_gu, &mut chance)));
        let (difference, interval) = (weighed.difference_gu.unwrap(), weighed.chance.unwrap());
        let off = (difference - truth_gu).abs();
        let verdict = Verdict::of(difference, Some(&interval));
        counted[0] += u32::from(off <= interval.expanded_gu);
        counted[1] += u32::from(off <= weighed.whole.unwrap().expanded_gu);
        counted[2] += u32::from(matches!(verdict, Verdict::Higher | Verdict::Lower));
    }
    counted.map(|count| 100.0 * f64::from(count) / f64::from(RUNS))
}

fn between(name: &str, found: f64, low: f64, high: f64) {
    assert!(low <= found && found <= high, "{name}: {found} % of the runs, expected {low} to {high}");
}

#[test]
fn the_interval_of_a_plain_comparison_holds_the_truth_in_95_of_100_runs() {
    let [holds, _, _] = count(&PLAIN, 2.0);
    between("holds", holds, 92.5, 98.0);
    let [_, _, false_verdicts] = count(&PLAIN, 0.0);
    between("false verdicts", false_verdicts, 2.0, 7.5);
}

#[test]
fn the_interval_of_a_paired_comparison_holds_the_truth_in_95_of_100_runs() {
    let [holds, _, _] = count(&Design { paired: true, ..PLAIN }, 2.0);
    between("holds", holds, 92.5, 98.0);
    let [_, _, false_verdicts] = count(&Design { paired: true, ..PLAIN }, 0.0);
    between("false verdicts", false_verdicts, 2.0, 7.5);
}

/// Both sides lie just where a rounded mean is furthest off, in opposite directions.
#[test]
fn a_coarse_display_makes_no_difference_out_of_nothing() {
    let coarse = Design {
        zone_sd: [0.2, 0.2],
        reading_sd: 0.0,
        step_gu: 1.0,
        phase_gu: 0.25,
        limits_gu: [3.0, 3.0],
        ..PLAIN
    };
    let [holds, _, _] = count(&coarse, 20.5);
    between("holds", holds, 95.0, 100.0);
    let [_, _, false_verdicts] = count(&coarse, 0.0);
    between("false verdicts", false_verdicts, 0.0, 5.0);
}

/// All control zones first, then all treated ones, and between them the gain steps by less than the drift limit.
#[test]
fn a_step_of_the_gain_within_the_drift_limit_makes_no_difference_out_of_nothing() {
    let stepping =
        Design { zone_sd: [0.05, 0.05], order: Order::Listed, course: Course::Step(0.25), ..PLAIN };
    let [_, _, false_verdicts] = count(&stepping, 0.0);
    between("false verdicts", false_verdicts, 0.0, 7.5);
}

/// The tile's error is drawn for every bench; a difference of 30 GU shows it, and zones that scatter little do not hide it.
#[test]
fn the_expanded_uncertainty_holds_the_truth_on_the_true_scale() {
    let bench = Design { zone_sd: [0.05, 0.05], tile_u_gu: 0.92, ..PLAIN };
    let [holds, whole, _] = count(&bench, 30.0);
    between("without what both sides share", holds, 0.0, 80.0);
    between("the whole", whole, 92.5, 98.0);
}
