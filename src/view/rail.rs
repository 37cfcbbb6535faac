//! The bracket rail: the checks with their distance from the tile's value, the placements between, and how far
//! the tile moved from one check to the next.

use crate::difference::gain::Drift;
use crate::difference::gain::drift;
use crate::run::CheckKind;
use crate::run::Status;
use crate::stats::outliers::Floor;
use crate::tile::CheckVerdict;
use crate::units::PerGeometry;
use crate::view::beads::Bead;
use crate::view::beads::beads;
use crate::view::heard::time_of_day;
use crate::view::survey::Mark;
use crate::view::survey::Survey;
use rust_decimal::prelude::ToPrimitive;

/// The rail.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RailView {
    /// What stands on it, in order of time; what is to come last.
    pub beads: Vec<RailBead>,
    /// The brackets, in order.
    pub brackets: Vec<BracketView>,
    /// Largest distance of a check's mean from the tile's value, GU.
    pub tolerance_gu: f64,
    /// How far the tile may move from one check to the next, GU.
    pub drift_limit_gu: f64,
}

/// One bead of the rail.
#[derive(Clone, Debug, PartialEq)]
pub enum RailBead {
    /// A check.
    Check(CheckView),
    /// A placement on a zone.
    Placement {
        /// Its number.
        number: u32,
        /// Label of the zone.
        label: String,
        /// How it stands.
        mark: Mark,
        /// Value at the main geometry as the meter printed it, GU.
        value_gu: String,
    },
    /// A placement that the plan still asks for.
    ToCome,
    /// A check that the plan still asks for.
    CheckToCome,
}

/// A check on the rail.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckView {
    /// Index in the books.
    pub index: usize,
    /// What it is for.
    pub kind: CheckKind,
    /// Time of day at the bench, `HH:MM:SS`.
    pub time: String,
    /// What it came to; absent while it is unfinished.
    pub verdict: Option<CheckVerdict>,
    /// Mean minus assigned value, GU, by geometry.
    pub deviation_gu: PerGeometry<f64>,
}

/// A bracket on the rail.
#[derive(Clone, Debug, PartialEq)]
pub struct BracketView {
    /// Index of the check that opened it, in the books.
    pub opening: usize,
    /// Index of the check that ended it; absent while it is open.
    pub closing: Option<usize>,
    /// Proven, drifted, not proven, or pending while it is open.
    pub status: Status,
    /// How far the tile moved, by geometry.
    pub drift: PerGeometry<Drift>,
}

impl RailView {
    /// The rail of a run.
    #[must_use]
    pub fn of(survey: &Survey<'_>) -> RailView {
        let ledger = survey.ledger;
        let rule = &ledger.setup.tile.rule;
        let gu = |limit: rust_decimal::Decimal| limit.to_f64().unwrap_or(0.0);
        let bracket = |of: &crate::run::Bracket| BracketView {
            opening: of.opening as usize,
            closing: of.closing.map(|check| check as usize),
            status: of.status,
            drift: ledger
                .setup
                .geometries
                .iter()
                .filter_map(|&g| Some((g, drift(ledger, of, g, Floor::default())?)))
                .collect(),
        };
        RailView {
            beads: beads(survey).into_iter().map(|bead| rail_bead(survey, bead)).collect(),
            brackets: ledger.brackets.iter().map(bracket).collect(),
            tolerance_gu: gu(rule.tolerance_gu),
            drift_limit_gu: gu(rule.drift_limit_gu),
        }
    }
}

fn rail_bead(survey: &Survey<'_>, bead: Bead) -> RailBead {
    let ledger = survey.ledger;
    match bead {
        Bead::Tile { check: Some(index), verdict } => {
            let check = &ledger.checks[index];
            let (wall_us, offset_s) = ledger.wall(check.at_us);
            RailBead::Check(CheckView {
                index,
                kind: check.kind,
                time: time_of_day(wall_us, offset_s),
                verdict,
                deviation_gu: check.geometries.iter().map(|(g, of)| (g, of.deviation_gu)).collect(),
            })
        }
        Bead::Tile { check: None, .. } => RailBead::CheckToCome,
        Bead::Placement { number, mark } => {
            let first = ledger.readings.partition_point(|r| r.placement < number);
            let readings = &ledger.readings[first..];
            let placement = || readings.iter().take_while(|r| r.placement == number);
            let main = survey.main_geometry();
            let reading = placement().find(|r| r.geometry == main).or_else(|| placement().next());
            RailBead::Placement {
                number,
                mark,
                label: reading.map_or_else(String::new, |r| survey.spot(r.spot)),
                value_gu: reading.map_or_else(String::new, |r| r.gloss.to_string()),
            }
        }
        Bead::ToCome => RailBead::ToCome,
    }
}
