//! `listen` and `ports` as the owner of a meter meets them, over real processes and pseudo-terminals.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;

use halfpanel::meter::shipped;
use process::Line;
use process::Meter;
use process::PATIENCE;
use process::Running;
use process::output;
use serde_json::Value;
use std::ffi::OsStr;
use std::fs;
use std::path::Path;
use std::path::PathBuf;

/// Starts to listen, and waits until the line is up.
fn listening(port: &Path, more: &[&str]) -> Running {
    let mut command = process::halfpanel();
    command.arg("listen").arg(port).arg("--json").args(more);
    let mut listening = Running::start(&mut command);
    listening.until(|event| event["event"] == "link" && event["up"] == true);
    listening
}

fn of_line(event: &Value) -> bool {
    event["event"] == "line"
}

fn recording(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/recordings").join(name)
}

#[test]
fn each_line_is_told_with_its_end_and_what_the_profile_makes_of_it() {
    let line = Line::open();
    let mut listening = listening(line.path(), &["--profile", "tab-60", "--lines", "3"]);
    line.send(b"60\t85.3\r\n60\t85.4\t!\n\n60\t85.5\r");
    let first = listening.until(of_line);
    assert_eq!((&first["text"], &first["end"]), (&r"60\t85.3".into(), &r"\r\n".into()));
    assert_eq!((&first["made"], &first["gloss_gu"]["60"]), (&"values".into(), &"85.3".into()));
    let second = listening.until(of_line);
    assert_eq!((&second["made"], &second["why"]), (&"refused".into(), &"field-count".into()));
    assert!(second["reason"].as_str().unwrap().contains("has 3 fields"), "{second}");
    assert_eq!(listening.until(of_line)["kind"], "blank");
    // Nothing comes behind its CR, and so it has to come out by itself.
    let last = listening.until(of_line);
    assert_eq!((&last["text"], &last["end"]), (&r"60\t85.5".into(), &r"\r".into()));
    let totals = listening.until(|event| event["event"] == "totals");
    assert_eq!(
        (&totals["lines"], &totals["with_values"], &totals["blank"]),
        (&3.into(), &2.into(), &1.into())
    );
    assert_eq!(totals["refused"]["field-count"], 1);
    assert!(listening.end().0.success());
    assert_eq!(line.hear_all(), "", "something was written to the meter");
}

#[test]
fn a_line_that_does_not_end_is_shown_and_counted_when_listening_ends() {
    let line = Line::open();
    let mut listening = listening(line.path(), &[]);
    line.send(b"60\t8");
    let so_far = listening.until(of_line);
    assert_eq!((&so_far["kind"], &so_far["text"]), (&"so-far".into(), &r"60\t8".into()));
    assert_eq!(so_far.get("made"), None, "without a profile nothing is made of it");
    listening.signal(rustix::process::Signal::INT);
    assert_eq!(listening.until(of_line)["kind"], "cut-off");
    let totals = listening.until(|event| event["event"] == "totals");
    assert_eq!((&totals["bytes"], &totals["lines"]), (&4.into(), &1.into()));
    assert!(listening.end().0.success());
}

#[test]
fn bytes_that_would_move_a_terminal_never_reach_it_raw() {
    let line = Line::open();
    let mut command = process::halfpanel();
    command.arg("listen").arg(line.path()).args(["--profile", "tab-60", "--lines", "1", "--baud", "4800"]);
    let listening = Running::start(&mut command);
    let (send, ended) = std::sync::mpsc::channel();
    std::thread::spawn(move || send.send(listening.end()));
    // What comes before the port is open is told as old; so it is sent until it was heard.
    let (status, rows, errors) = loop {
        line.send(b"\x1b]0;owned\x07\x1b[2J\x9b31m\xe2\x80\xae\r\n");
        if let Ok(ended) = ended.recv_timeout(std::time::Duration::from_millis(100)) {
            break ended;
        }
    };
    assert!(status.success(), "{errors}");
    let said = rows.join("\n");
    assert!(said.contains(r"`\x1b]0;owned\x07\x1b[2J\x9b31m\xe2\x80\xae` \r\n"), "{said}");
    assert!(said.contains("refused: "), "{said}");
    assert!(errors.contains("4800 baud, 8N1"), "{errors}");
    let raw = |text: &str| text.chars().any(|c| c.is_control() && c != '\n' || c == '\u{202e}');
    assert!(!raw(&said) && !raw(&errors), "{said:?} {errors:?}");
}

#[test]
fn listening_goes_on_when_the_meter_is_plugged_in_again() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("meter");
    let mut meter = Meter::linked(&port);
    let mut listening = listening(&port, &["--lines", "1"]);
    meter.unplug();
    listening.until(|event| event["event"] == "link" && event["up"] == false);
    meter.plug_in();
    listening.until(|event| event["event"] == "link" && event["up"] == true);
    meter.send(b"60\t85.3\r\n");
    assert_eq!(listening.until(of_line)["text"], r"60\t85.3");
    assert!(listening.end().0.success());
}

#[test]
fn a_port_that_is_listened_to_is_locked_and_shown_as_held() {
    let folder = tempfile::tempdir().unwrap();
    let line = Line::open();
    let study = folder.path().join("harbour");
    assert_eq!(output([OsStr::new("init"), study.as_os_str()]).code, Some(0));
    let text = fs::read_to_string(study.join("study.toml")).unwrap();
    let named = text.replace("sim:meter.toml", line.path().to_str().unwrap());
    assert_ne!(text, named);
    fs::write(study.join("study.toml"), named).unwrap();
    let listening = listening(line.path(), &[]);

    let second = output([OsStr::new("listen"), line.path().as_os_str()]);
    assert_eq!(second.code, Some(2));
    let who = format!("halfpanel (process {})", listening.pid());
    assert!(second.stderr.contains(&who), "{}", second.stderr);

    let ports = output([OsStr::new("ports"), study.as_os_str()]);
    assert_eq!(ports.code, Some(0), "{}", ports.stderr);
    assert!(ports.stdout.contains(&format!("{}\n", line.path().display())), "{}", ports.stdout);
    assert!(ports.stdout.contains(&format!("in use    by {who}")), "{}", ports.stdout);
    let ports = output([OsStr::new("ports"), study.as_os_str(), OsStr::new("--json")]);
    let all: Vec<Value> = serde_json::from_str(&ports.stdout).unwrap();
    let port = all.iter().find(|port| port["device"] == line.path().to_str().unwrap()).unwrap();
    assert_eq!(port["held_by"][0]["pid"], listening.pid());
    assert_eq!((&port["may_use"], &port["studies"][0]), (&true.into(), &study.to_str().unwrap().into()));

    listening.signal(rustix::process::Signal::TERM);
    assert!(listening.end().0.success());
    let ports = output([OsStr::new("ports"), study.as_os_str()]);
    assert!(ports.stdout.contains("in use    no"), "{}", ports.stdout);
}

#[test]
fn a_study_whose_port_is_away_is_told_and_one_that_is_none_ends_in_2() {
    let folder = tempfile::tempdir().unwrap();
    let study = folder.path().join("harbour");
    assert_eq!(output([OsStr::new("init"), study.as_os_str()]).code, Some(0));
    let ports = output([OsStr::new("ports"), study.as_os_str()]);
    assert!(ports.stderr.contains("a simulated meter"), "{}", ports.stderr);
    let text = fs::read_to_string(study.join("study.toml")).unwrap();
    fs::write(study.join("study.toml"), text.replace("sim:meter.toml", "/nowhere/at/all")).unwrap();
    let ports = output([OsStr::new("ports"), study.as_os_str(), OsStr::new("--json")]);
    assert!(ports.stderr.contains("/nowhere/at/all"), "{}", ports.stderr);
    assert!(serde_json::from_str::<Value>(&ports.stdout).unwrap().is_array());
    assert_eq!(output([OsStr::new("ports"), folder.path().as_os_str()]).code, Some(2));
}

#[test]
fn a_recording_is_gone_through_by_its_own_profile_or_another() {
    let path = recording("proven.rec");
    let own = output([OsStr::new("listen"), path.as_os_str(), OsStr::new("--json")]);
    assert_eq!(own.code, Some(0), "{}", own.stderr);
    let events: Vec<Value> = own.stdout.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    // As the bytes stand in the recording itself.
    let text = fs::read_to_string(&path).unwrap();
    let first = text.lines().find(|line| line.contains(r#""k":"bytes""#)).unwrap();
    let record: Value = serde_json::from_str(&first[9..]).unwrap();
    let line = events.iter().find(|event| of_line(event)).unwrap();
    assert_eq!((&line["record"], &line["at_us"]), (&record["n"], &record["t"]));
    assert_eq!(line["made"], "values");
    let totals = events.last().unwrap();
    assert_eq!((&totals["event"], &totals["refused"]), (&"totals".into(), &serde_json::json!({})));
    assert_eq!(totals["with_values"], totals["lines"]);
    let other = output([
        OsStr::new("listen"),
        path.as_os_str(),
        OsStr::new("--profile"),
        OsStr::new("comma-decimal"),
        OsStr::new("--lines"),
        OsStr::new("2"),
    ]);
    assert!(other.stdout.contains("By the profile comma-decimal: 0 with values"), "{}", other.stdout);
    assert!(other.stdout.contains("2 refused"), "{}", other.stdout);
}

#[test]
fn what_cannot_be_listened_to_is_told_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let path = |path: &Path| path.to_str().unwrap().to_owned();
    let record = path(&recording("proven.rec"));
    for (arguments, said) in [
        (vec![path(folder.path())], "--study"),
        (vec!["/nowhere/at/all".to_owned()], "there is no port /nowhere/at/all"),
        (vec!["/dev/null".to_owned()], "it is not a serial port"),
        (vec!["sim:meter.toml".to_owned()], "halfpanel simulate"),
        (vec![record.clone(), "--baud".to_owned(), "9600".to_owned()], "leave the settings of the line out"),
        (vec![record, "--profile".to_owned(), "tab-6".to_owned()], "did you mean tab-60?"),
        (vec![], "--study"),
    ] {
        let ended = output(std::iter::once("listen".to_owned()).chain(arguments.clone()));
        assert_eq!(ended.code, Some(2), "{arguments:?}");
        assert!(ended.stderr.contains(said), "{arguments:?}: {}", ended.stderr);
    }
}

#[test]
fn listening_ends_by_itself_and_silence_is_told_with_what_to_look_at() {
    let line = Line::open();
    let mut command = process::halfpanel();
    command.arg("listen").arg(line.path()).args(["--seconds", "1"]);
    let mut listening = Running::start(&mut command);
    let mut said = String::new();
    while let Some(row) = listening.line_within(PATIENCE) {
        said.push_str(&row);
        said.push(' ');
    }
    assert!(said.contains("Nothing came.") && said.contains("--baud"), "{said}");
    assert!(listening.end().0.success());
}

#[test]
fn what_to_mind_of_the_meter_is_said_before_its_lines() {
    let folder = tempfile::tempdir().unwrap();
    let profile = folder.path().join("mine.toml");
    let text = shipped::text("tab-60").unwrap();
    fs::write(&profile, format!("{text}\n[meter]\naverages = 3\nswitches_off_after_min = 5\n")).unwrap();
    let line = Line::open();
    let told = output([
        "listen".as_ref(),
        line.path().as_os_str(),
        "--profile".as_ref(),
        profile.as_os_str(),
        "--seconds".as_ref(),
        "1".as_ref(),
    ]);
    assert!(told.stderr.contains("Mind: this meter switches itself off after 5 min"), "{}", told.stderr);
    assert!(told.stderr.contains("mean of 3 readings"), "{}", told.stderr);
}
