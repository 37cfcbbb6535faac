//! Meters that nobody has seen, each simulated on a real pseudo-terminal: `halfpanel identify` hears three
//! presses on the tile, writes a profile, and that profile reads the same meter's other values.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;

use halfpanel::meter::Emission;
use halfpanel::meter::Line;
use halfpanel::meter::LineOutcome;
use halfpanel::meter::Profile;
use halfpanel::meter::Scenario;
use halfpanel::meter::SimulatedMeter;
use halfpanel::meter::Spot;
use halfpanel::meter::Way;
use halfpanel::units::Geometry;
use process::Line as Pty;
use process::Meter;
use process::Running;
use process::halfpanel;
use process::output;
use serde_json::Value;
use std::path::Path;
use std::path::PathBuf;
use std::time::Duration;

/// Truths on the tile and in a zone; no noise, so that every value is known.
const SURFACES: &str = r#"
[tile]
truth_gu = { 20 = 71.4, 60 = 92.4, 85 = 97.0 }
[[zone]]
panel = "P1"
zone = "C1"
truth_gu = { 20 = 8.3, 60 = 107.5, 85 = 45.2 }
"#;

/// A simulated meter of one layout, with what it says besides.
struct Bench {
    meter: SimulatedMeter,
    before: &'static str,
    behind: &'static str,
}

impl Bench {
    fn new(layout: &str) -> Bench {
        let text = format!("seed = 1\n[layout]\n{layout}\n{SURFACES}");
        let scenario = Scenario::load("bench.toml", &text).unwrap_or_else(|problem| panic!("{problem}"));
        Bench { meter: SimulatedMeter::new(scenario), before: "", behind: "" }
    }

    fn with(self, before: &'static str, behind: &'static str) -> Bench {
        Bench { before, behind, ..self }
    }

    fn press(&mut self, spot: &Spot) -> Vec<u8> {
        self.meter.place(spot).unwrap();
        let mut bytes = self.before.as_bytes().to_vec();
        for emission in self.meter.press() {
            if let Emission::Bytes(line) = emission {
                bytes.extend(line);
            }
        }
        bytes.extend(self.behind.as_bytes());
        bytes
    }
}

fn zone() -> Spot {
    Spot::Zone { panel: "P1".to_owned(), zone: "C1".to_owned() }
}

/// What is left of a dialogue with the program.
struct Told {
    folder: tempfile::TempDir,
    code: Option<i32>,
    events: Vec<Value>,
    errors: String,
}

impl Told {
    fn profile(&self) -> Profile {
        let text = std::fs::read_to_string(self.path())
            .unwrap_or_else(|_| panic!("no profile: {:?} {}", self.events.last(), self.errors));
        Profile::load("my-meter.toml", &text).unwrap()
    }

    fn path(&self) -> PathBuf {
        self.folder.path().join("my-meter.toml")
    }

    fn event(&self, name: &str) -> &Value {
        let found = self.events.iter().find(|event| event["event"] == name);
        found.unwrap_or_else(|| panic!("no {name}: {:?} {}", self.events, self.errors))
    }
}

/// Lets the program listen, and presses when it asks for it.
fn identify(arguments: &[&str], mut press: impl FnMut() -> Vec<u8>) -> Told {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("meter");
    let mut meter = Meter::linked(&port);
    let mut run = start(folder.path(), &port, arguments);
    let mut events = Vec::new();
    while let Some(event) = run.event() {
        if event["event"] == "press" || event["event"] == "listening" {
            meter.send(&press());
        }
        events.push(event);
    }
    let (status, _, errors) = run.end();
    Told { folder, code: status.code(), events, errors }
}

fn start(folder: &Path, port: &Path, arguments: &[&str]) -> Running {
    let mut command = halfpanel();
    command
        .arg("identify")
        .arg(port)
        .args(["--json", "--out"])
        .arg(folder.join("my-meter.toml"))
        .args(arguments);
    Running::start(&mut command)
}

/// What a profile makes of bytes: values, `-` for a line that is passed over, `?` for one that is refused.
fn read(profile: &Profile, bytes: &[u8]) -> String {
    let mut found = Vec::new();
    profile.assembler().feed(bytes, |line| {
        let Line::Whole(line) = line else { panic!("too long") };
        match profile.reader().read(line) {
            LineOutcome::Values { gloss, .. } => {
                found.extend(gloss.iter().map(|(g, value)| format!("{}:{value}", g.text())));
            }
            LineOutcome::Ignored => found.push("-".to_owned()),
            LineOutcome::Refused(refusal) => found.push(format!("?{}", refusal.code())),
        }
    });
    found.join(" ")
}

/// Identifies the meter without knowing the tile, and reads the zone by the profile.
fn zone_read_after(mut bench: Bench, arguments: &[&str]) -> String {
    let told = identify(arguments, || bench.press(&Spot::Tile));
    assert_eq!(told.code, Some(0), "{:?} {}", told.events.last(), told.errors);
    read(&told.profile(), &bench.press(&zone()))
}

#[test]
fn separators_of_all_kinds() {
    for line in [
        "{geometry};{gloss}",
        "{geometry},{gloss},GU",
        "{geometry}\\t{gloss}\\tGU",
        "{geometry} {gloss} GU",
        "{sequence:04}|{geometry}|{gloss}|GU|{status}",
    ] {
        assert_eq!(zone_read_after(Bench::new(&format!("line = \"{line}\"")), &[]), "60:107.5", "{line}");
    }
}

#[test]
fn numbered_lines_with_unit_and_status() {
    let bench = Bench::new("line = '{sequence:04};{geometry};{gloss};GU;{status}'");
    assert_eq!(zone_read_after(bench, &[]), "60:107.5");
}

#[test]
fn a_label_before_the_value() {
    for line in ["GLOSS({geometry}): {gloss:6} GU", "G{geometry}={gloss}", "{geometry} deg {gloss}GU"] {
        assert_eq!(zone_read_after(Bench::new(&format!("line = '{line}'")), &[]), "60:107.5", "{line}");
    }
}

#[test]
fn a_decimal_comma_and_lines_that_end_in_cr() {
    let bench = Bench::new("line = '{sequence:03};{geometry};{gloss};GE'\ndecimal = ','\nend = 'cr'");
    assert_eq!(zone_read_after(bench, &[]), "60:107.5");
}

#[test]
fn a_comma_between_fields_and_before_decimals() {
    let bench = Bench::new("line = '{geometry},{gloss},GU'\ndecimal = ','");
    assert_eq!(zone_read_after(bench, &[]), "60:107.5");
}

#[test]
fn three_angles_in_a_line_each_by_its_label() {
    let bench = Bench::new("line = 'G20={gloss_20} G60={gloss_60} G85={gloss_85}'");
    assert_eq!(zone_read_after(bench, &[]), "20:8.3 60:107.5 85:45.2");
}

#[test]
fn two_angles_in_a_line_by_the_tile_alone() {
    // Not in the usual order, and nothing in the line tells.
    let bench = Bench::new("line = '{gloss_60};{gloss_20}'");
    let tile = ["--tile", "20=71.4", "--tile", "60=92.4"];
    assert_eq!(zone_read_after(bench, &tile), "20:8.3 60:107.5");
}

#[test]
fn three_lines_a_press() {
    let mut bench = Bench::new("line = '{sequence:04};{geometry};{gloss};GU'\ngeometries = [60, 20, 85]");
    let told = identify(&[], || bench.press(&Spot::Tile));
    assert_eq!(told.code, Some(0), "{:?} {}", told.events.last(), told.errors);
    let profile = told.profile();
    assert_eq!(read(&profile, &bench.press(&zone())), "60:107.5 20:8.3 85:45.2");
    // A run takes them for one reading.
    let joining = profile.joining().expect("they are joined");
    assert_eq!(*joining.order, [Geometry::Deg60, Geometry::Deg20, Geometry::Deg85]);
}

#[test]
fn letters_for_the_angles_by_the_tile() {
    let words = "geometry_words = { A = 20, B = 60 }\ngeometries = [20, 60]";
    let bench = Bench::new(&format!("line = '{{geometry}};{{gloss}}'\n{words}"));
    assert_eq!(zone_read_after(bench, &["--tile", "20=71.4", "--tile", "60=92.4"]), "20:8.3 60:107.5");
}

#[test]
fn stx_etx_and_a_checksum_behind_it() {
    let checksum = "checksum = { kind = \"crc-16\", crc = \"kermit\" }";
    let line =
        r#"line = "\u0002{checksum_from}{sequence:04} {geometry} {gloss}\u0003{checksum_to}{checksum}""#;
    let mut bench = Bench::new(&format!("{line}\n{checksum}"));
    let told = identify(&[], || bench.press(&Spot::Tile));
    assert_eq!(told.code, Some(0), "{:#?}", told.events);
    let profile = told.profile();
    assert!(profile.text().contains("crc = \"kermit\""), "{}", profile.text());
    let mut fresh = bench.press(&zone());
    assert_eq!(read(&profile, &fresh), "60:107.5");
    fresh[10] ^= 1;
    assert!(read(&profile, &fresh).starts_with('?'), "{}", profile.text());
}

#[test]
fn a_dollar_a_star_and_two_hex_digits() {
    let line = "line = '${checksum_from}{sequence:04},{geometry},{gloss}{checksum_to}*{checksum}'";
    let mut bench = Bench::new(&format!("{line}\nchecksum = {{ kind = \"xor\" }}"));
    let told = identify(&[], || bench.press(&Spot::Tile));
    let profile = told.profile();
    assert!(profile.text().contains("kind = \"xor\""), "{}", profile.text());
    for _ in 0..20 {
        assert_eq!(read(&profile, &bench.press(&zone())), "60:107.5");
    }
}

#[test]
fn columns_of_fixed_width() {
    let bench = Bench::new("line = '{sequence:5}{geometry:4}{gloss:8} {status}'");
    assert_eq!(zone_read_after(bench, &[]), "60:107.5");
}

#[test]
fn headings_battery_and_date_between() {
    let bench = Bench::new("line = '{geometry};{gloss};GU'")
        .with("GLOSS METER\r\nDATE 2026-03-04 10:12\r\n", "BAT 80 %\r\n");
    let fresh = zone_read_after(bench, &[]);
    assert_eq!(fresh, "- - 60:107.5 -");
}

#[test]
fn a_bare_value_at_the_angle_that_the_user_names() {
    let bench = Bench::new("line = '{gloss:7}'\ngeometries = [85]");
    assert_eq!(zone_read_after(bench, &["--geometry", "85"]), "85:45.2");
}

#[test]
fn a_temperature_beside_the_gloss_is_told_apart_by_the_tile_and_leaves_a_doubt_without_it() {
    let mut bench = Bench::new("line = '{geometry};23.1;{gloss}'");
    let told = identify(&[], || bench.press(&Spot::Tile));
    assert_eq!(told.code, Some(1));
    assert!(!told.path().exists(), "nothing may be written");
    let proposal = told.event("proposal");
    assert!(proposal["best"]["doubts"].to_string().contains("steady number too"), "{proposal}");
    assert!(proposal["second"]["confidence"].as_f64().unwrap() > 0.3, "{proposal}");
    let told = identify(&["--tile", "60=92.4"], || bench.press(&Spot::Tile));
    assert_eq!(told.code, Some(0), "{:?}", told.events);
    assert_eq!(read(&told.profile(), &bench.press(&zone())), "60:107.5");
}

#[test]
fn a_wrong_tile_is_not_written_down() {
    let mut bench = Bench::new("line = '{geometry};{gloss};GU'");
    let told = identify(&["--tile", "60=50"], || bench.press(&Spot::Tile));
    assert_eq!(told.code, Some(1));
    assert!(told.event("not-written")["why"].as_str().unwrap().contains("below 0.60"));
}

#[test]
fn a_stream_of_ten_lines_a_second() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("meter");
    let mut meter = Meter::linked(&port);
    let mut run = start(folder.path(), &port, &["--geometry", "60"]);
    let mut value = "0.2";
    let mut events: Vec<Value> = Vec::new();
    // Forty seconds of the stream, of which it needs a quarter.
    for _ in 0..400 {
        match run.line_within(Duration::from_millis(100)) {
            Some(line) => {
                let event: Value = serde_json::from_str(&line).unwrap();
                match event["event"].as_str().unwrap() {
                    "hold-still" => value = "92.4",
                    "lift" => value = "0.2",
                    "written" | "not-written" => {
                        events.push(event);
                        break;
                    }
                    _ => {}
                }
                events.push(event);
            }
            None => meter.send_to_whoever_is_there(format!("{value}\r\n").as_bytes()),
        }
    }
    let (status, _, errors) = run.end();
    assert_eq!(status.code(), Some(0), "{events:?} {errors}");
    let text = std::fs::read_to_string(folder.path().join("my-meter.toml")).unwrap();
    let profile = Profile::load("my-meter.toml", &text).unwrap();
    let Way::Stream(rule) = profile.way() else { panic!("{text}") };
    assert_eq!(rule.lift_below_gu.unwrap().to_string(), "3", "{text}");
    assert_eq!(read(&profile, b"107.5\r\n"), "60:107.5");
}

#[test]
fn a_meter_that_is_asked_gets_the_request_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let pty = Pty::open();
    let ask = ["--ask", r"READ?\r", "--yes"];
    let mut run = start(folder.path(), pty.path(), &ask);
    let mut heard = String::new();
    // Once to find the settings, three times on the tile; the meter sends the request back.
    for _ in 0..4 {
        heard.push_str(&pty.hear(6));
        pty.send(b"READ?\r\n60 92.4 GU\r\n");
    }
    let mut events = Vec::new();
    while let Some(event) = run.event() {
        events.push(event);
    }
    let (status, _, errors) = run.end();
    assert_eq!(status.code(), Some(0), "{events:?} {errors}");
    assert_eq!(heard, "READ?\r".repeat(4));
    let text = std::fs::read_to_string(folder.path().join("my-meter.toml")).unwrap();
    let profile = Profile::load("my-meter.toml", &text).unwrap();
    let Way::Ask(asking) = profile.way() else { panic!("{text}") };
    assert_eq!((&*asking.request, asking.echo), (b"READ?\r".as_slice(), true));
    assert_eq!(read(&profile, b"20 107.5 GU\r\n"), "20:107.5");
}

#[test]
fn a_file_that_is_there_is_kept_and_a_port_that_is_not_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("my-meter.toml");
    std::fs::write(&file, "mine").unwrap();
    let kept = output(["identify", "/nowhere/port", "--out", file.to_str().unwrap()]);
    assert_eq!(kept.code, Some(2));
    assert!(kept.stderr.contains("is there already") && kept.stderr.contains("--force"), "{}", kept.stderr);
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "mine");
    let gone = output(["identify", "/nowhere/port", "--force", "--out", file.to_str().unwrap()]);
    assert_eq!(gone.code, Some(2));
    assert!(gone.stderr.contains("there is no port /nowhere/port"), "{}", gone.stderr);
}

#[test]
fn a_line_on_which_nothing_comes_ends_in_what_to_look_at() {
    let folder = tempfile::tempdir().unwrap();
    let pty = Pty::open();
    let mut run = start(folder.path(), pty.path(), &["--baud", "9600", "--wait", "1"]);
    let last = run.until(|event| event["event"] == "not-written");
    assert!(last["why"].as_str().unwrap().contains("nothing came"), "{last}");
    assert!(last["hints"].to_string().contains("--ask 'READ?\\\\r'"), "{last}");
    assert_eq!(run.end().0.code(), Some(1));
}

/// A study of one treatment whose meter is the one to be found out.
const STUDY: &str = r#"
name = "Sealer on gelcoat"
[meter]
port = "/dev/null"
profile = "my-meter.toml"
[tile]
name = "Black glass tile 1"
[[tile.value]]
geometry_deg = 60
assigned_gu = 92.4
[procedure]
readings_per_zone = 1
[[panel]]
id = "P1"
width_mm = 300
height_mm = 280
control = ["C1", "C2"]
[[panel.row]]
names = ["C1", "C2"]
y_mm = 20
height_mm = 60
[[panel.row]]
names = ["A1", "A2"]
y_mm = 100
height_mm = 60
[[treatment]]
code = "T1"
name = "Harbour Sealer No. 4"
[[patch]]
treatment = "T1"
panel = "P1"
zones = ["A1", "A2"]
"#;

/// What the meter of that study sends: a temperature stands beside the gloss, which only the tile tells apart.
fn unseen_line(number: u32, tenths: u32) -> Vec<u8> {
    format!("M{number:05} / 23.4 / {}.{} / fine\n", tenths / 10, tenths % 10).into_bytes()
}

#[test]
fn from_the_plug_to_a_proven_run() {
    let folder = tempfile::tempdir().unwrap();
    let study = folder.path().join("harbour");
    std::fs::create_dir(&study).unwrap();
    std::fs::write(study.join("study.toml"), STUDY).unwrap();
    let port = folder.path().join("meter");
    let mut meter = Meter::linked(&port);
    let mut number = 0;
    let mut next = |tenths: u32| {
        number += 1;
        unseen_line(number, tenths)
    };
    let mut command = halfpanel();
    command.arg("identify").arg(&port).args(["--json", "--study"]).arg(&study);
    let mut run = Running::start(&mut command);
    let mut last = Value::Null;
    while let Some(event) = run.event() {
        if event["event"] == "press" || event["event"] == "listening" {
            meter.send(&next(924));
        }
        last = event;
    }
    assert_eq!(run.end().0.code(), Some(0), "{last}");
    assert_eq!(last["path"], study.join("my-meter.toml").to_str().unwrap());

    let mut run = Running::run(&study, Some(&port));
    let tenths = |want: &Value| match want["zone"].as_str() {
        None => 924,
        Some("C1") => 701,
        Some("C2") => 703,
        Some("A1") => 811,
        _ => 815,
    };
    process::follow(&mut run, |bytes| meter.send(bytes), |want| next(tenths(want)));
    let (status, _, errors) = run.end();
    assert_eq!(status.code(), Some(0), "{errors}");
    let results = process::rows(&study.join("results/results.csv"));
    assert_eq!(results[0]["status"], "proven");
    // (81.1 + 81.5) / 2 - (70.1 + 70.3) / 2
    assert_eq!(results[0]["difference_gu"], "11.1000");
}

#[test]
fn a_port_that_another_session_reads_is_left_alone() {
    let pty = Pty::open();
    let port = pty.path().to_str().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("my-meter.toml");
    let held = halfpanel::store::lock::for_port(port, "reading for harbour").unwrap();
    let busy = output(["identify", port, "--out", file.to_str().unwrap()]);
    drop(held);
    assert_eq!(busy.code, Some(2));
    assert!(busy.stderr.contains("in use") && busy.stderr.contains("reading for harbour"), "{}", busy.stderr);
}

#[test]
fn words_for_people_show_the_bytes_the_values_and_both_guesses() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("meter");
    let mut meter = Meter::linked(&port);
    let mut command = halfpanel();
    command.arg("identify").arg(&port).arg("--out").arg(folder.path().join("Meter 7.toml"));
    let mut run = Running::start(&mut command);
    let mut told = String::new();
    while let Some(line) = run.line() {
        if line.starts_with("listening") || line.starts_with("Press the meter's button on the tile") {
            meter.send(b"60;92.4;GU\r\n");
        }
        told.push_str(&line);
        told.push('\n');
    }
    assert_eq!(run.end().0.code(), Some(0), "{told}");
    for part in [
        "listening at 9600 baud, 8N1",
        r"heard 60;92.4;GU\r\n",
        "on the tile: 3 of 3",
        "60;92.4;GU  ->  92.4 GU at 60°",
        "Best guess, confidence 0.9",
        "Second best guess",
        "profile = \"Meter 7.toml\"",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    let text = std::fs::read_to_string(folder.path().join("Meter 7.toml")).unwrap();
    assert_eq!(Profile::load("m", &text).unwrap().name(), "meter-7");
}
