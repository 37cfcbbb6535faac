//! The board: all treatments of a study side by side, and which of them can be told apart.
//!
//! [`Entry`] is what goes in, [`Boards`] what comes out; the terminal, the page and the report print the same.
//! Rules with their sources: `protocol-notes/board.md`.

pub mod curve;
pub mod entry;
pub mod gather;
pub mod letters;
pub mod lives;
mod row;
pub mod scatter;
pub mod sheet;
mod sort;

pub use entry::Cost;
pub use entry::Entry;
pub use entry::Judged;
pub use entry::Kept;
pub use entry::PanelFigure;
pub use entry::PanelLife;
pub use entry::Term;
pub use row::Difference;
pub use row::Judgement;
pub use row::PerWash;
pub use row::Retention;
pub use row::Row;
pub use sort::Sort;

use lives::LifePair;
use scatter::Pair;
use scatter::Scatter;
use serde::Serialize;
use std::collections::BTreeMap;

/// All boards that the entries come to: one for each set of terms, the one with the most treatments first.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Boards {
    /// The boards.
    pub boards: Vec<Board>,
    /// Why there is more than one, in sentences; empty if there is not.
    pub apart: Vec<String>,
}

/// Treatments that were measured on the same terms.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Board {
    /// What is the same for all of them.
    pub terms: Vec<Term>,
    /// One row for each treatment, in the order asked for.
    pub rows: Vec<Row>,
    /// The stage at which gloss kept is held side by side; absent where none is known.
    pub retention_stage: Option<String>,
    /// How far panels scatter, pooled over the treatments.
    pub scatter: Scatter,
    /// Every pair whose differences could be compared, by index of the rows.
    pub pairs: Vec<Pair>,
    /// The pairs told apart by their lives, by index of the rows.
    pub life_pairs: Vec<LifePair>,
    /// What is to be said of the whole, in sentences.
    pub says: Vec<String>,
    /// Those of them that speak of the lives.
    #[serde(skip)]
    pub says_of_lives: Vec<String>,
}

impl Boards {
    /// Puts treatments side by side. Those that were measured on other terms stand on a board of their own.
    #[must_use]
    pub fn of(entries: Vec<Entry>, sort: Sort) -> Boards {
        let mut by_terms: BTreeMap<Vec<Term>, Vec<Entry>> = BTreeMap::new();
        for entry in entries {
            by_terms.entry(entry.terms.clone()).or_default().push(entry);
        }
        let mut groups: Vec<(Vec<Term>, Vec<Entry>)> = by_terms.into_iter().collect();
        groups.sort_by_key(|(_, entries)| std::cmp::Reverse(entries.len()));
        let apart = groups.iter().skip(1).map(|group| why_apart(&groups[0], group)).collect();
        let boards = groups.into_iter().map(|(terms, entries)| Board::of(terms, entries, sort)).collect();
        Boards { boards, apart }
    }
}

/// Which terms differ, and whom that concerns.
fn why_apart(first: &(Vec<Term>, Vec<Entry>), other: &(Vec<Term>, Vec<Entry>)) -> String {
    let study = &other.1[0].study;
    let several = first.1.iter().chain(&other.1).any(|entry| entry.study != *study);
    let called = |entry: &Entry| match several {
        true => format!("{} of {}", entry.treatment, entry.study),
        false => entry.treatment.clone(),
    };
    let named: Vec<String> = other.1.iter().take(4).map(called).collect();
    let more = if other.1.len() > 4 { " and others" } else { "" };
    let value = |terms: &[Term], what: &str| {
        terms.iter().find(|term| term.what == what).map_or("not stated".to_owned(), |term| term.is.clone())
    };
    let mut names: Vec<&str> = first.0.iter().chain(&other.0).map(|term| term.what.as_str()).collect();
    let mut seen = std::collections::BTreeSet::new();
    names.retain(|name| seen.insert(*name));
    let differs = names.into_iter().filter_map(|name| {
        let (here, there) = (value(&first.0, name), value(&other.0, name));
        (here != there).then(|| format!("{name}: {there} there, {here} on the first board"))
    });
    let differs: Vec<String> = differs.collect();
    format!(
        "{}{more} stand on a board of their own, for what was measured on other terms is not compared ({}).",
        named.join(", "),
        differs.join("; ")
    )
}

impl Board {
    fn of(terms: Vec<Term>, mut entries: Vec<Entry>, sort: Sort) -> Board {
        sort.order(&mut entries);
        let retention_stage = sort::retention_stage(&entries);
        let (scatter, pairs) = scatter::compare(&entries);
        let compared = lives::compare(&entries);
        let mut rows: Vec<Row> = entries.iter().map(|entry| Row::of(entry, &scatter)).collect();
        row::rank(&mut rows, &pairs, &compared);
        let mut says = sentences(&entries, &scatter, &pairs);
        says.extend(compared.says.iter().cloned());
        let says_of_lives = compared.says;
        Board {
            terms,
            rows,
            retention_stage,
            scatter,
            pairs,
            life_pairs: compared.pairs,
            says,
            says_of_lives,
        }
    }
}

fn sentences(entries: &[Entry], scatter: &Scatter, pairs: &[Pair]) -> Vec<String> {
    let mut says = Vec::new();
    let measured = entries.iter().filter(|entry| !entry.panels.is_empty()).count();
    if measured >= 2 {
        says.push(match pairs.iter().filter(|pair| pair.apart).count() {
            _ if pairs.is_empty() => "No two treatments can be told apart by their difference: no treatment has two \
                panels, so that nothing says how panels scatter."
                .to_owned(),
            told => format!(
                "Of {} pairs of treatments, {told} can be told apart by their difference (Holm, 5 % over all pairs). \
                 Treatments that share a letter cannot.",
                measured * (measured - 1) / 2
            ),
        });
    }
    if let Some(panels) = scatter.panels {
        says.push(pooled("From panel to panel a difference", panels));
    }
    if let Some(sides) = scatter.sides {
        says.push(pooled("Treated sides of one panel, which share its control,", sides));
    }
    if entries.iter().flat_map(|entry| &entry.panels).any(|panel| panel.no_baseline) {
        says.push("Some panels were not read bare: their halves may have differed before.".to_owned());
    }
    let currencies: std::collections::BTreeSet<&str> =
        entries.iter().filter_map(|entry| entry.cost.as_ref()).map(|cost| cost.currency.as_str()).collect();
    if currencies.len() > 1 {
        says.push("Prices are in several currencies, and are not compared across them.".to_owned());
    }
    says
}

fn pooled(what: &str, of: scatter::Pooled) -> String {
    format!(
        "{what} scatter{} by {:.2} GU (pooled standard deviation, {} degrees of freedom).",
        if what.ends_with(',') { "" } else { "s" },
        of.sd_gu,
        of.degrees_of_freedom
    )
}

#[cfg(test)]
mod tests;
