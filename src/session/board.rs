//! What a board is made from, read out of a study's folder: its tables as they stand, the set-ups in the heads of its
//! recordings, and what was observed. Nothing is written.

use crate::board::Entry;
use crate::board::gather::Material;
use crate::board::gather::Observed;
use crate::board::gather::entries;
use crate::board::gather::observed;
use crate::board::gather::stages;
use crate::life;
use crate::run::record::Body;
use crate::run::record::Scanner;
use crate::run::setup::Setup;
use crate::session::folder::Folder;
use crate::session::folder::FolderError;
use crate::session::observing;
use crate::store::StoreError;
use crate::study::Study;
use crate::tables;
use crate::tables::Table;
use crate::units::Geometry;
use std::collections::BTreeMap;

/// A study's facts, held in memory.
pub struct Gathered {
    /// The study's folder name.
    pub slug: String,
    /// The study as it stands.
    pub study: Study,
    results_csv: Vec<u8>,
    budget_csv: Vec<u8>,
    setups: BTreeMap<String, Setup>,
    observed: BTreeMap<String, Observed>,
    /// What a reader should know, in sentences: runs that the tables do not have yet, recordings without a head.
    pub remarks: Vec<String>,
}

/// Reads a study's folder.
///
/// # Errors
/// If the study, a table or a recording cannot be read.
pub fn gather(folder: &Folder, slug: &str) -> Result<Gathered, FolderError> {
    let study = folder.load()?.study;
    let table = |table: Table| read(folder, table.file_name());
    let described = read(folder, "datapackage.json")?;
    let notes = tables::run_notes(&described).unwrap_or_default();
    let (mut setups, mut remarks) = (BTreeMap::new(), Vec::new());
    for id in folder.runs()? {
        if !notes.iter().any(|note| note.id == id) {
            remarks.push(format!(
                "run {id} of {slug} has no rows in the tables (nothing was read in it, or it came later than they did)"
            ));
            continue;
        }
        match setup(folder, &id)? {
            Some(setup) => drop(setups.insert(id, setup)),
            None => remarks
                .push(format!("the head of run {id} of {slug} cannot be read; `halfpanel verify` says more")),
        }
    }
    let observations = observing::read(folder, &study)?;
    remarks.extend(
        // Without a header that can be read there are no rows at all.
        observations.problems.iter().map(|problem| match observations.shape {
            Some(_) => format!("{problem}; the row counts for nothing here"),
            None => format!("{problem}; nothing of the file counts here"),
        }),
    );
    let observed = observed(&life::stories(&study, &observations), &study.watching.currency);
    let (results_csv, budget_csv) = (table(Table::Results)?, table(Table::Budget)?);
    Ok(Gathered { slug: slug.to_owned(), study, results_csv, budget_csv, setups, observed, remarks })
}

impl Gathered {
    /// Its treatments at one stage and geometry.
    ///
    /// # Errors
    /// Tables that are none of ours.
    pub fn entries(&self, stage: &str, geometry: Geometry) -> std::io::Result<Vec<Entry>> {
        entries(&self.material(), stage, geometry)
    }

    /// Its stages with proven results, in the order of their first run.
    ///
    /// # Errors
    /// Tables that are none of ours.
    pub fn stages(&self, geometry: Geometry) -> std::io::Result<Vec<String>> {
        stages(&self.results_csv, geometry)
    }

    fn material(&self) -> Material<'_> {
        Material {
            slug: &self.slug,
            study: &self.study,
            results_csv: &self.results_csv,
            budget_csv: &self.budget_csv,
            setups: &self.setups,
            observed: &self.observed,
        }
    }
}

/// A file of the results; empty where there is none yet.
fn read(folder: &Folder, name: &str) -> Result<Vec<u8>, StoreError> {
    let path = folder.results().join(name);
    if folder.disk().exists(&path)? { folder.disk().read(&path) } else { Ok(Vec::new()) }
}

/// The set-up in a recording's head, without reading the rest.
fn setup(folder: &Folder, id: &str) -> Result<Option<Setup>, FolderError> {
    let path = folder.recording(id);
    let mut scanner = Scanner::new(path.display().to_string(), folder.stream(&path)?);
    Ok(match scanner.next_record() {
        Ok(Some(record)) => match record.body {
            Body::Head(head) => Some(head.setup),
            _ => None,
        },
        _ => None,
    })
}
