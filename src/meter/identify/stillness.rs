//! A stream: whether its meter stands still on the tile, whether it has left, and the rule by which a
//! profile tells.

use crate::meter::identify::Known;
use crate::meter::identify::tokens::Kind;
use crate::meter::identify::tokens::number_form;
use crate::meter::identify::tokens::signature;
use crate::meter::identify::tokens::tokens;
use crate::units::Gloss;
use crate::units::PerGeometry;
use rust_decimal::Decimal;

/// What a meter in the air may show, GU. A stream whose numbers are all below is not taken to be on a tile.
const AIR_GU: f64 = 5.0;

/// How a profile tells placements in a stream apart.
#[derive(Clone, Debug)]
pub(super) struct Rule {
    pub spread_gu: String,
    /// The key, and its value as it stands in the file.
    pub leaves: (&'static str, String),
    pub confidence: f64,
    pub doubt: Option<String>,
}

/// Numbers with decimals in a line, by their places.
fn decimals_of(line: &str) -> Vec<f64> {
    let by = |mark: char| -> Vec<f64> {
        let numbers = tokens(line, mark).into_iter().filter(|token| token.kind == Kind::Number);
        numbers
            .filter(|token| number_form(token.text, mark).is_some_and(|form| form.decimals > 0))
            .filter_map(|token| token.text.replace(',', ".").parse().ok())
            .collect()
    };
    let point = by('.');
    if point.is_empty() { by(',') } else { point }
}

/// The numbers with decimals of each line that has the shape which most have.
fn rows(lines: &[Vec<u8>]) -> Vec<Vec<f64>> {
    let texts: Vec<String> = lines.iter().map(|line| String::from_utf8_lossy(line).into_owned()).collect();
    let shapes: Vec<String> = texts.iter().map(|text| signature(text)).collect();
    let count = |shape: &String| shapes.iter().filter(|other| *other == shape).count();
    let Some(most) = shapes.iter().max_by_key(|shape| count(shape)) else { return Vec::new() };
    texts.iter().zip(&shapes).filter(|(_, shape)| *shape == most).map(|(text, _)| decimals_of(text)).collect()
}

fn range(rows: &[Vec<f64>], at: usize) -> Option<(f64, f64)> {
    let mut values = rows.iter().map(|row| row.get(at).copied());
    let first = values.next()??;
    values.try_fold((first, first), |(low, high), value| value.map(|v| (low.min(v), high.max(v))))
}

/// Whether these lines of a stream come from a meter that stands still on the tile: every number with
/// decimals is steady, and one of them is near the tile's value, or, where that is not known, well above
/// what a meter shows in the air.
#[must_use]
pub fn stands_still(lines: &[Vec<u8>], known: &Known) -> bool {
    let rows = rows(lines);
    let count = rows.first().map_or(0, Vec::len);
    if rows.len() < 5 || count == 0 {
        return false;
    }
    let ranges: Option<Vec<(f64, f64)>> = (0..count).map(|at| range(&rows, at)).collect();
    let Some(ranges) = ranges else { return false };
    let is_steady = |&(low, high): &(f64, f64)| high - low <= (0.02 * high).max(1.0);
    let is_tile = |&(low, high): &(f64, f64)| {
        if known.tile.is_empty() {
            return low >= AIR_GU;
        }
        let near = |assigned: Gloss| {
            let slack = (0.05 * assigned.to_f64()).max(2.0);
            low >= assigned.to_f64() - slack && high <= assigned.to_f64() + slack
        };
        known.tile.iter().any(|(_, &assigned)| near(assigned))
    };
    ranges.iter().all(is_steady) && ranges.iter().any(is_tile)
}

/// Whether `now` comes from a meter that has left the place where `there` came from.
#[must_use]
pub fn has_left(there: &[Vec<u8>], now: &[Vec<u8>]) -> bool {
    let (there, now) = (rows(there), rows(now));
    if now.len() < 3 {
        return false;
    }
    let count = there.first().map_or(0, Vec::len);
    if now.iter().all(|row| row.len() != count) {
        // It says something else in the air.
        return true;
    }
    (0..count).any(|at| match (range(&there, at), range(&now, at)) {
        (Some((low, _)), Some((_, high))) => high < low / 2.0,
        _ => false,
    })
}

/// The rule for a stream that gave these values on the tile and in the air.
pub(super) fn rule(tile: &[PerGeometry<Gloss>], air: &[PerGeometry<Gloss>], silent_in_air: bool) -> Rule {
    let all = |rows: &[PerGeometry<Gloss>]| -> Vec<Gloss> {
        rows.iter().flat_map(|row| row.iter().map(|(_, &value)| value).collect::<Vec<_>>()).collect()
    };
    let step = all(tile).iter().map(|value| value.scale()).max().unwrap_or(0);
    let step = Decimal::new(1, step.min(6));
    let mut spread = step * Decimal::from(3);
    for geometry in crate::units::Geometry::ALL {
        let values: Vec<Decimal> =
            tile.iter().filter_map(|row| row.get(geometry)).map(|value| value.decimal()).collect();
        if let (Some(low), Some(high)) = (values.iter().min(), values.iter().max()) {
            spread = spread.max((*high - *low) * Decimal::TWO);
        }
    }
    let spread_gu = spread.normalize().to_string();
    // A line shows the air where all of its values are low.
    let highest = |row: &PerGeometry<Gloss>| row.iter().map(|(_, value)| value.decimal()).max();
    let in_air = air.iter().filter_map(highest).max();
    let on_tile = tile.iter().filter_map(highest).min();
    let (leaves, confidence, doubt) = match (in_air, on_tile) {
        (Some(air), Some(tile)) if air < tile / Decimal::TWO => {
            let floor = (air * Decimal::TWO).max(air + Decimal::TWO).min(tile / Decimal::TWO).ceil();
            let doubt = format!(
                "in the air it shows up to {air} GU, so a value below {floor} GU counts as lifted; a panel as dull as \
                 that could not be read: set `lift_below_gu` lower then"
            );
            (("lift_below_gu", format!("\"{floor}\"")), 1.0, Some(doubt))
        }
        _ if silent_in_air => (("pause_ms", "1000".to_owned()), 0.97, None),
        _ => {
            let by = (spread * Decimal::TEN).max(Decimal::TWO).normalize();
            let doubt = format!(
                "it was not seen what the meter sends in the air, so it counts as lifted when the value moves by more \
                 than {by} GU; zones nearer to each other than that would be missed: set `lift_below_gu` or `pause_ms`"
            );
            (("leave_by_gu", format!("\"{by}\"")), 0.7, Some(doubt))
        }
    };
    Rule { spread_gu, leaves, confidence, doubt }
}
