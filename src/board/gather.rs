//! Entries of a study, from its tables and from what is known of its products' lives.

use crate::board::entry::Cost;
use crate::board::entry::Entry;
use crate::board::entry::Judged;
use crate::board::entry::Kept;
use crate::board::entry::PanelFigure;
use crate::board::entry::PanelLife;
use crate::board::entry::Term;
use crate::life::Story;
use crate::run::setup::DriftPolicy;
use crate::run::setup::Procedure;
use crate::run::setup::Setup;
use crate::run::setup::Tile;
use crate::stats::summary::mean;
use crate::study::Study;
use crate::units::Geometry;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::collections::BTreeSet;
use std::io;

/// What is known of a treatment beside its gloss.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Observed {
    /// Lives of its patches.
    pub lives: Vec<PanelLife>,
    /// Judgements that count.
    pub judged: Vec<Judged>,
    /// What it costs.
    pub cost: Option<Cost>,
}

/// From all lives of a study, by code of the treatment. A patch that nobody has looked at yet has no life to count.
/// Of an attribute that was judged twice in one life the later judgement counts; cost is the mean over the lives.
#[must_use]
pub fn observed(stories: &[Story], currency: &str) -> BTreeMap<String, Observed> {
    let mut found: BTreeMap<String, Observed> = BTreeMap::new();
    let mut costs: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for story in stories {
        let of = found.entry(story.treatment.clone()).or_default();
        // One look is enough, also one that found nothing to count yet: a life that is left out could be the one
        // that does not fit what is said of the others.
        let is_looked_at = story.steps.iter().any(|step| step.works.is_some());
        if is_looked_at {
            let panel = match story.life {
                1 => story.panel.clone(),
                again => format!("{}, life {again}", story.panel),
            };
            of.lives.push(PanelLife { panel, life: story.lifetime });
        }
        let attributes: BTreeSet<&str> = story.judgements.iter().map(|of| of.attribute.as_str()).collect();
        for judged in attributes.into_iter().filter_map(|attribute| story.judged(attribute)) {
            of.judged.push(Judged { attribute: judged.attribute.clone(), passed: judged.passes });
        }
        costs.entry(&story.treatment).or_default().extend(story.cost.as_ref().map(|cost| cost.per_m2));
    }
    for (treatment, costs) in costs {
        let cost = mean(&costs).map(|per_m2| Cost { per_m2, currency: currency.to_owned() });
        if let Some(of) = found.get_mut(treatment) {
            of.cost = cost;
        }
    }
    found
}

/// A study's facts, read from its folder.
#[derive(Clone, Copy)]
pub struct Material<'a> {
    /// The study's folder name, unique among the studies of a board.
    pub slug: &'a str,
    /// The study as it stands.
    pub study: &'a Study,
    /// `results.csv`.
    pub results_csv: &'a [u8],
    /// `budget.csv`.
    pub budget_csv: &'a [u8],
    /// The set-up of each run by its id, as it stands in the recording's head.
    pub setups: &'a BTreeMap<String, Setup>,
    /// What is known beside the gloss, by code of the treatment.
    pub observed: &'a BTreeMap<String, Observed>,
}

#[derive(Deserialize)]
struct Result {
    run: String,
    panel: String,
    treatment: String,
    stage: String,
    design: String,
    geometry_deg: u16,
    difference_gu: Option<f64>,
    expanded_uncertainty_gu: Option<f64>,
    retention_pct: Option<f64>,
    status: String,
}

#[derive(Deserialize)]
struct Component {
    run: String,
    panel: String,
    treatment: String,
    geometry_deg: u16,
    component: String,
    enters: String,
    contribution_gu: f64,
}

/// Run, panel, treatment.
type Place = (String, String, String);

/// Squares of the uncertainty of one result: all of the panel's own, the treated side's, and what panels share.
#[derive(Clone, Copy, Default)]
struct Squares {
    chance: f64,
    treated: f64,
    common: f64,
}

/// Every treatment of the study at one stage and geometry: one entry, or several where its panels were read on
/// different terms. A treatment without a result there has an entry without panels.
///
/// # Errors
/// Tables that are none of ours ([`io::ErrorKind::InvalidData`]).
pub fn entries(material: &Material<'_>, stage: &str, geometry: Geometry) -> io::Result<Vec<Entry>> {
    let counts = |row: &Result| row.status == "proven" && row.geometry_deg == geometry.degrees();
    let results: Vec<Result> = read::<Result>(material.results_csv)
        .filter(|row| row.as_ref().map_or(true, counts))
        .collect::<io::Result<_>>()?;
    let squares = squares(material.budget_csv, geometry)?;
    let mut found = Vec::new();
    for treatment in &material.study.treatments {
        let code = treatment.treatment.code.as_str();
        let of: Vec<&Result> = results.iter().filter(|row| row.treatment == code).collect();
        let observed = material.observed.get(code).cloned().unwrap_or_default();
        let mut by_terms = panels(material, &of, &squares, stage, geometry);
        let current = terms(material.study, None, stage, geometry);
        if by_terms.is_empty() {
            by_terms.push((current, Vec::new()));
        }
        // Lives belong to the treatment and not to a reading: they stand with what was read last.
        by_terms.sort_by_key(|(_, panels)| panels.iter().map(|panel| panel.run.clone()).max());
        let last = by_terms.len() - 1;
        for (index, (terms, panels)) in by_terms.into_iter().enumerate() {
            let with = index == last;
            found.push(Entry {
                study: material.slug.to_owned(),
                treatment: code.to_owned(),
                name: treatment.treatment.name.clone(),
                terms,
                panels,
                kept: if with { kept(&of) } else { Vec::new() },
                judged: if with { observed.judged.clone() } else { Vec::new() },
                lives: if with { observed.lives.clone() } else { Vec::new() },
                cost: observed.cost.clone().filter(|_| with),
            });
        }
    }
    Ok(found)
}

/// Stages of which the study has proven results at a geometry, in the order of their first run, `bare` left out.
///
/// # Errors
/// As [`entries`].
pub fn stages(results_csv: &[u8], geometry: Geometry) -> io::Result<Vec<String>> {
    let mut found: Vec<String> = Vec::new();
    for row in read::<Result>(results_csv) {
        let row = row?;
        let counts = row.status == "proven" && row.geometry_deg == geometry.degrees();
        if counts && row.stage != crate::difference::choice::BARE && !found.contains(&row.stage) {
            found.push(row.stage);
        }
    }
    Ok(found)
}

/// The latest result of each panel at the stage, apart by the terms of its run.
fn panels(
    material: &Material<'_>,
    of: &[&Result],
    squares: &BTreeMap<Place, Squares>,
    stage: &str,
    geometry: Geometry,
) -> Vec<(Vec<Term>, Vec<PanelFigure>)> {
    let mut latest: BTreeMap<&str, &Result> = BTreeMap::new();
    for row in of.iter().filter(|row| row.stage == stage && row.difference_gu.is_some()) {
        // Ids of runs sort by time.
        if latest.get(row.panel.as_str()).is_none_or(|known| known.run < row.run) {
            latest.insert(&row.panel, row);
        }
    }
    let mut by_terms: BTreeMap<Vec<Term>, Vec<PanelFigure>> = BTreeMap::new();
    for row in latest.into_values() {
        let place = (row.run.clone(), row.panel.clone(), row.treatment.clone());
        let known = squares.get(&place).copied().unwrap_or_default();
        let figure = PanelFigure {
            panel: row.panel.clone(),
            run: row.run.clone(),
            difference_gu: row.difference_gu.unwrap_or_default(),
            chance_gu: known.chance.sqrt(),
            treated_gu: known.treated.sqrt(),
            common_gu: row.expanded_uncertainty_gu.map(|_| known.common.sqrt()),
            no_baseline: row.design == "no-baseline",
        };
        let terms = terms(material.study, material.setups.get(&row.run), stage, geometry);
        by_terms.entry(terms).or_default().push(figure);
    }
    by_terms.into_iter().collect()
}

fn squares(budget_csv: &[u8], geometry: Geometry) -> io::Result<BTreeMap<Place, Squares>> {
    let mut found: BTreeMap<Place, Squares> = BTreeMap::new();
    for part in read::<Component>(budget_csv) {
        let part = part?;
        if part.geometry_deg != geometry.degrees() {
            continue;
        }
        let squares = found.entry((part.run, part.panel, part.treatment)).or_default();
        let square = part.contribution_gu * part.contribution_gu;
        if part.enters == "common" {
            squares.common += square;
        } else {
            squares.chance += square;
            if part.component.contains("treated") {
                squares.treated += square;
            }
        }
    }
    Ok(found)
}

/// The latest figure of each stage and panel, stages in the order of their first run.
fn kept(of: &[&Result]) -> Vec<Kept> {
    let mut found: Vec<(Kept, &str)> = Vec::new();
    for row in of {
        let Some(pct) = row.retention_pct else { continue };
        let known = found.iter().position(|(kept, _)| kept.stage == row.stage && kept.panel == row.panel);
        match known {
            Some(at) if found[at].1 < row.run.as_str() => (found[at].0.pct, found[at].1) = (pct, &row.run),
            Some(_) => {}
            None => found.push((Kept { stage: row.stage.clone(), panel: row.panel.clone(), pct }, &row.run)),
        }
    }
    let mut stages: Vec<&str> = Vec::new();
    for row in of {
        if !stages.contains(&row.stage.as_str()) {
            stages.push(&row.stage);
        }
    }
    found.sort_by_key(|(kept, _)| stages.iter().position(|stage| *stage == kept.stage));
    found.into_iter().map(|(kept, _)| kept).collect()
}

/// What has to be the same: as the run's head has it, else as the study stands.
fn terms(study: &Study, setup: Option<&Setup>, stage: &str, geometry: Geometry) -> Vec<Term> {
    let (tile, procedure): (&Tile, &Procedure) =
        setup.map_or((&study.tile, &study.procedure), |setup| (&setup.tile, &setup.procedure));
    let term = |what: &str, is: String| Term { what: what.to_owned(), is };
    let assigned = tile.values.iter().find(|value| value.geometry_deg == geometry);
    let policy = match procedure.drift_policy {
        DriftPolicy::Allow => "stays in the values",
        DriftPolicy::Correct => "is corrected for",
    };
    let watching = &study.watching;
    let washing = [Some(watching.washing.recipe.clone()).filter(|recipe| !recipe.is_empty())]
        .into_iter()
        .chain([watching.washing.amount.as_ref().map(ToString::to_string)])
        .flatten()
        .collect::<Vec<_>>();
    let failing = [
        watching.failing.class_within.map(|within| format!("water class within {within} of the control's")),
        watching.failing.failed_area_pct.map(|pct| format!("{pct} % of the area no longer sheds water")),
    ];
    let failing: Vec<String> = failing.into_iter().flatten().collect();
    vec![
        term("stage", stage.to_owned()),
        term("geometry", geometry.to_string()),
        term(
            "tile",
            match assigned {
                Some(value) => format!("{}, {} GU", tile.name, value.assigned_gu.normalize()),
                None => tile.name.clone(),
            },
        ),
        term("tile tolerance", format!("{} GU", tile.rule.tolerance_gu.normalize())),
        term("drift", format!("up to {} GU, {policy}", tile.rule.drift_limit_gu.normalize())),
        term("readings a zone", procedure.readings_per_zone.to_string()),
        term("washing", if washing.is_empty() { "not stated".to_owned() } else { washing.join(", ") }),
        term("failed when", failing.join(", or ")),
        term("water scale", watching.scale.name.clone()),
    ]
}

/// Row by row: the budget of a long season has hundreds of thousands.
fn read<T: for<'de> Deserialize<'de>>(csv: &[u8]) -> impl Iterator<Item = io::Result<T>> {
    let invalid = |error| io::Error::new(io::ErrorKind::InvalidData, error);
    csv::Reader::from_reader(csv).into_deserialize().map(move |row| row.map_err(invalid))
}
