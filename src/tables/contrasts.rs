//! `contrasts.csv`: treatments that stand on one panel, held against each other by their treated sides.

use super::cells::Flags;
use super::cells::Rows;
use super::results::collect;
use super::results::write_interval;
use crate::difference::Books;
use crate::difference::contrasts;
use crate::run::Ledger;
use std::io;

pub(super) fn write(books: &Books<'_>, rows: &mut Rows<'_>) -> io::Result<()> {
    let ledger = books.run.ledger;
    let mut flags = Flags::default();
    for contrast in contrasts(books) {
        rows.text(&ledger.id)?;
        rows.text(ledger.setup.panels.get(contrast.panel).map_or("", |panel| &panel.id))?;
        rows.text(contrast.against.map_or("", |treatment| code(ledger, treatment)))?;
        rows.text(code(ledger, contrast.treatment))?;
        rows.text(contrast.design.text())?;
        rows.text(contrast.geometry.text())?;
        rows.integer(contrast.n_control as u64)?;
        rows.integer(contrast.n_treated as u64)?;
        let figures = contrast.figures.as_ref();
        rows.figure(figures.and_then(|figures| figures.control_mean_gu))?;
        rows.figure(figures.and_then(|figures| figures.treated_mean_gu))?;
        let difference = figures.and_then(|figures| figures.weighed.difference_gu);
        rows.figure(difference)?;
        write_interval(difference, figures.and_then(|figures| figures.weighed.chance.as_ref()), rows)?;
        let whole = figures.and_then(|figures| figures.weighed.whole);
        rows.figure(whole.map(|known| known.expanded_gu))?;
        rows.text(contrast.verdict().text())?;
        rows.text(contrast.status.text())?;
        collect(&contrast.flags, &mut flags);
        rows.text(flags.as_str())?;
        rows.end_row()?;
    }
    Ok(())
}

fn code(ledger: &Ledger, treatment: usize) -> &str {
    ledger.setup.treatments.get(treatment).map_or("", |treatment| &treatment.code)
}
