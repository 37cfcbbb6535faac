//! The scenario of a simulated meter: what the surfaces are in truth, how the meter errs, what its line
//! looks like, and what goes wrong when. The file is TOML; `protocol-notes/simulated-meter.md` shows
//! every key.
//!
//! ```
//! use halfpanel::meter::scenario::Scenario;
//! let scenario = Scenario::load("bench.toml", "seed = 7\n[tile]\ntruth_gu = { 60 = 92.4 }").unwrap();
//! assert_eq!(scenario.pace_us(), 6_000_000);
//!
//! let problem = Scenario::load("bench.toml", "sed = 7\n[tile]\ntruth_gu = { 60 = 92.4 }").unwrap_err();
//! assert!(problem.to_string().starts_with("bench.toml:1:1: unknown key `sed`"));
//! ```

mod fault;
mod layout;
mod ways;

use crate::text::Problem;
use crate::text::parse;

pub use fault::Fault;
pub use layout::Layout;
pub use ways::Answers;
pub use ways::Streams;

pub(super) use layout::Field;
pub(super) use layout::Piece;

use crate::units::Geometry;
use crate::units::PerGeometry;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::ops::Range;
use toml::Spanned;

/// Everything that a simulated meter does is a function of this and of the order of its placements.
#[derive(Clone, Debug)]
pub struct Scenario {
    pub(super) seed: u64,
    time_factor: f64,
    pace_us: u64,
    between_presses_us: u64,
    pub(super) layout: Layout,
    pub(super) tile: Truth,
    pub(super) zero: Option<Truth>,
    pub(super) middle: Option<Truth>,
    pub(super) zones: Vec<Zone>,
    pub(super) noise: Noise,
    pub(super) drift: Drift,
    pub(super) tile_dirt: Vec<TileDirt>,
    pub(super) wobbles: Vec<Wobble>,
    pub(super) faults: BTreeMap<u64, Fault>,
    answers: Option<Answers>,
    streams: Option<Streams>,
}

impl Scenario {
    /// Reads and checks a scenario; `file` is the name to show in errors.
    ///
    /// # Errors
    /// The first problem with its line and column: not TOML, a key that does not exist (with the nearest
    /// that does), a number out of range, a zone twice, a truth missing at a geometry that the meter
    /// sends, two faults on one line.
    pub fn load(file: &str, source: &str) -> Result<Scenario, Problem> {
        let tables: File = parse(file, source)?;
        let problem = |(span, what, hint): Refusal| Problem::at(file, source, span, what, hint);
        check_truths(&tables).map_err(problem)?;
        check_zone_names(&tables.zone).map_err(problem)?;
        let faults = faults_by_line(&tables.fault).map_err(problem)?;
        if let (Some(_), Some(stream)) = (&tables.answers, &tables.stream) {
            let what = "the meter both answers and streams".to_owned();
            return Err(problem((stream.span(), what, "keep `[answers]` or `[stream]`".to_owned())));
        }
        Ok(Scenario {
            seed: tables.seed,
            time_factor: tables.time_factor.map_or(1.0, |factor| factor.0),
            pace_us: tables.pace_s.map_or(6_000_000, Seconds::as_us),
            between_presses_us: tables.between_presses_s.map_or(2_000_000, Seconds::as_us),
            layout: tables.layout,
            tile: tables.tile.into_inner().truth_gu,
            zero: tables.zero.map(|zero| zero.into_inner().truth_gu),
            middle: tables.middle.map(|middle| middle.into_inner().truth_gu),
            zones: tables.zone.into_iter().map(Spanned::into_inner).collect(),
            noise: tables.noise,
            drift: tables.drift,
            tile_dirt: tables.tile_dirt,
            wobbles: tables.wobble,
            faults,
            answers: tables.answers,
            streams: tables.stream.map(Spanned::into_inner),
        })
    }

    /// How many seconds of the scenario pass in one second of the clock, 1 to 100,000.
    #[must_use]
    pub fn time_factor(&self) -> f64 {
        self.time_factor
    }

    /// How long `scenario_us` of the scenario lasts on the clock, in microseconds, rounded.
    #[must_use]
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "a time of the scenario is far below 2^53 µs, and the cast saturates"
    )]
    pub fn clock_us(&self, scenario_us: u64) -> u64 {
        (scenario_us as f64 / self.time_factor).round() as u64
    }

    /// Time of the scenario between two placements, in microseconds.
    #[must_use]
    pub fn pace_us(&self) -> u64 {
        self.pace_us
    }

    /// Time of the scenario between two presses at one placement, in microseconds.
    #[must_use]
    pub fn between_presses_us(&self) -> u64 {
        self.between_presses_us
    }

    /// What the meter answers, if it is asked for its readings.
    #[must_use]
    pub fn answers(&self) -> Option<&Answers> {
        self.answers.as_ref()
    }

    /// How the meter streams, if it does.
    #[must_use]
    pub fn streams(&self) -> Option<&Streams> {
        self.streams.as_ref()
    }

    /// The geometries that the meter sends, in the order in which it sends them.
    #[must_use]
    pub fn geometries(&self) -> &[Geometry] {
        self.layout.geometries()
    }

    /// Panel and zone of every zone, in the order of the file.
    pub fn zones(&self) -> impl Iterator<Item = (&str, &str)> {
        self.zones.iter().map(|zone| (zone.panel.as_str(), zone.zone.as_str()))
    }
}

/// Where it is wrong, what is wrong, and what would be right.
type Refusal = (Range<usize>, String, String);

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    seed: u64,
    time_factor: Option<Bounded<1, 100_000>>,
    pace_s: Option<Seconds>,
    between_presses_s: Option<Seconds>,
    #[serde(default)]
    layout: Layout,
    tile: Spanned<Tile>,
    zero: Option<Spanned<Tile>>,
    middle: Option<Spanned<Tile>>,
    #[serde(default)]
    zone: Vec<Spanned<Zone>>,
    #[serde(default)]
    noise: Noise,
    #[serde(default)]
    drift: Drift,
    #[serde(default)]
    tile_dirt: Vec<TileDirt>,
    #[serde(default)]
    wobble: Vec<Wobble>,
    #[serde(default)]
    fault: Vec<Spanned<fault::Row>>,
    answers: Option<Answers>,
    stream: Option<Spanned<Streams>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Tile {
    truth_gu: Truth,
}

/// A zone and what its gloss is in truth.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Zone {
    pub panel: String,
    pub zone: String,
    pub truth_gu: Truth,
}

/// True gloss in GU, 0 to 10,000, at each geometry that is given.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(from = "TruthTable")]
pub(super) struct Truth(pub PerGeometry<f64>);

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TruthTable {
    #[serde(rename = "20")]
    deg20: Option<Bounded<0, 10_000>>,
    #[serde(rename = "60")]
    deg60: Option<Bounded<0, 10_000>>,
    #[serde(rename = "85")]
    deg85: Option<Bounded<0, 10_000>>,
}

impl From<TruthTable> for Truth {
    fn from(table: TruthTable) -> Truth {
        let given = [table.deg20, table.deg60, table.deg85];
        Truth(Geometry::ALL.into_iter().zip(given).filter_map(|(g, gu)| gu.map(|gu| (g, gu.0))).collect())
    }
}

/// Standard deviations of the readings, GU.
#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Noise {
    /// From press to press without lifting the meter.
    pub sd_gu: Bounded<0, 1_000>,
    /// From placement to placement, on top of it.
    pub reposition_sd_gu: Bounded<0, 1_000>,
}

/// How the meter's gain changes. Figures are GU on the tile; a zone of half the tile's gloss shows half.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct Drift {
    pub gu_per_hour: Bounded<-10_000, 10_000>,
    pub step: Vec<Step>,
}

/// A jump of the gain that stays until the meter is adjusted.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Step {
    pub placement: Count,
    pub offset_gu: Bounded<-10_000, 10_000>,
}

/// Something on the tile, and nowhere else, that changes its gloss.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TileDirt {
    pub from_placement: Count,
    pub offset_gu: Bounded<-10_000, 10_000>,
    #[serde(default)]
    pub until: DirtEnds,
}

/// What takes the dirt away.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum DirtEnds {
    /// Wiping the tile.
    #[default]
    Cleaned,
    /// Nothing: a scratch.
    Never,
}

/// A placement that went wrong: the meter slid, or stood askew.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(try_from = "WobbleTable")]
pub(super) struct Wobble {
    pub when: WobbleWhen,
    pub offset_gu: f64,
}

/// Which placements wobble.
#[derive(Clone, Copy, Debug)]
pub(super) enum WobbleWhen {
    /// The one of this number, from 1.
    Placement(u64),
    /// Each by itself with this probability.
    Chance(f64),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WobbleTable {
    placement: Option<Count>,
    probability: Option<Bounded<0, 1>>,
    offset_gu: Bounded<-10_000, 10_000>,
}

impl TryFrom<WobbleTable> for Wobble {
    type Error = &'static str;
    fn try_from(table: WobbleTable) -> Result<Wobble, Self::Error> {
        let when = match (table.placement, table.probability) {
            (Some(placement), None) => WobbleWhen::Placement(placement.0),
            (None, Some(probability)) => WobbleWhen::Chance(probability.0),
            _ => return Err("a wobble is at one placement or by chance; give `placement` or `probability`"),
        };
        Ok(Wobble { when, offset_gu: table.offset_gu.0 })
    }
}

/// A finite number from `LOW` to `HIGH`, both included.
#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(try_from = "f64")]
pub(super) struct Bounded<const LOW: i32, const HIGH: i32>(pub f64);

impl<const LOW: i32, const HIGH: i32> TryFrom<f64> for Bounded<LOW, HIGH> {
    type Error = String;
    fn try_from(value: f64) -> Result<Self, String> {
        if (f64::from(LOW)..=f64::from(HIGH)).contains(&value) {
            Ok(Bounded(value))
        } else {
            Err(format!("{value} is out of range; give a number from {LOW} to {HIGH}"))
        }
    }
}

/// Seconds, up to a day.
type Seconds = Bounded<0, 86_400>;

impl Seconds {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the number is from 0 to 86,400, so the product is a whole number below 2^53"
    )]
    fn as_us(self) -> u64 {
        (self.0 * 1e6).round() as u64
    }
}

/// A number of a placement or of a line; the first is 1.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(try_from = "u64")]
pub(super) struct Count(pub u64);

impl TryFrom<u64> for Count {
    type Error = &'static str;
    fn try_from(number: u64) -> Result<Count, Self::Error> {
        if number == 0 {
            Err("0 is no number of a placement or line; the first is 1")
        } else {
            Ok(Count(number))
        }
    }
}

fn check_truths(tables: &File) -> Result<(), Refusal> {
    let geometries = tables.layout.geometries();
    let missing = |truth: &Truth| geometries.iter().copied().find(|&g| truth.0.get(g).is_none());
    let tile = tables.tile.get_ref();
    if let Some(geometry) = missing(&tile.truth_gu) {
        return Err(no_truth(tables.tile.span(), "the tile", geometry));
    }
    if let Some((geometry, _)) = tile.truth_gu.0.iter().find(|&(_, &truth_gu)| truth_gu < 1.0) {
        let what = format!("the tile has less than 1 GU at {geometry}");
        return Err((
            tables.tile.span(),
            what,
            "drift is given in GU on the tile; give the tile 1 GU or more".to_owned(),
        ));
    }
    for (what, table) in [("the black trap", &tables.zero), ("the middle tile", &tables.middle)] {
        if let Some(table) = table
            && let Some(geometry) = missing(&table.get_ref().truth_gu)
        {
            return Err(no_truth(table.span(), what, geometry));
        }
    }
    for zone in &tables.zone {
        if let Some(geometry) = missing(&zone.get_ref().truth_gu) {
            let name = format!("zone {}/{}", zone.get_ref().panel, zone.get_ref().zone);
            return Err(no_truth(zone.span(), &name, geometry));
        }
    }
    Ok(())
}

fn no_truth(span: Range<usize>, what: &str, geometry: Geometry) -> Refusal {
    let hint = format!("the meter sends it; add `{} = …` to `truth_gu`", geometry.text());
    (span, format!("{what} has no truth at {geometry}"), hint)
}

fn check_zone_names(zones: &[Spanned<Zone>]) -> Result<(), Refusal> {
    for (index, zone) in zones.iter().enumerate() {
        let Zone { panel, zone: name, .. } = zone.get_ref();
        if panel.trim().is_empty() || name.trim().is_empty() {
            return Err((
                zone.span(),
                "a zone has no name".to_owned(),
                "fill in `panel` and `zone`".to_owned(),
            ));
        }
        let is_same = |other: &Zone| (&other.panel, &other.zone) == (panel, name);
        if zones[..index].iter().any(|other| is_same(other.get_ref())) {
            return Err((
                zone.span(),
                format!("zone {panel}/{name} stands here twice"),
                "keep one".to_owned(),
            ));
        }
    }
    Ok(())
}

fn faults_by_line(rows: &[Spanned<fault::Row>]) -> Result<BTreeMap<u64, Fault>, Refusal> {
    let mut faults = BTreeMap::new();
    for row in rows {
        let fault::Row { line, fault } = row.get_ref();
        if faults.insert(*line, fault.clone()).is_some() {
            let hint = "a line can have one fault; move one of them".to_owned();
            return Err((row.span(), format!("line {line} has two faults"), hint));
        }
    }
    Ok(faults)
}
