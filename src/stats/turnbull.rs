//! How many still live, where each end is known only to lie between two looks: the nonparametric maximum
//! likelihood estimate.
//!
//! Sources: Turnbull, Journal of the Royal Statistical Society B 38 (1976), 290–295 (where mass can lie, and
//! the self-consistent iteration, an EM algorithm); Böhning, Schlattmann and Dietz, Biometrika 83 (1996),
//! 462–466 (moving mass from the place of the least to that of the greatest gradient); Gentleman and
//! Geyer, Biometrika 81 (1994), 618–623 (no gradient above 1 is necessary and sufficient for the maximum).
//! Checked against Fay and Shaw, Journal of Statistical Software 36 (2010), no. 2, in
//! `tests/published_survival.rs`.
//!
//! The data say how much mass lies in a support interval, and nothing of where in it: the curve is only known
//! outside of them. With few lives the masses may not be unique; the likelihood is.

use crate::stats::censored::Span;
use crate::stats::censored::WhyNoLives;
use crate::stats::censored::check;
use crate::stats::kaplan_meier::as_f64;
use crate::stats::summary::sum;

/// How far the greatest gradient may lie above 1. The log likelihood then lies within so much a life of its maximum.
const GRADIENT: f64 = 1e-12;
/// Mass below this is none.
const LEAST_MASS: f64 = 1e-9;
const MOST_STEPS: u32 = 50_000;
/// Newton's steps towards the best exchange between two places, and EM steps before the next exchange.
const EXCHANGE_STEPS: u32 = 30;

/// Mass in one support interval (after, until]; where both are the same, mass at that very time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mass {
    /// Lower end, left out.
    pub after: f64,
    /// Upper end, taken in; absent for the mass of those that outlive all looks.
    pub until: Option<f64>,
    /// Part of the lives that end in it, above 0.
    pub mass: f64,
    /// Part that lives on beyond it, 0 to 1.
    pub survival: f64,
}

/// The curve, as support intervals in order of time; masses add up to 1.
#[derive(Clone, Debug, PartialEq)]
pub struct Turnbull {
    /// Where the mass lies.
    pub support: Vec<Mass>,
    /// Greatest gradient of the log likelihood a life: 1 at the maximum.
    pub gradient: f64,
    pub(super) covers: Vec<std::ops::Range<usize>>,
}

/// Estimates the curve.
///
/// ```
/// use halfpanel::stats::censored::Span;
/// use halfpanel::stats::turnbull::turnbull;
/// let looks = |after, until| Span::Between { after, until };
/// let found = turnbull(&[looks(0.0, 10.0), looks(5.0, 10.0), Span::Beyond(10.0)]).unwrap();
/// let masses: Vec<_> = found.support.iter().map(|m| (m.after, m.until, format!("{:.4}", m.mass))).collect();
/// assert_eq!(masses, [(5.0, Some(10.0), "0.6667".into()), (10.0, None, "0.3333".into())]);
/// ```
///
/// # Errors
/// [`WhyNoLives`].
pub fn turnbull(lives: &[Span]) -> Result<Turnbull, WhyNoLives> {
    check(lives)?;
    let places = places(lives);
    let covers: Vec<_> = lives.iter().map(|life| covered(*life, &places)).collect();
    let mut fit = Fit { mass: vec![1.0 / as_f64(places.len()); places.len()], covers };
    let gradient = fit.maximise().ok_or(WhyNoLives::NotSettled)?;
    Ok(fit.told(&places, gradient))
}

impl Turnbull {
    /// Least and greatest part that can live on just after `time`: they differ inside a support interval.
    #[must_use]
    pub fn survival_at(&self, time: f64) -> [f64; 2] {
        let gone = |is_gone: &dyn Fn(&Mass) -> bool| {
            let left = self.support.iter().filter(|mass| !is_gone(mass)).map(|mass| mass.mass);
            sum(left).clamp(0.0, 1.0)
        };
        let surely = |mass: &Mass| mass.until.is_some_and(|until| until <= time);
        [gone(&|mass| surely(mass) || mass.after < time), gone(&surely)]
    }

    /// The support interval in which the curve comes down to one half; its upper end is absent where that is
    /// beyond all looks.
    #[must_use]
    pub fn median(&self) -> Option<Mass> {
        self.support.iter().find(|mass| mass.survival <= 0.5 + LEAST_MASS).copied()
    }
}

/// An end of an interval. At one time a closed lower end comes first, then upper ends, then open lower ends.
#[derive(Clone, Copy, PartialEq)]
struct End {
    time: f64,
    rank: u8,
}

const CLOSED_LOWER: u8 = 0;
const UPPER: u8 = 1;
const OPEN_LOWER: u8 = 2;

impl End {
    fn is_before(self, other: End) -> bool {
        self.order(&other).is_lt()
    }

    fn order(&self, other: &End) -> std::cmp::Ordering {
        self.time.total_cmp(&other.time).then(self.rank.cmp(&other.rank))
    }
}

fn ends(life: Span) -> [End; 2] {
    let rank = if matches!(life, Span::At(_)) { CLOSED_LOWER } else { OPEN_LOWER };
    let until = life.upper().unwrap_or(f64::INFINITY);
    [End { time: life.lower(), rank }, End { time: until, rank: UPPER }]
}

/// Turnbull's innermost intervals: a lower end followed at once by an upper one.
fn places(lives: &[Span]) -> Vec<[End; 2]> {
    let mut all: Vec<End> = lives.iter().flat_map(|life| ends(*life)).collect();
    all.sort_by(End::order);
    all.dedup();
    let pairs = all.windows(2).filter(|pair| pair[0].rank != UPPER && pair[1].rank == UPPER);
    pairs.map(|pair| [pair[0], pair[1]]).collect()
}

/// Which places lie within a life; there is always one.
fn covered(life: Span, places: &[[End; 2]]) -> std::ops::Range<usize> {
    let [lower, upper] = ends(life);
    places.partition_point(|place| place[0].is_before(lower))
        ..places.partition_point(|place| !upper.is_before(place[1]))
}

struct Fit {
    mass: Vec<f64>,
    covers: Vec<std::ops::Range<usize>>,
}

impl Fit {
    /// The greatest gradient at the maximum, or nothing if it is not reached.
    fn maximise(&mut self) -> Option<f64> {
        for step in 0..MOST_STEPS {
            let gradient = self.gradient();
            let (greatest, at) = greatest(&gradient)?;
            if greatest <= 1.0 + GRADIENT {
                return Some(greatest);
            }
            if step % 4 == 3 {
                let held = |place: &usize| self.mass[*place] > 0.0;
                let least =
                    (0..gradient.len()).filter(held).min_by(|a, b| gradient[*a].total_cmp(&gradient[*b]));
                self.exchange(least?, at);
            } else {
                self.mass.iter_mut().zip(&gradient).for_each(|(mass, gradient)| *mass *= gradient);
            }
        }
        None
    }

    /// The chance of each life, as far as the masses go.
    fn chances(&self) -> Vec<f64> {
        self.covers.iter().map(|of| sum(self.mass[of.clone()].iter().copied())).collect()
    }

    /// Derivative of the log likelihood by the mass of each place, a life.
    fn gradient(&self) -> Vec<f64> {
        let lives = as_f64(self.covers.len());
        let mut gradient = vec![0.0; self.mass.len()];
        for (of, chance) in self.covers.iter().zip(self.chances()) {
            gradient[of.clone()].iter_mut().for_each(|sum| *sum += 1.0 / (chance * lives));
        }
        gradient
    }

    /// Moves mass between two places as far as the likelihood rises: a concave function of the part moved.
    fn exchange(&mut self, from: usize, to: usize) {
        let chances = self.chances();
        let signs: Vec<(f64, f64)> = self
            .covers
            .iter()
            .zip(chances)
            .map(|(of, chance)| (f64::from(of.contains(&to)) - f64::from(of.contains(&from)), chance))
            .filter(|(sign, _)| *sign != 0.0)
            .collect();
        let most = self.mass[from];
        let slope = |moved: f64| {
            signs.iter().fold((0.0, 0.0), |(first, second), (sign, chance)| {
                let part = sign / (chance + sign * moved);
                (first + part, second + part * part)
            })
        };
        let (mut low, mut high, mut moved) = (0.0, most, 0.0);
        for _ in 0..EXCHANGE_STEPS {
            let (first, second) = slope(moved);
            *(if first > 0.0 { &mut low } else { &mut high }) = moved;
            let next = moved + first / second;
            // Newton's step, or half the way to the end where it leads out.
            moved = if next.is_finite() && next < high && next > low { next } else { low.midpoint(high) };
        }
        // Mass is given up whole only where the last bit of it is worse than none.
        if slope(most).0 >= 0.0 {
            moved = most;
        }
        self.mass[from] -= moved;
        self.mass[to] += moved;
    }

    fn told(mut self, places: &[[End; 2]], gradient: f64) -> Turnbull {
        let all = sum(self.mass.iter().copied().filter(|mass| *mass > LEAST_MASS));
        let kept: Vec<usize> = (0..places.len()).filter(|place| self.mass[*place] > LEAST_MASS).collect();
        // What lies beyond the last place is nothing, to the last bit.
        let mut beyond = 0.0;
        let mut support: Vec<Mass> = Vec::with_capacity(kept.len());
        for place in kept.iter().rev() {
            let [lower, upper] = places[*place];
            let (until, mass) = (upper.time.is_finite().then_some(upper.time), self.mass[*place] / all);
            support.push(Mass { after: lower.time, until, mass, survival: beyond });
            beyond = (beyond + mass).min(1.0);
        }
        support.reverse();
        for of in &mut self.covers {
            *of = kept.partition_point(|place| *place < of.start)
                ..kept.partition_point(|place| *place < of.end);
        }
        Turnbull { support, gradient, covers: self.covers }
    }
}

fn greatest(gradient: &[f64]) -> Option<(f64, usize)> {
    gradient.iter().copied().zip(0..).max_by(|a, b| a.0.total_cmp(&b.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::kaplan_meier;

    fn between(after: f64, until: f64) -> Span {
        Span::Between { after, until }
    }

    #[test]
    fn with_exact_ends_it_is_the_product_limit_estimate() {
        let lives = [Span::At(3.0), Span::Beyond(3.0), Span::At(5.0), Span::At(5.0), Span::Beyond(7.0)];
        let found = turnbull(&lives).unwrap();
        for step in kaplan_meier::curve(&lives).unwrap() {
            let [low, high] = found.survival_at(step.time);
            assert!(
                (low - step.survival).abs() < 1e-8 && (high - step.survival).abs() < 1e-8,
                "{step:?}: {low}"
            );
        }
    }

    #[test]
    fn the_curve_is_not_located_inside_a_support_interval() {
        let found = turnbull(&[between(10.0, 20.0), between(10.0, 20.0)]).unwrap();
        let printed = |time: f64| found.survival_at(time).map(|part| format!("{part:.1}"));
        assert_eq!(printed(10.0), ["1.0", "1.0"]);
        assert_eq!(printed(15.0), ["0.0", "1.0"]);
        assert_eq!(printed(20.0), ["0.0", "0.0"]);
        assert_eq!(found.median().and_then(|m| m.until), Some(20.0));
    }

    #[test]
    fn lives_that_all_go_on_have_their_mass_beyond_the_last_look() {
        let found = turnbull(&[Span::Beyond(10.0), Span::Beyond(20.0)]).unwrap();
        assert_eq!(found.support, [Mass { after: 20.0, until: None, mass: 1.0, survival: 0.0 }]);
        assert_eq!(found.median().and_then(|m| m.until), None);
    }
}
