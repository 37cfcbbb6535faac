//! `study.toml` as it is written. What the keys mean together is judged in the other files.

use crate::run::setup::DriftPolicy;
use crate::study::model::Order;
use crate::units::Geometry;
use serde::Deserialize;
use toml::Spanned;

pub(super) type Text = Spanned<String>;
/// A number or a text in quotes; its digits are read from the source.
pub(super) type Figure = Spanned<toml::Value>;
pub(super) type Count = Spanned<u32>;
pub(super) type Millimetres = Spanned<f64>;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct File {
    pub name: Text,
    pub operator: Option<Text>,
    pub meter: Meter,
    pub tile: Spanned<Tile>,
    #[serde(default)]
    pub procedure: Procedure,
    #[serde(default)]
    pub comparing: Comparing,
    pub currency: Option<Text>,
    pub caution: Option<Text>,
    #[serde(default)]
    pub washing: Washing,
    #[serde(default)]
    pub failing: Failing,
    #[serde(default)]
    pub judging: Judging,
    #[serde(default)]
    pub scale: Scale,
    #[serde(default)]
    pub panel: Vec<Spanned<Panel>>,
    #[serde(default)]
    pub treatment: Vec<Treatment>,
    #[serde(default)]
    pub patch: Vec<Spanned<Patch>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Meter {
    pub port: Text,
    pub profile: Text,
    pub serial_number: Option<Text>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Tile {
    pub name: Text,
    pub certificate_date: Option<Figure>,
    pub refractive_index: Option<Spanned<f64>>,
    pub tolerance_gu: Option<Figure>,
    pub spread_limit_gu: Option<Figure>,
    #[serde(default)]
    pub value: Vec<TileValue>,
    pub zero: Option<Zero>,
    pub middle: Option<Spanned<Middle>>,
}

/// A black trap.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Zero {
    pub tolerance_gu: Option<Figure>,
}

/// A tile in the middle of the scale.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Middle {
    pub name: Text,
    pub tolerance_gu: Option<Figure>,
    #[serde(default)]
    pub value: Vec<TileValue>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TileValue {
    pub geometry_deg: Spanned<Geometry>,
    pub assigned_gu: Figure,
    pub expanded_uncertainty_gu: Option<Figure>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Procedure {
    pub geometries: Option<Spanned<Vec<Spanned<Geometry>>>>,
    pub readings_per_zone: Option<Count>,
    pub order: Order,
    pub tile_readings: Option<Count>,
    pub drift_limit_gu: Option<Figure>,
    pub interim_after_readings: Option<Count>,
    pub interim_after_min: Option<Count>,
    pub longest_pause_min: Option<Count>,
    pub drift_policy: Option<DriftPolicy>,
    pub side_range_limit_gu: Option<Figure>,
}

#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Comparing {
    pub matters_gu: Option<Figure>,
    pub equivalence_margin_gu: Option<Figure>,
    pub baseline: Option<bool>,
    pub retention_from: Option<Text>,
}

/// How panels are washed, and when they are looked at.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Washing {
    pub recipe: Option<Text>,
    pub amount: Option<Text>,
    pub look_after: Option<Spanned<Vec<Count>>>,
}

/// When a product counts as failed.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Failing {
    pub class_within: Option<Spanned<u32>>,
    pub failed_area_pct: Option<Spanned<f64>>,
    pub control_change: Option<Count>,
}

/// What a person judges.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Judging {
    pub attributes: Option<Spanned<Vec<Text>>>,
}

/// The classes of how water behaves.
#[derive(Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Scale {
    pub name: Option<Text>,
    pub classes: Option<Spanned<Vec<Text>>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Panel {
    pub id: Text,
    pub width_mm: Millimetres,
    pub height_mm: Millimetres,
    pub substrate: Option<Text>,
    pub note: Option<Text>,
    pub batch: Option<Text>,
    pub preparation: Option<Text>,
    pub reused: Option<Spanned<u32>>,
    #[serde(default = "yes")]
    pub active: bool,
    #[serde(default)]
    pub control: Vec<Text>,
    #[serde(default)]
    pub unused: Vec<Text>,
    #[serde(default)]
    pub row: Vec<Spanned<Row>>,
    #[serde(default)]
    pub zone: Vec<Zone>,
}

fn yes() -> bool {
    true
}

/// Zones of equal size side by side.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Row {
    pub names: Vec<Text>,
    pub y_mm: Millimetres,
    pub height_mm: Millimetres,
    pub x_mm: Option<Millimetres>,
    pub width_mm: Option<Millimetres>,
    pub gap_mm: Option<Millimetres>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Zone {
    pub name: Text,
    pub x_mm: Millimetres,
    pub y_mm: Millimetres,
    pub width_mm: Millimetres,
    pub height_mm: Millimetres,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Treatment {
    pub code: Text,
    pub name: Text,
    pub batch: Option<Text>,
    pub how: Option<Text>,
    pub cure_hours: Option<Spanned<f64>>,
    pub caution: Option<Text>,
    pub price: Option<Figure>,
    pub content: Option<Text>,
    pub covers_m2: Option<Spanned<f64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Patch {
    pub treatment: Text,
    pub panel: Text,
    pub zones: Spanned<Vec<Text>>,
    pub stage: Option<Text>,
    pub applied_at: Option<Figure>,
    pub area_cm2: Option<Spanned<f64>>,
}
