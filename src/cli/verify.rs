//! `halfpanel verify`

use super::{CHECK_FAILED, DONE, Failure, output};
use crate::run::{ReplayError, Replayed, RunState, record::RecordingError};
use crate::session::folder::{Folder, FolderError};
use crate::session::lives;
use crate::session::observing;
use crate::session::results::{self, Comparing, Runs};
use crate::store::RealDisk;
use crate::study::{self, Selection};
use std::path::PathBuf;
use std::sync::Arc;

/// Checks every recording, its seals and its digest, recomputes all tables, and compares them with
/// those in results/. Names what study.toml says otherwise now.
#[derive(clap::Args)]
#[command(after_help = "Example: halfpanel verify harbour")]
pub struct Arguments {
    /// The study's folder
    study: PathBuf,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let folder = Folder::new(Arc::new(RealDisk), &arguments.study);
    // Without a study there is nothing to verify; one with a mistake in it can still be recomputed.
    let loaded = match folder.load() {
        Ok(loaded) => Some(loaded),
        Err(error @ FolderError::NotAStudy { .. }) => return Err(error.into()),
        Err(error) => {
            output::remark(format_args!("study.toml cannot be read now: {error}"));
            None
        }
    };
    let ids = folder.runs()?;
    let mut runs: Vec<Replayed> = Vec::new();
    let mut code = DONE;
    for (i, id) in ids.iter().enumerate() {
        output::progress("verifying", id, i + 1, ids.len());
        match folder.replay_run(id) {
            Ok((replayed, _)) => {
                if !describe(&folder, id, &replayed, loaded.as_ref()) {
                    code = CHECK_FAILED;
                }
                runs.push(replayed);
            }
            Err(FolderError::Replay(ReplayError::Recording(RecordingError::NoHead { .. }))) => {
                output::line(format_args!("{id}: empty, nothing was taken in it"));
            }
            Err(error) => {
                code = CHECK_FAILED;
                output::line(format_args!("{id}: REFUSED: {error}"));
            }
        }
    }
    let results = folder.results();
    let mut comparing = Comparing { disk: folder.disk(), folder: results.clone(), found: Vec::new() };
    for replayed in &runs {
        code = code.max(name_missing(replayed, &runs, &ids));
    }
    let runs = Runs { runs, earlier: Vec::new() };
    results::write(&runs, &mut comparing)?;
    if let Some(loaded) = &loaded {
        for wrong in lives::check(&folder, &loaded.study, &mut comparing)? {
            output::line(wrong);
            code = CHECK_FAILED;
        }
    }
    let compared = output::differences(&comparing.found);
    if compared != DONE && runs.runs.iter().any(|r| r.run.ledger().state == RunState::Open) {
        output::line(format_args!(
            "A run is open, so the tables may lag behind its recording; `halfpanel replay {0} --out {1}` writes them anew.",
            arguments.study.display(),
            results.display()
        ));
    }
    if compared == DONE {
        output::line(format_args!(
            "{}: all tables are what the recordings give, byte for byte",
            results.display()
        ));
    }
    Ok(code.max(compared))
}

/// One recording in a line or a few. False if something has to be put right.
fn describe(
    folder: &Folder,
    id: &str,
    replayed: &Replayed,
    loaded: Option<&crate::session::folder::LoadedStudy>,
) -> bool {
    let ledger = replayed.run.ledger();
    let state = match ledger.state {
        RunState::Complete => "complete",
        RunState::Abandoned => "abandoned",
        RunState::Open => "open",
    };
    let readings = ledger.readings.len();
    output::line(format_args!("{id}: {state}, {readings} readings, seals hold, sha256 {}", replayed.sha256));
    if !replayed.tail.torn.is_empty() {
        output::line(format_args!("  torn tail of {} bytes left out", replayed.tail.torn.len()));
    }
    let mut whole = true;
    if ledger.state != RunState::Open && !replayed.has_end {
        output::line("  its end record is missing: cut off or torn; `halfpanel run` puts it there");
        whole = false;
    }
    if let Some(loaded) = loaded
        && loaded.sha256 != replayed.head.study_sha256
    {
        name_changes(folder, loaded, replayed);
    }
    whole
}

/// Names the earlier runs that a recording is held against and that are not there as they were named.
fn name_missing(replayed: &Replayed, runs: &[Replayed], ids: &[String]) -> u8 {
    let mut code = DONE;
    for named in &replayed.head.setup.comparing.earlier {
        let stands = runs.iter().find(|run| run.run.ledger().id == named.run);
        let what = match stands {
            Some(run) if run.sha256 == named.sha256 => continue,
            Some(_) => "its recording is no longer the one that was named",
            None if ids.contains(&named.run) => "its recording was refused",
            None => "it is not there",
        };
        let id = &replayed.run.ledger().id;
        output::line(format_args!("{id}: compared with run {} ({}), but {what}", named.run, named.stage));
        code = CHECK_FAILED;
    }
    code
}

/// Names what the study says otherwise now; the run stays judged by its head.
fn name_changes(folder: &Folder, loaded: &crate::session::folder::LoadedStudy, replayed: &Replayed) {
    let old = &replayed.head.setup;
    // Stages go on; what counts is how the study stood when the run began.
    let observations = observing::read(folder, &loaded.study).unwrap_or_default();
    let study = crate::life::staged(&loaded.study, &observations, replayed.head.wall);
    let now = study::setup(&study, &Selection::of(old), loaded.profile.text());
    match now {
        Ok(now) => {
            let changes = study::differences(old, &now);
            if !changes.is_empty() {
                output::line("  study.toml says otherwise now; the run stays judged as it was recorded:");
            }
            for change in changes {
                output::line(format_args!("    {change}"));
            }
        }
        Err(problem) => output::line(format_args!("  study.toml has changed: {problem}")),
    }
}
