//! `halfpanel budget`

use super::{DONE, Failure, output};
use crate::report::budget_text;
use crate::session::folder::Folder;
use crate::session::results::Runs;
use crate::store::{Disk, RealDisk};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Unfolds each result of a run into its uncertainty budget: component, value, divisor, sensitivity,
/// contribution, share. The same stands in results/budget.csv.
#[derive(clap::Args)]
#[command(after_help = "Example: halfpanel budget harbour/recordings/2026-05-05-01.rec\n\
                        Example: halfpanel budget harbour          (its latest run)")]
pub struct Arguments {
    /// A recording, or a study folder for its latest run
    run: PathBuf,
    /// Print the budget as JSON, one object a component
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let path = recording(&arguments.run)?;
    let folder = Folder::new(Arc::new(RealDisk), ".");
    let (replayed, _) = folder.replay(&path, |_, _, _| {})?;
    let runs = Runs::beside(&folder, vec![replayed], |_| path.parent().map(Path::to_owned));
    for books in runs.books() {
        if arguments.json {
            output::budget_json(books)?;
        } else {
            budget_text::budgets(&books).into_iter().for_each(output::line);
        }
    }
    Ok(DONE)
}

/// The recording that is meant.
fn recording(named: &Path) -> Result<PathBuf, Failure> {
    let is_folder = RealDisk.meta(named)?.is_some_and(|meta| meta.is_folder);
    if !is_folder {
        return Ok(named.to_owned());
    }
    let folder = Folder::new(Arc::new(RealDisk), named);
    let mut runs = folder.runs()?;
    runs.sort_unstable();
    let latest = runs.pop().ok_or_else(|| {
        Failure::new(
            format_args!("{} has no recordings", named.display()),
            "name a recording, or a study in which a run was done",
        )
    })?;
    Ok(folder.recording(&latest))
}
