//! The rules of the house, as tests: which floor may import from which, and that the pure floors know
//! no clock, no file, no port and no runtime. A newcomer who breaks one is told at once.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

use std::fs;
use std::path::{Path, PathBuf};

/// Floors from the bottom up; a folder imports from its own floor and from those below. A plain text
/// search: it counts on `crate::folder` being written out wherever another folder is meant.
const FLOORS: [&[&str]; 7] = [
    &["units", "stats", "text", "store"],
    &["meter", "tile"],
    &["run"],
    &["study", "difference", "tables", "life", "board", "view"],
    &["session"],
    &["report", "bench"],
    &["cli"],
];

/// Folders in which whatever is not an argument cannot change a result.
const PURE: [&str; 14] = [
    "units",
    "stats",
    "text",
    "meter",
    "tile",
    "run",
    "study",
    "difference",
    "tables",
    "life",
    "board",
    "view",
    "report",
    "bench/page",
];

/// What a pure folder may not name. Clocks are refused by `clippy.toml` too, everywhere but in
/// `session/clock.rs`.
const IMPURE: [&str; 10] = [
    "tokio",
    "std::fs",
    "std::net",
    "std::thread",
    "std::env",
    "Instant",
    "SystemTime",
    "Utc::now",
    "Local::now",
    "serialport",
];

fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).unwrap().map(Result::unwrap) {
        let path = entry.path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            files.push(path);
        }
    }
    files
}

fn source(folder: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("src").join(folder)
}

/// Code without its comments, so that a doc comment may speak of what the code may not use.
fn code(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    text.lines().map(|line| line.split("//").next().unwrap()).collect::<Vec<_>>().join("\n")
}

#[test]
fn no_floor_imports_from_one_above() {
    for (floor, folders) in FLOORS.iter().enumerate() {
        for path in folders.iter().flat_map(|folder| rust_files(&source(folder))) {
            let code = code(&path);
            for above in FLOORS[floor + 1..].concat() {
                let reaches_up = code.contains(&format!("crate::{above}"));
                assert!(!reaches_up, "{}: floor {floor} imports `{above}`", path.display());
            }
        }
    }
}

#[test]
fn every_folder_has_its_floor() {
    for entry in fs::read_dir(source("")).unwrap().map(Result::unwrap) {
        let name = entry.file_name().into_string().unwrap();
        if entry.path().is_dir() {
            assert!(
                FLOORS.concat().contains(&name.as_str()),
                "src/{name} stands on no floor; put it on one here"
            );
        }
    }
}

#[test]
fn the_pure_floors_name_no_clock_no_file_no_port_and_no_runtime() {
    for path in PURE.iter().flat_map(|folder| rust_files(&source(folder))) {
        let code = code(&path);
        let code = code.split("#[cfg(test)]").next().unwrap();
        for word in IMPURE {
            assert!(!code.contains(word), "{}: a pure floor names `{word}`", path.display());
        }
    }
}

#[test]
fn only_the_store_touches_files() {
    // The simulator's pseudo-terminal keeps a link of its own name, and looking who holds a port reads
    // /proc, /sys and /etc/group, and whether a path is a terminal is asked of it: none of them holds anything of a study.
    let allowed = ["session/pty.rs", "session/ports.rs", "session/opening.rs", "session/problem.rs"];
    for folder in ["session", "report", "cli"] {
        for path in rust_files(&source(folder)) {
            let is_allowed = allowed.iter().any(|a| path.ends_with(a));
            assert!(
                is_allowed || !code(&path).contains("fs::"),
                "{}: file work belongs into store/",
                path.display()
            );
        }
    }
}

#[test]
fn files_stay_small_enough_to_know() {
    for path in FLOORS.concat().iter().flat_map(|folder| rust_files(&source(folder))) {
        let lines = fs::read_to_string(&path).unwrap().lines().count();
        assert!(lines <= 500, "{}: {lines} lines; would two rooms be easier to know?", path.display());
    }
}
