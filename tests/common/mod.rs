//! A bench without hardware, files or clocks: records go into a run, sentences come out, and the
//! recording's bytes can be had too.

#![allow(dead_code, clippy::unwrap_used, reason = "shared by several test programs, each using a part")]

pub mod damage;
pub mod moment;
pub mod stories;

use halfpanel::run::record::{Body, Encoder, Head, Link, Record, Resumed};
use halfpanel::run::setup::{
    Block, Comparing, DriftPolicy, Middle, Panel, Procedure, Role, Setup, Tile, TileValue, Treatment, Zero,
    Zone,
};
use halfpanel::run::{Effect, Run, Word, say};
use halfpanel::tile::TileRule;
use halfpanel::units::Geometry;
use rust_decimal::Decimal;

/// A profile for the tests: a number alone on a line is a reading at 60°.
pub const PLAIN: &str = r#"
name = "plain"
about = "a value alone on its line"
[line]
separator = ";"
fields = ["gloss"]
geometry_deg = 60
[[example]]
line = "85.3"
gloss_60 = "85.3"
"#;

/// Has the meter's profile state its repeatability.
pub fn state_repeatability(setup: &mut Setup, gu: Decimal) {
    setup.profile.push_str(&format!("\n[specification]\nrepeatability_gu = \"{gu}\"\n"));
}

/// One panel, zones C1… bare and T1… treated, read in the order C1 T1 C2 T2 …, one reading each,
/// each pair a block.
pub fn setup(zones_a_side: usize) -> Setup {
    let zone = |name: String, role: Role, x: usize, y: f64| Zone {
        panel: 0,
        name,
        role,
        treatment: (role == Role::Treated).then_some(0),
        stage: "cured".to_owned(),
        applied_at: None,
        x_mm: 10.0 + 40.0 * x as f64,
        y_mm: y,
        width_mm: 30.0,
        height_mm: 30.0,
    };
    let mut zones = Vec::new();
    for i in 0..zones_a_side {
        zones.push(zone(format!("C{}", i + 1), Role::Control, i, 10.0));
        zones.push(zone(format!("T{}", i + 1), Role::Treated, i, 60.0));
    }
    Setup {
        study: "a bench without hardware".to_owned(),
        operator: String::new(),
        port: "none".to_owned(),
        profile: PLAIN.to_owned(),
        serial_number: None,
        geometries: vec![Geometry::Deg60],
        tile: Tile {
            name: "black glass".to_owned(),
            certificate_date: None,
            zero: None,
            middle: None,
            values: vec![TileValue {
                geometry_deg: Geometry::Deg60,
                assigned_gu: "92.4".parse().unwrap(),
                expanded_uncertainty_gu: None,
            }],
            rule: TileRule {
                readings: 3,
                tolerance_gu: "1.0".parse().unwrap(),
                spread_limit_gu: "0.5".parse().unwrap(),
                drift_limit_gu: "0.3".parse().unwrap(),
            },
        },
        procedure: Procedure {
            readings_per_zone: 1,
            interim_after_readings: None,
            interim_after_min: None,
            longest_pause_min: 60,
            drift_policy: DriftPolicy::Allow,
            side_range_limit_gu: None,
        },
        comparing: Comparing::default(),
        panels: vec![Panel { id: "P1".to_owned(), width_mm: 300.0, height_mm: 100.0 }],
        treatments: vec![Treatment {
            code: "T1".to_owned(),
            name: "Slipway Wax".to_owned(),
            batch: String::new(),
            how: String::new(),
            cure_hours: None,
        }],
        plan: (0..zones_a_side).map(|i| Block(vec![2 * i, 2 * i + 1])).collect(),
        zones,
        repeatability: None,
    }
}

/// The set-up with a black trap and a middle tile of 47.3 GU.
pub fn with_scale(mut setup: Setup) -> Setup {
    setup.tile.zero = Some(Zero { tolerance_gu: "0.1".parse().unwrap() });
    setup.tile.middle = Some(Middle {
        name: "grey glass".to_owned(),
        tolerance_gu: "1.0".parse().unwrap(),
        values: vec![TileValue {
            geometry_deg: Geometry::Deg60,
            assigned_gu: "47.3".parse().unwrap(),
            expanded_uncertainty_gu: Some("0.8".parse().unwrap()),
        }],
    });
    setup
}

pub fn head(setup: Setup) -> Head {
    Head {
        format: halfpanel::run::record::FORMAT,
        oldest_reader: "0.1.0".to_owned(),
        program: "0.1.0".to_owned(),
        run: "2026-06-01-01".to_owned(),
        wall: chrono::DateTime::parse_from_rfc3339("2026-06-01T09:00:00+02:00").unwrap(),
        clock: "boottime".to_owned(),
        time_factor: 1.0,
        study_sha256: "0".repeat(64),
        setup,
    }
}

/// A run on the bench. Time only moves when a test says so: five seconds before each placement.
pub struct Bench {
    pub run: Run,
    encoder: Encoder,
    now_us: u64,
    n: u32,
    /// The recording so far.
    pub bytes: Vec<u8>,
    /// What was said, one sentence a line, each with its time.
    pub said: String,
    /// What was said to programs, one line of JSON each.
    pub events: Vec<String>,
    /// What a page hears of it.
    pub heard: Vec<halfpanel::view::Heard>,
    wall: chrono::DateTime<chrono::FixedOffset>,
}

impl Bench {
    pub fn new(setup: Setup) -> Bench {
        Bench::with_head(head(setup))
    }

    pub fn with_head(head: Head) -> Bench {
        let run = Run::open(&head).unwrap();
        let mut bench = Bench {
            run,
            encoder: Encoder::new(),
            now_us: 0,
            n: 0,
            bytes: Vec::new(),
            said: String::new(),
            events: Vec::new(),
            heard: Vec::new(),
            wall: head.wall,
        };
        bench.put(Body::Head(Box::new(head)));
        bench.link(true);
        bench
    }

    /// Records and applies one body, in a sync group of its own.
    pub fn put(&mut self, body: Body<'_>) {
        self.encoder.begin_group();
        let (n, at_us) = self.encoder.push(self.now_us, body.clone(), &mut self.bytes);
        self.n = n;
        let mut effects = Vec::new();
        self.run.apply(&Record { n, at_us, group: n, body }, &mut effects);
        for effect in effects {
            self.follow(&effect);
        }
    }

    fn follow(&mut self, effect: &Effect) {
        match effect {
            Effect::Tell(notice) => {
                let minutes = self.now_us as f64 / 6e7;
                let sentence = say::sentence(notice, self.run.ledger());
                self.said.push_str(&format!("{minutes:.2} {sentence}\n"));
                self.heard.push(halfpanel::view::Heard::of(notice, &self.run, self.now_us));
                let events = say::events(notice, self.run.ledger());
                self.events.extend(events.map(|event| serde_json::to_string(&event).unwrap()));
            }
            Effect::Request(request) => self.put(Body::Request(request.to_vec().into())),
            Effect::Seal => {
                self.encoder.begin_group();
                self.encoder.push(self.now_us, Body::Seal(String::new()), &mut self.bytes);
            }
            Effect::End => {
                self.follow(&Effect::Seal);
                self.encoder.begin_group();
                let end = match self.run.ledger().state {
                    halfpanel::run::RunState::Abandoned => halfpanel::run::record::Ending::Abandoned,
                    _ => halfpanel::run::record::Ending::Complete,
                };
                self.encoder.push(self.now_us, Body::End(end), &mut self.bytes);
            }
        }
    }

    pub fn link(&mut self, up: bool) -> &mut Self {
        self.put(Body::Link(Link { up, what: "the bench".to_owned() }));
        self
    }

    pub fn wait_min(&mut self, minutes: f64) -> &mut Self {
        self.now_us += (minutes * 6e7) as u64;
        self
    }

    /// Microseconds since the start of the run.
    pub fn now_us(&self) -> u64 {
        self.now_us
    }

    pub fn tick(&mut self) -> &mut Self {
        self.put(Body::Tick);
        self
    }

    pub fn bytes(&mut self, bytes: &[u8]) -> &mut Self {
        self.put(Body::Bytes(bytes.into()));
        self
    }

    /// Placements, five seconds apart, one value each.
    pub fn press(&mut self, values: &str) -> &mut Self {
        for value in values.split_whitespace() {
            self.now_us += 5_000_000;
            self.put(Body::Bytes(format!("{value}\r\n").into_bytes().into()));
        }
        self
    }

    pub fn word(&mut self, word: Word) -> &mut Self {
        self.now_us += 1_000_000;
        self.put(Body::Word(word));
        self
    }

    pub fn resume_after_min(&mut self, minutes: f64, gap_unknown: bool) -> &mut Self {
        self.resume_with_torn(minutes, gap_unknown, "")
    }

    /// Takes the run up again; these bytes at the end of the file were torn, and had to be cut off.
    pub fn resume_with_torn(&mut self, minutes: f64, gap_unknown: bool, torn: &str) -> &mut Self {
        self.wait_min(minutes);
        let wall = self.wall + chrono::TimeDelta::microseconds(self.now_us as i64);
        self.put(Body::Resumed(Box::new(Resumed {
            program: "0.1.0".to_owned(),
            wall,
            clock: "boottime".to_owned(),
            gap_unknown,
            torn: torn.to_owned(),
        })));
        self.link(true)
    }

    /// Statuses of the zone readings in order, as `C1 71.4 proven`.
    pub fn zone_readings(&self) -> String {
        let ledger = self.run.ledger();
        let mut text = String::new();
        for reading in &ledger.readings {
            if let halfpanel::run::Spot::Zone { zone, .. } = reading.spot {
                let zone = ledger.setup.zone_label(usize::from(zone));
                text.push_str(&format!("{zone} {} {}\n", reading.gloss, reading.status.text()));
            }
        }
        text
    }
}
