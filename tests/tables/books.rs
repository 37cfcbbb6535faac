//! Books of a run, written by hand: a bench where a few sealers are compared on gelcoat panels.

use halfpanel::meter::Specification;
use halfpanel::run::Bracket;
use halfpanel::run::Check;
use halfpanel::run::CheckKind;
use halfpanel::run::Ledger;
use halfpanel::run::Reading;
use halfpanel::run::RunState;
use halfpanel::run::Setup;
use halfpanel::run::Sitting;
use halfpanel::run::Spot;
use halfpanel::run::Status;
use halfpanel::run::setup::Block;
use halfpanel::run::setup::Comparing;
use halfpanel::run::setup::DriftPolicy;
use halfpanel::run::setup::Panel;
use halfpanel::run::setup::Procedure;
use halfpanel::run::setup::Role;
use halfpanel::run::setup::Tile;
use halfpanel::run::setup::TileValue;
use halfpanel::run::setup::Treatment;
use halfpanel::run::setup::Zone;
use halfpanel::tile::CheckVerdict;
use halfpanel::tile::GeometryCheck;
use halfpanel::tile::TileRule;
use halfpanel::units::Geometry;
use halfpanel::units::Gloss;
use rust_decimal::Decimal;
use std::collections::BTreeMap;

pub const SECOND: u64 = 1_000_000;
/// 2026-03-07T09:00:00Z, counted with `date -u -d 2026-03-07T09:00:00Z +%s`.
pub const START_US: i64 = 1_772_874_000 * 1_000_000;

pub fn decimal(text: &str) -> Decimal {
    text.parse().unwrap()
}

/// A ledger under construction. Times are seconds since the start.
pub struct Books(pub Ledger);

impl Books {
    /// A tile of 92.4 GU at every geometry, one reading a zone, at a place one hour east of UTC.
    pub fn new(geometries: &[Geometry]) -> Books {
        let value = |&geometry_deg| TileValue {
            geometry_deg,
            assigned_gu: decimal("92.4"),
            expanded_uncertainty_gu: None,
        };
        let setup = Setup {
            study: "sealers".to_owned(),
            operator: String::new(),
            port: "sim:bench.toml".to_owned(),
            profile: String::new(),
            serial_number: None,
            geometries: geometries.to_vec(),
            tile: Tile {
                name: "black".to_owned(),
                certificate_date: None,
                zero: None,
                middle: None,
                values: geometries.iter().map(value).collect(),
                rule: TileRule {
                    readings: 3,
                    tolerance_gu: decimal("1"),
                    spread_limit_gu: decimal("0.5"),
                    drift_limit_gu: decimal("0.3"),
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
            panels: Vec::new(),
            treatments: Vec::new(),
            zones: Vec::new(),
            repeatability: None,
            plan: Vec::new(),
        };
        Books(Ledger {
            id: "run-7".to_owned(),
            program: "0.1.0".to_owned(),
            setup,
            specification: Specification::default(),
            readings: Vec::new(),
            checks: Vec::new(),
            brackets: Vec::new(),
            attempts: Vec::new(),
            ranges: Vec::new(),
            skipped: BTreeMap::new(),
            voids: BTreeMap::new(),
            sittings: vec![Sitting { at_us: 0, wall_us: START_US, offset_s: 3600 }],
            state: RunState::Complete,
        })
    }

    pub fn repeats(mut self, readings_per_zone: u32) -> Books {
        self.0.setup.procedure.readings_per_zone = readings_per_zone;
        self
    }

    pub fn correcting(mut self) -> Books {
        self.0.setup.procedure.drift_policy = DriftPolicy::Correct;
        self
    }

    /// Adds a planned zone, and its panel and treatment where they are new; returns its number.
    pub fn zone(&mut self, panel: &str, name: &str, treatment: Option<&str>) -> u16 {
        let setup = &mut self.0.setup;
        let panel = place(
            &mut setup.panels,
            |p| p.id == panel,
            || Panel { id: panel.to_owned(), width_mm: 300.0, height_mm: 200.0 },
        );
        let treatment = treatment.map(|code| {
            place(
                &mut setup.treatments,
                |t| t.code == code,
                || Treatment {
                    code: code.to_owned(),
                    name: format!("Sealer {code}"),
                    batch: String::new(),
                    how: String::new(),
                    cure_hours: None,
                },
            )
        });
        setup.plan.push(Block(vec![setup.zones.len()]));
        setup.zones.push(Zone {
            panel,
            name: name.to_owned(),
            role: if treatment.is_some() { Role::Treated } else { Role::Control },
            treatment,
            stage: if treatment.is_some() { "cured" } else { "bare" }.to_owned(),
            applied_at: None,
            x_mm: 0.0,
            y_mm: 0.0,
            width_mm: 50.0,
            height_mm: 50.0,
        });
        self.0.attempts.push(1);
        u16::try_from(self.0.setup.zones.len() - 1).unwrap()
    }

    /// A finished check that opens a bracket; its readings come 1 s apart around `at_s`.
    pub fn open(&mut self, kind: CheckKind, at_s: u64, readings: &str) {
        let opening = self.check(kind, at_s, readings);
        let first_reading = u32::try_from(self.0.readings.len()).unwrap();
        self.0.brackets.push(Bracket { opening, closing: None, first_reading, status: Status::Pending });
    }

    /// A finished check that ends the bracket, which comes to `outcome`, and so do its readings.
    pub fn close(&mut self, kind: CheckKind, at_s: u64, readings: &str, outcome: Status) {
        let first = self.0.brackets.last().unwrap().first_reading as usize;
        for reading in &mut self.0.readings[first..] {
            if reading.status == Status::Pending {
                reading.status = outcome;
            }
        }
        let closing = self.check(kind, at_s, readings);
        let bracket = self.0.brackets.last_mut().unwrap();
        (bracket.closing, bracket.status) = (Some(closing), outcome);
    }

    /// A finished check that ends the bracket as proven and opens the next.
    pub fn pass_interim(&mut self, at_s: u64, readings: &str) {
        self.close(CheckKind::Interim, at_s, readings, Status::Proven);
        let opening = self.0.brackets.last().unwrap().closing.unwrap();
        let first_reading = u32::try_from(self.0.readings.len()).unwrap();
        self.0.brackets.push(Bracket { opening, closing: None, first_reading, status: Status::Pending });
    }

    fn check(&mut self, kind: CheckKind, at_s: u64, readings: &str) -> u32 {
        let check = self.begin_check(kind, at_s);
        let rule = self.0.setup.tile.rule;
        let values: Vec<Gloss> = readings.split(' ').map(|r| Gloss::parse(r).unwrap()).collect();
        for (repeat, &gloss) in (1..).zip(&values) {
            self.put(
                Spot::Tile { check },
                (at_s + u64::from(repeat) - 2) * SECOND,
                repeat,
                gloss,
                Status::Proven,
            );
        }
        let judged = GeometryCheck::judge(&values, decimal("92.4"), &rule).unwrap();
        let geometries = self.0.setup.geometries.iter().map(|&g| (g, judged)).collect();
        let at = &mut self.0.checks[check as usize];
        (at.geometries, at.verdict) = (geometries, Some(judged.verdict));
        check
    }

    /// A check that is not finished yet.
    pub fn begin_check(&mut self, kind: CheckKind, at_s: u64) -> u32 {
        let geometries = [].into_iter().collect();
        self.0.checks.push(Check { kind, at_us: at_s * SECOND, geometries, verdict: None });
        u32::try_from(self.0.checks.len() - 1).unwrap()
    }

    /// One placement on a zone in its present attempt, still pending; returns its number.
    pub fn read(&mut self, zone: u16, at_s: u64, gloss: &str) -> u32 {
        let attempt = self.0.attempts[usize::from(zone)];
        let spot = Spot::Zone { zone, attempt };
        let before =
            self.0.readings.iter().filter(|r| r.spot == spot).count() / self.0.setup.geometries.len();
        let repeat = u32::try_from(before + 1).unwrap();
        self.put(spot, at_s * SECOND, repeat, Gloss::parse(gloss).unwrap(), Status::Pending)
    }

    /// One placement, with the same value at every geometry.
    pub fn put(&mut self, spot: Spot, at_us: u64, repeat: u32, gloss: Gloss, status: Status) -> u32 {
        let placement = self.0.readings.last().map_or(1, |last| last.placement + 1);
        for &geometry in &self.0.setup.geometries {
            let record = 100 + placement;
            self.0.readings.push(Reading { at_us, record, placement, gloss, spot, repeat, geometry, status });
        }
        placement
    }

    pub fn set(&mut self, placement: u32, status: Status) {
        for reading in self.0.readings.iter_mut().filter(|r| r.placement == placement) {
            reading.status = status;
        }
    }

    pub fn void(&mut self, placement: u32, reason: &str) {
        self.set(placement, Status::Voided);
        self.0.voids.insert(placement, reason.to_owned());
    }

    pub fn verdict(&self, check: usize) -> Option<CheckVerdict> {
        self.0.checks[check].verdict
    }
}

fn place<T>(all: &mut Vec<T>, is_it: impl Fn(&T) -> bool, new: impl FnOnce() -> T) -> usize {
    all.iter().position(is_it).unwrap_or_else(|| {
        all.push(new());
        all.len() - 1
    })
}

/// One panel with a bracket that holds, from 100 s to 1900 s, a drift of +0.1: the zone means given,
/// one reading a zone, control first.
pub fn two_sides(control: &[&str], treated: &[&str]) -> Books {
    let mut books = Books::new(&[Geometry::Deg60]);
    books.open(CheckKind::Opening, 100, "92.4 92.4 92.4");
    let mut at_s = 200;
    for (side, treatment) in [(control, None), (treated, Some("T1"))] {
        for (number, gloss) in (1..).zip(side) {
            let zone = books.zone(
                "P1",
                &format!("{}{number}", if treatment.is_some() { 'B' } else { 'A' }),
                treatment,
            );
            books.read(zone, at_s, gloss);
            at_s += 10;
        }
    }
    books.close(CheckKind::Closing, 1900, "92.5 92.5 92.5", Status::Proven);
    books
}

/// As [`two_sides`], without drift, every zone read at the same moment and a tile without a doubt: what is
/// left is the scatter of the zones.
pub fn level_sides(control: &[&str], treated: &[&str]) -> Books {
    let mut books = Books::new(&[Geometry::Deg60]);
    books.0.setup.tile.values[0].expanded_uncertainty_gu = Some(Decimal::ZERO);
    books.open(CheckKind::Opening, 100, "92.4 92.4 92.4");
    for (side, treatment) in [(control, None), (treated, Some("T1"))] {
        for (number, gloss) in (1..).zip(side) {
            let letter = if treatment.is_some() { 'B' } else { 'A' };
            let zone = books.zone("P1", &format!("{letter}{number}"), treatment);
            books.read(zone, 200, gloss);
        }
    }
    books.close(CheckKind::Closing, 1900, "92.4 92.4 92.4", Status::Proven);
    books
}
