//! In which order a board's treatments stand.

use crate::board::entry::Entry;
use crate::board::lives::Lives;
use crate::stats::summary::mean;
use std::cmp::Ordering;
use std::collections::BTreeMap;

/// What a board is sorted by. What is not known comes last; what is equal goes by study and code.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sort {
    /// The largest gain of gloss first.
    #[default]
    Difference,
    /// The longest life first: by the last wash at which the middle panel still worked.
    Life,
    /// The most gloss kept first, at the board's `retention_stage`.
    Retention,
    /// The least cost for a treated area first; within each currency.
    Cost,
}

impl Sort {
    pub(super) fn order(self, entries: &mut Vec<Entry>) {
        let stage = retention_stage(entries);
        let key = |entry: &Entry| self.key(entry, stage.as_deref());
        let mut keyed: Vec<(Key, Entry)> = entries.drain(..).map(|entry| (key(&entry), entry)).collect();
        keyed.sort_by(|(a, one), (b, other)| {
            let places = |entry: &Entry| (entry.study.clone(), entry.treatment.clone());
            a.compare(b).then_with(|| places(one).cmp(&places(other)))
        });
        entries.extend(keyed.into_iter().map(|(_, entry)| entry));
    }

    fn key(self, entry: &Entry, stage: Option<&str>) -> Key {
        let falling = |value: Option<f64>| Key { group: String::new(), value: value.map(|value| -value) };
        match self {
            Sort::Difference => {
                falling(mean(&entry.panels.iter().map(|panel| panel.difference_gu).collect::<Vec<_>>()))
            }
            // Of equal lower ends the one that is still alive, or failed later, comes first.
            Sort::Life => falling(Lives::of(entry).middle.map(|middle| {
                let until = middle.until.map_or(1.0, |until| f64::from(until) / (1.0 + f64::from(until)));
                f64::from(middle.after) + 0.5 * until
            })),
            Sort::Retention => {
                let of = entry.kept.iter().filter(|kept| Some(kept.stage.as_str()) == stage);
                falling(mean(&of.map(|kept| kept.pct).collect::<Vec<_>>()))
            }
            Sort::Cost => {
                let cost = entry.cost.as_ref();
                let group = cost.map(|cost| cost.currency.clone()).unwrap_or_default();
                Key { group, value: cost.map(|cost| cost.per_m2) }
            }
        }
    }
}

/// The stage at which gloss kept is held side by side: of those that the most treatments have, the last.
#[must_use]
pub fn retention_stage(entries: &[Entry]) -> Option<String> {
    let mut stages: BTreeMap<&str, (usize, usize)> = BTreeMap::new();
    for entry in entries {
        let mut own: Vec<&str> = entry.kept.iter().map(|kept| kept.stage.as_str()).collect();
        own.dedup();
        for (place, stage) in own.into_iter().enumerate() {
            let (treatments, latest) = stages.entry(stage).or_default();
            (*treatments, *latest) = (*treatments + 1, place.max(*latest));
        }
    }
    stages.into_iter().max_by_key(|(_, rank)| *rank).map(|(stage, _)| stage.to_owned())
}

struct Key {
    group: String,
    value: Option<f64>,
}

impl Key {
    fn compare(&self, other: &Key) -> Ordering {
        let known = |key: &Key| key.value.is_none();
        let value = |key: &Key| key.value.unwrap_or_default();
        known(self)
            .cmp(&known(other))
            .then_with(|| self.group.cmp(&other.group))
            .then_with(|| value(self).total_cmp(&value(other)))
    }
}
