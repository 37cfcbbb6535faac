//! `halfpanel replay`

use super::{CHECK_FAILED, DONE, Failure, output};
use crate::run::record::RecordingError;
use crate::run::{ReplayError, Replayed, RunState};
use crate::session::folder::{Folder, FolderError};
use crate::session::results::{self, Comparing, Runs, Writing};
use crate::store::{Disk, RealDisk};
use std::ffi::OsStr;
use std::path::PathBuf;
use std::sync::Arc;

/// Works the tables out from recordings alone. Without --out and --expect it prints the results.
#[derive(clap::Args)]
#[command(after_help = "Example: halfpanel replay harbour/recordings/*.rec --out tables\n\
                        Example: halfpanel replay published/*.rec --expect published/results")]
pub struct Arguments {
    /// Recordings, or study folders
    #[arg(required = true)]
    recordings: Vec<PathBuf>,
    /// Write the tables into this folder
    #[arg(long)]
    out: Option<PathBuf>,
    /// Compare the tables with those in this folder; fails on the first difference
    #[arg(long)]
    expect: Option<PathBuf>,
    /// Print the results as JSON
    #[arg(long)]
    json: bool,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let disk = RealDisk;
    let paths = recordings(&disk, &arguments.recordings)?;
    let folder = Folder::new(Arc::new(RealDisk), ".");
    let mut runs: Vec<Replayed> = Vec::new();
    for (i, path) in paths.iter().enumerate() {
        output::progress("replaying", &path.display().to_string(), i + 1, paths.len());
        let replayed = match folder.replay(path, |_, _, _| {}) {
            Ok((replayed, _)) => replayed,
            // A run that was cut off at its very start has no rows; a file that was named has to be one.
            Err(FolderError::Replay(ReplayError::Recording(RecordingError::NoHead { .. })))
                if !arguments.recordings.contains(path) =>
            {
                output::remark(format_args!("{}: empty, nothing was taken in it", path.display()));
                continue;
            }
            Err(error) => return Err(error.into()),
        };
        if !replayed.tail.torn.is_empty() {
            output::remark(format_args!(
                "{}: a torn tail of {} bytes behind byte {} was left out: it had never been synced, so nothing of it \
                 was ever shown",
                path.display(),
                replayed.tail.torn.len(),
                replayed.tail.whole
            ));
        }
        if replayed.run.ledger().state == RunState::Open {
            output::remark(format_args!(
                "{}: the run is open; what no closing check has proven is not proven",
                path.display()
            ));
        }
        runs.push(replayed);
    }
    // The order of the arguments must not change a table.
    runs.sort_by(|a, b| a.run.ledger().id.cmp(&b.run.ledger().id).then(a.sha256.cmp(&b.sha256)));
    runs.dedup_by(|a, b| {
        a.sha256 == b.sha256 && {
            output::remark(format_args!("run {} was named twice and is taken once", a.run.ledger().id));
            true
        }
    });
    if let Some(pair) = runs.windows(2).find(|pair| pair[0].run.ledger().id == pair[1].run.ledger().id) {
        return Err(Failure::new(
            format_args!("two different recordings of run {}", pair[0].run.ledger().id),
            "leave one of them out: `verify` in its study says which one the tables came from",
        ));
    }
    // What they name is looked for beside each of them.
    let place = |run: &Replayed| {
        let id = OsStr::new(&run.head.run);
        Some(paths.iter().find(|path| path.file_stem() == Some(id))?.parent()?.to_owned())
    };
    let runs = Runs::beside(&folder, runs, place);
    let mut code = DONE;
    let mut proven = None;
    if let Some(out) = &arguments.out {
        disk.create_dir_all(out)?;
        proven = Some(results::write(&runs, &mut Writing { disk: &disk, folder: out.clone() })?);
        output::remark(format_args!("tables written to {}", out.display()));
    }
    if let Some(expect) = &arguments.expect {
        let mut comparing = Comparing { disk: &disk, folder: expect.clone(), found: Vec::new() };
        results::write(&runs, &mut comparing)?;
        code = output::differences(&comparing.found);
        if code == DONE {
            output::remark(format_args!("the tables are those in {}, byte for byte", expect.display()));
        }
    }
    if arguments.json {
        output::results_json(&runs)?;
    } else if arguments.out.is_none() && arguments.expect.is_none() {
        output::results(&runs);
        output::over_panels(&runs.treatments());
    }
    if arguments.expect.is_some() {
        // Asked whether the tables are the same, not whether they are proven: a season may hold a run that was given up.
        return Ok(code);
    }
    let proven = proven.unwrap_or_else(|| runs.are_proven());
    Ok(if proven { code } else { code.max(CHECK_FAILED) })
}

/// The recordings that are meant: files as named, study folders with all of theirs.
fn recordings(disk: &RealDisk, named: &[PathBuf]) -> Result<Vec<PathBuf>, Failure> {
    let mut paths = Vec::new();
    for path in named {
        let is_folder = disk.meta(path)?.is_some_and(|meta| meta.is_folder);
        if !is_folder {
            paths.push(path.clone());
            continue;
        }
        let folder = Folder::new(Arc::new(RealDisk), path);
        let runs = folder.runs()?;
        if runs.is_empty() {
            return Err(Failure::new(
                format_args!("{} has no recordings", path.display()),
                "name a recording, or a study in which a run was done",
            ));
        }
        paths.extend(runs.iter().map(|id| folder.recording(id)));
    }
    Ok(paths)
}
