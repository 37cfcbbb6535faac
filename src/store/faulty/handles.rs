//! Open files of the disk in memory.

use super::FaultyDisk;
use super::state::Temp;
use crate::store::AppendFile;
use crate::store::AtomicWriter;
use crate::store::StoreError;
use crate::store::folder_of;
use std::io;
use std::io::Read;
use std::io::Write;
use std::path::PathBuf;

#[derive(Debug)]
pub(super) struct FaultyAppend {
    pub(super) disk: FaultyDisk,
    pub(super) path: PathBuf,
    pub(super) id: usize,
}

impl AppendFile for FaultyAppend {
    fn append(&mut self, bytes: &[u8]) -> Result<(), StoreError> {
        let written = self.disk.state().append(&self.path, self.id, bytes);
        written.map_err(|error| StoreError::new(&self.path, "append to", error))
    }

    fn sync(&mut self) -> Result<(), StoreError> {
        let synced = self.disk.state().sync(&self.path, self.id);
        synced.map_err(|error| StoreError::new(&self.path, "sync", error))
    }

    fn set_len(&mut self, len: u64) -> Result<(), StoreError> {
        let cut = self.disk.state().cut(&self.path, self.id, len);
        cut.map_err(|error| StoreError::new(&self.path, "shorten", error))
    }

    fn len(&self) -> u64 {
        self.disk.state().contents[self.id].live().len() as u64
    }
}

pub(super) struct FaultyReader {
    pub(super) disk: FaultyDisk,
    pub(super) path: PathBuf,
    pub(super) id: usize,
    pub(super) at: usize,
}

impl Read for FaultyReader {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.disk.state().read_piece(&self.path, self.id, self.at, buffer);
        let count = read.map_err(|error| StoreError::new(&self.path, "read", error))?;
        self.at += count;
        Ok(count)
    }
}

pub(super) struct FaultyWriter {
    pub(super) disk: FaultyDisk,
    pub(super) path: PathBuf,
    /// Taken out by the rename: what is still here when dropped is removed.
    pub(super) temp: Option<Temp>,
}

impl Write for FaultyWriter {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let temp = self.temp.as_ref().expect("taken out by `finish` alone, which ends the writer");
        let written = self.disk.state().write(&temp.path, temp.id, bytes);
        Ok(written.map_err(|error| StoreError::new(&self.path, "write", error))?)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl AtomicWriter for FaultyWriter {
    fn finish(mut self: Box<Self>) -> Result<(), StoreError> {
        let disk = self.disk.clone();
        let mut state = disk.state();
        let finished = match self.temp.as_ref() {
            Some(temp) => state
                .sync(&temp.path, temp.id)
                .map_err(|error| StoreError::new(&self.path, "sync the new content of", error))
                .and_then(|()| {
                    let renamed = state.rename(&temp.path, &self.path);
                    renamed.map_err(|error| StoreError::new(&self.path, "replace", error))
                }),
            None => Ok(()),
        };
        // The drop of `self` asks for the disk again.
        let synced = finished.and_then(|()| {
            self.temp = None;
            let folder = folder_of(&self.path);
            state.sync_folder(folder).map_err(|error| StoreError::new(folder, "sync the folder", error))
        });
        drop(state);
        synced
    }
}

impl Drop for FaultyWriter {
    fn drop(&mut self) {
        if let Some(temp) = self.temp.take() {
            let _ = self.disk.state().remove(&temp.path, false);
        }
    }
}

/// Gives a lock of the disk in memory back when dropped.
pub(super) struct MemoryLock {
    pub(super) disk: FaultyDisk,
    pub(super) path: PathBuf,
}

impl Drop for MemoryLock {
    fn drop(&mut self) {
        self.disk.state().locks.remove(&self.path);
    }
}
