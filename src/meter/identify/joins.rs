//! Whether each press sends several lines that belong together: one for each angle, in the same order.

use crate::meter::identify::lines::Decoded;
use crate::units::Geometry;
use crate::units::Gloss;
use crate::units::PerGeometry;

/// Lines that belong together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Joins {
    /// The angles, in the order in which their lines come.
    pub order: Vec<Geometry>,
    /// Numbers of the lines of one press.
    pub lines: Vec<usize>,
    /// What these give together.
    pub gloss: PerGeometry<Gloss>,
}

/// Number, angle and value of a line.
type Part = (usize, Geometry, Gloss);

impl Joins {
    /// If every press has the same two or three angles in the same order, a line each. `lines` are the
    /// numbers of the lines that have a value, and `values` what they give.
    pub fn of(heard: &Decoded, lines: &[usize], values: &[PerGeometry<Gloss>]) -> Option<Joins> {
        let mut presses: Vec<(u32, Vec<Part>)> = Vec::new();
        for (&line, gloss) in lines.iter().zip(values) {
            let press = heard.tile.get(line)?.1;
            let mut each = gloss.iter();
            let (Some((geometry, &value)), None) = (each.next(), each.next()) else { return None };
            match presses.last_mut().filter(|(last, _)| *last == press) {
                Some((_, found)) => found.push((line, geometry, value)),
                None => presses.push((press, vec![(line, geometry, value)])),
            }
        }
        let order_of = |found: &[Part]| found.iter().map(|part| part.1).collect::<Vec<_>>();
        let (_, first) = presses.first()?;
        let order = order_of(first);
        let is_twice = |(at, geometry): (usize, &Geometry)| order[..at].contains(geometry);
        let is_set = order.len() >= 2 && !order.iter().enumerate().any(is_twice);
        let is_same = presses.iter().all(|(_, found)| order_of(found) == order);
        (presses.len() >= 2 && is_set && is_same).then(|| Joins {
            lines: first.iter().map(|part| part.0).collect(),
            gloss: first.iter().map(|part| (part.1, part.2)).collect(),
            order,
        })
    }

    /// What is told of it.
    pub fn in_words(&self) -> String {
        let order = crate::meter::joining::in_words(&self.order);
        format!(
            "each press sends a line for each of {order}, in this order: they are joined to one reading (`joins_deg`)"
        )
    }
}
