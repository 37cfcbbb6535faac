//! The commands as a person or a script meets them: what they print, what they refuse and with which exit
//! code, over real processes, files and pseudo-terminals.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;

use assert_cmd::Command;
use halfpanel::session::ports;
use process::Line;
use process::Meter;
use process::PATIENCE;
use process::Running;
use process::STUDY;
use process::SURFACES;
use process::follow;
use process::recordings;
use process::rows;
use rustix::process::Signal;
use serde_json::Value;
use std::ffi::OsStr;
use std::fs;
use std::path::Path;
use std::path::PathBuf;
use std::process::Stdio;
use tempfile::TempDir;

/// These surfaces under the simulated meter, without noise: each value tells its zone. Time runs fast.
fn meter() -> String {
    format!("seed = 1\ntime_factor = 500\n[layout]\nline = \"{{geometry}}\\t{{gloss}}\"\n{SURFACES}")
}

const FILES: [&str; 8] = [
    "readings.csv",
    "tile-checks.csv",
    "zones.csv",
    "results.csv",
    "budget.csv",
    "contrasts.csv",
    "treatments.csv",
    "datapackage.json",
];

/// The value on each spot, as the meter prints it.
fn truth(zone: &str) -> &'static str {
    match zone {
        "" => "92.4",
        "C1" => "71.2",
        "C2" => "70.6",
        "A1" => "78.9",
        "A2" => "78.1",
        other => panic!("no zone {other}"),
    }
}

fn line(want: &Value) -> Vec<u8> {
    format!("60\t{}\r\n", truth(want["zone"].as_str().unwrap_or(""))).into_bytes()
}

fn study_of(folder: &TempDir, name: &str) -> PathBuf {
    let study = folder.path().join(name);
    fs::create_dir(&study).unwrap();
    fs::write(study.join("study.toml"), STUDY).unwrap();
    fs::write(study.join("meter.toml"), meter()).unwrap();
    study
}

/// Runs a command to its end; it must end with that code. Returns what it printed, output and errors.
fn halfpanel<S: AsRef<OsStr>>(arguments: impl IntoIterator<Item = S>, code: i32) -> (String, String) {
    let mut command = Command::from_std(process::halfpanel());
    let ended = command.args(arguments).timeout(PATIENCE).assert().code(code);
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    let output = ended.get_output();
    (text(&output.stdout), text(&output.stderr))
}

/// A word for a command, and a path behind it.
fn on<'a>(command: &'a str, path: &'a Path) -> Vec<&'a OsStr> {
    vec![command.as_ref(), path.as_os_str()]
}

/// A whole, proven run by the simulated meter within the program.
fn whole_run(study: &Path) {
    let (said, errors) = halfpanel(["run".as_ref(), study.as_os_str(), "--json".as_ref()], 0);
    assert!(said.contains(r#"{"event":"end","state":"complete""#), "{said}{errors}");
    holds_every_reading(study);
}

/// The last run of a study is proven, and each zone has the reading that belongs to it.
fn holds_every_reading(study: &Path) {
    let run = recordings(study).last().unwrap().file_stem().unwrap().to_str().unwrap().to_owned();
    let mut readings = rows(&study.join("results/readings.csv"));
    readings.retain(|row| row["run"] == run);
    assert_eq!(readings.len(), 2 + 4 + 2, "{readings:?}");
    for row in &readings {
        assert_eq!(row["gloss_gu"], truth(&row["zone"]), "in the wrong zone: {row:?}");
        assert_eq!(row["status"], "proven", "{row:?}");
    }
    let results = rows(&study.join("results/results.csv"));
    let row = results.iter().find(|row| row["run"] == run).unwrap();
    // (78.9 + 78.1) / 2 - (71.2 + 70.6) / 2
    assert_eq!((row["difference_gu"].as_str(), row["status"].as_str()), ("7.6000", "proven"));
}

fn contents(folder: &Path) -> Vec<Vec<u8>> {
    FILES.iter().map(|name| fs::read(folder.join(name)).unwrap()).collect()
}

/// A run that waits at its opening check, its line being up.
fn waiting_run(study: &Path, port: &Path) -> Running {
    let mut run = Running::run(study, Some(port));
    run.until(|event| event["event"] == "link" && event["up"] == true);
    run
}

#[test]
fn the_help_of_every_command_has_an_example() {
    let (help, _) = halfpanel(["--help"], 0);
    assert!(help.contains("Example: halfpanel "), "{help}");
    let listed = help.split("Commands:").nth(1).unwrap().split("\n\n").next().unwrap();
    let names: Vec<&str> = listed.lines().filter_map(|line| line.split_whitespace().next()).collect();
    for wanted in ["init", "run", "simulate", "replay", "verify", "demo"] {
        assert!(names.contains(&wanted), "{names:?}");
    }
    for name in names.into_iter().filter(|name| *name != "help") {
        let (help, _) = halfpanel([name, "--help"], 0);
        assert!(
            help.contains(&format!("halfpanel {name}")) && help.contains("Example: halfpanel "),
            "{help}"
        );
    }
}

#[test]
fn init_makes_a_study_and_writes_over_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let study = folder.path().join("harbour");
    halfpanel(on("init", &study), 0);
    fs::write(study.join("meter.toml"), "mine").unwrap();
    let before = fs::read(study.join("study.toml")).unwrap();
    let (_, errors) = halfpanel(on("init", &study), 2);
    assert!(errors.contains("is there already") && errors.contains("hint: name another folder"), "{errors}");
    assert_eq!(fs::read(study.join("study.toml")).unwrap(), before);
    // One of the files alone is reason enough, and the other is not made then.
    fs::remove_file(study.join("study.toml")).unwrap();
    halfpanel(on("init", &study), 2);
    assert_eq!(fs::read(study.join("meter.toml")).unwrap(), b"mine");
    assert!(!study.join("study.toml").exists());
}

#[test]
fn a_run_without_a_study_says_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    for command in ["run", "verify"] {
        let (_, errors) = halfpanel(on(command, folder.path()), 2);
        assert!(errors.contains("is not a study: it has no study.toml"), "{errors}");
        assert!(errors.contains(&format!("halfpanel init {}", folder.path().display())), "{errors}");
    }
    let (_, errors) = halfpanel(["run"], 2);
    assert!(errors.contains("<STUDY>"), "{errors}");
}

#[test]
fn a_second_run_on_a_study_is_refused_by_name_and_readers_are_not() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    let meter = Line::open();
    let first = waiting_run(&study, meter.path());
    // By another port, so that it is the study that is in use.
    let other = Line::open();
    let port = other.path().as_os_str();
    let (_, errors) = halfpanel(["run".as_ref(), study.as_os_str(), "--port".as_ref(), port], 2);
    assert!(errors.contains("the study is in use"), "{errors}");
    assert!(errors.contains(&first.pid().to_string()), "{errors}");
    assert_eq!(recordings(&study).len(), 1);
    // Its tables may be behind its recording at this instant, which is a failed check and no refusal.
    let verified = process::output(on("verify", &study));
    assert!(matches!(verified.code, Some(0 | 1)), "{}", verified.stderr);
    assert!(verified.stdout.contains(": open, "), "{}", verified.stdout);
    // An open run proves nothing yet.
    let (said, errors) = halfpanel(on("replay", &study), 1);
    assert!(said.contains("no result") && !errors.contains("in use"), "{said}{errors}");
}

#[test]
fn a_port_that_another_study_reads_is_refused_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let (one, other) = (study_of(&folder, "one"), study_of(&folder, "other"));
    let meter = Line::open();
    let first = waiting_run(&one, meter.path());
    let port = meter.path().as_os_str();
    let (_, errors) = halfpanel(["run".as_ref(), other.as_os_str(), "--port".as_ref(), port], 2);
    assert!(errors.contains("in use") && errors.contains(&first.pid().to_string()), "{errors}");
    assert!(errors.contains(one.to_str().unwrap()), "{errors}");
    // By another name of the same device it is found to be taken as well.
    let name = folder.path().join("by-id");
    std::os::unix::fs::symlink(meter.path(), &name).unwrap();
    let (_, errors) = halfpanel(["run".as_ref(), other.as_os_str(), "--port".as_ref(), name.as_os_str()], 2);
    assert!(errors.contains("in use") && errors.contains(&first.pid().to_string()), "{errors}");
    assert!(recordings(&other).is_empty(), "a run was begun all the same");
}

#[test]
fn a_port_that_is_not_there_is_told_with_those_that_are() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    let (_, errors) =
        halfpanel(["run".as_ref(), study.as_os_str(), "--port".as_ref(), "/dev/ttyNOPE7".as_ref()], 2);
    assert!(errors.contains("there is no port /dev/ttyNOPE7") && errors.contains("hint: "), "{errors}");
    let there = ports::list();
    if there.is_empty() {
        assert!(errors.contains("no other serial port"), "{errors}");
    }
    // In the message itself: the hint names one of them too.
    let errors = errors.split("hint: ").next().unwrap();
    for port in there {
        assert!(errors.contains(port.best_name()), "{} is missing: {errors}", port.best_name());
    }
}

/// Waits until bytes that end no line have come to the recording; no event tells of them.
fn until_recorded(study: &Path, bytes: &str) {
    let record = format!("\"d\":{}", serde_json::to_string(bytes).unwrap());
    for _ in 0..PATIENCE.as_millis() {
        if fs::read_to_string(&recordings(study)[0]).unwrap().contains(&record) {
            return;
        }
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
    panic!("{record} never came to the recording");
}

#[test]
fn a_meter_unplugged_in_mid_line_comes_back_under_its_name_and_nothing_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    let port = folder.path().join("meter");
    let mut meter = Meter::linked(&port);
    let mut run = Running::run(&study, Some(&port));
    let mut presses = 0;
    let mut hand = process::Hand::default();
    let mut events = Vec::new();
    while let Some(event) = run.event() {
        hand.hear(&event);
        events.push(event);
        let Some(want) = hand.press() else { continue };
        presses += 1;
        let line = line(&want);
        match presses {
            // On the tile, and on a zone: the first time the name is gone for a while.
            2 | 6 => {
                meter.send(&line[..5]);
                until_recorded(&study, std::str::from_utf8(&line[..5]).unwrap());
                if presses == 2 {
                    meter.unplug();
                    meter.plug_in();
                } else {
                    meter.replug();
                }
            }
            _ => meter.send(&line),
        }
    }
    assert_eq!(run.end().0.code(), Some(0));
    let links: Vec<bool> = events.iter().filter(|e| e["event"] == "link").map(|e| e["up"] == true).collect();
    assert_eq!(links.iter().filter(|up| **up).count(), 3, "{links:?}");
    let refused: Vec<&Value> = events.iter().filter(|e| e["event"] == "refused").collect();
    assert!(refused.iter().all(|e| e["why"] == "cut-off") && refused.len() == 2, "{refused:?}");
    holds_every_reading(&study);
}

#[test]
fn bytes_from_before_the_run_are_recorded_and_never_read() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    let meter = Line::open();
    meter.send(b"60\t11.1\r\n");
    let mut run = Running::run(&study, Some(meter.path()));
    follow(&mut run, |bytes| meter.send(bytes), line);
    assert_eq!(run.end().0.code(), Some(0));
    holds_every_reading(&study);
    let recording = fs::read_to_string(&recordings(&study)[0]).unwrap();
    assert!(recording.contains(r#""d":"60\t11.1\r\n""#), "{recording}");
}

#[test]
fn sigterm_stops_cleanly_and_the_run_is_taken_up() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    let meter = Line::open();
    let mut run = waiting_run(&study, meter.path());
    meter.send(b"60\t92.4\r\n");
    run.until(|event| event["event"] == "reading");
    run.signal(Signal::TERM);
    let (status, _, errors) = run.end();
    // Stopped, not killed; and an open run is not proven.
    assert_eq!(status.code(), Some(1), "{errors}");
    let (said, _) = halfpanel(on("verify", &study), 0);
    assert!(said.contains(": open, 1 readings") && !said.contains("torn"), "{said}");

    let mut run = Running::run(&study, Some(meter.path()));
    let started = run.until(|event| event["event"] == "started");
    assert_eq!((&started["resumed"], &started["readings"]), (&Value::Bool(true), &Value::from(1)));
    follow(&mut run, |bytes| meter.send(bytes), line);
    assert_eq!(run.end().0.code(), Some(0));
    assert_eq!(recordings(&study).len(), 1);
    holds_every_reading(&study);
}

#[test]
fn a_torn_tail_is_told_kept_and_costs_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    let meter = Line::open();
    let mut run = waiting_run(&study, meter.path());
    meter.send(b"60\t92.4\r\n");
    run.until(|event| event["event"] == "reading");
    run.signal(Signal::KILL);
    run.end();
    let path = &recordings(&study)[0];
    let mut bytes = fs::read(path).unwrap();
    bytes.extend(b"0123abcd {\"n\":4,\"t\":");
    fs::write(path, &bytes).unwrap();
    let (said, _) = halfpanel(on("verify", &study), 1);
    assert!(said.contains("torn tail of 20 bytes"), "{said}");
    let (_, errors) = halfpanel(on("replay", &study), 1);
    assert!(errors.contains("torn tail of 20 bytes"), "{errors}");
    assert_eq!(fs::read(path).unwrap(), bytes, "reading changed the file");

    let mut run = Running::run(&study, Some(meter.path()));
    follow(&mut run, |bytes| meter.send(bytes), line);
    let (status, _, errors) = run.end();
    assert_eq!(status.code(), Some(0), "{errors}");
    assert!(errors.contains("torn tail of 20 bytes is cut off and kept"), "{errors}");
    assert!(fs::read_to_string(path).unwrap().contains(r#""torn":"0123abcd {\"n\":4,\"t\":""#));
    halfpanel(on("verify", &study), 0);
    holds_every_reading(&study);
}

#[test]
fn a_flipped_bit_is_named_by_line_and_byte() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    whole_run(&study);
    halfpanel(on("verify", &study), 0);
    let path = &recordings(&study)[0];
    let mut bytes = fs::read(path).unwrap();
    // In the fourth line, so that 92.4 GU becomes 92.5 GU and all else still fits.
    let ends: Vec<usize> = (0..bytes.len()).filter(|&at| bytes[at] == b'\n').collect();
    let at = bytes[ends[2]..ends[3]].windows(4).position(|w| w == b"92.4").unwrap();
    bytes[ends[2] + at + 3] ^= 0x01;
    fs::write(path, &bytes).unwrap();
    let (said, _) = halfpanel(on("verify", &study), 1);
    let place = format!("{}:4: damaged at byte {}", path.display(), ends[2] + 1);
    assert!(said.contains(&place), "{place} is not in: {said}");
    let (_, errors) = halfpanel(on("replay", &study), 2);
    assert!(errors.contains(&place) && errors.contains("hint: "), "{errors}");
}

#[test]
fn a_study_changed_after_a_run_is_named_and_changes_no_table() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    whole_run(&study);
    let before = contents(&study.join("results"));
    fs::write(study.join("study.toml"), STUDY.replace("assigned_gu = 92.4", "assigned_gu = 97.4")).unwrap();
    let (said, _) = halfpanel(on("verify", &study), 0);
    assert!(said.contains("study.toml says otherwise now"), "{said}");
    assert!(said.contains("92.4 in the recording, 97.4 in study.toml now"), "{said}");
    let out = folder.path().join("again");
    halfpanel(["replay".as_ref(), study.as_os_str(), "--out".as_ref(), out.as_os_str()], 0);
    assert!(contents(&out) == before, "the tables in {} differ", out.display());
}

#[test]
fn results_that_were_deleted_come_back_byte_for_byte() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    whole_run(&study);
    whole_run(&study);
    let results = study.join("results");
    let before = contents(&results);
    fs::remove_dir_all(&results).unwrap();
    let (said, _) = halfpanel(on("verify", &study), 1);
    assert!(said.contains("readings.csv:1: differs"), "{said}");
    halfpanel(["replay".as_ref(), study.as_os_str(), "--out".as_ref(), results.as_os_str()], 0);
    assert!(contents(&results) == before, "the tables do not come back as they were");
    halfpanel(on("verify", &study), 0);
}

#[test]
fn a_changed_digit_is_found_by_file_and_line() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    whole_run(&study);
    let table = study.join("results/readings.csv");
    let expect =
        ["replay".as_ref(), study.as_os_str(), "--expect".as_ref(), table.parent().unwrap().as_os_str()];
    halfpanel(expect, 0);
    let text = fs::read_to_string(&table).unwrap();
    assert!(text.lines().nth(4).unwrap().contains(",78.9,"), "{text}");
    fs::write(&table, text.replacen(",78.9,", ",78.8,", 1)).unwrap();
    let (said, _) = halfpanel(expect, 1);
    assert!(said.contains(&format!("{}:5: differs", table.display())), "{said}");
    assert!(said.contains(",78.8,") && said.contains(",78.9,"), "{said}");
    let (said, _) = halfpanel(on("verify", &study), 1);
    assert!(said.contains("readings.csv:5: differs"), "{said}");
}

/// What a failing command writes on a terminal.
fn on_a_terminal(study: &Path, no_color: bool) -> String {
    let terminal = Line::open();
    let stderr = fs::File::options().write(true).open(terminal.path()).unwrap();
    let mut command = process::halfpanel();
    command.args(on("run", study)).stdin(Stdio::null()).stdout(Stdio::null()).stderr(stderr);
    if no_color {
        command.env("NO_COLOR", "1");
    }
    let status = command.status().unwrap();
    assert_eq!(status.code(), Some(2));
    // The command holds its copy of the descriptor: given back, so that reading comes to an end.
    drop(command);
    terminal.hear_all()
}

#[test]
fn colour_is_for_terminals_only_and_no_color_is_heeded() {
    let folder = tempfile::tempdir().unwrap();
    assert!(on_a_terminal(folder.path(), false).contains("\x1b["), "there is no colour to be left out");
    let plain = on_a_terminal(folder.path(), true);
    assert!(plain.contains("is not a study") && !plain.contains('\x1b'), "{plain:?}");
    let study = study_of(&folder, "study");
    let piped = [
        halfpanel(["--help"], 0),
        halfpanel(on("run", folder.path()), 2),
        halfpanel(on("run", &study), 0),
        halfpanel(on("verify", &study), 0),
        halfpanel(on("replay", &study), 0),
    ];
    for (said, errors) in piped {
        assert!(!said.contains('\x1b') && !errors.contains('\x1b'), "{said:?} {errors:?}");
    }
}

#[test]
fn an_unknown_key_is_told_with_its_place_and_the_nearest_key() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    fs::write(study.join("study.toml"), STUDY.replace("tile_readings = 2", "tile_reading = 2")).unwrap();
    let (_, errors) = halfpanel(on("run", &study), 2);
    let place = format!("{}:12:1: unknown key `tile_reading`", study.join("study.toml").display());
    assert!(errors.contains(&place) && errors.contains("did you mean `tile_readings`?"), "{errors}");
}

#[test]
fn a_run_is_completed_between_two_processes_and_so_is_the_next() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    let port = folder.path().join("meter");
    for _ in 0..2 {
        let mut simulate = process::halfpanel();
        simulate.arg("simulate").arg(study.join("meter.toml")).arg("--link").arg(&port);
        let mut meter = Running::start(simulate.arg("--follow").arg(&study));
        assert_eq!(meter.line().unwrap(), format!("port {}", port.display()));
        let run = Running::run(&study, Some(&port));
        let (status, said, errors) = run.end();
        assert_eq!(status.code(), Some(0), "{said:?} {errors}");
        let (status, _, errors) = meter.end();
        assert_eq!(status.code(), Some(0), "{errors}");
        assert!(!port.is_symlink(), "the link outlives the meter");
        holds_every_reading(&study);
    }
    assert_eq!(recordings(&study).len(), 2);
}

#[test]
fn the_meter_alone_carries_a_run_without_standard_input() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    whole_run(&study);
    for stdin in ["</dev/null", "<&-"] {
        let mut shell = Command::new("sh");
        shell.args(["-c", &format!("exec \"$0\" run \"$1\" --json {stdin}")]);
        shell.arg(env!("CARGO_BIN_EXE_halfpanel")).arg(&study).timeout(PATIENCE).assert().code(0);
        holds_every_reading(&study);
    }
}

#[test]
fn a_word_on_standard_input_is_taken_and_a_wrong_one_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    let meter = Line::open();
    let mut run = waiting_run(&study, meter.path());
    meter.send(b"60\t92.1\r\n");
    run.until(|event| event["event"] == "reading");
    run.say("hurry");
    run.say("undo");
    let told = run.until(|event| event["event"] == "told");
    assert_eq!((&told["what"], &told["placement"]), (&Value::from("undone"), &Value::from(1)));
    run.signal(Signal::TERM);
    let (_, _, errors) = run.end();
    assert!(errors.contains("hurry"), "{errors}");
}

#[test]
fn the_simulated_hand_comes_through_every_fault() {
    let faults = [
        ("garbage", ""),
        ("cut", "seconds = 0.5"),
        ("cut", "after_bytes = 1\nseconds = 100"),
        ("silence", "seconds = 10"),
        ("unplug", "seconds = 5"),
        ("unplug", "after_bytes = 4\nseconds = 5"),
        ("error", "word = \"LOW\""),
        ("repeat", ""),
    ];
    let folder = tempfile::tempdir().unwrap();
    std::thread::scope(|threads| {
        for (at, (kind, keys)) in faults.into_iter().enumerate() {
            let study = study_of(&folder, &format!("{kind}-{at}"));
            threads.spawn(move || {
                let layout = "line = \"{sequence:04};{geometry};{gloss};GU;{status}\"";
                // On the tile, on a zone in the middle, and on the last line of all.
                let fault = |line| format!("[[fault]]\nline = {line}\nkind = \"{kind}\"\n{keys}\n");
                let meter = meter().replace("line = \"{geometry}\\t{gloss}\"", layout);
                assert_ne!(meter, self::meter());
                fs::write(study.join("meter.toml"), meter + &fault(1) + &fault(4) + &fault(9)).unwrap();
                let profile = STUDY.replace("tab-60", "semicolon-numbered");
                fs::write(study.join("study.toml"), profile).unwrap();
                whole_run(&study);
            });
        }
    });
}

#[test]
fn what_a_killed_write_left_behind_is_swept_by_the_next_run() {
    let folder = tempfile::tempdir().unwrap();
    let study = study_of(&folder, "study");
    fs::create_dir(study.join("recordings")).unwrap();
    let left = study.join("recordings").join(".2026-06-01-01.rec.a1b2c3.half-written");
    fs::write(&left, "half").unwrap();
    let (_, _) = halfpanel(["run".as_ref(), study.as_os_str(), "--json".as_ref()], 0);
    assert!(!left.exists());
}
