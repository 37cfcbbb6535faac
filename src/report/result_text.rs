//! The results of a run in words, short: difference ± uncertainty, verdict, and whether that is large
//! enough to matter. The rest is in the tables and in the budget. Lines of 80 columns at most, names
//! that are longer aside. Shape carries the meaning: up, down, none, unknown.

use crate::difference::Books;
use crate::difference::Comparison;
use crate::difference::wording::below;
use crate::difference::wording::footing;
use crate::difference::wording::verdict_words;
use crate::difference::wording::with_uncertainty;
use crate::run::Ledger;

/// All results of a run, line by line.
#[must_use]
pub fn results(books: &Books<'_>) -> Vec<String> {
    let ledger = books.run.ledger;
    let all = books.comparisons();
    let mut lines = Vec::new();
    let mut heading = String::new();
    for comparison in all {
        let panel = ledger.setup.panels.get(comparison.panel).map_or("", |panel| &panel.id);
        let stage = ledger.setup.zones.get(comparison.zone).map_or("", |zone| &zone.stage);
        let this = format!("Run {}, panel {panel}, {stage}", ledger.id);
        if this != heading {
            lines.push(this.clone());
            lines.push(format!("  {:<27}{:>4}   {:<16}", "treated minus control", "at", "      GU ± U"));
            heading = this;
        }
        lines.push(row(ledger, comparison));
        lines.extend(below(ledger, comparison).into_iter().map(|text| format!("      {text}")));
    }
    lines.extend(footing(ledger, all));
    lines
}

fn row(ledger: &Ledger, comparison: &Comparison<'_>) -> String {
    let treatment = ledger.setup.treatments.get(comparison.treatment);
    let name = treatment.map_or_else(String::new, |t| format!("{} {}", t.code, t.name));
    let name: String = name.chars().take(27).collect();
    let figure =
        comparison.figures.as_ref().map_or_else(String::new, |figures| with_uncertainty(&figures.weighed));
    let verdict = verdict_words(ledger, comparison);
    format!("  {name:<27}{:>3}°   {figure:<16}  {verdict}", comparison.geometry.text()).trim_end().to_owned()
}
