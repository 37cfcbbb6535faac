//! A study on the disk, three zones a side, read by the simulated meter within the program. The meter has no
//! noise: each value is what a test says.

#![allow(dead_code, clippy::unwrap_used, reason = "shared by several test programs, each using a part")]

use super::process;
use super::process::Output;
use super::process::Running;
use super::process::recordings;
use super::process::rows;
use halfpanel::session::folder::Folder;
use halfpanel::session::results;
use halfpanel::store::RealDisk;
use sha2::Digest;
use sha2::Sha256;
use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::sync::Arc;
use tempfile::TempDir;

pub type Row = BTreeMap<String, String>;

/// The halves differ by 2.0 GU before anything is put on.
pub const BARE: [(&str, f64); 6] =
    [("C1", 70.0), ("C2", 70.4), ("C3", 70.9), ("A1", 72.1), ("A2", 72.3), ("A3", 72.8)];
pub const CURED: [(&str, f64); 6] =
    [("C1", 69.8), ("C2", 70.3), ("C3", 70.6), ("A1", 75.0), ("A2", 75.7), ("A3", 75.6)];

const STUDY: &str = r#"
name = "Sealers on gelcoat"
[meter]
port = "sim:meter.toml"
profile = "tab-60"
[tile]
name = "Black glass tile 1"
[[tile.value]]
geometry_deg = 60
assigned_gu = 92.4
expanded_uncertainty_gu = 0.6
[procedure]
tile_readings = 2
[[panel]]
id = "P1"
width_mm = 300
height_mm = 200
control = ["C1", "C2", "C3"]
[[panel.row]]
names = ["C1", "C2", "C3", "A1", "A2", "A3"]
y_mm = 20
height_mm = 60
[[treatment]]
code = "T1"
name = "Harbour Sealer No. 4"
[[patch]]
treatment = "T1"
panel = "P1"
zones = ["A1", "A2", "A3"]
"#;

pub struct Study {
    folder: TempDir,
}

impl Study {
    pub fn new() -> Study {
        Study::with("")
    }

    /// With these tables besides.
    pub fn with(more: &str) -> Study {
        let study = Study { folder: tempfile::tempdir().unwrap() };
        fs::write(study.path().join("study.toml"), format!("{STUDY}{more}")).unwrap();
        study
    }

    pub fn path(&self) -> PathBuf {
        self.folder.path().to_owned()
    }

    /// Puts other words into `study.toml`.
    pub fn edit(&self, old: &str, new: &str) {
        let file = self.path().join("study.toml");
        let text = fs::read_to_string(&file).unwrap();
        assert_eq!(text.matches(old).count(), 1, "{old}");
        fs::write(file, text.replace(old, new)).unwrap();
    }

    fn meter(&self, zones: &[(&str, f64)]) {
        let mut meter = "seed = 1\ntime_factor = 500\n[layout]\nline = \"{geometry}\\t{gloss}\"\n\
                         [tile]\ntruth_gu = { 60 = 92.4 }\n"
            .to_owned();
        for (zone, gu) in zones {
            let (panel, zone) = zone.split_once(' ').unwrap_or(("P1", zone));
            meter.push_str(&format!(
                "[[zone]]\npanel = \"{panel}\"\nzone = \"{zone}\"\ntruth_gu = {{ 60 = {gu:.1} }}\n"
            ));
        }
        fs::write(self.path().join("meter.toml"), meter).unwrap();
    }

    /// A whole run over zones of this gloss; its id.
    pub fn run(&self, stage: &str, zones: &[(&str, f64)]) -> String {
        self.run_with(stage, zones, &[]).0
    }

    /// The same with more arguments; its id, and what was said beside the events.
    pub fn run_with(&self, stage: &str, zones: &[(&str, f64)], more: &[&str]) -> (String, String) {
        self.whole_run(zones, &[&["--stage", stage], more].concat())
    }

    /// A whole run at the stages that the study names.
    pub fn run_as_planned(&self, zones: &[(&str, f64)]) -> String {
        self.whole_run(zones, &[]).0
    }

    fn whole_run(&self, zones: &[(&str, f64)], more: &[&str]) -> (String, String) {
        self.meter(zones);
        let path = self.path();
        let arguments = [&["run", path.to_str().unwrap(), "--json"], more].concat();
        let ended = process::output(arguments);
        assert!(matches!(ended.code, Some(0 | 1)), "{ended:?}");
        assert!(ended.stdout.contains(r#"{"event":"end","state":"complete""#), "{ended:?}");
        (self.last(), ended.stderr)
    }

    /// A run that is given up at its first zone; its id.
    pub fn abandoned(&self, stage: &str, zones: &[(&str, f64)]) -> String {
        self.meter(zones);
        let mut command = process::halfpanel();
        command.arg("run").arg(self.path()).args(["--json", "--stage", stage]);
        let mut run = Running::start(&mut command);
        run.until(|event| event["event"] == "next" && event["do"] == "read-zone");
        run.say("abandon: rain through the roof");
        run.until(|event| event["event"] == "end" && event["state"] == "abandoned");
        run.end();
        self.last()
    }

    fn last(&self) -> String {
        recordings(&self.path()).last().unwrap().file_stem().unwrap().to_str().unwrap().to_owned()
    }

    pub fn recording(&self, run: &str) -> PathBuf {
        self.path().join(format!("recordings/{run}.rec"))
    }

    pub fn sha256(&self, run: &str) -> String {
        let digest = Sha256::digest(fs::read(self.recording(run)).unwrap());
        digest.iter().map(|byte| format!("{byte:02x}")).collect()
    }

    pub fn verify(&self) -> Output {
        process::output(["verify".as_ref(), self.path().as_os_str()])
    }

    /// Brings the tables up to date, as the end of a run does.
    pub fn update(&self) {
        results::update(&Folder::new(Arc::new(RealDisk), self.path()), |_, _, _| {}).unwrap();
    }

    /// All tables, byte for byte.
    pub fn tables(&self) -> BTreeMap<String, Vec<u8>> {
        let entries = fs::read_dir(self.path().join("results")).unwrap().map(Result::unwrap);
        let files = entries.filter(|entry| entry.path().is_file());
        files.map(|e| (e.file_name().into_string().unwrap(), fs::read(e.path()).unwrap())).collect()
    }

    pub fn table(&self, name: &str) -> Vec<Row> {
        rows(&self.path().join("results").join(name))
    }

    fn of_run(&self, table: &str, run: &str) -> Vec<Row> {
        self.table(table).into_iter().filter(|row| row["run"] == run).collect()
    }

    pub fn results(&self, run: &str) -> Vec<Row> {
        self.of_run("results.csv", run)
    }

    /// The only result of a run.
    pub fn result(&self, run: &str) -> Row {
        let mut found = self.results(run);
        assert_eq!(found.len(), 1, "{found:?}");
        found.remove(0)
    }

    pub fn zones(&self, run: &str) -> Vec<Row> {
        self.of_run("zones.csv", run)
    }

    pub fn readings(&self, run: &str) -> Vec<Row> {
        self.of_run("readings.csv", run)
    }

    pub fn parts(&self, run: &str) -> Vec<Row> {
        self.of_run("budget.csv", run)
    }

    pub fn part(&self, run: &str, component: &str) -> Row {
        self.parts(run).into_iter().find(|row| row["component"] == component).unwrap()
    }
}

pub fn figure(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column} is `{}` in {row:?}", row[column]))
}

pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

pub fn sd(values: &[f64]) -> f64 {
    let mean = mean(values);
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (squares / (values.len() as f64 - 1.0)).sqrt()
}

/// Two-sided 95 % point of Student's t, by halving on a sum of its density (Simpson's rule): slow, plain, and
/// none of the program's. The density's constant is taken from the sum itself.
pub fn student_t(degrees: f64) -> f64 {
    // With x = √ν tan(a) the density is cos(a)^(ν − 1) over −π/2 … π/2.
    let area = |to: f64| {
        let (steps, density) = (4000, |a: f64| a.cos().max(0.0).powf(degrees - 1.0));
        let width = to / f64::from(steps);
        let inner = (1..steps).map(|i| density(f64::from(i) * width) * if i % 2 == 1 { 4.0 } else { 2.0 });
        (density(0.0) + density(to) + inner.sum::<f64>()) * width / 3.0
    };
    let (whole, mut low, mut high) = (area(std::f64::consts::FRAC_PI_2), 0.0, std::f64::consts::FRAC_PI_2);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if area(middle) < 0.95 * whole { low = middle } else { high = middle }
    }
    degrees.sqrt() * low.tan()
}
