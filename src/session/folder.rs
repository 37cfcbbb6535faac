//! A study on the disk: where its files are, and what can be done with them.
//!
//! ```text
//! STUDY/study.toml          the study
//! STUDY/recordings/RUN.rec  one recording a run
//! STUDY/results/…           the tables, all of them worked out from the above
//! STUDY/repeatability/…     recordings of how well the meter repeats, which are in no table
//! STUDY/.lock               held by the one process that writes
//! ```

use crate::meter::{Profile, shipped};
use crate::run::record::{Encoder, Scanner, sha256_hex};
use crate::run::{Effect, ReplayError, Replayed, Run, replay};
use crate::store;
use crate::store::lock::{self, Lock, LockError};
use crate::store::{Disk, StoreError};
use crate::study::{ProfileChoice, SelectionProblem, Study};
use crate::text::Problem;
use chrono::NaiveDate;
use std::io::{BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Extension of a recording's file name.
pub const RECORDING: &str = "rec";

/// How much of a recording is read at once.
const READ_AHEAD: usize = 256 * 1024;

/// A study folder on a disk.
#[derive(Clone, Debug)]
pub struct Folder {
    disk: Arc<dyn Disk>,
    root: PathBuf,
    recordings: &'static str,
}

/// A study as it stands on the disk, with its meter's profile.
#[derive(Debug)]
pub struct LoadedStudy {
    /// The study.
    pub study: Study,
    /// The meter's profile.
    pub profile: Profile,
    /// SHA-256 of `study.toml`.
    pub sha256: String,
}

/// What can be wrong with a study folder.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    /// No `study.toml` there.
    #[error("{} is not a study: it has no study.toml", path.display())]
    NotAStudy {
        /// The folder that was named.
        path: PathBuf,
    },
    /// The whole folder is not there any more.
    #[error("{} is gone: it was moved or removed, or its disk was taken out", path.display())]
    Gone {
        /// Where it was.
        path: PathBuf,
    },
    /// A text with a mistake in it.
    #[error("{0}")]
    Problem(#[from] Problem),
    /// Panels or treatments that the study does not have.
    #[error("{0}")]
    Selection(#[from] SelectionProblem),
    /// A recording that cannot be read.
    #[error(transparent)]
    Replay(#[from] ReplayError),
    /// A copy, or a recording that was renamed: two files of one run would be two answers.
    #[error("{} holds run {run}, which its name does not say", path.display())]
    Misnamed {
        /// The file.
        path: PathBuf,
        /// The run it holds.
        run: String,
    },
    /// Somebody else writes to it.
    #[error(transparent)]
    Lock(#[from] LockError),
    /// The disk refused.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl FolderError {
    /// What to do about it; empty where the message says it already.
    #[must_use]
    pub fn hint(&self) -> String {
        match self {
            FolderError::NotAStudy { path } => {
                format!("`halfpanel init {}` makes one there, or name a study's folder", path.display())
            }
            FolderError::Gone { .. } => {
                "put it back where it was; what was recorded went with it, and its tables are written with the next run".to_owned()
            }
            FolderError::Problem(_) | FolderError::Selection(_) | FolderError::Lock(_) => String::new(),
            FolderError::Replay(error) => error.hint(),
            FolderError::Misnamed { run, .. } => {
                format!("give it the name {run}.{RECORDING} again, or move a copy out of recordings/")
            }
            FolderError::Store(error) => error.hint().to_owned(),
        }
    }
}

/// A recording that can be gone on with.
pub struct Unfinished {
    /// Id of its run.
    pub id: String,
    /// The recording, read to its end.
    pub replayed: Replayed,
    /// Goes on behind its last whole record.
    pub encoder: Encoder,
}

impl Folder {
    /// A study folder, whether it is there or not.
    #[must_use]
    pub fn new(disk: Arc<dyn Disk>, root: impl Into<PathBuf>) -> Folder {
        Folder { disk, root: root.into(), recordings: "recordings" }
    }

    /// The same study, its recordings being those of how well the meter repeats.
    #[must_use]
    pub fn repeatability(&self) -> Folder {
        Folder { recordings: "repeatability", ..self.clone() }
    }

    /// Path of the recordings.
    #[must_use]
    pub fn recordings(&self) -> PathBuf {
        self.root.join(self.recordings)
    }

    /// The disk it lies on.
    #[must_use]
    pub fn disk(&self) -> &dyn Disk {
        &*self.disk
    }

    /// Its path.
    #[must_use]
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Path of the tables.
    #[must_use]
    pub fn results(&self) -> PathBuf {
        self.root.join("results")
    }

    /// Path of a run's recording.
    #[must_use]
    pub fn recording(&self, id: &str) -> PathBuf {
        self.recordings().join(format!("{id}.{RECORDING}"))
    }

    /// Takes the lock of the one process that may write here.
    ///
    /// # Errors
    /// [`LockError`], which says who has it.
    pub fn lock(&self, note: &str) -> Result<Lock, FolderError> {
        Ok(self.disk.lock(&self.root.join(lock::STUDY_LOCK), "the study", note)?)
    }

    /// Makes sure that the folder is still there, so that nothing is begun anew in its place.
    ///
    /// # Errors
    /// [`FolderError::Gone`], or if the disk cannot tell.
    pub fn still_there(&self) -> Result<(), FolderError> {
        match self.disk.exists(&self.root)? {
            true => Ok(()),
            false => Err(FolderError::Gone { path: self.root.clone() }),
        }
    }

    /// Removes what killed writes left behind. For the holder of the lock only.
    ///
    /// # Errors
    /// If a folder cannot be listed, or something in it not removed.
    pub fn sweep(&self) -> Result<(), FolderError> {
        for folder in [self.recordings(), self.results()] {
            if self.disk.exists(&folder)? {
                store::sweep_leftovers(&*self.disk, &folder)?;
            }
        }
        Ok(())
    }

    /// Reads the study and its meter's profile.
    ///
    /// # Errors
    /// What is wrong, with file, line and column.
    pub fn load(&self) -> Result<LoadedStudy, FolderError> {
        let path = self.root.join("study.toml");
        if !self.disk.exists(&path)? {
            return Err(FolderError::NotAStudy { path: self.root.clone() });
        }
        let source = self.text(&path)?;
        let study = Study::load(&path.display().to_string(), &source)?;
        let profile = match &study.profile {
            ProfileChoice::Shipped(name) => shipped::find(name).ok_or_else(|| {
                FolderError::Problem(Problem {
                    file: path.display().to_string(),
                    line: 1,
                    column: 1,
                    what: format!("no profile called `{name}` comes with the program"),
                    hint: format!("it has {}", shipped::names().collect::<Vec<_>>().join(", ")),
                })
            })?,
            ProfileChoice::File(file) => {
                let path = self.root.join(file);
                Profile::load(&path.display().to_string(), &self.text(&path)?)?
            }
        };
        study.check_geometries(&profile.geometries())?;
        study.check_serial_number(&profile)?;
        Ok(LoadedStudy { study, profile, sha256: sha256_hex(source.as_bytes()) })
    }

    /// Reads a text file; one that is not UTF-8 is a problem with a place.
    ///
    /// # Errors
    /// As told.
    pub fn text(&self, path: &Path) -> Result<String, FolderError> {
        let bytes = self.disk.read(path)?;
        String::from_utf8(bytes).map_err(|error| {
            let good = error.utf8_error().valid_up_to();
            let before = &error.as_bytes()[..good];
            let line_start = before.iter().rposition(|&b| b == b'\n').map_or(0, |at| at + 1);
            FolderError::Problem(Problem {
                file: path.display().to_string(),
                line: before.iter().filter(|&&b| b == b'\n').count() + 1,
                column: String::from_utf8_lossy(&before[line_start..]).chars().count() + 1,
                what: "the file is not UTF-8 text from here on".to_owned(),
                hint: "save it as UTF-8".to_owned(),
            })
        })
    }

    /// Ids of all runs that have a recording, in order.
    ///
    /// # Errors
    /// If the folder cannot be listed.
    pub fn runs(&self) -> Result<Vec<String>, FolderError> {
        let folder = self.recordings();
        if !self.disk.exists(&folder)? {
            return Ok(Vec::new());
        }
        let names = self.disk.list(&folder)?;
        let ids = names.iter().filter(|entry| !entry.is_folder).filter_map(|entry| {
            let path = Path::new(&entry.name);
            let is_recording = path.extension().is_some_and(|e| e == RECORDING);
            is_recording.then(|| path.file_stem()?.to_str().map(str::to_owned)).flatten()
        });
        Ok(ids.filter(|id| !id.starts_with('.')).collect())
    }

    /// An id for a run that starts on this day: the date and a running number, which sorts by time.
    ///
    /// # Errors
    /// If the folder cannot be listed.
    pub fn next_id(&self, day: NaiveDate) -> Result<String, FolderError> {
        let runs = self.runs()?;
        let today = format!("{}-", day.format("%Y-%m-%d"));
        let last = runs.iter().filter_map(|id| id.strip_prefix(&today)?.parse::<u32>().ok()).max();
        Ok(format!("{today}{:02}", u64::from(last.unwrap_or(0)) + 1))
    }

    /// Opens a file for streaming.
    ///
    /// # Errors
    /// If it is not there.
    pub fn stream(&self, path: &Path) -> Result<BufReader<Box<dyn Read + Send>>, FolderError> {
        Ok(BufReader::with_capacity(READ_AHEAD, self.disk.open(path)?))
    }

    /// Reads a recording to its end; `each` sees every record as it is applied.
    ///
    /// # Errors
    /// [`ReplayError`], with the place.
    pub fn replay(
        &self,
        path: &Path,
        each: impl FnMut(&crate::run::record::Record<'_>, &mut Run, &mut Vec<Effect>),
    ) -> Result<(Replayed, Encoder), FolderError> {
        let name = path.display().to_string();
        let mut scanner = Scanner::new(name.clone(), self.stream(path)?);
        let replayed = replay(&name, &mut scanner, each)?;
        Ok((replayed, scanner.continuing()))
    }

    /// Reads a recording of the study, which must go by its run's id.
    ///
    /// # Errors
    /// As [`Folder::replay`], and [`FolderError::Misnamed`].
    pub fn replay_run(&self, id: &str) -> Result<(Replayed, Encoder), FolderError> {
        let path = self.recording(id);
        let (replayed, encoder) = self.replay(&path, |_, _, _| {})?;
        if replayed.head.run != id {
            return Err(FolderError::Misnamed { path, run: replayed.head.run });
        }
        Ok((replayed, encoder))
    }

    /// The last run that has not come to its end, if there is one. A recording without even a head, in
    /// which nothing was taken, is passed over.
    ///
    /// # Errors
    /// If a recording cannot be read.
    pub fn unfinished(&self) -> Result<Option<Unfinished>, FolderError> {
        for id in self.runs()?.into_iter().rev() {
            let path = self.recording(&id);
            if self.seems_ended(&path)? {
                continue;
            }
            match self.replay_run(&id) {
                Ok((replayed, encoder)) if !replayed.has_end => {
                    return Ok(Some(Unfinished { id, replayed, encoder }));
                }
                Ok(_) | Err(FolderError::Misnamed { .. }) => {}
                Err(FolderError::Replay(ReplayError::Recording(
                    crate::run::record::RecordingError::NoHead { .. },
                ))) => {}
                Err(other) => return Err(other),
            }
        }
        Ok(None)
    }

    /// Whether the last bytes look like an end record, so that a long study is not replayed whole just
    /// to start a run. A damaged file is found by `verify`.
    fn seems_ended(&self, path: &Path) -> Result<bool, FolderError> {
        let mut last: Vec<u8> = Vec::new();
        let mut file = self.disk.open(path)?;
        let mut chunk = vec![0; READ_AHEAD];
        loop {
            let n = file.read(&mut chunk).map_err(|e| StoreError::new(path, "read", e))?;
            if n == 0 {
                break;
            }
            last.extend_from_slice(&chunk[..n]);
            let keep = last.len().saturating_sub(200);
            last.drain(..keep);
        }
        let line_end = last.ends_with(b"\"}\n");
        let kind = last.windows(11).any(|w| w == b"\"k\":\"end\",\"");
        Ok(line_end && kind)
    }
}
