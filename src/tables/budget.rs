//! `budget.csv`: where the uncertainty of each result comes from, one row per component.

use super::cells::Rows;
use super::results::write_place;
use crate::difference::Books;
use crate::stats::budget::Stated;
use std::io;

pub(super) fn write(books: &Books<'_>, rows: &mut Rows<'_>) -> io::Result<()> {
    for comparison in books.comparisons() {
        let Some(figures) = &comparison.figures else { continue };
        for part in &figures.weighed.parts {
            write_place(books.run.ledger, comparison, rows)?;
            rows.text(comparison.geometry.text())?;
            rows.text(&part.component.name)?;
            rows.text(if part.common { "common" } else { "chance" })?;
            rows.figure(Some(part.component.value))?;
            rows.text(stated_text(part.component.stated))?;
            rows.figure(Some(part.component.stated.divisor()))?;
            rows.figure(Some(part.component.sensitivity))?;
            rows.figure(part.component.degrees_of_freedom)?;
            rows.figure(Some(part.contribution_gu))?;
            rows.figure(part.share.map(|share| 100.0 * share))?;
            rows.end_row()?;
        }
    }
    Ok(())
}

/// What the figure of a component is.
fn stated_text(stated: Stated) -> &'static str {
    match stated {
        Stated::Standard => "standard uncertainty",
        Stated::Expanded { .. } => "expanded uncertainty",
        Stated::Rectangular => "half-width, rectangular",
        Stated::Triangular => "half-width, triangular",
        Stated::Step => "step",
        Stated::MeanOf { .. } => "standard deviation, mean taken",
    }
}
