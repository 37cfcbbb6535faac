//! What a study says, once it has been read and found to fit together.

use crate::meter::Profile;
use crate::meter::shipped;
use crate::run::setup::Procedure;
use crate::run::setup::Tile;
use crate::run::setup::Treatment;
use crate::study::watching::Price;
use crate::study::watching::Watching;
use crate::text::Problem;
use crate::units::Geometry;
use crate::units::PerGeometry;
use rust_decimal::Decimal;
use serde::Deserialize;
use std::ops::Range;

/// A study that fits together. Made by [`Study::load`] only.
#[derive(Clone, Debug)]
pub struct Study {
    pub(super) file: String,
    pub(super) source: String,
    pub(super) geometry_places: Vec<Range<usize>>,
    /// Name of the study.
    pub name: String,
    /// Who usually holds the meter; empty if the study names nobody.
    pub operator: String,
    /// Serial port, or `sim:FILE` with a scenario in the study's folder.
    pub port: String,
    /// Where the meter's profile comes from.
    pub profile: ProfileChoice,
    /// The serial number that the meter's lines have to have, where the study states it.
    pub serial_number: Option<String>,
    /// Where that stands in the source.
    pub(super) serial_place: Range<usize>,
    /// The reference tile with every value that the study gives, rising by geometry.
    pub tile: Tile,
    /// Refractive index of the tile, 1.3 to 1.85, where its certificate states one.
    pub tile_index: Option<f64>,
    /// The rules of a sitting; the meter's repeatability is added from its profile when a run is set up.
    pub procedure: Procedure,
    /// Geometries that each placement gives, rising.
    pub geometries: Vec<Geometry>,
    /// In which order the zones are read.
    pub order: Order,
    /// What a difference is held against.
    pub comparing: StudyComparing,
    /// How the products' lives are watched and judged.
    pub watching: Watching,
    /// The panels, in the order of the file.
    pub panels: Vec<StudyPanel>,
    /// The treatments, in the order of the file.
    pub treatments: Vec<StudyTreatment>,
    /// The patches, in the order of the file.
    pub patches: Vec<Patch>,
}

/// Where the meter's profile comes from.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ProfileChoice {
    /// One that comes with the program, by name.
    Shipped(String),
    /// A TOML file: its path from the study's folder, with `/` between folders.
    File(String),
}

/// In which order the zones of a panel are read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// As the study lists them.
    Listed,
    /// A control zone, then one of each treatment, over and over.
    Alternate,
    /// As `alternate`, with every second round turned about, so that a linear drift cancels.
    #[default]
    Mirror,
}

/// What a difference is held against.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StudyComparing {
    /// Smallest difference that matters, GU.
    pub matters_gu: Option<Decimal>,
    /// Margin within which sides count as equal, GU.
    pub equivalence_margin_gu: Option<Decimal>,
    /// Whether bare readings of the same zones are used where there are any.
    pub baseline: bool,
    /// Stage that gloss is to be kept from.
    pub retention_from: String,
}

/// A test panel and its zones.
#[derive(Clone, Debug, PartialEq)]
pub struct StudyPanel {
    /// Short name, such as `P1`.
    pub id: String,
    /// Width as drawn, mm.
    pub width_mm: f64,
    /// Height as drawn, mm.
    pub height_mm: f64,
    /// What the panel is made of; empty if not noted.
    pub substrate: String,
    /// A remark; empty if there is none.
    pub note: String,
    /// Batch of the panel itself; empty if not noted.
    pub batch: String,
    /// How it was prepared; empty if not noted.
    pub preparation: String,
    /// How often it had been stripped and used again before this study.
    pub reused: u32,
    /// Whether a run that names no panel reads this one.
    pub active: bool,
    /// The zones: those of the rows first, then the single ones, each in the order of the file.
    pub zones: Vec<StudyZone>,
}

/// A marked spot of a panel; edges in mm from the upper left corner.
#[derive(Clone, Debug, PartialEq)]
pub struct StudyZone {
    /// Name, unique on its panel.
    pub name: String,
    /// What the study does with it.
    pub used_as: ZoneUse,
    /// Left edge, mm.
    pub x_mm: f64,
    /// Upper edge, mm.
    pub y_mm: f64,
    /// Width, mm.
    pub width_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
}

/// What the study does with a zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ZoneUse {
    /// Stays without a treatment, and is read with every patch of its panel.
    Control,
    /// Belongs to the patch of this index in [`Study::patches`].
    Patch(usize),
    /// Is not read.
    Unused,
}

/// A treatment, and the caution that goes with it.
#[derive(Clone, Debug, PartialEq)]
pub struct StudyTreatment {
    /// As a run knows it.
    pub treatment: Treatment,
    /// What to mind with this product, beside the program's own cautions; empty if nothing is noted.
    pub caution: String,
    /// What a container costs, where the study says so.
    pub price: Option<Price>,
}

/// A treatment on given zones of one panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Patch {
    /// Index in [`Study::treatments`].
    pub treatment: usize,
    /// Index in [`Study::panels`].
    pub panel: usize,
    /// Where the treatment is in its life, such as `cured`.
    pub stage: String,
    /// Whether the study itself states the stage; `cured` stands for one that it leaves open.
    pub is_stage_stated: bool,
    /// When it was put on, RFC 3339 with the offset as written.
    pub applied_at: Option<String>,
    /// Area that has the product, mm²: as stated, or that of its zones; above zero.
    pub area_mm2: f64,
}

impl Study {
    /// Text of the profile where it is a shipped one; otherwise the caller reads the file.
    #[must_use]
    pub fn shipped_profile(&self) -> Option<&'static str> {
        match &self.profile {
            ProfileChoice::Shipped(name) => shipped::text(name),
            ProfileChoice::File(_) => None,
        }
    }

    /// Whether the serial number that the study states can be held against the meter's lines. `profile` is the
    /// meter's.
    ///
    /// # Errors
    /// If its lines carry none, or the profile states another.
    pub fn check_serial_number(&self, profile: &Profile) -> Result<(), Problem> {
        let Some(number) = &self.serial_number else { return Ok(()) };
        let refuse = |what: String, hint: &str| {
            Err(Problem::at(&self.file, &self.source, self.serial_place.clone(), what, hint))
        };
        if !profile.reader().names_serial() {
            let what =
                "the profile's lines carry no serial number, so nothing could be held against this one"
                    .to_owned();
            let hint = "name the field `serial` in the profile if the meter sends its number, or take `serial_number` out";
            return refuse(what, hint);
        }
        match profile.serial_number() {
            Some(other) if other != number => {
                let what = format!("`serial_number` is `{number}` here and `{other}` in the profile");
                refuse(what, "state it in one of the two places; the number stands on the meter's plate")
            }
            _ => Ok(()),
        }
    }

    /// Whether the meter gives every geometry of the procedure. `available` is what its profile gives.
    ///
    /// # Errors
    /// The first geometry that it does not give, with its place in the study.
    pub fn check_geometries(&self, available: &PerGeometry<()>) -> Result<(), Problem> {
        let missing = self.geometries.iter().position(|&g| available.get(g).is_none());
        let Some(index) = missing else { return Ok(()) };
        let given: Vec<&str> = available.iter().map(|(g, ())| g.text()).collect();
        Err(Problem::at(
            &self.file,
            &self.source,
            self.geometry_places[index].clone(),
            format!("the meter's profile gives no value at {}", self.geometries[index]),
            format!("it gives {}; change `geometries` or the profile", given.join(", ")),
        ))
    }
}
