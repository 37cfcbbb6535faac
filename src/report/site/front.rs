//! The sections of a board: one, or, on the front page, one for each set of terms on which treatments were measured,
//! which are never mixed.

use super::Board;
use super::BoardRow;
use super::Site;
use crate::board;
use crate::report::publication::OverPanelsRow;
use crate::report::publication::Verdict;

/// Treatments that stand side by side.
pub(super) struct Section<'p> {
    /// Number, from 1.
    pub number: usize,
    /// On what terms; absent where the board's own rules were not asked.
    pub ranked: Option<&'p board::Board>,
    /// The rows, each with what the board's rules say of it.
    pub rows: Vec<(BoardRow<'p>, Option<&'p board::Row>)>,
}

/// The sections of a board.
pub(super) fn sections<'p>(site: &Site<'p>, board: &Board<'p>) -> Vec<Section<'p>> {
    let is_front = site.boards.first() == Some(board);
    let ranked = &site.publication.ranked.boards;
    if !is_front || ranked.is_empty() {
        return vec![Section {
            number: 1,
            ranked: None,
            rows: board.rows.iter().map(|row| (row.clone(), None)).collect(),
        }];
    }
    let code = |row: &BoardRow<'_>| site.publication.treatments[row.treatment].code.as_str();
    let mut sections = Vec::new();
    for (index, of_terms) in ranked.iter().enumerate() {
        let mut rows = Vec::new();
        for row in &board.rows {
            let Some(ranked) = of_terms.rows.iter().find(|ranked| ranked.treatment == code(row)) else {
                continue;
            };
            match ranked.runs.is_empty() {
                // Without a result it stands on the first board, hollow.
                true if index == 0 || row.panels.is_empty() => rows.push((row.clone(), Some(ranked))),
                true => {}
                false => rows.push((of_runs(row, ranked), Some(ranked))),
            }
        }
        // Treatments that have not been read have no row in the tables, and still a place here.
        if !rows.is_empty() {
            sections.push(Section { number: sections.len() + 1, ranked: Some(of_terms), rows });
        }
    }
    sections
}

/// The row as far as it comes from the runs of a board.
fn of_runs<'p>(row: &BoardRow<'p>, ranked: &board::Row) -> BoardRow<'p> {
    let is_of = |run: &str| ranked.runs.iter().any(|known| known == run);
    let panels: Vec<_> = row.panels.iter().copied().filter(|panel| is_of(&panel.run)).collect();
    if panels.len() == row.panels.len() {
        return row.clone();
    }
    let over = ranked.difference.map(|found| OverPanelsRow {
        treatment: ranked.treatment.clone(),
        stage: String::new(),
        geometry_deg: 0,
        n_panels: u32::try_from(ranked.panels).unwrap_or(u32::MAX),
        runs: ranked.runs.join(", "),
        difference_gu: Some(found.mean_gu),
        panel_sd_gu: None,
        ci_low_gu: found.interval_gu.map(|[low, _]| low),
        ci_high_gu: found.interval_gu.map(|[_, high]| high),
        degrees_of_freedom: None,
        expanded_uncertainty_gu: None,
        verdict: match found.verdict {
            "higher" => Verdict::Higher,
            "lower" => Verdict::Lower,
            "no detectable difference" => Verdict::NotDetectable,
            _ => Verdict::NoResult,
        },
        speaks_of: found.speaks_of.to_owned(),
        flags: String::new(),
    });
    BoardRow { treatment: row.treatment, over, panels }
}
