//! What the tile said in one run, taken from the run's books: which checks belong on the chart, and how far
//! the tile moved in each bracket. Rules: `protocol-notes/tile-history.md`.

use crate::run::Check;
use crate::run::CheckKind;
use crate::run::Effect;
use crate::run::Ledger;
use crate::run::NewSitting;
use crate::run::Notice;
use crate::run::Run;
use crate::run::Spot;
use crate::tile::CheckVerdict;
use crate::tile::GeometryCheck;
use crate::tile::drift_gu;
use crate::units::Geometry;
use rust_decimal::Decimal;

/// Listens to a replay for the checks at which a sitting began anew, a pause before it.
#[derive(Clone, Debug, Default)]
pub struct SittingStarts(Vec<usize>);

impl SittingStarts {
    /// Sees the effects of a record that was just applied.
    pub fn see(&mut self, run: &Run, effects: &[Effect]) {
        let after_pause = effects.iter().any(|effect| {
            let Effect::Tell(Notice::NewSitting { why, .. }) = effect else { return false };
            matches!(why, NewSitting::LongPause | NewSitting::GapUnknown)
        });
        if after_pause {
            // The sitting has begun its opening check, which is the last on the books.
            self.0.push(run.ledger().checks.len().saturating_sub(1));
        }
    }
}

/// A check at one geometry, as it was found or as it was left.
#[derive(Clone, Debug, PartialEq)]
pub struct TileCheck {
    /// Run in which it was made.
    pub run: String,
    /// What it was for.
    pub kind: CheckKind,
    /// Geometry.
    pub geometry: Geometry,
    /// Wall-clock time, microseconds since 1970-01-01T00:00:00Z.
    pub wall_us: i64,
    /// Offset of the place from UTC, seconds.
    pub offset_s: i32,
    /// Mean minus assigned value, GU.
    pub deviation_gu: f64,
    /// The tile's name.
    pub tile: String,
    /// Assigned value of the tile, GU.
    pub assigned_gu: Decimal,
    /// Digits after the point that the meter printed, of the check's readings the most.
    pub decimals: u32,
    /// Whether the meter was adjusted since the check before.
    pub adjusted_before: bool,
}

/// How far the tile moved between the two checks of a bracket.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BracketDrift {
    /// Geometry.
    pub geometry: Geometry,
    /// Whether it is the run's first bracket.
    pub first: bool,
    /// Second check minus first, GU.
    pub change_gu: f64,
    /// Time between them, hours, above 0.
    pub hours: f64,
}

/// What the tile said in one run.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RunOnTile {
    /// The run's id.
    pub run: String,
    /// When it began, microseconds since 1970-01-01T00:00:00Z.
    pub began_us: i64,
    /// As-found and as-left checks, in order.
    pub checks: Vec<TileCheck>,
    /// Brackets that have both checks, in order.
    pub brackets: Vec<BracketDrift>,
    /// Checks at one geometry that belonged on the chart, but whose own readings lay too far apart.
    pub invalid: Vec<Geometry>,
    /// Whether the meter was adjusted after the last check.
    pub adjusted_at_end: bool,
}

/// Takes from the books of a run what belongs on the chart: of every sitting the first check whose own
/// readings agree; checks before an adjustment; checks after one.
#[must_use]
pub fn gather(ledger: &Ledger, starts: &SittingStarts) -> RunOnTile {
    let mut found = RunOnTile {
        run: ledger.id.clone(),
        began_us: ledger.sittings.first().map_or(0, |sitting| sitting.wall_us),
        brackets: brackets(ledger),
        ..RunOnTile::default()
    };
    let printed = digits_printed(ledger);
    for geometry in &ledger.setup.geometries {
        let (mut wanted, mut adjusted) = (true, false);
        for (index, check) in ledger.checks.iter().enumerate() {
            wanted |= starts.0.contains(&index);
            // Another point of the scale, which has no place on the chart of the tile.
            if check.kind.is_of_scale() {
                continue;
            }
            adjusted |= check.kind == CheckKind::AsLeft;
            let always = matches!(check.kind, CheckKind::AsFound | CheckKind::AsLeft);
            let Some(figures) = check.geometries.get(*geometry).filter(|_| check.verdict.is_some()) else {
                continue;
            };
            if !(wanted || always) {
                continue;
            }
            if figures.verdict == CheckVerdict::Invalid {
                found.invalid.push(*geometry);
                continue;
            }
            // A check after an adjustment says nothing of how the sitting found the meter, and comes too late.
            wanted = false;
            let mut taken = tile_check(ledger, check, *geometry, figures);
            taken.decimals = printed[index];
            taken.adjusted_before = std::mem::take(&mut adjusted);
            found.checks.push(taken);
        }
        found.adjusted_at_end |= adjusted;
    }
    found
}

/// Digits behind the point in the readings of each check, the most.
fn digits_printed(ledger: &Ledger) -> Vec<u32> {
    let mut printed = vec![0; ledger.checks.len()];
    for reading in &ledger.readings {
        if let Spot::Tile { check } = reading.spot
            && let Some(most) = printed.get_mut(check as usize)
        {
            *most = reading.gloss.scale().max(*most);
        }
    }
    printed
}

fn tile_check(ledger: &Ledger, check: &Check, geometry: Geometry, figures: &GeometryCheck) -> TileCheck {
    let (wall_us, offset_s) = match ledger.sittings.is_empty() {
        true => (0, 0),
        false => ledger.wall(check.at_us),
    };
    TileCheck {
        run: ledger.id.clone(),
        kind: check.kind,
        geometry,
        wall_us,
        offset_s,
        deviation_gu: figures.deviation_gu,
        tile: ledger.setup.tile.name.clone(),
        assigned_gu: figures.assigned_gu,
        decimals: 0,
        adjusted_before: false,
    }
}

fn brackets(ledger: &Ledger) -> Vec<BracketDrift> {
    let mut found = Vec::new();
    for (index, bracket) in ledger.brackets.iter().enumerate() {
        let ends = (ledger.checks.get(bracket.opening as usize), bracket.closing);
        let (Some(opening), Some(closing)) = ends else { continue };
        let Some(closing) = ledger.checks.get(closing as usize) else { continue };
        let hours = closing.at_us.saturating_sub(opening.at_us) as f64 / 3.6e9;
        for (geometry, after) in closing.geometries.iter() {
            let usable = |figures: &&GeometryCheck| figures.verdict != CheckVerdict::Invalid;
            let before = opening.geometries.get(geometry).filter(usable);
            let Some(before) = before.filter(|_| usable(&after) && hours > 0.0) else { continue };
            let change_gu = drift_gu(before, after);
            found.push(BracketDrift { geometry, first: index == 0, change_gu, hours });
        }
    }
    found
}
