//! Statistics, each on a page of its own with its source. Everything here is a small pure function
//! of `f64` slices, sums in the order given, and answers `None` or a named reason where there is no
//! answer: never NaN, never infinity, and never a zero that only means "not known".
//!
//! Values carry no unit here; a caller that passes gloss units gets gloss units back.

pub mod student;
pub mod summary;
pub mod welch;

#[cfg(test)]
mod properties;
