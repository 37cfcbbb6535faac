//! How soon pages are told what the meter sent, and what many of them cost: the real process, a pseudo-terminal as the meter,
//! real sockets as pages. How a browser shows it is `page`'s business, and what the idle daemon costs `idle`'s.
//!
//! `cargo bench --bench many_pages`; behind `--` the number of pages (200). Linux only.
//!
//! - From the meter's write to the event at a page, the sync of the recording between them: with one page, and with all of
//!   them open.
//! - Memory with all pages open, through a run of some four hundred placements.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "a bench")]

mod common;
#[path = "../tests/common/process.rs"]
mod process;
#[path = "../tests/common/web.rs"]
mod web;

use common::{Board, quantile, status_kib};
use process::{Meter, STUDY};
use std::path::Path;
use std::time::Instant;
use web::{Daemon, Events};

/// Placements on each of the four zones.
const ON_EACH: usize = 100;
/// Two on the tile before, and two behind.
const WHOLE: usize = 4 * ON_EACH + 4;

fn main() {
    let pages = std::env::args().skip(1).find_map(|word| word.parse().ok()).unwrap_or(200);
    let mut board = Board::default();
    let folder = tempfile::tempdir().unwrap();
    for (name, pages) in [("one", 1), ("all", pages)] {
        run(folder.path(), name, pages, &mut board);
    }
    board.print();
}

fn bench(folder: &Path, name: &str) -> (Meter, Daemon) {
    let study = folder.join(name);
    std::fs::create_dir(&study).unwrap();
    let port = study.join("port");
    let text = STUDY.replace("sim:meter.toml", port.to_str().unwrap());
    let text = text.replace("[procedure]\n", &format!("[procedure]\nreadings_per_zone = {ON_EACH}\n"));
    std::fs::write(study.join("study.toml"), text).unwrap();
    (Meter::linked(&port), Daemon::serve(&[&study]))
}

fn run(folder: &Path, name: &str, pages: usize, board: &mut Board) {
    let (mut meter, daemon) = bench(folder, name);
    let mut page = Events::follow(&daemon, name);
    let others: Vec<_> = (1..pages)
        .map(|_| {
            let mut page = Events::follow(&daemon, name);
            std::thread::spawn(move || {
                page.until_over();
                web::taken(&page.heard)
            })
        })
        .collect();
    daemon.begin(name);
    page.until(|_, heard| heard.iter().any(|(says, _)| says.contains("line is up")));
    let mut took_ms = Vec::new();
    for placement in 1..=WHOLE {
        let on_tile = placement <= 2 || placement > WHOLE - 2;
        let line = if on_tile { &b"60\t92.4\r\n"[..] } else { b"60\t71.2\r\n" };
        let sent = Instant::now();
        meter.send(line);
        page.until_taken(placement);
        took_ms.push(sent.elapsed().as_secs_f64() * 1000.0);
    }
    let pid = daemon.running.pid();
    let own = kib(pid, "RssAnon:") / 1024.0;
    page.until_over();
    for other in others {
        // A page that is behind is sent the newest state; what it has not heard by then stays unheard.
        assert!(other.join().unwrap() > 0);
    }
    let with = if pages == 1 { "one page".to_owned() } else { format!("{pages} pages") };
    board.put(
        &format!("{with}: from the meter's write to the event, median"),
        quantile(&mut took_ms, 0.5),
        "ms",
        None,
    );
    let p99 = quantile(&mut took_ms, 0.99);
    board.put(&format!("{with}: from the meter's write to the event, p99"), p99, "ms", Some(100.0));
    board.put(&format!("{with}: memory of its own at the end of a run"), own, "MiB", None);
}

fn kib(pid: u32, key: &str) -> f64 {
    status_kib(pid, key).map_or(f64::NAN, |kib| kib as f64)
}
