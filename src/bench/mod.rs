//! The bench page and the daemon that serves it: HTTP over the stations, and the page as the server writes it.
//!
//! - [`page`]: HTML from a snapshot; pure.
//! - [`gate`]: who may come in, and how much they may bring.
//! - [`hall`]: the stations under one roof; [`routes`]: what can be asked of them, with its description.
//! - [`frames`]: a station's page, rendered once a change for everybody who watches.
//! - [`metrics`]: what is counted, for a collector.

mod answers;
mod files;
pub mod frames;
pub mod gate;
pub mod hall;
mod heed;
pub mod metrics;
mod orders;
pub mod page;
mod panels;
pub mod routes;
mod shelf;
mod watching;
