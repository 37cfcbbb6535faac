//! What lies on the shelf of a study: its runs, and each run's readings with the lines they came from.

use serde::Serialize;
use utoipa::ToSchema;

/// A run in the list of runs.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct RunRow {
    /// The run's id.
    pub run: String,
    /// When it began, RFC 3339 with the offset of the place.
    pub begun: String,
    /// Who held the meter; empty if nobody was named.
    pub operator: String,
    /// Ids of the panels.
    pub panels: Vec<String>,
    /// Codes of the treatments.
    pub treatments: Vec<String>,
    /// Stages of the treated zones, each once.
    pub stages: Vec<String>,
    /// What came of it, as the tables have it; empty before they are written.
    pub results: Vec<ResultRow>,
}

/// A row of `results.csv`, in short; cells as they stand there, empty where there is nothing.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ResultRow {
    /// The panel.
    pub panel: String,
    /// The treatment's code.
    pub treatment: String,
    /// The stage.
    pub stage: String,
    /// Geometry, degrees.
    pub geometry_deg: String,
    /// Treated minus control, GU.
    pub difference_gu: String,
    /// Lower end of its interval, GU.
    pub ci_low_gu: String,
    /// Upper end of its interval, GU.
    pub ci_high_gu: String,
    /// The verdict.
    pub verdict: String,
    /// Whether it is proven.
    pub status: String,
}

/// A run's readings, or a part of them.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct RunSheet {
    /// The run.
    pub row: RunRow,
    /// `open`, `complete` or `abandoned`.
    pub state: &'static str,
    /// SHA-256 of the recording's whole records, hex.
    pub recording_sha256: String,
    /// The readings, in the order of arrival, from number `from` on.
    pub readings: Vec<ReadingRow>,
    /// Number of the first of `readings`, from 0.
    pub from: usize,
    /// Readings in all.
    pub of: usize,
    /// Lines that were not taken between these readings.
    pub refused: Vec<RefusedRow>,
}

/// A reading with the line it came from.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct ReadingRow {
    /// Time of day at the bench, `HH:MM:SS`.
    pub time: String,
    /// Kind of the check, or `zone`.
    pub kind: &'static str,
    /// Panel; empty on the tile.
    pub panel: String,
    /// Zone; empty on the tile.
    pub zone: String,
    /// Number of the placement, from 1.
    pub placement: u32,
    /// Which repeat on the spot, from 1.
    pub repeat: u32,
    /// Geometry, degrees.
    pub geometry_deg: u16,
    /// The value as the meter printed it, GU.
    pub gloss_gu: String,
    /// What became of it, as in the tables.
    pub status: &'static str,
    /// Number of the record that ended its line.
    pub record: u32,
    /// The line as it came, or the lines, where several made one placement; bytes that do not print are escaped.
    pub line: String,
}

/// A line that was not taken.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
pub struct RefusedRow {
    /// Time of day at the bench, `HH:MM:SS`.
    pub time: String,
    /// Number of the record that ended it.
    pub record: u32,
    /// The line as it came.
    pub line: String,
    /// Why, and what to do.
    pub why: String,
}
