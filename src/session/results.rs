//! The tables on the disk: written, kept by the recording's digest, joined, and compared.
//!
//! Everything in `results/` is worked out from the recordings alone. Each run's tables are kept in
//! `results/runs/RUN/`, and are made anew only when the recording's digest or the layout of the
//! tables has changed; the tables of the study are these, joined in the order of the runs. `results/lives/` is
//! worked out from the observations ([`super::lives`]).

use super::earlier;
use super::folder::{Folder, FolderError};
use super::lives;
use crate::difference::{Book, Books};
use crate::run::Replayed;
use crate::run::record::hex;
use crate::store::{AtomicWriter, Disk, Entry, StoreError};
use crate::tables::{self, RunNote, Sheets, Table};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};

/// Name of the description that stands beside the tables.
const DESCRIPTION: &str = "datapackage.json";

/// Names of all files in `results/`.
pub fn files() -> impl Iterator<Item = &'static str> {
    Table::ALL.into_iter().map(Table::file_name).chain([DESCRIPTION])
}

/// Why tables could not be made or compared.
#[derive(Debug, thiserror::Error)]
pub enum ResultsError {
    /// The study or a recording.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// The disk refused.
    #[error(transparent)]
    Store(#[from] StoreError),
}

impl ResultsError {
    /// What to do about it.
    #[must_use]
    pub fn hint(&self) -> String {
        match self {
            ResultsError::Folder(error) => error.hint(),
            ResultsError::Store(error) => error.hint().to_owned(),
        }
    }
}

/// What a run's tables are described by, given all the runs that could be found.
fn note<'r>(replayed: &Replayed, found: impl Iterator<Item = &'r Replayed> + Clone) -> RunNote {
    let ledger = replayed.run.ledger();
    let earlier = ledger.setup.comparing.earlier.iter().map(|named| {
        let is_it = |run: &&Replayed| run.sha256 == named.sha256 && run.run.ledger().id == named.run;
        (named.run.clone(), found.clone().find(is_it).map_or_else(String::new, |run| run.sha256.clone()))
    });
    RunNote {
        earlier: earlier.collect(),
        id: ledger.id.clone(),
        state: ledger.state,
        program: ledger.program.clone(),
        recording_sha256: replayed.sha256.clone(),
    }
}

/// Where rows go.
pub trait Sink {
    /// A writer for one table.
    ///
    /// # Errors
    /// If it cannot be opened.
    fn table(&mut self, name: &str) -> Result<Box<dyn Target + '_>, StoreError>;
}

/// One table being written or compared.
pub trait Target: Write {
    /// Puts it in place, or notes what differs.
    ///
    /// # Errors
    /// If the disk refuses.
    fn close(self: Box<Self>) -> Result<(), StoreError>;
}

/// Writes tables into a folder, each as one step.
pub struct Writing<'a> {
    /// The disk.
    pub disk: &'a dyn Disk,
    /// The folder.
    pub folder: PathBuf,
}

struct Written(Box<dyn AtomicWriter>);

impl Write for Written {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

impl Target for Written {
    fn close(self: Box<Self>) -> Result<(), StoreError> {
        self.0.finish()
    }
}

impl Sink for Writing<'_> {
    fn table(&mut self, name: &str) -> Result<Box<dyn Target + '_>, StoreError> {
        Ok(Box::new(Written(self.disk.atomic_writer(&self.folder.join(name))?)))
    }
}

/// The first place where two files differ.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Difference {
    /// The file that was compared.
    pub file: PathBuf,
    /// Line, from 1.
    pub line: u64,
    /// The line as it stands in the file; absent behind its end.
    pub stands: Option<String>,
    /// The line as it comes out of the recordings; absent behind their end.
    pub recomputed: Option<String>,
}

/// Compares tables with those in a folder, line by line.
pub struct Comparing<'a> {
    /// The disk.
    pub disk: &'a dyn Disk,
    /// The folder.
    pub folder: PathBuf,
    /// The first difference of each file.
    pub found: Vec<Difference>,
}

struct Compared<'a> {
    file: PathBuf,
    stands: Option<Box<dyn BufRead>>,
    line: Vec<u8>,
    lines: u64,
    first: Option<Difference>,
    found: &'a mut Vec<Difference>,
}

impl Sink for Comparing<'_> {
    fn table(&mut self, name: &str) -> Result<Box<dyn Target + '_>, StoreError> {
        let file = self.folder.join(name);
        let stands: Option<Box<dyn BufRead>> = match self.disk.exists(&file)? {
            true => Some(Box::new(BufReader::new(self.disk.open(&file)?))),
            false => None,
        };
        Ok(Box::new(Compared {
            file,
            stands,
            line: Vec::new(),
            lines: 0,
            first: None,
            found: &mut self.found,
        }))
    }
}

impl Compared<'_> {
    /// Holds one recomputed line against the next one of the file.
    fn hold(&mut self, recomputed: Option<&[u8]>) -> io::Result<()> {
        if self.first.is_some() {
            return Ok(());
        }
        let mut stands = Vec::new();
        if let Some(file) = &mut self.stands {
            file.read_until(b'\n', &mut stands)?;
        }
        self.lines += 1;
        if stands != recomputed.unwrap_or_default() {
            let text = |line: &[u8]| {
                (!line.is_empty()).then(|| String::from_utf8_lossy(line).trim_end_matches('\n').to_owned())
            };
            self.first = Some(Difference {
                file: self.file.clone(),
                line: self.lines,
                stands: text(&stands),
                recomputed: text(recomputed.unwrap_or_default()),
            });
        }
        Ok(())
    }
}

impl Write for Compared<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        for part in bytes.split_inclusive(|&b| b == b'\n') {
            self.line.extend_from_slice(part);
            if part.ends_with(b"\n") {
                let line = std::mem::take(&mut self.line);
                self.hold(Some(&line))?;
            }
        }
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Target for Compared<'_> {
    fn close(mut self: Box<Self>) -> Result<(), StoreError> {
        let rest = std::mem::take(&mut self.line);
        let file = self.file.clone();
        let last = if rest.is_empty() { self.hold(None) } else { self.hold(Some(&rest)) };
        last.map_err(|e| StoreError::new(&file, "read", e))?;
        self.found.extend(self.first.take());
        Ok(())
    }
}

/// Replayed runs, with the earlier ones that they name.
#[derive(Default)]
pub struct Runs {
    /// The runs at hand, in the order of their ids.
    pub runs: Vec<Replayed>,
    /// Runs that these name and that are not among them.
    pub earlier: Vec<Replayed>,
}

impl Runs {
    /// Runs of a study, with the earlier ones that they name.
    #[must_use]
    pub fn of_study(folder: &Folder, runs: Vec<Replayed>) -> Runs {
        Runs::beside(folder, runs, |_| Some(folder.recordings()))
    }

    /// Runs, with the earlier ones that they name, from the folder that `place` gives for each.
    #[must_use]
    pub fn beside(
        folder: &Folder,
        runs: Vec<Replayed>,
        place: impl Fn(&Replayed) -> Option<PathBuf>,
    ) -> Runs {
        Runs { earlier: earlier::named_by(folder, &runs, place), runs }
    }

    /// The books of each run, in order.
    pub fn books(&self) -> impl Iterator<Item = Books<'_>> {
        self.runs.iter().map(|replayed| {
            let named = |run: &&Replayed| {
                let earlier = &replayed.head.setup.comparing.earlier;
                earlier.iter().any(|named| named.sha256 == run.sha256)
            };
            fn book(run: &Replayed) -> Book<'_> {
                Book::new(run.run.ledger(), &run.sha256)
            }
            Books::new(book(replayed), self.all().filter(named).map(book).collect())
        })
    }

    /// Whether every run has results, and all of them are proven.
    #[must_use]
    pub fn are_proven(&self) -> bool {
        self.books().all(|books| Sheets::new(books).are_proven())
    }

    /// The text of `treatments.csv` for these runs; empty if it cannot be made.
    #[must_use]
    pub fn treatments(&self) -> Vec<u8> {
        tables::treatments_of(&self.books().map(Sheets::new).collect::<Vec<_>>()).unwrap_or_default()
    }

    fn all(&self) -> impl Iterator<Item = &Replayed> + Clone {
        self.runs.iter().chain(&self.earlier)
    }
}

/// Writes the tables of replayed runs, joined, with their description last. Gives whether every run has
/// results and all of them are proven.
///
/// # Errors
/// If the disk refuses.
pub fn write(runs: &Runs, sink: &mut dyn Sink) -> Result<bool, StoreError> {
    let sheets: Vec<Sheets<'_>> = runs.books().map(Sheets::new).collect();
    for table in Table::ALL.into_iter().filter(|table| *table != Table::Treatments) {
        let mut target = io::BufWriter::with_capacity(1 << 16, sink.table(table.file_name())?);
        for (i, sheets) in sheets.iter().enumerate() {
            sheets
                .write(table, &mut target, i == 0)
                .map_err(|e| StoreError::new(Path::new(table.file_name()), "write", e))?;
        }
        if sheets.is_empty() {
            tables::write_header(table, &mut target)
                .map_err(|e| StoreError::new(Path::new(table.file_name()), "write", e))?;
        }
        let target = target
            .into_inner()
            .map_err(|e| StoreError::new(Path::new(table.file_name()), "write", e.into_error()))?;
        target.close()?;
    }
    write_treatments(&sheets, sink)?;
    let notes: Vec<RunNote> = runs.runs.iter().map(|run| note(run, runs.all())).collect();
    let mut target = sink.table(DESCRIPTION)?;
    let written = target.write_all(tables::datapackage(&notes).as_bytes());
    written.map_err(|e| StoreError::new(Path::new(DESCRIPTION), "write", e))?;
    target.close()?;
    Ok(sheets.iter().all(Sheets::are_proven))
}

/// The treatments over all panels and runs.
fn write_treatments(sheets: &[Sheets<'_>], sink: &mut dyn Sink) -> Result<(), StoreError> {
    let name = Table::Treatments.file_name();
    let failed = |e: io::Error| StoreError::new(Path::new(name), "write", e);
    let table = tables::treatments_of(sheets).map_err(failed)?;
    let mut target = sink.table(name)?;
    target.write_all(&table).map_err(failed)?;
    target.close()
}

/// What an update of a study's tables came to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Updated {
    /// Runs whose tables were made anew.
    pub replayed: usize,
    /// Runs whose tables were there already.
    pub kept: usize,
    /// Recordings that were refused, each with its place and what to do. They have no rows.
    pub refused: Vec<String>,
}

/// Brings `results/` up to date. `progress` is told the run at hand, its number and how many there are.
///
/// # Errors
/// [`ResultsError`]; what was there before stays.
pub fn update(
    folder: &Folder,
    mut progress: impl FnMut(&str, usize, usize),
) -> Result<Updated, ResultsError> {
    let disk = folder.disk();
    let results = folder.results();
    let by_run = results.join("runs");
    folder.still_there()?;
    disk.create_dir_all(&by_run)?;
    let runs = folder.runs()?;
    let mut updated = Updated::default();
    let mut notes = Vec::new();
    let mut digests = BTreeMap::new();
    for id in &runs {
        digests.insert(id.clone(), digest(folder, &folder.recording(id))?);
    }
    for (i, id) in runs.iter().enumerate() {
        progress(id, i + 1, runs.len());
        let own = by_run.join(id);
        if let Some(kept) = kept(disk, &own, &digests, id)? {
            updated.kept += 1;
            notes.push(kept);
            continue;
        }
        let (replayed, _) = match folder.replay_run(id) {
            Ok(replayed) => replayed,
            // Nothing was taken in it, so it has no rows.
            Err(error) if is_empty(&error) => continue,
            // One damaged recording must not keep the tables of the others from being written.
            Err(error @ (FolderError::Replay(_) | FolderError::Misnamed { .. })) => {
                updated.refused.push(format!("{error}\n  hint: {}", error.hint()));
                continue;
            }
            Err(error) => return Err(error.into()),
        };
        disk.create_dir_all(&own)?;
        let runs = Runs::of_study(folder, vec![replayed]);
        notes.extend(runs.runs.iter().map(|run| note(run, runs.all())));
        write(&runs, &mut Writing { disk, folder: own })?;
        updated.replayed += 1;
    }
    join(disk, &results, &by_run, &notes)?;
    sweep(disk, &by_run, &notes)?;
    lives::refresh(folder)?;
    Ok(updated)
}

fn is_empty(error: &FolderError) -> bool {
    use crate::run::{ReplayError, record::RecordingError};
    matches!(error, FolderError::Replay(ReplayError::Recording(RecordingError::NoHead { .. })))
}

/// SHA-256 of a file, in lower-case hexadecimal.
fn digest(folder: &Folder, path: &Path) -> Result<String, ResultsError> {
    let mut file = folder.stream(path)?;
    let mut hash = Sha256::new();
    let mut chunk = vec![0; 1 << 16];
    loop {
        let n = file.read(&mut chunk).map_err(|e| StoreError::new(path, "read", e))?;
        if n == 0 {
            break;
        }
        hash.update(&chunk[..n]);
    }
    Ok(hex(&hash.finalize()))
}

/// The note of a run whose tables are there already: its description is written last, so if it names
/// the digest, the tables beside it are whole.
fn kept(
    disk: &dyn Disk,
    own: &Path,
    digests: &BTreeMap<String, String>,
    id: &str,
) -> Result<Option<RunNote>, StoreError> {
    let description = own.join(DESCRIPTION);
    if !disk.exists(&description)? {
        return Ok(None);
    }
    let text = disk.read(&description)?;
    let Some(note) = tables::run_notes(&text).and_then(|mut notes| notes.pop()) else { return Ok(None) };
    // The description is a pure function of the note, so an older layout of the tables shows.
    let stands = |run: &str| digests.get(run).map_or("", String::as_str);
    // A row hangs on the earlier runs too: one that is gone, or back again, shows.
    let same_earlier = note.earlier.iter().all(|(run, sha256)| stands(run) == sha256);
    let same = note.id == id
        && note.recording_sha256 == stands(id)
        && same_earlier
        && tables::datapackage(std::slice::from_ref(&note)).as_bytes() == text;
    Ok(same.then_some(note))
}

/// Joins the runs' tables: one header, the rows of all.
fn join(disk: &dyn Disk, results: &Path, by_run: &Path, notes: &[RunNote]) -> Result<(), StoreError> {
    let ids: Vec<&str> = notes.iter().map(|note| note.id.as_str()).collect();
    for table in Table::ALL.into_iter().filter(|table| *table != Table::Treatments) {
        let path = results.join(table.file_name());
        let failed = |e: io::Error| StoreError::new(&path, "write", e);
        let mut writer = io::BufWriter::with_capacity(1 << 16, disk.atomic_writer(&path)?);
        let rows_of = |id: &str| {
            let file = disk.open(&by_run.join(id).join(table.file_name())).map_err(io::Error::other)?;
            let mut rows = BufReader::new(file);
            rows.skip_until(b'\n')?;
            Ok(rows)
        };
        tables::join(table, &ids, rows_of, &mut writer).map_err(failed)?;
        writer.into_inner().map_err(|e| failed(e.into_error()))?.finish()?;
    }
    let of = |table: Table| disk.read(&results.join(table.file_name()));
    let path = results.join(Table::Treatments.file_name());
    let mut treatments = Vec::new();
    tables::treatments(&of(Table::Results)?, &of(Table::Budget)?, &mut treatments)
        .map_err(|e| StoreError::new(&path, "write", e))?;
    disk.write_atomic(&path, &treatments)?;
    disk.write_atomic(&results.join(DESCRIPTION), tables::datapackage(notes).as_bytes())
}

/// Tables of runs that are no longer there would be no function of the recordings. Only what this
/// program wrote is removed: a folder with anything else in it is somebody's, and stays.
fn sweep(disk: &dyn Disk, by_run: &Path, notes: &[RunNote]) -> Result<(), StoreError> {
    let ours = |entry: &Entry| {
        let is_table = Table::ALL.iter().any(|table| entry.name == table.file_name());
        !entry.is_folder && (is_table || entry.name == DESCRIPTION || entry.is_leftover())
    };
    for entry in disk.list(by_run)? {
        let known = notes.iter().any(|note| entry.name == note.id.as_str());
        let folder = by_run.join(&entry.name);
        if entry.is_folder && !known && disk.list(&folder)?.iter().all(ours) {
            disk.remove_folder(&folder)?;
        }
    }
    Ok(())
}
