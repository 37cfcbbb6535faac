//! The disk in memory itself: each operation is counted, may be made to fail, and is done.

use super::Fault;
use super::Op;
use super::Plan;
use super::Survive;
use super::content::Content;
use super::names::Change;
use super::names::Names;
use super::names::Node;
use crate::store::Entry;
use crate::store::LEFTOVER_SUFFIX;
use crate::store::Meta;
use crate::store::append::beyond_the_end;
use crate::store::folder_of;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::io;
use std::io::ErrorKind;
use std::path::Path;
use std::path::PathBuf;

#[derive(Debug, Default)]
pub(super) struct State {
    pub(super) names: Names,
    pub(super) contents: Vec<Content>,
    pub(super) operations: Vec<(Op, PathBuf)>,
    pub(super) locks: BTreeMap<PathBuf, String>,
    plan: Plan,
    is_off: bool,
    temps: u64,
}

/// A temporary file: its path and its content's number.
#[derive(Debug)]
pub(super) struct Temp {
    pub(super) path: PathBuf,
    pub(super) id: usize,
}

/// How far an operation gets.
enum Go {
    Whole,
    Half(io::Error),
}

impl State {
    pub(super) fn set_plan(&mut self, plan: Plan) {
        self.plan = plan;
        self.operations.clear();
    }

    /// Counts an operation and asks the plan what becomes of it.
    fn begin(&mut self, op: Op, path: &Path) -> io::Result<Go> {
        if self.is_off {
            return Err(power_is_off());
        }
        let number = self.operations.len() as u64;
        self.operations.push((op, path.to_owned()));
        match self.plan.fault(number, op) {
            None => Ok(Go::Whole),
            Some(Fault::Fail(cause)) => Err(cause.error()),
            Some(Fault::Short(cause)) => Ok(Go::Half(cause.error())),
            Some(Fault::PowerCut) => {
                self.is_off = true;
                Err(power_is_off())
            }
            Some(Fault::PowerCutShort) => {
                self.is_off = true;
                Ok(Go::Half(power_is_off()))
            }
        }
    }

    /// As `begin`, for an operation that has no half.
    fn begin_whole(&mut self, op: Op, path: &Path) -> io::Result<()> {
        match self.begin(op, path)? {
            Go::Whole => Ok(()),
            Go::Half(error) => Err(error),
        }
    }

    fn file(&self, path: &Path) -> io::Result<usize> {
        match self.names.get(path) {
            Some(Node::File(id)) => Ok(id),
            Some(Node::Folder) => Err(ErrorKind::IsADirectory.into()),
            None => Err(ErrorKind::NotFound.into()),
        }
    }

    fn folder(&self, path: &Path) -> io::Result<()> {
        match self.names.get(path) {
            Some(Node::Folder) => Ok(()),
            Some(Node::File(_)) => Err(ErrorKind::NotADirectory.into()),
            None => Err(ErrorKind::NotFound.into()),
        }
    }

    pub(super) fn read(&mut self, path: &Path) -> io::Result<Vec<u8>> {
        self.begin_whole(Op::Read, path)?;
        Ok(self.contents[self.file(path)?].live().to_vec())
    }

    pub(super) fn read_piece(
        &mut self,
        path: &Path,
        id: usize,
        at: usize,
        to: &mut [u8],
    ) -> io::Result<usize> {
        self.begin_whole(Op::Read, path)?;
        let rest = self.contents[id].live().get(at..).unwrap_or_default();
        let count = rest.len().min(to.len());
        to[..count].copy_from_slice(&rest[..count]);
        Ok(count)
    }

    pub(super) fn open(&mut self, path: &Path) -> io::Result<usize> {
        self.begin_whole(Op::Open, path)?;
        self.file(path)
    }

    pub(super) fn list(&mut self, folder: &Path) -> io::Result<Vec<Entry>> {
        self.begin_whole(Op::List, folder)?;
        self.folder(folder)?;
        let entry = |(path, node): (&PathBuf, Node)| {
            let name = path.file_name().map_or_else(OsString::new, OsString::from);
            Entry { name, is_folder: node == Node::Folder }
        };
        let mut entries: Vec<Entry> = self.names.within(folder).map(entry).collect();
        entries.sort();
        Ok(entries)
    }

    pub(super) fn meta(&mut self, path: &Path) -> io::Result<Option<Meta>> {
        self.begin_whole(Op::Look, path)?;
        Ok(self.names.get(path).map(|node| match node {
            Node::Folder => Meta { len: 0, is_folder: true },
            Node::File(id) => Meta { len: self.contents[id].live().len() as u64, is_folder: false },
        }))
    }

    pub(super) fn create_dir_all(&mut self, folder: &Path) -> io::Result<()> {
        match self.names.get(folder) {
            Some(Node::Folder) => return Ok(()),
            Some(Node::File(_)) => return Err(ErrorKind::AlreadyExists.into()),
            None => self.create_dir_all(folder_of(folder))?,
        }
        self.begin_whole(Op::MakeFolder, folder)?;
        self.names.change(Change::Put(folder.to_owned(), Node::Folder));
        self.sync_folder(folder_of(folder))
    }

    pub(super) fn create(&mut self, path: &Path) -> io::Result<usize> {
        self.begin_whole(Op::Create, path)?;
        self.folder(folder_of(path))?;
        if self.names.get(path).is_some() {
            return Err(ErrorKind::AlreadyExists.into());
        }
        self.contents.push(Content::default());
        let id = self.contents.len() - 1;
        self.names.change(Change::Put(path.to_owned(), Node::File(id)));
        Ok(id)
    }

    pub(super) fn temp_beside(&mut self, path: &Path) -> io::Result<Temp> {
        let Some(name) = path.file_name() else {
            return Err(io::Error::new(ErrorKind::InvalidInput, "the path names no file"));
        };
        let mut temp = OsString::from(".");
        temp.push(name);
        self.temps += 1;
        temp.push(format!(".{}{LEFTOVER_SUFFIX}", self.temps));
        let path = path.with_file_name(temp);
        Ok(Temp { id: self.create(&path)?, path })
    }

    pub(super) fn append(&mut self, path: &Path, id: usize, bytes: &[u8]) -> io::Result<()> {
        match self.begin(Op::Append, path)? {
            Go::Whole => self.contents[id].append(bytes),
            Go::Half(error) => {
                self.contents[id].append(&bytes[..bytes.len() / 2]);
                return Err(error);
            }
        }
        Ok(())
    }

    pub(super) fn write(&mut self, path: &Path, id: usize, bytes: &[u8]) -> io::Result<usize> {
        match self.begin(Op::Write, path)? {
            Go::Whole => self.contents[id].append(bytes),
            Go::Half(error) => {
                self.contents[id].append(&bytes[..bytes.len() / 2]);
                return Err(error);
            }
        }
        Ok(bytes.len())
    }

    pub(super) fn sync(&mut self, path: &Path, id: usize) -> io::Result<()> {
        let failed = match self.begin(Op::Sync, path) {
            Ok(Go::Whole) => {
                self.contents[id].sync(usize::MAX);
                return Ok(());
            }
            Ok(Go::Half(error)) => {
                self.contents[id].half_sync();
                error
            }
            Err(error) => error,
        };
        // With the power gone the rest is not dropped but simply unsynced.
        if !self.is_off {
            self.contents[id].drop_unsynced();
        }
        Err(failed)
    }

    pub(super) fn cut(&mut self, path: &Path, id: usize, len: u64) -> io::Result<()> {
        self.begin_whole(Op::Cut, path)?;
        match usize::try_from(len) {
            Ok(len) if len <= self.contents[id].live().len() => {
                self.contents[id].cut(len);
                Ok(())
            }
            _ => Err(beyond_the_end()),
        }
    }

    pub(super) fn rename(&mut self, from: &Path, to: &Path) -> io::Result<()> {
        self.begin_whole(Op::Rename, to)?;
        self.file(from)?;
        if self.names.get(to) == Some(Node::Folder) {
            return Err(ErrorKind::IsADirectory.into());
        }
        self.names.change(Change::Rename(from.to_owned(), to.to_owned()));
        Ok(())
    }

    pub(super) fn remove(&mut self, path: &Path, is_folder: bool) -> io::Result<()> {
        self.begin_whole(Op::Remove, path)?;
        if is_folder {
            self.folder(path)?
        } else {
            self.file(path).map(drop)?
        }
        self.names.change(Change::Remove(path.to_owned()));
        Ok(())
    }

    pub(super) fn sync_folder(&mut self, folder: &Path) -> io::Result<()> {
        self.begin_whole(Op::SyncFolder, folder)?;
        self.names.sync(folder);
        Ok(())
    }

    /// Takes a lock, or gives the note of who holds it.
    pub(super) fn lock(&mut self, path: &Path, note: &str) -> io::Result<Option<String>> {
        if let Some(holder) = self.locks.get(path) {
            return Ok(Some(holder.clone()));
        }
        self.begin_whole(Op::Open, path)?;
        self.folder(folder_of(path))?;
        self.locks.insert(path.to_owned(), note.to_owned());
        Ok(None)
    }

    pub(super) fn put(&mut self, path: &Path, bytes: Vec<u8>) {
        if let Some(Node::File(id)) = self.names.get(path) {
            self.contents[id] = Content::lasting(bytes);
            self.names.sync(folder_of(path));
            return;
        }
        let above: Vec<&Path> = path.ancestors().skip(1).collect();
        for folder in above.into_iter().rev() {
            if self.names.get(folder).is_none() {
                self.names.change(Change::Put(folder.to_owned(), Node::Folder));
            }
            self.names.sync(folder_of(folder));
        }
        self.contents.push(Content::lasting(bytes));
        self.names.change(Change::Put(path.to_owned(), Node::File(self.contents.len() - 1)));
        self.names.sync(folder_of(path));
    }

    pub(super) fn crash(&mut self, survive: Survive) -> State {
        self.is_off = true;
        let mut rng = ChaCha8Rng::seed_from_u64(match survive {
            Survive::Sectors(seed) => seed,
            _ => 0,
        });
        let kept = match survive {
            Survive::SyncedOnly => 0,
            Survive::Prefix(_) => usize::MAX,
            Survive::Sectors(_) => rng.random_range(0..=self.names.waiting()),
        };
        let names = Names::lasting(self.names.after_crash(kept));
        let survivor = |content: &Content| Content::lasting(content.after_crash(survive, &mut rng));
        let contents = self.contents.iter().map(survivor).collect();
        State { names, contents, temps: self.temps, ..State::default() }
    }
}

fn power_is_off() -> io::Error {
    io::Error::other("the power is off")
}
