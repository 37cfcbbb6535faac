//! The earlier runs of a study that a new run is held against, and those that a recording names.

use super::folder::{Folder, FolderError};
use crate::difference::Book;
use crate::difference::choice::{could_serve, serves, wanted};
use crate::run::record::{Body, Head, Scanner};
use crate::run::setup::{Earlier, Serves};
use crate::run::{Replayed, Setup};
use crate::study::StudyComparing;
use std::path::{Path, PathBuf};

/// Of a recording that somebody still has to end.
const WITHOUT_END: &str = "the end of its recording is missing; `halfpanel run` without --new puts it there";

/// What was chosen, and why other runs were not.
#[derive(Debug, Default)]
pub struct Chosen {
    /// For the head.
    pub earlier: Vec<Earlier>,
    /// Runs that might have served and cannot, in words.
    pub remarks: Vec<String>,
}

/// Looks through the recordings of a study, the latest first, for what a run of this set-up is held
/// against. Recordings that cannot be read are passed over: `verify` names them.
///
/// # Errors
/// If the recordings cannot be listed.
pub fn choose(folder: &Folder, comparing: &StudyComparing, setup: &Setup) -> Result<Chosen, FolderError> {
    let mut open = wanted(setup, comparing.baseline, &comparing.retention_from);
    let mut chosen = Chosen::default();
    let mut runs = folder.runs()?;
    runs.sort_unstable();
    for id in runs.iter().rev() {
        if open.is_empty() {
            break;
        }
        let Some(then) = setup_of(folder, id) else { continue };
        let mut candidates = Vec::new();
        for want in &open {
            match could_serve(want, setup, &then) {
                Ok(true) => candidates.push(want.clone()),
                Ok(false) => {}
                Err(why) if want.serves == Serves::Extended => drop(why),
                Err(why) => {
                    chosen.remarks.push(format!("run {id} ({}) is not compared with: {why}", want.stage))
                }
            }
        }
        if candidates.is_empty() {
            continue;
        }
        let Ok((replayed, _)) = folder.replay_run(id) else { continue };
        let book = Book::new(replayed.run.ledger(), &replayed.sha256);
        for want in candidates {
            // The end is written to it when it is taken up, and it is another file then.
            let whole = if replayed.has_end { Ok(()) } else { Err(WITHOUT_END.to_owned()) };
            match whole.and_then(|()| serves(&want, setup, &book)) {
                Ok(()) => {
                    open.retain(|other| *other != want);
                    chosen.earlier.push(Earlier {
                        serves: want.serves,
                        panel: want.panel,
                        stage: want.stage,
                        run: id.clone(),
                        sha256: replayed.sha256.clone(),
                    });
                }
                Err(why) if want.serves == Serves::Extended => drop(why),
                Err(why) => {
                    chosen.remarks.push(format!("run {id} ({}) is not compared with: {why}", want.stage))
                }
            }
        }
    }
    chosen.earlier.sort_by_key(|earlier| (earlier.panel, earlier.serves));
    Ok(chosen)
}

/// The set-up in a recording's head; `None` if it cannot be read.
fn setup_of(folder: &Folder, id: &str) -> Option<Setup> {
    head_of(folder, id).map(|head| head.setup)
}

/// A recording's head; `None` if it cannot be read.
pub(super) fn head_of(folder: &Folder, id: &str) -> Option<Head> {
    let path = folder.recording(id);
    let mut scanner = Scanner::new(path.display().to_string(), folder.stream(&path).ok()?);
    match scanner.next_record().ok()??.body {
        Body::Head(head) => Some(*head),
        _ => None,
    }
}

/// The runs that recordings name and that are not among them, from the folder that `beside` gives for each.
/// One that is not there, or cannot be read, is left out; the tables say so.
#[must_use]
pub fn named_by(
    folder: &Folder,
    runs: &[Replayed],
    beside: impl Fn(&Replayed) -> Option<PathBuf>,
) -> Vec<Replayed> {
    let mut found: Vec<Replayed> = Vec::new();
    for replayed in runs {
        let Some(place) = beside(replayed) else { continue };
        for earlier in &replayed.head.setup.comparing.earlier {
            let is_known = |other: &Replayed| other.sha256 == earlier.sha256;
            if runs.iter().chain(&found).any(is_known) {
                continue;
            }
            let path = place.join(Path::new(&earlier.run).with_extension(super::folder::RECORDING));
            let is_there = folder.disk().exists(&path).unwrap_or(false);
            if is_there && let Ok((replayed, _)) = folder.replay(&path, |_, _, _| {}) {
                found.push(replayed);
            }
        }
    }
    found
}
