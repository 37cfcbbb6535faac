//! The difference that a treatment made: treated minus control, in GU, from the books of a run, with what
//! can be said of it.
//!
//! ```text
//!  ledger ─▶ zone_figures ─▶ gather ─▶ evidence ─▶ weighing ─▶ verdict ─▶ comparison ─▶ tables, screen, report
//!               gain, doubt    │                     (the budget)            flags, kept
//!  earlier runs ─▶ books ──────┘
//! ```
//!
//! [`zone_figures`] says what each zone is worth and [`gain`] what the tile says of the readings between two
//! checks, [`three_point`] what zero and middle say of the scale; [`evidence`] is a comparison in numbers alone,
//! which a simulation can make as well as a run; [`weighing`] is the uncertainty budget. Beside these,
//! [`repeatability`] asks how well the meter repeats.

pub mod books;
pub mod choice;
pub mod comparison;
pub mod doubt;
pub mod drifts;
pub mod evidence;
pub mod flags;
pub mod gain;
pub mod gather;
pub mod kept;
pub mod panels;
pub mod repeatability;
pub mod sides;
pub mod three_point;
pub mod verdict;
pub mod weighing;
pub mod wording;
pub mod zone_figures;

pub use books::Book;
pub use books::Books;
pub use comparison::Comparison;
pub use comparison::contrasts;
