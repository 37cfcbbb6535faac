//! The only place that touches files. Everything else works on a [`Disk`], so that a test can put a
//! [`FaultyDisk`] there and make any one operation fail, stop short, or lose the power.
//!
//! What a caller may count on:
//!
//! - Bytes that [`AppendFile::sync`] has returned `Ok` for survive the loss of power, and so does the
//!   name of a file from [`Disk::create_new`] once that has returned.
//! - [`Disk::write_atomic`] and [`Disk::atomic_writer`] leave the whole old or the whole new content,
//!   after an error and after the loss of power alike.
//! - After a failed sync nothing may be concluded from a later one that succeeds: the operating system
//!   may have dropped the bytes. Stop using that file.

mod append;
mod error;
pub mod faulty;
pub mod lock;
mod lock_file;
mod real;
mod signals;

pub use error::StoreError;
pub use faulty::FaultyDisk;
pub use lock::Lock;
pub use lock::LockError;
pub use real::RealDisk;
pub use signals::is_hangup_ignored;

use std::ffi::OsString;
use std::fmt;
use std::io;
use std::io::Read;
use std::io::Write;
use std::path::Path;

/// How the name of a half-written file ends, see [`Entry::is_leftover`].
const LEFTOVER_SUFFIX: &str = ".half-written";

/// One entry of a folder.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Entry {
    /// The name without its folder.
    pub name: OsString,
    /// Whether it is a folder.
    pub is_folder: bool,
}

impl Entry {
    /// Whether this is what a killed atomic write left behind: no part of any study, and safe to
    /// remove by whoever holds the lock of the folder ([`sweep_leftovers`]).
    #[must_use]
    pub fn is_leftover(&self) -> bool {
        let name = self.name.as_encoded_bytes();
        !self.is_folder && name.starts_with(b".") && name.ends_with(LEFTOVER_SUFFIX.as_bytes())
    }
}

/// What is known of a path without opening it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Meta {
    /// Length in bytes; 0 for a folder.
    pub len: u64,
    /// Whether it is a folder.
    pub is_folder: bool,
}

/// All file work of the program. Object safe; pass it on as `&dyn Disk` or `Arc<dyn Disk>`.
///
/// Every method's error is a [`StoreError`] with the path and the operating system's answer.
pub trait Disk: Send + Sync + fmt::Debug {
    /// Reads a whole file.
    ///
    /// # Errors
    /// Where the file is missing or cannot be read.
    fn read(&self, path: &Path) -> Result<Vec<u8>, StoreError>;

    /// Opens a file to be read piece by piece. Unbuffered.
    ///
    /// # Errors
    /// Where the file is missing or cannot be opened; errors of later reads carry the path too.
    fn open(&self, path: &Path) -> Result<Box<dyn Read + Send>, StoreError>;

    /// As [`Disk::open`], for handing a file to others: only what lies there itself is opened, no link to elsewhere, no
    /// device, and no pipe that would keep its reader waiting.
    ///
    /// # Errors
    /// As [`Disk::open`], and where it is no plain file.
    fn open_plain(&self, path: &Path) -> Result<Box<dyn Read + Send>, StoreError> {
        self.open(path)
    }

    /// Lists a folder, sorted by name, leftovers of killed writes included.
    ///
    /// # Errors
    /// Where the folder is missing or cannot be listed.
    fn list(&self, folder: &Path) -> Result<Vec<Entry>, StoreError>;

    /// Looks at a path; `None` where nothing is there. Symbolic links are followed.
    ///
    /// # Errors
    /// Where the operating system cannot tell, which is not the same as nothing being there.
    fn meta(&self, path: &Path) -> Result<Option<Meta>, StoreError>;

    /// Creates a folder and those above it, so that their names survive the loss of power.
    /// One that exists is no error.
    ///
    /// # Errors
    /// Where a folder cannot be created, or a file stands in its place.
    fn create_dir_all(&self, folder: &Path) -> Result<(), StoreError>;

    /// Creates a file that must not exist yet, to be appended to. Once this returns, the name survives
    /// the loss of power.
    ///
    /// # Errors
    /// `AlreadyExists` where the name is taken; after any other error no file of that name is left,
    /// as far as the disk lets it be removed.
    fn create_new(&self, path: &Path) -> Result<Box<dyn AppendFile>, StoreError>;

    /// Opens an existing file to be appended to.
    ///
    /// # Errors
    /// Where the file is missing or cannot be written.
    fn open_append(&self, path: &Path) -> Result<Box<dyn AppendFile>, StoreError>;

    /// Begins to replace (or create) a file as one step: the path shows the new content from
    /// [`AtomicWriter::finish`] on, and the old content until then.
    ///
    /// # Errors
    /// Where no file can be created in the folder.
    fn atomic_writer(&self, path: &Path) -> Result<Box<dyn AtomicWriter>, StoreError>;

    /// Removes a file, for good once this returns.
    ///
    /// # Errors
    /// Where it is missing or cannot be removed.
    fn remove_file(&self, path: &Path) -> Result<(), StoreError>;

    /// Removes a folder and all that is in it, for good once this returns.
    ///
    /// # Errors
    /// Where it is missing or something in it cannot be removed; a part may be gone by then.
    fn remove_folder(&self, folder: &Path) -> Result<(), StoreError>;

    /// Takes the lock that `path` stands for, see [`Lock::take`].
    ///
    /// # Errors
    /// [`LockError::Busy`] where someone else holds it, [`LockError::Unusable`] where there can be none.
    fn lock(&self, path: &Path, what: &str, note: &str) -> Result<Lock, LockError>;

    /// Whether something is at the path.
    ///
    /// # Errors
    /// As [`Disk::meta`].
    fn exists(&self, path: &Path) -> Result<bool, StoreError> {
        Ok(self.meta(path)?.is_some())
    }

    /// Replaces (or creates) a file as one step.
    ///
    /// # Errors
    /// After an error the path shows the whole old content, or the whole new one where only the last
    /// step, the sync of the folder, has failed.
    fn write_atomic(&self, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
        let mut writer = self.atomic_writer(path)?;
        writer.write_all(bytes).map_err(|error| StoreError::new(path, "write", error))?;
        writer.finish()
    }

    /// As [`Disk::write_atomic`] for a file that can be made again from others: it need not survive the loss of power,
    /// so nobody waits for the disk.
    ///
    /// # Errors
    /// As [`Disk::write_atomic`].
    fn write_derived(&self, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
        self.write_atomic(path, bytes)
    }
}

/// A file that only grows, apart from the cut of a torn tail. One at a time may have it open; hold a
/// [`Lock`] to be sure of that.
pub trait AppendFile: Send + fmt::Debug {
    /// Writes all bytes behind those that are there. They survive the loss of power only once
    /// [`AppendFile::sync`] has returned.
    ///
    /// # Errors
    /// A part of the bytes may be in the file by then; [`AppendFile::len`] tells.
    fn append(&mut self, bytes: &[u8]) -> Result<(), StoreError>;

    /// Brings all appended bytes to the disk (`fdatasync`).
    ///
    /// # Errors
    /// From here on the file must not be trusted, nor appended to: a later sync that succeeds says
    /// nothing about the bytes of this one.
    fn sync(&mut self) -> Result<(), StoreError>;

    /// Cuts the file to `len` bytes. Lasting only after the next [`AppendFile::sync`].
    ///
    /// # Errors
    /// Where the operating system refuses, and `InvalidInput` where the file is shorter than `len`.
    fn set_len(&mut self, len: u64) -> Result<(), StoreError>;

    /// Length in bytes, as far as written.
    fn len(&self) -> u64;

    /// Whether nothing has been written yet.
    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Whether the disk has refused to set space aside: it is nearly full, so warn before it is.
    fn is_space_low(&self) -> bool {
        false
    }
}

/// A file being replaced. Dropped without [`AtomicWriter::finish`], the old content stays and the half
/// that was written is removed.
pub trait AtomicWriter: Write + Send {
    /// Syncs what was written, puts it in place of the old content, and syncs the folder.
    ///
    /// # Errors
    /// As [`Disk::write_atomic`].
    fn finish(self: Box<Self>) -> Result<(), StoreError>;
}

/// Writes files into a folder (made where missing), each as one step, in the order given. The set is
/// not one step: put last what the others are found by.
///
/// # Errors
/// The first that fails; those before it are replaced, those after it untouched. `InvalidInput` for a
/// name that is not plain (`../x`, `a/b`), before anything is written.
pub fn replace_files(disk: &dyn Disk, folder: &Path, files: &[(&str, &[u8])]) -> Result<(), StoreError> {
    for (name, _) in files {
        if Path::new(name).file_name() != Some(name.as_ref()) {
            let plain = io::Error::new(io::ErrorKind::InvalidInput, "not a plain file name");
            return Err(StoreError::new(&folder.join(name), "write", plain));
        }
    }
    disk.create_dir_all(folder)?;
    files.iter().try_for_each(|(name, bytes)| disk.write_atomic(&folder.join(name), bytes))
}

/// Removes what killed writes left in a folder and gives their number. Only for the holder of the
/// folder's lock, since a write under way looks the same.
///
/// # Errors
/// Where the folder cannot be listed or a leftover not removed.
pub fn sweep_leftovers(disk: &dyn Disk, folder: &Path) -> Result<usize, StoreError> {
    let leftovers: Vec<Entry> = disk.list(folder)?.into_iter().filter(Entry::is_leftover).collect();
    leftovers.iter().try_for_each(|entry| disk.remove_file(&folder.join(&entry.name)))?;
    Ok(leftovers.len())
}

/// The folder that a path lies in; `.` for a bare name.
fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        Some(_) => Path::new("."),
        None => path,
    }
}
