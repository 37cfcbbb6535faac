//! What the benches share: medians, tables, children measured through /proc, and recordings to replay.
//! Linux only, since /proc is where a child's memory and CPU are read without unsafe code.

#![allow(dead_code, clippy::unwrap_used, clippy::disallowed_methods, reason = "benches, each using a part")]

use halfpanel::meter::shipped;
use halfpanel::run::record::{Body, Encoder, Ending, Head, Link, Record};
use halfpanel::run::{Effect, Run, Want, Word};
use std::io::Write;
use std::path::Path;
use std::process::Child;
use std::time::{Duration, Instant};

#[path = "../../tests/common/mod.rs"]
pub mod hardwareless;

/// The program, built for this bench.
pub const HALFPANEL: &str = env!("CARGO_BIN_EXE_halfpanel");

/// The value in the middle; of an even number, the lower of the two.
pub fn median(values: &mut [f64]) -> f64 {
    quantile(values, 0.5)
}

/// The value that a share of `share` of the values does not exceed (nearest rank).
pub fn quantile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let rank = (values.len() as f64 * share).ceil() as usize;
    values[rank.clamp(1, values.len()) - 1]
}

/// Figures beside their targets, printed at the end of a bench. A figure out of its target is named as
/// such and fails nothing: a busy machine is no mistake of the program.
#[derive(Default)]
pub struct Board(Vec<[String; 4]>);

impl Board {
    pub fn put(&mut self, what: &str, value: f64, unit: &str, target: Option<f64>) {
        let (limit, word) = match target {
            Some(target) if value <= target => (format!("{target} {unit}"), "met"),
            Some(target) => (format!("{target} {unit}"), "MISSED"),
            None => (String::new(), ""),
        };
        self.0.push([what.to_owned(), format!("{value:.3} {unit}"), limit, word.to_owned()]);
    }

    pub fn print(&self) {
        println!("\n{:<62} {:>18} {:>16}", "figure (medians)", "found", "at most");
        for [what, found, limit, word] in &self.0 {
            println!("{what:<62} {found:>18} {limit:>16} {word}");
        }
    }
}

/// What a child used, once it has ended.
#[derive(Clone, Copy, Debug, Default)]
pub struct Used {
    pub wall_s: f64,
    /// User and system time of all its threads.
    pub cpu_s: f64,
    /// High-water mark of its memory, as last seen.
    pub peak_kib: u64,
}

/// How often a child is looked at; its times of day are right to this much.
const LOOK_EVERY: Duration = Duration::from_micros(500);

/// Waits for a child and looks at its memory meanwhile. The high-water mark never falls, so the last
/// look misses only what was added after it.
pub fn wait_measured(mut child: Child, since: Instant) -> Used {
    let pid = child.id();
    let own = rustix::process::Pid::from_child(&child);
    let mut used = Used::default();
    loop {
        used.peak_kib = status_kib(pid, "VmHWM:").map_or(used.peak_kib, |now| now.max(used.peak_kib));
        // Left unreaped, so that /proc still has its times.
        let options = rustix::process::WaitIdOptions::EXITED
            | rustix::process::WaitIdOptions::NOWAIT
            | rustix::process::WaitIdOptions::NOHANG;
        if rustix::process::waitid(rustix::process::WaitId::Pid(own), options).unwrap().is_some() {
            break;
        }
        std::thread::sleep(LOOK_EVERY);
    }
    used.wall_s = since.elapsed().as_secs_f64();
    used.cpu_s = cpu_s(pid);
    let status = child.wait().unwrap();
    assert!(status.success(), "the child ended with {status}");
    used
}

/// The unit of times in /proc, the same on every Linux that Rust runs on (`USER_HZ`).
const TICKS_PER_S: f64 = 100.0;

/// User and system time of a process, seconds, in steps of 10 ms.
pub fn cpu_s(pid: u32) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    let after_name = stat.rsplit_once(')').unwrap().1;
    let fields: Vec<&str> = after_name.split_whitespace().collect();
    let ticks: f64 = fields[11].parse::<f64>().unwrap() + fields[12].parse::<f64>().unwrap();
    ticks / TICKS_PER_S
}

/// A figure of /proc/PID/status in KiB (or a plain number); `None` once the process is a zombie.
pub fn status_kib(pid: u32, key: &str) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    status.lines().find_map(|line| line.strip_prefix(key)?.split_whitespace().next()?.parse().ok())
}

/// What a made-up meter has on the tile and on the zones, as values of a wobble in tenths.
fn tenths(want: Want, k: u64) -> u64 {
    match want {
        Want::Tile { .. } => 924 + k % 2,
        Want::Zone { zone, .. } => 700 + 10 * (zone as u64 % 2) + k.wrapping_mul(2_654_435_761) % 7,
        _ => 0,
    }
}

/// Writes a whole recording of `readings` zone readings, one line a record and each record a sync group
/// of its own, with a tile check after every `check_every`. Ten zones, profile `semicolon-numbered`.
pub fn write_recording(path: &Path, readings: u32, check_every: u32) {
    let mut setup = hardwareless::setup(5);
    setup.profile = shipped::text("semicolon-numbered").unwrap().to_owned();
    setup.procedure.readings_per_zone = readings / 10;
    let head: Head = hardwareless::head(setup);
    let mut out = std::io::BufWriter::new(std::fs::File::create(path).unwrap());
    let mut writer = Recording {
        run: Run::open(&head).unwrap(),
        encoder: Encoder::new(),
        at_us: 0,
        text: Vec::new(),
        ending: false,
    };
    writer.put(Body::Head(Box::new(head)));
    writer.put(Body::Link(Link { up: true, what: "/dev/ttyUSB0".to_owned() }));
    let (mut k, mut zone_readings) = (0u64, 0);
    while !writer.ending {
        let want = writer.run.want();
        if matches!(want, Want::Zone { .. }) {
            zone_readings += 1;
        }
        let value = tenths(want, k);
        let line = format!("{:04};60;{}.{};GU;OK\r\n", k % 9999 + 1, value / 10, value % 10);
        k += 1;
        writer.at_us += 500_003;
        writer.put(Body::Bytes(line.into_bytes().into()));
        let due = zone_readings > 0 && zone_readings % check_every == 0;
        if due && matches!(want, Want::Zone { .. }) && matches!(writer.run.want(), Want::Zone { .. }) {
            writer.put(Body::Word(Word::Check));
        }
        out.write_all(&writer.text).unwrap();
        writer.text.clear();
    }
    out.flush().unwrap();
}

struct Recording {
    run: Run,
    encoder: Encoder,
    at_us: u64,
    text: Vec<u8>,
    ending: bool,
}

impl Recording {
    fn put(&mut self, body: Body<'_>) {
        self.encoder.begin_group();
        let (n, at_us) = self.encoder.push(self.at_us, body.clone(), &mut self.text);
        let mut effects = Vec::new();
        self.run.apply(&Record { n, at_us, group: n, body }, &mut effects);
        for effect in effects {
            match effect {
                Effect::Tell(_) | Effect::Request(_) => {}
                Effect::Seal => self.seal(),
                Effect::End => {
                    self.seal();
                    self.encoder.begin_group();
                    self.encoder.push(self.at_us, Body::End(Ending::Complete), &mut self.text);
                    self.ending = true;
                }
            }
        }
    }

    fn seal(&mut self) {
        self.encoder.begin_group();
        self.encoder.push(self.at_us, Body::Seal(String::new()), &mut self.text);
    }
}

/// A study with more room than a bench can fill: 120 zones of 10,000 readings each, and no interim check.
/// Its shipped profile is `semicolon-numbered`, and its tile has 92.4 GU at 60 degrees.
pub fn write_study(folder: &Path) {
    let names = |side: &str| (1..=60).map(|n| format!("\"{side}{n}\"")).collect::<Vec<_>>().join(", ");
    let row = |side: &str, y_mm: u32| {
        format!("[[panel.row]]\nnames = [{}]\ny_mm = {y_mm}\nheight_mm = 60\n", names(side))
    };
    let text = format!(
        "name = \"More zones than time\"\n\
         [meter]\nport = \"/dev/ttyUSB0\"\nprofile = \"semicolon-numbered\"\n\
         [tile]\nname = \"Black glass\"\ntolerance_gu = 1.0\nspread_limit_gu = 0.5\n\
         [[tile.value]]\ngeometry_deg = 60\nassigned_gu = 92.4\n\
         [procedure]\ngeometries = [60]\nreadings_per_zone = 10000\norder = \"mirror\"\ntile_readings = 3\n\
         drift_limit_gu = 0.3\nlongest_pause_min = 60\n\
         [[panel]]\nid = \"P1\"\nwidth_mm = 900\nheight_mm = 200\nsubstrate = \"gelcoat\"\n\
         control = [{}]\n{}{}\
         [[treatment]]\ncode = \"T1\"\nname = \"Slipway Wax Paste\"\n\
         [[patch]]\ntreatment = \"T1\"\npanel = \"P1\"\nzones = [{}]\n",
        names("C"),
        row("C", 20),
        row("A", 120),
        names("A"),
    );
    std::fs::create_dir_all(folder).unwrap();
    std::fs::write(folder.join("study.toml"), text).unwrap();
}
