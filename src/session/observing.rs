//! `observations.csv` on the disk: read, added to under a short lock, and never rewritten.
//!
//! The lock is one of its own, since the study's is held for as long as a run goes on, and hands are wet meanwhile.

use super::folder::{Folder, FolderError, LoadedStudy};
use super::lives;
use crate::life::deeds::{self, CannotDo, Choice, Wash};
use crate::life::{self, CannotAdd, Look, Observation, Observations, Photo, RunOfPatch, Story, What};
use crate::run::record::{Body, Scanner, sha256_hex};
use crate::store::{Lock, LockError, StoreError};
use crate::study::{Selection, Study};
use crate::text::Problem;
use chrono::{DateTime, FixedOffset, Timelike};
use std::path::{Component, Path, PathBuf};

/// Name of the file in the study's folder.
pub const OBSERVATIONS: &str = "observations.csv";

/// Name of its lock.
const LOCK: &str = ".observations.lock";

/// Folder for pictures that were not in the study's folder yet.
const PHOTOS: &str = "photos";

/// Why a row was not added. The file is as it was.
#[derive(Debug, thiserror::Error)]
pub enum ObservingError {
    /// The study or the file.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// Somebody else adds to it at this moment.
    #[error(transparent)]
    Lock(#[from] LockError),
    /// The disk refused.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// What was asked for cannot be.
    #[error(transparent)]
    Deed(#[from] CannotDo),
    /// A text that cannot stand in the file, or a header without its column.
    #[error(transparent)]
    CannotAdd(#[from] CannotAdd),
    /// The header cannot be read, so nobody knows where the cells of a new row would go.
    #[error("nothing was added, since the file cannot be read: {0}")]
    Unreadable(Problem),
    /// The row would contradict what stands in the file.
    #[error("nothing was added: {what}")]
    Contradicts {
        /// What contradicts.
        what: String,
        /// What to do.
        hint: String,
    },
    /// Rows were added since.
    #[error(
        "nothing was added: row {last} was noted meanwhile, and row {seen} was the last when this was asked for"
    )]
    MovedOn {
        /// The last row that was seen.
        seen: u32,
        /// The last row that there is.
        last: u32,
    },
    /// A label without its key.
    #[error("label `{0}` cannot be revealed: its key is not in {1}")]
    NoKey(String, String),
    /// Some labels were not judged in full.
    #[error("not revealed: {0}")]
    NotJudged(String),
    /// The system gave no random numbers.
    #[error("the system gives no random numbers: {0}")]
    NoChance(String),
}

impl ObservingError {
    /// What to do about it; empty where the message says it already.
    #[must_use]
    pub fn hint(&self) -> String {
        match self {
            ObservingError::Folder(error) => error.hint(),
            ObservingError::Store(error) => error.hint().to_owned(),
            ObservingError::Contradicts { hint, .. } => hint.clone(),
            ObservingError::MovedOn { .. } => {
                "look at what is noted now, and do it again if it is still wanted".to_owned()
            }
            ObservingError::NoKey(..) => {
                "put the key file back, or take the `blinded` row back with `halfpanel correct`".to_owned()
            }
            ObservingError::NotJudged(_) => {
                "judge the rest first, or reveal all the same with --anyway".to_owned()
            }
            ObservingError::Lock(_)
            | ObservingError::Deed(_)
            | ObservingError::CannotAdd(_)
            | ObservingError::Unreadable(_)
            | ObservingError::NoChance(_) => String::new(),
        }
    }
}

/// What is told with a row, whatever it is about.
#[derive(Clone, Debug)]
pub struct Telling {
    /// When it was done or seen.
    pub at: DateTime<FixedOffset>,
    /// Who did it; empty if nobody is named.
    pub by: String,
    /// In words; empty if there are none.
    pub note: String,
    /// A picture. One outside of the study's folder is copied into `photos/`.
    pub photo: Option<PathBuf>,
    /// Number of a row that this one takes the place of.
    pub instead_of: Option<u32>,
    /// Number of the last row, as whoever tells this has seen the file; if others have come since, nothing is added. Not
    /// asked after where absent.
    pub seen: Option<u32>,
}

impl Telling {
    /// At that moment, with nothing else told.
    #[must_use]
    pub fn at(at: DateTime<FixedOffset>) -> Telling {
        Telling { at, by: String::new(), note: String::new(), photo: None, instead_of: None, seen: None }
    }
}

/// What was added.
#[derive(Clone, Debug)]
pub struct Appended {
    /// The rows, as they are on the disk now.
    pub rows: Vec<Observation>,
    /// The stories of the whole study with them.
    pub stories: Vec<Story>,
    /// What was read, rows and remarks and problems.
    pub observations: Observations,
    /// Why the tables of lives lag behind, if they do: the rows are kept all the same.
    pub tables_behind: Option<String>,
}

/// Reads `observations.csv`; without one there is nothing in it.
///
/// # Errors
/// If the disk refuses. What is wrong in the file is told in [`Observations::problems`].
pub fn read(folder: &Folder, study: &Study) -> Result<Observations, StoreError> {
    let path = folder.root().join(OBSERVATIONS);
    Ok(life::read(&path.display().to_string(), &bytes(folder, &path)?, study))
}

/// Takes the lock of the file, for as long as a row is added.
pub(super) fn lock(folder: &Folder) -> Result<Lock, LockError> {
    folder.disk().lock(&folder.root().join(LOCK), OBSERVATIONS, "adding a row")
}

fn bytes(folder: &Folder, path: &Path) -> Result<Vec<u8>, StoreError> {
    if folder.disk().exists(path)? { folder.disk().read(path) } else { Ok(Vec::new()) }
}

/// Adds rows: `make` is given what the file holds, and says what is to be added. They are on the disk, synced, once this
/// returns. A row that would contradict others is refused, and nothing is added then.
///
/// # Errors
/// [`ObservingError`].
pub fn append(
    folder: &Folder,
    study: &Study,
    telling: &Telling,
    make: impl FnOnce(&Observations) -> Result<Vec<What>, ObservingError>,
) -> Result<Appended, ObservingError> {
    let path = folder.root().join(OBSERVATIONS);
    let name = path.display().to_string();
    let _lock = lock(folder)?;
    let before = bytes(folder, &path)?;
    let mut stands = life::read(&name, &before, study);
    if stands.shape.is_none()
        && let Some(problem) = stands.problems.first()
    {
        return Err(ObservingError::Unreadable(problem.clone()));
    }
    if let Some(seen) = telling.seen.filter(|seen| *seen != stands.last_row) {
        return Err(ObservingError::MovedOn { seen, last: stands.last_row });
    }
    // A row that is replaced counts for nothing when the new one is worked out.
    if let Some(row) = telling.instead_of
        && let Some(replaced) = stands.rows.iter_mut().find(|known| known.row == row)
    {
        replaced.taken_back_by = Some(0);
    }
    let instead = telling.instead_of.map(|takes_back| What::Corrected { takes_back });
    let whats: Vec<What> = instead.into_iter().chain(make(&stands)?).collect();
    let photo = telling.photo.as_deref().map(|photo| keep_photo(folder, photo)).transpose()?;
    let rows = rows(&stands, whats, telling, photo.as_ref());
    let added = life::added(stands.shape.as_ref(), study, &rows)?;
    let after = [before.as_slice(), added.as_slice()].concat();
    let observations = life::read(&name, &after, study);
    refuse_new_problems(&stands, &observations)?;
    write(folder, &path, &before, &added)?;
    let stories = life::stories(study, &observations);
    // The row is kept; whoever was told that it is not would write it twice.
    let tables_behind = lives::update(folder, study, &observations).err().map(|error| error.to_string());
    Ok(Appended { rows, stories, observations, tables_behind })
}

/// The rows with the next numbers; a picture goes with those that may have one.
fn rows(
    stands: &Observations,
    whats: Vec<What>,
    telling: &Telling,
    photo: Option<&Photo>,
) -> Vec<Observation> {
    let numbered = (stands.last_row.saturating_add(1)..).zip(whats);
    numbered
        .map(|(row, what)| Observation {
            row,
            line: 0,
            at: telling.at.with_nanosecond(0).unwrap_or(telling.at),
            by: telling.by.clone(),
            photo: photo.filter(|_| what.kind().has(life::Column::Photo)).cloned(),
            note: telling.note.clone(),
            what,
            taken_back_by: None,
        })
        .collect()
}

fn refuse_new_problems(before: &Observations, after: &Observations) -> Result<(), ObservingError> {
    // The hint of a row that was cut off is another one once a line end stands behind it.
    let place = |problem: &Problem| (problem.line, problem.column, problem.what.clone());
    let known: Vec<_> = before.problems.iter().map(place).collect();
    let new = after.problems.iter().find(|problem| !known.contains(&place(problem)));
    new.map_or(Ok(()), |problem| {
        Err(ObservingError::Contradicts { what: problem.what.clone(), hint: problem.hint.clone() })
    })
}

/// A new file is made whole; rows behind others are appended and synced.
fn write(folder: &Folder, path: &Path, before: &[u8], added: &[u8]) -> Result<(), StoreError> {
    if before.is_empty() {
        return folder.disk().write_atomic(path, added);
    }
    let mut file = folder.disk().open_append(path)?;
    let len = file.len();
    if let Err(error) = file.append(added) {
        // Nobody was told of the row, so a part of it need not stay; if it does, it is read as a row that was cut off.
        let _ = file.set_len(len).and_then(|()| file.sync());
        return Err(error);
    }
    file.sync()
}

/// Where a picture lies from the study's folder, with its digest. One that lies elsewhere is copied to `photos/`.
fn keep_photo(folder: &Folder, path: &Path) -> Result<Photo, ObservingError> {
    let bytes = folder.disk().read(path)?;
    let sha256 = sha256_hex(&bytes);
    if let Some(inside) = inside(folder.root(), path) {
        return Ok(Photo { path: inside, sha256 });
    }
    let plain = |c: char| if c.is_alphanumeric() || ".-_".contains(c) { c } else { '_' };
    let name: String = path.file_name().unwrap_or_default().to_string_lossy().chars().map(plain).collect();
    let name = format!("{}-{name}", &sha256[..12]);
    let photos = folder.root().join(PHOTOS);
    folder.disk().create_dir_all(&photos)?;
    folder.disk().write_atomic(&photos.join(&name), &bytes)?;
    Ok(Photo { path: format!("{PHOTOS}/{name}"), sha256 })
}

/// The path from `root` in the way of all systems, if it lies below it by its name.
fn inside(root: &Path, path: &Path) -> Option<String> {
    let here = Path::new(".");
    let below =
        path.strip_prefix(root).ok().or_else(|| (root == here && path.is_relative()).then_some(path))?;
    let mut parts = Vec::new();
    for part in below.components() {
        match part {
            Component::Normal(part) => parts.push(part.to_str()?),
            Component::CurDir => {}
            _ => return None,
        }
    }
    (!parts.is_empty()).then(|| parts.join("/"))
}

/// Counts washes, and keeps what was seen after them. For the page and the command alike.
///
/// # Errors
/// [`ObservingError`].
pub fn wash(
    folder: &Folder,
    study: &Study,
    wash: &Wash,
    telling: &Telling,
) -> Result<Appended, ObservingError> {
    append(folder, study, telling, |stands| Ok(deeds::wash(study, stands, wash)?))
}

/// Keeps what was seen, without a wash.
///
/// # Errors
/// [`ObservingError`].
pub fn look(
    folder: &Folder,
    study: &Study,
    (choice, look): (&Choice, Look),
    telling: &Telling,
) -> Result<Appended, ObservingError> {
    append(folder, study, telling, |stands| Ok(vec![deeds::look(study, stands, choice, look)?]))
}

/// Prepares a study for a new run: its patches get the stages that were observed, where `study.toml` states none. Gives
/// what to know before it is begun, in sentences.
///
/// # Errors
/// If the disk refuses.
pub fn before_run(
    folder: &Folder,
    loaded: &mut LoadedStudy,
    selection: &Selection,
    now: DateTime<FixedOffset>,
) -> Result<Vec<String>, FolderError> {
    let observations = read(folder, &loaded.study)?;
    let mut remarks: Vec<String> = observations.problems.iter().map(ToString::to_string).collect();
    let stage = selection.stage.as_deref();
    remarks.extend(life::too_early(&loaded.study, &observations, selection, stage, now));
    loaded.study = life::staged(&loaded.study, &observations, now);
    Ok(remarks)
}

/// Which runs read which patches at which stage, by the heads of their recordings. One that cannot be read is passed over:
/// `verify` names it.
///
/// # Errors
/// If the recordings cannot be listed.
pub fn runs_of_patches(folder: &Folder, study: &Study) -> Result<Vec<RunOfPatch>, FolderError> {
    let mut found = Vec::new();
    for run in folder.runs()? {
        let path = folder.recording(&run);
        let Ok(stream) = folder.stream(&path) else { continue };
        let mut scanner = Scanner::new(path.display().to_string(), stream);
        let Ok(Some(record)) = scanner.next_record() else { continue };
        let Body::Head(head) = record.body else { continue };
        for (patch, of_study) in study.patches.iter().enumerate() {
            let (panel, code) =
                (&study.panels[of_study.panel].id, &study.treatments[of_study.treatment].treatment.code);
            let zone = head.setup.zones.iter().find(|zone| {
                let treatment = zone.treatment.and_then(|treatment| head.setup.treatments.get(treatment));
                treatment.is_some_and(|treatment| treatment.code == *code)
                    && head.setup.panels.get(zone.panel).is_some_and(|at| at.id == *panel)
            });
            if let Some(zone) = zone {
                let stage = zone.stage.clone();
                found.push(RunOfPatch { run: run.clone(), patch, stage, at: head.wall });
            }
        }
    }
    Ok(found)
}
