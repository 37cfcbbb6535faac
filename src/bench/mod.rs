//! The bench page and the daemon that serves it: HTTP over the stations, and the page as the server writes it.
//!
//! - [`page`]: HTML from a snapshot; pure.
//! - [`gate`]: who may come in, and how much they may bring.

pub mod gate;
pub mod page;
