//! A season at the simulated bench: what the surfaces of a study are in truth from the bare panel to the last wash,
//! and so the scenario of the simulated meter for each sitting. For demonstrations and tests; everything follows
//! from one seed.
//!
//! A zone's truth is its bare gloss, which differs from panel to panel and from zone to zone; what washing took from
//! it, control and treated alike; and what its treatment adds, which differs a little from panel to panel and from
//! zone to zone, loses something to the wipe, and fades by a half over so many washes.

mod deed;
mod water;

use crate::study::model::Study;
use crate::study::model::ZoneUse;
use crate::text::Problem;
use crate::text::parse;
use chrono::DateTime;
use chrono::FixedOffset;
use rand::RngExt;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use serde::Deserialize;
use std::collections::BTreeMap;
use toml::Spanned;
use toml::Table;
use toml::Value;

pub use deed::Deed;
pub use deed::Happening;
pub use water::Shedding;

/// A season as its file gives it.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Season {
    seed: u64,
    /// Keys of every sitting's scenario, as in a scenario file.
    scenario: Table,
    surfaces: Surfaces,
    water: Water,
    #[serde(rename = "treatment", default)]
    treatments: Vec<Spanned<Treated>>,
    /// What is done on the panels beside the readings.
    #[serde(rename = "deed", default)]
    deeds: Vec<Deed>,
    /// The sittings, in the order in which they are held.
    #[serde(rename = "sitting", default)]
    pub sittings: Vec<SeasonSitting>,
}

/// How water behaves on bare panels.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Water {
    /// Class of the control, on the study's scale.
    control_class: u32,
}

/// What bare panels are, and how much everything differs from place to place; standard deviations in GU.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Surfaces {
    bare_gu: f64,
    between_panels_sd_gu: f64,
    between_zones_sd_gu: f64,
    effect_between_panels_sd_gu: f64,
    effect_between_zones_sd_gu: f64,
    lost_per_wash_gu: f64,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Treated {
    code: String,
    /// What it adds to the gloss when it is cured, GU; below 0 where it dulls.
    effect_gu: f64,
    /// What the wipe takes off the effect, GU.
    #[serde(default)]
    wipe_takes_gu: f64,
    /// Washes after which half of the effect is left.
    halves_over_washes: f64,
    /// Class of water on it when it is fresh.
    class: u32,
    /// Washes after which it no longer works, in the middle.
    lasts_washes: f64,
    /// Standard deviation of that from panel to panel.
    lasts_sd_washes: f64,
    /// The pass of the solvent wipe at which beading ends; absent where it does not.
    beading_ended_pass: Option<u32>,
}

/// One sitting of a season.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SeasonSitting {
    /// When it begins.
    pub starts: DateTime<FixedOffset>,
    /// Stage that is read: `bare`, `cured`, `wiped`, `washed-N`.
    pub stage: String,
    /// Panels that are read.
    pub panels: Vec<String>,
    /// Treatments that are read; all on the panels if empty.
    #[serde(default)]
    pub treatments: Vec<String>,
    /// What happens in it, for people.
    pub story: String,
    /// Whether the operator gives the run up at the first bracket that does not hold.
    #[serde(default)]
    pub given_up: bool,
    /// Keys of the scenario that this sitting has beside the season's, or in their place.
    #[serde(default)]
    scenario: Table,
}

impl Season {
    /// Reads a season; `file` is the name to show in errors.
    ///
    /// # Errors
    /// The first problem with its line and column: not TOML, a key that does not exist, a treatment that the study
    /// does not have.
    pub fn load(file: &str, source: &str, study: &Study) -> Result<Season, Problem> {
        let season: Season = parse(file, source)?;
        for treated in &season.treatments {
            let code = &treated.as_ref().code;
            if !study.treatments.iter().any(|t| t.treatment.code == *code) {
                let what = format!("the study has no treatment `{code}`");
                return Err(Problem::at(
                    file,
                    source,
                    treated.span(),
                    what,
                    "name one of the study".to_owned(),
                ));
            }
        }
        Ok(season)
    }

    /// All that happens, in the order of time.
    #[must_use]
    pub fn happenings(&self) -> Vec<Happening<'_>> {
        let sittings = self.sittings.iter().enumerate();
        let sittings =
            sittings.map(|(number, sitting)| (sitting.starts, Happening::Sitting(number, sitting)));
        let deeds = self.deeds.iter().map(|deed| (deed.at(), Happening::Deed(deed)));
        let mut all: Vec<_> = sittings.chain(deeds).collect();
        all.sort_by_key(|(at, _)| *at);
        all.into_iter().map(|(_, happening)| happening).collect()
    }

    fn treated(&self, code: &str) -> Option<&Treated> {
        self.treatments.iter().map(Spanned::as_ref).find(|treated| treated.code == code)
    }

    /// The text of a sitting's scenario, for [`crate::meter::Scenario::load`]. `number` counts the sittings, so that no
    /// two of them share their noise.
    #[must_use]
    pub fn scenario(&self, study: &Study, number: usize, sitting: &SeasonSitting) -> String {
        let mut scenario = self.written(study, number as u64 + 1, &sitting.stage);
        scenario.extend(sitting.scenario.clone());
        text(&scenario)
    }

    /// The text of a scenario with every panel freshly treated, in real time: for practice.
    #[must_use]
    pub fn practice(&self, study: &Study) -> String {
        let mut scenario = self.written(study, 0, "cured");
        scenario.remove("time_factor");
        text(&scenario)
    }

    /// The season's scenario with the truth of every zone at a stage.
    fn written(&self, study: &Study, number: u64, stage: &str) -> Table {
        let mut scenario = self.scenario.clone();
        scenario.insert("seed".to_owned(), whole(self.seed.wrapping_mul(1000).wrapping_add(number)));
        let zones = self.truths(study, stage).into_iter().map(|zone| {
            let truth = Value::Table(Table::from_iter([("60".to_owned(), Value::Float(zone.truth_gu))]));
            Value::Table(Table::from_iter([
                ("panel".to_owned(), Value::String(zone.panel)),
                ("zone".to_owned(), Value::String(zone.zone)),
                ("truth_gu".to_owned(), truth),
            ]))
        });
        scenario.insert("zone".to_owned(), Value::Array(zones.collect()));
        scenario
    }

    /// What every zone of the study is at a stage, rounded to 0.01 GU.
    fn truths(&self, study: &Study, stage: &str) -> Vec<Truth> {
        let mut generator = ChaCha8Rng::seed_from_u64(self.seed);
        let mut normal = |sd: f64| -> f64 { sd * generator.sample::<f64, _>(StandardNormal) };
        let washes = washes(stage);
        let by_code: BTreeMap<&str, &Treated> =
            self.treatments.iter().map(|t| (t.as_ref().code.as_str(), t.as_ref())).collect();
        let s = &self.surfaces;
        let mut truths = Vec::new();
        for panel in &study.panels {
            // Every place has its draws whatever the stage, so that a zone stays the same zone.
            let bare_gu = s.bare_gu + normal(s.between_panels_sd_gu);
            let of_patch: Vec<f64> =
                study.patches.iter().map(|_| normal(s.effect_between_panels_sd_gu)).collect();
            for zone in &panel.zones {
                let own_gu = bare_gu + normal(s.between_zones_sd_gu);
                let effect_spread_gu = normal(s.effect_between_zones_sd_gu);
                let added_gu = match zone.used_as {
                    ZoneUse::Patch(patch) if stage != "bare" => {
                        let code = study.treatments[study.patches[patch].treatment].treatment.code.as_str();
                        by_code.get(code).map_or(0.0, |treated| {
                            let wiped = if stage == "cured" { 0.0 } else { treated.wipe_takes_gu };
                            let fresh = treated.effect_gu + of_patch[patch] + effect_spread_gu - wiped;
                            fresh * 0.5_f64.powf(washes / treated.halves_over_washes)
                        })
                    }
                    _ => 0.0,
                };
                let truth_gu = own_gu - s.lost_per_wash_gu * washes + added_gu;
                let truth_gu = (truth_gu * 100.0).round() / 100.0;
                truths.push(Truth { panel: panel.id.clone(), zone: zone.name.clone(), truth_gu });
            }
        }
        truths
    }
}

fn text(scenario: &Table) -> String {
    toml::to_string(scenario).expect("strings, numbers and tables are TOML")
}

struct Truth {
    panel: String,
    zone: String,
    truth_gu: f64,
}

/// Washes behind a stage: N of `washed-N`, else none.
fn washes(stage: &str) -> f64 {
    stage.strip_prefix("washed-").and_then(|n| n.parse().ok()).unwrap_or(0.0)
}

fn whole(number: u64) -> Value {
    Value::Integer(i64::try_from(number & (i64::MAX as u64)).unwrap_or(0))
}
