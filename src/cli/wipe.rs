//! `halfpanel wipe`

use super::Failure;
use super::observing::Shared;
use crate::life::What;
use std::path::PathBuf;

/// Keeps a wipe with solvent: passes counted, and the pass at which water no longer beaded.
#[derive(clap::Args)]
#[command(after_help = "\
Gloss before and after is read by runs: halfpanel run harbour --panel P1

Example: halfpanel wipe T3 --panel P1 --solvent isopropanol --passes 20 --beading-ended 12")]
pub struct Arguments {
    /// Treatment
    treatment: String,
    /// Panel [default: the one it stands on]
    #[arg(long, value_name = "ID")]
    panel: Option<String>,
    /// What was wiped with
    #[arg(long, value_name = "NAME")]
    solvent: Option<String>,
    /// Passes that were made
    #[arg(long, value_name = "COUNT")]
    passes: Option<u32>,
    /// The pass at which water no longer beaded; left out if it still did
    #[arg(long, value_name = "PASS")]
    beading_ended: Option<u32>,
    /// Picture of it
    #[arg(long, value_name = "FILE")]
    photo: Option<PathBuf>,
    #[command(flatten)]
    shared: Shared,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let bench = arguments.shared.open(arguments.photo.clone())?;
    let patch = bench.one(&arguments.treatment, arguments.panel.as_ref())?;
    let appended = bench.append(vec![What::Wiped {
        patch,
        solvent: arguments.solvent.clone().unwrap_or_default(),
        passes: arguments.passes,
        beading_ended: arguments.beading_ended,
    }])?;
    bench.show(&appended)
}
