//! What the simulated meter sends. It has no clock: its time is told by placements, presses and
//! [`SimulatedMeter::wait`], and the noise of a placement comes from the scenario's seed and the number
//! of the placement alone. So neither the machine nor its speed can change a value.
//!
//! ```
//! use halfpanel::meter::scenario::Scenario;
//! use halfpanel::meter::signal::Emission;
//! use halfpanel::meter::signal::SimulatedMeter;
//! use halfpanel::meter::signal::Spot;
//!
//! let scenario = Scenario::load("bench.toml", "seed = 7\n[tile]\ntruth_gu = { 60 = 92.4 }").unwrap();
//! let mut meter = SimulatedMeter::new(scenario);
//! meter.place(&Spot::Tile).unwrap();
//! assert_eq!(meter.press(), [Emission::Bytes(b"0001;60;92.4;GU;OK\r\n".to_vec())]);
//! ```

mod talking;

use crate::meter::scenario::DirtEnds;
use crate::meter::scenario::Fault;
use crate::meter::scenario::Field;
use crate::meter::scenario::Layout;
use crate::meter::scenario::Piece;
use crate::meter::scenario::Scenario;
use crate::meter::scenario::WobbleWhen;
use crate::units::Geometry;
use crate::units::PerGeometry;
use rand::RngExt;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rust_decimal::Decimal;
use rust_decimal::RoundingStrategy;
use rust_decimal::prelude::FromPrimitive;
use std::collections::VecDeque;
use std::fmt;

/// Where the meter can be put.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub enum Spot {
    /// The reference tile.
    Tile,
    /// The black trap.
    Zero,
    /// The tile in the middle of the scale.
    Middle,
    /// A zone of a panel.
    Zone {
        /// Name of the panel.
        panel: String,
        /// Name of the zone on it.
        zone: String,
    },
}

impl fmt::Display for Spot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Spot::Tile => f.write_str("the tile"),
            Spot::Zero => f.write_str("black trap"),
            Spot::Middle => f.write_str("middle tile"),
            Spot::Zone { panel, zone } => write!(f, "zone {panel}/{zone}"),
        }
    }
}

/// The scenario says nothing of this zone, of the black trap, or of the middle tile.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the scenario has no {spot}; {}", there_are(spot, known))]
pub struct UnknownSpot {
    /// What was asked for.
    pub spot: Spot,
    /// The zones there are, in the order of the scenario.
    pub known: Vec<Spot>,
}

fn there_are(spot: &Spot, known: &[Spot]) -> String {
    match spot {
        Spot::Zero => return "add a table [zero] with `truth_gu` to it".to_owned(),
        Spot::Middle => return "add a table [middle] with `truth_gu` to it".to_owned(),
        Spot::Tile | Spot::Zone { .. } => {}
    }
    if known.is_empty() {
        return "it has none: add a [[zone]] to it".to_owned();
    }
    let names: Vec<String> = known.iter().map(Spot::to_string).collect();
    format!("it has {}: add a [[zone]] to it or place the meter on one of these", names.join(", "))
}

/// What comes out of the meter, in order. Times are those of the scenario.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Emission {
    /// Bytes on the serial line.
    Bytes(Vec<u8>),
    /// Nothing for this long.
    Pause {
        /// Microseconds of the scenario.
        us: u64,
    },
    /// The meter is gone from the port.
    Unplug {
        /// Microseconds of the scenario until it is back.
        return_after_us: u64,
    },
}

/// What one placement adds to the truth. Each of the three geometries has its draws whether it is sent
/// or not, so that a change of the layout changes no value.
#[derive(Clone, Debug)]
struct Placement {
    generator: ChaCha8Rng,
    truth_gu: PerGeometry<f64>,
    is_tile: bool,
    reposition_gu: [f64; 3],
    wobble_gu: f64,
    presses: u64,
}

/// A gloss meter that a scenario describes.
#[derive(Clone, Debug)]
pub struct SimulatedMeter {
    scenario: Scenario,
    elapsed_us: u64,
    placements: u64,
    lines: u64,
    /// None while the meter is still in the air.
    placement: Option<Placement>,
    /// Drift at the last adjustment, GU on the tile.
    adjusted_at_gu: f64,
    /// Number of the placement after which the tile was wiped last.
    cleaned_after: u64,
    /// The meter's error queue.
    errors: VecDeque<String>,
}

impl SimulatedMeter {
    /// The meter in the air, at time 0 of the scenario.
    #[must_use]
    pub fn new(scenario: Scenario) -> SimulatedMeter {
        SimulatedMeter {
            scenario,
            elapsed_us: 0,
            placements: 0,
            lines: 0,
            placement: None,
            adjusted_at_gu: 0.0,
            cleaned_after: 0,
            errors: VecDeque::new(),
        }
    }

    /// The scenario it plays.
    #[must_use]
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// Time of the scenario, microseconds: placements after the first × `pace_s`, presses after the first
    /// of their placement × `between_presses_s`, and what [`SimulatedMeter::wait`] was told.
    #[must_use]
    pub fn elapsed_us(&self) -> u64 {
        self.elapsed_us
    }

    /// Number of the placement that the meter is in, from 1; 0 before the first.
    #[must_use]
    pub fn placements(&self) -> u64 {
        self.placements
    }

    /// Lifts the meter and puts it down on `spot`, `pace_s` after the placement before. To put it down
    /// on the same spot again is a new placement with its own noise.
    ///
    /// # Errors
    /// [`UnknownSpot`] for a zone, black trap or middle tile that the scenario does not have; the meter then stays where it is.
    pub fn place(&mut self, spot: &Spot) -> Result<(), UnknownSpot> {
        let truth_gu = self.truth_of(spot)?;
        if self.placements > 0 {
            self.wait(self.scenario.pace_us());
        }
        self.placements += 1;
        let mut generator = generator(self.scenario.seed, *b"readings", self.placements);
        let reposition_sd_gu = self.scenario.noise.reposition_sd_gu.0;
        let reposition_gu = normal_gu(&mut generator).map(|z| z * reposition_sd_gu);
        self.placement = Some(Placement {
            generator,
            truth_gu,
            is_tile: *spot == Spot::Tile,
            reposition_gu,
            wobble_gu: self.wobble_gu(),
            presses: 0,
        });
        Ok(())
    }

    /// Presses the meter's button once: what it sends, in order. A meter that was never put down reads 0.
    pub fn press(&mut self) -> Vec<Emission> {
        let gloss_gu = self.measure_gu();
        let is_one_line = !self.scenario.layout.has(Field::Gloss(None));
        let geometries = self.scenario.geometries();
        let lines: Vec<Geometry> = if is_one_line { geometries[..1].to_vec() } else { geometries.to_vec() };
        let mut emissions = Vec::new();
        for geometry in lines {
            let next = self.emit(geometry, &gloss_gu);
            // What a press had still to send when the meter went is lost, its numbers too.
            if !matches!(emissions.last(), Some(Emission::Unplug { .. })) {
                emissions.extend(next);
            }
        }
        emissions
    }

    /// Lets `us` microseconds of the scenario pass.
    pub fn wait(&mut self, us: u64) {
        self.elapsed_us = self.elapsed_us.saturating_add(us);
    }

    /// The operator adjusts the meter on the tile: drift and steps up to now are gone, later ones count
    /// from here.
    pub fn adjust(&mut self) {
        self.adjusted_at_gu = self.drift_gu();
    }

    /// The operator wipes the tile: dirt that came up to the present placement is gone.
    pub fn clean_tile(&mut self) {
        self.cleaned_after = self.placements;
    }

    fn truth_of(&self, spot: &Spot) -> Result<PerGeometry<f64>, UnknownSpot> {
        let zones = &self.scenario.zones;
        let truth = match spot {
            Spot::Tile => Some(self.scenario.tile),
            Spot::Zero => self.scenario.zero,
            Spot::Middle => self.scenario.middle,
            Spot::Zone { panel, zone } => {
                let found = zones.iter().find(|known| (&known.panel, &known.zone) == (panel, zone));
                found.map(|zone| zone.truth_gu)
            }
        };
        truth.map(|truth| truth.0).ok_or_else(|| {
            let as_spot = |(panel, zone): (&str, &str)| Spot::Zone { panel: panel.into(), zone: zone.into() };
            UnknownSpot { spot: spot.clone(), known: self.scenario.zones().map(as_spot).collect() }
        })
    }

    /// Drift since the start without any adjustment, GU on the tile.
    #[expect(clippy::cast_precision_loss, reason = "2^53 µs are 285 years")]
    fn drift_gu(&self) -> f64 {
        let hours = self.elapsed_us as f64 / 3.6e9;
        let drift = &self.scenario.drift;
        let has_come = |placement: u64| placement <= self.placements;
        let steps = drift.step.iter().filter(|step| has_come(step.placement.0)).map(|step| step.offset_gu.0);
        drift.gu_per_hour.0 * hours + steps.sum::<f64>()
    }

    fn tile_dirt_gu(&self) -> f64 {
        let dirt = self.scenario.tile_dirt.iter().filter(|dirt| {
            let from = dirt.from_placement.0;
            from <= self.placements && (dirt.until == DirtEnds::Never || from > self.cleaned_after)
        });
        dirt.map(|dirt| dirt.offset_gu.0).sum()
    }

    fn wobble_gu(&self) -> f64 {
        let mut generator = generator(self.scenario.seed, *b"wobbling", self.placements);
        let wobbles = self.scenario.wobbles.iter().filter(|wobble| match wobble.when {
            WobbleWhen::Placement(placement) => placement == self.placements,
            WobbleWhen::Chance(probability) => generator.random::<f64>() < probability,
        });
        wobbles.map(|wobble| wobble.offset_gu).sum()
    }

    /// The unrounded reading at each geometry that has a truth. Not below 0, as no meter shows less.
    fn measure_gu(&mut self) -> PerGeometry<f64> {
        let Some(mut placement) = self.placement.take() else {
            let air_gu = self.scenario.streams().map_or(0.0, |streams| streams.air_gu);
            return Geometry::ALL.into_iter().map(|geometry| (geometry, air_gu)).collect();
        };
        let streams = self.scenario.streams();
        let swing_gu = streams.map_or(0.0, |s| s.swing_gu(self.placements, placement.presses));
        if placement.presses > 0 {
            let next_us = streams.map_or(self.scenario.between_presses_us(), |s| s.every_us);
            self.wait(next_us);
        }
        placement.presses += 1;
        let noise_gu = normal_gu(&mut placement.generator).map(|z| z * self.scenario.noise.sd_gu.0);
        let dirt_gu = if placement.is_tile { self.tile_dirt_gu() } else { 0.0 };
        let drift_gu = self.drift_gu() - self.adjusted_at_gu;
        let read_gu = |(geometry, truth_gu): (Geometry, &f64)| {
            // A truth of the tile is missing only at geometries that are not sent.
            let gain = self.scenario.tile.0.get(geometry).map_or(1.0, |tile_gu| 1.0 + drift_gu / tile_gu);
            let angle = geometry as usize;
            let errors_gu = placement.reposition_gu[angle] + noise_gu[angle] + placement.wobble_gu + swing_gu;
            (geometry, ((truth_gu + dirt_gu) * gain + errors_gu).max(0.0))
        };
        let gloss_gu = placement.truth_gu.iter().map(read_gu).collect();
        self.placement = Some(placement);
        gloss_gu
    }

    /// The next line and whatever befalls it.
    fn emit(&mut self, geometry: Geometry, gloss_gu: &PerGeometry<f64>) -> Vec<Emission> {
        self.lines += 1;
        let layout = &self.scenario.layout;
        let print = |error| Print { layout, number: self.lines, geometry, gloss_gu, error }.line();
        match self.scenario.faults.get(&self.lines) {
            None => vec![Emission::Bytes(print(None))],
            Some(Fault::Garbage) => {
                let mut generator = generator(self.scenario.seed, *b"garbage!", self.lines);
                vec![Emission::Bytes(garbage(&mut generator, &print(None), layout.end()))]
            }
            Some(&Fault::Cut { after_bytes, pause_us }) => {
                let line = print(None);
                let (first, rest) = line.split_at(after_bytes.unwrap_or(line.len() / 2).min(line.len()));
                let pause = Emission::Pause { us: pause_us };
                [bytes(first), Some(pause), bytes(rest)].into_iter().flatten().collect()
            }
            Some(&Fault::Silence { silent_us }) => vec![Emission::Pause { us: silent_us }],
            Some(&Fault::Unplug { after_bytes, return_after_us }) => {
                let line = print(None);
                let sent = bytes(&line[..after_bytes.min(line.len())]);
                sent.into_iter().chain([Emission::Unplug { return_after_us }]).collect()
            }
            Some(Fault::Error { word }) => vec![Emission::Bytes(print(Some(word.as_str())))],
            Some(Fault::Repeat) => vec![Emission::Bytes(print(None)); 2],
        }
    }
}

fn bytes(bytes: &[u8]) -> Option<Emission> {
    (!bytes.is_empty()).then(|| Emission::Bytes(bytes.to_vec()))
}

/// A generator for one purpose and one number, independent of all others of the same seed. The key is
/// put together by hand, so that it rests on no library's way of stretching a seed.
fn generator(seed: u64, purpose: [u8; 8], number: u64) -> ChaCha8Rng {
    let mut key = [0; 32];
    key[..8].copy_from_slice(&seed.to_le_bytes());
    key[8..16].copy_from_slice(&purpose);
    let mut generator = ChaCha8Rng::from_seed(key);
    generator.set_stream(number);
    generator
}

fn normal_gu(generator: &mut ChaCha8Rng) -> [f64; 3] {
    std::array::from_fn(|_| generator.sample(StandardNormal))
}

/// As many bytes above 127 as the line has: no text in ASCII, and never a line by chance.
fn garbage(generator: &mut ChaCha8Rng, line: &[u8], end: &str) -> Vec<u8> {
    let length = line.len() - end.len();
    let noise = (0..length).map(|_| generator.random::<u8>() | 0x80);
    noise.chain(end.bytes()).collect()
}

/// One line to be printed.
struct Print<'a> {
    layout: &'a Layout,
    number: u64,
    geometry: Geometry,
    gloss_gu: &'a PerGeometry<f64>,
    error: Option<&'a str>,
}

impl Print<'_> {
    fn line(&self) -> Vec<u8> {
        let end = self.layout.end();
        if let (Some(word), false) = (self.error, self.layout.has(Field::Status)) {
            return format!("{word}{end}").into_bytes();
        }
        let mut line = String::new();
        let (mut covered_from, mut covered_to) = (0, None);
        for piece in &self.layout.pieces {
            match *piece {
                Piece::Text(ref text) => line.push_str(text),
                Piece::Value { field: Field::ChecksumFrom, .. } => covered_from = line.len(),
                Piece::Value { field: Field::ChecksumTo, .. } => covered_to = Some(line.len()),
                Piece::Value { field: Field::Checksum, .. } => {
                    let covered = &line.as_bytes()[covered_from..covered_to.unwrap_or(line.len())];
                    let digits = self.layout.checksum.as_ref().map(|sum| sum.print(sum.of(covered)));
                    line.push_str(&digits.unwrap_or_default());
                }
                Piece::Value { field, width, zeros: false } => {
                    line += &format!("{:>width$}", self.text(field))
                }
                Piece::Value { field, width, zeros: true } => {
                    line += &format!("{:0>width$}", self.text(field))
                }
            }
        }
        (line + end).into_bytes()
    }

    fn text(&self, field: Field) -> String {
        match field {
            Field::Sequence => ((self.number - 1) % self.layout.last_number + 1).to_string(),
            Field::Geometry => {
                let word = self.layout.geometry_words.iter().find(|(geometry, _)| *geometry == self.geometry);
                word.map_or_else(|| self.geometry.text().to_owned(), |(_, word)| word.clone())
            }
            Field::Gloss(_) if self.error.is_some() => self.layout.no_value.clone(),
            Field::Gloss(geometry) => {
                let gloss_gu = self.gloss_gu.get(geometry.unwrap_or(self.geometry));
                gloss_gu.map_or_else(|| self.layout.no_value.clone(), |&gloss_gu| self.digits(gloss_gu))
            }
            Field::Status => self.error.unwrap_or(&self.layout.status_ok).to_owned(),
            // Printed by the line, which knows what they cover.
            Field::Checksum | Field::ChecksumFrom | Field::ChecksumTo => String::new(),
        }
    }

    /// The value at the meter's resolution, halves away from zero, with all its decimals.
    fn digits(&self, gloss_gu: f64) -> String {
        // The bounds of the scenario keep the value below 1e20, and a decimal holds 7e28.
        let exact = Decimal::from_f64(gloss_gu).unwrap_or_default();
        let decimals = self.layout.decimals;
        let mut rounded = exact.round_dp_with_strategy(decimals, RoundingStrategy::MidpointAwayFromZero);
        rounded.rescale(decimals);
        rounded.to_string().replace('.', self.layout.decimal_mark())
    }
}
