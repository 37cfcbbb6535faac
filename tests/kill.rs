//! The program is killed at random instants, again and again, while it reads a run from a real
//! pseudo-terminal into real files. Whatever it had announced is in the recording, and taking the run up
//! brings it to the end that an undisturbed run has.
//!
//! `HALFPANEL_KILLS` sets the number of kills, `HALFPANEL_SEED` where they fall. What runs beside the
//! test moves the instants too, so a seed brings back the plan of a campaign and not each microsecond.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/moment.rs"]
mod moment;
#[path = "common/process.rs"]
mod process;

use halfpanel::run::Ledger;
use halfpanel::run::ReplayError;
use halfpanel::run::Replayed;
use halfpanel::run::Spot;
use halfpanel::run::record::RecordingError;
use halfpanel::run::record::Scanner;
use halfpanel::run::replay;
use moment::OF_THE_MOMENT;
use process::Hand;
use process::Line;
use process::Running;
use process::recordings;
use process::rows;
use rand::RngExt;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rustix::process::Signal;
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::AtomicU32;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Two readings a zone, and a tile check after every block of six.
const STUDY: &str = r#"
name = "Sealers on gelcoat, with the plug pulled"
[meter]
port = "/dev/null"
profile = "tab-60"
[tile]
name = "Black glass tile 1"
[[tile.value]]
geometry_deg = 60
assigned_gu = 92.4
[procedure]
readings_per_zone = 2
tile_readings = 2
interim_after_readings = 6
[[panel]]
id = "P1"
width_mm = 300
height_mm = 200
control = ["C1", "C2", "C3", "C4"]
[[panel.row]]
names = ["C1", "C2", "C3", "C4"]
y_mm = 20
height_mm = 60
[[panel.row]]
names = ["A1", "A2", "A3", "A4"]
y_mm = 100
height_mm = 60
[[treatment]]
code = "T1"
name = "Harbour Sealer No. 4"
[[patch]]
treatment = "T1"
panel = "P1"
zones = ["A1", "A2", "A3", "A4"]
applied_at = 2026-05-04T09:30:00+02:00
"#;

/// Columns that differ by right from sitting to sitting, beside those that hang on the moment.
const OF_THE_SITTING: [&str; 2] = ["run", "recording"];

const TABLES: [&str; 6] =
    ["readings.csv", "tile-checks.csv", "zones.csv", "results.csv", "budget.csv", "contrasts.csv"];

/// The placement that the operator takes back as soon as it is told.
const UNDONE: u64 = 5;

/// The gloss of a zone: its repeats lie 0.2 apart about it.
fn truth(zone: &str) -> f64 {
    match zone {
        "C1" => 71.2,
        "C2" => 70.6,
        "C3" => 71.5,
        "C4" => 70.9,
        "A1" => 78.9,
        "A2" => 78.1,
        "A3" => 79.2,
        "A4" => 78.6,
        other => panic!("no zone {other}"),
    }
}

/// Where the run wants the meter, of a `next` event.
fn spot(want: &Value) -> String {
    let text = |key: &str| want[key].as_str().unwrap_or("-").to_owned();
    format!("{} {} {} {}", text("kind"), text("panel"), text("zone"), want["repeat"])
}

/// What the meter sends at each placement in turn, and where it stands then. A run that is cut off and
/// taken up again has to come to the same placements.
struct Script(Vec<(String, String)>);

impl Script {
    /// By the undisturbed run: the first interim check finds wax on the tile, every other check a clean one.
    fn write(line: &Line, study: &Path) -> Script {
        let mut script = Vec::new();
        let mut waxed = true;
        let mut run = Running::run(study, Some(line.path()));
        let mut hand = Hand::default();
        let mut is_taken_back = false;
        while let Some(event) = run.event() {
            hand.hear(&event);
            if event["event"] == "check" && event["kind"] == "interim" {
                waxed = false;
            }
            let Some(want) = hand.press() else { continue };
            if script.len() as u64 == UNDONE && !is_taken_back {
                is_taken_back = true;
                run.say("undo");
                continue;
            }
            let gloss = match want["zone"].as_str() {
                Some(zone) => truth(zone) + if want["repeat"] == 1 { -0.1 } else { 0.1 },
                None if waxed && want["kind"] == "interim" => 90.8,
                None => 92.4 + 0.1 * want["repeat"].as_f64().unwrap(),
            };
            let text = format!("60\t{gloss:.1}\r\n");
            line.send(text.as_bytes());
            script.push((spot(&want), text));
        }
        let (status, _, errors) = run.end();
        assert_eq!(status.code(), Some(0), "{errors}");
        Script(script)
    }
}

/// When the next kill comes: so long after so many readings of the sitting were told.
#[derive(Clone, Copy, Debug)]
struct Fuse {
    readings: u32,
    delay: Duration,
}

impl Fuse {
    fn random(random: &mut ChaCha8Rng) -> Fuse {
        // Before the first reading lie the start, the taking up and the opening of the port.
        let readings = random.random_range(0..=4);
        let longest_us: u64 = if readings == 0 { 120_000 } else { 6_000 };
        // As many short delays as long ones: what follows an announcement is over within a millisecond.
        let most = random.random_range(1..=longest_us);
        Fuse { readings, delay: Duration::from_micros(random.random_range(0..most)) }
    }
}

/// What the program has said of a run, over all its sittings.
#[derive(Default)]
struct Announced {
    /// Readings by their order.
    readings: BTreeMap<usize, Value>,
    /// The most that a sitting started with.
    at_start: usize,
    checks: Vec<(String, String)>,
    undone: Vec<u32>,
    has_started: bool,
    has_ended: bool,
}

impl Announced {
    fn note(&mut self, event: &Value) {
        let text = |key: &str| event[key].as_str().unwrap().to_owned();
        match event["event"].as_str().unwrap() {
            "started" => {
                self.has_started = true;
                self.at_start = event["readings"].as_u64().unwrap() as usize;
            }
            "reading" => {
                self.readings.insert(event["order"].as_u64().unwrap() as usize, event.clone());
            }
            "check" => self.checks.push((text("kind"), text("verdict"))),
            "told" if event["what"] == "undone" => {
                self.undone.push(event["placement"].as_u64().unwrap() as u32);
            }
            "end" => self.has_ended = true,
            _ => {}
        }
    }

    fn most(&self) -> usize {
        self.readings.keys().next_back().copied().unwrap_or(0).max(self.at_start)
    }

    /// Everything that was told is in the recording, and nothing is there that nobody sent.
    fn is_held_by(&self, ledger: &Ledger) {
        for (&order, told) in &self.readings {
            let Some(kept) = ledger.readings.get(order - 1) else { panic!("lost: {told}") };
            let place = match kept.spot {
                Spot::Tile { check } => format!("{} - -", ledger.checks[check as usize].kind.text()),
                Spot::Zone { zone, .. } => format!("zone {}", ledger.setup.zone_label(zone.into())),
            };
            let text = |key: &str| told[key].as_str().unwrap_or("-");
            let told_place = match told["zone"].as_str() {
                Some(zone) => format!("zone {zone}"),
                None => format!("{} - -", text("kind")),
            };
            assert_eq!(place, told_place, "{told}");
            assert_eq!(told["gloss_gu"], kept.gloss.to_string(), "{told}");
            assert_eq!(told["placement"], kept.placement, "{told}");
            assert_eq!(told["repeat"], kept.repeat, "{told}");
            assert_eq!(told["record"], kept.record, "{told}");
        }
        assert!(ledger.readings.len() >= self.at_start, "readings that a sitting started with are lost");
        // One press at a time, so at most one reading had come that was not told yet.
        assert!(ledger.readings.len() <= self.most() + 1, "the recording has readings that nobody sent");
        let finished: Vec<&str> =
            ledger.checks.iter().filter(|c| c.verdict.is_some()).map(|c| c.kind.text()).collect();
        assert!(finished.len() >= self.checks.len(), "told {:?}, kept {finished:?}", self.checks);
        for placement in &self.undone {
            let kept = ledger.readings.iter().find(|r| r.placement == *placement).unwrap();
            assert_eq!(kept.status.text(), "undone");
        }
    }
}

/// How a sitting ended.
#[derive(Debug, PartialEq)]
enum Ended {
    Killed,
    ByItself(Option<i32>),
}

/// One sitting of a run, up to its end or its kill.
fn sit(study: &Path, line: &Line, script: &Script, told: &mut Announced, fuse: Option<Fuse>) -> Ended {
    let mut run = Running::run(study, Some(line.path()));
    let pid = run.pid();
    let mut fuse = fuse;
    let mut killer = None;
    let mut light = |readings: u32| {
        if let Some(Fuse { delay, .. }) = fuse.take_if(|f| f.readings <= readings) {
            killer = Some(std::thread::spawn(move || {
                std::thread::sleep(delay);
                send_kill(pid);
            }));
        }
    };
    light(0);
    let mut hand = Hand::default();
    let (mut placements, mut readings) = (0, 0);
    let mut is_taken_back = false;
    while let Some(event) = run.event() {
        told.note(&event);
        hand.hear(&event);
        if event["event"] == "started" {
            placements = event["placements"].as_u64().unwrap();
        }
        if event["event"] == "reading" {
            placements = event["placement"].as_u64().unwrap();
            readings += 1;
            light(readings);
        }
        is_taken_back |= event["event"] == "told" && event["what"] == "undone";
        let Some(want) = hand.press() else { continue };
        let here = &script.0[placements as usize];
        // Taken back in an earlier sitting, perhaps: what the run wants tells.
        if placements == UNDONE && !is_taken_back && spot(&want) != here.0 {
            run.say("undo");
            continue;
        }
        assert_eq!(spot(&want), here.0, "at placement {}", placements + 1);
        // In two pieces at times, so that a kill can fall between them.
        let cut = if placements % 3 == 0 { 3 } else { here.1.len() };
        line.send(&here.1.as_bytes()[..cut]);
        line.send(&here.1.as_bytes()[cut..]);
    }
    if let Some(killer) = killer {
        killer.join().unwrap();
    }
    let (status, _, errors) = run.end();
    match status.code() {
        None => Ended::Killed,
        code => {
            assert_eq!(code, Some(0), "{errors}");
            Ended::ByItself(code)
        }
    }
}

/// The process is a child that is waited for only after this.
fn send_kill(pid: u32) {
    process::send_signal(pid, Signal::KILL);
}

/// The recording that a run has so far; none if not even its head had come to the disk.
fn recorded(study: &Path) -> Option<Replayed> {
    let mut found = None;
    for path in recordings(study) {
        let bytes = std::fs::read(&path).unwrap();
        let name = path.display().to_string();
        match replay(&name, &mut Scanner::new(name.clone(), bytes.as_slice()), |_, _, _| {}) {
            Ok(replayed) => {
                assert!(found.is_none(), "a second run was begun though the first could be taken up");
                found = Some(replayed);
            }
            Err(ReplayError::Recording(RecordingError::NoHead { .. })) => {}
            Err(error) => panic!("{error}"),
        }
    }
    found
}

/// A run that is killed as long as kills are left to give out. Returns how many it met.
fn campaign(line: &Line, script: &Script, random: &mut ChaCha8Rng, left: &AtomicU32) -> (u32, Tables) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("study.toml"), STUDY).unwrap();
    let mut told = Announced::default();
    let mut met = 0;
    loop {
        let take = |n: u32| n.checked_sub(1);
        let fuse = left.fetch_update(Ordering::SeqCst, Ordering::SeqCst, take).ok();
        let fuse = fuse.map(|_| Fuse::random(random));
        let ended = sit(folder.path(), line, script, &mut told, fuse);
        match (&ended, fuse) {
            (Ended::Killed, _) => met += 1,
            // It was quicker than its kill, which is given back.
            (Ended::ByItself(_), Some(_)) => drop(left.fetch_add(1, Ordering::SeqCst)),
            (Ended::ByItself(_), None) => {}
        }
        let kept = recorded(folder.path());
        if let Some(kept) = &kept {
            told.is_held_by(kept.run.ledger());
        } else {
            assert!(!told.has_started, "what was announced is not there at all");
        }
        let is_whole = kept.is_some_and(|kept| kept.has_end);
        assert!(is_whole || !told.has_ended || ended == Ended::Killed);
        if is_whole {
            return (met, tables(folder.path(), ended != Ended::Killed));
        }
        assert_eq!(ended, Ended::Killed, "it ended by itself before its run was whole");
    }
}

type Tables = BTreeMap<&'static str, Vec<BTreeMap<String, String>>>;

/// The tables without what differs by right, made anew from the recording: a kill may have come
/// between its end and the tables, which are up to date only after an end of its own.
fn tables(study: &Path, are_up_to_date: bool) -> Tables {
    let out = study.join("recomputed");
    let made = process::output(["replay".as_ref(), study.as_os_str(), "--out".as_ref(), out.as_os_str()]);
    assert_eq!(made.code, Some(0), "{}", made.stderr);
    let mut tables = Tables::new();
    for name in TABLES {
        let mut table = rows(&out.join(name));
        let standing = study.join("results").join(name);
        if are_up_to_date {
            assert!(rows(&standing) == table, "{name} does not stand as the recording gives it");
        }
        for row in &mut table {
            row.retain(|column, _| !OF_THE_MOMENT.contains(&column.as_str()));
            row.retain(|column, _| !OF_THE_SITTING.contains(&column.as_str()));
        }
        tables.insert(name, table);
    }
    tables
}

/// The undisturbed run is what the script says, worked out by hand.
fn hold_to_paper(undisturbed: &Tables) {
    let statuses: Vec<&str> = undisturbed["readings.csv"].iter().map(|row| row["status"].as_str()).collect();
    let count = |status: &str| statuses.iter().filter(|s| **s == status).count();
    // The first block of four zones, twice each, is drifted, and so is the check that found it.
    assert_eq!((count("undone"), count("drifted")), (1, 8 + 2), "{statuses:?}");
    assert_eq!(count("proven"), statuses.len() - 11, "{statuses:?}");
    let [row] = undisturbed["results.csv"].as_slice() else { panic!("one treatment, one row") };
    // (78.9 + 78.1 + 79.2 + 78.6) / 4 = 78.7 and (71.2 + 70.6 + 71.5 + 70.9) / 4 = 71.05.
    assert_eq!(row["treated_mean_gu"], "78.7000");
    assert_eq!(row["control_mean_gu"], "71.0500");
    assert_eq!(row["difference_gu"], "7.6500");
    assert_eq!((row["verdict"].as_str(), row["status"].as_str()), ("higher", "proven"));
}

fn number(variable: &str, default: u64) -> u64 {
    std::env::var(variable).map_or(default, |text| text.parse().expect("a whole number"))
}

/// Says how to bring a campaign back if it fails.
struct HowToRepeat(u64, u64);

impl Drop for HowToRepeat {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("again: HALFPANEL_SEED={} HALFPANEL_KILLS={} cargo test --test kill", self.0, self.1);
        }
    }
}

#[test]
fn killed_at_any_instant_the_run_keeps_what_it_told_and_ends_as_if_undisturbed() {
    let kills = number("HALFPANEL_KILLS", 200);
    let seed = number("HALFPANEL_SEED", 1);
    let _how = HowToRepeat(seed, kills);
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("study.toml"), STUDY).unwrap();
    let line = Line::open();
    let script = Script::write(&line, folder.path());
    let undisturbed = tables(folder.path(), true);
    hold_to_paper(&undisturbed);

    let left = AtomicU32::new(kills.try_into().unwrap());
    let met = Mutex::new(Vec::new());
    std::thread::scope(|threads| {
        for worker in 0..2 {
            let (left, met, script, undisturbed) = (&left, &met, &script, &undisturbed);
            threads.spawn(move || {
                let mut random = ChaCha8Rng::seed_from_u64(seed);
                random.set_stream(worker);
                let line = Line::open();
                while left.load(Ordering::SeqCst) > 0 {
                    let (kills, tables) = campaign(&line, script, &mut random, left);
                    for name in TABLES {
                        assert_eq!(tables[name], undisturbed[name], "{name}, after {kills} kills");
                    }
                    met.lock().unwrap().push(kills);
                }
            });
        }
    });
    let met = met.into_inner().unwrap();
    eprintln!("{} runs, killed {met:?} times", met.len());
    assert_eq!(u64::from(met.iter().sum::<u32>()), kills);
}
