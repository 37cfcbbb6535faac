//! What went wrong on the disk, where, and what a person can do about it.

use std::io;
use std::path::Path;
use std::path::PathBuf;

/// A piece of file work that failed.
///
/// Inside an [`io::Write`] (a table that streams out) it travels as an [`io::Error`] and comes back
/// whole by [`StoreError::new`], so that the path is never lost on the way.
#[derive(Debug, thiserror::Error)]
#[error("could not {doing} {}: {source}", path.display())]
pub struct StoreError {
    /// The file or folder.
    pub path: PathBuf,
    /// What was tried, to be read behind "could not": `read`, `append to`, `replace`, …
    pub doing: &'static str,
    /// What the operating system answered.
    pub source: io::Error,
}

impl StoreError {
    /// Puts the path and the deed to an error. An error that carries a `StoreError` already keeps that.
    #[must_use]
    pub fn new(path: &Path, doing: &'static str, source: io::Error) -> StoreError {
        match source.downcast::<StoreError>() {
            Ok(inner) => inner,
            Err(source) => StoreError { path: path.to_owned(), doing, source },
        }
    }

    /// The kind of the operating system's answer.
    #[must_use]
    pub fn kind(&self) -> io::ErrorKind {
        self.source.kind()
    }

    /// What to do next, as one sentence without a full stop.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        use io::ErrorKind as Kind;
        match self.kind() {
            Kind::StorageFull | Kind::QuotaExceeded => {
                "the disk is full: free some space; what was recorded before this stays"
            }
            Kind::ReadOnlyFilesystem => {
                "the disk can only be read: mount it writable, or keep the study on another one"
            }
            Kind::PermissionDenied => "look at who owns the file and its folder, and at their permissions",
            Kind::NotFound => "look at the spelling of the path, and whether its folder exists",
            Kind::AlreadyExists => "choose another name, or move the existing file away",
            Kind::NotADirectory | Kind::IsADirectory => "a folder stands where a file should, or the reverse",
            Kind::InvalidFilename => "choose a shorter name without unusual characters",
            Kind::Unsupported => "this file system cannot do it: keep the study on a local disk",
            _ if self.is_io_error() => {
                "the disk or its cable may be failing: copy the study to another disk before going on"
            }
            _ => "try again; if it stays so, copy the study to another disk and go on there",
        }
    }
}

impl StoreError {
    /// EIO, for which the standard library has no kind.
    fn is_io_error(&self) -> bool {
        #[cfg(unix)]
        return self.source.raw_os_error() == Some(rustix::io::Errno::IO.raw_os_error());
        #[cfg(not(unix))]
        return false;
    }
}

impl From<StoreError> for io::Error {
    fn from(error: StoreError) -> io::Error {
        io::Error::new(error.kind(), error)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_names_deed_and_path_and_survives_the_way_through_a_writer() {
        let full = io::Error::from(io::ErrorKind::StorageFull);
        let first = StoreError::new(Path::new("shed/results.csv"), "write", full);
        assert!(first.to_string().starts_with("could not write shed/results.csv: "), "{first}");

        let again = StoreError::new(Path::new("elsewhere"), "replace", io::Error::from(first));
        assert_eq!(again.path, Path::new("shed/results.csv"));
        assert_eq!(again.doing, "write");
        assert!(again.hint().contains("full"));
    }
}
