//! Opening a lock file safely, also in a folder where strangers may write (`/tmp`), and what is
//! written in it: who holds the lock.

use std::fs::File;
use std::fs::OpenOptions;
use std::io;
use std::io::Read;
use std::io::Seek;
use std::io::Write;
use std::path::Path;

/// More than this is not read of a lock file: anyone may have written it.
const MOST_BYTES: u64 = 1024;

/// Opens the lock file, creating it where it is missing. The second value tells whether it can be
/// written; a lock can be taken on one that can only be read as well.
pub(super) fn open(path: &Path, for_everyone: bool) -> io::Result<(File, bool)> {
    let opened = match open_existing(path, true) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => create(path, for_everyone),
        other => other,
    };
    let (file, is_writable) = match opened {
        // Someone else was quicker between the two.
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists => (open_existing(path, true)?, true),
        Err(error) if error.kind() == io::ErrorKind::PermissionDenied => (open_existing(path, false)?, false),
        other => (other?, true),
    };
    refuse_a_trap(&file)?;
    Ok((file, is_writable))
}

/// Never with "create": Linux refuses that for files of others in a folder like `/tmp`
/// (`fs.protected_regular`), though they may be opened.
fn open_existing(path: &Path, to_write: bool) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.read(true).write(to_write);
    guard(&mut options);
    options.open(path).map_err(name_a_link)
}

/// The system calls a link that it was told not to follow "too many levels of symbolic links".
fn name_a_link(error: io::Error) -> io::Error {
    #[cfg(unix)]
    if error.raw_os_error() == Some(rustix::io::Errno::LOOP.raw_os_error()) {
        return a_trap();
    }
    error
}

fn a_trap() -> io::Error {
    io::Error::new(io::ErrorKind::PermissionDenied, "what is there is not a lock file but a link or a device")
}

fn create(path: &Path, for_everyone: bool) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.read(true).write(true).create_new(true);
    guard(&mut options);
    let file = options.open(path)?;
    #[cfg(unix)]
    if for_everyone {
        // The umask has taken the others' right to write; without it they could not say who they are.
        file.set_permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666))?;
    }
    #[cfg(not(unix))]
    let _ = for_everyone;
    Ok(file)
}

/// No symbolic link is followed, and a pipe put there does not block.
fn guard(options: &mut OpenOptions) {
    #[cfg(unix)]
    {
        use rustix::fs::OFlags;
        let flags = (OFlags::NOFOLLOW | OFlags::NONBLOCK).bits().cast_signed();
        std::os::unix::fs::OpenOptionsExt::custom_flags(options, flags);
    }
    #[cfg(not(unix))]
    let _ = options;
}

/// The file will be emptied and written: a second name of another file must not be taken for a lock.
fn refuse_a_trap(file: &File) -> io::Result<()> {
    let meta = file.metadata()?;
    #[cfg(unix)]
    let is_lone = std::os::unix::fs::MetadataExt::nlink(&meta) <= 1;
    #[cfg(not(unix))]
    let is_lone = true;
    if meta.is_file() && is_lone {
        return Ok(());
    }
    Err(a_trap())
}

/// Whether the path still leads to this file. Where someone removed it meanwhile, a lock on it keeps
/// nobody out.
pub(super) fn is_still_there(file: &File, path: &Path) -> io::Result<bool> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        let ours = file.metadata()?;
        match std::fs::symlink_metadata(path) {
            Ok(there) => Ok((there.dev(), there.ino()) == (ours.dev(), ours.ino())),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
            Err(error) => Err(error),
        }
    }
    #[cfg(not(unix))]
    {
        let _ = (file, path);
        Ok(true)
    }
}

/// Who holds a lock, as far as the lock file tells.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Holder {
    /// Process number; `None` where the holder could not or did not yet write it.
    pub pid: Option<u32>,
    /// Name of that process's program, where the system tells.
    pub program: Option<String>,
    /// The holder's own words: the command and what it works on. One line, no control characters.
    pub note: String,
}

/// Writes this process's number and a note into the lock file.
pub(super) fn write_holder(mut file: &File, note: &str) -> io::Result<()> {
    file.set_len(0)?;
    file.rewind()?;
    file.write_all(format!("{}\n{}\n", std::process::id(), one_line(note)).as_bytes())
}

/// Reads who holds the lock; an empty holder where that cannot be told.
pub(super) fn read_holder(file: &File) -> Holder {
    let mut bytes = Vec::new();
    let _ = file.take(MOST_BYTES).read_to_end(&mut bytes);
    let text = String::from_utf8_lossy(&bytes);
    let mut lines = text.lines();
    let pid = lines.next().and_then(|line| line.parse().ok());
    Holder { pid, program: pid.and_then(program_of), note: one_line(lines.next().unwrap_or_default()) }
}

/// The name of a running program; only Linux tells it in a file.
fn program_of(pid: u32) -> Option<String> {
    let name = std::fs::read_to_string(format!("/proc/{pid}/comm")).ok()?;
    Some(one_line(name.trim_end()))
}

/// A stranger's text must not reach a terminal with control characters in it.
pub(super) fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).take(200).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn a_lock_file_that_was_removed_or_replaced_is_no_longer_the_one_opened() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        let (file, is_writable) = open(&path, false).unwrap();
        assert!(is_writable && is_still_there(&file, &path).unwrap());
        std::fs::remove_file(&path).unwrap();
        assert!(!is_still_there(&file, &path).unwrap());
        let (newer, _) = open(&path, false).unwrap();
        assert!(!is_still_there(&file, &path).unwrap());
        assert!(is_still_there(&newer, &path).unwrap());
    }

    #[test]
    fn a_shorter_note_leaves_nothing_of_a_longer_one_and_stays_one_line() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        let (file, _) = open(&path, false).unwrap();
        write_holder(&file, "a long note of the one before").unwrap();
        write_holder(&file, "run\nshed").unwrap();
        let (again, _) = open(&path, false).unwrap();
        let holder = read_holder(&again);
        assert_eq!((holder.pid, holder.note.as_str()), (Some(std::process::id()), "run shed"));
    }
}
