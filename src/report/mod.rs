//! Charts and texts of a whole study, drawn from its recordings. Data in, text out: no clock, no file, no
//! port; the same recordings give the same bytes. Who calls it writes the file.

pub mod board_text;
pub mod budget_text;
pub mod cards;
pub mod gather;
pub mod gloss_text;
pub mod listen_text;
pub mod panels_text;
pub mod plot;
pub mod plots;
pub mod ports_text;
pub mod publication;
pub mod repeatability_text;
pub mod result_text;
pub mod site;
pub mod status_text;
pub mod svg;
pub mod tile_history;
pub mod tile_text;
