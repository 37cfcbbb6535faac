//! The recording's format against what can happen to a file: every cut, every flipped bit, every
//! lost line. What is expected stands in `common/damage.rs`, for the fixtures too.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;

use common::damage::{self, read, records};
use common::{Bench, setup};
use halfpanel::run::record::{Body, Scanner};

fn recording() -> Vec<u8> {
    let mut bench = Bench::new(setup(1));
    bench
        .press("92.4 92.5 92.4")
        .bytes(b"\x00\xff\\\"\tnoise\xb0\r\n")
        .press("71.4 75.0")
        .press("92.3 92.4 92.4");
    std::mem::take(&mut bench.bytes)
}

#[test]
fn a_recording_reads_back_as_it_was_written() {
    let bytes = recording();
    let mut scanner = Scanner::new("test", bytes.as_slice());
    let mut noise = Vec::new();
    while let Some(record) = scanner.next_record().unwrap() {
        if let Body::Bytes(found) = &record.body
            && found.contains(&0)
        {
            noise.extend_from_slice(found);
        }
    }
    assert_eq!(noise, b"\x00\xff\\\"\tnoise\xb0\r\n", "bytes come back as they came");
    assert!(scanner.has_end());
    assert_eq!(scanner.tail().unwrap().torn, b"");
}

#[test]
fn every_cut_is_recovered_to_the_last_whole_record_or_refused() {
    damage::every_cut("a small recording", &recording());
}

#[test]
fn any_flipped_bit_is_noticed_and_placed() {
    damage::flipped_bits("a small recording", &recording(), |_| 0..8);
}

#[test]
fn a_missing_line_is_damage_at_its_place() {
    let bytes = recording();
    let lines: Vec<&[u8]> = bytes.split_inclusive(|&b| b == b'\n').collect();
    for missing in 1..lines.len() - 1 {
        let rest: Vec<u8> = [&lines[..missing], &lines[missing + 1..]].concat().concat();
        let error = read(&rest).err().unwrap().to_string();
        assert!(error.starts_with(&format!("test:{}: damaged", missing + 1)), "{error}");
    }
}

#[test]
fn the_whole_file_has_the_digest_that_common_tools_give() {
    // SHA-256 of the empty input and of "abc": FIPS 180-2, appendix B (from memory).
    assert_eq!(
        halfpanel::run::record::sha256_hex(b"abc"),
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
    let bytes = recording();
    assert_eq!(read(&bytes).unwrap().sha256, halfpanel::run::record::sha256_hex(&bytes));
}

#[test]
fn a_later_format_names_the_program_that_reads_it() {
    let bytes = recording();
    let text = String::from_utf8(bytes).unwrap();
    let head = text.lines().next().unwrap();
    let later = head[9..].replace(
        "\"format\":1,\"oldest_reader\":\"0.1.0\"",
        "\"format\":9,\"oldest_reader\":\"4.2.0\",\"new\":1",
    );
    assert_ne!(later, head[9..]);
    let line = format!("{:08x} {later}\n", crc32fast::hash(later.as_bytes()));
    let error = read(line.as_bytes()).err().unwrap();
    assert_eq!(error.to_string(), "test: its format is 9, this program reads up to 1");
    assert_eq!(error.hint(), "halfpanel 4.2.0 or later reads it");
}

#[test]
fn nothing_may_stand_behind_the_end() {
    let mut bytes = recording();
    bytes.extend_from_slice(b"afterthought");
    assert!(read(&bytes).err().unwrap().to_string().contains("behind the end record"));
}

/// The second reader of recordings, in another language. Its summary of a file, or its refusal.
fn other_reader(bytes: &[u8]) -> Option<Result<serde_json::Value, String>> {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/read_recording.py");
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("run.rec");
    std::fs::write(&file, bytes).unwrap();
    let output = std::process::Command::new("python3").arg(script).arg(&file).output().ok()?;
    Some(if output.status.success() {
        Ok(serde_json::from_slice(&output.stdout).unwrap())
    } else {
        Err(String::from_utf8(output.stderr).unwrap())
    })
}

#[test]
fn a_reader_in_another_language_reads_the_same() {
    let bytes = recording();
    let Some(summary) = other_reader(&bytes) else {
        eprintln!("SKIPPED: no python3 here, so the second reader was not tried");
        return;
    };
    let summary = summary.unwrap();
    let sent = b"92.4\r\n92.5\r\n92.4\r\n\x00\xff\\\"\tnoise\xb0\r\n71.4\r\n75.0\r\n92.3\r\n92.4\r\n92.4\r\n";
    assert_eq!(summary["meter_sha256"], halfpanel::run::record::sha256_hex(sent));
    assert_eq!(summary["sha256"], halfpanel::run::record::sha256_hex(&bytes));
    assert_eq!(summary["records"], records(&bytes));
    assert_eq!(summary["kinds"]["seal"], 2, "one after the opening check, one before the end");
    let torn = other_reader(&bytes[..bytes.len() - 3]).unwrap().unwrap();
    assert!(torn["torn"].as_u64().unwrap() > 0);
    let mut damaged = bytes.clone();
    damaged[bytes.len() / 2] ^= 1;
    let place = read(&damaged).err().unwrap().to_string();
    let refusal = other_reader(&damaged).unwrap().unwrap_err();
    let at =
        |text: &str| text.split("at byte ").nth(1).unwrap().split([':', '\n']).next().unwrap().to_owned();
    assert_eq!(at(&place), at(&refusal));
}
