//! What in the tables hangs on the moment of each press, which no two sittings share.

/// Columns that say when, or in which bytes of the file, and figures in which the tile's value at that time
/// has a part.
pub const OF_THE_MOMENT: [&str; 24] = [
    "time",
    "elapsed_s",
    "record",
    "corrected_gu",
    "cure_hours_actual",
    "drift_gu_per_h",
    "recording_sha256",
    "corrected_mean_gu",
    "ci_low_gu",
    "ci_high_gu",
    "standard_uncertainty_gu",
    "degrees_of_freedom",
    "coverage_factor",
    "expanded_uncertainty_gu",
    "detectable_gu",
    "difference_corrected_gu",
    "drift_low_gu_per_h",
    "drift_high_gu_per_h",
    "ci_low_without_doubtful_gu",
    "ci_high_without_doubtful_gu",
    "value",
    "sensitivity",
    "contribution_gu",
    "share_pct",
];
