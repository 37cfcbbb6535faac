//! What was observed or done: one row of `observations.csv`.

use crate::life::columns::Kind;
use crate::text::Problem;
use crate::units::Amount;
use chrono::DateTime;
use chrono::FixedOffset;
use serde::Serialize;

/// One thing that was observed or done.
#[derive(Clone, Debug, PartialEq)]
pub struct Observation {
    /// Number of the row, by which a correction names it; unique in the file.
    pub row: u32,
    /// Line in the file, from 1; 0 for one that is not in a file yet.
    pub line: usize,
    /// When it was observed or done.
    pub at: DateTime<FixedOffset>,
    /// What it was.
    pub what: What,
    /// Who did it; empty if nobody is named.
    pub by: String,
    /// A picture of it.
    pub photo: Option<Photo>,
    /// In words; empty if there are none.
    pub note: String,
    /// Number of the row that takes this one back; it counts for nothing then, and stays in the file.
    pub taken_back_by: Option<u32>,
}

/// A picture, by its path.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Photo {
    /// Path from the study's folder, with `/` between folders.
    pub path: String,
    /// SHA-256 of the file as it was when the row was written, lower-case hex; empty if none was kept.
    pub sha256: String,
}

/// A patch of the study: index in `Study::patches`.
pub type PatchIndex = usize;

/// What was observed or done.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// A product was put on.
    Applied {
        /// Where.
        patch: PatchIndex,
        /// How much of it.
        amount: Option<Amount>,
        /// Number of coats.
        coats: Option<u32>,
        /// Batch, where it is not that of the study; else empty.
        batch: String,
    },
    /// A product was taken off down to the bare panel.
    Stripped {
        /// Index in `Study::panels`.
        panel: usize,
        /// The one patch; the whole panel, its wash count with it, if absent.
        patch: Option<PatchIndex>,
    },
    /// A panel was washed, all patches and the control on it.
    Washed {
        /// Index in `Study::panels`.
        panel: usize,
        /// Washes of the panel since it was prepared, this one included.
        washes: u32,
        /// Name of the recipe; empty if not noted.
        recipe: String,
        /// Amount of it that went on the panel.
        amount: Option<Amount>,
    },
    /// Somebody looked at how water behaves.
    Looked {
        /// Where.
        patch: PatchIndex,
        /// Washes of the panel since it was prepared, if stated.
        washes: Option<u32>,
        /// What was seen.
        look: Look,
    },
    /// The patch was wiped with a solvent.
    Wiped {
        /// Where.
        patch: PatchIndex,
        /// With what; empty if not noted.
        solvent: String,
        /// Passes, at least 1.
        passes: Option<u32>,
        /// The pass at which beading ended; absent where it did not, or nobody looked.
        beading_ended: Option<u32>,
    },
    /// Somebody judged by hand and eye.
    Judged {
        /// What was judged.
        subject: Subject,
        /// Index in the study's attributes.
        attribute: usize,
        /// Whether it passes.
        passes: bool,
        /// Whether the judge knew only a label, or said so.
        is_blind: bool,
    },
    /// The product is not followed any more.
    Withdrawn {
        /// Where.
        patch: PatchIndex,
    },
    /// A label stands for a patch that only its seal knows.
    Blinded {
        /// The label.
        label: String,
        /// SHA-256 over label, treatment, panel and salt, as [`crate::life::blind::seal`] has it.
        seal_sha256: String,
    },
    /// Which patch a label stood for.
    Revealed {
        /// The label.
        label: String,
        /// The patch.
        patch: PatchIndex,
        /// What makes the seal impossible to guess.
        salt: String,
    },
    /// An earlier row was a mistake.
    Corrected {
        /// Its number.
        takes_back: u32,
    },
}

/// What a judgement speaks of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Subject {
    /// A patch by its name.
    Patch(PatchIndex),
    /// A patch that goes by a label until it is revealed.
    Label(String),
}

/// How water behaves; what was not looked at is absent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Look {
    /// Class of the treated side, from 1.
    pub treated_class: Option<u32>,
    /// Class of the control side, from 1.
    pub control_class: Option<u32>,
    /// Share of the treated area that no longer sheds water, 0 to 100 percent.
    pub failed_area_pct: Option<f64>,
}

impl What {
    /// Its kind.
    #[must_use]
    pub fn kind(&self) -> Kind {
        match self {
            What::Applied { .. } => Kind::Applied,
            What::Stripped { .. } => Kind::Stripped,
            What::Washed { .. } => Kind::Washed,
            What::Looked { .. } => Kind::Looked,
            What::Wiped { .. } => Kind::Wiped,
            What::Judged { .. } => Kind::Judged,
            What::Withdrawn { .. } => Kind::Withdrawn,
            What::Blinded { .. } => Kind::Blinded,
            What::Revealed { .. } => Kind::Revealed,
            What::Corrected { .. } => Kind::Corrected,
        }
    }
}

/// All that a file of observations holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Observations {
    /// The rows that could be read, in the order of the file, those that were taken back among them.
    pub rows: Vec<Observation>,
    /// Rows, or parts of the file, that could not be read, in the order of the file. They count for nothing.
    pub problems: Vec<Problem>,
    /// What was odd and harmless, in sentences.
    pub remarks: Vec<String>,
    /// How the file is written; absent where there is none, or its header could not be read.
    pub shape: Option<crate::life::Shape>,
    /// The highest row number in use, 0 if there is none.
    pub last_row: u32,
}

impl Observations {
    /// The rows that count, in the order of their time; rows of one moment in the order of the file.
    #[must_use]
    pub fn in_time(&self) -> Vec<&Observation> {
        let mut rows: Vec<&Observation> =
            self.rows.iter().filter(|row| row.taken_back_by.is_none()).collect();
        rows.sort_by_key(|row| row.at);
        rows
    }

    /// The same as it stood at a moment: rows of a later time left out.
    #[must_use]
    pub fn until(&self, moment: DateTime<FixedOffset>) -> Observations {
        let mut then = self.clone();
        then.rows.retain(|row| row.at <= moment);
        then
    }
}
