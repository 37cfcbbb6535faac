//! The front board by the board's own rules, which keep apart what was measured on different terms.

use crate::board::Boards;
use crate::board::Cost;
use crate::board::Judged;
use crate::board::PanelLife;
use crate::board::Sort;
use crate::board::gather::Material;
use crate::board::gather::Observed;
use crate::board::gather::entries;
use crate::life::Story;
use crate::run::setup::Comparing;
use crate::run::setup::Setup;
use crate::study::Study;
use crate::units::Geometry;
use std::collections::BTreeMap;
use std::io;

/// What ranking needs beside the study.
#[derive(Clone, Copy, Debug)]
pub struct Tables<'a> {
    /// `results.csv`.
    pub results_csv: &'a [u8],
    /// `budget.csv`.
    pub budget_csv: &'a [u8],
    /// The set-up of each run by its id.
    pub setups: &'a BTreeMap<String, Setup>,
}

/// Of a set-up what decides on which terms a run was measured: thousands of them are held at once.
#[must_use]
pub fn terms_of(setup: &Setup) -> Setup {
    Setup {
        profile: String::new(),
        panels: Vec::new(),
        treatments: Vec::new(),
        zones: Vec::new(),
        plan: Vec::new(),
        comparing: Comparing::default(),
        ..setup.clone()
    }
}

/// All treatments at a stage and geometry, the largest difference first.
///
/// # Errors
/// Tables that are none of this program's.
pub fn ranked(
    study: &Study,
    tables: Tables<'_>,
    stories: &[Story],
    stage: &str,
    geometry: Geometry,
) -> io::Result<Boards> {
    let observed = observed(study, stories);
    let material = Material {
        slug: &study.name,
        study,
        results_csv: tables.results_csv,
        budget_csv: tables.budget_csv,
        setups: tables.setups,
        observed: &observed,
    };
    Ok(Boards::of(entries(&material, stage, geometry)?, Sort::Difference))
}

/// What is known of each treatment beside its gloss, by code. Of an attribute that was judged twice on a panel the later
/// judgement counts; the cost is the mean over its lives.
#[must_use]
pub fn observed(study: &Study, stories: &[Story]) -> BTreeMap<String, Observed> {
    let mut found: BTreeMap<String, Observed> = BTreeMap::new();
    let mut costs: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for story in stories {
        let of = found.entry(story.treatment.clone()).or_default();
        // A life that nobody has looked at says nothing.
        if story.steps.iter().any(|step| step.works.is_some()) {
            of.lives.push(PanelLife { panel: story.panel.clone(), life: story.lifetime });
        }
        for attribute in &study.watching.attributes {
            if let Some(judgement) = story.judged(attribute) {
                of.judged.push(Judged { attribute: attribute.clone(), passed: judgement.passes });
            }
        }
        costs.entry(&story.treatment).or_default().extend(story.cost.map(|cost| cost.per_m2));
    }
    for (code, all) in costs.into_iter().filter(|(_, all)| !all.is_empty()) {
        let per_m2 = all.iter().sum::<f64>() / all.len() as f64;
        if let Some(of) = found.get_mut(code) {
            of.cost = Some(Cost { per_m2, currency: study.watching.currency.clone() });
        }
    }
    found
}
