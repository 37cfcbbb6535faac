//! What the tile did over the brackets of a comparison.

use super::books::Book;
use super::comparison::Comparison;
use super::gain::Drift;
use super::gain::checks;
use super::gain::drift;
use crate::run::Check;
use crate::stats::outliers::Floor;

/// Drift and deviations, at the comparison's geometry.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drifts {
    /// Of the bracket whose tile moved furthest, up or down; of equal ones the first.
    pub worst: Option<Drift>,
    /// Of the check that opened the first bracket, mean minus assigned value, GU.
    pub opening_deviation_gu: Option<f64>,
    /// Of the check that ended the last one, GU; absent while it is open.
    pub closing_deviation_gu: Option<f64>,
}

impl Drifts {
    /// Over the brackets that the comparison's readings lie in.
    #[must_use]
    pub fn of(run: &Book<'_>, comparison: &Comparison<'_>) -> Drifts {
        let (ledger, geometry) = (run.ledger, comparison.geometry);
        let at = ledger.setup.geometries.iter().position(|&g| g == geometry);
        let meter = at.map_or(Floor::default(), |at| run.zones().meter(at));
        let deviation = |check: &Check| check.geometries.get(geometry).map(|g| g.deviation_gu);
        let brackets = &comparison.brackets;
        let first = brackets.first().and_then(|bracket| checks(ledger, bracket).0);
        let last = brackets.last().and_then(|bracket| checks(ledger, bracket).1);
        let all = brackets.iter().filter_map(|bracket| drift(ledger, bracket, geometry, meter));
        let worst = all.reduce(|worst, next| if next.gu.abs() > worst.gu.abs() { next } else { worst });
        Drifts {
            worst,
            opening_deviation_gu: first.and_then(deviation),
            closing_deviation_gu: last.and_then(deviation),
        }
    }
}
