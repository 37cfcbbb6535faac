//! A run as it is published: its checks, brackets and readings in a few words each, so that thousands of runs
//! fit into memory.

use crate::meter::Profile;
use crate::run::CheckKind;
use crate::run::Ledger;
use crate::run::Replayed;
use crate::run::RunState;
use crate::run::Spot;
use crate::run::Status;
use crate::run::setup::Comparing;
use crate::run::setup::Procedure;
use crate::run::setup::Role;
use crate::run::setup::Tile;
use crate::tile::CheckVerdict;
use crate::units::Geometry;
use crate::units::Gloss;

/// How a run was measured: what decides whether two runs may stand side by side.
#[derive(Clone, Debug, PartialEq)]
pub struct Method {
    /// Name of the meter's profile.
    pub meter: String,
    /// What the profile says of itself.
    pub about: String,
    /// Step of the display, GU.
    pub resolution_gu: Option<Gloss>,
    /// Stated repeatability, GU.
    pub repeatability_gu: Option<Gloss>,
    /// The tile.
    pub tile: Tile,
    /// The rules of the sitting.
    pub procedure: Procedure,
    /// Geometries read.
    pub geometries: Vec<Geometry>,
    /// What a difference is held against; the earlier runs are left out.
    pub comparing: Comparing,
    /// Whether the meter was a simulated one.
    pub simulated: bool,
}

/// One tile check.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckMark {
    /// What it was for.
    pub kind: CheckKind,
    /// Mean time of its readings, microseconds since the start.
    pub at_us: u64,
    /// What it came to; absent if it was never finished.
    pub verdict: Option<CheckVerdict>,
    /// Geometry, mean, and mean minus assigned value, GU.
    pub figures: Vec<(Geometry, f64, f64)>,
}

/// One bracket.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BracketMark {
    /// Index of the check that opened it.
    pub opening: usize,
    /// Index of the check that ended it; absent if none did.
    pub closing: Option<usize>,
    /// What became of its readings.
    pub status: Status,
}

/// What a reading was taken on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// Index of a check.
    Tile(usize),
    /// Index of a zone.
    Zone(usize),
}

/// One reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReadingMark {
    /// When, microseconds since the start.
    pub at_us: u64,
    /// Where.
    pub place: Place,
    /// Which repeat there, from 1.
    pub repeat: u32,
    /// Geometry.
    pub geometry: Geometry,
    /// The value.
    pub gloss: Gloss,
    /// What became of it.
    pub status: Status,
    /// Number of its record.
    pub record: u32,
}

/// A zone of a run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ZoneMark {
    /// Panel.
    pub panel: String,
    /// Name.
    pub zone: String,
    /// Role.
    pub role: Role,
    /// Code of its treatment; empty on a control zone.
    pub treatment: String,
    /// Stage.
    pub stage: String,
}

/// A run.
#[derive(Clone, Debug, PartialEq)]
pub struct RunRecord {
    /// Id.
    pub id: String,
    /// SHA-256 of its recording.
    pub sha256: String,
    /// When it began, microseconds since 1970-01-01T00:00:00Z.
    pub began_us: i64,
    /// Offset of the place from UTC, seconds.
    pub offset_s: i32,
    /// How it stands.
    pub state: RunState,
    /// Who held the meter; empty if nobody was named.
    pub operator: String,
    /// Index of its method.
    pub method: usize,
    /// Its zones.
    pub zones: Vec<ZoneMark>,
    /// Its checks.
    pub checks: Vec<CheckMark>,
    /// Its brackets.
    pub brackets: Vec<BracketMark>,
    /// Its readings, in the order of arrival.
    pub readings: Vec<ReadingMark>,
    /// Zones left out, each with the reason.
    pub skipped: Vec<(usize, String)>,
}

impl Method {
    /// How a recording was measured.
    #[must_use]
    pub fn of(replayed: &Replayed) -> Method {
        let setup = &replayed.head.setup;
        let profile = Profile::load("profile", &setup.profile).ok();
        let specification = profile.as_ref().map(Profile::specification).unwrap_or_default();
        Method {
            meter: profile.as_ref().map_or_else(String::new, |profile| profile.name().to_owned()),
            about: profile.as_ref().map_or_else(String::new, |profile| profile.about().to_owned()),
            resolution_gu: specification.resolution_gu,
            repeatability_gu: specification.repeatability_gu,
            tile: setup.tile.clone(),
            procedure: setup.procedure,
            geometries: setup.geometries.clone(),
            comparing: Comparing { earlier: Vec::new(), ..setup.comparing.clone() },
            simulated: replayed.head.clock == "simulated",
        }
    }
}

impl RunRecord {
    /// A recording as it is published; its method stands among `methods`, where it is put if it is new.
    #[must_use]
    pub fn of(replayed: &Replayed, methods: &mut Vec<Method>) -> RunRecord {
        let ledger = replayed.run.ledger();
        let method = Method::of(replayed);
        let at = methods.iter().position(|known| *known == method).unwrap_or_else(|| {
            methods.push(method);
            methods.len() - 1
        });
        let zones = ledger.setup.zones.iter().map(|zone| ZoneMark {
            panel: ledger.setup.panels.get(zone.panel).map_or_else(String::new, |panel| panel.id.clone()),
            zone: zone.name.clone(),
            role: zone.role,
            treatment: zone
                .treatment
                .and_then(|index| ledger.setup.treatments.get(index))
                .map_or_else(String::new, |treatment| treatment.code.clone()),
            stage: zone.stage.clone(),
        });
        RunRecord {
            id: ledger.id.clone(),
            sha256: replayed.sha256.clone(),
            began_us: replayed.head.wall.timestamp_micros(),
            offset_s: replayed.head.wall.offset().local_minus_utc(),
            state: ledger.state,
            operator: ledger.setup.operator.clone(),
            method: at,
            zones: zones.collect(),
            checks: checks(ledger),
            brackets: brackets(ledger),
            readings: readings(ledger),
            skipped: ledger.skipped.iter().map(|(zone, why)| (*zone, why.clone())).collect(),
        }
    }

    /// Names of its panels, each once, in their order.
    #[must_use]
    pub fn panels(&self) -> Vec<&str> {
        each_once(self.zones.iter().map(|zone| zone.panel.as_str()))
    }

    /// Stages of its treated zones, each once.
    #[must_use]
    pub fn stages(&self) -> Vec<&str> {
        let treated = self.zones.iter().filter(|zone| zone.role == Role::Treated);
        each_once(treated.map(|zone| zone.stage.as_str()))
    }

    /// Codes of its treatments, each once.
    #[must_use]
    pub fn treatments(&self) -> Vec<&str> {
        let codes = self.zones.iter().map(|zone| zone.treatment.as_str());
        each_once(codes.filter(|code| !code.is_empty()))
    }

    /// Geometries of its readings, rising.
    #[must_use]
    pub fn geometries(&self) -> Vec<Geometry> {
        let has = |geometry: &Geometry| self.readings.iter().any(|reading| reading.geometry == *geometry);
        Geometry::ALL.into_iter().filter(has).collect()
    }
}

fn each_once<'a>(names: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let mut once: Vec<&str> = Vec::new();
    for name in names {
        if !once.contains(&name) {
            once.push(name);
        }
    }
    once
}

fn checks(ledger: &Ledger) -> Vec<CheckMark> {
    let one = |check: &crate::run::Check| CheckMark {
        kind: check.kind,
        at_us: check.at_us,
        verdict: check.verdict,
        figures: check.geometries.iter().map(|(at, found)| (at, found.mean_gu, found.deviation_gu)).collect(),
    };
    ledger.checks.iter().map(one).collect()
}

fn brackets(ledger: &Ledger) -> Vec<BracketMark> {
    let one = |bracket: &crate::run::Bracket| BracketMark {
        opening: bracket.opening as usize,
        closing: bracket.closing.map(|at| at as usize),
        status: bracket.status,
    };
    ledger.brackets.iter().map(one).collect()
}

fn readings(ledger: &Ledger) -> Vec<ReadingMark> {
    let one = |reading: &crate::run::Reading| ReadingMark {
        at_us: reading.at_us,
        place: match reading.spot {
            Spot::Tile { check } => Place::Tile(check as usize),
            Spot::Zone { zone, .. } => Place::Zone(usize::from(zone)),
        },
        repeat: reading.repeat,
        geometry: reading.geometry,
        gloss: reading.gloss,
        // As in the tables: what no check has decided yet is not proven.
        status: if reading.status == Status::Pending { Status::NotProven } else { reading.status },
        record: reading.record,
    };
    ledger.readings.iter().map(one).collect()
}
