//! The published tables, from books that are written by hand and figures that are computed by hand
//! or taken from a publication. Every table that a test looks at is first held to the schema.

#![expect(clippy::unwrap_used, reason = "what a test's helpers expect and do not find is a failed test")]

#[path = "tables/books.rs"]
mod books;
#[path = "tables/dictionary.rs"]
mod dictionary;
#[path = "tables/joining.rs"]
mod joining;
#[path = "tables/layout.rs"]
mod layout;
#[path = "tables/made_up.rs"]
mod made_up;
#[path = "common/made_up_bench.rs"]
mod made_up_bench;
#[path = "tables/results.rs"]
mod results;
#[path = "tables/sheet.rs"]
mod sheet;
#[path = "tables/zones.rs"]
mod zones;
