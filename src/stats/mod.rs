//! Statistics, each on a page of its own with its source. Everything here is a small pure function
//! of `f64` slices, sums in the order given, and answers `None` or a named reason where there is no
//! answer: never NaN, never infinity, and never a zero that only means "not known".
//!
//! Values carry no unit here; a caller that passes gloss units gets gloss units back.
//!
//! | question | page |
//! | --- | --- |
//! | how large, how scattered? | [`summary`], [`precision`], [`chi_square`], [`anova`] |
//! | do two sides differ, by how much? | [`welch`], [`paired`], [`equivalence`] |
//! | how much is kept? | [`retention`] |
//! | what could this run have seen at all? | [`power`] |
//! | many comparisons at once? | [`multiplicity`] |
//! | is one reading wild? | [`outliers`] |
//! | how sure is a figure made of several? | [`budget`] |
//! | does something change with time? | [`mod@line`], [`charts`] |
//! | how long do they live, and do some live longer? | [`censored`], [`kaplan_meier`], [`turnbull`], [`weibull`], [`log_rank`] |
//! | distributions that the above need | [`student`], [`noncentral`], [`fisher`] |

pub mod anova;
pub mod budget;
pub mod censored;
pub mod charts;
pub mod chi_square;
pub mod equivalence;
pub mod fisher;
pub mod kaplan_meier;
pub mod line;
pub mod log_rank;
pub mod multiplicity;
pub mod noncentral;
pub mod outliers;
pub mod paired;
pub mod power;
pub mod precision;
pub mod retention;
pub mod student;
pub mod summary;
pub mod turnbull;
pub mod weibull;
pub mod welch;

#[cfg(test)]
mod properties;
#[cfg(test)]
mod properties_of_lives;
