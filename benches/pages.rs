//! What the daemon costs and how soon a page shows what the meter sent: the real process, a pseudo-terminal as the meter,
//! real sockets as pages.
//!
//! `cargo bench --bench pages`; behind `--` the number of pages (200). Linux only.
//!
//! - Idle: one meter, no run, one page, for ten seconds: resident memory, CPU time, and how often the daemon woke up.
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
use std::time::{Duration, Instant};
use web::{Daemon, Events};

/// Placements on each of the four zones.
const ON_EACH: usize = 100;
/// Two on the tile before, and two behind.
const WHOLE: usize = 4 * ON_EACH + 4;

fn main() {
    let pages = std::env::args().skip(1).find_map(|word| word.parse().ok()).unwrap_or(200);
    let mut board = Board::default();
    let folder = tempfile::tempdir().unwrap();
    idle(folder.path(), &mut board);
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

fn idle(folder: &Path, board: &mut Board) {
    const LOOK: Duration = Duration::from_secs(10);
    let (_meter, daemon) = bench(folder, "idle");
    let mut page = Events::follow(&daemon, "idle");
    page.next();
    daemon.get_page("/s/idle/");
    let pid = daemon.running.pid();
    let (cpu, woken) = (cpu_ms(pid), wakeups(pid));
    std::thread::sleep(LOOK);
    board.put("idle, one page: resident", kib(pid, "VmRSS:") / 1024.0, "MiB", Some(15.0));
    board.put("idle, one page: memory of its own", kib(pid, "RssAnon:") / 1024.0, "MiB", None);
    board.put("idle, one page: CPU time in 10 s", cpu_ms(pid) - cpu, "ms", Some(10.0));
    board.put("idle, one page: wake-ups in 10 s", (wakeups(pid) - woken).max(0.0), "", None);
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

/// CPU time of a process, user and system, in milliseconds; the system counts in hundredths of a second.
fn cpu_ms(pid: u32) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
    fields[11..13].iter().map(|ticks| ticks.parse::<f64>().unwrap() * 10.0).sum()
}

/// How often the threads of a process were put to work again.
fn wakeups(pid: u32) -> f64 {
    let threads = std::fs::read_dir(format!("/proc/{pid}/task")).unwrap();
    let of = |thread: std::io::Result<std::fs::DirEntry>| {
        let status = std::fs::read_to_string(thread.unwrap().path().join("status")).unwrap_or_default();
        let line = status.lines().find_map(|line| line.strip_prefix("voluntary_ctxt_switches:"));
        line.and_then(|count| count.trim().parse::<f64>().ok()).unwrap_or(0.0)
    };
    threads.map(of).sum()
}
