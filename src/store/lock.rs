//! One writer per study, one program per port.
//!
//! A lock is held by the operating system for as long as the process lives, so a crash leaves none
//! behind. The lock file itself stays and means nothing by its mere presence. In it stands who holds
//! it. Locks on network file systems are only as good as that file system's.

use super::StoreError;
use super::lock_file;
pub use super::lock_file::Holder;
use sha2::Digest;
use sha2::Sha256;
use std::any::Any;
use std::fmt;
use std::fmt::Write;
use std::fs::File;
use std::fs::TryLockError;
use std::io;
use std::path::Path;
use std::path::PathBuf;

/// Name of the lock file in a study's folder.
pub const STUDY_LOCK: &str = ".lock";

/// A lock that is held until it is dropped or the process ends, in whatever way.
#[must_use = "a lock that is dropped is given back at once"]
pub struct Lock {
    path: PathBuf,
    held: Held,
}

enum Held {
    File { file: File, is_writable: bool },
    Elsewhere(#[expect(dead_code, reason = "held for its drop")] Box<dyn Any + Send + Sync>),
}

/// Why a lock could not be taken.
#[derive(Debug, thiserror::Error)]
pub enum LockError {
    /// Someone else holds it: end that program, or wait for it.
    #[error(
        "{what} is in use{}; stop that program or wait until it is done (lock file {})",
        by(holder),
        path.display()
    )]
    Busy {
        /// What the lock is for, as given to [`Lock::take`].
        what: String,
        /// The lock file.
        path: PathBuf,
        /// Who holds it, as far as known.
        holder: Holder,
    },
    /// There can be no lock here, since its file cannot be made or locked.
    #[error("{what} cannot be locked: {source}; {}", source.hint())]
    Unusable {
        /// What the lock is for, as given to [`Lock::take`].
        what: String,
        /// What went wrong with the lock file.
        source: StoreError,
    },
}

impl Lock {
    /// Takes the lock that the file at `path` stands for, or says at once who has it. `what` is what
    /// the lock is for ("the study shed"); `note` is told to whoever is refused meanwhile ("run shed").
    /// The file is created where it is missing; its folder must exist.
    ///
    /// # Errors
    /// [`LockError::Busy`] and [`LockError::Unusable`].
    pub fn take(path: &Path, what: &str, note: &str) -> Result<Lock, LockError> {
        take(path, what, note, false)
    }

    /// A lock that is no file of this machine.
    pub(super) fn elsewhere(path: &Path, guard: Box<dyn Any + Send + Sync>) -> Lock {
        Lock { path: path.to_owned(), held: Held::Elsewhere(guard) }
    }

    /// The lock file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl fmt::Debug for Lock {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Lock").field("path", &self.path).finish_non_exhaustive()
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        if let Held::File { file, is_writable } = &self.held {
            // Emptied first, so that nobody is told of a holder of the past.
            if *is_writable {
                let _ = file.set_len(0);
            }
            let _ = file.unlock();
        }
    }
}

/// Takes the lock for writing in a study's folder. Readers take none.
///
/// # Errors
/// As [`Lock::take`].
pub fn for_study(folder: &Path, note: &str) -> Result<Lock, LockError> {
    Lock::take(&folder.join(STUDY_LOCK), &format!("the study {}", folder.display()), note)
}

/// Takes the lock for a serial port, whichever of its names is given. The lock file is in the folder
/// for temporary files and shared by all users of the machine.
///
/// # Errors
/// As [`Lock::take`].
pub fn for_port(port: &str, note: &str) -> Result<Lock, LockError> {
    for_port_in(&std::env::temp_dir(), port, note)
}

/// As [`for_port`], with the lock file in a folder of the caller's choice.
///
/// # Errors
/// As [`Lock::take`].
pub fn for_port_in(folder: &Path, port: &str, note: &str) -> Result<Lock, LockError> {
    let name = port_lock_name(port);
    let what = format!("the port {port}");
    match take(&folder.join(format!("{name}.lock")), &what, note, true) {
        Err(LockError::Unusable { source, .. }) if source.kind() != io::ErrorKind::NotFound => {
            // Something of another user's is in the way. One's own file at least keeps oneself out;
            // against others there is the exclusive mode of the port.
            take(&folder.join(format!("{name}-{}.lock", user())), &what, note, false)
        }
        other => other,
    }
}

fn take(path: &Path, what: &str, note: &str, for_everyone: bool) -> Result<Lock, LockError> {
    let unusable = |source: io::Error| LockError::Unusable {
        what: what.to_owned(),
        source: StoreError::new(path, "lock", source),
    };
    // A file removed between opening and locking is met by starting over, and not for ever.
    for _ in 0..16 {
        let (file, is_writable) = lock_file::open(path, for_everyone).map_err(unusable)?;
        match file.try_lock() {
            Err(TryLockError::WouldBlock) => {
                let holder = lock_file::read_holder(&file);
                return Err(LockError::Busy { what: what.to_owned(), path: path.to_owned(), holder });
            }
            Err(TryLockError::Error(error)) => return Err(unusable(error)),
            Ok(()) => {}
        }
        if lock_file::is_still_there(&file, path).map_err(unusable)? {
            if is_writable {
                // A full disk refuses the note; the lock holds all the same.
                let _ = lock_file::write_holder(&file, note);
            }
            return Ok(Lock { path: path.to_owned(), held: Held::File { file, is_writable } });
        }
    }
    Err(unusable(io::Error::other("something keeps removing the lock file")))
}

fn by(holder: &Holder) -> String {
    let who = match (&holder.program, holder.pid) {
        (Some(program), Some(pid)) => format!(" by {program} (process {pid})"),
        (None, Some(pid)) => format!(" by process {pid}"),
        _ => " by another program".to_owned(),
    };
    if holder.note.is_empty() { who } else { format!("{who}: {}", holder.note) }
}

/// A file name for a port by the name it goes by. A link such as `/dev/serial/by-id/…` is not followed
/// to the device: the link outlives an unplugging, while the device's own name may go to another meter.
/// That two names lead to one device is seen when the port is opened.
fn port_lock_name(port: &str) -> String {
    let port = Path::new(port);
    let folder = port.parent().filter(|folder| !folder.as_os_str().is_empty());
    let folder = folder.map(|folder| std::fs::canonicalize(folder).unwrap_or_else(|_| folder.to_owned()));
    let real = folder.unwrap_or_default().join(port.file_name().unwrap_or(port.as_os_str()));
    let mut name = String::from("halfpanel-port");
    for byte in real.as_os_str().as_encoded_bytes() {
        match byte {
            b'/' => name.push('-'),
            b'0'..=b'9' | b'a'..=b'z' | b'A'..=b'Z' | b'_' => name.push(char::from(*byte)),
            _ => write!(name, "%{byte:02x}").expect("a String takes all text"),
        }
    }
    if name.len() > 150 {
        let digest = Sha256::digest(real.as_os_str().as_encoded_bytes());
        name.truncate(100);
        for byte in &digest[..16] {
            write!(name, "{byte:02x}").expect("a String takes all text");
        }
    }
    name
}

#[cfg(unix)]
fn user() -> String {
    format!("uid{}", rustix::process::getuid().as_raw())
}

#[cfg(not(unix))]
fn user() -> String {
    "own".to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_ports_never_share_a_lock_name_and_no_name_leaves_its_folder() {
        assert_eq!(port_lock_name("/dev/no-such-0"), "halfpanel-port-dev-no%2dsuch%2d0");
        assert_ne!(port_lock_name("/dev/no/such"), port_lock_name("/dev/no-such"));
        let long = "x".repeat(400);
        assert_ne!(port_lock_name(&long), port_lock_name(&format!("{long}y")));
        assert!(port_lock_name(&long).len() < 200);
        assert!(!port_lock_name("../../etc/passwd-not").contains('/'));
    }

    #[cfg(unix)]
    #[test]
    fn a_port_is_named_by_its_own_name_however_its_folder_is_reached() {
        let folder = tempfile::tempdir().unwrap();
        let (device, link) = (folder.path().join("tty7"), folder.path().join("by-id"));
        std::fs::write(&device, "").unwrap();
        std::os::unix::fs::symlink(&device, &link).unwrap();
        let name = |path: &Path| port_lock_name(path.to_str().unwrap());
        assert_ne!(name(&link), name(&device));
        assert_eq!(
            name(&folder.path().join("..").join(folder.path().file_name().unwrap()).join("tty7")),
            name(&device)
        );
    }
}
