//! Do two groups live equally long?
//!
//! Where each end is known exactly: the log-rank test (Mantel, Cancer Chemotherapy Reports 50 (1966), 163–170;
//! Peto and Peto, Journal of the Royal Statistical Society A 135 (1972), 185–206), with the hypergeometric variance.
//! Where ends lie between looks: scores from the curve of both groups together (Sun, Statistics in Medicine 15
//! (1996), 1387–1395; Finkelstein, Biometrics 42 (1986), 845–854), and their permutation, as in Fay and Shaw,
//! Journal of Statistical Software 36 (2010), no. 2, sections 2 and 6. All regroupings are counted where there are at
//! most 200 000 of them, else the permutations' normal approximation is taken. The permutation test
//! asks that both groups were looked at alike. Checked in `tests/published_survival.rs`.

use crate::stats::censored::Span;
use crate::stats::censored::WhyNoLives;
use crate::stats::censored::check;
use crate::stats::kaplan_meier::as_f64;
use crate::stats::summary::finite;
use crate::stats::summary::sum;
use crate::stats::turnbull::turnbull;
use statrs::function::erf::erfc;
use std::f64::consts::FRAC_1_SQRT_2;

/// So many regroupings are counted one by one.
pub const MOST_REGROUPINGS: u64 = 200_000;

/// The log-rank test of two groups.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LogRank {
    /// Ends seen in each group.
    pub observed: [f64; 2],
    /// Ends to be expected in each if both lived equally long.
    pub expected: [f64; 2],
    /// With one degree of freedom.
    pub chi_square: f64,
    /// Chance of so large a difference if there is none.
    pub p_value: f64,
}

/// Compares two groups of which each end is known exactly. `Ok(None)` where nothing can be compared: nothing
/// ended, or never while both were under watch.
///
/// # Errors
/// [`WhyNoLives`].
pub fn log_rank(groups: [&[Span]; 2]) -> Result<Option<LogRank>, WhyNoLives> {
    for group in groups {
        check(group)?;
        if group.iter().any(|life| matches!(life, Span::Between { .. })) {
            return Err(WhyNoLives::NotExact);
        }
    }
    let mut times: Vec<f64> =
        groups.iter().flat_map(|group| group.iter().filter_map(|life| life.upper())).collect();
    times.sort_by(f64::total_cmp);
    times.dedup();
    let (mut observed, mut expected, mut variance) = ([0.0; 2], [0.0; 2], 0.0);
    for time in times {
        let risk = groups.map(|group| as_f64(group.iter().filter(|life| life.lower() >= time).count()));
        let ended = groups.map(|group| as_f64(group.iter().filter(|life| **life == Span::At(time)).count()));
        let (at_risk, gone) = (risk[0] + risk[1], ended[0] + ended[1]);
        for group in 0..2 {
            observed[group] += ended[group];
            expected[group] += gone * risk[group] / at_risk;
        }
        if at_risk > 1.0 {
            let parts = risk[0] / at_risk * (risk[1] / at_risk);
            variance += gone * parts * (at_risk - gone) / (at_risk - 1.0);
        }
    }
    let chi_square = (observed[0] - expected[0]).powi(2) / variance;
    Ok(finite(chi_square).map(|chi_square| LogRank {
        observed,
        expected,
        chi_square,
        p_value: two_sided(chi_square.sqrt()),
    }))
}

/// How an end between looks is weighed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scores {
    /// Sun's: with exact ends they are those of the log-rank test.
    Sun,
    /// Finkelstein's: the score test of proportional hazards grouped by looks.
    Finkelstein,
}

/// A permutation test of two groups.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Permutation {
    /// Sum of the first group's scores; below 0 where it lives longer.
    pub score: f64,
    /// The same in standard deviations over all regroupings.
    pub z: f64,
    /// By the normal approximation.
    pub p_normal: f64,
    /// Part of all regroupings that lie as far out; absent where there are more than [`MOST_REGROUPINGS`].
    pub p_exact: Option<f64>,
}

impl Permutation {
    /// The exact chance where it was counted, else the approximate one.
    #[must_use]
    pub fn p_value(&self) -> f64 {
        self.p_exact.unwrap_or(self.p_normal)
    }
}

/// Compares two groups, ends known exactly or between looks. `Ok(None)` where all lives are alike.
///
/// # Errors
/// [`WhyNoLives`].
pub fn permutation(groups: [&[Span]; 2], scores: Scores) -> Result<Option<Permutation>, WhyNoLives> {
    groups.iter().try_for_each(|group| check(group))?;
    let first = groups[0].len();
    let scores = self::scores(&groups.concat(), scores)?;
    let (lives, score) = (as_f64(scores.len()), sum(scores[..first].iter().copied()));
    let squares = sum(scores.iter().map(|score| score * score));
    let others = as_f64(scores.len() - first);
    let variance = as_f64(first) * others / (lives * (lives - 1.0)) * squares;
    // Scores that are all alike are 0 but for rounding.
    if squares <= 1e-12 {
        return Ok(None);
    }
    Ok(finite(score / variance.sqrt()).map(|z| {
        let p_exact = (regroupings(scores.len(), first) <= MOST_REGROUPINGS).then(|| counted(&scores, first));
        Permutation { score, z, p_normal: two_sided(z), p_exact }
    }))
}

/// The smallest chance that a permutation test of groups of these sizes can come to: below it nothing can be found.
///
/// ```
/// use halfpanel::stats::log_rank::least_p;
/// assert_eq!(least_p(3, 3), Some(0.1));
/// assert_eq!(least_p(0, 3), None);
/// ```
#[must_use]
pub fn least_p(first: usize, second: usize) -> Option<f64> {
    let all = u32::try_from(regroupings(first + second, first)).ok().map(f64::from);
    // In groups of one size the mirror image lies as far out.
    let alike = if first == second { 2.0 } else { 1.0 };
    (first > 0 && second > 0).then(|| all.map_or(0.0, |all| alike / all))
}

/// Scores of all lives, in their order; they add up to 0.
///
/// # Errors
/// [`WhyNoLives`].
pub fn scores(lives: &[Span], kind: Scores) -> Result<Vec<f64>, WhyNoLives> {
    let curve = turnbull(lives)?;
    // At the start and after each support interval: the part that lives, and that times what is summed up of the score.
    let mut at = vec![(1.0, 0.0)];
    let (mut alive, mut hazard) = (1.0, 0.0);
    for place in &curve.support {
        hazard += place.mass / alive;
        alive = place.survival;
        let summed = match kind {
            Scores::Sun => -alive * hazard,
            Scores::Finkelstein if alive > 0.0 => alive * alive.ln(),
            Scores::Finkelstein => 0.0,
        };
        at.push((alive, summed));
    }
    let of_life = |of: &std::ops::Range<usize>| {
        let ((before, from), (after, to)) = (at[of.start], at[of.end]);
        (from - to) / (before - after)
    };
    Ok(curve.covers.iter().map(of_life).collect())
}

fn two_sided(z: f64) -> f64 {
    erfc(z.abs() * FRAC_1_SQRT_2).clamp(0.0, 1.0)
}

/// In how many ways so many are drawn from all; the largest number where it does not fit.
fn regroupings(all: usize, drawn: usize) -> u64 {
    (0..drawn.min(all - drawn) as u64)
        .try_fold(1_u64, |ways, taken| Some(ways.checked_mul(all as u64 - taken)? / (taken + 1)))
        .unwrap_or(u64::MAX)
}

/// The part of all regroupings whose sum lies at least as far from 0.
fn counted(scores: &[f64], first: usize) -> f64 {
    let observed = sum(scores[..first].iter().copied()).abs();
    // Scores are as close as the curve is: what is equal by symmetry may differ by its last digits.
    let reached = observed - 1e-5 * (1.0 + observed);
    let mut chosen: Vec<usize> = (0..first).collect();
    let (mut all, mut as_far) = (0_u32, 0_u32);
    loop {
        all += 1;
        as_far += u32::from(chosen.iter().map(|place| scores[*place]).sum::<f64>().abs() >= reached);
        // The next choice in order: the last place that can move on moves, and those after it close up.
        let Some(moves) = (0..first).rev().find(|place| chosen[*place] < scores.len() - first + place) else {
            return f64::from(as_far) / f64::from(all);
        };
        chosen[moves] += 1;
        for place in moves + 1..first {
            chosen[place] = chosen[place - 1] + 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// All three of one group end before all three of the other: of 20 regroupings this one and its mirror image.
    #[test]
    fn three_against_three_cannot_come_below_one_in_ten() {
        let looks = |after| Span::Between { after, until: after + 2.0 };
        let found = permutation([&[looks(2.0); 3], &[looks(8.0); 3]], Scores::Sun).unwrap().unwrap();
        assert!((found.p_value() - 0.1).abs() < 1e-12, "{found:?}");
        assert!(found.score > 0.0, "the first group ends first: {found:?}");
        assert_eq!(least_p(3, 3), Some(0.1));
        assert_eq!(least_p(4, 5), Some(1.0 / 126.0));
    }

    #[test]
    fn lives_that_are_all_alike_say_nothing_of_a_difference() {
        assert_eq!(permutation([&[Span::Beyond(10.0); 3], &[Span::Beyond(10.0); 2]], Scores::Sun), Ok(None));
        assert_eq!(log_rank([&[Span::Beyond(10.0)], &[Span::Beyond(10.0)]]), Ok(None));
    }

    #[test]
    fn an_empty_group_is_refused() {
        assert_eq!(permutation([&[], &[Span::At(1.0)]], Scores::Sun), Err(WhyNoLives::None));
        assert_eq!(log_rank([&[Span::At(1.0)], &[]]), Err(WhyNoLives::None));
    }
}
