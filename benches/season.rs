//! What a long season costs: a study of many treatments with twenty stages each, as recordings and observations on the
//! disk, and on it whole processes: the tables, the board, the report.
//!
//! `cargo bench --bench season`; behind `--` the number of treatments (500). Beside it the least that could be done:
//! this bench started again, reading every file of the study once and taking its SHA-256.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "a bench")]

mod common;

use common::{Board, HALFPANEL, Used, hardwareless, wait_measured};
use halfpanel::life::Column;
use halfpanel::run::{Spot, Want};
use halfpanel::study::{self, Selection, Study};
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

const STAGES: usize = 20;
const PANELS: usize = 3;
/// Treatments that share their three panels, and their runs.
const TOGETHER: usize = 4;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    if let [_, word, folder] = arguments.as_slice()
        && word == "--reference"
    {
        return read_all(Path::new(folder));
    }
    let treatments = arguments.iter().find_map(|word| word.parse().ok()).unwrap_or(500);
    let folder = tempfile::tempdir().unwrap();
    let season = folder.path().join("season");
    let runs = write_season(&season, treatments);
    let mut board = Board::default();
    board.put("treatments", treatments as f64, "", None);
    board.put("runs", runs as f64, "", None);
    let measured = |board: &mut Board, what: &str, command: &mut Command, most_s: Option<f64>| {
        let used = measure(command);
        board.put(what, used.wall_s, "s", most_s);
        board.put("  peak memory", used.peak_kib as f64 / 1024.0, "MiB", most_s.map(|_| 200.0));
    };
    let mut reference = Command::new(std::env::current_exe().unwrap());
    measured(&mut board, "reading all of it once", reference.arg("--reference").arg(&season), None);
    let mut recordings: Vec<PathBuf> =
        fs::read_dir(season.join("recordings")).unwrap().map(|entry| entry.unwrap().path()).collect();
    recordings.sort();
    let mut replay = Command::new(HALFPANEL);
    replay.arg("replay").args(&recordings).arg("--out").arg(season.join("results"));
    measured(&mut board, "all tables from all recordings", &mut replay, None);
    measured(&mut board, "board", Command::new(HALFPANEL).arg("board").arg(&season), Some(1.0));
    let mut sums = Vec::new();
    for round in ["first", "second"] {
        let out = folder.path().join(round);
        let mut report = Command::new(HALFPANEL);
        report.arg("report").arg(&season).arg("--out").arg(&out);
        measured(&mut board, &format!("report, {round} time"), &mut report, Some(20.0));
        sums.push(fs::read(out.join("SHA256SUMS")).unwrap());
    }
    assert!(sums[0] == sums[1], "two reports of one study differ");
    board.print();
}

fn measure(command: &mut Command) -> Used {
    let since = Instant::now();
    let child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    wait_measured(child, since)
}

fn read_all(folder: &Path) {
    let mut folders = vec![folder.to_owned()];
    let mut chunk = vec![0; 256 * 1024];
    let mut sha = Sha256::new();
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap().map(Result::unwrap) {
            if entry.path().is_dir() {
                folders.push(entry.path());
                continue;
            }
            let mut file = fs::File::open(entry.path()).unwrap();
            loop {
                match file.read(&mut chunk).unwrap() {
                    0 => break,
                    n => sha.update(&chunk[..n]),
                }
            }
        }
    }
    println!("{:02x?}", sha.finalize());
}

/// Washes before a stage.
fn washes(stage: usize) -> usize {
    5 * stage.saturating_sub(1)
}

fn stage_name(stage: usize) -> String {
    match stage {
        0 => "cured".to_owned(),
        1 => "wiped".to_owned(),
        n => format!("washed-{}", washes(n)),
    }
}

/// Writes the study; gives how many runs it has.
fn write_season(folder: &Path, treatments: usize) -> usize {
    fs::create_dir_all(folder.join("recordings")).unwrap();
    let text = study_text(treatments);
    fs::write(folder.join("study.toml"), &text).unwrap();
    fs::write(folder.join("plain.toml"), hardwareless::PLAIN).unwrap();
    let study = Study::load("study.toml", &text).unwrap_or_else(|problem| panic!("{problem}"));
    fs::write(folder.join("observations.csv"), observations(treatments)).unwrap();
    let groups = treatments.div_ceil(TOGETHER);
    let first = chrono::DateTime::parse_from_rfc3339("2020-01-01T09:00:00+00:00").unwrap();
    for number in 0..STAGES * groups {
        let (stage, group) = (number / groups, number % groups);
        let day = first + chrono::TimeDelta::days(i64::try_from(number).unwrap());
        let id = format!("{}-01", day.date_naive());
        let selection = Selection {
            panels: (0..PANELS).map(|of| format!("P{}", group * PANELS + of)).collect(),
            stage: Some(stage_name(stage)),
            ..Selection::default()
        };
        let setup = study::setup(&study, &selection, hardwareless::PLAIN).unwrap();
        let head = halfpanel::run::record::Head { run: id.clone(), wall: day, ..hardwareless::head(setup) };
        let mut bench = hardwareless::Bench::with_head(head);
        for press in 0.. {
            let gloss = match bench.run.want() {
                Want::Nothing => break,
                Want::Zone { zone, .. } => 70.0 + (zone * 7 % 11) as f64 * 0.1 - 0.05 * stage as f64,
                _ => 92.4 + f64::from(press % 2) * 0.1,
            };
            bench.press(&format!("{gloss:.1}"));
        }
        let ledger = bench.run.ledger();
        assert!(ledger.readings.iter().any(|reading| matches!(reading.spot, Spot::Zone { .. })));
        fs::write(folder.join("recordings").join(format!("{id}.rec")), &bench.bytes).unwrap();
    }
    STAGES * groups
}

fn study_text(treatments: usize) -> String {
    let mut text = String::from(
        "name = \"A long season\"\n[meter]\nport = \"sim:x.toml\"\nprofile = \"plain.toml\"\n[tile]\nname = \"Black glass\"\n\
         [[tile.value]]\ngeometry_deg = 60\nassigned_gu = 92.4\nexpanded_uncertainty_gu = 0.6\n\
         [washing]\nrecipe = \"deck soap\"\n",
    );
    for panel in 0..treatments.div_ceil(TOGETHER) * PANELS {
        let _ = write!(
            text,
            "[[panel]]\nid = \"P{panel}\"\nwidth_mm = 400\nheight_mm = 400\ncontrol = [\"C1\", \"C2\"]\n"
        );
        for (row, side) in ["C", "A", "B", "D", "E"].iter().enumerate() {
            let y_mm = 10 + 60 * row;
            let _ = write!(
                text,
                "[[panel.row]]\nnames = [\"{side}1\", \"{side}2\"]\ny_mm = {y_mm}\nheight_mm = 40\n"
            );
        }
    }
    for t in 0..treatments {
        let _ = write!(
            text,
            "[[treatment]]\ncode = \"T{t}\"\nname = \"Sealer of the season no. {t}\"\ncure_hours = 24\n"
        );
    }
    for t in 0..treatments {
        let side = ["A", "B", "D", "E"][t % TOGETHER];
        for of in 0..PANELS {
            let panel = t / TOGETHER * PANELS + of;
            let _ = write!(
                text,
                "[[patch]]\ntreatment = \"T{t}\"\npanel = \"P{panel}\"\nzones = [\"{side}1\", \"{side}2\"]\n"
            );
        }
    }
    text
}

/// Every product is put on, wiped, washed, and looked at after each wash count.
fn observations(treatments: usize) -> String {
    let mut rows: Vec<Vec<(Column, String)>> = Vec::new();
    let on = |t: usize, of: usize| {
        vec![
            (Column::Treatment, format!("T{t}")),
            (Column::Panel, format!("P{}", t / TOGETHER * PANELS + of)),
        ]
    };
    let at = |kind: &str, minute: usize, mut cells: Vec<(Column, String)>| {
        let day = chrono::DateTime::parse_from_rfc3339("2019-06-01T09:00:00+00:00").unwrap();
        let time = day + chrono::TimeDelta::hours(i64::try_from(minute).unwrap());
        cells.extend([(Column::At, time.to_rfc3339()), (Column::Kind, kind.to_owned())]);
        cells
    };
    let all = || (0..treatments).flat_map(|t| (0..PANELS).map(move |of| (t, of)));
    rows.extend(all().map(|(t, of)| at("applied", 0, on(t, of))));
    for stage in 2..STAGES {
        let hour = 100 * stage;
        let count = |mut cells: Vec<(Column, String)>| {
            cells.push((Column::Washes, washes(stage).to_string()));
            cells
        };
        for panel in 0..treatments.div_ceil(TOGETHER) * PANELS {
            rows.push(at("washed", hour, count(vec![(Column::Panel, format!("P{panel}"))])));
        }
        for (t, of) in all() {
            let mut cells = count(on(t, of));
            let class = (1 + washes(stage) / (8 + t % 23)).min(7);
            cells.extend([(Column::TreatedClass, class.to_string()), (Column::ControlClass, "7".to_owned())]);
            rows.push(at("looked", hour + 1, cells));
        }
    }
    let mut csv = csv::Writer::from_writer(Vec::new());
    csv.write_record(Column::ALL.map(Column::name)).unwrap();
    for (number, cells) in rows.iter().enumerate() {
        let cell = |column: Column| match column {
            Column::Row => (number + 1).to_string(),
            _ => cells.iter().find(|(of, _)| *of == column).map(|(_, text)| text.clone()).unwrap_or_default(),
        };
        csv.write_record(Column::ALL.map(cell)).unwrap();
    }
    String::from_utf8(csv.into_inner().unwrap()).unwrap()
}
