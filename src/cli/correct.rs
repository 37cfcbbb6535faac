//! `halfpanel correct`

use super::Failure;
use super::observing::Shared;
use crate::life::What;

/// Takes a row of observations.csv back by a further row. Nothing is erased; the row stays and counts for nothing.
#[derive(clap::Args)]
#[command(after_help = "\
A correction can be corrected, too. Every command that adds a row takes --instead-of ROW, which does both at once.

Example: halfpanel correct 41 --study harbour --note \"that was the other panel\"")]
pub struct Arguments {
    /// Number of the row, in its first column
    row: u32,
    #[command(flatten)]
    shared: Shared,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let bench = arguments.shared.open(None)?;
    let appended = bench.append(vec![What::Corrected { takes_back: arguments.row }])?;
    bench.show(&appended)
}
