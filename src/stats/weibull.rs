//! The Weibull distribution of lives, by maximum likelihood, ends known exactly, between looks, or not yet come.
//!
//! Sources: e-Handbook of Statistical Methods (NIST/SEMATECH), 8.4.1.3 and 8.1.6.2; Meeker and Escobar, Statistical
//! Methods for Reliability Data (1998), chapters 7 and 8 (likelihood of censored data, intervals by the profile
//! likelihood and by Wald on the log scale; from memory). The likelihood is taken in shape and shape × log scale,
//! where it is concave (Burridge, Journal of the Royal Statistical Society B 43 (1981), 41–45; from memory), so that
//! Newton's method with halved steps finds the maximum from anywhere, and so does it along each line on which the
//! shape, the scale or the median is held. Checked against the e-Handbook in `tests/published_survival.rs`.
//!
//! With few failures the shape comes out too steep on average, and the profile intervals cover a little less than stated.

use crate::stats::censored::Span;
use crate::stats::censored::WhyNoLives;
use crate::stats::censored::check;
use crate::stats::chi_square::chi_square_quantile;
use crate::stats::student::t_quantile;
use crate::stats::summary::finite;
use crate::stats::welch::CONFIDENCE;

const MOST_STEPS: u32 = 200;
/// Beyond so many times the estimate, or below its part, an end of an interval is none that a bench can use.
const FARTHEST: f64 = 13.8;

/// A fitted distribution: S(t) = exp(−(t / scale)^shape).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weibull {
    /// 1 for a constant rate of failure, above it for wear.
    pub shape: Fitted,
    /// When 63 % have ended, in the unit of the lives.
    pub scale: Fitted,
    /// When half have ended, in the unit of the lives.
    pub median: Fitted,
    /// Log likelihood at its maximum.
    pub log_likelihood: f64,
}

/// A figure of the distribution.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fitted {
    /// The estimate, above 0.
    pub value: f64,
    /// Standard error of its logarithm, from the observed information.
    pub log_error: f64,
    /// Ends of the interval by the profile likelihood, at [`CONFIDENCE`]; one is absent where the data set no such end.
    pub profile: [Option<f64>; 2],
    /// Ends of the interval by Wald on the log scale: simpler, and farther off with few failures.
    pub wald: [f64; 2],
}

/// Why there is no fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WhyNoWeibull {
    /// The lives themselves.
    #[error(transparent)]
    Lives(#[from] WhyNoLives),
    /// Nothing has failed.
    #[error("nothing has failed yet, so that no life can be estimated; go on")]
    NoFailure,
    /// All failed before they were first seen working.
    #[error("all had failed at their first look, so that nothing says how long they worked; look earlier")]
    NoSurvivor,
    /// One moment lies in all intervals.
    #[error("all lives may have ended at one moment, so that their scatter cannot be told; look more often")]
    OneMoment,
    /// The likelihood rises towards a shape of 0.
    #[error("the lives scatter so widely that no Weibull distribution fits them best; see the curve instead")]
    NoShape,
    /// A life that ended at time 0.
    #[error(
        "a life ended at 0 exactly, which no Weibull distribution allows; give the interval in which it ended"
    )]
    AtZero,
    /// A figure is beyond computing.
    #[error("the distribution could not be computed; check the lives for a wrong one")]
    OutOfRange,
}

impl Weibull {
    /// Part that lives on after `time` (0 or more), by the fit.
    #[must_use]
    pub fn survival_at(&self, time: f64) -> f64 {
        (-(time / self.scale.value).powf(self.shape.value)).exp()
    }
}

/// Fits the distribution.
///
/// # Errors
/// [`WhyNoWeibull`].
pub fn weibull(lives: &[Span]) -> Result<Weibull, WhyNoWeibull> {
    check(lives)?;
    exists(lives)?;
    let data = Data::new(lives);
    let best = data.maximise([1.0, 0.0], None).ok_or(WhyNoWeibull::OutOfRange)?;
    if best[0] < 1e-6 {
        return Err(WhyNoWeibull::NoShape);
    }
    data.told(best).ok_or(WhyNoWeibull::OutOfRange)
}

/// Whether the likelihood has a maximum at all: it has none where a distribution without scatter, or one that never
/// or at once lets all fail, gives every life the chance 1.
fn exists(lives: &[Span]) -> Result<(), WhyNoWeibull> {
    if lives.iter().any(|life| life.upper() == Some(0.0)) {
        return Err(WhyNoWeibull::AtZero);
    }
    if lives.iter().all(|life| life.upper().is_none()) {
        return Err(WhyNoWeibull::NoFailure);
    }
    if lives.iter().all(|life| life.lower() <= 0.0) {
        return Err(WhyNoWeibull::NoSurvivor);
    }
    let last_lower = lives.iter().map(|life| life.lower()).fold(0.0, f64::max);
    let first_upper = lives.iter().filter_map(|life| life.upper()).fold(f64::INFINITY, f64::min);
    if last_lower <= first_upper { Err(WhyNoWeibull::OneMoment) } else { Ok(()) }
}

/// Logarithms of the ends, about their middle; −∞ stands for 0.
struct Data {
    lives: Vec<[Option<f64>; 2]>,
    exact: Vec<f64>,
    centre: f64,
}

/// Value, gradient and the three second derivatives of a function of two parameters.
#[derive(Clone, Copy, Default)]
struct Local {
    value: f64,
    first: [f64; 2],
    /// By shape twice, by both, by the other twice.
    second: [f64; 3],
}

impl Local {
    /// Adds terms in z = shape · y − other at one or two places: derivatives by z, and between the two.
    fn add(&mut self, y: f64, first: f64, second: f64) {
        self.first[0] += first * y;
        self.first[1] -= first;
        self.second[0] += second * y * y;
        self.second[1] -= second * y;
        self.second[2] += second;
    }

    fn add_between(&mut self, lower: f64, upper: f64, mixed: f64) {
        self.second[0] += 2.0 * mixed * lower * upper;
        self.second[1] -= mixed * (lower + upper);
        self.second[2] += 2.0 * mixed;
    }
}

/// A line in the plane of the parameters, on which the likelihood is taken.
#[derive(Clone, Copy)]
enum Held {
    Shape,
    /// The logarithm, about the centre, of the time by which −log S comes to exp(`at`).
    Time {
        log: f64,
        at: f64,
    },
}

impl Data {
    fn new(lives: &[Span]) -> Data {
        let logs: Vec<f64> = lives
            .iter()
            .flat_map(|life| [Some(life.lower()), life.upper()])
            .flatten()
            .filter(|t| *t > 0.0)
            .map(f64::ln)
            .collect();
        let centre = logs.iter().sum::<f64>() / crate::stats::summary::count(&logs);
        let log = |time: f64| (time > 0.0).then(|| time.ln() - centre);
        let exact = |life: &Span| matches!(life, Span::At(_)).then(|| log(life.lower())).flatten();
        let of = |life: &Span| {
            (!matches!(life, Span::At(_))).then(|| [log(life.lower()), life.upper().and_then(log)])
        };
        Data {
            lives: lives.iter().filter_map(of).collect(),
            exact: lives.iter().filter_map(exact).collect(),
            centre,
        }
    }

    /// The log likelihood at shape and shape × log scale.
    fn at(&self, [shape, other]: [f64; 2]) -> Local {
        let mut found = Local::default();
        for y in &self.exact {
            let z = shape * y - other;
            found.value += shape.ln() - (y + self.centre) + z - z.exp();
            found.add(*y, 1.0 - z.exp(), -z.exp());
            found.first[0] += 1.0 / shape;
            found.second[0] -= 1.0 / (shape * shape);
        }
        for [lower, upper] in &self.lives {
            let hazard = |y: &Option<f64>| y.map_or(0.0, |y| (shape * y - other).exp());
            let (from, to) = (hazard(lower), hazard(upper));
            let Some(upper) = upper else {
                found.value -= from;
                lower.iter().for_each(|y| found.add(*y, -from, -from));
                continue;
            };
            // log(e^−from − e^−to)
            let apart = to - from;
            found.value += -from + (-(-apart).exp_m1()).ln();
            let share = 1.0 / apart.exp_m1();
            let bend = if share.is_finite() { share * (1.0 + share) } else { f64::INFINITY };
            found.add(*upper, share * to, share * to - bend * to * to);
            if let Some(lower) = lower {
                found.add(*lower, -(1.0 + share) * from, -(1.0 + share) * from - bend * from * from);
                found.add_between(*lower, *upper, bend * from * to);
            }
        }
        found
    }

    /// The place of the maximum, on the whole plane or along a line, by Newton's method with halved steps.
    fn maximise(&self, start: [f64; 2], held: Option<Held>) -> Option<[f64; 2]> {
        let mut place = start;
        let mut here = self.at(place);
        for _ in 0..MOST_STEPS {
            let step = newton(&here, held)?;
            let gain = step[0] * here.first[0] + step[1] * here.first[1];
            if !gain.is_finite() {
                return None;
            }
            if gain < 1e-22 * (1.0 + here.value.abs()) {
                return Some(place);
            }
            let mut part = if place[0] + step[0] > 0.0 { 1.0 } else { -0.9 * place[0] / step[0] };
            loop {
                let next = [place[0] + part * step[0], place[1] + part * step[1]];
                let there = self.at(next);
                // Rounding hides a rise below the last bit of the value.
                if there.value >= here.value + 1e-4 * part * gain - 1e-14 * here.value.abs() {
                    (place, here) = (next, there);
                    break;
                }
                part *= 0.5;
                if part < 1e-12 {
                    return Some(place);
                }
            }
            if place[0] < 1e-7 {
                return Some(place);
            }
        }
        Some(place)
    }

    fn told(&self, best: [f64; 2]) -> Option<Weibull> {
        let here = self.at(best);
        let [a, b, d] = here.second.map(|second| -second);
        let size = finite(a * d - b * b).filter(|size| *size > 0.0)?;
        let covariance = [d / size, -b / size, a / size];
        let half = f64::ln(std::f64::consts::LN_2);
        let [shape, other] = best;
        let error = |by: [f64; 2]| {
            let [aa, ab, bb] = covariance;
            finite((by[0] * by[0] * aa + 2.0 * by[0] * by[1] * ab + by[1] * by[1] * bb).sqrt())
        };
        let z = t_quantile(0.5 + 0.5 * CONFIDENCE, 1e20)?;
        let drop = here.value - 0.5 * chi_square_quantile(CONFIDENCE, 1.0)?;
        // log of the time at which −log S is exp(at): (other + at) / shape.
        let time = |at: f64| -> Option<Fitted> {
            let log = (other + at) / shape;
            let log_error = error([-log / shape, 1.0 / shape])?;
            let held = |log: f64| Held::Time { log, at };
            self.fitted(log, log_error, z, self.centre, |moved| self.profile(best, held(moved)), drop)
        };
        let shape_error = error([1.0 / shape, 0.0])?;
        let of_shape = |moved: f64| self.profile([moved.exp(), other * moved.exp() / shape], Held::Shape);
        Some(Weibull {
            shape: self.fitted(shape.ln(), shape_error, z, 0.0, of_shape, drop)?,
            scale: time(0.0)?,
            median: time(half)?,
            log_likelihood: finite(here.value)?,
        })
    }

    /// The highest likelihood with one figure held.
    fn profile(&self, near: [f64; 2], held: Held) -> Option<f64> {
        let start = match held {
            Held::Shape => near,
            Held::Time { log, at } => [near[0], near[0] * log - at],
        };
        finite(self.at(self.maximise(start, Some(held))?).value)
    }

    fn fitted(
        &self,
        log: f64,
        log_error: f64,
        z: f64,
        centre: f64,
        profile: impl Fn(f64) -> Option<f64>,
        drop: f64,
    ) -> Option<Fitted> {
        let end = |side: f64| crossing(&profile, log, side * log_error, drop).map(|log| (log + centre).exp());
        Some(Fitted {
            value: finite((log + centre).exp())?,
            log_error,
            profile: [end(-1.0).and_then(finite), end(1.0).and_then(finite)],
            wald: [
                finite((log + centre - z * log_error).exp())?,
                finite((log + centre + z * log_error).exp())?,
            ],
        })
    }
}

/// Newton's step, on the plane or along a line.
fn newton(here: &Local, held: Option<Held>) -> Option<[f64; 2]> {
    let [aa, ab, bb] = here.second;
    let [a, b] = here.first;
    let along = match held {
        None => {
            let size = aa * bb - ab * ab;
            let step = [(ab * b - bb * a) / size, (ab * a - aa * b) / size];
            let rises = step[0] * a + step[1] * b >= 0.0;
            // Where curvature is lost to rounding, straight uphill will do.
            return (step[0].is_finite() && step[1].is_finite() && rises).then_some(step).or(Some([a, b]));
        }
        Some(Held::Shape) => [0.0, 1.0],
        Some(Held::Time { log, .. }) => [1.0, log],
    };
    let slope = along[0] * a + along[1] * b;
    let bend = along[0] * along[0] * aa + 2.0 * along[0] * along[1] * ab + along[1] * along[1] * bb;
    let step = if bend < 0.0 { finite(-slope / bend)? } else { slope };
    Some([step * along[0], step * along[1]])
}

/// Where the profile has come down to `drop` on one side: farther and farther out, then halving.
fn crossing(profile: impl Fn(f64) -> Option<f64>, from: f64, first_step: f64, drop: f64) -> Option<f64> {
    let (mut inside, mut step) = (from, first_step);
    let mut outside = loop {
        let next = inside + step;
        if (next - from).abs() > FARTHEST {
            return None;
        }
        if profile(next)? < drop {
            break next;
        }
        (inside, step) = (next, 1.5 * step);
    };
    for _ in 0..60 {
        let middle = inside.midpoint(outside);
        *(if profile(middle)? < drop { &mut outside } else { &mut inside }) = middle;
        if (outside - inside).abs() < 1e-11 {
            break;
        }
    }
    Some(inside.midpoint(outside))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn between(after: f64, until: f64) -> Span {
        Span::Between { after, until }
    }

    #[test]
    fn what_has_no_maximum_says_why() {
        let cases = [
            (vec![Span::Beyond(5.0), Span::Beyond(9.0)], WhyNoWeibull::NoFailure),
            (vec![between(0.0, 5.0), between(0.0, 9.0)], WhyNoWeibull::NoSurvivor),
            (vec![between(4.0, 8.0), between(6.0, 10.0), Span::Beyond(6.0)], WhyNoWeibull::OneMoment),
            (vec![Span::At(5.0), Span::At(5.0)], WhyNoWeibull::OneMoment),
            (vec![Span::At(0.0), Span::At(5.0)], WhyNoWeibull::AtZero),
            // Some go at once, the others never: flat in between.
            (
                vec![between(0.0, 1.0), between(0.0, 1.0), Span::Beyond(1e9), Span::Beyond(1.0)],
                WhyNoWeibull::NoShape,
            ),
            (vec![], WhyNoWeibull::Lives(WhyNoLives::None)),
        ];
        for (lives, why) in cases {
            assert_eq!(weibull(&lives), Err(why), "{lives:?}");
        }
    }

    #[test]
    fn the_unit_of_the_lives_changes_the_times_and_not_the_shape() {
        let of = |unit: f64| {
            weibull(&[
                between(2.0 * unit, 4.0 * unit),
                between(6.0 * unit, 8.0 * unit),
                Span::Beyond(9.0 * unit),
            ])
            .unwrap()
        };
        let (one, other) = (of(1.0), of(24.0));
        assert!((one.shape.value / other.shape.value - 1.0).abs() < 1e-9);
        assert!((24.0 * one.median.value / other.median.value - 1.0).abs() < 1e-9);
    }

    #[test]
    fn narrow_looks_give_what_exact_ends_give() {
        let times = [3.0, 5.0, 8.0, 13.0, 21.0];
        let exact = weibull(&times.map(Span::At)).unwrap();
        let looks = weibull(&times.map(|time| between(time - 1e-4, time + 1e-4))).unwrap();
        for (one, other) in
            [(exact.shape, looks.shape), (exact.scale, looks.scale), (exact.median, looks.median)]
        {
            assert!((one.value / other.value - 1.0).abs() < 1e-6, "{one:?} {other:?}");
            assert!((one.profile[0].unwrap() / other.profile[0].unwrap() - 1.0).abs() < 1e-5);
        }
    }
}
