//! The daemon under requests that another program draws from its own description, most of them bad: a run that goes on
//! meanwhile loses nothing, memory stays bounded, and no answer blames the server. `HALFPANEL_PYTHON` names an
//! interpreter that has schemathesis beside it (`tests/requirements.txt`); without it this is skipped, aloud.
//! `HALFPANEL_CAMPAIGN` sets how many requests are drawn for each route and phase (30).

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;
#[path = "common/web.rs"]
mod web;

use process::Meter;
use process::STUDY;
use process::output;
use process::rows;
use std::fs;
use std::path::Path;
use std::path::PathBuf;
use std::process::Command;
use std::process::Stdio;
use web::Daemon;
use web::Events;

/// The figure that a run may add to memory: pages are a few hundred KiB, and the allocator keeps some.
const MOST_GROWN_KIB: u64 = 16 * 1024;

const VALUES: [&str; 8] = ["92.4", "92.4", "71.2", "78.9", "78.1", "70.6", "92.4", "92.4"];

fn tester() -> Option<PathBuf> {
    let python = std::env::var("HALFPANEL_PYTHON").ok().filter(|python| !python.is_empty())?;
    let tester = Path::new(&python).with_file_name("schemathesis");
    tester.exists().then_some(tester)
}

fn memory_kib(pid: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix("RssAnon:")).unwrap();
    line.trim().trim_end_matches(" kB").parse().unwrap()
}

#[test]
fn thousands_of_bad_requests_cost_a_run_nothing() {
    let Some(tester) = tester() else {
        eprintln!(
            "SKIPPED: HALFPANEL_PYTHON names no interpreter with schemathesis, so that nobody sent bad requests"
        );
        return;
    };
    let drawn = std::env::var("HALFPANEL_CAMPAIGN").unwrap_or_else(|_| "30".to_owned());
    let folder = tempfile::tempdir().unwrap();
    let (study, port) = (folder.path().join("harbour"), folder.path().join("port"));
    fs::create_dir(&study).unwrap();
    fs::write(study.join("study.toml"), STUDY.replace("sim:meter.toml", port.to_str().unwrap())).unwrap();
    let config = folder.path().join("tester.toml");
    fs::write(&config, "[parameters]\n\"path.slug\" = \"harbour\"\n").unwrap();
    let mut meter = Meter::linked(&port);
    let daemon = Daemon::serve(&[&study]);
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    events.until(|_, heard| heard.iter().any(|(says, _)| says.contains("line is up")));
    let before = memory_kib(daemon.running.pid());

    let mut press = |placement: usize| {
        meter.send(format!("60\t{}\r\n", VALUES[placement - 1]).as_bytes());
        events.until_taken(placement);
    };
    press(1);
    let testing = Command::new(tester)
        .arg("--config-file")
        .arg(&config)
        .arg("run")
        .arg(format!("http://{}/openapi.json", daemon.at))
        // A stream of events has no end to wait for.
        .args(["--exclude-path-regex", "events", "--phases", "examples,coverage,fuzzing", "--no-color"])
        .args(["--checks", "not_a_server_error,status_code_conformance,content_type_conformance"])
        .args(["--max-examples", &drawn, "--seed", "20813"])
        .current_dir(folder.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    (2..=5).for_each(&mut press);
    let tested = testing.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&tested.stdout);
    assert!(tested.status.success(), "{said}{}", String::from_utf8_lossy(&tested.stderr));
    (6..=8).for_each(&mut press);
    let grown = memory_kib(daemon.running.pid()).saturating_sub(before);
    let sent = said
        .lines()
        .find(|line| line.trim().ends_with(" generated") || line.contains(" generated, "))
        .unwrap_or_default()
        .trim();
    println!("{sent}; {grown} KiB more than before");
    assert!(grown < MOST_GROWN_KIB, "{grown} KiB more");
    events.until_over();
    assert_eq!(rows(&study.join("results/readings.csv")).len(), VALUES.len());
    assert_eq!(rows(&study.join("results/results.csv"))[0]["status"], "proven");
    let verified = output([Path::new("verify"), &study]);
    assert_eq!(verified.code, Some(0), "{}{}", verified.stdout, verified.stderr);
}
