//! The bench of the fault campaign: a fixed script of placements and words, fed through recorder and
//! run in the order in which the engine does it, on a disk that may end the world at any operation.

use crate::common::moment::OF_THE_MOMENT;
use crate::common::{head, setup};
use halfpanel::run::record::{Body, Encoder, Ending, Link, Record, RecordingError, Resumed, Scanner, Tail};
use halfpanel::run::record::{bytes_as_text, sha256_hex};
use halfpanel::run::{
    Effect, Ledger, Notice, Reading, ReplayError, Run, RunState, Spot, Status, Word, replay,
};
use halfpanel::session::recorder::{Entry, Recorder, RecorderError};
use halfpanel::store::{Disk, FaultyDisk};
use halfpanel::tables::{self, Table};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::collections::VecDeque;
use std::path::Path;

/// One thing that the operator does.
#[derive(Clone, Debug)]
pub enum Step {
    /// Puts the meter down and presses: one line comes.
    Press(&'static str),
    /// Says something.
    Say(Word),
}

/// A run with everything in it: an interim check, a placement taken back, a zone read again, one
/// voided, one left out, a pause, and a bracket that drifts and is repaired.
pub fn script() -> Vec<Step> {
    let press = |values: &'static str| values.split(' ').map(Step::Press).collect::<Vec<_>>();
    let zone = |name: &str| Some(name.to_owned());
    let say = |word| vec![Step::Say(word)];
    [
        press("92.4 92.5 92.4"),
        press("71.4 75.0 79.9"),
        say(Word::Undo),
        press("71.6"),
        say(Word::Void { placement: Some(5), reason: "a hair under the foot".to_owned() }),
        press("75.1 75.2"),
        press("92.4 92.3 92.4"),
        press("71.2 75.4"),
        say(Word::Again { zone: zone("C1") }),
        press("71.5 71.8"),
        say(Word::Skip { zone: zone("T4"), reason: "scratched".to_owned() }),
        press("91.0 91.1 91.0"),
        say(Word::Note { text: "the tile was dusty".to_owned() }),
        press("92.4 92.4 92.3"),
        say(Word::Pause),
        say(Word::Resume),
        press("71.5 71.3 75.3 71.7"),
        press("92.4 92.4 92.4"),
    ]
    .concat()
}

/// What the operator has been shown.
#[derive(Clone, Debug, Default)]
pub struct Shown {
    pub readings: Vec<Reading>,
    pub words: Vec<Word>,
}

/// What the disk holds of a run.
pub enum Found {
    /// No file, or none with a whole head: nothing was ever taken.
    Nothing { is_there: bool },
    /// A run, as far as it came.
    Run(Box<Stand>),
}

/// A run as it stands on the disk.
pub struct Stand {
    pub run: Run,
    pub words: Vec<Word>,
    pub tail: Tail,
    pub has_end: bool,
    encoder: Encoder,
}

/// Reads a recording as a program does that starts. Damage is never excused: nobody has touched the
/// file but the recorder and the disk's faults.
pub fn look(disk: &FaultyDisk, path: &Path) -> Found {
    let Some(bytes) = disk.peek(path) else { return Found::Nothing { is_there: false } };
    let mut scanner = Scanner::new("recording", bytes.as_slice());
    let mut words = Vec::new();
    let replayed = replay("recording", &mut scanner, |record, _, _| {
        if let Body::Word(word) = &record.body {
            words.push(word.clone());
        }
    });
    match replayed {
        Ok(it) => Found::Run(Box::new(Stand {
            run: it.run,
            words,
            tail: it.tail,
            has_end: it.has_end,
            encoder: scanner.continuing(),
        })),
        Err(ReplayError::Recording(RecordingError::NoHead { .. })) => Found::Nothing { is_there: true },
        Err(error) => panic!("the recording is lost: {error}"),
    }
}

impl Stand {
    /// Everything that was shown is here, value, spot, record and time.
    pub fn assert_holds(&self, shown: &Shown) {
        let as_taken = |r: &Reading| Reading { status: Status::Pending, ..*r };
        let here: Vec<Reading> = self.run.ledger().readings.iter().map(as_taken).collect();
        let shown_readings: Vec<Reading> = shown.readings.iter().map(as_taken).collect();
        assert!(
            here.starts_with(&shown_readings),
            "readings were shown that are lost:\nshown {shown_readings:#?}\non the disk {here:#?}"
        );
        assert!(
            self.words.starts_with(&shown.words),
            "words were followed that are lost: {:?}, on the disk {:?}",
            shown.words,
            self.words
        );
    }

    /// How many steps of the script have been taken.
    fn steps_done(&self, script: &[Step]) -> usize {
        let placements = self.run.ledger().readings.last().map_or(0, |r| r.placement as usize);
        let done = placements + self.words.len();
        let presses = script[..done].iter().filter(|step| matches!(step, Step::Press(_))).count();
        assert_eq!(presses, placements, "what is on the disk is no beginning of the script");
        done
    }
}

/// The operator, who goes on where the run stands.
struct Hand {
    script: Vec<Step>,
    next: usize,
    rest: VecDeque<Body<'static>>,
}

impl Hand {
    fn at(next: usize) -> Hand {
        Hand { script: script(), next, rest: VecDeque::new() }
    }

    /// The next thing that arrives. A line may come in two pieces; between two steps time may pass
    /// without need, or the plug may be out for a moment.
    fn act(&mut self, rng: &mut ChaCha8Rng) -> Option<Body<'static>> {
        if let Some(body) = self.rest.pop_front() {
            return Some(body);
        }
        let step = self.script.get(self.next)?;
        match rng.random_range(0..40) {
            0 => self.rest.push_back(Body::Tick),
            1 => self.rest.extend([link(false), link(true)]),
            _ => {}
        }
        match step {
            Step::Say(word) => self.rest.push_back(Body::Word(word.clone())),
            Step::Press(value) => {
                let line = format!("{value}\r\n").into_bytes();
                let cut = rng.random_range(0..line.len());
                let (first, second) = line.split_at(cut);
                self.rest.extend([first, second].into_iter().filter(|piece| !piece.is_empty()).map(bytes));
            }
        }
        self.next += 1;
        self.rest.pop_front()
    }
}

fn bytes(piece: &[u8]) -> Body<'static> {
    Body::Bytes(piece.to_vec().into())
}

fn link(up: bool) -> Body<'static> {
    Body::Link(Link { up, what: "the bench".to_owned() })
}

/// One sitting, as the engine holds it: what enters the run has come back from the disk, and what is
/// shown was applied to the run first.
pub struct Sitting {
    pub recorder: Recorder,
    pub run: Run,
    hand: Hand,
    queue: VecDeque<Entry>,
    now_us: u64,
}

/// Begins the run.
pub fn begin(disk: &FaultyDisk, path: &Path) -> Result<Sitting, RecorderError> {
    let mut setup = setup(4);
    setup.procedure.interim_after_readings = Some(4);
    let head = head(setup);
    let run = Run::open(&head).unwrap();
    let recorder = Recorder::create(disk, path, head)?;
    let mut sitting = Sitting { recorder, run, hand: Hand::at(0), queue: VecDeque::new(), now_us: 0 };
    sitting.queue(link(true));
    Ok(sitting)
}

/// Takes the run up where it stands, `gap_us` after its last record.
pub fn take_up(
    disk: &dyn Disk,
    path: &Path,
    stand: Stand,
    gap_us: u64,
    shown: &mut Shown,
) -> Result<Sitting, RecorderError> {
    let now_us = stand.encoder.last_us() + gap_us;
    let start = chrono::DateTime::parse_from_rfc3339("2026-06-01T09:00:00+02:00").unwrap();
    let resumed = Resumed {
        program: "0.1.0".to_owned(),
        wall: start + chrono::TimeDelta::microseconds(now_us as i64),
        clock: "boottime".to_owned(),
        gap_unknown: false,
        torn: bytes_as_text(&stand.tail.torn),
    };
    let hand = Hand::at(stand.steps_done(&script()));
    let Stand { run, words, tail, encoder, .. } = stand;
    let mut recorder = Recorder::take_up(disk, path, tail.whole, encoder)?;
    let body = Body::Resumed(Box::new(resumed));
    let pending = recorder.commit(vec![Entry { at_us: now_us, body }])?;
    // From here on the operator sees where the run stands.
    *shown = Shown { readings: run.ledger().readings.clone(), words };
    let mut sitting = Sitting { recorder, run, hand, queue: VecDeque::new(), now_us };
    sitting.take(&pending, shown);
    if sitting.run.is_over() {
        sitting.finish();
    } else {
        sitting.queue(link(true));
    }
    Ok(sitting)
}

impl Sitting {
    /// Goes on to the end of the run, or of the world.
    pub fn drive(&mut self, rng: &mut ChaCha8Rng, shown: &mut Shown) -> Result<(), RecorderError> {
        loop {
            let wanted = rng.random_range(1..=4);
            while self.queue.len() < wanted && !self.run.is_over() {
                let Some(body) = self.hand.act(rng) else { break };
                self.queue(body);
            }
            assert!(!self.queue.is_empty(), "the script is at its end, the run wants {:?}", self.run.want());
            let batch = self.queue.drain(..wanted.min(self.queue.len())).collect();
            let records = self.recorder.commit(batch)?;
            if self.take(&records, shown) {
                return Ok(());
            }
        }
    }

    fn queue(&mut self, body: Body<'static>) {
        self.now_us += 5_000_000;
        self.queue.push_back(Entry { at_us: self.now_us, body });
    }

    /// Applies what is on the disk and shows it. True once the end is recorded.
    fn take(&mut self, records: &[Record<'static>], shown: &mut Shown) -> bool {
        let mut effects = Vec::new();
        for record in records {
            self.run.apply(record, &mut effects);
            if let Body::Word(word) = &record.body {
                shown.words.push(word.clone());
            }
            for effect in effects.drain(..) {
                match effect {
                    Effect::Tell(Notice::Taken { first, count }) => {
                        let taken = &self.run.ledger().readings[first..first + count];
                        shown.readings.extend_from_slice(taken);
                    }
                    Effect::Tell(_) => {}
                    Effect::Request(request) => self.queue(Body::Request(Vec::from(request).into())),
                    Effect::Seal => self.queue(Body::Seal(String::new())),
                    Effect::End => self.finish(),
                }
            }
        }
        records.iter().any(|record| matches!(record.body, Body::End(_)))
    }

    fn finish(&mut self) {
        self.queue(Body::Seal(String::new()));
        let is_abandoned = self.run.ledger().state == RunState::Abandoned;
        self.queue(Body::End(if is_abandoned { Ending::Abandoned } else { Ending::Complete }));
    }
}

/// The books without times and numbers of records, which a taken-up run has others of.
pub fn books(ledger: &Ledger) -> String {
    let mut lines = Vec::new();
    for r in &ledger.readings {
        let spot = match r.spot {
            Spot::Tile { check } => format!("tile {check}"),
            Spot::Zone { zone, attempt } => {
                format!("{}/{attempt}", ledger.setup.zone_label(usize::from(zone)))
            }
        };
        let status = r.status.text();
        lines.push(format!("{} {spot} repeat {} {} {status}", r.placement, r.repeat, r.gloss));
    }
    for check in &ledger.checks {
        let means: Vec<String> = check.geometries.iter().map(|(_, g)| format!("{:.3}", g.mean_gu)).collect();
        let verdict = check.verdict.map_or("unfinished".to_owned(), |v| format!("{v:?}").to_lowercase());
        lines.push(format!("{} check {verdict}, mean {}", check.kind.text(), means.join(" ")));
    }
    for b in &ledger.brackets {
        let closing = b.closing.map_or("none".to_owned(), |c| c.to_string());
        lines.push(format!("bracket {}-{closing} {}", b.opening, b.status.text()));
    }
    lines.extend(ledger.voids.iter().map(|(placement, why)| format!("void {placement}: {why}")));
    lines.extend(
        ledger.skipped.iter().map(|(&zone, why)| format!("skipped {}: {why}", ledger.setup.zone_label(zone))),
    );
    lines.push(format!("attempts {:?}", ledger.attempts));
    lines.push(format!("{:?}", ledger.state).to_lowercase());
    lines.join("\n") + "\n"
}

/// All tables, with the columns blanked that must differ.
pub fn tables_without_times(ledger: &Ledger, recording: &[u8]) -> String {
    let mut text = String::new();
    for table in Table::ALL {
        let mut csv = Vec::new();
        tables::write(table, ledger, &sha256_hex(recording), &mut csv, true).unwrap();
        let mut rows = csv::ReaderBuilder::new().has_headers(false).from_reader(csv.as_slice());
        let rows: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
        for row in &rows {
            let cells = row.iter().zip(&rows[0]);
            let cells: Vec<&str> =
                cells.map(|(cell, column)| if OF_THE_MOMENT.contains(&column) { "" } else { cell }).collect();
            text.push_str(&cells.join(","));
            text.push('\n');
        }
    }
    text
}
