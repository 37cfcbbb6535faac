//! The tables of lives on the disk, in `results/lives/`: there where there are observations, and a pure function of them and
//! of `study.toml`.

use super::folder::{Folder, FolderError};
use super::observing;
use super::results::{ResultsError, Sink};
use crate::life::{Observations, tables};
use crate::run::record::sha256_hex;
use crate::store::{self, StoreError};
use crate::study::Study;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Folder of the tables.
const LIVES: &str = "lives";

/// Where the tables of lives are.
#[must_use]
pub fn place(folder: &Folder) -> PathBuf {
    folder.results().join(LIVES)
}

/// Brings the tables up to date. Without observations nothing is written.
///
/// # Errors
/// If the disk refuses.
pub fn update(folder: &Folder, study: &Study, observations: &Observations) -> Result<(), StoreError> {
    if observations.shape.is_none() {
        return Ok(());
    }
    let files = tables::files(study, observations);
    let files: Vec<(&str, &[u8])> = files.iter().map(|(name, bytes)| (*name, bytes.as_slice())).collect();
    store::replace_files(folder.disk(), &place(folder), &files)
}

/// As [`update`], for a caller without a study at hand. One with a mistake in it is left alone: whoever loads it is told.
///
/// # Errors
/// If the disk refuses.
pub fn refresh(folder: &Folder) -> Result<(), ResultsError> {
    if !has_observations(folder)? {
        return Ok(());
    }
    let loaded = match folder.load() {
        Ok(loaded) => loaded,
        Err(FolderError::Store(error)) => return Err(error.into()),
        Err(_) => return Ok(()),
    };
    // Whoever holds the lock is adding a row, and writes the tables after it.
    let Ok(_lock) = observing::lock(folder) else { return Ok(()) };
    let observations = observing::read(folder, &loaded.study)?;
    Ok(update(folder, &loaded.study, &observations)?)
}

fn has_observations(folder: &Folder) -> Result<bool, StoreError> {
    folder.disk().exists(&folder.root().join(observing::OBSERVATIONS))
}

/// Writes the tables into a sink: to be compared, or elsewhere. Gives what is wrong with the rows and the pictures, each in a
/// sentence or two.
///
/// # Errors
/// If the disk refuses.
pub fn check(folder: &Folder, study: &Study, sink: &mut dyn Sink) -> Result<Vec<String>, StoreError> {
    if !has_observations(folder)? {
        return Ok(Vec::new());
    }
    let observations = observing::read(folder, study)?;
    let mut wrong: Vec<String> = observations.problems.iter().map(ToString::to_string).collect();
    for row in &observations.rows {
        if let Some(photo) = row.photo.as_ref().filter(|_| row.taken_back_by.is_none()) {
            let path = folder.root().join(&photo.path);
            let place = format!("{}:{}", observing::OBSERVATIONS, row.line);
            if !folder.disk().exists(&path)? {
                wrong.push(format!("{place}: the photo {} is not there", path.display()));
            } else if !photo.sha256.is_empty() && sha256_hex(&folder.disk().read(&path)?) != photo.sha256 {
                wrong.push(format!("{place}: the photo {} is not the one that was kept", path.display()));
            }
        }
    }
    for (name, bytes) in tables::files(study, &observations) {
        let mut target = sink.table(&format!("{LIVES}/{name}"))?;
        target.write_all(&bytes).map_err(|error| StoreError::new(Path::new(name), "write", error))?;
        target.close()?;
    }
    Ok(wrong)
}
