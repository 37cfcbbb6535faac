//! How sure a reading of the columns is, and why.

use crate::meter::identify::cells::Form;
use crate::meter::identify::roles::Reading;
use crate::meter::identify::roles::Role;
use crate::meter::identify::roles::View;
use crate::meter::identify::roles::is_near;
use crate::units::Geometry;
use crate::units::PerGeometry;

/// Units of gloss, as they may stand in a line.
const UNITS: [&str; 8] = ["GU", "gu", "Gu", "GE", "ge", "G.U.", "g.u.", "GLU"];

impl View<'_, '_> {
    /// How sure the values are, and why.
    pub fn judge(&self, reading: &mut Reading, values: &[(usize, Vec<Geometry>)]) {
        let mut worst: f64 = 1.0;
        for (at, angles) in values {
            let Some(numbers) = &self.values[*at] else { continue };
            let mut groups: PerGeometry<Vec<f64>> = PerGeometry::none();
            for (&value, &geometry) in numbers.iter().zip(angles) {
                groups.slot(geometry).get_or_insert_default().push(value);
            }
            for (geometry, group) in groups.iter() {
                worst = worst.min(self.judge_one(reading, geometry, group));
            }
            match self.cut.columns[*at].form {
                Form::Digits => {
                    reading.confidence *= 0.8;
                    reading.doubts.push("the values have no decimals".to_owned());
                }
                Form::Uneven => {
                    reading.confidence *= 0.85;
                    reading.doubts.push("the values do not all have the same number of decimals".to_owned());
                }
                _ => {}
            }
        }
        reading.confidence *= worst;
        let mut presses = self.origin.presses.to_vec();
        presses.sort_unstable();
        presses.dedup();
        match presses.len() {
            3.. => {}
            2 => {
                reading.confidence *= 0.7;
                reading.doubts.push("such a line came at two presses only".to_owned());
            }
            _ => {
                reading.confidence *= 0.4;
                reading.doubts.push("such a line came at one press only".to_owned());
            }
        }
    }

    fn judge_one(&self, reading: &mut Reading, geometry: Geometry, group: &[f64]) -> f64 {
        let (low, high) =
            group.iter().fold((f64::MAX, f64::MIN), |(low, high), &v| (low.min(v), high.max(v)));
        let mut sure = 1.0;
        match self.origin.known.tile.get(geometry) {
            Some(&assigned) if group.iter().all(|&value| is_near(value, assigned)) => {
                reading
                    .reasons
                    .push(format!("{low} to {high} lies near the tile's {assigned} GU at {geometry}"));
            }
            Some(&assigned) => {
                sure *= 0.3;
                reading.doubts.push(format!(
                    "{low} to {high} is far from the tile's {assigned} GU at {geometry}: was it the tile, and is it clean?"
                ));
            }
            None => sure *= 0.92,
        }
        let apart = high - low;
        if apart <= (0.01 * high).max(1.0) {
            let times = group.len();
            reading.reasons.push(format!("the value at {geometry} is steady over {times} lines"));
        } else if apart <= 0.05 * high {
            sure *= 0.8;
            reading.doubts.push(format!("the value at {geometry} lies {apart:.2} apart on the tile"));
        } else {
            sure *= 0.3;
            reading.doubts.push(format!("the value at {geometry} is not steady: {low} to {high}"));
        }
        sure
    }

    /// Other numbers that could be the gloss as well, and the other columns' roles.
    pub fn other_numbers(&self, reading: &mut Reading, taken: &[usize]) {
        let decides = !self.origin.known.tile.is_empty()
            && taken.iter().all(|&at| {
                self.origin.known.tile.iter().any(|(_, &assigned)| {
                    self.values[at].iter().flatten().any(|&value| is_near(value, assigned))
                })
            });
        let has_decimals = |at: usize| matches!(self.cut.columns[at].form, Form::Decimal(_) | Form::Uneven);
        let is_rival = |&at: &usize| {
            !taken.contains(&at)
                && self.values[at].is_some()
                && (has_decimals(at) || !taken.iter().any(|&at| has_decimals(at)))
                && self.is_steady(at)
        };
        let rivals: Vec<usize> = (0..self.cut.columns.len()).filter(is_rival).collect();
        if !decides {
            for &at in &rivals {
                reading.confidence *= 0.55;
                reading.doubts.push(format!(
                    "{} (`{}`) is a steady number too, and may be the gloss; the tile's value would tell (--study or --tile)",
                    self.place(at),
                    self.cut.columns[at].cells[0]
                ));
            }
            // Between a number with decimals and one without, the former is likelier by far.
            if taken.iter().any(|&at| !has_decimals(at)) && self.has_decimal_rival(taken) {
                reading.confidence *= 0.3;
            }
        }
        for at in 0..self.cut.columns.len() {
            if reading.roles[at] == Role::Skip {
                reading.roles[at] = self.role_of_rest(at);
            }
        }
    }

    fn has_decimal_rival(&self, taken: &[usize]) -> bool {
        (0..self.cut.columns.len()).any(|at| {
            !taken.contains(&at)
                && self.values[at].is_some()
                && matches!(self.cut.columns[at].form, Form::Decimal(_))
        })
    }

    fn is_steady(&self, at: usize) -> bool {
        let Some(values) = &self.values[at] else { return false };
        let (low, high) =
            values.iter().fold((f64::MAX, f64::MIN), |(low, high), &v| (low.min(v), high.max(v)));
        high - low <= (0.01 * high).max(1.0)
    }

    fn role_of_rest(&self, at: usize) -> Role {
        let column = &self.cut.columns[at];
        let is_zero = column.cells[0].bytes().all(|byte| byte == b'0');
        match column.form {
            _ if !column.is_constant() || column.cells[0].is_empty() => Role::Skip,
            _ if UNITS.contains(&column.cells[0]) => Role::Unit,
            Form::Word => Role::Status,
            Form::Digits if is_zero => Role::Status,
            _ => Role::Skip,
        }
    }
}
