//! The real disk.

use super::AppendFile;
use super::AtomicWriter;
use super::Disk;
use super::Entry;
use super::LEFTOVER_SUFFIX;
use super::Lock;
use super::LockError;
use super::Meta;
use super::StoreError;
use super::append::RealAppend;
use super::folder_of;
use std::ffi::OsString;
use std::fs;
use std::fs::File;
use std::fs::OpenOptions;
use std::io;
use std::io::BufWriter;
use std::io::Read;
use std::io::Write;
use std::path::Path;
use std::path::PathBuf;
use tempfile::NamedTempFile;
use tempfile::TempPath;

/// Permissions of new files, of which the system takes off the umask.
#[cfg(unix)]
const NEW_FILE_MODE: u32 = 0o644;

/// The disk of this machine.
#[derive(Clone, Copy, Debug, Default)]
pub struct RealDisk;

impl Disk for RealDisk {
    fn read(&self, path: &Path) -> Result<Vec<u8>, StoreError> {
        fs::read(path).map_err(|error| StoreError::new(path, "read", error))
    }

    fn open(&self, path: &Path) -> Result<Box<dyn Read + Send>, StoreError> {
        let file = File::open(path).map_err(|error| StoreError::new(path, "open", error))?;
        Ok(Box::new(RealReader { file, path: path.to_owned() }))
    }

    #[cfg(unix)]
    fn open_plain(&self, path: &Path) -> Result<Box<dyn Read + Send>, StoreError> {
        use rustix::fs::OFlags;
        use std::os::unix::fs::OpenOptionsExt;
        // Without NONBLOCK opening a pipe would wait for whoever writes to it.
        let flags = (OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::NOCTTY).bits().cast_signed();
        let opened = OpenOptions::new().read(true).custom_flags(flags).open(path);
        let plain = opened.and_then(|file| match file.metadata()?.is_file() {
            true => Ok(file),
            false => Err(io::Error::other("it is no plain file")),
        });
        let file = plain.map_err(|error| StoreError::new(path, "open", error))?;
        Ok(Box::new(RealReader { file, path: path.to_owned() }))
    }

    fn list(&self, folder: &Path) -> Result<Vec<Entry>, StoreError> {
        list(folder).map_err(|error| StoreError::new(folder, "list", error))
    }

    fn meta(&self, path: &Path) -> Result<Option<Meta>, StoreError> {
        match fs::metadata(path) {
            Ok(meta) => {
                let is_folder = meta.is_dir();
                Ok(Some(Meta { len: if is_folder { 0 } else { meta.len() }, is_folder }))
            }
            Err(error) if matches!(error.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => {
                Ok(None)
            }
            Err(error) => Err(StoreError::new(path, "look at", error)),
        }
    }

    fn create_dir_all(&self, folder: &Path) -> Result<(), StoreError> {
        if fs::metadata(folder).is_ok_and(|meta| meta.is_dir()) {
            return Ok(());
        }
        let above = folder_of(folder);
        if above != folder {
            self.create_dir_all(above)?;
        }
        match fs::create_dir(folder) {
            // Someone else may have been quicker, and not yet have come to the sync.
            Err(error) if error.kind() != io::ErrorKind::AlreadyExists || !folder.is_dir() => {
                Err(StoreError::new(folder, "create the folder", error))
            }
            _ => sync_folder(above),
        }
    }

    fn create_new(&self, path: &Path) -> Result<Box<dyn AppendFile>, StoreError> {
        let mut options = OpenOptions::new();
        options.append(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, NEW_FILE_MODE);
        let file = options.open(path).map_err(|error| StoreError::new(path, "create", error))?;
        let file = RealAppend::new(file, path).map_err(|error| StoreError::new(path, "create", error))?;
        if let Err(error) = sync_folder(folder_of(path)) {
            let _ = fs::remove_file(path);
            return Err(error);
        }
        Ok(Box::new(file))
    }

    fn open_append(&self, path: &Path) -> Result<Box<dyn AppendFile>, StoreError> {
        let file = OpenOptions::new().append(true).open(path).and_then(|file| RealAppend::new(file, path));
        Ok(Box::new(file.map_err(|error| StoreError::new(path, "open for append", error))?))
    }

    fn atomic_writer(&self, path: &Path) -> Result<Box<dyn AtomicWriter>, StoreError> {
        let temp = temp_beside(path).map_err(|error| StoreError::new(path, "replace", error))?;
        // In two parts, since the whole puts the temporary name into the errors of its writes.
        let (file, temp) = temp.into_parts();
        Ok(Box::new(RealWriter {
            file: BufWriter::with_capacity(1 << 16, file),
            temp,
            path: path.to_owned(),
        }))
    }

    fn write_derived(&self, path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
        let mut temp = temp_beside(path).map_err(|error| StoreError::new(path, "replace", error))?;
        temp.write_all(bytes).map_err(|error| StoreError::new(path, "write", error))?;
        temp.persist(path).map_err(|error| StoreError::new(path, "replace", error.error))?;
        Ok(())
    }

    fn remove_file(&self, path: &Path) -> Result<(), StoreError> {
        fs::remove_file(path).map_err(|error| StoreError::new(path, "remove", error))?;
        sync_folder(folder_of(path))
    }

    fn remove_folder(&self, folder: &Path) -> Result<(), StoreError> {
        fs::remove_dir_all(folder).map_err(|error| StoreError::new(folder, "remove the folder", error))?;
        sync_folder(folder_of(folder))
    }

    fn lock(&self, path: &Path, what: &str, note: &str) -> Result<Lock, LockError> {
        Lock::take(path, what, note)
    }
}

fn list(folder: &Path) -> io::Result<Vec<Entry>> {
    let mut entries = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let kind = entry.file_type()?;
        // A link to a folder counts as one; a link to nowhere is listed as a file and fails when read.
        let is_folder = kind.is_dir() || (kind.is_symlink() && entry.path().is_dir());
        entries.push(Entry { name: entry.file_name(), is_folder });
    }
    entries.sort();
    Ok(entries)
}

/// Brings the names in a folder to the disk.
fn sync_folder(folder: &Path) -> Result<(), StoreError> {
    #[cfg(unix)]
    match File::open(folder).and_then(|folder| folder.sync_all()) {
        // Some network file systems have no sync for folders; there is nothing better to be had there.
        Err(error) if error.kind() == io::ErrorKind::InvalidInput => {}
        Err(error) => return Err(StoreError::new(folder, "sync the folder", error)),
        Ok(()) => {}
    }
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

/// A new file in the same folder, hidden, with the permissions of an ordinary file.
fn temp_beside(path: &Path) -> io::Result<NamedTempFile> {
    let Some(name) = path.file_name() else {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "the path names no file"));
    };
    let mut prefix = OsString::from(".");
    prefix.push(name);
    prefix.push(".");
    let mut builder = tempfile::Builder::new();
    builder.prefix(&prefix).suffix(LEFTOVER_SUFFIX);
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(NEW_FILE_MODE));
    builder.tempfile_in(folder_of(path))
}

/// A real file being replaced; the temporary file removes itself when dropped.
struct RealWriter {
    file: BufWriter<File>,
    temp: TempPath,
    path: PathBuf,
}

impl RealWriter {
    fn named(&self, error: io::Error) -> io::Error {
        StoreError::new(&self.path, "write", error).into()
    }
}

impl Write for RealWriter {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes).map_err(|error| self.named(error))
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush().map_err(|error| self.named(error))
    }
}

impl AtomicWriter for RealWriter {
    fn finish(self: Box<Self>) -> Result<(), StoreError> {
        let RealWriter { file, temp, path } = *self;
        let named = |doing| {
            let path = path.clone();
            move |error| StoreError::new(&path, doing, error)
        };
        let file = file.into_inner().map_err(|error| named("write")(error.into_error()))?;
        file.sync_all().map_err(named("sync the new content of"))?;
        drop(file);
        temp.persist(&path).map_err(|error| named("replace")(error.error))?;
        sync_folder(folder_of(&path))
    }
}

/// A reader whose errors carry the path.
struct RealReader {
    file: File,
    path: PathBuf,
}

impl Read for RealReader {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.file.read(buffer).map_err(|error| match error.kind() {
            io::ErrorKind::Interrupted => error,
            _ => StoreError::new(&self.path, "read", error).into(),
        })
    }
}
