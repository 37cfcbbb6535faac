//! Reads a study folder into what a report is made from. Recordings are replayed one at a time, and only what is shown
//! of them is kept. The tables are worked out anew, so that the report never repeats one that was changed.

use super::super::Failure;
use super::place::{Stream, Writing};
use crate::board::Boards;
use crate::report::gather::SittingStarts;
use crate::report::gather::gather as on_tile;
use crate::report::publication::{
    Download, Method, Panel, PngChoice, Publication, RunRecord, Tables, Treatment, ranked, rows, terms_of,
};
use crate::report::site::{DATA, File, boards};
use crate::report::tile_history::TileHistory;
use crate::run::Setup;
use crate::run::record::{RecordingError, hex};
use crate::run::{ReplayError, Replayed};
use crate::session::folder::{Folder, FolderError, RECORDING};
use crate::session::results::{self, Runs, Sink, Target};
use crate::session::{lives, observing};
use crate::store::StoreError;
use crate::study::{ProfileChoice, Study};
use crate::tables::{self, RunNote, Table};
use crate::tile::history::LEAST_BASELINE;
use crate::units::Geometry;
use rust_decimal::prelude::ToPrimitive;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::io::{self, Write};
use std::path::{Component, Path, PathBuf};

/// A file that is copied as it stands.
pub struct Copy {
    /// From where.
    pub from: PathBuf,
    /// Its path in the report.
    pub to: String,
    /// Its SHA-256, hex.
    pub sha256: String,
}

/// A study, read.
pub struct Gathered {
    /// What the report is made from.
    pub publication: Publication,
    /// Files of the study that go with it.
    pub copies: Vec<Copy>,
    /// The tables, worked out anew.
    pub tables: Vec<File>,
    /// The set-up of each run by its id.
    setups: BTreeMap<String, Setup>,
}

/// Tables in memory.
#[derive(Default)]
struct Sheets(BTreeMap<String, Vec<u8>>);

struct Sheet<'a>(&'a mut Vec<u8>);

impl Write for Sheet<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.extend_from_slice(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Target for Sheet<'_> {
    fn close(self: Box<Self>) -> Result<(), StoreError> {
        Ok(())
    }
}

impl Sink for Sheets {
    fn table(&mut self, name: &str) -> Result<Box<dyn Target + '_>, StoreError> {
        Ok(Box::new(Sheet(self.0.entry(name.to_owned()).or_default())))
    }
}

/// Tables that no page is made from. They are the longest, and go to the disk as they come.
const STREAMED: [Table; 3] = [Table::Readings, Table::TileChecks, Table::Zones];

/// The tables of all runs, run by run.
struct Joined<'w, 'd> {
    writing: &'w mut Writing<'d>,
    kept: BTreeMap<String, Vec<u8>>,
    streams: BTreeMap<&'static str, Stream>,
    notes: Vec<RunNote>,
}

/// Reads a study; its longest tables are written at once. `progress` is told the run at hand, its number and how many
/// there are.
pub fn gather(
    folder: &Folder,
    writing: &mut Writing<'_>,
    mut progress: impl FnMut(&str, usize, usize),
) -> Result<Gathered, Failure> {
    let loaded = folder.load()?;
    let study = &loaded.study;
    let mut gathered = Gathered {
        publication: Publication {
            name: study.name.clone(),
            program: env!("CARGO_PKG_VERSION").to_owned(),
            treatments: Treatment::all_of(study),
            panels: Panel::all_of(study),
            matters_gu: study.comparing.matters_gu.and_then(|gu| gu.to_f64()),
            results: Vec::new(),
            over_panels: Vec::new(),
            contrasts: Vec::new(),
            ranked: Boards::default(),
            stories: Vec::new(),
            watching: study.watching.clone(),
            unread: Vec::new(),
            runs: Vec::new(),
            methods: Vec::new(),
            tile: TileHistory::of(&study.name, Vec::new(), LEAST_BASELINE),
            refused: Vec::new(),
            downloads: Vec::new(),
            png: PngChoice::Drawn,
        },
        copies: Vec::new(),
        tables: Vec::new(),
        setups: BTreeMap::new(),
    };
    gathered.copy(folder, "study.toml", "the study: panels, treatments, tile, procedure")?;
    if let ProfileChoice::File(file) = &study.profile {
        gathered.copy(folder, file, "the meter’s profile")?;
    }
    gathered.observations(folder, study)?;
    gathered.runs(folder, writing, &mut progress)?;
    gathered.rank(study)?;
    Ok(gathered)
}

impl Gathered {
    /// Has a file of the study go with the report.
    fn copy(&mut self, folder: &Folder, file: &str, what: &str) -> Result<(), Failure> {
        let from = folder.root().join(file);
        let bytes = folder.disk().read(&from)?;
        let sha256 = hex(&Sha256::digest(&bytes));
        self.offer(&format!("{DATA}/{file}"), what, bytes.len() as u64, &sha256);
        self.copies.push(Copy { from, to: format!("{DATA}/{file}"), sha256 });
        Ok(())
    }

    fn offer(&mut self, path: &str, what: &str, len: u64, sha256: &str) {
        let (path, what, sha256) = (path.to_owned(), what.to_owned(), sha256.to_owned());
        self.publication.downloads.push(Download { path, what, len, sha256 });
    }

    /// What was done and seen, with its tables and pictures.
    fn observations(&mut self, folder: &Folder, study: &Study) -> Result<(), Failure> {
        let name = observing::OBSERVATIONS;
        if !folder.disk().exists(&folder.root().join(name))? {
            // What study.toml says of them is a story, too.
            self.publication.stories = crate::life::stories(study, &crate::life::Observations::default());
            return Ok(());
        }
        let observations = observing::read(folder, study)?;
        self.copy(folder, name, "what was done and seen: washes, water, judgements")?;
        for row in &observations.rows {
            let Some(photo) = &row.photo else { continue };
            let is_inside =
                Path::new(&photo.path).components().all(|part| matches!(part, Component::Normal(_)));
            let known = self.copies.iter().any(|copy| copy.to == format!("{DATA}/{}", photo.path));
            if is_inside && !known && folder.disk().exists(&folder.root().join(&photo.path))? {
                self.copy(folder, &photo.path, "a picture of what was seen")?;
            }
        }
        let wrong = |problem: &crate::text::Problem| plain(&problem.to_string(), folder);
        self.publication.unread = observations.problems.iter().map(wrong).collect();
        self.publication.stories = crate::life::stories(study, &observations);
        let mut sheets = Sheets::default();
        lives::check(folder, study, &mut sheets)?;
        for (name, bytes) in sheets.0 {
            self.table(&name, "What became of the treatments, wash by wash.", bytes);
        }
        Ok(())
    }

    /// Ranks the treatments of the front board.
    fn rank(&mut self, study: &Study) -> Result<(), Failure> {
        let front = boards(&self.publication).first().map(|board| (board.stage.clone(), board.geometry_deg));
        let of = |name: &str| {
            let path = format!("{DATA}/results/{name}");
            self.tables.iter().find(|file| file.path == path).map_or(&[][..], |file| &file.bytes)
        };
        let (results_csv, budget_csv) = (of("results.csv"), of("budget.csv"));
        let tables = Tables { results_csv, budget_csv, setups: &self.setups };
        let (stage, degrees) = front.unwrap_or_else(|| ("cured".to_owned(), 60));
        let geometry = Geometry::try_from(degrees).unwrap_or(Geometry::Deg60);
        self.publication.ranked = ranked(study, tables, &self.publication.stories, &stage, geometry)?;
        Ok(())
    }

    fn runs(
        &mut self,
        folder: &Folder,
        writing: &mut Writing<'_>,
        progress: &mut impl FnMut(&str, usize, usize),
    ) -> Result<(), Failure> {
        let mut ids = folder.runs()?;
        ids.sort_unstable();
        let mut joined = Joined::begin(writing)?;
        let mut on_the_tile = Vec::new();
        for (index, id) in ids.iter().enumerate() {
            progress(id, index + 1, ids.len());
            let mut starts = SittingStarts::default();
            let path = folder.recording(id);
            let read = folder.replay(&path, |_, run, effects| starts.see(run, effects));
            let replayed = match read {
                Ok((replayed, _)) if replayed.head.run == *id => replayed,
                Ok((replayed, _)) => {
                    let error = FolderError::Misnamed { path, run: replayed.head.run };
                    self.publication.refused.push(format!("{id}: it holds another run; {}", error.hint()));
                    continue;
                }
                // Nothing was taken in it.
                Err(FolderError::Replay(ReplayError::Recording(RecordingError::NoHead { .. }))) => continue,
                Err(FolderError::Replay(error)) => {
                    self.publication.refused.push(format!("{id}: {}", plain(&error.to_string(), folder)));
                    continue;
                }
                Err(error) => return Err(error.into()),
            };
            on_the_tile.push(on_tile(replayed.run.ledger(), &starts));
            self.run(folder, replayed, &mut joined)?;
        }
        self.publication.runs.sort_by(|a, b| a.began_us.cmp(&b.began_us).then_with(|| a.id.cmp(&b.id)));
        self.publication.tile = TileHistory::of(&self.publication.name, on_the_tile, LEAST_BASELINE);
        self.tables(joined)
    }

    /// One run: what is shown of it, its rows, and its recording among the downloads.
    fn run(
        &mut self,
        folder: &Folder,
        replayed: Replayed,
        joined: &mut Joined<'_, '_>,
    ) -> Result<(), Failure> {
        let mut methods: Vec<Method> = std::mem::take(&mut self.publication.methods);
        let record = RunRecord::of(&replayed, &mut methods);
        self.publication.methods = methods;
        for treatment in &replayed.head.setup.treatments {
            if self.publication.treatment(&treatment.code).is_none() {
                self.publication.treatments.push(Treatment::of_recording(treatment));
            }
        }
        self.setups.insert(record.id.clone(), terms_of(&replayed.head.setup));
        let (from, to) =
            (folder.recording(&record.id), format!("{DATA}/recordings/{}.{RECORDING}", record.id));
        let len = folder.disk().meta(&from)?.map_or(0, |meta| meta.len);
        self.offer(&to, "the recording of this run", len, &record.sha256);
        self.copies.push(Copy { from, to, sha256: record.sha256.clone() });
        self.publication.runs.push(record);
        let runs = Runs::of_study(folder, vec![replayed]);
        let mut own = Sheets::default();
        results::write(&runs, &mut own)?;
        joined.add(own)
    }

    /// The joined tables: what the pages show of them, and the files.
    fn tables(&mut self, joined: Joined<'_, '_>) -> Result<(), Failure> {
        let Joined { writing, mut kept, mut streams, notes } = joined;
        let mut of = |table: Table| kept.remove(table.file_name()).unwrap_or_default();
        let (results, budget, contrasts) = (of(Table::Results), of(Table::Budget), of(Table::Contrasts));
        let mut treatments = Vec::new();
        tables::treatments(&results, &budget, &mut treatments)?;
        let wrong = |error: csv::Error| {
            Failure::new(format_args!("a table of this program does not read: {error}"), "this is a bug")
        };
        self.publication.results = rows(&results).map_err(wrong)?;
        self.publication.over_panels = rows(&treatments).map_err(wrong)?;
        self.publication.contrasts = rows(&contrasts).map_err(wrong)?;
        for (table, bytes) in [
            (Table::Results, results),
            (Table::Budget, budget),
            (Table::Contrasts, contrasts),
            (Table::Treatments, treatments),
        ] {
            self.table(table.file_name(), table.schema().description, bytes);
        }
        for table in STREAMED {
            if let Some(stream) = streams.remove(table.file_name()) {
                let (path, len, sha256) = writing.close(stream)?;
                self.offer(&path, table.schema().description, len, &sha256);
            }
        }
        self.table(
            "datapackage.json",
            "What every column means, for programs (Data Package v2).",
            tables::datapackage(&notes).into_bytes(),
        );
        self.publication.downloads.sort_by(|a, b| a.path.cmp(&b.path));
        Ok(())
    }

    fn table(&mut self, name: &str, what: &str, bytes: Vec<u8>) {
        let path = format!("{DATA}/results/{name}");
        self.offer(&path, what, bytes.len() as u64, &hex(&Sha256::digest(&bytes)));
        self.tables.push(File { path, bytes });
    }
}

impl<'w, 'd> Joined<'w, 'd> {
    /// Headers alone.
    fn begin(writing: &'w mut Writing<'d>) -> Result<Joined<'w, 'd>, Failure> {
        let (mut kept, mut streams) = (BTreeMap::new(), BTreeMap::new());
        for table in Table::ALL {
            let mut header = Vec::new();
            tables::write_header(table, &mut header)?;
            if STREAMED.contains(&table) {
                let mut stream = writing.stream(&format!("{DATA}/results/{}", table.file_name()))?;
                stream.write_all(&header)?;
                streams.insert(table.file_name(), stream);
            } else {
                kept.insert(table.file_name().to_owned(), header);
            }
        }
        Ok(Joined { writing, kept, streams, notes: Vec::new() })
    }

    /// The rows of one run.
    fn add(&mut self, own: Sheets) -> Result<(), Failure> {
        for (name, bytes) in own.0 {
            if name.ends_with(".json") {
                self.notes.extend(tables::run_notes(&bytes).unwrap_or_default());
                continue;
            }
            let rows = &bytes[bytes.iter().position(|&b| b == b'\n').map_or(0, |at| at + 1)..];
            match self.streams.get_mut(name.as_str()) {
                Some(stream) => stream.write_all(rows)?,
                None => self.kept.entry(name).or_default().extend_from_slice(rows),
            }
        }
        Ok(())
    }
}

/// A message without the path of this machine: the report depends on the study alone.
fn plain(message: &str, folder: &Folder) -> String {
    message.replace(&format!("{}/", folder.root().display()), "")
}
