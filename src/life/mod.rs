//! What became of a treatment on its panels: what was observed, the stage it has come to, and the washes it lasted.

pub mod lifetime;

pub use lifetime::Lifetime;
