//! Letters and rank ranges from pairs: "cannot be told apart" does not carry over from A and B, and B and C, to A
//! and C, so that a place of its own would claim too much.
//!
//! Two treatments share a letter exactly if they cannot be told apart: Piepho, Journal of Computational and Graphical
//! Statistics 13 (2004), 456–466. The letters are found by growing groups from pairs not yet covered, and sweeping
//! those that others cover (Gramm, Guo, Hüffner, Niedermeier and Piepho, Computational Statistics & Data
//! Analysis 52 (2007), 725–736; both from memory); so many are few, and not always the fewest.

/// Which pairs of so many treatments are told apart.
#[derive(Clone, Debug)]
pub struct Apart {
    count: usize,
    words: usize,
    bits: Vec<u64>,
}

const WORD: usize = 64;

impl Apart {
    /// None is told apart yet.
    #[must_use]
    pub fn none(count: usize) -> Apart {
        let words = count.div_ceil(WORD);
        Apart { count, words, bits: vec![0; count * words] }
    }

    /// These two are.
    pub fn tell(&mut self, one: usize, other: usize) {
        for (a, b) in [(one, other), (other, one)] {
            self.bits[a * self.words + b / WORD] |= 1 << (b % WORD);
        }
    }

    /// Whether these two are.
    #[must_use]
    pub fn are(&self, one: usize, other: usize) -> bool {
        has(&self.bits[one * self.words..], other)
    }

    /// Those that are not told apart from one, itself left out; in the order given.
    fn alike(&self, order: &[usize]) -> Apart {
        let mut alike = Apart::none(self.count);
        for (a, one) in order.iter().enumerate() {
            for (b, other) in order.iter().enumerate().take(a) {
                if !self.are(*one, *other) {
                    alike.tell(a, b);
                }
            }
        }
        alike
    }

    fn row(&self, of: usize) -> &[u64] {
        &self.bits[of * self.words..(of + 1) * self.words]
    }
}

fn has(bits: &[u64], place: usize) -> bool {
    bits[place / WORD] >> (place % WORD) & 1 == 1
}

/// Letters of each treatment; `order` names all of them, best first, and decides which letter comes first.
/// Treatments that share a letter cannot be told apart, and those that cannot be told apart share one.
///
/// ```
/// use halfpanel::board::letters::{Apart, letters};
/// let mut apart = Apart::none(3);
/// apart.tell(0, 2);
/// assert_eq!(letters(&[0, 1, 2], &apart), ["a", "a b", "b"]);
/// ```
#[must_use]
pub fn letters(order: &[usize], apart: &Apart) -> Vec<String> {
    let mut groups = swept(groups(&apart.alike(order)), order.len());
    groups.sort();
    let mut found = vec![String::new(); order.len()];
    for (number, group) in groups.iter().enumerate() {
        for place in group {
            let of = &mut found[order[*place]];
            if !of.is_empty() {
                of.push(' ');
            }
            of.push_str(&letter(number));
        }
    }
    found
}

/// Groups of which no two are told apart, such that each pair that is not stands in one.
fn groups(alike: &Apart) -> Vec<Vec<usize>> {
    let mut covered = Apart::none(alike.count);
    let mut groups = Vec::new();
    for one in 0..alike.count {
        for other in one + 1..alike.count {
            if alike.are(one, other) && !covered.are(one, other) {
                let group = grown(alike, one, other);
                for (index, a) in group.iter().enumerate() {
                    group[..index].iter().for_each(|b| covered.tell(*a, *b));
                }
                groups.push(group);
            }
        }
        if alike.row(one).iter().all(|word| *word == 0) {
            groups.push(vec![one]);
        }
    }
    groups
}

/// A pair, with all that can be added, the best first.
fn grown(alike: &Apart, one: usize, other: usize) -> Vec<usize> {
    let both = alike.row(one).iter().zip(alike.row(other));
    let mut may: Vec<u64> = both.map(|(a, b)| a & b).collect();
    let mut group = vec![one, other];
    for word in 0..may.len() {
        while may[word] != 0 {
            let next = word * WORD + may[word].trailing_zeros() as usize;
            group.push(next);
            // One is not alike to itself here, so that this takes it out, too.
            may.iter_mut().zip(alike.row(next)).for_each(|(may, alike)| *may &= alike);
        }
    }
    group.sort_unstable();
    group
}

/// Without groups whose pairs all stand in others.
fn swept(groups: Vec<Vec<usize>>, count: usize) -> Vec<Vec<usize>> {
    let mut times = vec![0_u32; count * count];
    let pairs = |group: &[usize], each: &mut dyn FnMut(usize)| {
        for (index, a) in group.iter().enumerate() {
            group[..index].iter().for_each(|b| each(a * count + b));
        }
    };
    groups.iter().for_each(|group| pairs(group, &mut |pair| times[pair] += 1));
    let mut kept = Vec::with_capacity(groups.len());
    for group in groups {
        let mut is_needed = group.len() == 1;
        pairs(&group, &mut |pair| is_needed |= times[pair] == 1);
        if is_needed {
            kept.push(group);
        } else {
            pairs(&group, &mut |pair| times[pair] -= 1);
        }
    }
    kept
}

/// a to z, then aa, ab and so on.
fn letter(number: usize) -> String {
    let mut left = number + 1;
    let mut letters = Vec::new();
    while left > 0 {
        letters.push(char::from(b'a' + u8::try_from((left - 1) % 26).unwrap_or(0)));
        left = (left - 1) / 26;
    }
    letters.iter().rev().collect()
}

/// Best and worst rank that each treatment can have, from 1, given which of two told apart is the better one.
/// Those that are not `ranked` (nothing is known of them) have none, and count for nobody.
#[must_use]
pub fn rank_ranges(
    ranked: &[bool],
    apart: &Apart,
    is_better: impl Fn(usize, usize) -> bool,
) -> Vec<Option<[usize; 2]>> {
    let all = ranked.iter().filter(|ranked| **ranked).count();
    let range = |one: usize| {
        let told = |other: &usize| ranked[*other] && apart.are(one, *other);
        let (mut better, mut worse) = (0, 0);
        for other in (0..ranked.len()).filter(told) {
            *(if is_better(other, one) { &mut better } else { &mut worse }) += 1;
        }
        [1 + better, all - worse]
    };
    (0..ranked.len()).map(|one| ranked[one].then(|| range(one))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn none_told_apart_is_one_letter_and_all_told_apart_are_as_many_as_there_are() {
        assert_eq!(letters(&[2, 0, 1], &Apart::none(3)), ["a", "a", "a"]);
        let mut all = Apart::none(3);
        [(0, 1), (0, 2), (1, 2)].iter().for_each(|(a, b)| all.tell(*a, *b));
        assert_eq!(letters(&[2, 0, 1], &all), ["b", "c", "a"]);
        assert_eq!(letters(&[], &Apart::none(0)), Vec::<String>::new());
    }

    #[test]
    fn ranks_reach_over_all_that_cannot_be_told_apart() {
        // 0 beats 2 and 3; 1 beats 3; of 4 nothing is known.
        let mut apart = Apart::none(5);
        [(0, 2), (0, 3), (1, 3)].iter().for_each(|(a, b)| apart.tell(*a, *b));
        let found = rank_ranges(&[true, true, true, true, false], &apart, |a, b| a < b);
        assert_eq!(found, [Some([1, 2]), Some([1, 3]), Some([2, 4]), Some([3, 4]), None]);
    }

    #[test]
    fn letters_go_on_after_z() {
        assert_eq!([0, 25, 26, 27, 701, 702].map(letter), ["a", "z", "aa", "ab", "zz", "aaa"]);
    }

    proptest! {
        #[test]
        fn two_share_a_letter_exactly_if_they_are_not_told_apart(
            count in 0_usize..70, told in proptest::collection::vec(any::<(u8, u8)>(), 0..900), turn in 0_usize..70,
        ) {
            let mut apart = Apart::none(count);
            for (a, b) in told {
                let (a, b) = (usize::from(a), usize::from(b));
                if a < count && b < count && a != b {
                    apart.tell(a, b);
                }
            }
            let mut order: Vec<usize> = (0..count).collect();
            order.rotate_left(if count == 0 { 0 } else { turn % count });
            let found = letters(&order, &apart);
            for a in 0..count {
                prop_assert!(!found[a].is_empty());
                for b in 0..a {
                    let share = found[a].split(' ').any(|letter| found[b].split(' ').any(|other| other == letter));
                    prop_assert_eq!(share, !apart.are(a, b), "{} {}: {} and {}", a, b, found[a], found[b]);
                }
            }
        }
    }
}
