//! What a run has on its books: every reading with its status, every check, every bracket. The
//! tables are written from it, and so is the screen.

use super::setup::Setup;
use crate::meter::Specification;
use crate::tile::{CheckVerdict, GeometryCheck};
use crate::units::{Geometry, Gloss, PerGeometry};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What became of a reading. Nothing ever leaves the books; only its status changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[repr(u8)]
pub enum Status {
    /// Its bracket is still open.
    Pending,
    /// Its bracket holds; a reading of a check: the check is finished.
    Proven,
    /// Its bracket does not hold.
    Drifted,
    /// The run ended, or stands, without a check that could prove it.
    NotProven,
    /// A person declared it void and gave a reason.
    Voided,
    /// The operator took the placement back.
    Undone,
    /// Read again later; the later one counts.
    Superseded,
}

impl Status {
    /// The status as it stands in the tables.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Status::Pending => "pending",
            Status::Proven => "proven",
            Status::Drifted => "drifted",
            Status::NotProven => "not-proven",
            Status::Voided => "voided",
            Status::Undone => "undone",
            Status::Superseded => "superseded",
        }
    }
}

/// What the meter stood on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spot {
    /// The tile: index into [`Ledger::checks`].
    Tile {
        /// Index of the check.
        check: u32,
    },
    /// A zone.
    Zone {
        /// Index into the set-up's zones.
        zone: u16,
        /// Which time the zone is being read, from 1; a zone taken again has the next number.
        attempt: u16,
    },
}

/// One gloss value and where it belongs. Kept small: a long run holds a million of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// Microseconds since the start of the run.
    pub at_us: u64,
    /// Number of the record that ended its line.
    pub record: u32,
    /// Number of the placement, from 1; the geometries of one line share it.
    pub placement: u32,
    /// The value.
    pub gloss: Gloss,
    /// What the meter stood on.
    pub spot: Spot,
    /// Which repeat on the spot, from 1.
    pub repeat: u32,
    /// Geometry.
    pub geometry: Geometry,
    /// What became of it.
    pub status: Status,
}

/// What a check is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CheckKind {
    /// Opens a bracket, at the start or after a failed one.
    Opening,
    /// Ends one bracket and opens the next.
    Interim,
    /// Ends the last bracket.
    Closing,
    /// Before an adjustment of the meter: ends a bracket.
    AsFound,
    /// After an adjustment: opens a bracket. On the tile that the meter was set on it shows
    /// stability only.
    AsLeft,
    /// On a black trap: whether the meter shows 0 where there is no gloss. Touches no bracket.
    Zero,
    /// On the tile in the middle of the scale: whether the scale is straight. Touches no bracket.
    Middle,
}

impl CheckKind {
    /// The kind as it stands in the tables.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            CheckKind::Opening => "opening",
            CheckKind::Interim => "interim",
            CheckKind::Closing => "closing",
            CheckKind::AsFound => "as-found",
            CheckKind::AsLeft => "as-left",
            CheckKind::Zero => "zero",
            CheckKind::Middle => "middle",
        }
    }

    /// Whether it looks at another point of the scale than the tile, and so opens and ends no bracket.
    #[must_use]
    pub const fn is_of_scale(self) -> bool {
        matches!(self, CheckKind::Zero | CheckKind::Middle)
    }
}

/// One tile check, finished or not.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// What it is for.
    pub kind: CheckKind,
    /// Mean time of its readings, microseconds since the start; of the ones so far while it runs.
    pub at_us: u64,
    /// Each geometry's figures; empty while the check is unfinished.
    pub geometries: PerGeometry<GeometryCheck>,
    /// What it came to; absent while it is unfinished, and for good if it never was finished.
    pub verdict: Option<CheckVerdict>,
}

/// The stretch between two neighbouring checks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bracket {
    /// The check that opened it: index into [`Ledger::checks`].
    pub opening: u32,
    /// The check that ended it; absent while it is open.
    pub closing: Option<u32>,
    /// Index into [`Ledger::readings`] of the first reading after the opening check.
    pub first_reading: u32,
    /// Proven or drifted once ended; pending while open; not proven when the run ended first.
    pub status: Status,
}

/// What the range rules have made of the present attempt at a zone.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ZoneRange {
    /// Readings beyond those of the procedure: what it has, and what it wants still.
    pub extra: u32,
    /// Where its readings lie too far apart although as many again were taken.
    pub exceeded: PerGeometry<()>,
    /// Where the zones of its side lie too far apart although each was read more often.
    pub side_exceeded: PerGeometry<()>,
}

/// A point where elapsed time and the wall clock were tied together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sitting {
    /// Elapsed time at which it began, microseconds since the start of the run.
    pub at_us: u64,
    /// Wall-clock time at that moment, microseconds since 1970-01-01T00:00:00Z.
    pub wall_us: i64,
    /// Offset of the place from UTC at that moment, seconds.
    pub offset_s: i32,
}

/// How the recording stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunState {
    /// Still going on, or cut off and waiting to be taken up again.
    Open,
    /// Came to its end: every zone proven, or skipped with a reason.
    Complete,
    /// The operator gave it up.
    Abandoned,
}

/// The books of one run.
#[derive(Clone, Debug)]
pub struct Ledger {
    /// The run's id.
    pub id: String,
    /// Program version that began it.
    pub program: String,
    /// The set-up it is judged by.
    pub setup: Setup,
    /// What the meter's profile states of its errors.
    pub specification: Specification,
    /// Every reading, in the order of arrival.
    pub readings: Vec<Reading>,
    /// Every check, in order.
    pub checks: Vec<Check>,
    /// Every bracket, in order.
    pub brackets: Vec<Bracket>,
    /// Per zone of the set-up: the attempt that counts now, from 1.
    pub attempts: Vec<u16>,
    /// Per zone of the set-up: what the range rules made of it; nothing where there is no entry.
    pub ranges: Vec<ZoneRange>,
    /// Zones left out, with the reason.
    pub skipped: BTreeMap<usize, String>,
    /// Voided placements, with the reason.
    pub voids: BTreeMap<u32, String>,
    /// Where elapsed time was tied to the wall clock: the start, then each time the run was taken up.
    pub sittings: Vec<Sitting>,
    /// How the recording stands.
    pub state: RunState,
}

impl Ledger {
    /// What the range rules made of a zone.
    #[must_use]
    pub fn range(&self, zone: usize) -> ZoneRange {
        self.ranges.get(zone).copied().unwrap_or_default()
    }

    /// Readings that a zone takes in its present attempt: those that count, and those that it wants still.
    /// It is complete once so many count.
    #[must_use]
    pub fn wanted(&self, zone: usize) -> u32 {
        self.setup.procedure.readings_per_zone.saturating_add(self.range(zone).extra)
    }

    /// Wall-clock time of an elapsed time, microseconds since the epoch, and the offset in seconds.
    #[must_use]
    pub fn wall(&self, at_us: u64) -> (i64, i32) {
        let after = self.sittings.partition_point(|s| s.at_us <= at_us).max(1);
        let sitting = &self.sittings[after - 1];
        let since = at_us as i64 - sitting.at_us as i64;
        (sitting.wall_us + since, sitting.offset_s)
    }
}
