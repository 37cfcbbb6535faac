//! What the books say about each zone right now, worked out once for a picture of the run.

use crate::run::Ledger;
use crate::run::Reading;
use crate::run::Run;
use crate::run::Spot;
use crate::run::Status;
use crate::run::Want;
use crate::units::Geometry;
use crate::units::PerGeometry;

/// How a zone stands; its shape says so, and its colour only helps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// Nothing that counts has been read.
    ToRead,
    /// Read, and waits for the tile check that proves it.
    Pending,
    /// Proven.
    Proven,
    /// Its bracket did not hold: drifted, or never closed.
    NotHeld,
    /// Left out, void or replaced.
    LeftOut,
    /// Comes next.
    Next,
}

impl Mark {
    /// The mark as one character.
    #[must_use]
    pub const fn shape(self) -> char {
        match self {
            Mark::ToRead => '·',
            Mark::Pending => '○',
            Mark::Proven => '●',
            Mark::NotHeld => '×',
            Mark::LeftOut => '–',
            Mark::Next => '▶',
        }
    }

    /// What the mark says.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Mark::ToRead => "to read",
            Mark::Pending => "not proven yet",
            Mark::Proven => "proven",
            Mark::NotHeld => "did not hold",
            Mark::LeftOut => "left out",
            Mark::Next => "next",
        }
    }

    /// The mark of a reading by what became of it.
    #[must_use]
    pub const fn of(status: Status) -> Mark {
        match status {
            Status::Pending => Mark::Pending,
            Status::Proven => Mark::Proven,
            Status::Drifted | Status::NotProven => Mark::NotHeld,
            Status::Voided | Status::Undone | Status::Superseded => Mark::LeftOut,
        }
    }
}

/// One zone as it stands.
#[derive(Clone, Debug, Default)]
pub struct ZoneNow {
    /// Placements of the present attempt, void ones included.
    pub taken: u32,
    /// Readings that count, GU, by geometry.
    pub counted: PerGeometry<Vec<f64>>,
    /// Last value as the meter printed it, by geometry; of an earlier attempt if that did not hold.
    pub last: PerGeometry<String>,
    /// Whether all that counts is proven.
    pub proven: bool,
    /// Whether an earlier attempt did not hold.
    pub not_held: bool,
    /// Left out with a reason.
    pub skipped: bool,
}

/// The whole run as it stands.
pub struct Survey<'a> {
    /// The books.
    pub ledger: &'a Ledger,
    /// What comes next.
    pub want: Want,
    /// Whether the meter's line is up.
    pub link_up: bool,
    /// Whether the run is over.
    pub over: bool,
    /// Whether the meter is asked for each reading.
    pub asked: bool,
    /// Time of the last finished check.
    pub last_check_us: Option<u64>,
    /// When something is due.
    pub deadline_us: Option<u64>,
    /// Every zone of the set-up.
    pub zones: Vec<ZoneNow>,
}

impl<'a> Survey<'a> {
    /// Looks through the books.
    #[must_use]
    pub fn of(run: &'a Run) -> Survey<'a> {
        let ledger = run.ledger();
        let mut zones = vec![ZoneNow { proven: true, ..ZoneNow::default() }; ledger.setup.zones.len()];
        for reading in &ledger.readings {
            if let Spot::Zone { zone, attempt } = reading.spot {
                let zone = usize::from(zone);
                enter(&mut zones[zone], reading, attempt == ledger.attempts[zone]);
            }
        }
        for &zone in ledger.skipped.keys() {
            zones[zone].skipped = true;
        }
        let geometries = ledger.setup.geometries.len().max(1) as u32;
        for zone in &mut zones {
            zone.taken /= geometries;
        }
        Survey {
            ledger,
            want: run.want(),
            asked: run.is_asked(),
            link_up: run.link_is_up(),
            over: run.is_over(),
            last_check_us: run.last_check_us(),
            deadline_us: run.due_us(),
            zones,
        }
    }

    /// The zone that is read next.
    #[must_use]
    pub fn next_zone(&self) -> Option<usize> {
        match self.want {
            Want::Zone { zone, .. } => Some(zone),
            _ => None,
        }
    }

    /// How a zone stands; `zone` is its index in the set-up.
    #[must_use]
    pub fn mark(&self, zone: usize) -> Mark {
        let now = &self.zones[zone];
        match () {
            () if self.next_zone() == Some(zone) => Mark::Next,
            () if now.skipped => Mark::LeftOut,
            () if !now.counted.is_empty() && now.proven => Mark::Proven,
            () if !now.counted.is_empty() => Mark::Pending,
            () if now.taken > 0 => Mark::LeftOut,
            () if now.not_held => Mark::NotHeld,
            () => Mark::ToRead,
        }
    }

    /// The last values of a zone; none of an earlier attempt while the zone is next.
    #[must_use]
    pub fn shown(&self, zone: usize) -> &PerGeometry<String> {
        const NONE: &PerGeometry<String> = &PerGeometry::none();
        let now = &self.zones[zone];
        if self.mark(zone) == Mark::Next && now.taken == 0 { NONE } else { &now.last }
    }

    /// Placements that a zone needs.
    #[must_use]
    pub fn wanted(&self, zone: usize) -> u32 {
        self.ledger.wanted(zone)
    }

    /// Placements on zones that the plan still asks for.
    #[must_use]
    pub fn to_come(&self) -> usize {
        let plan = self.ledger.setup.plan.iter().flat_map(|block| &block.0);
        plan.filter(|&&zone| !self.zones[zone].skipped)
            .map(|&zone| self.wanted(zone).saturating_sub(self.zones[zone].taken) as usize)
            .sum()
    }

    /// The geometry to show where there is room for one: 60° if it is in the plan.
    #[must_use]
    pub fn main_geometry(&self) -> Geometry {
        let all = &self.ledger.setup.geometries;
        let sixty = all.iter().find(|&&g| g == Geometry::Deg60);
        sixty.or(all.first()).copied().unwrap_or(Geometry::Deg60)
    }

    /// The readings of the last placement that was not taken back.
    #[must_use]
    pub fn last_placement(&self) -> &'a [Reading] {
        let readings = &self.ledger.readings;
        let Some(last) = readings.iter().rposition(|r| r.status != Status::Undone) else { return &[] };
        let first = readings[..=last].partition_point(|r| r.placement < readings[last].placement);
        &readings[first..=last]
    }

    /// What the meter stood on, in a few words.
    #[must_use]
    pub fn spot(&self, spot: Spot) -> String {
        match spot {
            Spot::Tile { check } => {
                let kind = self.ledger.checks.get(check as usize).map_or("tile", |c| c.kind.text());
                format!("tile, {kind}")
            }
            Spot::Zone { zone, .. } => self.ledger.setup.zone_label(usize::from(zone)),
        }
    }
}

fn enter(zone: &mut ZoneNow, reading: &Reading, is_present_attempt: bool) {
    match reading.status {
        Status::Undone => {}
        // Its place is read again, so it is neither there nor left out.
        Status::Voided if is_present_attempt => {}
        Status::Pending | Status::Proven if is_present_attempt => {
            zone.taken += 1;
            let counted = zone.counted.slot(reading.geometry).get_or_insert_default();
            counted.push(reading.gloss.to_f64());
            zone.last.set(reading.geometry, reading.gloss.to_string());
            zone.proven &= reading.status == Status::Proven;
        }
        Status::Drifted | Status::NotProven => {
            zone.not_held = true;
            zone.last.set(reading.geometry, reading.gloss.to_string());
        }
        Status::Pending | Status::Proven | Status::Voided | Status::Superseded => {
            // Read again on purpose: what stood there before counts no more, nor does its failing.
            zone.not_held = false;
            *zone.last.slot(reading.geometry) = None;
        }
    }
}
