//! What lies on the shelf of a study, read from its recordings and tables.

use super::earlier::head_of;
use super::folder::Folder;
use super::folder::FolderError;
use crate::meter::Line;
use crate::meter::LineAssembler;
use crate::meter::Profile;
use crate::meter::Seen;
use crate::run::AskNotice;
use crate::run::Effect;
use crate::run::Notice;
use crate::run::ReplayError;
use crate::run::Run;
use crate::run::RunState;
use crate::run::Spot;
use crate::run::record::Body;
use crate::run::record::Head;
use crate::run::record::Record;
use crate::run::record::Scanner;
use crate::run::say;
use crate::tables::Table;
use crate::view::shelf::ReadingRow;
use crate::view::shelf::RefusedRow;
use crate::view::shelf::ResultRow;
use crate::view::shelf::RunRow;
use crate::view::shelf::RunSheet;
use crate::view::time_of_day;
use std::collections::BTreeMap;
use std::ops::Range;

/// Readings on one sheet, and the most refused lines beside them.
pub const SHEET: usize = 500;

/// The most lines that one placement comes in where each angle has a line of its own.
const MOST_JOINED: usize = 8;

/// All runs of a study, the latest first. Recordings that cannot be read are left out: `verify` names them.
///
/// # Errors
/// If the recordings cannot be listed, or the tables not be read.
pub fn runs(folder: &Folder) -> Result<Vec<RunRow>, FolderError> {
    let mut results = results(folder)?;
    let mut ids = folder.runs()?;
    ids.sort_unstable();
    let rows = ids.iter().rev().filter_map(|id| {
        let head = head_of(folder, id).filter(|head| head.run == *id)?;
        Some(row(&head, results.remove(id).unwrap_or_default()))
    });
    Ok(rows.collect())
}

/// The readings of a run from number `from` on, at most [`SHEET`] of them; nothing if there is no such run.
///
/// # Errors
/// What is wrong with the recording, with the place.
pub fn sheet(folder: &Folder, id: &str, from: usize) -> Result<Option<RunSheet>, FolderError> {
    // Only a name that is on the list becomes a path.
    let Some(id) = folder.runs()?.into_iter().find(|known| known == id) else { return Ok(None) };
    let Some(head) = head_of(folder, &id) else { return Ok(None) };
    let Reading { run, lines, refused, sha256 } = read(folder, &id, &head, from..from.saturating_add(SHEET))?;
    let ledger = run.ledger();
    let row = row(&head, results(folder)?.remove(&id).unwrap_or_default());
    let readings = ledger.readings.iter().enumerate().skip(from).take(SHEET);
    let readings =
        readings.map(|(index, _)| reading(&run, index, lines.get(&index).cloned().unwrap_or_default()));
    Ok(Some(RunSheet {
        row,
        state: match ledger.state {
            RunState::Open => "open",
            RunState::Complete => "complete",
            RunState::Abandoned => "abandoned",
        },
        recording_sha256: sha256,
        readings: readings.collect(),
        from,
        of: ledger.readings.len(),
        refused,
    }))
}

fn row(head: &Head, results: Vec<ResultRow>) -> RunRow {
    let setup = &head.setup;
    let mut stages: Vec<String> = Vec::new();
    for zone in setup.zones.iter().filter(|zone| zone.treatment.is_some()) {
        if !stages.contains(&zone.stage) {
            stages.push(zone.stage.clone());
        }
    }
    RunRow {
        run: head.run.clone(),
        begun: head.wall.to_rfc3339_opts(chrono::SecondsFormat::Secs, false),
        operator: setup.operator.clone(),
        panels: setup.panels.iter().map(|panel| panel.id.clone()).collect(),
        treatments: setup.treatments.iter().map(|treatment| treatment.code.clone()).collect(),
        stages,
        results,
    }
}

/// Rows of the results' table, by run. None before it is written.
fn results(folder: &Folder) -> Result<BTreeMap<String, Vec<ResultRow>>, FolderError> {
    let path = folder.results().join(Table::Results.file_name());
    let mut results: BTreeMap<String, Vec<ResultRow>> = BTreeMap::new();
    if !folder.disk().exists(&path)? {
        return Ok(results);
    }
    let bytes = folder.disk().read(&path)?;
    let rows = csv::Reader::from_reader(bytes.as_slice()).into_deserialize::<BTreeMap<String, String>>();
    // A table that somebody has edited gives what can be read of it.
    for mut cells in rows.filter_map(Result::ok) {
        let mut take = |column: &str| cells.remove(column).unwrap_or_default();
        let run = take("run");
        results.entry(run).or_default().push(ResultRow {
            panel: take("panel"),
            treatment: take("treatment"),
            stage: take("stage"),
            geometry_deg: take("geometry_deg"),
            difference_gu: take("difference_gu"),
            ci_low_gu: take("ci_low_gu"),
            ci_high_gu: take("ci_high_gu"),
            verdict: take("verdict"),
            status: take("status"),
        });
    }
    Ok(results)
}

/// A recording, read with an eye on its lines.
struct Reading {
    run: Run,
    /// By the index of the reading.
    lines: BTreeMap<usize, String>,
    refused: Vec<RefusedRow>,
    sha256: String,
}

/// Reads a recording byte by byte, so that it is plain which line a reading came with.
fn read(folder: &Folder, id: &str, head: &Head, wanted: Range<usize>) -> Result<Reading, FolderError> {
    let path = folder.recording(id);
    let name = path.display().to_string();
    let mut scanner = Scanner::new(name.clone(), folder.stream(&path)?);
    let profile = Profile::load("profile in the recording", &head.setup.profile)?;
    let run = Run::open(head).map_err(|source| ReplayError::Head { name: name.clone(), source })?;
    let assembler = profile.assembler();
    let most_waiting = if profile.joining().is_some() { MOST_JOINED } else { 1 };
    let mut reader = Reader {
        run,
        assembler,
        most_waiting,
        wanted,
        waiting: Vec::new(),
        lines: BTreeMap::new(),
        refused: Vec::new(),
    };
    while let Some(record) = scanner.next_record().map_err(ReplayError::from)? {
        reader.take(&record);
    }
    let sha256 = scanner.sha256();
    let Reader { run, lines, refused, .. } = reader;
    Ok(Reading { run, lines, refused, sha256 })
}

struct Reader {
    run: Run,
    assembler: LineAssembler,
    most_waiting: usize,
    wanted: Range<usize>,
    /// The last lines since the last reading or refusal, as many as one placement can come in.
    waiting: Vec<String>,
    lines: BTreeMap<usize, String>,
    refused: Vec<RefusedRow>,
}

impl Reader {
    fn take(&mut self, record: &Record<'_>) {
        let Body::Bytes(bytes) = &record.body else {
            if matches!(record.body, Body::Link(_) | Body::Resumed(_)) {
                self.assembler.take_partial();
            }
            return self.apply(record);
        };
        for byte in bytes.iter() {
            let byte = std::slice::from_ref(byte);
            let (waiting, most) = (&mut self.waiting, self.most_waiting);
            self.assembler.feed(byte, |line| {
                let (Line::Whole(line) | Line::TooLong(line)) = line;
                if waiting.len() == most {
                    waiting.remove(0);
                }
                waiting.push(Seen::new(line).to_string());
            });
            self.apply(&Record { body: Body::Bytes(byte.into()), ..*record });
        }
    }

    fn apply(&mut self, record: &Record<'_>) {
        let mut effects = Vec::new();
        self.run.apply(record, &mut effects);
        for effect in effects {
            let Effect::Tell(notice) = effect else { continue };
            match &notice {
                Notice::Taken { first, count } => {
                    let line = self.waiting.join(" ");
                    self.waiting.clear();
                    for index in (*first..first + count).filter(|index| self.wanted.contains(index)) {
                        self.lines.insert(index, line.clone());
                    }
                }
                Notice::Refused { line, .. } | Notice::NotNow { line, .. } => {
                    self.waiting.clear();
                    self.refuse(record, line, &notice);
                }
                Notice::Asking(AskNotice::Unfinished { .. }) => {
                    self.assembler.take_partial();
                }
                _ => {}
            }
        }
    }

    fn refuse(&mut self, record: &Record<'_>, line: &[u8], notice: &Notice) {
        let ledger = self.run.ledger();
        let at = ledger.readings.len();
        if at < self.wanted.start || at > self.wanted.end || self.refused.len() >= SHEET {
            return;
        }
        let (wall_us, offset_s) = ledger.wall(record.at_us);
        self.refused.push(RefusedRow {
            time: time_of_day(wall_us, offset_s),
            record: record.n,
            line: Seen::new(line).to_string(),
            why: say::sentence(notice, ledger),
        });
    }
}

fn reading(run: &Run, index: usize, line: String) -> ReadingRow {
    let ledger = run.ledger();
    let reading = ledger.readings[index];
    let (wall_us, offset_s) = ledger.wall(reading.at_us);
    let (kind, panel, zone) = match reading.spot {
        Spot::Tile { check } => (
            ledger.checks.get(check as usize).map_or("tile", |check| check.kind.text()),
            String::new(),
            String::new(),
        ),
        Spot::Zone { zone, .. } => {
            let setup = &ledger.setup;
            let zone = usize::from(zone);
            ("zone", setup.panels[setup.zones[zone].panel].id.clone(), setup.spot_name(zone).to_owned())
        }
    };
    ReadingRow {
        time: time_of_day(wall_us, offset_s),
        kind,
        panel,
        zone,
        placement: reading.placement,
        repeat: reading.repeat,
        geometry_deg: reading.geometry.degrees(),
        gloss_gu: reading.gloss.to_string(),
        status: reading.status.text(),
        record: reading.record,
        line,
    }
}
