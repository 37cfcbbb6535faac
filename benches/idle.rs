//! What waiting costs: `halfpanel run` and `halfpanel serve` with a meter that says nothing. How soon the one is ready, how
//! much memory they have, how often they wake up; the daemon with one page, first without a run, then with one begun.
//! `cargo bench --bench idle`. Linux only. What many pages cost is measured by `many_pages`.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "a bench")]

mod common;
#[path = "../tests/common/process.rs"]
mod process;
#[path = "../tests/common/web.rs"]
mod web;

use common::{Board, HALFPANEL, cpu_s, median, status_kib};
use process::STUDY;
use rustix::fd::OwnedFd;
use rustix::pty::OpenptFlags;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, Instant};
use web::{Daemon, Events};

const STARTS: usize = 21;
const IDLE: Duration = Duration::from_secs(5);

fn main() {
    let folder = tempfile::tempdir().unwrap();
    let (_meter, port) = silent_meter();
    let mut board = Board::default();
    let mut ready: Vec<f64> = (0..STARTS).map(|n| start(folder.path(), n, &port).2).collect();
    board.put("run: start to `link` event", median(&mut ready), "ms", Some(50.0));

    let (running, out, _) = start(folder.path(), STARTS, &port);
    std::thread::sleep(Duration::from_secs(1));
    let pid = running.0.id();
    let before = wakes(pid);
    std::thread::sleep(IDLE);
    let woken = woken_since(&before, pid);
    let mib = |key| status_kib(pid, key).unwrap() as f64 / 1024.0;
    board.put("run that waits: memory (VmRSS)", mib("VmRSS:"), "MiB", Some(8.0));
    board.put("  of which its own (RssAnon)", mib("RssAnon:"), "MiB", None);
    board.put("  voluntary context switches in 5 s, all threads", woken, "", Some(0.0));
    drop(out);
    drop(running);
    let (meter, port) = silent_meter();
    serve(folder.path(), &port, &mut board);
    drop(meter);
    board.print();
}

/// The daemon, followed by one page: nobody is at the bench, and then a run waits for its meter.
fn serve(folder: &Path, port: &str, board: &mut Board) {
    let study = folder.join("harbour");
    std::fs::create_dir(&study).unwrap();
    std::fs::write(study.join("study.toml"), STUDY.replace("sim:meter.toml", port)).unwrap();
    let daemon = Daemon::serve(&[&study]);
    daemon.get_page("/s/harbour/");
    let mut page = Events::follow(&daemon, "harbour");
    page.next();
    wait(&daemon, "daemon, no run, one page", board);
    daemon.begin("harbour");
    page.until(|_, heard| heard.iter().any(|(says, _)| says.contains("line is up")));
    wait(&daemon, "daemon, a run and one page", board);
}

/// Looks at a daemon for ten seconds.
fn wait(daemon: &Daemon, what: &str, board: &mut Board) {
    std::thread::sleep(Duration::from_secs(1));
    let pid = daemon.running.pid();
    let (before, used) = (wakes(pid), cpu_s(pid));
    std::thread::sleep(2 * IDLE);
    let (woken, used) = (woken_since(&before, pid), cpu_s(pid) - used);
    let mib = |key| status_kib(pid, key).unwrap() as f64 / 1024.0;
    board.put(&format!("{what}: memory (VmRSS)"), mib("VmRSS:"), "MiB", Some(15.0));
    board.put("  of which its own (RssAnon)", mib("RssAnon:"), "MiB", None);
    board.put("  CPU in 10 s, user and system", used * 1e3, "ms", Some(10.0));
    board.put("  voluntary context switches in 10 s, all threads", woken, "", None);
}

/// Ended when dropped.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

/// A pseudo-terminal on which nobody says anything, and the name of the end to open.
fn silent_meter() -> (OwnedFd, String) {
    let master = rustix::pty::openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    rustix::pty::grantpt(&master).unwrap();
    rustix::pty::unlockpt(&master).unwrap();
    let name = rustix::pty::ptsname(&master, Vec::new()).unwrap().into_string().unwrap();
    (master, name)
}

/// Starts a run of a fresh study, and gives the time until it said that the meter's line is open, ms.
fn start(folder: &Path, n: usize, port: &str) -> (Running, BufReader<ChildStdout>, f64) {
    let study = folder.join(n.to_string());
    common::write_study(&study);
    let started = Instant::now();
    let child = Command::new(HALFPANEL)
        .arg("run")
        .arg(&study)
        .args(["--json", "--port", port])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut running = Running(child);
    let mut out = BufReader::new(running.0.stdout.take().unwrap());
    let mut line = String::new();
    while !line.contains("\"event\":\"link\"") {
        line.clear();
        assert!(out.read_line(&mut line).unwrap() > 0, "it ended before its link was up");
    }
    (running, out, started.elapsed().as_secs_f64() * 1e3)
}

/// How often each thread of a process gave up the processor by itself, that is: has slept and woken.
fn wakes(pid: u32) -> BTreeMap<PathBuf, u64> {
    let tasks = std::fs::read_dir(format!("/proc/{pid}/task")).unwrap();
    let of_task = |task: PathBuf| {
        // A thread may end at any time.
        let status = std::fs::read_to_string(task.join("status")).ok()?;
        let line = status.lines().find_map(|line| line.strip_prefix("voluntary_ctxt_switches:")).unwrap();
        Some((task, line.trim().parse::<u64>().unwrap()))
    };
    tasks.filter_map(|task| of_task(task.unwrap().path())).collect()
}

/// How often threads of a process woke since then; one that has ended meanwhile had nothing to do.
fn woken_since(before: &BTreeMap<PathBuf, u64>, pid: u32) -> f64 {
    wakes(pid).iter().map(|(task, count)| count - before.get(task).unwrap_or(&0)).sum::<u64>() as f64
}
