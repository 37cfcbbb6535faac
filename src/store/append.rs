//! Appending on the real disk, with space reserved ahead where the system can.

use super::AppendFile;
use super::StoreError;
use std::fs::File;
use std::io;
use std::io::Write;
use std::path::Path;
use std::path::PathBuf;

/// A sync into reserved space has no block to allocate: about a third off its median, half off its
/// 90th percentile.
const RESERVE_STEP: u64 = 1 << 20;

/// A real file open for append.
#[derive(Debug)]
pub(super) struct RealAppend {
    file: File,
    path: PathBuf,
    len: u64,
    reserved: Reserved,
}

impl RealAppend {
    /// Takes over a file that was opened for append.
    pub(super) fn new(file: File, path: &Path) -> io::Result<RealAppend> {
        let len = file.metadata()?.len();
        Ok(RealAppend { file, path: path.to_owned(), len, reserved: Reserved::new(len) })
    }

    fn error(&self, doing: &'static str) -> impl FnOnce(io::Error) -> StoreError {
        let path = self.path.clone();
        move |source| StoreError::new(&path, doing, source)
    }
}

impl AppendFile for RealAppend {
    fn append(&mut self, bytes: &[u8]) -> Result<(), StoreError> {
        self.reserved.reach(&self.file, self.len, bytes.len() as u64);
        match self.file.write_all(bytes) {
            Ok(()) => {
                self.len += bytes.len() as u64;
                Ok(())
            }
            Err(error) => {
                // A part may have gone through: the file knows.
                self.len = self.file.metadata().map_or(self.len, |meta| meta.len());
                Err(self.error("append to")(error))
            }
        }
    }

    fn sync(&mut self) -> Result<(), StoreError> {
        self.file.sync_data().map_err(self.error("sync"))
    }

    fn set_len(&mut self, len: u64) -> Result<(), StoreError> {
        if len > self.len {
            return Err(self.error("shorten")(beyond_the_end()));
        }
        self.file.set_len(len).map_err(self.error("shorten"))?;
        self.len = len;
        self.reserved = Reserved { end: len, ..self.reserved };
        Ok(())
    }

    fn len(&self) -> u64 {
        self.len
    }

    fn is_space_low(&self) -> bool {
        self.reserved.space_low
    }
}

impl Drop for RealAppend {
    /// Gives back space that was reserved and not used. Only where the file is as this handle left it.
    fn drop(&mut self) {
        let is_ours = || self.file.metadata().is_ok_and(|meta| meta.len() == self.len);
        if self.reserved.any && is_ours() {
            let _ = self.file.set_len(self.len);
        }
    }
}

/// The error for a cut that would lengthen.
pub(super) fn beyond_the_end() -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, "the file is shorter than that already")
}

/// Space set aside behind the end of a file. An optimisation only: where it fails, the write that
/// follows does what it would have done anyway and tells what is wrong.
#[derive(Clone, Copy, Debug)]
struct Reserved {
    end: u64,
    any: bool,
    off: bool,
    space_low: bool,
}

impl Reserved {
    fn new(len: u64) -> Reserved {
        Reserved { end: len, any: false, off: false, space_low: false }
    }

    /// Sees to it that `more` bytes behind `len` are set aside.
    fn reach(&mut self, file: &File, len: u64, more: u64) {
        let wanted = len.saturating_add(more);
        if self.off || wanted <= self.end {
            return;
        }
        let step = more.saturating_add(RESERVE_STEP);
        match reserve(file, len, step) {
            Ok(()) => {
                self.end = len.saturating_add(step);
                self.any = true;
            }
            Err(error) => {
                self.off = true;
                self.space_low = error.kind() == io::ErrorKind::StorageFull;
                self.any |= self.space_low;
            }
        }
    }
}

#[cfg(target_os = "linux")]
fn reserve(file: &File, offset: u64, len: u64) -> io::Result<()> {
    rustix::fs::fallocate(file, rustix::fs::FallocateFlags::KEEP_SIZE, offset, len)?;
    Ok(())
}

#[cfg(not(target_os = "linux"))]
fn reserve(_file: &File, _offset: u64, _len: u64) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}
