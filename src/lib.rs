//! Half Panel: a gloss meter on a serial line, one reference tile, and test panels of which half
//! gets a product. The crate is a house of floors; each folder imports only from its own floor and
//! from those below (`tests/house.rs` holds it to that).
//!
//! | floor | pure: no clock, no file, no port | shell |
//! | --- | --- | --- |
//! | 6 | | [`cli`] |
//! | 5 | [`report`] | [`bench`](mod@bench) |
//! | 4 | | [`session`] |
//! | 3 | [`study`], [`difference`], [`tables`], [`life`], [`board`], [`view`] | |
//! | 2 | [`run`] | |
//! | 1 | [`meter`], [`tile`] | |
//! | 0 | [`units`], [`stats`], [`text`] | [`store`] |

pub mod bench;
pub mod board;
pub mod cli;
pub mod difference;
pub mod life;
pub mod meter;
pub mod report;
pub mod run;
pub mod session;
pub mod stats;
pub mod store;
pub mod study;
pub mod tables;
pub mod text;
pub mod tile;
pub mod units;
pub mod view;
