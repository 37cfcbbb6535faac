//! The resolved set-up of a run: all that decides what its bytes mean. It stands in the recording's
//! head, so that a run is judged by the study as it stood then.

use super::ledger::CheckKind;
use crate::tile::TileRule;
use crate::units::Geometry;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// Everything that a run is judged by. The study makes it; the run knows no study.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Setup {
    /// Name of the study.
    pub study: String,
    /// Who holds the meter; empty if nobody was named.
    pub operator: String,
    /// Serial port as the study names it, or `sim:FILE`.
    pub port: String,
    /// The meter's profile, whole, as TOML.
    pub profile: String,
    /// Serial number of the study's meter, where the study states it and the meter's lines have one; a line
    /// with another is refused.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial_number: Option<String>,
    /// Geometries of the plan, rising; every placement must give them all.
    pub geometries: Vec<Geometry>,
    /// The reference tile.
    pub tile: Tile,
    /// When checks are asked for and how drift is treated.
    pub procedure: Procedure,
    /// What the difference is held against, fixed before the first reading.
    #[serde(default, skip_serializing_if = "Comparing::is_unset")]
    pub comparing: Comparing,
    /// The panels of this run.
    pub panels: Vec<Panel>,
    /// Treatments that stand on those panels.
    pub treatments: Vec<Treatment>,
    /// All zones of the run, panel by panel in the study's order.
    pub zones: Vec<Zone>,
    /// Reading order: indices into `zones`, each once, in blocks that hold both sides.
    pub plan: Vec<Block>,
    /// Present where the run asks how well the meter repeats, and compares no sides.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub repeatability: Option<Repeatability>,
}

/// One spot of a panel that is read twice over: without lifting the meter between two readings, and
/// lifting it and setting it down. Each of the two is a zone of the set-up.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Repeatability {
    /// Name of the zone on the panel.
    pub zone: String,
    /// Index into [`Setup::zones`] of the readings without lifting.
    pub still: usize,
    /// Index into [`Setup::zones`] of the readings with lifting.
    pub lifted: usize,
}

/// What the meter does between two readings of one spot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Between {
    /// It stays where it stands.
    Still,
    /// It is lifted and set down again.
    Lifted,
}

/// The tile, with its value at each geometry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tile {
    /// What the tile is called.
    pub name: String,
    /// Date on the certificate, `YYYY-MM-DD`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub certificate_date: Option<String>,
    /// Assigned values, one for each geometry of the plan.
    pub values: Vec<TileValue>,
    /// What a check must keep to.
    pub rule: TileRule,
    /// The black trap, where every sitting is to begin with a zero check.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zero: Option<Zero>,
    /// The tile in the middle of the scale, where every sitting is to begin with a check on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub middle: Option<Middle>,
}

/// A black trap, which has no gloss.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Zero {
    /// Largest distance of the mean from 0, GU, above 0.
    pub tolerance_gu: Decimal,
}

/// A second tile, between zero and the tile that proves the meter.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Middle {
    /// What the tile is called.
    pub name: String,
    /// Largest distance of the mean from the assigned value, GU, above 0.
    pub tolerance_gu: Decimal,
    /// Assigned values, one for each geometry of the plan, each below that of the tile.
    pub values: Vec<TileValue>,
}

/// The tile's assigned value at one geometry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TileValue {
    /// Geometry.
    pub geometry_deg: Geometry,
    /// Assigned value, GU.
    pub assigned_gu: Decimal,
    /// Expanded uncertainty (k = 2) of the assigned value, GU, where the certificate states one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expanded_uncertainty_gu: Option<Decimal>,
}

/// What a drift inside the limit does to the values.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DriftPolicy {
    /// Values stay as read; the drift enters the uncertainty.
    Allow,
    /// The gain is interpolated in time between the two checks of the bracket.
    Correct,
}

/// The rules of one sitting.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Procedure {
    /// Placements on each zone, 1 or more.
    pub readings_per_zone: u32,
    /// Ask for an interim check after this many zone placements since the last check.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interim_after_readings: Option<u32>,
    /// Ask for an interim check this many minutes after the last check.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interim_after_min: Option<u32>,
    /// A pause of this many minutes ends the sitting: a check comes first and both sides are read again.
    pub longest_pause_min: u32,
    /// What a drift inside the limit does to the values.
    pub drift_policy: DriftPolicy,
    /// Largest spread of the zones' means on one side of a panel, GU, above 0; beyond it, its zones are read
    /// more often.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side_range_limit_gu: Option<Decimal>,
}

/// What the difference is held against. Fixed when the run begins, so that nobody chooses it by what it
/// gives.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Comparing {
    /// Smallest difference that matters to the study, GU.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub matters_gu: Option<Decimal>,
    /// A difference within ±this counts as none, GU, if it can be shown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub equivalence_margin_gu: Option<Decimal>,
    /// Earlier runs that this one is compared with.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub earlier: Vec<Earlier>,
}

impl Comparing {
    fn is_unset(&self) -> bool {
        *self == Comparing::default()
    }
}

/// An earlier run of the same study, and what it is needed for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Earlier {
    /// What for.
    pub serves: Serves,
    /// Index of the panel in [`Setup::panels`].
    pub panel: usize,
    /// Stage of the panel's patches in that run.
    pub stage: String,
    /// Id of that run.
    pub run: String,
    /// SHA-256 of its recording, hex.
    pub sha256: String,
}

/// What an earlier run is needed for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Serves {
    /// It read the same zones bare: the comparison is paired by zone.
    Baseline,
    /// It read the treated zones at the stage that gloss is to be kept from.
    Retention,
    /// It made the same comparison on fewer zones, so that its result was known when these were added.
    Extended,
}

/// A panel of the run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Panel {
    /// Short name, such as `P1`.
    pub id: String,
    /// Width of the panel as drawn, mm.
    pub width_mm: f64,
    /// Height of the panel as drawn, mm.
    pub height_mm: f64,
}

/// A treatment on the panels of the run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Treatment {
    /// Short code, such as `T3`.
    pub code: String,
    /// Name of the product.
    pub name: String,
    /// Batch as printed on the container; empty if unknown.
    pub batch: String,
    /// How it was put on; empty if not noted.
    pub how: String,
    /// Hours it is to cure before the first treated reading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cure_hours: Option<f64>,
}

/// Which half of the comparison a zone belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Stays bare.
    Control,
    /// Gets a treatment.
    Treated,
}

impl Role {
    /// The role as it stands in the tables.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Role::Control => "control",
            Role::Treated => "treated",
        }
    }
}

/// One marked spot of a panel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Zone {
    /// Index of its panel in [`Setup::panels`].
    pub panel: usize,
    /// Name of the zone, unique on its panel.
    pub name: String,
    /// Which half it belongs to.
    pub role: Role,
    /// Index of its treatment in [`Setup::treatments`]; absent on a control zone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub treatment: Option<usize>,
    /// Stage of the patch, such as `bare` or `washed-10`; on a control zone, that of the panel.
    pub stage: String,
    /// When the treatment was put on, RFC 3339, where the study says so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub applied_at: Option<String>,
    /// Left edge, mm from the left of the panel.
    pub x_mm: f64,
    /// Upper edge, mm from the top of the panel.
    pub y_mm: f64,
    /// Width, mm.
    pub width_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
}

/// One side of a comparison: the control zones of a panel, or those of one treatment on it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Side {
    /// Index of the panel.
    pub panel: usize,
    /// The treatment; absent for the control.
    treatment: Option<Option<usize>>,
}

/// Zones that are read together: an interim check waits for the end of a block.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Block(pub Vec<usize>);

impl Setup {
    /// Panel and zone in one word, such as `P1 A3`; the zone alone where the run has one panel.
    #[must_use]
    pub fn zone_label(&self, zone: usize) -> String {
        let at = &self.zones[zone];
        if self.panels.len() == 1 {
            return at.name.clone();
        }
        format!("{} {}", self.panels[at.panel].id, at.name)
    }

    /// Name on its panel of the spot that a zone is read on.
    #[must_use]
    pub fn spot_name(&self, zone: usize) -> &str {
        match &self.repeatability {
            Some(repeatability) => &repeatability.zone,
            None => &self.zones[zone].name,
        }
    }

    /// What the meter does between two readings of a zone, where the run asks just that.
    #[must_use]
    pub fn between(&self, zone: usize) -> Option<Between> {
        let Repeatability { still, lifted, .. } = self.repeatability.as_ref()?;
        if zone == *still {
            return Some(Between::Still);
        }
        (zone == *lifted).then_some(Between::Lifted)
    }

    /// The tile's value at a geometry of the plan.
    #[must_use]
    pub fn tile_value(&self, geometry: Geometry) -> Option<&TileValue> {
        self.tile.values.iter().find(|v| v.geometry_deg == geometry)
    }

    /// What a check of this kind should read at a geometry of the plan, GU: 0 on the black trap.
    #[must_use]
    pub fn assigned_gu(&self, kind: CheckKind, geometry: Geometry) -> Option<Decimal> {
        match kind {
            CheckKind::Zero => self.tile.zero.map(|_| Decimal::ZERO),
            CheckKind::Middle => self.middle_value(geometry).map(|value| value.assigned_gu),
            _ => self.tile_value(geometry).map(|value| value.assigned_gu),
        }
    }

    /// What a check of this kind must keep to.
    #[must_use]
    pub fn check_rule(&self, kind: CheckKind) -> TileRule {
        let tile = &self.tile;
        let tolerance_gu = match kind {
            CheckKind::Zero => tile.zero.map(|zero| zero.tolerance_gu),
            CheckKind::Middle => tile.middle.as_ref().map(|middle| middle.tolerance_gu),
            _ => None,
        };
        TileRule { tolerance_gu: tolerance_gu.unwrap_or(tile.rule.tolerance_gu), ..tile.rule }
    }

    /// The middle tile's value at a geometry of the plan.
    #[must_use]
    pub fn middle_value(&self, geometry: Geometry) -> Option<&TileValue> {
        self.tile.middle.as_ref()?.values.iter().find(|v| v.geometry_deg == geometry)
    }

    /// The side of its panel that a zone belongs to: other zones of it have the same.
    #[must_use]
    pub fn side(&self, zone: usize) -> Side {
        let at = &self.zones[zone];
        let treatment = if at.role == Role::Control { None } else { Some(at.treatment) };
        Side { panel: at.panel, treatment }
    }
}
