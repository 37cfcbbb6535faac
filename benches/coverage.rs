//! How often what is said of a difference is true: intervals, verdicts, detectable differences and
//! equivalence, each counted over many simulated benches whose truth is known.
//! `cargo bench --bench coverage -- [RUNS] [PART OF A NAME]`.

#![allow(clippy::unwrap_used, reason = "a bench")]

#[path = "../tests/common/made_up_bench.rs"]
mod made_up_bench;

use halfpanel::difference::doubt::suspects;
use halfpanel::difference::evidence::Evidence;
use halfpanel::difference::evidence::Point;
use halfpanel::difference::evidence::Side;
use halfpanel::difference::panels::PanelResult;
use halfpanel::difference::panels::together;
use halfpanel::difference::verdict::Verdict;
use halfpanel::difference::verdict::is_equivalent;
use halfpanel::difference::verdict::size_known;
use halfpanel::difference::weighing::Known;
use halfpanel::difference::weighing::weigh;
use halfpanel::run::setup::DriftPolicy;
use halfpanel::stats::budget::Component;
use halfpanel::stats::budget::Stated;
use halfpanel::stats::budget::budget;
use halfpanel::stats::outliers::Floor;
use halfpanel::stats::power::detectable;
use made_up_bench::Course;
use made_up_bench::Design;
use made_up_bench::Made;
use made_up_bench::Order;
use made_up_bench::PLAIN;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::collections::BTreeMap;
use std::sync::atomic::AtomicU64;
use std::sync::atomic::Ordering;

const SEED: u64 = 20;
const RUNS: u64 = 100_000;
/// Runs that draw from one stream of the generator.
const CHUNK: u64 = 500;
/// From the pilot the true budget of a design is taken: the mean of each component's variance.
const PILOT: u64 = 4_000;

/// What was counted.
#[derive(Clone, Copy, Debug, Default)]
struct Tally {
    runs: u64,
    failed: u64,
    interval: u64,
    whole: u64,
    verdicts: u64,
    higher: u64,
    equivalent: u64,
    doubtful: u64,
    half_width: f64,
}

impl Tally {
    fn add(&mut self, other: &Tally) {
        self.runs += other.runs;
        self.failed += other.failed;
        self.interval += other.interval;
        self.whole += other.whole;
        self.verdicts += other.verdicts;
        self.higher += other.higher;
        self.equivalent += other.equivalent;
        self.doubtful += other.doubtful;
        self.half_width += other.half_width;
    }
}

/// A share of runs in percent, with its standard error √(p(1 − p)/n).
fn percent(count: u64, runs: u64) -> String {
    let p = count as f64 / runs as f64;
    format!("{:.2} ± {:.2}", 100.0 * p, 100.0 * (p * (1.0 - p) / runs as f64).sqrt())
}

/// Runs `one` so many times, by chunks with a stream each, so that the number of threads changes nothing.
fn count(seed: u64, runs: u64, one: impl Fn(&mut ChaCha8Rng, &mut Tally) + Sync) -> Tally {
    let next = AtomicU64::new(0);
    let worker = || {
        let mut tally = Tally::default();
        loop {
            let chunk = next.fetch_add(1, Ordering::Relaxed);
            if chunk * CHUNK >= runs {
                return tally;
            }
            let mut chance = ChaCha8Rng::seed_from_u64(seed);
            chance.set_stream(chunk);
            for _ in 0..CHUNK.min(runs - chunk * CHUNK) {
                one(&mut chance, &mut tally);
                tally.runs += 1;
            }
        }
    };
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(worker)).collect();
        let mut all = Tally::default();
        workers.into_iter().for_each(|worker| all.add(&worker.join().unwrap()));
        all
    })
}

/// Judges one run against the truth.
fn judge(evidence: &Evidence, truth_gu: f64, margin_gu: f64, tally: &mut Tally) {
    let weighed = weigh(evidence);
    let known = (weighed.chance.unwrap(), weighed.whole.unwrap());
    score(weighed.difference_gu.unwrap(), known, (truth_gu, margin_gu), tally);
}

/// Holds what is said of one difference against the truth.
fn score(
    difference: f64,
    (chance, whole): (Known, Known),
    (truth_gu, margin_gu): (f64, f64),
    tally: &mut Tally,
) {
    let off = (difference - truth_gu).abs();
    tally.interval += u64::from(off <= chance.expanded_gu);
    tally.whole += u64::from(off <= whole.expanded_gu);
    tally.half_width += chance.expanded_gu;
    let verdict = Verdict::of(difference, Some(&chance));
    tally.verdicts += u64::from(matches!(verdict, Verdict::Higher | Verdict::Lower));
    tally.higher += u64::from(verdict == Verdict::Higher);
    if margin_gu > 0.0 {
        let sized = size_known(chance, Some(whole));
        tally.equivalent += u64::from(is_equivalent(difference, &sized, margin_gu).unwrap());
    }
}

/// Whether the program would name something doubtful: a zone of a side, or a repeat of a zone.
fn is_doubted(design: &Design, made: &Made, evidence: &Evidence) -> bool {
    let floor = Floor { repeatability: design.stated_repeatability(), step: Some(design.step_gu) };
    let sides = [Side::Control, Side::Treated].map(|side| evidence.values(side, evidence.policy));
    let repeats = (0..design.control + design.treated).map(|zone| {
        made.after.readings.iter().filter(|r| r.zone == zone).map(|r| r.gu).collect::<Vec<f64>>()
    });
    sides.into_iter().chain(repeats).any(|values| !suspects(&values, floor).is_empty())
}

/// The detectable difference of a design, GU, by its true budget. Of the parts only the variances are
/// taken from a pilot, whose mean is without bias; how they add up is the budget's.
fn detectable_of(design: &Design, seed: u64) -> f64 {
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    let mut parts: BTreeMap<String, (f64, Option<f64>)> = BTreeMap::new();
    for _ in 0..PILOT {
        let made = design.make(0.0, &mut chance);
        for part in weigh(&design.evidence(&made)).parts.iter().filter(|part| !part.common) {
            let entry = parts.entry(part.component.name.clone()).or_insert((0.0, None));
            entry.0 += part.contribution_gu.powi(2) / PILOT as f64;
            entry.1 = part.component.degrees_of_freedom;
        }
    }
    let components: Vec<Component> = parts
        .into_iter()
        .map(|(name, (variance, degrees_of_freedom))| Component {
            name,
            value: variance.sqrt(),
            stated: Stated::Standard,
            sensitivity: 1.0,
            degrees_of_freedom,
        })
        .collect();
    let added = budget(&components).unwrap();
    detectable(added.combined, added.degrees_of_freedom.unwrap_or(1e9)).unwrap()
}

struct Shares {
    truth: Tally,
    nothing: Tally,
    power: Tally,
    margin: Tally,
}

fn simulate(design: &Design, seed: u64, runs: u64) -> Shares {
    let detectable_gu = detectable_of(design, seed);
    let margin_gu = 1.5 * detectable_gu;
    let at = |offset: u64, truth_gu: f64, margin_gu: f64, doubt: bool| {
        count(seed + offset, runs, |chance, tally| {
            let made = design.make(truth_gu, chance);
            let evidence = design.evidence(&made);
            tally.failed += u64::from(made.failed);
            judge(&evidence, truth_gu, margin_gu, tally);
            tally.doubtful += u64::from(doubt && is_doubted(design, &made, &evidence));
        })
    };
    Shares {
        truth: at(1, design.truth_gu, 0.0, true),
        nothing: at(2, 0.0, 0.0, false),
        power: at(3, detectable_gu, 0.0, false),
        margin: at(4, margin_gu, margin_gu, false),
    }
}

fn heading() {
    println!(
        "| design | interval holds | expanded holds | false verdict | found at detectable | equivalent on the margin | doubtful | half-width, GU | checks fail |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- |");
}

fn row(name: &str, shares: &Shares) {
    let Shares { truth, nothing, power, margin } = shares;
    println!(
        "| {name} | {} | {} | {} | {} | {} | {} | {:.3} | {:.1} |",
        percent(truth.interval, truth.runs),
        percent(truth.whole, truth.runs),
        percent(nothing.verdicts, nothing.runs),
        percent(power.higher, power.runs),
        percent(margin.equivalent, margin.runs),
        percent(truth.doubtful, truth.runs),
        truth.half_width / truth.runs as f64,
        100.0 * truth.failed as f64 / (truth.failed + truth.runs) as f64,
    );
}

const TIGHT: Design = Design { zone_sd: [0.05, 0.05], ..PLAIN };
const CORRECT: DriftPolicy = DriftPolicy::Correct;
const PAIRED: Design = Design { paired: true, ..PLAIN };

fn designs() -> Vec<(String, Design)> {
    let named = |design: Design, name: &str| (name.to_owned(), design);
    let mut all = vec![
        named(Design { control: 3, treated: 3, ..PLAIN }, "plain, 3 zones a side"),
        named(PLAIN, "plain, 5 a side"),
        named(Design { control: 10, treated: 10, ..PLAIN }, "plain, 10 a side"),
        named(Design { control: 3, treated: 3, zone_sd: [0.2, 0.6], ..PLAIN }, "3 a side, scatter 1:3"),
        named(Design { zone_sd: [0.2, 0.6], ..PLAIN }, "5 a side, scatter 1:3"),
        named(Design { control: 10, treated: 10, zone_sd: [0.2, 0.6], ..PLAIN }, "10 a side, scatter 1:3"),
        named(
            Design { control: 10, treated: 3, zone_sd: [0.2, 0.6], ..PLAIN },
            "10 against 3, the 3 scatter 3 times",
        ),
        named(
            Design { control: 3, treated: 10, zone_sd: [0.2, 0.6], ..PLAIN },
            "3 against 10, the 10 scatter 3 times",
        ),
        named(Design { control: 3, treated: 3, ..PAIRED }, "paired, 3 a side"),
        named(PAIRED, "paired, 5 a side"),
        named(
            Design { order: Order::Listed, course: Course::Straight(0.25), ..PAIRED },
            "paired, listed, straight drift 0.25, allow",
        ),
        named(
            Design { order: Order::Listed, course: Course::Straight(0.25), policy: CORRECT, ..PAIRED },
            "paired, listed, straight drift 0.25, correct",
        ),
    ];
    let drifts = [
        ("straight drift 0.25", Course::Straight(0.25)),
        ("step 0.25 in the middle", Course::Step(0.25)),
        ("step 0.25 at any moment", Course::AnyStep(0.25)),
        ("settling by 0.25", Course::Settling(0.25, 0.2)),
    ];
    let orders = [("listed", Order::Listed), ("mirror", Order::Mirror), ("alternate", Order::Alternate)];
    for (moves, course) in drifts {
        for (reads, order) in orders {
            for (scatter, zones) in [("", PLAIN), (", zones 0.05", TIGHT)] {
                // Where zones scatter by 0.3 GU the drift hardly shows; one order besides the listed one is enough.
                if scatter.is_empty() && order == Order::Alternate {
                    continue;
                }
                for (word, policy) in [("allow", DriftPolicy::Allow), ("correct", CORRECT)] {
                    let name = format!("{reads}, {moves}{scatter}, {word}");
                    all.push((name, Design { order, course, policy, ..zones }));
                }
            }
        }
    }
    all.extend([
        named(
            Design { zone_sd: [0.0; 2], reading_sd: 0.3, limits_gu: [3.0, 3.0], ..PLAIN },
            "repositioning alone 0.3, 1 repeat",
        ),
        named(
            Design { zone_sd: [0.2; 2], reading_sd: 0.2, limits_gu: [1.5, 1.0], ..PLAIN },
            "repositioning 0.2, zones 0.2, 1 repeat",
        ),
        named(
            Design { zone_sd: [0.2; 2], reading_sd: 0.2, repeats: 3, limits_gu: [1.5, 1.0], ..PLAIN },
            "repositioning 0.2, zones 0.2, 3 repeats",
        ),
        named(
            Design {
                zone_sd: [0.2; 2],
                reading_sd: 0.2,
                repeats: 3,
                states_repeatability: true,
                limits_gu: [1.5, 1.0],
                ..PLAIN
            },
            "the same, repeatability stated",
        ),
        named(Design { zone_sd: [1.5; 2], ..PLAIN }, "zone-to-zone spread 1.5"),
        named(
            Design { uneven: true, order: Order::Alternate, course: Course::Straight(0.25), ..TIGHT },
            "uneven times, alternate, straight drift 0.25, zones 0.05, allow",
        ),
        named(
            Design {
                uneven: true,
                order: Order::Alternate,
                course: Course::Straight(0.25),
                policy: CORRECT,
                ..TIGHT
            },
            "uneven times, alternate, straight drift 0.25, zones 0.05, correct",
        ),
        named(
            Design { interim: true, order: Order::Listed, course: Course::Straight(0.25), ..TIGHT },
            "interim check, listed, straight drift 0.25, zones 0.05, allow",
        ),
        named(
            Design {
                interim: true,
                order: Order::Listed,
                course: Course::Straight(0.25),
                policy: CORRECT,
                ..TIGHT
            },
            "interim check, listed, straight drift 0.25, zones 0.05, correct",
        ),
        named(Design { tile_u_gu: 0.92, truth_gu: 8.0, ..PLAIN }, "tile known to 0.92, difference 8"),
        named(
            Design { tile_u_gu: 0.92, truth_gu: 30.0, ..TIGHT },
            "tile known to 0.92, zones 0.05, difference 30",
        ),
        named(
            Design { off_tile_gu: 1.0, truth_gu: 8.0, ..TIGHT },
            "meter off its tile by up to 1, zones 0.05, difference 8, allow",
        ),
        named(
            Design { off_tile_gu: 1.0, truth_gu: 8.0, policy: CORRECT, ..TIGHT },
            "meter off its tile by up to 1, zones 0.05, difference 8, correct",
        ),
    ]);
    for steps in [0.2, 0.5, 1.0, 3.0] {
        let design = Design { truth_gu: 2.03, ..quantised(0.1, steps, 5, 0.2) };
        all.push((format!("display step 0.1, 5 a side, scatter {steps} steps"), design));
    }
    all
}

/// Zones whose values are rounded: by the scatter in steps and where between two steps each side lies.
fn quantised(step_gu: f64, steps: f64, zones: usize, phase: f64) -> Design {
    Design {
        control: zones,
        treated: zones,
        zone_sd: [steps * step_gu; 2],
        reading_sd: 0.0,
        step_gu,
        phase_gu: phase * step_gu,
        limits_gu: [3.0, 3.0],
        ..PLAIN
    }
}

/// The lowest coverage over a grid of scatters, from 0.2 to 3 steps, and of places between the steps, by short
/// simulations; then the worst of them at full length.
fn worst_quantised(step_gu: f64, zones: usize, runs: u64) {
    let mut worst = (2.0, 0.0, 0.0, 0.0);
    for steps in [0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 2.0, 3.0] {
        for phase in 0..10 {
            for apart in 0..10 {
                let (phase, apart) = (0.1 * f64::from(phase), 0.1 * f64::from(apart));
                let design = quantised(step_gu, steps, zones, phase);
                let truth = (20.0 + apart) * step_gu;
                let short = count(SEED + 77, (runs / 100).max(200), |chance, tally| {
                    judge(&design.evidence(&design.make(truth, chance)), truth, 0.0, tally);
                });
                let share = short.interval as f64 / short.runs as f64;
                if share < worst.0 {
                    worst = (share, steps, phase, apart);
                }
            }
        }
    }
    let (_, steps, phase, apart) = worst;
    let design = Design { truth_gu: (20.0 + apart) * step_gu, ..quantised(step_gu, steps, zones, phase) };
    let treated = (phase + apart).fract();
    let place = format!("control {phase:.1} and treated {treated:.1} steps above a step");
    row(
        &format!("display step {step_gu}, {zones} a side, the worst: scatter {steps} steps, {place}"),
        &simulate(&design, SEED * 1000 + 500, runs),
    );
}

/// Three panels whose treatment works differently on each, in two readings of the same data: the panel as
/// the unit, and all zones in one pot.
fn panels(name: &str, spread_of_effect: f64, spread_of_panels: f64, runs: u64) {
    const PANELS: usize = 3;
    let design = PLAIN;
    let variance = (spread_of_effect.powi(2) + 2.0 * (0.3_f64.powi(2) + 0.05_f64.powi(2)) / 5.0) / 3.0;
    let detectable_gu = detectable(variance.sqrt(), 2.0).unwrap();
    let unit = |truth: f64, margin: f64, offset: u64, pooled: bool| {
        count(SEED * 1000 + 900 + offset, runs, |chance, tally| {
            let mut results = Vec::new();
            let mut pot: Option<Evidence> = None;
            for _ in 0..PANELS {
                let base = spread_of_panels * gauss(chance);
                let effect = truth + spread_of_effect * gauss(chance);
                let design = Design { phase_gu: base, ..design };
                let mut evidence = design.evidence(&design.make(effect, chance));
                let weighed = weigh(&evidence);
                results.push(PanelResult {
                    difference_gu: weighed.difference_gu.unwrap(),
                    chance_gu: weighed.chance.unwrap().standard_uncertainty_gu,
                    common_gu: Some(0.0),
                });
                let bare = |points: &mut Vec<Point>| points.iter_mut().for_each(|p| p.shares.clear());
                bare(&mut evidence.after.control);
                bare(&mut evidence.after.treated);
                evidence.after.checks.clear();
                match &mut pot {
                    None => pot = Some(evidence),
                    Some(pot) => {
                        pot.after.control.append(&mut evidence.after.control);
                        pot.after.treated.append(&mut evidence.after.treated);
                    }
                }
            }
            if pooled {
                judge(&pot.unwrap(), truth, margin, tally);
                return;
            }
            let panels = together(&results).unwrap();
            let known = (panels.chance.unwrap(), panels.whole.unwrap());
            score(panels.difference_gu, known, (truth, margin), tally);
        })
    };
    for (pooled, what) in [(false, "the panel as unit"), (true, "all zones in one pot")] {
        let shares = Shares {
            truth: unit(2.0, 0.0, 1, pooled),
            nothing: unit(0.0, 0.0, 2, pooled),
            power: unit(detectable_gu, 0.0, 3, pooled),
            margin: unit(1.5 * detectable_gu, 1.5 * detectable_gu, 4, pooled),
        };
        row(&format!("{name}, {what}"), &shares);
    }
}

fn gauss(chance: &mut ChaCha8Rng) -> f64 {
    use rand::RngExt;
    chance.sample(rand_distr::StandardNormal)
}

fn main() {
    let mut runs = RUNS;
    let mut wanted = String::new();
    for argument in std::env::args().skip(1).filter(|argument| !argument.starts_with("--")) {
        match argument.parse() {
            Ok(number) => runs = number,
            Err(_) => wanted = argument,
        }
    }
    println!("seed {SEED}, {runs} runs a cell; percent ± standard error\n");
    heading();
    for (at, (name, design)) in (0..).zip(designs()) {
        if name.contains(&wanted) {
            row(&name, &simulate(&design, SEED * 1000 + 10 * at, runs));
        }
    }
    if "quantised".contains(&wanted) {
        for (step_gu, zones) in [(0.1, 3), (0.1, 5), (0.1, 10), (0.1, 30), (1.0, 5)] {
            worst_quantised(step_gu, zones, runs);
        }
    }
    if "panels".contains(&wanted) {
        panels("3 panels, effect spread 0.5", 0.5, 0.0, runs);
        panels("3 panels, the same effect", 0.0, 0.0, runs);
        panels("3 panels, effect spread 0.5, panels themselves 1.0", 0.5, 1.0, runs);
    }
}
