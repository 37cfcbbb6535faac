//! A run that goes on in the daemon while a test does other things: presses of the meter's button over a real
//! pseudo-terminal, each awaited on the page's event stream.

use crate::process::Line;
use crate::process::recordings;
use crate::raw_http::Daemon;
use crate::raw_http::Events;
use halfpanel::run::Replayed;
use halfpanel::run::record::Scanner;
use halfpanel::run::replay;
use std::path::Path;
use tempfile::TempDir;

const STUDY: &str = r#"
name = "Sealers on gelcoat, in bad company"
[meter]
port = "PORT"
profile = "tab-60"
[tile]
name = "Black glass tile 1"
[[tile.value]]
geometry_deg = 60
assigned_gu = 92.4
[procedure]
readings_per_zone = 20
tile_readings = 3
[[panel]]
id = "P1"
width_mm = 300
height_mm = 200
control = ["C1", "C2", "C3"]
[[panel.row]]
names = ["C1", "C2", "C3"]
y_mm = 20
height_mm = 60
[[panel.row]]
names = ["A1", "A2", "A3"]
y_mm = 100
height_mm = 60
[[treatment]]
code = "T1"
name = "Harbour Sealer No. 4"
[[patch]]
treatment = "T1"
panel = "P1"
zones = ["A1", "A2", "A3"]
applied_at = 2026-05-04T09:30:00+02:00
"#;

/// Three of the tile, twenty on each of six zones, three of the tile.
const PRESSES: usize = 3 + 6 * 20 + 3;

/// A study whose meter is the other end of a pseudo-terminal.
pub fn study() -> (TempDir, Line) {
    let line = Line::open();
    let folder = tempfile::tempdir().unwrap();
    let text = STUDY.replace("PORT", line.path().to_str().unwrap());
    std::fs::write(folder.path().join("study.toml"), text).unwrap();
    (folder, line)
}

/// The path of the bench page of the only study, such as `/s/harbour/`.
pub fn bench(daemon: &Daemon) -> String {
    bench_as(daemon, "")
}

/// The same for somebody who has paired.
pub fn bench_as(daemon: &Daemon, headers: &str) -> String {
    let answer = daemon.get("/", &format!("{headers}Accept: text/html\r\n"));
    answer.header("location").unwrap_or_else(|| panic!("{answer:?}")).to_owned()
}

/// The run and what was pressed so far, in tenths of a gloss unit.
pub struct Sitting {
    events: Events,
    pressed: Vec<u32>,
    study: std::path::PathBuf,
}

impl Sitting {
    /// Starts a run by POST, as the page does.
    pub fn begin(daemon: &Daemon, bench: &str, study: &Path) -> Sitting {
        let mut events = Events::listen(daemon.at, &format!("{bench}events"), "");
        let version = events.next().unwrap()["version"].clone();
        let start = format!("{{\"version\":{version}}}");
        let answer = daemon.post(&format!("{bench}start"), "application/json", &start, "");
        assert_eq!(answer.status, 200, "{answer:?}");
        Sitting { events, pressed: Vec::new(), study: study.to_owned() }
    }

    /// Whether the plan wants more, but for the last reading of the closing check.
    pub fn can_go_on(&self) -> bool {
        self.pressed.len() < PRESSES
    }

    /// One press; back once the page was told of it.
    pub fn press(&mut self, line: &Line) {
        let n = self.pressed.len();
        let on_the_tile = !(3..PRESSES - 3).contains(&n);
        let tenths = if on_the_tile { 924 } else { 710 + u32::try_from(n % 7).unwrap() };
        line.send(format!("60\t{}.{}\r\n", tenths / 10, tenths % 10).as_bytes());
        self.pressed.push(tenths);
        // On the disk before it is shown: the event that shows it finds it there.
        while recorded(&self.study).run.ledger().readings.len() < self.pressed.len() {
            self.events.next().expect("the stream ended while a reading was awaited");
        }
    }

    /// Holds the recording to what was pressed: nothing lost, nothing more, in that order, and all of it proven.
    pub fn holds(&self, study: &Path) {
        let kept = recorded(study);
        let ledger = kept.run.ledger();
        let values: Vec<String> = ledger.readings.iter().map(|reading| reading.gloss.to_string()).collect();
        let pressed = self.pressed.iter().map(|tenths| format!("{}.{}", tenths / 10, tenths % 10));
        assert_eq!(values, pressed.collect::<Vec<_>>());
        assert_eq!(values.len(), PRESSES);
        let proven = ledger.readings.iter().filter(|reading| reading.status.text() == "proven").count();
        assert_eq!(proven, PRESSES, "the closing check has proven all");
    }
}

/// The only recording of a study.
fn recorded(study: &Path) -> Replayed {
    let [path] = recordings(study).try_into().unwrap();
    let bytes = std::fs::read(&path).unwrap();
    let name = path.display().to_string();
    replay(&name, &mut Scanner::new(name.clone(), bytes.as_slice()), |_, _, _| {}).unwrap()
}
