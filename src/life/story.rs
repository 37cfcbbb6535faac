//! The story of a patch: one life of a treatment on one panel, step by step.

use crate::life::lifetime::Lifetime;
use crate::life::observation::Look;
use crate::life::observation::PatchIndex;
use crate::life::observation::Photo;
use chrono::DateTime;
use chrono::FixedOffset;
use chrono::SecondsFormat;
use serde::Serialize;
use serde::Serializer;

/// Where a patch is in its life.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// Nothing is on it.
    Bare,
    /// Put on, and not to be read before that moment.
    Curing {
        /// When it has cured.
        ready_at: DateTime<FixedOffset>,
    },
    /// Cured, and neither wiped nor washed.
    Cured,
    /// Wiped with a solvent, and not washed since it was put on.
    Wiped,
    /// Washed so many times since it was put on; wiped after the last of them, if so.
    Washed {
        /// Washes since it was put on.
        washes: u32,
        /// Whether it was wiped since.
        is_wiped: bool,
    },
}

impl Stage {
    /// As readings name it: `bare`, `curing`, `cured`, `wiped`, `washed-10`, `washed-10-wiped`.
    #[must_use]
    pub fn name(self) -> String {
        match self {
            Stage::Bare => "bare".to_owned(),
            Stage::Curing { .. } => "curing".to_owned(),
            Stage::Cured => "cured".to_owned(),
            Stage::Wiped => "wiped".to_owned(),
            Stage::Washed { washes, is_wiped: false } => format!("washed-{washes}"),
            Stage::Washed { washes, is_wiped: true } => format!("washed-{washes}-wiped"),
        }
    }
}

/// How a life stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// It goes on.
    Alive,
    /// Two looks in a row found it failed.
    Failed,
    /// It is not followed any more.
    Withdrawn,
    /// The panel, or this patch, was stripped, or the product put on again over it.
    Ended,
}

/// One life of a treatment on one panel.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Story {
    /// Index in `Study::patches`.
    #[serde(skip)]
    pub patch: PatchIndex,
    /// Code of the treatment.
    pub treatment: String,
    /// Id of the panel.
    pub panel: String,
    /// Number of this life on the patch, from 1.
    pub life: u32,
    /// It was put on over an earlier product that was not stripped: its life is never pooled with others.
    pub over: bool,
    /// How it stands.
    pub standing: Standing,
    /// Whether it is still on the panel: neither stripped nor covered by a later life.
    pub is_on_panel: bool,
    /// When it was put on; absent where nothing says so.
    #[serde(serialize_with = "moment")]
    pub applied_at: Option<DateTime<FixedOffset>>,
    /// When it has cured; absent where the study gives no time, or nothing says when it was put on.
    #[serde(serialize_with = "moment")]
    pub ready_at: Option<DateTime<FixedOffset>>,
    /// Batch of the product; empty if not noted.
    pub batch: String,
    /// Washes since it was put on.
    pub washes: u32,
    /// The passes of its latest wipe and the one at which beading ended.
    pub wiped: Option<Wiped>,
    /// Whether that wipe came after its latest wash.
    #[serde(skip)]
    pub is_wiped_since: bool,
    /// Washes it lasted, as far as anybody looked. Without a look it is (0, ∞).
    pub lifetime: Lifetime,
    /// It had failed at its first look: the life begins at 0.
    pub never_worked: bool,
    /// Its latest look found it failed after so many washes, and no second one has confirmed it.
    pub suspected_at: Option<u32>,
    /// What was judged, in the order of time; of an attribute that was judged twice, both.
    pub judgements: Vec<Judgement>,
    /// What it cost.
    pub cost: Option<Cost>,
    /// What to know beside the figures, in sentences.
    pub warnings: Vec<String>,
    /// What was done and seen, in the order of time.
    pub steps: Vec<Step>,
}

/// A wipe with a solvent.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Wiped {
    /// With what; empty if not noted.
    pub solvent: String,
    /// Passes.
    pub passes: Option<u32>,
    /// The pass at which beading ended; absent where it did not, or nobody looked.
    pub beading_ended: Option<u32>,
}

/// One judgement.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Judgement {
    /// What was judged.
    pub attribute: String,
    /// Whether it passes.
    pub passes: bool,
    /// By whom; empty if not noted.
    pub by: String,
    /// Whether the judge did not know what was judged.
    pub is_blind: bool,
    /// When.
    #[serde(serialize_with = "moment")]
    pub at: Option<DateTime<FixedOffset>>,
    /// In words.
    pub note: String,
}

/// What a life cost, in the study's currency.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Cost {
    /// Of the product on a square metre.
    pub per_m2: f64,
    /// The same by each wash that it was seen to survive; absent where there is none.
    pub per_m2_and_wash: Option<f64>,
    /// From the amount that was put on; else from the area that a container is said to cover.
    pub is_measured: bool,
}

/// One thing that was done or seen.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Step {
    /// When.
    #[serde(serialize_with = "moment")]
    pub at: Option<DateTime<FixedOffset>>,
    /// Number of the row; absent for what study.toml says.
    pub row: Option<u32>,
    /// Kind of the row.
    pub kind: &'static str,
    /// Washes since the product was put on, this one included.
    pub washes: u32,
    /// In a sentence without a full stop.
    pub says: String,
    /// How water behaved.
    pub look: Option<Look>,
    /// Whether that look finds the product working; absent where it does not say.
    pub works: Option<bool>,
    /// Why it came at another time than usual; empty if it did not.
    pub out_of_order: String,
    /// By whom; empty if not noted.
    pub by: String,
    /// In words.
    pub note: String,
    /// A picture.
    pub photo: Option<Photo>,
}

impl Story {
    /// The stage at a moment, as readings have it. A product that failed or was withdrawn has a stage all the same.
    #[must_use]
    pub fn stage_at(&self, now: DateTime<FixedOffset>) -> Stage {
        match (self.is_on_panel, self.washes, self.ready_at) {
            (false, ..) => Stage::Bare,
            (_, 1.., _) => Stage::Washed { washes: self.washes, is_wiped: self.is_wiped_since },
            _ if self.wiped.is_some() => Stage::Wiped,
            (_, _, Some(ready_at)) if now < ready_at => Stage::Curing { ready_at },
            _ => Stage::Cured,
        }
    }

    /// The latest judgement of an attribute.
    #[must_use]
    pub fn judged(&self, attribute: &str) -> Option<&Judgement> {
        self.judgements.iter().rev().find(|judgement| judgement.attribute == attribute)
    }

    /// Whether the life may be pooled with those of the same treatment on other panels.
    #[must_use]
    pub fn is_pooled(&self) -> bool {
        !self.over
    }
}

/// A moment as it is written in tables.
#[must_use]
pub fn written(at: DateTime<FixedOffset>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// A moment as people read it.
#[must_use]
pub fn shown(at: DateTime<FixedOffset>) -> String {
    at.format("%Y-%m-%d %H:%M").to_string()
}

fn moment<S: Serializer>(at: &Option<DateTime<FixedOffset>>, serializer: S) -> Result<S::Ok, S::Error> {
    match at {
        Some(at) => serializer.serialize_str(&written(*at)),
        None => serializer.serialize_none(),
    }
}
