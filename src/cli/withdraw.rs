//! `halfpanel withdraw`

use super::Failure;
use super::observing::{Shared, choice};
use crate::life::{What, deeds};

/// Keeps that a product is not followed any more. Its life stays open: it lasted at least to the last look that saw it work.
#[derive(clap::Args)]
#[command(after_help = "\
Example: halfpanel withdraw T3 --panel P1 --study harbour --note \"the panel was dropped\"")]
pub struct Arguments {
    /// Treatment
    treatment: String,
    /// Panel; may be given several times [default: all it stands on]
    #[arg(long, value_name = "ID")]
    panel: Vec<String>,
    #[command(flatten)]
    shared: Shared,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let bench = arguments.shared.open(None)?;
    let choice = choice(Some(&arguments.treatment), arguments.panel.clone());
    let patches = deeds::chosen(&bench.study, &choice).map_err(|problem| Failure::new(problem, ""))?;
    let appended = bench.append(patches.into_iter().map(|patch| What::Withdrawn { patch }).collect())?;
    bench.show(&appended)
}
