//! The front board by the board's own rules, which keep apart what was measured on different terms.

use crate::board::Boards;
use crate::board::Sort;
use crate::board::gather::Material;
use crate::board::gather::entries;
use crate::board::gather::observed;
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
    let observed = observed(stories, &study.watching.currency);
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
