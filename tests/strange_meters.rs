//! The stranger's test: six meters whose code, layouts, words, checksums and line ends no other test has, each
//! behind a pseudo-terminal. For each a profile that was written from its notes with
//! `protocol-notes/line-profiles.md` alone takes a whole run of the real program; then `halfpanel identify` finds a
//! profile by itself, and that one takes a run, too. What the tables must have is what the device says it sent.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "strange_meters/bench.rs"]
mod bench;
#[path = "strange_meters/devices.rs"]
mod devices;
#[path = "common/process.rs"]
mod process;

use bench::{Device, Powered, Sent, Way, follow};
use devices::{Columns, Echoer, Pusher, Scpi, Streamer, ThreeAngles};
use process::{Running, halfpanel, rows};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::Duration;

const PUSHER: &str = r#"
name = "two-colons"
[line]
end = "\x04"
prefix = "\x01"
decimal = ","
decimals = 2
separator = "::"
fields = ["skip", "geometry", "gloss", "unit", "mark"]
units = ["gu"]
ignore = ['\x01BAT::\d+~[0-9a-f]{4}']
[checksum]
kind = "crc-16"
polynomial = 0x8bb7
hex = "lower"
separator = "~"
from = "after-prefix"
[marks]
fresh = ["v"]
average = ["m"]
memory = ["r"]
[[example]]
line = "\x01M7::60::084,71::gu::v~CRC0"
gloss_60 = "84.71"
"#;

const ECHOER: &str = r#"
name = "prompting"
[line]
decimals = 2
pattern = '(?<geometry>\d\ddeg):(?<gloss>[+-]\d{3}\.\d\d|--\.--):(?<unit>Gu)'
geometry_words = { 20deg = 20, 60deg = 60, 85deg = 85 }
units = ["Gu"]
ignore = ['> g 60']
[reading]
how = "ask"
request = 'g 60\r'
timeout_ms = 700
tries = 2
echo = true
[status.errors]
"--.--" = "no light comes back"
[[example]]
line = "60deg:+084.71:Gu"
gloss_60 = "84.71"
[[example]]
line = "> g 60"
ignored = true
[[example]]
line = "60deg:--.--:Gu"
refused = true
"#;

const SCPI: &str = r#"
name = "two-exponents"
[line]
end = "lf"
separator = ","
fields = ["gloss_60", "gloss_20"]
notation = "scientific"
decimals = 3
[reading]
how = "ask"
start = ['*cls\n', 'disp:enab off\n']
request = ':meas:gloss? (@60,20)\n'
timeout_ms = 700
tries = 2
error_query = 'Syst:Error:Next?\n'
resolution_gu = "0.01"
[status.errors]
"+9.91E+37" = "it is no number; the error queue says why"
[[example]]
line = "+8.471E+01,+8.041E+01"
gloss_60 = "84.71"
gloss_20 = "80.41"
"#;

const STREAMER: &str = r#"
name = "three-keys"
[line]
end = "cr"
pattern = 'v=(?<gloss>\d+\.\d\d) t=\d+\.\d s=(?<status>\d)'
geometry_deg = 60
decimals = 2
[reading]
how = "stream"
window = 5
settle = 3
away = 3
spread_gu = "0.05"
lift_below_gu = "2"
[status]
ok = ["0"]
[status.errors]
1 = "it is in the air"
2 = "it is too bright"
[[example]]
line = "v=84.71 t=23.4 s=0"
gloss_60 = "84.71"
[[example]]
line = "v=00.25 t=23.4 s=1"
refused = true
"#;

const THREE_ANGLES: &str = r#"
name = "slashes"
[line]
encoding = "latin-1"
decimal = ","
decimals = 2
pattern = '20°/60°/85°=(?<gloss_20>\d+,\d\d)/(?<gloss_60>\d+,\d\d)/(?<gloss_85>\d+,\d\d) (?<unit>\S+) #(?<sequence>\d+)'
units = ["Gl.E."]
ignore = ['Glanz .*', 'Akku \d,\d V']
[sequence]
first = 0
last = 31
[[example]]
line = "20°/60°/85°=91,20/84,71/99,90 Gl.E. #17"
gloss_20 = "91.20"
gloss_60 = "84.71"
gloss_85 = "99.90"
sequence = 17
[[example]]
line = "Glanz 20°/60°/85°"
ignored = true
"#;

const COLUMNS: &str = r#"
name = "label-printer"
[serial]
data_bits = 7
parity = "even"
[line]
end = "lf"
columns = [
    { field = "mark", from = 10, to = 10 },
    { field = "geometry", from = 12, to = 12 },
    { field = "gloss", from = 14, to = 20 },
    { field = "unit", from = 22, to = 23 },
    { field = "status", from = 25, to = 28 },
]
rest = "any"
decimals = 2
geometry_words = { S = 20, M = 60, L = 85 }
[marks]
fresh = [""]
memory = ["M"]
[status]
ok = ["good"]
[status.errors]
warm = "the lamp is not ready"
[[example]]
line = "12:04:31   M   84.71 GU good T23.4C op=Jo"
gloss_60 = "84.71"
"#;

/// A study of two zones a side, with the tile's value at these angles.
fn study(folder: &Path, profile: &str, angles: &[u32]) {
    let value =
        |angle: u32, gloss: &str| format!("[[tile.value]]\ngeometry_deg = {angle}\nassigned_gu = {gloss}\n");
    let one = value(60, "92.4");
    assert!(process::STUDY.contains(&one));
    let all: String = [(20, "88.1"), (60, "92.4"), (85, "97.0")]
        .into_iter()
        .filter(|(angle, _)| angles.contains(angle))
        .map(|(angle, gloss)| value(angle, gloss))
        .collect();
    let text = process::STUDY
        .replace(&one, &all)
        .replace("[procedure]\n", &format!("[procedure]\ngeometries = {angles:?}\n"))
        .replace("tab-60", "mine.toml");
    fs::write(folder.join("study.toml"), text).unwrap();
    fs::write(folder.join("mine.toml"), profile).unwrap();
}

/// A whole run by this profile. All its events, with the tables held to what the device sent.
fn run(device: Box<dyn Device>, way: Way, profile: &str, angles: &[u32]) -> Vec<Value> {
    let folder = tempfile::tempdir().unwrap();
    study(folder.path(), profile, angles);
    let meter = Powered::on(device);
    let mut running = Running::run(folder.path(), Some(meter.path()));
    let events = follow(&mut running, &meter, way);
    let (status, _, errors) = running.end();
    assert_eq!(status.code(), Some(0), "{errors}\n{events:#?}");
    hold(&rows(&folder.path().join("results/readings.csv")), &meter.off(), way, angles);
    let checks = rows(&folder.path().join("results/tile-checks.csv"));
    assert!(
        checks.len() == 2 * angles.len() && checks.iter().all(|row| row["passed"] == "true"),
        "{checks:?}"
    );
    let results = rows(&folder.path().join("results/results.csv"));
    assert!(results.len() == angles.len() && results.iter().all(|row| row["status"] == "proven"));
    events
}

/// Every reading is what was sent, on the spot where it was sent, in its order, and there is no other.
fn hold(readings: &[BTreeMap<String, String>], sent: &[Sent], way: Way, angles: &[u32]) {
    let mut in_table = readings.iter();
    for placement in sent {
        for (angle, value) in placement.values.iter().filter(|(angle, _)| angles.contains(angle)) {
            let row = in_table.next().unwrap_or_else(|| panic!("{placement:?} stands in no table"));
            let spot = if row["zone"].is_empty() { "tile" } else { &row["zone"] };
            assert_eq!(
                (spot, &row["geometry_deg"]),
                (placement.spot.as_str(), &angle.to_string()),
                "{row:?}"
            );
            assert_eq!(row["status"], "proven");
            // A reading out of a stream is one of the values around it.
            let apart = row["gloss_gu"].parse::<f64>().unwrap() - value.parse::<f64>().unwrap();
            let is_it =
                if way == Way::Stream { (-0.001..0.011).contains(&apart) } else { row["gloss_gu"] == *value };
            assert!(is_it, "{value} was sent: {row:?}");
        }
    }
    assert_eq!(in_table.next(), None, "nobody sent this");
}

/// Codes of what was refused and told, in their order.
fn said(events: &[Value]) -> Vec<&str> {
    let code = |event: &'static str, key: &'static str| {
        move |e: &&Value| (e["event"] == event).then(|| e[key].as_str().unwrap()).is_some()
    };
    let refused = events.iter().filter(code("refused", "why")).map(|e| e["why"].as_str().unwrap());
    let told = events.iter().filter(code("told", "what")).map(|e| e["what"].as_str().unwrap());
    refused.chain(told).collect()
}

#[test]
fn the_checksum_of_the_pusher_is_that_of_the_catalogue() {
    assert_eq!(devices::crc_t10_dif(b"123456789"), 0xd0db);
}

fn pusher_profile() -> String {
    let crc = devices::crc_t10_dif(b"M7::60::084,71::gu::v");
    PUSHER.replace("CRC0", &format!("{crc:04x}"))
}

#[test]
fn push_with_a_checksum_of_no_preset() {
    let events = run(Box::new(Pusher::new(true)), Way::Press, &pusher_profile(), &[60]);
    assert_eq!(said(&events), ["wrong-checksum", "average", "from-memory"]);
}

#[test]
fn ask_with_an_echo_and_a_prompt() {
    let events = run(Box::new(Echoer::new(true)), Way::Ask, ECHOER, &[60]);
    assert_eq!(said(&events), ["error-word", "asked-again", "unfinished"]);
}

#[test]
fn ask_in_the_syntax_of_ieee_488_2_with_an_error_queue() {
    let events = run(Box::new(Scpi::new(true)), Way::Ask, SCPI, &[20, 60]);
    // Whoever asks at once, while the queue is read, is told to wait.
    let told: Vec<&str> = said(&events).into_iter().filter(|code| *code != "word-refused").collect();
    assert_eq!(told, ["error-word", "asked-again", "meter-error", "meter-error", "errors-read"]);
    let says = |part: &str| events.iter().any(|e| e["says"].as_str().is_some_and(|says| says.contains(part)));
    assert!(says("-113,") && says("-230,"));
}

#[test]
fn a_stream_of_ten_a_second() {
    let events = run(Box::new(Streamer::new(true)), Way::Stream, STREAMER, &[60]);
    assert!(said(&events).iter().all(|code| *code == "error-word"), "{:?}", said(&events));
}

#[test]
fn three_angles_in_a_line_with_numbers_that_begin_again() {
    let events = run(Box::new(ThreeAngles::new(true)), Way::Press, THREE_ANGLES, &[20, 60, 85]);
    assert_eq!(said(&events), ["sequence-repeated", "lines-lost"]);
}

#[test]
fn fixed_columns_with_junk_beside_them() {
    let events = run(Box::new(Columns::new(true)), Way::Press, COLUMNS, &[60]);
    let refused = said(&events);
    assert_eq!(refused.iter().filter(|code| **code == "error-word").count(), 1, "{refused:?}");
    assert_eq!(refused.iter().filter(|code| **code == "from-memory").count(), 1, "{refused:?}");
    assert!(refused.len() >= 4, "{refused:?}");
}

/// The profile that `identify` finds.
fn identified(device: Box<dyn Device>, way: Way, more: &[&str]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("found.toml");
    let meter = Powered::on(device);
    meter.put("tile");
    let mut command = halfpanel();
    command.arg("identify").arg(meter.path()).args(["--json", "--yes", "--out"]).arg(&path).args(more);
    let mut running = Running::start(&mut command);
    let mut events: Vec<Value> = Vec::new();
    loop {
        let is_searching =
            way == Way::Press && events.last().is_none_or(|event| event["event"] == "listening");
        // A person presses every now and then until something is heard.
        let line = match is_searching {
            true => running.line_within(Duration::from_millis(300)),
            false => running.line(),
        };
        let Some(line) = line else {
            if !is_searching {
                break;
            }
            assert!(events.len() < 9, "it was never heard: {events:#?}");
            meter.press();
            continue;
        };
        let event: Value = serde_json::from_str(&line).unwrap();
        match event["event"].as_str().unwrap() {
            "press" if way == Way::Press => drop(meter.press()),
            "lift" => meter.lift(),
            _ => {}
        }
        events.push(event);
    }
    let (status, _, errors) = running.end();
    assert_eq!(status.code(), Some(0), "{errors}\n{:#?}", events.last());
    fs::read_to_string(&path).unwrap()
}

/// What `identify` finds takes a whole run.
fn identify_and_run(device: fn() -> Box<dyn Device>, way: Way, more: &[&str], angles: &[u32]) -> String {
    let profile = identified(device(), way, more);
    let _ = run(device(), way, &profile, angles);
    profile
}

const TILE: [&str; 2] = ["--tile", "60=92.4"];

#[test]
fn identify_finds_the_pusher() {
    let profile = identify_and_run(|| Box::new(Pusher::new(false)), Way::Press, &TILE, &[60]);
    assert!(profile.contains("decimals = 2"), "{profile}");
}

#[test]
fn identify_finds_the_echoer() {
    let more = [&TILE[..], &["--ask", r"g 60\r"]].concat();
    let profile = identify_and_run(|| Box::new(Echoer::new(false)), Way::Ask, &more, &[60]);
    assert!(profile.contains("how = \"ask\""), "{profile}");
}

#[test]
fn identify_finds_two_exponents() {
    let more = ["--tile", "60=92.4", "--tile", "20=88.1", "--ask", r":meas:gloss? (@60,20)\n"];
    let profile = identify_and_run(|| Box::new(Scpi::new(false)), Way::Ask, &more, &[20, 60]);
    assert!(profile.contains("notation = \"scientific\""), "{profile}");
}

#[test]
fn identify_finds_the_stream() {
    let profile = identify_and_run(|| Box::new(Streamer::new(false)), Way::Stream, &TILE, &[60]);
    assert!(profile.contains("how = \"stream\""), "{profile}");
}

#[test]
fn identify_finds_three_angles() {
    let more = ["--tile", "60=92.4", "--tile", "20=88.1", "--tile", "85=97.0"];
    let profile = identify_and_run(|| Box::new(ThreeAngles::new(false)), Way::Press, &more, &[20, 60, 85]);
    assert!(profile.contains("latin-1"), "{profile}");
}

#[test]
fn identify_finds_columns() {
    identify_and_run(|| Box::new(Columns::new(false)), Way::Press, &TILE, &[60]);
}
