//! `protocol-notes/report.md` against a report that was built.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

#[path = "common/process.rs"]
mod process;

use process::output;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

const PAGE: &str = include_str!("../protocol-notes/report.md");

#[test]
fn the_page_names_what_lies_at_the_top_of_a_report_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("report");
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    let made = output([Path::new("report"), &demo, Path::new("--out"), &out]);
    assert_eq!(made.code, Some(0), "{}{}", made.stdout, made.stderr);
    let found: BTreeSet<String> = fs::read_dir(&out)
        .unwrap()
        .map(|entry| {
            let entry = entry.unwrap();
            let name = entry.file_name().into_string().unwrap();
            if entry.path().is_dir() { format!("{name}/") } else { name }
        })
        .collect();
    let rows = PAGE.lines().filter_map(|line| line.strip_prefix("| `")?.split(" | ").next());
    let named: BTreeSet<String> =
        rows.flat_map(|cell| cell.split("`, `")).map(|name| name.trim_end_matches('`').to_owned()).collect();
    assert_eq!(found, named);
    for (card, size) in [("wide", (1920, 1080)), ("square", (1080, 1080))] {
        assert!(
            PAGE.contains(&format!("`{card}` is {} × {}", size.0, size.1))
                || PAGE.contains(&format!("`{card}` {} × {}", size.0, size.1))
        );
        // Width and height stand at bytes 16 to 24 of a PNG (PNG specification, 11.2.2).
        let png = fs::read(out.join(format!("cards/T1-{card}.png"))).unwrap();
        let number = |at: usize| u32::from_be_bytes(png[at..at + 4].try_into().unwrap());
        assert_eq!((number(16), number(20)), size);
    }
    assert!(out.join("cards/T1-wide-clear.svg").is_file() && out.join("data/observations.csv").is_file());
}
