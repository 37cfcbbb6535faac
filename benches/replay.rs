//! What a replay costs: CPU and memory for a million readings, beside the least that could be done with
//! the same file, and the time of a whole process for a short run.
//!
//! `cargo bench --bench replay`; with arguments behind `--`: the number of rounds (5).
//!
//! Compared are whole processes: `halfpanel replay FILE --out DIR`, and this bench started again as the
//! reference. They take turns, and the median of the rounds' ratios is what counts.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "a bench")]

mod common;

use common::{Board, HALFPANEL, Used, median, wait_measured};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

const READINGS: u32 = 1_000_000;

/// The reference. FROZEN: it is the yardstick of the target, so it is never changed together with the
/// program. It reads the file once, CRC-32 and SHA-256 over every byte, and writes one CSV row for every
/// line of the file, with as many columns as `readings.csv` and text of the same kind, and nothing else.
mod frozen {
    use sha2::{Digest, Sha256};
    use std::io::{Read, Write};
    use std::path::Path;

    pub fn reference(recording: &Path, out: &Path) {
        let mut file = std::fs::File::open(recording).unwrap();
        let mut csv = csv::Writer::from_writer(std::fs::File::create(out).unwrap());
        let (mut crc, mut sha) = (crc32fast::Hasher::new(), Sha256::new());
        let mut chunk = vec![0; 256 * 1024];
        let (mut rows, mut number) = (0u64, Vec::new());
        loop {
            let n = file.read(&mut chunk).unwrap();
            if n == 0 {
                break;
            }
            crc.update(&chunk[..n]);
            sha.update(&chunk[..n]);
            for _ in memchr::memchr_iter(b'\n', &chunk[..n]) {
                rows += 1;
                number.clear();
                write!(number, "{rows}").unwrap();
                row(&mut csv, &number);
            }
        }
        csv.flush().unwrap();
        println!("{rows} {:08x} {:02x?}", crc.finalize(), sha.finalize());
    }

    fn row(csv: &mut csv::Writer<std::fs::File>, number: &[u8]) {
        csv.write_field("2026-06-01-01").unwrap();
        csv.write_field(number).unwrap();
        csv.write_field("2026-06-01T09:00:00.000+02:00").unwrap();
        csv.write_field("123456.7890").unwrap();
        for text in
            ["zone", "P1", "C1", "control", "", "cured", "12345", "60", "70.3", "70.2924", "proven", ""]
        {
            csv.write_field(text).unwrap();
        }
        csv.write_field(number).unwrap();
        csv.write_record(None::<&[u8]>).unwrap();
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    if let [_, word, recording, out] = arguments.as_slice()
        && word == "--reference"
    {
        return frozen::reference(Path::new(recording), Path::new(out));
    }
    let rounds = arguments.iter().find_map(|a| a.parse().ok()).unwrap_or(5);
    let folder = tempfile::tempdir().unwrap();
    let mut board = Board::default();
    long_run(folder.path(), rounds, &mut board);
    short_run(folder.path(), &mut board);
    board.print();
}

fn long_run(folder: &Path, rounds: usize, board: &mut Board) {
    let recording = folder.join("long.rec");
    common::write_recording(&recording, READINGS, 10_000);
    let bytes = std::fs::metadata(&recording).unwrap().len();
    println!("a recording of {READINGS} readings, {bytes} bytes; {rounds} rounds");
    let (mut ratios, mut ours, mut peaks, mut references) = (vec![], vec![], vec![], vec![]);
    for round in 0..rounds {
        let replayed = replay(&recording, &folder.join("tables"));
        let reference = reference(&recording, &folder.join("reference.csv"));
        println!("round {round}: replay {replayed:.3?}, reference {reference:.3?}");
        ratios.push(replayed.cpu_s / reference.cpu_s);
        ours.push(replayed.cpu_s * 1e6 / f64::from(READINGS));
        references.push(reference.cpu_s * 1e6 / f64::from(READINGS));
        peaks.push(replayed.peak_kib as f64 / 1024.0);
    }
    let most_mib = 16.0 + 64.0 * f64::from(READINGS) / f64::from(1 << 20);
    board.put("replay of a million readings, CPU beside the reference", median(&mut ratios), "x", Some(3.0));
    board.put("  replay, CPU a reading", median(&mut ours), "us", None);
    board.put("  reference, CPU a reading", median(&mut references), "us", None);
    board.put("replay of a million readings, peak memory", median(&mut peaks), "MiB", Some(most_mib));
}

fn short_run(folder: &Path, board: &mut Board) {
    let recording = folder.join("short.rec");
    common::write_recording(&recording, 60, 30);
    let mut walls: Vec<f64> =
        (0..41).map(|_| replay(&recording, &folder.join("short")).wall_s * 1e3).collect();
    board.put("replay of 60 readings, whole process, wall", median(&mut walls), "ms", Some(20.0));
    let mut walls: Vec<f64> = (0..41).map(|_| shown(&recording).wall_s * 1e3).collect();
    board.put("  the same without --out: no file synced", median(&mut walls), "ms", None);
}

fn replay(recording: &Path, out: &Path) -> Used {
    let mut command = Command::new(HALFPANEL);
    command.arg("replay").arg(recording).arg("--out").arg(out);
    measured(&mut command)
}

fn shown(recording: &Path) -> Used {
    measured(Command::new(HALFPANEL).arg("replay").arg(recording))
}

fn reference(recording: &Path, out: &Path) -> Used {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command.arg("--reference").arg(recording).arg(out);
    measured(&mut command)
}

fn measured(command: &mut Command) -> Used {
    let started = Instant::now();
    let child = command.stdout(Stdio::null()).stderr(Stdio::null()).stdin(Stdio::null()).spawn().unwrap();
    wait_measured(child, started)
}
