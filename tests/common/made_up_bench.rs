//! A bench whose truth is known: zones with true gloss, a meter whose gain moves, a tile that may be wrong.
//! It reads tile and zones as a run does, and makes the evidence of a comparison from nothing but what
//! was read. Small code of its own: it takes no rule from the library but the shape of the evidence.

#![allow(dead_code, reason = "shared by a bench and tests, each using a part")]

use halfpanel::difference::evidence::CheckMean;
use halfpanel::difference::evidence::Evidence;
use halfpanel::difference::evidence::MeterFacts;
use halfpanel::difference::evidence::Point;
use halfpanel::difference::evidence::Sitting;
use halfpanel::difference::evidence::TileFacts;
use halfpanel::run::setup::DriftPolicy;
use halfpanel::stats::precision::Scatter;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// Assigned value of the tile, GU.
pub const ASSIGNED_GU: f64 = 92.4;
/// Gloss of the control zones, GU.
pub const CONTROL_GU: f64 = 71.0;

/// In which order zones are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// All control zones, then all treated ones.
    Listed,
    /// C T C T.
    Alternate,
    /// C T T C C T T C.
    Mirror,
}

/// How the meter's gain moves between the first check and the last, up or down by chance, GU at the tile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Course {
    Level,
    Straight(f64),
    /// All of it at once, halfway.
    Step(f64),
    /// All of it at once, at a moment that is drawn for every sitting.
    AnyStep(f64),
    /// Fast at first: a meter that warms up, with this share of the time as time constant.
    Settling(f64, f64),
}

/// What a study plans and what its bench is like. Sizes in GU.
#[derive(Clone, Copy, Debug)]
pub struct Design {
    pub control: usize,
    pub treated: usize,
    /// Scatter of the zones of a side about its mean, control and treated; with a baseline, of their changes.
    pub zone_sd: [f64; 2],
    /// Scatter of one placement.
    pub reading_sd: f64,
    pub states_repeatability: bool,
    pub step_gu: f64,
    /// Adds to the control's gloss: where between two steps of the display it lies.
    pub phase_gu: f64,
    pub repeats: usize,
    pub order: Order,
    pub uneven: bool,
    pub course: Course,
    pub policy: DriftPolicy,
    pub paired: bool,
    pub interim: bool,
    /// Expanded uncertainty of the tile's value, k = 2; its error is drawn anew for every bench.
    pub tile_u_gu: f64,
    /// The meter is set this far off its tile, at most; drawn anew for every bench.
    pub off_tile_gu: f64,
    /// True difference for the coverage.
    pub truth_gu: f64,
    /// Spread and drift that a check may have, GU.
    pub limits_gu: [f64; 2],
}

/// Five zones a side that scatter by 0.3 GU, one reading each, a display of 0.01 GU, a level meter.
pub const PLAIN: Design = Design {
    control: 5,
    treated: 5,
    zone_sd: [0.3, 0.3],
    reading_sd: 0.05,
    states_repeatability: false,
    step_gu: 0.01,
    phase_gu: 0.0,
    repeats: 1,
    order: Order::Mirror,
    uneven: false,
    course: Course::Level,
    policy: DriftPolicy::Allow,
    paired: false,
    interim: false,
    tile_u_gu: 0.0,
    off_tile_gu: 0.0,
    truth_gu: 2.0,
    limits_gu: [0.5, 0.3],
};

/// One reading of a zone.
#[derive(Clone, Copy, Debug)]
pub struct Reading {
    /// Control zones first, then treated ones.
    pub zone: usize,
    pub at_s: f64,
    pub gu: f64,
    /// The check before it.
    pub after_check: usize,
}

/// What was read at one go.
#[derive(Clone, Debug, Default)]
pub struct Log {
    /// Mean time and readings of each tile check; the readings come 1 s apart around it.
    pub checks: Vec<(f64, [f64; 3])>,
    pub readings: Vec<Reading>,
}

/// One bench with its runs.
#[derive(Clone, Debug)]
pub struct Made {
    pub after: Log,
    pub before: Option<Log>,
    /// Benches thrown away before this one because a check failed; their runs give no result.
    pub failed: u32,
}

fn normal(chance: &mut ChaCha8Rng) -> f64 {
    chance.sample(StandardNormal)
}

/// −1 or 1.
fn sign(chance: &mut ChaCha8Rng) -> f64 {
    if chance.random::<bool>() { 1.0 } else { -1.0 }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

impl Course {
    /// At this share of the time, GU at the tile; `moment` is drawn once for the sitting.
    fn at(self, share: f64, moment: f64) -> f64 {
        match self {
            Course::Level => 0.0,
            Course::Straight(gu) => gu * share,
            Course::Step(gu) => gu * f64::from(u8::from(share >= 0.5)),
            Course::AnyStep(gu) => gu * f64::from(u8::from(share >= moment)),
            Course::Settling(gu, tau) => gu * (1.0 - (-share / tau).exp()) / (1.0 - (-1.0 / tau).exp()),
        }
    }
}

impl Design {
    /// Reads one bench whose treatment makes a difference of `truth_gu`, as often as it takes until
    /// all its checks hold.
    pub fn make(&self, truth_gu: f64, chance: &mut ChaCha8Rng) -> Made {
        let mut failed = 0;
        loop {
            if let Some((after, before)) = self.attempt(truth_gu, chance) {
                return Made { after, before, failed };
            }
            failed += 1;
            assert!(failed < 10_000, "hardly a check holds: {self:?}");
        }
    }

    fn attempt(&self, truth_gu: f64, chance: &mut ChaCha8Rng) -> Option<(Log, Option<Log>)> {
        let tile_gu = ASSIGNED_GU + 0.5 * self.tile_u_gu * normal(chance);
        let off = self.off_tile_gu * (2.0 * chance.random::<f64>() - 1.0);
        // From true gloss to what a perfect meter shows that was set on this tile.
        let scale = (ASSIGNED_GU + off) / tile_gu;
        let bare: Vec<f64> = (0..self.control + self.treated)
            .map(|_| CONTROL_GU + self.phase_gu + if self.paired { 2.0 * normal(chance) } else { 0.0 })
            .collect();
        let before = match self.paired {
            true => Some(self.sit(&bare, scale, tile_gu, chance)?),
            false => None,
        };
        let now: Vec<f64> = (0..)
            .zip(&bare)
            .map(|(zone, bare)| {
                let side = usize::from(zone >= self.control);
                bare + self.zone_sd[side] * normal(chance) + if side == 1 { truth_gu } else { 0.0 }
            })
            .collect();
        Some((self.sit(&now, scale, tile_gu, chance)?, before))
    }

    /// Zones in the order in which they are read.
    fn order(&self) -> Vec<usize> {
        let (control, treated) = (self.control, self.treated);
        if self.order == Order::Listed {
            return (0..control + treated).collect();
        }
        (0..control.max(treated))
            .flat_map(|round| {
                let mut pair = vec![];
                if round < control {
                    pair.push(round);
                }
                if round < treated {
                    pair.push(control + round);
                }
                if self.order == Order::Mirror && round % 2 == 1 {
                    pair.reverse();
                }
                pair
            })
            .collect()
    }

    /// One sitting; `None` if a check fails.
    fn sit(&self, zones: &[f64], scale: f64, tile_gu: f64, chance: &mut ChaCha8Rng) -> Option<Log> {
        let order = self.order();
        let halfway = order.len() / 2;
        // Whole seconds, planned beforehand, so that the course knows when the sitting ends.
        let mut at_s = 30.0;
        let mut times = Vec::new();
        let mut interim_s = None;
        for place in 0..order.len() {
            if self.interim && place == halfway {
                interim_s = Some(at_s + 20.0);
                at_s += 60.0;
            }
            for _ in 0..self.repeats {
                times.push(at_s);
                at_s += if self.uneven {
                    (3.0 - 20.0 * chance.random::<f64>().max(1e-3).ln()).round()
                } else {
                    10.0
                };
            }
        }
        let end_s = at_s + 20.0;
        let (up, moment) = (sign(chance), chance.random::<f64>());
        let mut show = |truth: f64, at_s: f64| {
            let gain = 1.0 + up * self.course.at(at_s.clamp(0.0, end_s) / end_s, moment) / ASSIGNED_GU;
            let seen = truth * scale * gain + self.reading_sd * normal(chance);
            (seen / self.step_gu).round() * self.step_gu
        };
        let mut log = Log::default();
        for at in [Some(0.0), interim_s, Some(end_s)].into_iter().flatten() {
            log.checks.push((at, [-1.0, 0.0, 1.0].map(|s| show(tile_gu, at + s))));
        }
        if !self.holds(&log) {
            return None;
        }
        let mut times = times.into_iter();
        for zone in order {
            for at_s in times.by_ref().take(self.repeats) {
                let after_check = usize::from(interim_s.is_some_and(|interim| at_s > interim));
                log.readings.push(Reading { zone, at_s, gu: show(zones[zone], at_s), after_check });
            }
        }
        Some(log)
    }

    fn holds(&self, log: &Log) -> bool {
        let [spread, drift] = self.limits_gu.map(|limit| limit + 1e-9);
        let means: Vec<f64> = log.checks.iter().map(|(_, check)| mean(check)).collect();
        let spread_of = |check: &[f64; 3]| {
            check.iter().copied().fold(f64::MIN, f64::max) - check.iter().copied().fold(f64::MAX, f64::min)
        };
        log.checks.iter().all(|(_, check)| spread_of(check) <= spread)
            && means.iter().all(|mean| (mean - ASSIGNED_GU).abs() <= 1.0 + 1e-9)
            && means.windows(2).all(|pair| (pair[1] - pair[0]).abs() <= drift)
    }

    /// The evidence that the logs give.
    #[must_use]
    pub fn evidence(&self, made: &Made) -> Evidence {
        Evidence {
            after: self.sitting(&made.after),
            before: made.before.as_ref().map(|log| self.sitting(log)),
            meter: MeterFacts {
                step_gu: self.step_gu,
                repeatability_gu: self.stated_repeatability(),
                bow_gu: None,
            },
            tile: TileFacts { assigned_gu: ASSIGNED_GU, expanded_uncertainty_gu: Some(self.tile_u_gu) },
            policy: self.policy,
        }
    }

    #[must_use]
    pub fn stated_repeatability(&self) -> Option<f64> {
        self.states_repeatability.then_some(self.reading_sd)
    }

    fn sitting(&self, log: &Log) -> Sitting {
        let means: Vec<f64> = log.checks.iter().map(|(_, check)| mean(check)).collect();
        let points: Vec<Point> =
            (0..self.control + self.treated).map(|zone| point(log, &means, zone)).collect();
        let squares = |(check, mean): (&(f64, [f64; 3]), &f64)| -> f64 {
            check.1.iter().map(|gu| (gu - mean).powi(2)).sum()
        };
        let degrees_of_freedom = 2.0 * means.len() as f64;
        let variance = log.checks.iter().zip(&means).map(squares).sum::<f64>() / degrees_of_freedom;
        Sitting {
            checks: means.iter().map(|&mean_gu| CheckMean { mean_gu, n: 3.0 }).collect(),
            check_scatter: Some(Scatter { sd: variance.sqrt(), degrees_of_freedom }),
            repeats: self.repeats as f64,
            control: points[..self.control].to_vec(),
            treated: points[self.control..].to_vec(),
        }
    }
}

fn point(log: &Log, means: &[f64], zone: usize) -> Point {
    let readings: Vec<&Reading> = log.readings.iter().filter(|reading| reading.zone == zone).collect();
    let each = 1.0 / readings.len() as f64;
    let mut shares = vec![0.0; means.len()];
    let (mut raw_gu, mut corrected_gu) = (0.0, 0.0);
    for reading in readings {
        let before = reading.after_check;
        let (from, to) = (log.checks[before].0, log.checks[before + 1].0);
        let share = (reading.at_s - from) / (to - from);
        shares[before] += (1.0 - share) * each;
        shares[before + 1] += share * each;
        raw_gu += reading.gu * each;
        let tile = means[before] + share * (means[before + 1] - means[before]);
        corrected_gu += reading.gu * ASSIGNED_GU / tile * each;
    }
    Point { raw_gu, corrected_gu: Some(corrected_gu), shares }
}
