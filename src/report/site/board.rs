//! Which results stand side by side: one stage and one geometry a board, each treatment once.

use super::words::stage_order;
use crate::report::publication::OverPanelsRow;
use crate::report::publication::Publication;
use crate::report::publication::ResultRow;
use std::collections::BTreeMap;
use std::collections::BTreeSet;

/// All treatments at one stage and geometry.
#[derive(Clone, Debug, PartialEq)]
pub struct Board<'p> {
    /// Stage.
    pub stage: String,
    /// Geometry, degrees.
    pub geometry_deg: u16,
    /// Its rows: the largest difference first, those without a result last.
    pub rows: Vec<BoardRow<'p>>,
}

/// One treatment on a board.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardRow<'p> {
    /// Index in [`Publication::treatments`].
    pub treatment: usize,
    /// Over its panels; absent without a proven result.
    pub over: Option<OverPanelsRow>,
    /// Each panel's result: the one that the mean over panels is made of, else the latest.
    pub panels: Vec<&'p ResultRow>,
}

impl BoardRow<'_> {
    /// Treated minus control, GU; absent without a result.
    #[must_use]
    pub fn difference_gu(&self) -> Option<f64> {
        self.over
            .as_ref()
            .and_then(|row| row.difference_gu)
            .or_else(|| self.only().and_then(|row| row.difference_gu))
    }

    /// Whether several panels stand behind it.
    #[must_use]
    pub fn is_of_panels(&self) -> bool {
        self.over.as_ref().is_some_and(|row| row.n_panels > 1)
    }

    /// The result of its one panel.
    #[must_use]
    pub fn only(&self) -> Option<&ResultRow> {
        if self.is_of_panels() { None } else { self.panels.last().copied() }
    }
}

/// All boards of a publication. The first is what a reader wants first: cured if anything is, else the earliest stage
/// on a product, at the geometry with the most results.
#[must_use]
pub fn boards(publication: &Publication) -> Vec<Board<'_>> {
    let index: BTreeMap<&str, usize> = publication
        .treatments
        .iter()
        .enumerate()
        .map(|(at, treatment)| (treatment.code.as_str(), at))
        .collect();
    let mut over: BTreeMap<Key<'_>, &OverPanelsRow> = BTreeMap::new();
    for row in &publication.over_panels {
        over.insert((&row.stage, row.geometry_deg, &row.treatment), row);
    }
    // Of each panel the last row wins: rows stand in the order of runs.
    let mut panels: BTreeMap<Key<'_>, BTreeMap<&str, &ResultRow>> = BTreeMap::new();
    for row in &publication.results {
        let key = (row.stage.as_str(), row.geometry_deg, row.treatment.as_str());
        let of_mean = over.get(&key).is_some_and(|mean| names(&mean.runs).any(|run| run == row.run));
        let place = panels.entry(key).or_default().entry(&row.panel);
        let before = place.or_insert(row);
        let before_of_mean =
            over.get(&key).is_some_and(|mean| names(&mean.runs).any(|run| run == before.run));
        if of_mean || !before_of_mean {
            *before = row;
        }
    }
    let keys: BTreeSet<(&str, u16)> = panels.keys().map(|(stage, geometry, _)| (*stage, *geometry)).collect();
    let mut rows: BTreeMap<(&str, u16), Vec<BoardRow<'_>>> = BTreeMap::new();
    for (key, of_panels) in &panels {
        let (stage, geometry, code) = *key;
        let Some(treatment) = index.get(code) else { continue };
        let row = BoardRow {
            treatment: *treatment,
            over: over.get(key).map(|row| (*row).clone()),
            panels: of_panels.values().copied().collect(),
        };
        rows.entry((stage, geometry)).or_default().push(row);
    }
    let mut boards: Vec<Board<'_>> = keys
        .into_iter()
        .map(|(stage, geometry_deg)| {
            let mut rows = rows.remove(&(stage, geometry_deg)).unwrap_or_default();
            rows.sort_by(|a, b| {
                let value = |row: &BoardRow<'_>| row.difference_gu().unwrap_or(f64::NEG_INFINITY);
                value(b).total_cmp(&value(a)).then(a.treatment.cmp(&b.treatment))
            });
            Board { stage: stage.to_owned(), geometry_deg, rows }
        })
        .collect();
    boards.sort_by(|a, b| {
        stage_order(&a.stage).cmp(&stage_order(&b.stage)).then(a.geometry_deg.cmp(&b.geometry_deg))
    });
    if let Some(first) = first(&boards) {
        boards[..=first].rotate_right(1);
    }
    boards
}

/// Stage, geometry, treatment.
type Key<'p> = (&'p str, u16, &'p str);

fn names(list: &str) -> impl Iterator<Item = &str> {
    list.split(',').map(str::trim)
}

/// The board that stands in front.
fn first(boards: &[Board<'_>]) -> Option<usize> {
    let rank = |board: &Board<'_>| match board.stage.as_str() {
        "cured" => 3,
        "bare" => 0,
        _ => 2,
    };
    let with_result =
        |board: &Board<'_>| board.rows.iter().filter(|row| row.difference_gu().is_some()).count();
    let best = boards.iter().map(|board| (rank(board), with_result(board))).max()?;
    boards.iter().position(|board| (rank(board), with_result(board)) == best)
}
