//! Rows of the tables as the report reads them. Figures are those of the file: four decimals come back as they stand there.

use serde::Deserialize;
use serde::de::DeserializeOwned;

/// What can be said of a difference.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub enum Verdict {
    /// The treated side reads higher.
    #[serde(rename = "higher")]
    Higher,
    /// The treated side reads lower.
    #[serde(rename = "lower")]
    Lower,
    /// The interval does not exclude zero.
    #[serde(rename = "no detectable difference")]
    NotDetectable,
    /// The meter is not proven, or there is no interval.
    #[serde(rename = "no result")]
    NoResult,
}

/// A row of `results.csv`, as far as it is shown. Columns are explained in `tables::columns`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct ResultRow {
    /// Id of the run.
    pub run: String,
    /// Panel.
    pub panel: String,
    /// Code of the treatment.
    pub treatment: String,
    /// Stage of the patch.
    pub stage: String,
    /// `no-baseline` or `paired`.
    pub design: String,
    /// Geometry, degrees.
    pub geometry_deg: u16,
    /// Proven control zones.
    pub n_control: u32,
    /// Proven treated zones.
    pub n_treated: u32,
    /// Mean of the control zones, GU.
    pub control_mean_gu: Option<f64>,
    /// Mean of the treated zones, GU.
    pub treated_mean_gu: Option<f64>,
    /// Treated minus control, GU.
    pub difference_gu: Option<f64>,
    /// Lower end of the interval that decides the verdict, GU.
    pub ci_low_gu: Option<f64>,
    /// Upper end of it, GU.
    pub ci_high_gu: Option<f64>,
    /// Degrees of freedom of the combined uncertainty.
    pub degrees_of_freedom: Option<f64>,
    /// Expanded uncertainty with what both sides share, GU.
    pub expanded_uncertainty_gu: Option<f64>,
    /// What can be said.
    pub verdict: Verdict,
    /// Smallest difference that could have been found, GU.
    pub detectable_gu: Option<f64>,
    /// Gloss kept since an earlier stage, %.
    pub retention_pct: Option<f64>,
    /// That stage; empty if there is none.
    pub retention_from_stage: String,
    /// Lower end of the interval of the retention, %.
    pub retention_low_pct: Option<f64>,
    /// Upper end of it, %.
    pub retention_high_pct: Option<f64>,
    /// Hours between application and run.
    pub cure_hours_actual: Option<f64>,
    /// Change of the tile in the worst bracket used, GU.
    pub drift_gu: Option<f64>,
    /// `proven`, `drifted` or `not-proven`.
    pub status: String,
    /// SHA-256 of the recording.
    pub recording_sha256: String,
    /// Whether it is large enough to matter: `yes`, `no`, `cannot tell`; empty if nobody asked.
    pub matters: String,
    /// Flags, separated by `;`.
    pub flags: String,
}

/// A row of `treatments.csv`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct OverPanelsRow {
    /// Code of the treatment.
    pub treatment: String,
    /// Stage.
    pub stage: String,
    /// Geometry, degrees.
    pub geometry_deg: u16,
    /// Panels with a proven result.
    pub n_panels: u32,
    /// The runs whose results are taken, comma-separated.
    pub runs: String,
    /// Mean of the panels' differences, GU.
    pub difference_gu: Option<f64>,
    /// Their standard deviation, GU.
    pub panel_sd_gu: Option<f64>,
    /// Lower end of the interval, GU.
    pub ci_low_gu: Option<f64>,
    /// Upper end of it, GU.
    pub ci_high_gu: Option<f64>,
    /// Degrees of freedom.
    pub degrees_of_freedom: Option<f64>,
    /// Expanded uncertainty, GU.
    pub expanded_uncertainty_gu: Option<f64>,
    /// What can be said.
    pub verdict: Verdict,
    /// `product` or `panels`.
    pub speaks_of: String,
    /// Flags, separated by `;`.
    pub flags: String,
}

/// A row of `contrasts.csv`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct ContrastRow {
    /// Id of the run.
    pub run: String,
    /// Panel.
    pub panel: String,
    /// The treatment that is subtracted.
    pub treatment_a: String,
    /// The treatment that it is subtracted from.
    pub treatment_b: String,
    /// Geometry, degrees.
    pub geometry_deg: u16,
    /// Second minus first, GU.
    pub difference_gu: Option<f64>,
    /// Lower end of the interval, GU.
    pub ci_low_gu: Option<f64>,
    /// Upper end of it, GU.
    pub ci_high_gu: Option<f64>,
    /// What can be said of the second.
    pub verdict: Verdict,
    /// `proven`, `drifted` or `not-proven`.
    pub status: String,
}

/// The rows of a table of this program.
///
/// # Errors
/// A row that is none of its.
pub fn rows<R: DeserializeOwned>(table: &[u8]) -> Result<Vec<R>, csv::Error> {
    csv::Reader::from_reader(table).into_deserialize().collect()
}
