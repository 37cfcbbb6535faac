//! What is known of the panels: batch, preparation, how often they were used, and which half has the product.

use crate::life::observation::Observations;
use crate::life::observation::What;
use crate::study::Study;
use crate::study::StudyPanel;
use crate::study::ZoneUse;
use serde::Serialize;

/// Sides whose middles lie nearer than this share of the panel have no side of their own.
const LEAST_SHARE: f64 = 0.05;

/// Which half of a panel has the product, as seen from the control.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Half {
    /// Left of the control.
    Left,
    /// Right of it.
    Right,
    /// Above it.
    Upper,
    /// Below it.
    Lower,
}

impl Half {
    /// In a word.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Half::Left => "left",
            Half::Right => "right",
            Half::Upper => "upper",
            Half::Lower => "lower",
        }
    }
}

/// What is known of a panel.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PanelFacts {
    /// Its id.
    pub panel: String,
    /// What it is made of; empty if not noted.
    pub substrate: String,
    /// Its batch; empty if not noted.
    pub batch: String,
    /// How it was prepared; empty if not noted.
    pub preparation: String,
    /// How often it was stripped and used again, before the study and in it.
    pub reused: u32,
    /// Washes since it was prepared.
    pub washes: u32,
    /// Of each patch on it, the treatment's code and the half that has the product; absent where it lies among the control.
    pub halves: Vec<(String, Option<Half>)>,
}

/// The facts of every panel, in the study's order.
#[must_use]
pub fn panel_facts(study: &Study, observations: &Observations) -> Vec<PanelFacts> {
    let facts = study.panels.iter().enumerate().map(|(index, panel)| {
        let patches = study.patches.iter().enumerate().filter(|(_, patch)| patch.panel == index);
        let code = |treatment: usize| study.treatments[treatment].treatment.code.clone();
        PanelFacts {
            panel: panel.id.clone(),
            substrate: panel.substrate.clone(),
            batch: panel.batch.clone(),
            preparation: panel.preparation.clone(),
            reused: panel.reused,
            washes: 0,
            halves: patches.map(|(at, patch)| (code(patch.treatment), half(panel, at))).collect(),
        }
    });
    let mut facts: Vec<PanelFacts> = facts.collect();
    for row in observations.in_time() {
        match row.what {
            What::Stripped { panel, patch: None } => {
                facts[panel].reused = facts[panel].reused.saturating_add(1);
                facts[panel].washes = 0;
            }
            What::Washed { panel, washes, .. } => facts[panel].washes = facts[panel].washes.max(washes),
            What::Looked { patch, washes: Some(washes), .. } => {
                let facts = &mut facts[study.patches[patch].panel];
                facts.washes = facts.washes.max(washes);
            }
            _ => {}
        }
    }
    facts
}

/// A warning for each treatment that has the same half of every panel: what differs between the halves (light, wear, the
/// hand of the one who reads) would look like the product.
#[must_use]
pub fn never_swapped(study: &Study) -> Vec<String> {
    let mut warnings = Vec::new();
    for (index, treatment) in study.treatments.iter().enumerate() {
        let on = study.patches.iter().enumerate().filter(|(_, patch)| patch.treatment == index);
        let halves: Vec<Half> = on.filter_map(|(at, patch)| half(&study.panels[patch.panel], at)).collect();
        if let [first, rest @ ..] = halves.as_slice()
            && !rest.is_empty()
            && rest.iter().all(|half| half == first)
        {
            warnings.push(format!(
                "`{}` has the {} half of each of its {} panels: swap the halves between panels, so that what differs between them is not taken for the product",
                treatment.treatment.code,
                first.word(),
                halves.len()
            ));
        }
    }
    warnings
}

/// From the middle of the control zones to that of the patch, as shares of the panel.
fn half(panel: &StudyPanel, patch: usize) -> Option<Half> {
    let middle = |used_as: ZoneUse| {
        let zones: Vec<(f64, f64)> = panel
            .zones
            .iter()
            .filter(|zone| zone.used_as == used_as)
            .map(|zone| (zone.x_mm + zone.width_mm / 2.0, zone.y_mm + zone.height_mm / 2.0))
            .collect();
        let n = zones.len() as f64;
        let sum = zones.iter().fold((0.0, 0.0), |sum, zone| (sum.0 + zone.0, sum.1 + zone.1));
        (n > 0.0).then(|| (sum.0 / n / panel.width_mm, sum.1 / n / panel.height_mm))
    };
    let (control, treated) = (middle(ZoneUse::Control)?, middle(ZoneUse::Patch(patch))?);
    let (across, down) = (treated.0 - control.0, treated.1 - control.1);
    if across.abs().max(down.abs()) < LEAST_SHARE {
        return None;
    }
    Some(match across.abs() > down.abs() {
        true if across < 0.0 => Half::Left,
        true => Half::Right,
        false if down < 0.0 => Half::Upper,
        false => Half::Lower,
    })
}
