//! A meter that nobody has seen, and a profile written for it from `protocol-notes/line-profiles.md`
//! alone. The run is read through a real pseudo-terminal; then every value is taken from the raw bytes
//! in the recording once more, and the results are worked out once more, by other code than the program's.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;

use process::Meter;
use process::Running;
use process::follow;
use process::recordings;
use process::rows;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;

/// The meter sends `#0007|60|71,4|GE|ok` and a CR at a press, and after 0099 comes 0001. With a weak battery
/// the value is `----` and the last word `lo`. Switched on, it greets.
const PROFILE: &str = r##"
name = "two-bars"
about = "A number after #, angle, value with decimal comma, unit and a word, between bars; CR ends a line."

[serial]
baud = 2400

[line]
end = "cr"
decimal = ","
decimals = 1
pattern = '#(?<sequence>\d{4})\|(?<geometry>\d\d)\|(?<gloss>-?\d+,\d|----)\|(?<unit>[A-Z]+)\|(?<status>[a-z]+)'
units = ["GE"]
ignore = ['\*.*']

[reading]
resolution_gu = "0.1"

[status]
ok = ["ok"]

[status.errors]
lo = "the battery is low"

[sequence]
first = 1
last = 99

[limits]
60 = { low = "0", high = "180" }

[[example]]
line = "#0007|60|71,4|GE|ok"
sequence = 7
gloss_60 = "71.4"

[[example]]
line = "#0008|60|----|GE|lo"
refused = true

[[example]]
line = "* two bars, at your service"
ignored = true
"##;

/// Two treatments, four zones a side, two readings a zone.
const STUDY: &str = r#"
name = "Sealers on gelcoat, by a meter of our own"
[meter]
port = "/dev/null"
profile = "two-bars.toml"
[tile]
name = "Black glass tile 1"
[[tile.value]]
geometry_deg = 60
assigned_gu = 92.4
expanded_uncertainty_gu = 0.0001
[procedure]
readings_per_zone = 2
[[panel]]
id = "P1"
width_mm = 300
height_mm = 280
control = ["C1", "C2", "C3", "C4"]
[[panel.row]]
names = ["C1", "C2", "C3", "C4"]
y_mm = 20
height_mm = 60
[[panel.row]]
names = ["A1", "A2", "A3", "A4"]
y_mm = 100
height_mm = 60
[[panel.row]]
names = ["B1", "B2", "B3", "B4"]
y_mm = 180
height_mm = 60
[[treatment]]
code = "T1"
name = "Harbour Sealer No. 4"
[[treatment]]
code = "T2"
name = "Slipway Wax Paste"
[[patch]]
treatment = "T1"
panel = "P1"
zones = ["A1", "A2", "A3", "A4"]
[[patch]]
treatment = "T2"
panel = "P1"
zones = ["B1", "B2", "B3", "B4"]
"#;

/// Upper 0.975 points of Student's t for 1, 2, … degrees of freedom: NIST/SEMATECH e-Handbook of
/// Statistical Methods, section 1.3.6.7.2, critical values of Student's t distribution.
const T_0_975: [f64; 10] = [12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228];

/// What the meter reads at each repeat, in tenths of a unit.
fn truth(want: &Value) -> i32 {
    let repeat = want["repeat"].as_i64().unwrap() as i32;
    let zone = match want["zone"].as_str() {
        None => return 923 + repeat,
        Some(zone) => zone,
    };
    // C and A scatter alike, which makes the degrees of freedom whole; B scatters more.
    let base = match zone {
        "C1" => 710,
        "C2" => 716,
        "C3" => 712,
        "C4" => 714,
        "A1" => 790,
        "A2" => 784,
        "A3" => 786,
        "A4" => 788,
        "B1" => 712,
        "B2" => 731,
        "B3" => 698,
        "B4" => 709,
        other => panic!("no zone {other}"),
    };
    base + 3 * (repeat - 1)
}

/// The meter's own numbers, and what goes wrong when.
struct Unseen {
    lines: u32,
    presses: u32,
}

impl Unseen {
    fn press(&mut self, want: &Value) -> Vec<u8> {
        self.presses += 1;
        self.lines += 1;
        let number = (self.lines - 1) % 99 + 1;
        let tenths = truth(want);
        let good = format!("#{number:04}|60|{},{}|GE|ok\r", tenths / 10, tenths % 10);
        let text = match self.presses {
            1 => format!("* two bars, at your service\r{good}"),
            7 => format!("#{number:04}|60|----|GE|lo\r"),
            11 => format!("{good}{good}"),
            // A digit is lost on the way: the line does not fit.
            15 => good.replacen('|', "", 1),
            _ => good,
        };
        text.into_bytes()
    }
}

/// A value as it came, with the number of the record that brought the line's end.
#[derive(Debug, PartialEq)]
struct Extracted {
    gloss: String,
    record: u64,
}

/// Takes the values out of a recording, by its specification: the bytes behind the first `link`, cut at
/// each CR, and of each line the third part, if all the others are as the meter's manual has them.
fn extract(recording: &Path) -> Vec<Extracted> {
    let text = std::fs::read_to_string(recording).unwrap();
    let (mut line, mut values, mut up, mut last) = (Vec::new(), Vec::new(), false, String::new());
    for record in text.lines() {
        let record: Value = serde_json::from_str(&record[9..]).unwrap();
        match record["k"].as_str().unwrap() {
            "link" => up = record["v"]["up"].as_bool().unwrap(),
            "bytes" if up => {
                for byte in record["d"].as_str().unwrap().chars() {
                    if byte != '\r' {
                        line.push(byte);
                        continue;
                    }
                    let whole: String = line.drain(..).collect();
                    let parts: Vec<&str> = whole.split('|').collect();
                    if let [number, "60", gloss, "GE", "ok"] = parts.as_slice()
                        && *number != last
                    {
                        last = (*number).to_owned();
                        let record = record["n"].as_u64().unwrap();
                        values.push(Extracted { gloss: gloss.replace(',', "."), record });
                    }
                }
            }
            _ => {}
        }
    }
    values
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn variance(values: &[f64]) -> f64 {
    let mean = mean(values);
    values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (values.len() as f64 - 1.0)
}

/// Means of the zones whose name begins so, from the rows of readings.csv.
fn zone_means(readings: &[BTreeMap<String, String>], side: char) -> Vec<f64> {
    let mut zones: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for row in readings.iter().filter(|row| row["zone"].starts_with(side)) {
        assert_eq!(row["status"], "proven");
        zones.entry(&row["zone"]).or_default().push(row["gloss_gu"].parse().unwrap());
    }
    assert_eq!(zones.len(), 4);
    zones.values().map(|values| mean(values)).collect()
}

/// Equal to the four decimals that a table has.
fn assert_close(row: &BTreeMap<String, String>, column: &str, by_hand: f64) {
    let cell: f64 = row[column].parse().unwrap_or_else(|_| panic!("{column} is `{}`", row[column]));
    assert!((cell - by_hand).abs() < 0.5001e-4, "{column}: {cell} in the table, {by_hand} by hand");
}

/// Holds one row of results.csv to Welch's comparison, by hand. (B. L. Welch, Biometrika 34, 1947, 28-35.)
fn hold_to_hand(row: &BTreeMap<String, String>, control: &[f64], treated: &[f64]) {
    let part = |side: &[f64]| variance(side) / side.len() as f64;
    let (of_control, of_treated) = (part(control), part(treated));
    let difference = mean(treated) - mean(control);
    let standard = (of_control + of_treated).sqrt();
    let freedom = (of_control + of_treated).powi(2)
        / (of_control.powi(2) / (control.len() as f64 - 1.0)
            + of_treated.powi(2) / (treated.len() as f64 - 1.0));
    assert_close(row, "control_mean_gu", mean(control));
    assert_close(row, "treated_mean_gu", mean(treated));
    assert_close(row, "difference_gu", difference);
    // Beside the zones, the drift and the checks have their small share.
    let near = |column: &str, by_hand: f64, blur: f64| {
        let cell: f64 = row[column].parse().unwrap();
        assert!((cell - by_hand).abs() < blur, "{column}: {cell} in the table, {by_hand} by hand");
    };
    near("standard_uncertainty_gu", standard, 0.002);
    near("degrees_of_freedom", freedom, 0.1);
    // A printed table has whole degrees of freedom: the factor lies between its neighbours.
    let factor: f64 = row["coverage_factor"].parse().unwrap();
    let (above, below) = (T_0_975[freedom as usize - 1], T_0_975[freedom.ceil() as usize - 1]);
    assert!(below - 0.01 <= factor && factor <= above + 0.01, "{below} {factor} {above}");
    let low: f64 = row["ci_low_gu"].parse().unwrap();
    let high: f64 = row["ci_high_gu"].parse().unwrap();
    let blur = 0.01;
    assert!((low - (difference - factor * standard)).abs() < blur, "{low}");
    assert!((high - (difference + factor * standard)).abs() < blur, "{high}");
    let verdict = match (low > 0.0, high < 0.0) {
        (true, _) => "higher",
        (_, true) => "lower",
        _ => "no detectable difference",
    };
    assert_eq!(row["verdict"], verdict);
    assert_eq!((row["n_control"].as_str(), row["n_treated"].as_str()), ("4", "4"));
    assert_eq!(row["status"], "proven");
}

#[test]
fn a_meter_nobody_has_seen_runs_by_its_profile_and_its_results_are_those_by_hand() {
    let folder = tempfile::tempdir().unwrap();
    let study = folder.path().join("study");
    std::fs::create_dir(&study).unwrap();
    std::fs::write(study.join("study.toml"), STUDY).unwrap();
    std::fs::write(study.join("two-bars.toml"), PROFILE).unwrap();
    let port = folder.path().join("meter");
    let mut meter = Meter::linked(&port);
    let mut unseen = Unseen { lines: 0, presses: 0 };
    let mut run = Running::run(&study, Some(&port));
    let events = follow(&mut run, |bytes| meter.send(bytes), |want| unseen.press(want));
    let (status, _, errors) = run.end();
    assert_eq!(status.code(), Some(0), "{errors}");

    let refused: Vec<&str> =
        events.iter().filter(|e| e["event"] == "refused").map(|e| e["why"].as_str().unwrap()).collect();
    assert_eq!(refused, ["error-word", "sequence-repeated", "pattern-mismatch"]);
    assert!(events.iter().any(|e| e["says"].as_str().is_some_and(|s| s.contains("the battery is low"))));

    let readings = rows(&study.join("results/readings.csv"));
    // Three on the tile at each end, and twelve zones twice.
    assert_eq!(readings.len(), 3 + 24 + 3);
    let in_table: Vec<Extracted> = readings
        .iter()
        .map(|row| Extracted { gloss: row["gloss_gu"].clone(), record: row["record"].parse().unwrap() })
        .collect();
    assert_eq!(extract(&recordings(&study)[0]), in_table);
    for row in readings.iter().filter(|row| !row["zone"].is_empty()) {
        let want = serde_json::json!({"zone": row["zone"], "repeat": row["repeat"].parse::<i64>().unwrap()});
        let tenths = truth(&want);
        assert_eq!(row["gloss_gu"], format!("{}.{}", tenths / 10, tenths % 10), "in the wrong zone: {row:?}");
    }

    let results = rows(&study.join("results/results.csv"));
    let [first, second] = results.as_slice() else { panic!("two treatments, two rows") };
    assert_eq!((first["treatment"].as_str(), second["treatment"].as_str()), ("T1", "T2"));
    let control = zone_means(&readings, 'C');
    hold_to_hand(first, &control, &zone_means(&readings, 'A'));
    hold_to_hand(second, &control, &zone_means(&readings, 'B'));
    // Four zones a side that scatter alike: 6 degrees of freedom, of which the table has the factor.
    assert!((first["degrees_of_freedom"].parse::<f64>().unwrap() - 6.0).abs() < 0.1);
    assert!((first["coverage_factor"].parse::<f64>().unwrap() - T_0_975[5]).abs() < 0.01);
    assert_eq!(first["verdict"], "higher");
    assert_eq!(second["verdict"], "no detectable difference");
}
