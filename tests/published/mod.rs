//! Reading the files of `fixtures/published/`, and comparing with what is printed there.

#![allow(dead_code, clippy::unwrap_used, reason = "shared by several test programs, each using a part")]

use serde::de::DeserializeOwned;
use std::fs;

/// A file, or the part of it that `T` names.
pub fn published<T: DeserializeOwned>(file: &str) -> T {
    let path = format!("{}/fixtures/published/{file}", env!("CARGO_MANIFEST_DIR"));
    let text = fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
    toml::from_str(&text).unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// Correct decimal digits, the measure that NIST proposes for its reference data sets.
pub fn digits(found: f64, certified: f64) -> f64 {
    -((found - certified) / certified).abs().max(1e-17).log10()
}

/// Half of the last digit of a figure printed to so many decimals.
pub fn half_of_decimal(decimals: i32) -> f64 {
    // A hair more, since a printed figure is itself not exact in binary.
    0.500_001 * 10_f64.powi(-decimals)
}

#[track_caller]
pub fn close(what: &str, found: impl Into<Option<f64>>, expected: f64, tolerance: f64) {
    let found = found.into().unwrap_or_else(|| panic!("{what}: nothing for {expected}"));
    assert!((found - expected).abs() <= tolerance, "{what}: {found} for {expected}, allowed {tolerance:e}");
}

#[track_caller]
pub fn close_relative(what: &str, found: impl Into<Option<f64>>, expected: f64, tolerance: f64) {
    close(what, found, expected, tolerance * expected.abs());
}

/// All to so many decimals.
#[track_caller]
pub fn all_close(what: &str, found: &[f64], expected: &[f64], tolerance: f64) {
    assert_eq!(found.len(), expected.len(), "{what}: number of figures");
    for (place, (found, expected)) in found.iter().zip(expected).enumerate() {
        close(&format!("{what} {place}"), *found, *expected, tolerance);
    }
}
