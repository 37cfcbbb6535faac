//! A disk in memory that goes wrong on purpose: the seam for fault campaigns.
//!
//! Every step that can fail has a running number. A campaign first runs its work on a disk without
//! faults, asks for [`FaultyDisk::operations`], and then runs it once for each of these numbers with a
//! [`Plan`] that makes just that operation fail, stop short, or lose the power. [`FaultyDisk::crash`]
//! then gives the disk as it would come up again.
//!
//! ```
//! use halfpanel::store::faulty::{Cause, Fault, Plan, Survive};
//! use halfpanel::store::{Disk, FaultyDisk};
//! use std::path::Path;
//!
//! let disk = FaultyDisk::new(Plan::default());
//! let mut file = disk.create_new(Path::new("/one")).unwrap();
//! file.append(b"kept").unwrap();
//! file.sync().unwrap();
//! file.append(b"lost").unwrap();
//! assert_eq!(disk.crash(Survive::SyncedOnly).peek("/one").unwrap(), b"kept");
//! ```
//!
//! The model is a pessimist's journalling file system: nothing lasts that was not synced, names wait
//! for the sync of their folder and come through in order, a sector is written as one, and a failed
//! sync drops the bytes it was for, whatever later syncs say. Paths are taken as written (`a/./b` is
//! `a/b`, nothing else is resolved) and there are no links.

mod content;
mod handles;
mod names;
mod plan;
mod state;

pub use plan::Cause;
pub use plan::Fault;
pub use plan::Op;
pub use plan::Plan;

use super::AppendFile;
use super::AtomicWriter;
use super::Disk;
use super::Entry;
use super::Lock;
use super::LockError;
use super::Meta;
use super::StoreError;
use super::folder_of;
use super::lock::Holder;
use handles::FaultyAppend;
use handles::FaultyReader;
use handles::FaultyWriter;
use handles::MemoryLock;
use names::Node;
use state::State;
use std::io::Read;
use std::path::Path;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::MutexGuard;
use std::sync::PoisonError;

/// What is left of unsynced work after a loss of power. Synced work is always left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Survive {
    /// None of it: neither bytes, nor the names of new files, nor renames.
    SyncedOnly,
    /// All names, and of each file the given number of unsynced bytes. With 0 this is the trap of a
    /// rename without a sync before it: the new name with nothing in it.
    Prefix(usize),
    /// By a seed: some of the changes of names, in order; and of the unsynced 512-byte sectors some new,
    /// some old, some zeros, at the new or the old length.
    Sectors(u64),
}

/// A disk in memory with a plan of faults. Clones are the same disk, as two processes would see it.
#[derive(Clone, Debug, Default)]
pub struct FaultyDisk(Arc<Mutex<State>>);

impl FaultyDisk {
    /// An empty disk on which the plan's operations go wrong.
    #[must_use]
    pub fn new(plan: Plan) -> FaultyDisk {
        let disk = FaultyDisk::default();
        disk.set_plan(plan);
        disk
    }

    /// Takes another plan from here on; its numbers count from 0 again, and the list of operations
    /// starts anew.
    pub fn set_plan(&self, plan: Plan) {
        self.state().set_plan(plan);
    }

    /// The operations since the plan was set, in the order of their numbers.
    #[must_use]
    pub fn operations(&self) -> Vec<(Op, PathBuf)> {
        self.state().operations.clone()
    }

    /// Puts a file there, synced, with the folders above it, past the plan and uncounted. Also for
    /// flipping bits in one that is there: a file open for append sees the new content.
    pub fn put(&self, path: impl AsRef<Path>, bytes: impl Into<Vec<u8>>) {
        self.state().put(&tidy(path.as_ref()), bytes.into());
    }

    /// A file's content as programs see it, past the plan and uncounted; `None` where there is no file.
    #[must_use]
    pub fn peek(&self, path: impl AsRef<Path>) -> Option<Vec<u8>> {
        let state = self.state();
        match state.names.get(&tidy(path.as_ref()))? {
            Node::Folder => None,
            Node::File(id) => Some(state.contents[id].live().to_vec()),
        }
    }

    /// Takes the power away and gives the disk as it comes up again, without faults and without locks.
    /// Everything still open on this one fails from here on.
    #[must_use]
    pub fn crash(&self, survive: Survive) -> FaultyDisk {
        FaultyDisk(Arc::new(Mutex::new(self.state().crash(survive))))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A test thread that panicked leaves a disk that is still as good as any.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Disk for FaultyDisk {
    fn read(&self, path: &Path) -> Result<Vec<u8>, StoreError> {
        let path = tidy(path);
        self.state().read(&path).map_err(|error| StoreError::new(&path, "read", error))
    }

    fn open(&self, path: &Path) -> Result<Box<dyn Read + Send>, StoreError> {
        let path = tidy(path);
        let id = self.state().open(&path).map_err(|error| StoreError::new(&path, "open", error))?;
        Ok(Box::new(FaultyReader { disk: self.clone(), path, id, at: 0 }))
    }

    fn list(&self, folder: &Path) -> Result<Vec<Entry>, StoreError> {
        let folder = tidy(folder);
        self.state().list(&folder).map_err(|error| StoreError::new(&folder, "list", error))
    }

    fn meta(&self, path: &Path) -> Result<Option<Meta>, StoreError> {
        let path = tidy(path);
        self.state().meta(&path).map_err(|error| StoreError::new(&path, "look at", error))
    }

    fn create_dir_all(&self, folder: &Path) -> Result<(), StoreError> {
        let folder = tidy(folder);
        let made = self.state().create_dir_all(&folder);
        made.map_err(|error| StoreError::new(&folder, "create the folder", error))
    }

    fn create_new(&self, path: &Path) -> Result<Box<dyn AppendFile>, StoreError> {
        let path = tidy(path);
        let mut state = self.state();
        let id = state.create(&path).map_err(|error| StoreError::new(&path, "create", error))?;
        if let Err(error) = state.sync_folder(folder_of(&path)) {
            let _ = state.remove(&path, false);
            return Err(StoreError::new(folder_of(&path), "sync the folder", error));
        }
        Ok(Box::new(FaultyAppend { disk: self.clone(), path, id }))
    }

    fn open_append(&self, path: &Path) -> Result<Box<dyn AppendFile>, StoreError> {
        let path = tidy(path);
        let id =
            self.state().open(&path).map_err(|error| StoreError::new(&path, "open for append", error))?;
        Ok(Box::new(FaultyAppend { disk: self.clone(), path, id }))
    }

    fn atomic_writer(&self, path: &Path) -> Result<Box<dyn AtomicWriter>, StoreError> {
        let path = tidy(path);
        let temp =
            self.state().temp_beside(&path).map_err(|error| StoreError::new(&path, "replace", error))?;
        Ok(Box::new(FaultyWriter { disk: self.clone(), path, temp: Some(temp) }))
    }

    fn remove_file(&self, path: &Path) -> Result<(), StoreError> {
        let path = tidy(path);
        let mut state = self.state();
        state.remove(&path, false).map_err(|error| StoreError::new(&path, "remove", error))?;
        let synced = state.sync_folder(folder_of(&path));
        synced.map_err(|error| StoreError::new(folder_of(&path), "sync the folder", error))
    }

    fn remove_folder(&self, folder: &Path) -> Result<(), StoreError> {
        let folder = tidy(folder);
        let mut state = self.state();
        state.remove(&folder, true).map_err(|error| StoreError::new(&folder, "remove the folder", error))?;
        let synced = state.sync_folder(folder_of(&folder));
        synced.map_err(|error| StoreError::new(folder_of(&folder), "sync the folder", error))
    }

    fn lock(&self, path: &Path, what: &str, note: &str) -> Result<Lock, LockError> {
        let path = tidy(path);
        match self.state().lock(&path, note) {
            Ok(None) => {
                let guard = MemoryLock { disk: self.clone(), path: path.clone() };
                Ok(Lock::elsewhere(&path, Box::new(guard)))
            }
            Ok(Some(note)) => {
                let holder = Holder { pid: Some(std::process::id()), program: None, note };
                Err(LockError::Busy { what: what.to_owned(), path, holder })
            }
            Err(error) => {
                let source = StoreError::new(&path, "lock", error);
                Err(LockError::Unusable { what: what.to_owned(), source })
            }
        }
    }
}

/// A path with its `.` parts and doubled slashes taken out.
fn tidy(path: &Path) -> PathBuf {
    path.components().filter(|part| *part != std::path::Component::CurDir).collect()
}
