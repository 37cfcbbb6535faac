//! Lives of a board's treatments: what is known of each, and which pairs can be told apart by it.
//!
//! Two ways lead to "apart". On these panels: every panel of the one had failed before any panel of the other was last
//! seen working, which says nothing of the next panel. Of the product: a permutation test of the two groups
//! (`stats::log_rank`), Holm-adjusted over all pairs. Three panels against three can never come below p = 0.1,
//! whatever they show, so that the test has a say from four against four on, and with many pairs from more.

use crate::board::curve::CURVE_PANELS;
use crate::board::curve::Curve;
use crate::board::curve::span;
use crate::board::entry::Entry;
use crate::board::letters::Apart;
use crate::board::scatter::LEVEL;
use crate::life::Lifetime;
use crate::stats::censored::Span;
use crate::stats::log_rank::Scores;
use crate::stats::log_rank::least_p;
use crate::stats::log_rank::permutation;
use crate::stats::multiplicity::holm;
use crate::stats::turnbull::Turnbull;
use serde::Serialize;

/// A stretch of washes: worked at `after`, failed by `until`; not failed yet if absent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Stretch {
    /// Still working.
    pub after: u32,
    /// Failed; absent while it is alive.
    pub until: Option<u32>,
}

/// The life of one patch.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Shown {
    /// The panel's id.
    pub panel: String,
    /// How long it lasted.
    pub washes: Stretch,
    /// Put on over an earlier product: shown, and never pooled.
    pub over: bool,
}

/// A step of a curve: so much ends in a stretch, in which it is not located.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Step {
    /// Washes after which it lies.
    pub after: f64,
    /// Washes by which it lies; absent beyond the last look.
    pub until: Option<f64>,
    /// Part that ends in it, percent.
    pub ends_pct: f64,
    /// Part that lives on beyond it, percent.
    pub lives_on_pct: f64,
}

/// A figure of the fit with its interval at 95 %, by the profile likelihood.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Figure {
    /// The estimate.
    pub value: f64,
    /// Lower end; absent where the data set none.
    pub low: Option<f64>,
    /// Upper end; absent where the data set none.
    pub high: Option<f64>,
}

/// A Weibull fit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Fit {
    /// 1 for failures at a constant rate, above it for wear.
    pub shape: Figure,
    /// Washes by which 63 % have failed.
    pub scale: Figure,
    /// Washes by which half have failed.
    pub median: Figure,
}

/// What is known of a treatment's life.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Lives {
    /// Every patch.
    pub patches: Vec<Shown>,
    /// How many of them count, those put on over an earlier product left out.
    pub counted: usize,
    /// How many of those have failed.
    pub failed: usize,
    /// In which the life of the middle one of those that count lies (of two middle ones the shorter).
    pub middle: Option<Stretch>,
    /// From five panels on: the curve. Else empty.
    pub curve: Vec<Step>,
    /// From five failures on: the fit.
    pub fit: Option<Fit>,
    /// Why a curve or a fit is missing; empty if none is, or there are no lives.
    pub says: String,
}

impl Lives {
    /// Of an entry.
    #[must_use]
    pub fn of(entry: &Entry) -> Lives {
        let counted: Vec<Lifetime> = counted(entry);
        let patches = entry.lives.iter().map(|of| Shown {
            panel: of.panel.clone(),
            washes: Stretch { after: of.life.after, until: of.life.until },
            over: of.life.over,
        });
        let mut lives = Lives {
            patches: patches.collect(),
            counted: counted.len(),
            failed: counted.iter().filter(|life| life.until.is_some()).count(),
            middle: middle(&counted),
            ..Lives::default()
        };
        match Curve::of(&counted) {
            Curve::Intervals if counted.is_empty() => {}
            Curve::Intervals => lives.says = format!("a curve takes {CURVE_PANELS} panels"),
            Curve::Steps(steps) => {
                lives.curve = shown(&steps);
                lives.says = "a fit takes five failures".to_owned();
            }
            Curve::Fitted(steps, fit) => {
                lives.curve = shown(&steps);
                match fit {
                    Ok(fit) => {
                        let figure = |of: crate::stats::weibull::Fitted| Figure {
                            value: of.value,
                            low: of.profile[0],
                            high: of.profile[1],
                        };
                        let [shape, scale, median] = [fit.shape, fit.scale, fit.median].map(figure);
                        lives.fit = Some(Fit { shape, scale, median });
                    }
                    Err(why) => lives.says = why.to_string(),
                }
            }
        }
        lives
    }
}

fn counted(entry: &Entry) -> Vec<Lifetime> {
    entry.lives.iter().map(|of| of.life).filter(|life| !life.over).collect()
}

fn shown(curve: &Turnbull) -> Vec<Step> {
    let step = |mass: &crate::stats::turnbull::Mass| Step {
        after: mass.after,
        until: mass.until,
        ends_pct: 100.0 * mass.mass,
        lives_on_pct: 100.0 * mass.survival,
    };
    curve.support.iter().map(step).collect()
}

/// The middle life lies between the middle of the lower ends and the middle of the upper ones.
fn middle(lives: &[Lifetime]) -> Option<Stretch> {
    let at = lives.len().checked_sub(1)? / 2;
    let mut lower: Vec<u32> = lives.iter().map(|life| life.after).collect();
    let mut upper: Vec<u32> = lives.iter().map(|life| life.until.unwrap_or(u32::MAX)).collect();
    lower.sort_unstable();
    upper.sort_unstable();
    Some(Stretch { after: lower[at], until: Some(upper[at]).filter(|until| *until < u32::MAX) })
}

/// Two treatments told apart by their lives.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct LifePair {
    /// Row of the one that lives longer.
    pub longer: usize,
    /// Row of the other.
    pub shorter: usize,
    /// Every panel of the other had failed before any of the one was last seen working.
    pub on_these_panels: bool,
    /// Chance of such a difference if there is none, Holm-adjusted; absent where the test was not made, for it
    /// could not have found anything.
    pub p_adjusted: Option<f64>,
}

/// Which pairs are told apart, and what is to be said of the others.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Compared {
    /// The pairs told apart, by rows.
    pub pairs: Vec<LifePair>,
    /// In sentences.
    pub says: Vec<String>,
}

impl Compared {
    /// The same as what letters and ranks are made from.
    #[must_use]
    pub fn apart(&self, rows: usize) -> Apart {
        let mut apart = Apart::none(rows);
        self.pairs.iter().for_each(|pair| apart.tell(pair.longer, pair.shorter));
        apart
    }
}

/// Compares every pair of treatments that have lives.
#[must_use]
pub fn compare(entries: &[Entry]) -> Compared {
    let lives: Vec<Vec<Lifetime>> = entries.iter().map(counted).collect();
    let with: Vec<usize> = (0..lives.len()).filter(|of| !lives[*of].is_empty()).collect();
    let mut found = Compared::default();
    if with.len() < 2 {
        return found;
    }
    let tested = tested(&lives, &with, &mut found.says);
    let first_end = |of: usize| lives[of].iter().map(|life| life.after).min().unwrap_or_default();
    let last_end =
        |of: usize| lives[of].iter().map(|life| life.until.unwrap_or(u32::MAX)).max().unwrap_or(u32::MAX);
    let ends: Vec<(u32, u32)> = (0..lives.len()).map(|of| (first_end(of), last_end(of))).collect();
    let mut next = tested.into_iter().peekable();
    for (index, &one) in with.iter().enumerate() {
        for &other in &with[index + 1..] {
            let test = next.next_if(|test| (test.one, test.other) == (one, other));
            let separate = ends[one].1 <= ends[other].0 || ends[other].1 <= ends[one].0;
            let by_test = test.as_ref().is_some_and(|test| test.p_adjusted <= LEVEL);
            if separate || by_test {
                let one_is_longer = if separate {
                    ends[other].1 <= ends[one].0
                } else {
                    test.as_ref().is_some_and(|t| t.one_is_longer)
                };
                let (longer, shorter) = if one_is_longer { (one, other) } else { (other, one) };
                let p_adjusted = test.map(|test| test.p_adjusted);
                found.pairs.push(LifePair { longer, shorter, on_these_panels: separate, p_adjusted });
            }
        }
    }
    found
}

struct Tested {
    one: usize,
    other: usize,
    one_is_longer: bool,
    p_adjusted: f64,
}

/// The tests of those pairs that a test can tell apart at all, in the order of the pairs.
fn tested(lives: &[Vec<Lifetime>], with: &[usize], says: &mut Vec<String>) -> Vec<Tested> {
    let pairs = with.len() * (with.len() - 1) / 2;
    let least = |one: usize, other: usize| least_p(lives[one].len(), lives[other].len()).unwrap_or(1.0);
    // The largest groups come to the smallest chance.
    let mut sizes: Vec<usize> = with.to_vec();
    sizes.sort_by_key(|of| std::cmp::Reverse(lives[*of].len()));
    let best = least(sizes[0], sizes[1]) * f64::from(u32::try_from(pairs).unwrap_or(u32::MAX));
    if best > LEVEL {
        says.push(format!(
            "No test can say which product lives longer in general: with {} and at most {} and {} panels, even lives \
             that do not overlap at all come to p = {:.2} after Holm. What is said of lives is said of these panels.",
            if pairs == 1 { "one pair".to_owned() } else { format!("{pairs} pairs") },
            lives[sizes[0]].len(),
            lives[sizes[1]].len(),
            best.min(1.0)
        ));
        return Vec::new();
    }
    let spans: Vec<Vec<Span>> = lives.iter().map(|lives| lives.iter().map(span).collect()).collect();
    let mut tests = Vec::new();
    for (index, &one) in with.iter().enumerate() {
        for &other in &with[index + 1..] {
            // Those that cannot come to the level take their place among the pairs all the same.
            let found = (least(one, other) <= LEVEL)
                .then(|| permutation([&spans[one], &spans[other]], Scores::Sun).ok().flatten())
                .flatten();
            let one_is_longer = found.is_some_and(|found| found.score < 0.0);
            let p_adjusted = found.map_or(1.0, |found| found.p_value());
            tests.push(Tested { one, other, one_is_longer, p_adjusted });
        }
    }
    let raw: Vec<f64> = tests.iter().map(|test| test.p_adjusted).collect();
    for (test, adjusted) in tests.iter_mut().zip(holm(&raw).unwrap_or(raw)) {
        test.p_adjusted = adjusted;
    }
    tests
}
