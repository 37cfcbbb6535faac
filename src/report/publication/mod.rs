//! All that a published report is made from, as plain data: the study, what its tables say, its runs and what
//! can be downloaded. Who calls the report gathers it; the report itself looks at nothing else.

mod ranked;
mod rows;
mod run_record;

pub use ranked::Tables;
pub use ranked::ranked;
pub use ranked::terms_of;
pub use rows::ContrastRow;
pub use rows::OverPanelsRow;
pub use rows::ResultRow;
pub use rows::Verdict;
pub use rows::rows;
pub use run_record::BracketMark;
pub use run_record::CheckMark;
pub use run_record::Method;
pub use run_record::Place;
pub use run_record::ReadingMark;
pub use run_record::RunRecord;
pub use run_record::ZoneMark;

use crate::board::Boards;
use crate::life::Story;
use crate::report::tile_history::TileHistory;
use crate::study::Study;
use crate::study::Watching;

/// A study as it is published.
#[derive(Clone, Debug)]
pub struct Publication {
    /// Name of the study.
    pub name: String,
    /// Version of the program that makes the report.
    pub program: String,
    /// The treatments, in the order of the study; those that only recordings know stand last.
    pub treatments: Vec<Treatment>,
    /// The panels, in the order of the study.
    pub panels: Vec<Panel>,
    /// Smallest difference that matters to the study as it stands, GU.
    pub matters_gu: Option<f64>,
    /// Rows of `results.csv`, in their order.
    pub results: Vec<ResultRow>,
    /// Rows of `treatments.csv`, in their order.
    pub over_panels: Vec<OverPanelsRow>,
    /// Rows of `contrasts.csv`, in their order.
    pub contrasts: Vec<ContrastRow>,
    /// The treatments of the front board side by side: ranks, letters, lives, judgements, cost.
    pub ranked: Boards,
    /// The lives of the treatments on their panels, in the order of the study.
    pub stories: Vec<Story>,
    /// How lives are watched: washing, when a product has failed, the scale of how water behaves.
    pub watching: Watching,
    /// Rows of the observations that could not be read, each with its place and why. They count for nothing.
    pub unread: Vec<String>,
    /// The runs, in the order in which they began.
    pub runs: Vec<RunRecord>,
    /// How runs were measured: tile, meter and rules, each way once. Runs point to them.
    pub methods: Vec<Method>,
    /// What the tile read, run by run.
    pub tile: TileHistory,
    /// Recordings that were refused, each with its place and why. No figure is taken from them.
    pub refused: Vec<String>,
    /// Files of the study that go with the report.
    pub downloads: Vec<Download>,
    /// Which pictures the cards have.
    pub png: PngChoice,
}

/// Whether cards are drawn as PNG beside SVG.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PngChoice {
    /// Each card as PNG too.
    Drawn,
    /// SVG only.
    LeftOut,
}

/// A treatment and where it stands.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Treatment {
    /// Short code, such as `T3`.
    pub code: String,
    /// Name of the product.
    pub name: String,
    /// Batch; empty if unknown.
    pub batch: String,
    /// How it was put on; empty if not noted.
    pub how: String,
    /// Hours it is to cure, above 0.
    pub cure_hours: Option<f64>,
    /// What to mind with this product; empty if nothing is noted.
    pub caution: String,
    /// Where it stands.
    pub patches: Vec<Patch>,
}

/// A treatment on one panel.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Patch {
    /// The panel.
    pub panel: String,
    /// Its zones.
    pub zones: Vec<String>,
    /// When it was put on, RFC 3339; absent where the study does not say.
    pub applied_at: Option<String>,
}

/// A panel.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Panel {
    /// Short name.
    pub id: String,
    /// What it is made of; empty if not noted.
    pub substrate: String,
    /// A remark; empty if there is none.
    pub note: String,
    /// Number of control zones.
    pub control_zones: usize,
}

/// A file that goes with the report as it stands in the study.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Download {
    /// Path in the report, `/` between folders, such as `data/recordings/2026-05-05-01.rec`.
    pub path: String,
    /// What it is, in a few words.
    pub what: String,
    /// Its length in bytes.
    pub len: u64,
    /// Its SHA-256, hex.
    pub sha256: String,
}

impl Treatment {
    /// The treatments of a study.
    #[must_use]
    pub fn all_of(study: &Study) -> Vec<Treatment> {
        let patches_of = |index: usize| {
            let own = study.patches.iter().enumerate().filter(move |(_, patch)| patch.treatment == index);
            own.map(|(at, patch)| {
                let panel = &study.panels[patch.panel];
                let zones =
                    panel.zones.iter().filter(|zone| zone.used_as == crate::study::ZoneUse::Patch(at));
                Patch {
                    panel: panel.id.clone(),
                    zones: zones.map(|zone| zone.name.clone()).collect(),
                    applied_at: patch.applied_at.clone(),
                }
            })
        };
        let one = |(index, treatment): (usize, &crate::study::StudyTreatment)| Treatment {
            code: treatment.treatment.code.clone(),
            name: treatment.treatment.name.clone(),
            batch: treatment.treatment.batch.clone(),
            how: treatment.treatment.how.clone(),
            cure_hours: treatment.treatment.cure_hours,
            caution: treatment.caution.clone(),
            patches: patches_of(index).collect(),
        };
        study.treatments.iter().enumerate().map(one).collect()
    }

    /// A treatment that a recording knows and the study no longer does.
    #[must_use]
    pub fn of_recording(treatment: &crate::run::setup::Treatment) -> Treatment {
        Treatment {
            code: treatment.code.clone(),
            name: treatment.name.clone(),
            batch: treatment.batch.clone(),
            how: treatment.how.clone(),
            cure_hours: treatment.cure_hours,
            ..Treatment::default()
        }
    }
}

impl Panel {
    /// The panels of a study.
    #[must_use]
    pub fn all_of(study: &Study) -> Vec<Panel> {
        let control = |zone: &&crate::study::StudyZone| zone.used_as == crate::study::ZoneUse::Control;
        let one = |panel: &crate::study::StudyPanel| Panel {
            id: panel.id.clone(),
            substrate: panel.substrate.clone(),
            note: panel.note.clone(),
            control_zones: panel.zones.iter().filter(control).count(),
        };
        study.panels.iter().map(one).collect()
    }
}

impl Publication {
    /// The treatment of a code.
    #[must_use]
    pub fn treatment(&self, code: &str) -> Option<&Treatment> {
        self.treatments.iter().find(|treatment| treatment.code == code)
    }

    /// The run of an id.
    #[must_use]
    pub fn run(&self, id: &str) -> Option<&RunRecord> {
        self.runs.iter().find(|run| run.id == id)
    }
}
