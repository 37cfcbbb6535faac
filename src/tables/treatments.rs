//! `treatments.csv`: each treatment at each stage over all its panels. Worked out from the rows of
//! `results.csv` and `budget.csv` alone, so that anybody can do it again from what is published.

use super::cells::Flags;
use super::cells::Rows;
use super::results::write_interval;
use crate::difference::choice::BARE;
use crate::difference::panels::PRODUCT;
use crate::difference::panels::PanelResult;
use crate::difference::panels::together;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::collections::BTreeSet;
use std::io;
use std::io::Write;

#[derive(Deserialize)]
struct Result {
    run: String,
    panel: String,
    treatment: String,
    stage: String,
    design: String,
    geometry_deg: String,
    difference_gu: Option<f64>,
    expanded_uncertainty_gu: Option<f64>,
    status: String,
}

#[derive(Deserialize)]
struct Component {
    run: String,
    panel: String,
    treatment: String,
    geometry_deg: String,
    enters: String,
    contribution_gu: f64,
}

/// Treatment, stage, geometry.
type Key = (String, String, u32);

/// One panel's latest proven result.
struct Row {
    run: String,
    design: String,
    result: PanelResult,
}

/// Writes the table from the texts of the two others, headers included.
///
/// # Errors
/// Whatever `out` reports, and rows that are none of ours ([`io::ErrorKind::InvalidData`]).
pub fn treatments(results_csv: &[u8], budget_csv: &[u8], out: &mut dyn Write) -> io::Result<()> {
    let mut rows = Rows::new(out);
    super::header(super::Table::Treatments, &mut rows)?;
    let mut flags = Flags::default();
    for ((treatment, stage, geometry), panels) in by_treatment(results_csv, budget_csv)? {
        let of_panels: Vec<PanelResult> = panels.values().map(|row| row.result).collect();
        let Some(found) = together(&of_panels) else { continue };
        let listed = |what: fn((&String, &Row)) -> String| -> String {
            let all: BTreeSet<String> = panels.iter().map(what).collect();
            all.into_iter().collect::<Vec<_>>().join(", ")
        };
        let designs: BTreeSet<&str> = panels.values().map(|row| row.design.as_str()).collect();
        rows.text(&treatment)?;
        rows.text(&stage)?;
        rows.integer(geometry.into())?;
        rows.integer(panels.len() as u64)?;
        rows.text(&listed(|(panel, _)| panel.clone()))?;
        rows.text(&listed(|(_, row)| row.run.clone()))?;
        rows.figure(Some(found.difference_gu))?;
        rows.figure(found.spread_gu)?;
        write_interval(Some(found.difference_gu), found.chance.as_ref(), &mut rows)?;
        rows.figure(found.whole.map(|known| known.standard_uncertainty_gu))?;
        rows.figure(found.whole.map(|known| known.degrees_of_freedom))?;
        rows.figure(found.whole.map(|known| known.coverage_factor))?;
        rows.figure(found.whole.map(|known| known.expanded_gu))?;
        rows.text(found.verdict.text())?;
        rows.text(if panels.len() >= PRODUCT { "product" } else { "panels" })?;
        rows.figure(found.with_three_gu)?;
        flags.clear();
        match panels.len() {
            1 => flags.add("one-panel"),
            2 => flags.add("one-degree-of-freedom"),
            _ => {}
        }
        if designs.contains("no-baseline") {
            flags.add("no-baseline");
        }
        if designs.len() > 1 {
            flags.add("mixed-designs");
        }
        rows.text(flags.as_str())?;
        rows.end_row()?;
    }
    rows.finish()
}

/// Of each treatment at each stage and geometry the latest proven result of every panel.
fn by_treatment(results_csv: &[u8], budget_csv: &[u8]) -> io::Result<BTreeMap<Key, BTreeMap<String, Row>>> {
    let mut squares: BTreeMap<[String; 4], [f64; 2]> = BTreeMap::new();
    for component in read::<Component>(budget_csv) {
        let component = component?;
        let key = [component.run, component.panel, component.treatment, component.geometry_deg];
        let place = usize::from(component.enters == "common");
        squares.entry(key).or_default()[place] += component.contribution_gu * component.contribution_gu;
    }
    let mut found: BTreeMap<Key, BTreeMap<String, Row>> = BTreeMap::new();
    for row in read::<Result>(results_csv) {
        let row = row?;
        // Nothing has been put on a bare panel yet, so nothing is said of a treatment.
        let counts = row.status == "proven" && row.stage != BARE;
        let Some(difference_gu) = row.difference_gu.filter(|_| counts) else { continue };
        let key = [row.run.clone(), row.panel.clone(), row.treatment.clone(), row.geometry_deg.clone()];
        let [chance, common] = squares.get(&key).copied().unwrap_or_default();
        let result = PanelResult {
            difference_gu,
            chance_gu: chance.sqrt(),
            common_gu: row.expanded_uncertainty_gu.map(|_| common.sqrt()),
        };
        let geometry = row.geometry_deg.parse().map_err(invalid)?;
        let panels = found.entry((row.treatment, row.stage, geometry)).or_default();
        // Ids of runs sort by time.
        if panels.get(&row.panel).is_none_or(|known| known.run < row.run) {
            panels.insert(row.panel, Row { run: row.run, design: row.design, result });
        }
    }
    Ok(found)
}

/// Row by row: the budget of a long season has hundreds of thousands.
fn read<T: for<'de> Deserialize<'de>>(csv: &[u8]) -> impl Iterator<Item = io::Result<T>> {
    csv::Reader::from_reader(csv).into_deserialize().map(move |row| row.map_err(invalid))
}

fn invalid(error: impl std::error::Error + Send + Sync + 'static) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, error)
}
