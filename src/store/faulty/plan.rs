//! What goes wrong, and when.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use std::collections::BTreeMap;
use std::io;

/// The kinds of operation that a [`super::FaultyDisk`] counts, each one a step that can fail alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Op {
    /// Reading a file, whole or a piece of it.
    Read,
    /// Listing a folder.
    List,
    /// Looking at a path.
    Look,
    /// Making one folder.
    MakeFolder,
    /// Creating a file, a temporary one included.
    Create,
    /// Opening an existing file, to read or to append.
    Open,
    /// Appending to a file.
    Append,
    /// Writing into a temporary file.
    Write,
    /// Cutting a file.
    Cut,
    /// Syncing a file.
    Sync,
    /// Syncing a folder, that is, the names in it.
    SyncFolder,
    /// Renaming over the old content.
    Rename,
    /// Removing a file or folder.
    Remove,
}

impl Op {
    /// Whether the operation changes anything: what a full or read-only disk refuses.
    #[must_use]
    pub fn is_change(self) -> bool {
        !matches!(self, Op::Read | Op::List | Op::Look | Op::Open)
    }
}

/// What the operating system answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// No space left (ENOSPC).
    DiskFull,
    /// Input/output error (EIO).
    Io,
    /// Read-only file system (EROFS).
    ReadOnly,
    /// Permission denied (EACCES).
    Denied,
}

impl Cause {
    /// The error, as the operating system would give it.
    #[must_use]
    pub fn error(self) -> io::Error {
        #[cfg(unix)]
        {
            use rustix::io::Errno;
            match self {
                Cause::DiskFull => Errno::NOSPC.into(),
                Cause::Io => Errno::IO.into(),
                Cause::ReadOnly => Errno::ROFS.into(),
                Cause::Denied => Errno::ACCESS.into(),
            }
        }
        #[cfg(not(unix))]
        match self {
            Cause::DiskFull => io::ErrorKind::StorageFull.into(),
            Cause::Io => io::Error::other("input/output error"),
            Cause::ReadOnly => io::ErrorKind::ReadOnlyFilesystem.into(),
            Cause::Denied => io::ErrorKind::PermissionDenied.into(),
        }
    }
}

/// How an operation goes wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Nothing is done.
    Fail(Cause),
    /// Half of the bytes are written (or synced), then the error comes. As `Fail` where there are none.
    Short(Cause),
    /// The power goes before the operation: this and every later one fails, until
    /// [`super::FaultyDisk::crash`] gives the disk as it comes up again.
    PowerCut,
    /// As `PowerCut`, with half of the bytes written.
    PowerCutShort,
}

/// Which operations go wrong, by their running number from 0.
///
/// ```
/// use halfpanel::store::faulty::{Cause, Fault, Plan};
/// let one = Plan::default().at(7, Fault::Fail(Cause::Io));
/// let full = Plan::default().all_from(12, Cause::DiskFull);
/// let any = Plan::default().by_chance(42, 20);
/// # let _ = (one, full, any);
/// ```
#[derive(Clone, Debug, Default)]
pub struct Plan {
    at: BTreeMap<u64, Fault>,
    from: Option<(u64, Cause)>,
    chance: Option<(u64, u16)>,
}

impl Plan {
    /// Operation `number` goes wrong.
    #[must_use]
    pub fn at(mut self, number: u64, fault: Fault) -> Plan {
        self.at.insert(number, fault);
        self
    }

    /// From operation `number` on nothing can be changed any more, only read: a disk that is full, or
    /// that became read-only.
    #[must_use]
    pub fn all_from(mut self, number: u64, cause: Cause) -> Plan {
        self.from = Some((number, cause));
        self
    }

    /// Every operation goes wrong (any cause, whole or short) with a chance of `per_mille` in 1000.
    /// The same seed gives the same faults at the same numbers.
    #[must_use]
    pub fn by_chance(mut self, seed: u64, per_mille: u16) -> Plan {
        self.chance = Some((seed, per_mille));
        self
    }

    /// The fault of one operation, if it has one.
    pub(super) fn fault(&self, number: u64, op: Op) -> Option<Fault> {
        if let Some(fault) = self.at.get(&number) {
            return Some(*fault);
        }
        match self.from {
            Some((from, cause)) if number >= from && op.is_change() => return Some(Fault::Fail(cause)),
            _ => {}
        }
        let (seed, per_mille) = self.chance?;
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        // A stream for each number, so that a fault hangs on its number alone.
        rng.set_stream(number);
        if rng.random_range(0..1000) >= per_mille {
            return None;
        }
        let causes = [Cause::DiskFull, Cause::Io, Cause::ReadOnly, Cause::Denied];
        let cause = causes[rng.random_range(0..causes.len())];
        Some(if rng.random_bool(0.5) { Fault::Fail(cause) } else { Fault::Short(cause) })
    }
}
