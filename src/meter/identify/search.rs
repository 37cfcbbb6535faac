//! In which order the settings of a line are tried, and what a hearing at one of them means for the next.

use super::hearing::Verdict;
use crate::meter::Parity;
use crate::meter::Serial;
use std::collections::VecDeque;

/// Rates to try, the usual ones first. Common practice, no source.
const RATES: [u32; 8] = [9_600, 4_800, 19_200, 2_400, 38_400, 115_200, 1_200, 57_600];
/// Data bits and parity to try, each at every rate.
const FORMATS: [(u8, Parity); 4] =
    [(8, Parity::None), (7, Parity::Even), (8, Parity::Even), (7, Parity::Odd)];

/// A search for the settings of a line.
#[derive(Clone, Debug)]
pub struct Search {
    queue: VecDeque<Serial>,
    tried: Vec<Serial>,
    planned: usize,
}

impl Search {
    /// The usual settings; with `baud`, those of that rate alone.
    #[must_use]
    pub fn new(baud: Option<u32>) -> Search {
        let rates = baud.map_or(RATES.to_vec(), |baud| vec![baud]);
        let at = |&(data_bits, parity): &(u8, Parity)| {
            let serial = move |&baud: &u32| Serial { baud, data_bits, parity, ..Serial::default() };
            rates.iter().map(serial).collect::<Vec<Serial>>()
        };
        let queue: VecDeque<Serial> = FORMATS.iter().flat_map(at).collect();
        Search { planned: queue.len(), queue, tried: Vec::new() }
    }

    /// The setting to try next.
    pub fn next_setting(&mut self) -> Option<Serial> {
        let serial = self.queue.pop_front()?;
        self.tried.push(serial);
        Some(serial)
    }

    /// How many settings were tried, and how many there are; bytes may betray one more than was planned.
    #[must_use]
    pub fn progress(&self) -> (usize, usize) {
        (self.tried.len(), self.planned.max(self.tried.len()))
    }

    /// What was heard at the setting that was tried last.
    pub fn learn(&mut self, verdict: Verdict) {
        let Some(&last) = self.tried.last() else { return };
        match verdict {
            Verdict::SevenBits(parity) => self.prefer(Serial { data_bits: 7, parity, ..last }),
            Verdict::EightBits(parity) => self.prefer(Serial { data_bits: 8, parity, ..last }),
            // Lower rates first; among them the order stays.
            Verdict::HeardTooFast => {
                self.queue.make_contiguous().sort_by_key(|other| other.baud >= last.baud);
            }
            Verdict::Text | Verdict::Garbage | Verdict::Nothing => {}
        }
    }

    /// Tries this setting next, unless it was tried.
    fn prefer(&mut self, meant: Serial) {
        if !self.tried.contains(&meant) {
            self.queue.retain(|other| *other != meant);
            self.queue.push_front(meant);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn next(search: &mut Search) -> (u32, u8, Parity) {
        let serial = search.next_setting().expect("there is one more");
        (serial.baud, serial.data_bits, serial.parity)
    }

    #[test]
    fn every_rate_is_tried_plain_before_any_with_a_parity() {
        let mut search = Search::new(None);
        let tried: Vec<_> = std::iter::from_fn(|| search.next_setting()).collect();
        assert_eq!((tried.len(), tried[0].baud), (RATES.len() * FORMATS.len(), 9_600));
        assert!(tried[..RATES.len()].iter().all(|serial| serial.parity == Parity::None));
        assert_eq!(search.progress(), (32, 32));
    }

    #[test]
    fn a_parity_that_shows_in_the_bytes_is_tried_next_and_only_once() {
        let mut search = Search::new(Some(4_800));
        assert_eq!(next(&mut search), (4_800, 8, Parity::None));
        search.learn(Verdict::SevenBits(Parity::Odd));
        assert_eq!(next(&mut search), (4_800, 7, Parity::Odd));
        search.learn(Verdict::SevenBits(Parity::Odd));
        assert_eq!(next(&mut search), (4_800, 7, Parity::Even));
        let rest: Vec<_> = std::iter::from_fn(|| search.next_setting()).collect();
        assert_eq!(rest.len(), 1, "{rest:?}");
    }

    #[test]
    fn a_rate_that_is_too_fast_puts_the_slower_ones_first() {
        let mut search = Search::new(None);
        assert_eq!(next(&mut search).0, 9_600);
        search.learn(Verdict::HeardTooFast);
        assert_eq!([(); 3].map(|()| next(&mut search).0), [4_800, 2_400, 1_200]);
    }

    #[test]
    fn one_setting_more_than_planned_is_counted() {
        let mut search = Search::new(Some(9_600));
        let last = std::iter::from_fn(|| search.next_setting()).last();
        search.learn(Verdict::EightBits(Parity::Odd));
        assert!(last.is_some() && search.next_setting().is_some());
        assert_eq!(search.progress(), (5, 5));
    }
}
