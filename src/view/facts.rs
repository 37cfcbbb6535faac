//! What a study says that the page needs before a run begins.

use crate::study::Study;
use crate::study::ZoneUse;
use crate::units::Geometry;

/// What a study says.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StudyFacts {
    /// Name of the study.
    pub name: String,
    /// Who usually holds the meter; empty if nobody is named.
    pub operator: String,
    /// Serial port, or `sim:FILE`.
    pub port: String,
    /// Path of the study's folder, for whoever looks for the tables; empty until somebody who knows it says so.
    pub folder: String,
    /// Name of the tile.
    pub tile: String,
    /// Geometries that are read, rising.
    pub geometries: Vec<Geometry>,
    /// Placements on each zone.
    pub readings_per_zone: u32,
    /// The panels, in the order of the file.
    pub panels: Vec<PanelFacts>,
    /// The treatments, in the order of the file.
    pub treatments: Vec<TreatmentFacts>,
    /// The patches, in the order of the file.
    pub patches: Vec<PatchFacts>,
    /// Stages that the study names, each once; `bare` first.
    pub stages: Vec<String>,
}

/// A panel of the study.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PanelFacts {
    /// Short name.
    pub id: String,
    /// Width as drawn, mm.
    pub width_mm: f64,
    /// Height as drawn, mm.
    pub height_mm: f64,
    /// What it is made of; empty if not noted.
    pub substrate: String,
    /// A remark; empty if there is none.
    pub note: String,
    /// Whether a run that names no panel reads it.
    pub active: bool,
    /// Its zones.
    pub zones: Vec<ZoneFacts>,
}

/// A zone of the study; edges in mm from the upper left corner of its panel.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ZoneFacts {
    /// Name on its panel.
    pub name: String,
    /// Left edge, mm.
    pub x_mm: f64,
    /// Upper edge, mm.
    pub y_mm: f64,
    /// Width, mm.
    pub width_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
    /// Index of its treatment in [`StudyFacts::treatments`]; absent on a control zone and one that is not read.
    pub treatment: Option<usize>,
    /// Whether it is read at all.
    pub is_read: bool,
}

/// A treatment of the study.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TreatmentFacts {
    /// Short code.
    pub code: String,
    /// Name of the product.
    pub name: String,
    /// How it was put on; empty if not noted.
    pub how: String,
    /// Hours it is to cure before the first reading.
    pub cure_hours: Option<f64>,
    /// What to mind with it; empty if nothing is noted.
    pub caution: String,
}

/// A treatment on a panel.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PatchFacts {
    /// Index in [`StudyFacts::panels`].
    pub panel: usize,
    /// Index in [`StudyFacts::treatments`].
    pub treatment: usize,
    /// Where it is in its life.
    pub stage: String,
    /// When it was put on, RFC 3339 with offset.
    pub applied_at: Option<String>,
    /// When it will have cured, RFC 3339 with the same offset; absent without both.
    pub cured_at: Option<String>,
}

impl StudyFacts {
    /// The facts of a study.
    #[must_use]
    pub fn of(study: &Study) -> StudyFacts {
        let mut stages = vec!["bare".to_owned()];
        for patch in &study.patches {
            if !stages.contains(&patch.stage) {
                stages.push(patch.stage.clone());
            }
        }
        StudyFacts {
            name: study.name.clone(),
            operator: study.operator.clone(),
            port: study.port.clone(),
            folder: String::new(),
            tile: study.tile.name.clone(),
            geometries: study.geometries.clone(),
            readings_per_zone: study.procedure.readings_per_zone,
            panels: (0..study.panels.len()).map(|panel| panel_facts(study, panel)).collect(),
            treatments: study.treatments.iter().map(treatment_facts).collect(),
            patches: study.patches.iter().map(|patch| patch_facts(study, patch)).collect(),
            stages,
        }
    }
}

fn treatment_facts(treatment: &crate::study::StudyTreatment) -> TreatmentFacts {
    TreatmentFacts {
        code: treatment.treatment.code.clone(),
        name: treatment.treatment.name.clone(),
        how: treatment.treatment.how.clone(),
        cure_hours: treatment.treatment.cure_hours,
        caution: treatment.caution.clone(),
    }
}

fn panel_facts(study: &Study, panel: usize) -> PanelFacts {
    let of = &study.panels[panel];
    let zone = |zone: &crate::study::StudyZone| ZoneFacts {
        name: zone.name.clone(),
        x_mm: zone.x_mm,
        y_mm: zone.y_mm,
        width_mm: zone.width_mm,
        height_mm: zone.height_mm,
        treatment: match zone.used_as {
            ZoneUse::Patch(patch) => study.patches.get(patch).map(|patch| patch.treatment),
            ZoneUse::Control | ZoneUse::Unused => None,
        },
        is_read: zone.used_as != ZoneUse::Unused,
    };
    PanelFacts {
        id: of.id.clone(),
        width_mm: of.width_mm,
        height_mm: of.height_mm,
        substrate: of.substrate.clone(),
        note: of.note.clone(),
        active: of.active,
        zones: of.zones.iter().map(zone).collect(),
    }
}

fn patch_facts(study: &Study, patch: &crate::study::Patch) -> PatchFacts {
    let hours = study.treatments.get(patch.treatment).and_then(|t| t.treatment.cure_hours);
    let cured = || {
        let applied = chrono::DateTime::parse_from_rfc3339(patch.applied_at.as_deref()?).ok()?;
        // Seconds are near enough for a cure of hours; one beyond a calendar's end is no date.
        let seconds = (hours? * 3600.0).round();
        let cure = chrono::TimeDelta::try_seconds(seconds as i64)?;
        Some(applied.checked_add_signed(cure)?.to_rfc3339())
    };
    PatchFacts {
        panel: patch.panel,
        treatment: patch.treatment,
        stage: patch.stage.clone(),
        applied_at: patch.applied_at.clone(),
        cured_at: cured(),
    }
}
