//! The uncertainty budget of a result as a table for a terminal.

use crate::difference::Books;
use crate::difference::Comparison;
use crate::difference::comparison::Figures;
use crate::difference::drifts::Drifts;
use crate::difference::weighing::Known;
use crate::difference::weighing::Part;
use crate::difference::wording::with_uncertainty;
use crate::run::Ledger;

/// The budgets of all proven results of a run, line by line.
#[must_use]
pub fn budgets(books: &Books<'_>) -> Vec<String> {
    let mut lines = Vec::new();
    for comparison in books.comparisons() {
        lines.push(heading(books.run.ledger, comparison));
        match &comparison.figures {
            Some(figures) => {
                lines.extend(table(figures));
                lines.extend(drift(&Drifts::of(&books.run, comparison)));
            }
            None => lines.push("  no result, so no budget: the meter is not proven for it".to_owned()),
        }
        lines.push(String::new());
    }
    lines
}

fn heading(ledger: &Ledger, comparison: &Comparison<'_>) -> String {
    let panel = ledger.setup.panels.get(comparison.panel).map_or("", |panel| &panel.id);
    let treatment = ledger.setup.treatments.get(comparison.treatment).map_or("", |t| &t.code);
    let stage = ledger.setup.zones.get(comparison.zone).map_or("", |zone| &zone.stage);
    let figure = comparison.figures.as_ref().map_or_else(String::new, |f| with_uncertainty(&f.weighed));
    let design = comparison.design.text();
    let at = comparison.geometry.text();
    let figure = figure.trim();
    format!(
        "{treatment} on {panel}, {stage}, at {at}°: {figure}{} ({design})",
        if figure.is_empty() { "" } else { " GU" }
    )
}

fn table(figures: &Figures) -> Vec<String> {
    let names = figures.weighed.parts.iter().map(|part| part.component.name.chars().count());
    let width = names.max().unwrap_or(0).max(28) + 1;
    let row = |name: &str, cells: [String; 6]| {
        let [value, divisor, sensitivity, degrees, contribution, share] = cells;
        format!(
            "  {name:<width$}{value:>8}{divisor:>7}{sensitivity:>9}{degrees:>4}{contribution:>8}{share:>8}"
        )
    };
    let heads = ["value", "÷", "× sens.", "df", "= GU", "share"].map(str::to_owned);
    let mut lines = vec![row("component", heads)];
    let part_row = |part: &Part| {
        let component = &part.component;
        let degrees = component.degrees_of_freedom.map_or_else(|| "∞".to_owned(), |df| format!("{df:.0}"));
        let cells = [
            format!("{:.4}", component.value),
            format!("{:.3}", component.stated.divisor()),
            format!("{:+.4}", component.sensitivity),
            degrees,
            format!("{:.4}", part.contribution_gu),
            part.share.map_or_else(String::new, |share| format!("{:.1} %", 100.0 * share)),
        ];
        row(&component.name, cells)
    };
    let parts = &figures.weighed.parts;
    lines.extend(parts.iter().filter(|part| !part.common).map(part_row));
    lines.push(sum("decides the verdict", width, figures.weighed.chance.as_ref()));
    lines.extend(parts.iter().filter(|part| part.common).map(part_row));
    lines.push(match figures.weighed.whole {
        Some(_) => sum("all of it", width, figures.weighed.whole.as_ref()),
        None => "  no sum: the tile's certificate states no uncertainty".to_owned(),
    });
    lines
}

/// How far the tile moved, and how fast.
fn drift(drifts: &Drifts) -> Option<String> {
    let worst = drifts.worst?;
    let per_hour = worst.gu_per_h.map_or_else(String::new, |per_hour| {
        let interval = worst.half_width_gu_per_h.map_or_else(String::new, |half| {
            let may_be_none = if per_hour.abs() < half { ", which may be none" } else { "" };
            format!(" (95 %: {:+.2} to {:+.2}{may_be_none})", per_hour - half, per_hour + half)
        });
        format!(", {per_hour:+.2} GU/h{interval}")
    });
    Some(format!("  the tile moved by {:+.2} GU in the worst bracket{per_hour}", worst.gu))
}

fn sum(name: &str, width: usize, known: Option<&Known>) -> String {
    match known {
        Some(known) => format!(
            "  {name:<width$}u = {:.4} GU, df {:.1}, k = {:.2}, U = {:.4} GU",
            known.standard_uncertainty_gu, known.degrees_of_freedom, known.coverage_factor, known.expanded_gu
        ),
        None => format!("  {name:<width$}nothing to add up: it takes two zones a side"),
    }
}
