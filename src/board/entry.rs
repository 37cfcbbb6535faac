//! What a board is made from: plain facts of each treatment, gathered from its study's tables and observations.

use crate::life::Lifetime;
use serde::Serialize;

/// One treatment of one study, at one geometry and stage, measured on one set of terms.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// The study's folder name, unique among the entries' studies.
    pub study: String,
    /// Code of the treatment, such as `T3`.
    pub treatment: String,
    /// Name of the product.
    pub name: String,
    /// All that has to be the same for two treatments to stand on one board, in a fixed order.
    pub terms: Vec<Term>,
    /// The latest proven result of each panel; empty where there is none at the stage.
    pub panels: Vec<PanelFigure>,
    /// Gloss kept at each stage on each panel, in the order of the stages.
    pub kept: Vec<Kept>,
    /// Judgements by hand and eye that count.
    pub judged: Vec<Judged>,
    /// Lives of the patches.
    pub lives: Vec<PanelLife>,
    /// What it costs, where prices are given.
    pub cost: Option<Cost>,
}

/// One thing that has to be the same: geometry, stage, tile, procedure, washing, rule of failing.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Term {
    /// What it is, such as `tile`.
    pub what: String,
    /// What it is here, in words.
    pub is: String,
}

/// The result of one panel.
#[derive(Clone, Debug, PartialEq)]
pub struct PanelFigure {
    /// The panel's id in its study.
    pub panel: String,
    /// The run that read it.
    pub run: String,
    /// Treated minus control, GU.
    pub difference_gu: f64,
    /// Standard uncertainty by what is the panel's own, both sides, GU, 0 or more.
    pub chance_gu: f64,
    /// The treated side's part of it, GU, 0 or more: what is left when two treatments share a control.
    pub treated_gu: f64,
    /// Standard uncertainty by what all panels share, GU; absent where the certificate states none.
    pub common_gu: Option<f64>,
    /// Whether the zones were not read bare.
    pub no_baseline: bool,
}

/// Gloss kept on one panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept {
    /// The stage, such as `washed-10`.
    pub stage: String,
    /// The panel's id.
    pub panel: String,
    /// Treated gloss as a percentage of the earlier stage's.
    pub pct: f64,
}

/// One judgement.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Judged {
    /// What was judged, such as `feel`.
    pub attribute: String,
    /// Whether it passed.
    pub passed: bool,
}

/// The life of one patch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PanelLife {
    /// The panel's id.
    pub panel: String,
    /// How many washes it lasted.
    pub life: Lifetime,
}

/// What a treatment costs.
#[derive(Clone, Debug, PartialEq)]
pub struct Cost {
    /// For a square metre as it was put on, above 0.
    pub per_m2: f64,
    /// In what; empty if the study does not say.
    pub currency: String,
}
