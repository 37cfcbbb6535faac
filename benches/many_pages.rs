//! A run beside many open pages: how soon each change is sent to a page that reads, what the pages cost the daemon in
//! memory, and whether a reading is lost. The real process, a pseudo-terminal as the meter, real sockets as pages; beside
//! it the same run with a single page. How soon a browser shows the change is measured by `page`.
//!
//! `cargo bench --bench many_pages`; behind `--` the number of pages (200). Eight more clients ask for the events and
//! never read them. Linux only.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "a bench")]

mod common;
#[path = "../tests/common/process.rs"]
mod process;
#[path = "../tests/common/web.rs"]
mod web;

use common::{Board, quantile, status_kib};
use process::{Meter, STUDY, rows};
use std::io::Write;
use std::net::TcpStream;
use std::path::Path;
use std::time::Instant;
use web::{Daemon, Events};

/// Placements on each of the four zones.
const ON_EACH: usize = 100;
/// Two on the tile before, and two behind.
const WHOLE: usize = 4 * ON_EACH + 4;
/// Clients that never read.
const DEAF: usize = 8;

/// What a run came to.
struct Found {
    /// From the meter's write to the event at the page that is read first, ms.
    took_ms: Vec<f64>,
    /// Memory of the daemon's own before the pages and at the end of the run, and the most it was resident, MiB.
    before_mib: f64,
    after_mib: f64,
    peak_mib: f64,
    /// Placements that are not in the tables as proven.
    lost: usize,
}

fn main() {
    let pages = std::env::args().skip(1).find_map(|word| word.parse().ok()).unwrap_or(200);
    let folder = tempfile::tempdir().unwrap();
    let mut one = run(folder.path(), "one", 1, 0);
    let mut many = run(folder.path(), "many", pages, DEAF);
    let mut board = Board::default();
    let median = quantile(&mut many.took_ms, 0.5);
    board.put(&format!("{pages} pages: from the meter's write to the event, median"), median, "ms", None);
    board.put("  p99", quantile(&mut many.took_ms, 0.99), "ms", Some(100.0));
    board.put("  median beside that of one page", median / quantile(&mut one.took_ms, 0.5), "times", None);
    board.put("readings lost", many.lost as f64, "", Some(0.0));
    board.put("daemon's own memory before the pages", many.before_mib, "MiB", None);
    board.put("  at the end of the run", many.after_mib, "MiB", None);
    board.put("  beside one page, at the end of the run", one.after_mib, "MiB", None);
    board.put("resident at most", many.peak_mib, "MiB", None);
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

fn run(folder: &Path, name: &str, pages: usize, deaf: usize) -> Found {
    let (mut meter, daemon) = bench(folder, name);
    let pid = daemon.running.pid();
    let mib = |key| status_kib(pid, key).unwrap() as f64 / 1024.0;
    let before_mib = mib("RssAnon:");
    let mut page = Events::follow(&daemon, name);
    let _deaf: Vec<TcpStream> = (0..deaf).map(|_| ask_for_events(&daemon.at, name)).collect();
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
    page.until_over();
    let (after_mib, peak_mib) = (mib("RssAnon:"), mib("VmHWM:"));
    for other in others {
        // A page that is behind is sent the newest state; what it has not heard by then stays unheard.
        assert!(other.join().unwrap() > 0);
    }
    let readings = rows(&folder.join(name).join("results/readings.csv"));
    let proven = readings.iter().filter(|row| row["status"] == "proven").count();
    Found { took_ms, before_mib, after_mib, peak_mib, lost: WHOLE - proven }
}

/// Asks for the events of a study, and leaves it at that.
fn ask_for_events(at: &str, slug: &str) -> TcpStream {
    let mut stream = TcpStream::connect(at).unwrap();
    write!(stream, "GET /s/{slug}/events HTTP/1.1\r\nHost: {at}\r\nAccept: text/event-stream\r\n\r\n")
        .unwrap();
    stream
}
