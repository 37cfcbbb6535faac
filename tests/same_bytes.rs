//! Same bytes, same results: the recordings in `fixtures/recordings/` give the tables that stand beside
//! them, wherever and however they are replayed, and damage to them is noticed. `fixtures/README.md` tells
//! what each is, and how all of it is made anew.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;

use common::damage;
use common::stories::stories;
use halfpanel::run::record::{Body, Encoder, Scanner};
use halfpanel::run::{Effect, Replayed, RunState};
use halfpanel::tables::{self, Table};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The last zone is written out, so that it holds without a data base of zones too.
const ZONES: [&str; 4] = ["UTC", "America/St_Johns", "Asia/Kathmandu", "XXX3:30YYY,M3.2.0,M11.1.0"];
const LOCALES: [&str; 3] = ["C", "de_DE.UTF-8", "tr_TR.UTF-8"];

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/recordings")
}

fn recording(name: &str) -> PathBuf {
    folder().join(format!("{name}.rec"))
}

fn names() -> Vec<&'static str> {
    stories().into_iter().map(|(name, _)| name).collect()
}

/// `halfpanel replay` into a folder, in a time zone and a locale.
fn replay(recordings: &[PathBuf], out: &Path, zone: &str, locale: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_halfpanel"))
        .arg("replay")
        .args(recordings)
        .arg("--out")
        .arg(out)
        .env("TZ", zone)
        .env("LC_ALL", locale)
        .env("LANG", locale)
        .output()
        .unwrap()
}

fn text(path: &Path) -> String {
    fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// The tables of all stories in one: a header, then the rows of each in the order of the runs.
fn joined(table: Table) -> String {
    if table == Table::Treatments {
        let (results, budget) = (joined(Table::Results), joined(Table::Budget));
        let mut all = Vec::new();
        tables::treatments(results.as_bytes(), budget.as_bytes(), &mut all).unwrap();
        return String::from_utf8(all).unwrap();
    }
    let mut all = String::new();
    for name in names() {
        let one = text(&folder().join(name).join(table.file_name()));
        let (header, rows) = one.split_once('\n').unwrap();
        if all.is_empty() {
            all = format!("{header}\n");
        }
        all.push_str(rows);
    }
    all
}

/// Makes recordings and tables anew. What has changed is for a person to look at before it is kept.
#[test]
#[ignore = "writes fixtures/recordings/; for a change of the format or of the tables that is meant"]
fn make_the_fixtures_anew() {
    for (name, bytes) in stories() {
        fs::write(recording(name), &bytes).unwrap();
        let out = folder().join(name);
        replay(&[recording(name)], &out, "UTC", "C");
        fs::remove_file(out.join("datapackage.json")).unwrap();
    }
    let out = tempfile::tempdir().unwrap();
    let all: Vec<PathBuf> = names().into_iter().map(recording).collect();
    replay(&all, out.path(), "UTC", "C");
    fs::copy(out.path().join("datapackage.json"), folder().join("datapackage.json")).unwrap();
}

#[test]
fn the_recordings_are_those_of_the_stories() {
    for (name, bytes) in stories() {
        assert!(fs::read(recording(name)).unwrap() == bytes, "{name}.rec is not what its story writes");
    }
    let files = fs::read_dir(folder()).unwrap().map(|e| e.unwrap().path());
    let found = files.filter(|path| path.extension().is_some_and(|e| e == "rec")).count();
    assert_eq!(found, names().len(), "a recording without a story");
}

#[test]
fn every_recording_gives_the_tables_beside_it_in_every_time_zone_and_locale() {
    for name in names() {
        for zone in ZONES {
            for locale in LOCALES {
                let out = tempfile::tempdir().unwrap();
                let output = replay(&[recording(name)], out.path(), zone, locale);
                assert!(output.status.code().is_some_and(|code| code < 2), "{name}: {output:?}");
                for table in Table::ALL {
                    let golden = text(&folder().join(name).join(table.file_name()));
                    let found = text(&out.path().join(table.file_name()));
                    assert_eq!(found, golden, "{name}, {}, TZ={zone} LC_ALL={locale}", table.file_name());
                }
            }
        }
    }
}

#[test]
fn only_proven_runs_are_done_and_the_others_fail_their_check() {
    for name in names() {
        let out = tempfile::tempdir().unwrap();
        let code = replay(&[recording(name)], out.path(), "UTC", "C").status.code();
        let unproven = matches!(name, "abandoned" | "open-with-a-torn-tail");
        assert_eq!(code, Some(i32::from(unproven)), "{name}");
    }
}

#[test]
fn the_order_in_which_recordings_are_named_changes_nothing() {
    let forward: Vec<PathBuf> = names().into_iter().map(recording).collect();
    let mut backward = forward.clone();
    backward.reverse();
    let mut mixed = forward.clone();
    mixed.rotate_left(3);
    mixed.swap(0, 5);
    for order in [forward, backward, mixed] {
        let out = tempfile::tempdir().unwrap();
        replay(&order, out.path(), "UTC", "C");
        for table in Table::ALL {
            assert_eq!(text(&out.path().join(table.file_name())), joined(table));
        }
        let golden = text(&folder().join("datapackage.json"));
        assert_eq!(text(&out.path().join("datapackage.json")), golden);
    }
}

/// The recording with the bytes of each record cut into records of so many bytes, of the same time.
fn rechunked(bytes: &[u8], size: usize) -> Vec<u8> {
    let mut scanner = Scanner::new("test", bytes);
    let mut encoder = Encoder::new();
    let mut out = Vec::new();
    let mut group = 0;
    while let Some(record) = scanner.next_record().unwrap() {
        if record.group != group {
            group = record.group;
            encoder.begin_group();
        }
        if let Body::Bytes(bytes) = &record.body {
            for part in bytes.chunks(size) {
                encoder.push(record.at_us, Body::Bytes(part.into()), &mut out);
            }
        } else {
            encoder.push(record.at_us, record.body.clone(), &mut out);
        }
    }
    out
}

/// Rows of a table as column and cell, without what names a record or the file.
fn rows(replayed: &Replayed, table: Table) -> Vec<BTreeMap<String, String>> {
    let mut csv = Vec::new();
    tables::write(table, replayed.run.ledger(), &replayed.sha256, &mut csv, true).unwrap();
    let rows = csv::Reader::from_reader(csv.as_slice()).into_deserialize();
    let mut rows: Vec<BTreeMap<String, String>> = rows.map(Result::unwrap).collect();
    for row in &mut rows {
        row.remove("record");
        row.remove("recording_sha256");
    }
    rows
}

#[test]
fn it_does_not_matter_in_what_pieces_the_bytes_came() {
    for name in names() {
        let bytes = fs::read(recording(name)).unwrap();
        let whole = damage::read(&bytes).unwrap();
        for size in [1, 7, usize::MAX] {
            let pieces = rechunked(&bytes, size);
            assert!(size != 1 || damage::records(&pieces) > damage::records(&bytes));
            let replayed = damage::read(&pieces).unwrap();
            for table in Table::ALL {
                let (found, expected) = (rows(&replayed, table), rows(&whole, table));
                assert_eq!(found, expected, "{name}, {}, pieces of {size}", table.file_name());
            }
        }
    }
}

#[test]
fn what_was_said_in_pieces_and_whole_is_the_same() {
    let told = |bytes: &[u8]| {
        let mut told = Vec::new();
        let mut scanner = Scanner::new("test", bytes);
        halfpanel::run::replay("test", &mut scanner, |_, run, effects| {
            for effect in effects.iter() {
                if let Effect::Tell(notice) = effect {
                    told.push(halfpanel::run::say::sentence(notice, run.ledger()));
                }
            }
        })
        .unwrap();
        told
    };
    for name in names() {
        let bytes = fs::read(recording(name)).unwrap();
        assert_eq!(told(&rechunked(&bytes, 1)), told(&bytes), "{name}");
    }
}

/// Runs a check of each recording on a thread of its own: they take their time.
fn of_each(check: impl Fn(&str, &[u8]) + Sync) {
    std::thread::scope(|scope| {
        for name in names() {
            let check = &check;
            scope.spawn(move || check(name, &fs::read(recording(name)).unwrap()));
        }
    });
}

#[test]
fn every_cut_of_every_recording_is_recovered_or_refused() {
    of_each(damage::every_cut);
}

#[test]
fn a_flipped_bit_in_any_byte_of_any_recording_is_noticed_and_placed() {
    // One bit a byte, drawn by a multiplicative hash of its place; all eight are tried on a smaller
    // recording in `recording.rs`.
    let one = |at: usize| [((at as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 61) as u32];
    of_each(|name, bytes| damage::flipped_bits(name, bytes, one));
}

#[test]
fn a_run_that_was_cut_off_has_the_readings_of_the_whole_one_and_no_others() {
    for name in names() {
        let bytes = fs::read(recording(name)).unwrap();
        let whole = damage::read(&bytes).unwrap();
        let ends = (0..bytes.len()).filter(|&at| bytes[at] == b'\n').map(|at| at + 1);
        for end in ends {
            let part = damage::read(&bytes[..end]).unwrap();
            let (part, whole) = (part.run.ledger(), whole.run.ledger());
            assert!(part.readings.len() <= whole.readings.len());
            for (before, after) in part.readings.iter().zip(&whole.readings) {
                assert_eq!((before.gloss, before.spot, before.at_us), (after.gloss, after.spot, after.at_us));
            }
            if part.state != RunState::Open {
                assert_eq!(part.readings.len(), whole.readings.len(), "{name}");
            }
        }
    }
}
