//! `halfpanel look`

use super::Failure;
use super::observing::{Seen, Shared, choice};
use crate::session::observing;
use std::path::PathBuf;

/// Keeps how water behaves on a treated side and on the control, without a wash before it.
#[derive(clap::Args)]
#[command(after_help = "\
Classes are those of the study's scale, 1 for the side that sheds water best; protocol-notes/study.md lists the default ones.

Example: halfpanel look T3 --panel P1 --class-treated 5 --class-control 6 --photo beads.jpg")]
pub struct Arguments {
    /// Treatment
    treatment: String,
    /// Panel [default: the one it stands on]
    #[arg(long, value_name = "ID")]
    panel: Option<String>,
    #[command(flatten)]
    seen: Seen,
    /// Picture of what was seen
    #[arg(long, value_name = "FILE")]
    photo: Option<PathBuf>,
    #[command(flatten)]
    shared: Shared,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let bench = arguments.shared.open(arguments.photo.clone())?;
    let choice = choice(Some(&arguments.treatment), arguments.panel.iter().cloned().collect());
    let seen = (&choice, arguments.seen.look());
    let appended = observing::look(&bench.folder, &bench.study, seen, &bench.telling)?;
    bench.show(&appended)
}
