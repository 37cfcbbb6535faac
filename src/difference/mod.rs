//! The difference that a treatment made: treated minus control, in GU, from the books of a run.
//!
//! Everything here is a function of a [`Ledger`](crate::run::Ledger). [`zone_figures`] says what each zone
//! is worth, [`gain`] what the tile says of the readings between two checks.

pub mod gain;
pub mod zone_figures;
