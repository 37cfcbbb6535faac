//! The folder of a report: what may be replaced there, and the list of all files with their digests, by which an
//! earlier report is known and cleared away.

use super::super::Failure;
use crate::run::record::hex;
use crate::store::{AtomicWriter, Disk};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::collections::BTreeSet;
use std::io::{self, Write};
use std::path::{Component, Path, PathBuf};

/// The list of digests, in the form that `sha256sum --check` reads. It is written last.
const LIST: &str = "SHA256SUMS";
/// What an earlier report has beside it.
const FRONT: &str = "index.html";

/// A folder that a report may go to.
pub struct Place {
    folder: PathBuf,
    /// Files of an earlier report.
    earlier: BTreeSet<String>,
}

impl Place {
    /// Looks at the folder: it has to be absent, empty, or an earlier report.
    pub fn open(disk: &dyn Disk, folder: &Path) -> Result<Place, Failure> {
        let mut place = Place { folder: folder.to_owned(), earlier: BTreeSet::new() };
        let Some(meta) = disk.meta(folder)? else { return Ok(place) };
        if !meta.is_folder {
            return Err(Failure::new(
                format_args!("{} is a file", folder.display()),
                "name a folder with --out DIR",
            ));
        }
        if disk.list(folder)?.is_empty() {
            return Ok(place);
        }
        let list = if disk.exists(&folder.join(LIST))? { Some(disk.read(&folder.join(LIST))?) } else { None };
        let front = disk.exists(&folder.join(FRONT))?;
        if let Some(list) = list.filter(|list| list.is_empty() || front) {
            place.earlier = listed(&String::from_utf8_lossy(&list));
            return Ok(place);
        }
        Err(Failure::new(
            format_args!(
                "{} is there already and is no earlier report: nothing in it was touched",
                folder.display()
            ),
            "name another folder with --out DIR, or empty it",
        ))
    }

    /// Begins to write into it.
    pub fn writing<'d>(self, disk: &'d dyn Disk) -> Result<Writing<'d>, Failure> {
        disk.create_dir_all(&self.folder)?;
        if self.earlier.is_empty() {
            // A report that is cut off is known as one by this, and can be made again.
            disk.write_atomic(&self.folder.join(LIST), b"")?;
        }
        Ok(Writing { disk, place: self, folders: BTreeSet::new(), digests: BTreeMap::new() })
    }
}

/// Plain relative paths of a list; anything else in it is none of this program's.
fn listed(list: &str) -> BTreeSet<String> {
    let path = |line: &str| {
        let path = line.get(66..)?;
        let is_plain = Path::new(path).components().all(|part| matches!(part, Component::Normal(_)));
        (is_plain && !path.is_empty()).then(|| path.to_owned())
    };
    list.lines().filter_map(path).collect()
}

/// A file being written bit by bit.
pub struct Stream {
    writer: Box<dyn AtomicWriter>,
    path: String,
    hash: Sha256,
    len: u64,
}

impl Write for Stream {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.writer.write_all(bytes)?;
        self.hash.update(bytes);
        self.len += bytes.len() as u64;
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        self.writer.flush()
    }
}

/// A report being written.
pub struct Writing<'d> {
    disk: &'d dyn Disk,
    place: Place,
    folders: BTreeSet<PathBuf>,
    digests: BTreeMap<String, String>,
}

impl Writing<'_> {
    /// Writes a file.
    pub fn put(&mut self, path: &str, bytes: &[u8]) -> Result<(), Failure> {
        let target = self.target(path)?;
        self.disk.write_derived(&target, bytes)?;
        self.digests.insert(path.to_owned(), hex(&Sha256::digest(bytes)));
        Ok(())
    }

    /// Begins a file that is written bit by bit.
    pub fn stream(&mut self, path: &str) -> Result<Stream, Failure> {
        let writer = self.disk.atomic_writer(&self.target(path)?)?;
        Ok(Stream { writer, path: path.to_owned(), hash: Sha256::new(), len: 0 })
    }

    /// Puts it in place. Gives its path, length and SHA-256.
    pub fn close(&mut self, stream: Stream) -> Result<(String, u64, String), Failure> {
        stream.writer.finish()?;
        let sha256 = hex(&stream.hash.finalize());
        self.digests.insert(stream.path.clone(), sha256.clone());
        Ok((stream.path, stream.len, sha256))
    }

    /// Copies a file of the study, which must still be as it was read.
    pub fn copy(&mut self, from: &Path, path: &str, sha256: &str) -> Result<(), Failure> {
        let bytes = self.disk.read(from)?;
        if hex(&Sha256::digest(&bytes)) != sha256 {
            return Err(Failure::new(
                format_args!("{} changed while the report was made", from.display()),
                "end the run first, or make the report again",
            ));
        }
        self.put(path, &bytes)
    }

    /// Takes away what only the earlier report had, and writes the list. Gives the number of files.
    pub fn finish(self) -> Result<usize, Failure> {
        for path in self.place.earlier.iter().filter(|path| !self.digests.contains_key(*path)) {
            let target = self.place.folder.join(path);
            if self.disk.exists(&target)? {
                self.disk.remove_file(&target)?;
            }
        }
        let list: String = self.digests.iter().map(|(path, sha256)| format!("{sha256}  {path}\n")).collect();
        self.disk.write_atomic(&self.place.folder.join(LIST), list.as_bytes())?;
        Ok(self.digests.len() + 1)
    }

    fn target(&mut self, path: &str) -> Result<PathBuf, Failure> {
        let target = self.place.folder.join(path);
        if let Some(folder) = target.parent()
            && self.folders.insert(folder.to_owned())
        {
            self.disk.create_dir_all(folder)?;
        }
        Ok(target)
    }
}
