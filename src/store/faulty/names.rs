//! Names of the disk in memory: as programs see them, and as they would come up after a loss of power.

use crate::store::folder_of;
use std::collections::BTreeMap;
use std::path::Path;
use std::path::PathBuf;

/// What a name stands for: a folder, or the content of that number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Node {
    Folder,
    File(usize),
}

/// A change of names that may not have reached the disk.
#[derive(Clone, Debug)]
pub(super) enum Change {
    Put(PathBuf, Node),
    Remove(PathBuf),
    Rename(PathBuf, PathBuf),
}

impl Change {
    fn folder(&self) -> &Path {
        match self {
            Change::Put(path, _) | Change::Remove(path) | Change::Rename(_, path) => folder_of(path),
        }
    }
}

/// All names. The live ones are always the lasting ones with the waiting changes made to them.
#[derive(Clone, Debug, Default)]
pub(super) struct Names {
    live: BTreeMap<PathBuf, Node>,
    lasting: BTreeMap<PathBuf, Node>,
    waiting: Vec<Change>,
}

impl Names {
    /// Names that are all on the disk.
    pub(super) fn lasting(names: BTreeMap<PathBuf, Node>) -> Names {
        Names { live: names.clone(), lasting: names, waiting: Vec::new() }
    }

    pub(super) fn get(&self, path: &Path) -> Option<Node> {
        if is_root(path) { Some(Node::Folder) } else { self.live.get(path).copied() }
    }

    pub(super) fn within<'a>(&'a self, folder: &'a Path) -> impl Iterator<Item = (&'a PathBuf, Node)> {
        let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
        let in_folder = move |path: &Path| !is_root(path) && folder_of(path) == folder;
        self.live.iter().filter(move |(path, _)| in_folder(path)).map(|(path, node)| (path, *node))
    }

    pub(super) fn change(&mut self, change: Change) {
        apply(&mut self.live, &change);
        self.waiting.push(change);
    }

    /// Brings the names in one folder to the disk.
    pub(super) fn sync(&mut self, folder: &Path) {
        let (synced, waiting) =
            std::mem::take(&mut self.waiting).into_iter().partition(|c| c.folder() == folder);
        self.waiting = waiting;
        let synced: Vec<Change> = synced;
        synced.iter().for_each(|change| apply(&mut self.lasting, change));
    }

    pub(super) fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// The names after a loss of power at which the first `kept` of the waiting changes had come
    /// through (file systems keep their order).
    pub(super) fn after_crash(&self, kept: usize) -> BTreeMap<PathBuf, Node> {
        let mut names = self.lasting.clone();
        self.waiting.iter().take(kept).for_each(|change| apply(&mut names, change));
        let whole = names.clone();
        // What lies in a folder that is gone is gone with it.
        names.retain(|path, _| {
            path.ancestors().skip(1).all(|above| is_root(above) || whole.get(above) == Some(&Node::Folder))
        });
        names
    }
}

fn apply(names: &mut BTreeMap<PathBuf, Node>, change: &Change) {
    match change {
        Change::Put(path, node) => {
            names.insert(path.clone(), *node);
        }
        Change::Remove(path) => names.retain(|name, _| !name.starts_with(path)),
        Change::Rename(from, to) => {
            if let Some(node) = names.remove(from) {
                names.insert(to.clone(), node);
            }
        }
    }
}

fn is_root(path: &Path) -> bool {
    path.parent().is_none() || path == Path::new(".")
}
