//! The two sides in figures: means of the zones so far, and their difference, which is nothing to go by
//! before both tile checks hold.

use crate::run::setup::Role;
use crate::stats::summary;
use crate::stats::summary::mean;
use crate::units::Geometry;
use crate::view::survey::Mark;
use crate::view::survey::Survey;

/// Figures of one side of one panel at one geometry.
#[derive(Clone, Debug, PartialEq)]
pub struct Side {
    /// Index of the panel in the set-up.
    pub panel: usize,
    /// Index of the treatment in the set-up; absent on the control side.
    pub treatment: Option<usize>,
    /// Geometry.
    pub geometry: Geometry,
    /// Panel, where there are several, geometry and name.
    pub name: String,
    /// The same with the treatment's code alone.
    pub short: String,
    /// Zones with readings that count.
    pub read: usize,
    /// Zones of the side, those left out aside.
    pub of: usize,
    /// Mean of the zone means, GU.
    pub mean_gu: Option<f64>,
    /// Standard deviation of the zone means, GU.
    pub sd_gu: Option<f64>,
    /// Treated minus control, GU; absent on the control side.
    pub difference_gu: Option<f64>,
    /// Every zone of the side read in full and proven, or left out with a reason.
    pub proven: bool,
    /// Whether this is the control.
    pub is_control: bool,
}

/// All sides, panel by panel and geometry by geometry, each control before its treatments.
#[must_use]
pub fn sides(survey: &Survey<'_>) -> Vec<Side> {
    let setup = &survey.ledger.setup;
    let mut all = Vec::new();
    for panel in 0..setup.panels.len() {
        for &geometry in &setup.geometries {
            let control = side(survey, panel, geometry, None);
            let mean = control.mean_gu;
            let control_proven = control.proven;
            all.push(control);
            for treatment in 0..setup.treatments.len() {
                let mut treated = side(survey, panel, geometry, Some(treatment));
                treated.difference_gu = treated.mean_gu.zip(mean).map(|(t, c)| t - c);
                treated.proven &= control_proven;
                all.push(treated);
            }
        }
    }
    all.retain(|side| side.of > 0 || side.read > 0);
    all
}

fn side(survey: &Survey<'_>, panel: usize, geometry: Geometry, treatment: Option<usize>) -> Side {
    let setup = &survey.ledger.setup;
    let is_of_side = |zone: &usize| {
        let at = &setup.zones[*zone];
        at.panel == panel && at.treatment == treatment && (at.role == Role::Control) == treatment.is_none()
    };
    let zones: Vec<usize> = (0..setup.zones.len()).filter(is_of_side).collect();
    let kept = || zones.iter().filter(|&&zone| !survey.zones[zone].skipped);
    let means: Vec<f64> = kept().filter_map(|&z| mean(survey.zones[z].counted.get(geometry)?)).collect();
    let is_proven =
        |&zone: &usize| survey.mark(zone) == Mark::Proven && survey.zones[zone].taken >= survey.wanted(zone);
    Side {
        panel,
        treatment,
        geometry,
        name: name(survey, panel, geometry, treatment, true),
        short: name(survey, panel, geometry, treatment, false),
        read: means.len(),
        of: kept().count(),
        mean_gu: mean(&means),
        sd_gu: summary::standard_deviation(&means),
        difference_gu: None,
        proven: !means.is_empty() && kept().all(is_proven),
        is_control: treatment.is_none(),
    }
}

fn name(
    survey: &Survey<'_>,
    panel: usize,
    geometry: Geometry,
    treatment: Option<usize>,
    whole: bool,
) -> String {
    let setup = &survey.ledger.setup;
    let panel = match setup.panels.len() {
        1 => String::new(),
        _ => format!("{} ", setup.panels[panel].id),
    };
    let side = match treatment.and_then(|t| setup.treatments.get(t)) {
        None => "control".to_owned(),
        Some(treatment) if whole => format!("{} {}", treatment.code, treatment.name),
        Some(treatment) => treatment.code.clone(),
    };
    format!("{panel}{geometry} {side}")
}
