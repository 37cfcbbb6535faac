//! The readings of a run in the order in which they were taken, with the tile checks that enclose them: how far the
//! tile was off above, the brackets between, the zones below.

use super::Drawing;
use super::Room;
use super::Scale;
use crate::report::publication::Place;
use crate::report::publication::ReadingMark;
use crate::report::publication::RunRecord;
use crate::run::Status;
use crate::run::setup::Role;
use crate::units::Geometry;

const TILE_TOP: f64 = 30.0;
const TILE_FOOT: f64 = 120.0;
const RAIL: f64 = 154.0;
const ZONE_TOP: f64 = 196.0;
const ZONE_FOOT: f64 = 376.0;
const NAMES: f64 = 58.0;
/// From so many pixels a reading on, the zone's name stands below it.
const ROOM_FOR_NAMES: f64 = 13.0;

/// A run at one geometry.
#[derive(Clone, Copy, Debug)]
pub struct Brackets<'p> {
    /// The run.
    pub run: &'p RunRecord,
    /// The geometry.
    pub geometry: Geometry,
    /// Largest deviation that a tile check may have, GU.
    pub tolerance_gu: f64,
}

/// Where things lie.
struct Places {
    left: f64,
    step: f64,
    tile: Scale,
    zones: Scale,
}

impl Places {
    fn x(&self, slot: f64) -> f64 {
        self.left + self.step * (slot + 0.5)
    }
}

impl Brackets<'_> {
    /// Both drawings, one for each room.
    #[must_use]
    pub fn svg(&self) -> String {
        Room::ALL.into_iter().map(|room| self.draw(room)).collect()
    }

    fn readings(&self) -> Vec<&ReadingMark> {
        self.run.readings.iter().filter(|reading| reading.geometry == self.geometry).collect()
    }

    fn draw(&self, room: Room) -> String {
        let readings = self.readings();
        let left = 46.0;
        let step = (room.width() - left - 6.0) / readings.len().max(1) as f64;
        let places = Places {
            left,
            step: step.min(34.0),
            tile: self.tile_scale(&readings),
            zones: Scale::around(zone_values(&readings), ZONE_FOOT, ZONE_TOP, 5),
        };
        let mut drawing = Drawing::new();
        let right = places.x(readings.len() as f64 - 0.5).max(left + 60.0);
        self.grounds(&mut drawing, &places, right);
        self.checks(&mut drawing, &places, &readings);
        self.rail(&mut drawing, &places, &readings);
        self.zones(&mut drawing, &places, &readings);
        let has_names = places.step >= ROOM_FOR_NAMES;
        let height = ZONE_FOOT + if has_names { NAMES } else { 16.0 };
        let id = format!("brackets-{}", self.geometry.degrees());
        let title =
            format!("Run {} at {}: readings and the tile checks around them", self.run.id, self.geometry);
        drawing.finish(&id, room, height, &title, &self.description(&readings))
    }

    fn description(&self, readings: &[&ReadingMark]) -> String {
        let held = self.run.brackets.iter().filter(|bracket| bracket.status == Status::Proven).count();
        let zones: Vec<f64> = zone_values(readings).collect();
        let low = zones.iter().copied().fold(f64::INFINITY, f64::min);
        let high = zones.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let range = match zones.is_empty() {
            true => "No zone was read.".to_owned(),
            false => format!("{} zone readings lie between {low:.1} and {high:.1} GU.", zones.len()),
        };
        format!(
            "{} tile checks enclose {} brackets, of which {held} held. {range} Solid marks are proven, hollow ones are not. \
             The table on this page has every reading.",
            self.run.checks.len(),
            self.run.brackets.len(),
        )
    }

    fn tile_scale(&self, readings: &[&ReadingMark]) -> Scale {
        let off = readings.iter().filter_map(|reading| self.deviation(reading));
        let limits = [self.tolerance_gu, -self.tolerance_gu, 0.0];
        Scale::around(off.chain(limits), TILE_FOOT, TILE_TOP, 2)
    }

    /// How far a reading of the tile lies from its assigned value; absent for other readings, and for checks of another
    /// point of the scale.
    fn deviation(&self, reading: &ReadingMark) -> Option<f64> {
        let Place::Tile(check) = reading.place else { return None };
        let check = self.run.checks.get(check).filter(|check| !check.kind.is_of_scale())?;
        let (_, mean, deviation) = check.figures.iter().find(|(geometry, ..)| *geometry == self.geometry)?;
        Some(reading.gloss.to_f64() - (mean - deviation))
    }

    fn grounds(&self, drawing: &mut Drawing, places: &Places, right: f64) {
        let left = places.left;
        drawing.text("soft", (0.0, 14.0), "start", "tile: reading minus assigned value, GU");
        drawing.text("soft", (0.0, ZONE_TOP - 14.0), "start", "zones: gloss, GU");
        let (upper, lower) = (places.tile.at(self.tolerance_gu), places.tile.at(-self.tolerance_gu));
        drawing.rect("strip", (left, upper), right - left, lower - upper);
        for tick in [self.tolerance_gu, 0.0, -self.tolerance_gu] {
            let y = places.tile.at(tick);
            drawing.line(if tick.abs() < 1e-9 { "control thin" } else { "limit" }, (left, y), (right, y));
            let text =
                if tick.abs() < 1e-9 { "0".to_owned() } else { format!("{tick:+}").replace('-', "\u{2212}") };
            drawing.text("soft tick", (left - 6.0, y + 4.0), "end", &text);
        }
        for tick in places.zones.ticks() {
            let y = places.zones.at(tick);
            drawing.line("hair", (left, y), (right, y));
            drawing.text("soft tick", (left - 6.0, y + 4.0), "end", &places.zones.text(tick, false));
        }
    }

    /// Where the readings of a check lie, as slots; absent if it has none at this geometry.
    fn slots_of(&self, check: usize, readings: &[&ReadingMark]) -> Option<(f64, f64)> {
        let own = |reading: &&ReadingMark| reading.place == Place::Tile(check);
        let first = readings.iter().position(own)?;
        let last = readings.iter().rposition(own)?;
        Some((first as f64, last as f64))
    }

    fn checks(&self, drawing: &mut Drawing, places: &Places, readings: &[&ReadingMark]) {
        for (slot, reading) in readings.iter().enumerate() {
            let Some(off) = self.deviation(reading) else { continue };
            dot(drawing, reading, true, (places.x(slot as f64), places.tile.at(off)), places.step);
        }
        let mean = |check: usize| {
            let check = &self.run.checks[check];
            let found = check.figures.iter().find(|(geometry, ..)| *geometry == self.geometry);
            found.map(|(_, _, deviation)| places.tile.at(*deviation))
        };
        for bracket in &self.run.brackets {
            let Some(closing) = bracket.closing else { continue };
            let ends = [bracket.opening, closing].map(|at| Some((self.slots_of(at, readings)?, mean(at)?)));
            if let [Some((from, y_from)), Some((to, y_to))] = ends {
                let x = |(first, last): (f64, f64)| places.x(0.5 * (first + last));
                drawing.line("slope", (x(from), y_from), (x(to), y_to));
            }
        }
    }

    /// The brackets: a rail from check to check, whole where it held, broken where it did not.
    fn rail(&self, drawing: &mut Drawing, places: &Places, readings: &[&ReadingMark]) {
        for bracket in &self.run.brackets {
            let Some((_, from)) = self.slots_of(bracket.opening, readings) else { continue };
            let closing = bracket.closing.and_then(|at| self.slots_of(at, readings));
            let to = closing.map_or(readings.len() as f64 - 1.0, |(first, _)| first);
            let (from, to) = (places.x(from), places.x(to));
            let (class, word) = match bracket.status {
                Status::Proven => ("rail", "held"),
                Status::Drifted => ("rail broken", "drifted"),
                _ => ("rail open", "not closed"),
            };
            drawing.path(class, &format!("M{from:.1} {:.1}v8H{to:.1}", RAIL - 8.0));
            if closing.is_some() {
                drawing.path(class, &format!("M{to:.1} {:.1}v-8", RAIL));
            }
            if to - from > 44.0 {
                drawing.text("small", (0.5 * (from + to), RAIL - 5.0), "middle", word);
            }
        }
    }

    fn zones(&self, drawing: &mut Drawing, places: &Places, readings: &[&ReadingMark]) {
        for (slot, reading) in readings.iter().enumerate() {
            let Place::Zone(zone) = reading.place else { continue };
            let Some(zone) = self.run.zones.get(zone) else { continue };
            let x = places.x(slot as f64);
            let y = places.zones.at(reading.gloss.to_f64());
            dot(drawing, reading, zone.role == Role::Treated, (x, y), places.step);
            if places.step >= ROOM_FOR_NAMES {
                let name: String = zone.zone.chars().take(7).collect();
                // Turned, so that names stand close.
                drawing.turned("small", (x - 4.0, ZONE_FOOT + 8.0), &name);
            }
        }
    }
}

fn zone_values(readings: &[&ReadingMark]) -> impl Iterator<Item = f64> {
    let zone = |reading: &&&ReadingMark| matches!(reading.place, Place::Zone(_));
    readings.iter().filter(zone).map(|reading| reading.gloss.to_f64()).collect::<Vec<_>>().into_iter()
}

/// A reading: round on tile and treated zones, square on control zones; solid if proven, crossed if a person took it
/// out, hollow otherwise.
fn dot(drawing: &mut Drawing, reading: &ReadingMark, is_round: bool, (x, y): (f64, f64), step: f64) {
    let r = (0.36 * step).clamp(1.2, 4.5);
    let class = match reading.status {
        Status::Proven => "reading",
        Status::Voided | Status::Undone => "reading out",
        _ => "reading hollow",
    };
    let side = if is_round { "treated" } else { "control-side" };
    let d = match (reading.status, is_round) {
        (Status::Voided | Status::Undone, _) => {
            format!(
                "M{:.1} {:.1}l{:.1} {:.1}m0 {:.1}l{:.1} {:.1}",
                x - r,
                y - r,
                2.0 * r,
                2.0 * r,
                -2.0 * r,
                -2.0 * r,
                2.0 * r
            )
        }
        (_, true) => {
            format!(
                "M{:.1} {y:.1}a{r:.1} {r:.1} 0 1 0 {:.1} 0a{r:.1} {r:.1} 0 1 0 {:.1} 0z",
                x - r,
                2.0 * r,
                -2.0 * r
            )
        }
        (_, false) => format!("M{:.1} {:.1}h{:.1}v{:.1}h{:.1}z", x - r, y - r, 2.0 * r, 2.0 * r, -2.0 * r),
    };
    drawing.path(&format!("{class} {side}"), &d);
}
