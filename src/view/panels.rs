//! The panels, to their layout.

use crate::run::setup::Role;
use crate::units::PerGeometry;
use crate::view::survey::Mark;
use crate::view::survey::Survey;

/// A panel of the run as it is drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct PanelView {
    /// Short name, such as `P1`.
    pub id: String,
    /// Width as drawn, mm.
    pub width_mm: f64,
    /// Height as drawn, mm.
    pub height_mm: f64,
    /// Its zones, in the study's order.
    pub zones: Vec<ZoneView>,
    /// Whether the next zone lies on it.
    pub is_current: bool,
}

/// A zone as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct ZoneView {
    /// Index in the set-up.
    pub index: usize,
    /// What the operator's words call it, such as `A3`, or `P1 A3` where the run has several panels.
    pub label: String,
    /// Name on its panel.
    pub name: String,
    /// Left edge, mm from the left of the panel.
    pub x_mm: f64,
    /// Upper edge, mm from the top of the panel.
    pub y_mm: f64,
    /// Width, mm.
    pub width_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
    /// Which half it belongs to.
    pub role: Role,
    /// Index of its treatment in the set-up; absent on a control zone.
    pub treatment: Option<usize>,
    /// Code of its treatment; absent on a control zone.
    pub code: Option<String>,
    /// How it stands.
    pub mark: Mark,
    /// Whether it was read, did not hold, and is read again.
    pub is_read_again: bool,
    /// Why it was left out; absent if it was not.
    pub left_out_because: Option<String>,
    /// Placements of the present attempt.
    pub taken: u32,
    /// Placements that it needs.
    pub wanted: u32,
    /// Last value as the meter printed it, GU, by geometry.
    pub last_gu: PerGeometry<String>,
}

/// All panels of a run.
#[must_use]
pub fn panels(survey: &Survey<'_>) -> Vec<PanelView> {
    let setup = &survey.ledger.setup;
    let next = survey.next_zone().map(|zone| setup.zones[zone].panel);
    let of = |(at, panel): (usize, &crate::run::setup::Panel)| PanelView {
        id: panel.id.clone(),
        width_mm: panel.width_mm,
        height_mm: panel.height_mm,
        zones: (0..setup.zones.len())
            .filter(|&zone| setup.zones[zone].panel == at)
            .map(|zone| zone_view(survey, zone))
            .collect(),
        is_current: next == Some(at),
    };
    setup.panels.iter().enumerate().map(of).collect()
}

fn zone_view(survey: &Survey<'_>, zone: usize) -> ZoneView {
    let setup = &survey.ledger.setup;
    let (at, now) = (&setup.zones[zone], &survey.zones[zone]);
    let mark = survey.mark(zone);
    ZoneView {
        index: zone,
        label: setup.zone_label(zone),
        name: setup.spot_name(zone).to_owned(),
        x_mm: at.x_mm,
        y_mm: at.y_mm,
        width_mm: at.width_mm,
        height_mm: at.height_mm,
        role: at.role,
        treatment: at.treatment,
        code: at.treatment.and_then(|t| setup.treatments.get(t)).map(|t| t.code.clone()),
        mark,
        is_read_again: now.not_held && !survey.over && now.counted.is_empty() && !now.skipped,
        left_out_because: survey.ledger.skipped.get(&zone).cloned(),
        taken: now.taken,
        wanted: survey.wanted(zone),
        last_gu: survey.shown(zone).clone(),
    }
}
