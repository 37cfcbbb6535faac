//! Readings out of a stream. A placement gives one reading, once its values have stood still: the median
//! of a window. Before the next, the meter has to leave its place and come back. A small machine, fed
//! with values and their times; it knows no clock.
//!
//! ```text
//!  resting ──leaves──▶ in the air ──comes down──▶ down: settle, then collect
//!     ▲                    ▲                         │        │
//!     └────────────────────┼──── stable: a reading ──┘        │
//!                          └──────────── lifted ──────────────┘
//! ```

use crate::meter::Streaming;
use crate::units::Geometry;
use crate::units::Gloss;
use crate::units::PerGeometry;
use std::collections::VecDeque;

/// Least time between two hints to hold still, and from coming down to the first, microseconds.
const HINT_EVERY_US: u64 = 4_000_000;

/// How long a meter may rest where it cannot be read before that is told, once, microseconds.
const REST_US: u64 = 20_000_000;

/// What the stream has come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Found {
    /// A reading: the median at each geometry; this value completed its window.
    Reading(PerGeometry<Gloss>),
    /// The values do not stand still. Told every few seconds at most.
    Wobble {
        /// Where they lie furthest apart.
        geometry: Geometry,
        /// How far, GU.
        apart_gu: Gloss,
    },
    /// The meter rests where it has been read, or was put before anybody listened; told once.
    StillThere,
}

/// Watches one meter's stream.
#[derive(Clone, Debug)]
pub struct StreamWatch {
    rule: Streaming,
    place: Place,
    window: VecDeque<PerGeometry<Gloss>>,
    last_us: Option<u64>,
    /// Values in a row that show a meter that has left.
    away: u32,
}

#[derive(Clone, Copy, Debug)]
enum Place {
    /// Nothing is read before it has left.
    Resting { at: Option<PerGeometry<Gloss>>, since_us: Option<u64>, told: bool },
    /// In the air, or silent.
    Away,
    /// Put down; `settle` values are still to be dropped.
    Down { settle: u32, hinted_us: u64, since_hint: usize },
}

impl Place {
    /// At rest at a place that the next value shows.
    const UNKNOWN: Place = Place::Resting { at: None, since_us: None, told: false };
}

impl StreamWatch {
    /// Nobody knows since when the meter is where it is: it has to be put down first.
    #[must_use]
    pub fn new(rule: Streaming) -> StreamWatch {
        let window = VecDeque::with_capacity(rule.window);
        StreamWatch { rule, place: Place::UNKNOWN, window, last_us: None, away: 0 }
    }

    /// The rule it goes by.
    #[must_use]
    pub fn rule(&self) -> &Streaming {
        &self.rule
    }

    /// Takes the values of one line; times never run backwards. Only geometries that are to be read may
    /// be in it, and all of them in every line.
    pub fn feed(&mut self, at_us: u64, gloss: PerGeometry<Gloss>) -> Option<Found> {
        self.hear(at_us);
        let in_air = self.is_in_air(&gloss);
        let has_left =
            in_air || matches!(self.place, Place::Resting { at: Some(at), .. } if self.differ(&at, &gloss));
        self.count_away(has_left);
        match &mut self.place {
            _ if in_air => {
                self.window.clear();
                None
            }
            Place::Resting { at, since_us, told } => {
                at.get_or_insert(gloss);
                let since_us = *since_us.get_or_insert(at_us);
                let due = !has_left && !*told && at_us - since_us >= REST_US;
                *told |= due;
                due.then_some(Found::StillThere)
            }
            Place::Away => {
                self.away = 0;
                self.place = Place::Down { settle: self.rule.settle, hinted_us: at_us, since_hint: 0 };
                self.collect(at_us, gloss)
            }
            Place::Down { .. } => self.collect(at_us, gloss),
        }
    }

    /// A line that gave no value. `is_away` if it is what the meter sends in the air, such as a word for
    /// an error.
    pub fn miss(&mut self, at_us: u64, is_away: bool) {
        self.hear(at_us);
        self.window.clear();
        if is_away {
            self.count_away(true);
        }
    }

    /// The line to the meter came up. What had been collected is void; a silence counts from here.
    pub fn line_up(&mut self, at_us: u64) {
        self.window.clear();
        self.last_us = Some(at_us);
    }

    /// Something else is wanted now than when the meter was put down: it has to be put down anew.
    pub fn spend(&mut self) {
        if let Place::Down { .. } = self.place {
            self.place = Place::UNKNOWN;
            self.window.clear();
        }
    }

    /// Something came; after a long silence, from a meter that has been away.
    fn hear(&mut self, at_us: u64) {
        let silent_us = self.last_us.map_or(0, |last| at_us - last);
        self.last_us = Some(at_us);
        if self.rule.pause_us.is_some_and(|pause| silent_us >= pause) {
            self.leave();
        }
    }

    fn leave(&mut self) {
        self.place = Place::Away;
        self.window.clear();
    }

    /// One odd value is not a lift: it takes several in a row.
    fn count_away(&mut self, has_left: bool) {
        self.away = if has_left { self.away.saturating_add(1) } else { 0 };
        if self.away >= self.rule.away && !matches!(self.place, Place::Away) {
            self.leave();
        }
    }

    fn is_in_air(&self, gloss: &PerGeometry<Gloss>) -> bool {
        self.rule.lift_below_gu.is_some_and(|floor| gloss.iter().all(|(_, &value)| value < floor))
    }

    fn differ(&self, from: &PerGeometry<Gloss>, gloss: &PerGeometry<Gloss>) -> bool {
        let Some(by) = self.rule.leave_by_gu else { return false };
        let apart =
            |g: Geometry, value: Gloss| from.get(g).map(|from| (value.decimal() - from.decimal()).abs());
        gloss.iter().any(|(g, &value)| apart(g, value).is_some_and(|apart| apart > by.decimal()))
    }

    /// A value of a meter that is down.
    fn collect(&mut self, at_us: u64, gloss: PerGeometry<Gloss>) -> Option<Found> {
        let Place::Down { settle, hinted_us, since_hint } = &mut self.place else { return None };
        *since_hint = since_hint.saturating_add(1);
        if *settle > 0 {
            *settle -= 1;
            return None;
        }
        if self.window.len() == self.rule.window {
            self.window.pop_front();
        }
        self.window.push_back(gloss);
        if self.window.len() < self.rule.window {
            return None;
        }
        let (geometry, apart_gu) = widest(&self.window)?;
        if apart_gu <= self.rule.spread_gu {
            let median = median(&self.window);
            self.window.clear();
            self.place = Place::Resting { at: Some(median), since_us: None, told: false };
            return Some(Found::Reading(median));
        }
        let is_due = at_us - *hinted_us >= HINT_EVERY_US && *since_hint >= 2 * self.rule.window;
        if is_due {
            (*hinted_us, *since_hint) = (at_us, 0);
        }
        is_due.then_some(Found::Wobble { geometry, apart_gu })
    }
}

/// The values of a window at one geometry, rising.
fn rising(window: &VecDeque<PerGeometry<Gloss>>, geometry: Geometry) -> Vec<Gloss> {
    let mut values: Vec<Gloss> = window.iter().filter_map(|v| v.get(geometry).copied()).collect();
    values.sort_unstable();
    values
}

/// Where the values of a window lie furthest apart, and how far.
fn widest(window: &VecDeque<PerGeometry<Gloss>>) -> Option<(Geometry, Gloss)> {
    let apart = |geometry| {
        let values = rising(window, geometry);
        let (low, high) = (values.first()?, values.last()?);
        Some((geometry, Gloss::from(high.decimal() - low.decimal())))
    };
    Geometry::ALL.into_iter().filter_map(apart).max_by_key(|&(_, apart)| apart)
}

/// The middle one of an odd number of values, at each geometry.
fn median(window: &VecDeque<PerGeometry<Gloss>>) -> PerGeometry<Gloss> {
    let middle = |geometry| {
        let values = rising(window, geometry);
        values.get(values.len() / 2).map(|&value| (geometry, value))
    };
    Geometry::ALL.into_iter().filter_map(middle).collect()
}

#[cfg(test)]
#[path = "stream_tests.rs"]
mod tests;
