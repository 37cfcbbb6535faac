//! What each cell of a line is: which number is the gloss and at which angle, and what the others are.

mod judging;

use crate::meter::Limits;
use crate::meter::identify::Known;
use crate::meter::identify::cells::Column;
use crate::meter::identify::cells::Cut;
use crate::meter::identify::cells::Form;
use crate::meter::identify::cells::Way;
use crate::meter::identify::tokens::number_form;
use crate::meter::identify::tokens::value_of;
use crate::units::Geometry;
use crate::units::Gloss;

/// What a column is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Role {
    /// A value; `None` where a column or the profile says at which angle.
    Gloss(Option<Geometry>),
    Geometry,
    Sequence,
    Unit,
    /// A word that stood in every line.
    Status,
    Skip,
}

/// One way to understand the columns of a cut.
#[derive(Clone, Debug)]
pub(super) struct Reading {
    pub roles: Vec<Role>,
    /// For all values, where the line does not say it.
    pub geometry: Option<Geometry>,
    /// How the line writes an angle, where it is not written as a number alone.
    pub words: Vec<(String, Geometry)>,
    pub confidence: f64,
    pub reasons: Vec<String>,
    pub doubts: Vec<String>,
}

/// Where the lines come from.
pub(super) struct Origin<'a> {
    pub known: &'a Known,
    /// The press of each line.
    pub presses: &'a [u32],
    /// Lines of text that came besides.
    pub others: &'a [String],
}

/// What stands behind a number that is no gloss: temperature, humidity, battery, lengths and times.
const OTHER_UNITS: [&str; 14] = ["C", "°C", "F", "°F", "K", "°", "%", "V", "mV", "mm", "um", "s", "ms", "RH"];

/// How near to the assigned value a reading has to lie: 5 %, and 2 GU.
fn is_near(value: f64, assigned: Gloss) -> bool {
    let assigned = assigned.to_f64();
    (value - assigned).abs() <= (0.05 * assigned.abs()).max(2.0)
}

/// The angle at which the tile has such values: the only one that they lie near, or the one of several that they
/// lie much nearer than the others.
fn angle_by_tile(known: &Known, values: &[f64]) -> Option<Geometry> {
    let apart = |geometry: Geometry| {
        let assigned = *known.tile.get(geometry)?;
        let is_near = !values.is_empty() && values.iter().all(|&value| is_near(value, assigned));
        let furthest = values.iter().map(|value| (value - assigned.to_f64()).abs()).fold(0.0, f64::max);
        is_near.then_some((geometry, furthest))
    };
    let mut fitting: Vec<(Geometry, f64)> = Geometry::ALL.into_iter().filter_map(apart).collect();
    fitting.sort_by(|a, b| a.1.total_cmp(&b.1));
    match *fitting.as_slice() {
        [(only, _)] => Some(only),
        [(nearest, apart), (_, next), ..] if 3.0 * apart < next => Some(nearest),
        _ => None,
    }
}

/// Every way to understand the columns that has a value in it.
pub(super) fn readings(cut: &Cut<'_>, origin: &Origin<'_>) -> Vec<Reading> {
    let view = View::of(cut, origin);
    let mut found: Vec<Reading> = view.several().into_iter().collect();
    found.extend((0..cut.columns.len()).filter_map(|at| view.single(at)));
    found
}

/// A cut, with what can be said of its columns before one is chosen.
struct View<'a, 't> {
    cut: &'a Cut<'t>,
    origin: &'a Origin<'a>,
    /// The angle that each cell of a column names, if all do.
    angles: Vec<Option<Vec<Geometry>>>,
    sequence: Option<usize>,
    /// Values of the columns that may be a gloss.
    values: Vec<Option<Vec<f64>>>,
}

impl<'a, 't> View<'a, 't> {
    fn of(cut: &'a Cut<'t>, origin: &'a Origin<'a>) -> View<'a, 't> {
        let angles: Vec<Option<Vec<Geometry>>> = cut
            .columns
            .iter()
            .map(|column| column.cells.iter().map(|cell| angle_in(cell)).collect())
            .collect();
        let sequence = cut.columns.iter().position(rises_by_one);
        let mut view = View { cut, origin, angles, sequence, values: Vec::new() };
        view.values = (0..cut.columns.len()).map(|at| view.values_of(at)).collect();
        view
    }

    fn values_of(&self, at: usize) -> Option<Vec<f64>> {
        let column = &self.cut.columns[at];
        let is_number = matches!(column.form, Form::Decimal(_) | Form::Uneven | Form::Digits);
        if !is_number || self.sequence == Some(at) || self.angles[at].is_some() || self.is_other_quantity(at)
        {
            return None;
        }
        let highest = Limits::default_high_gu(Geometry::Deg20);
        let value = |cell: &&str| {
            let form = number_form(cell, self.cut.mark.character())?;
            let value = value_of(cell, self.cut.mark, form)?.to_f64();
            #[expect(clippy::cast_precision_loss, reason = "the limit is 2000")]
            let is_gloss = (0.0..=highest as f64).contains(&value);
            is_gloss.then_some(value)
        };
        column.cells.iter().map(value).collect()
    }

    /// Whether the next cell is the unit of something else.
    fn is_other_quantity(&self, at: usize) -> bool {
        let next = |step: usize| self.cut.columns.get(at + step).map(|column| column.cells[0]);
        match (next(1), next(2)) {
            (Some("°"), Some("C" | "F")) => true,
            (Some(unit), _) => OTHER_UNITS.contains(&unit),
            _ => false,
        }
    }

    /// The column that names the angle of the value in column `at`: the nearest before it, else behind it.
    fn angle_for(&self, at: usize) -> Option<usize> {
        let is_angle = |&other: &usize| self.angles[other].is_some();
        (0..at).rev().find(is_angle).or_else(|| (at + 1..self.cut.columns.len()).find(is_angle))
    }

    fn single(&self, at: usize) -> Option<Reading> {
        let values = self.values[at].as_ref()?;
        let mut reading = self.empty();
        reading.roles[at] = Role::Gloss(None);
        let angles: Vec<Geometry> = match self.angle_for(at) {
            Some(column) => {
                reading.roles[column] = Role::Geometry;
                reading.reasons.push(format!("{} names the angle", self.place(column)));
                self.name_words(&mut reading, column);
                self.angles[column].clone()?
            }
            None => match self.lettered(at, values) {
                Some((column, angles)) => {
                    reading.roles[column] = Role::Geometry;
                    reading.words = words_for(&self.cut.columns[column], &angles);
                    reading.reasons.push(format!(
                        "{} names the angle, by the tile's values at the angles",
                        self.place(column)
                    ));
                    angles
                }
                None => vec![self.assumed(&mut reading, values); values.len()],
            },
        };
        self.judge(&mut reading, &[(at, angles)]);
        self.other_numbers(&mut reading, &[at]);
        Some(reading)
    }

    /// Two or three values in a line, each with its angle.
    fn several(&self) -> Option<Reading> {
        let decimal = |&at: &usize| {
            self.values[at].is_some() && matches!(self.cut.columns[at].form, Form::Decimal(_) | Form::Uneven)
        };
        let mut all: Vec<usize> = (0..self.cut.columns.len()).filter(decimal).collect();
        if all.len() < 2 {
            all = (0..self.cut.columns.len()).filter(|&at| self.values[at].is_some()).collect();
        }
        let own: Vec<Option<usize>> = all
            .iter()
            .enumerate()
            .map(|(number, &at)| {
                let after = if number == 0 { 0 } else { all[number - 1] + 1 };
                (after..at).rev().find(|&other| self.angles[other].is_some())
            })
            .collect();
        let mut reading = self.empty();
        let values: Vec<(usize, Vec<Geometry>)> = if own.iter().filter(|o| o.is_some()).count() >= 2 {
            let pairs = all.iter().zip(&own).filter_map(|(&at, &angle)| Some((at, angle?)));
            let pairs: Vec<(usize, usize)> = pairs.collect();
            self.named(&mut reading, &pairs)?
        } else {
            self.by_place(&mut reading, &all)?
        };
        let twice = |(at, angles): &(usize, Vec<Geometry>)| {
            values.iter().any(|(other, others)| other < at && others.iter().zip(angles).any(|(a, b)| a == b))
        };
        if values.len() > 3 || values.iter().any(twice) {
            return None;
        }
        self.judge(&mut reading, &values);
        let places: Vec<usize> = values.iter().map(|&(at, _)| at).collect();
        self.other_numbers(&mut reading, &places);
        Some(reading)
    }

    /// Each value has its angle before it.
    fn named(&self, reading: &mut Reading, pairs: &[(usize, usize)]) -> Option<Vec<(usize, Vec<Geometry>)>> {
        let mut values = Vec::new();
        let fixed = pairs.iter().all(|&(_, angle)| self.cut.columns[angle].is_constant());
        let in_pattern = matches!(self.cut.way, Way::Pieces(_));
        for &(at, angle) in pairs {
            let angles = self.angles[angle].clone()?;
            if fixed && in_pattern {
                reading.roles[at] = Role::Gloss(angles.first().copied());
            } else {
                reading.roles[at] = Role::Gloss(None);
                reading.roles[angle] = Role::Geometry;
                self.name_words(reading, angle);
            }
            values.push((at, angles));
        }
        reading.reasons.push("each value has its angle before it".to_owned());
        Some(values)
    }

    /// Nothing names the angles but the order of the values.
    fn by_place(&self, reading: &mut Reading, all: &[usize]) -> Option<Vec<(usize, Vec<Geometry>)>> {
        let by_tile = |&at: &usize| Some((at, angle_by_tile(self.origin.known, self.values[at].as_ref()?)?));
        let by_tile: Vec<(usize, Geometry)> = all.iter().filter_map(by_tile).collect();
        let rows = self.origin.presses.len();
        let told: Vec<(usize, Geometry)> = if by_tile.len() >= 2 {
            reading.reasons.push("the values lie near the tile's, each at another angle".to_owned());
            by_tile
        } else if all.len() == 3 {
            let order = self.heading().unwrap_or_else(|| {
                reading.confidence *= 0.7;
                reading.doubts.push(
                    "three values stand in the line, and only their order says at which angle: taken for 20°, 60°, 85°; \
                     see that it is so"
                        .to_owned(),
                );
                Geometry::ALL
            });
            all.iter().copied().zip(order).collect()
        } else {
            return None;
        };
        for &(at, geometry) in &told {
            reading.roles[at] = Role::Gloss(Some(geometry));
        }
        Some(told.into_iter().map(|(at, geometry)| (at, vec![geometry; rows])).collect())
    }

    /// The order of the angles in a heading that names all three.
    fn heading(&self) -> Option<[Geometry; 3]> {
        self.origin.others.iter().find_map(|line| {
            let words = line.split(|c: char| !c.is_ascii_digit()).filter(|digits| !digits.is_empty());
            let angles: Vec<Geometry> = words.filter_map(angle_in).collect();
            let order: [Geometry; 3] = angles.try_into().ok()?;
            (order[0] != order[1] && order[1] != order[2] && order[0] != order[2]).then_some(order)
        })
    }

    /// A column of two or three words, each of which stands where the tile's value is another angle's.
    fn lettered(&self, at: usize, values: &[f64]) -> Option<(usize, Vec<Geometry>)> {
        let angle_of = |value: &f64| angle_by_tile(self.origin.known, std::slice::from_ref(value));
        let angles: Vec<Geometry> = values.iter().map(angle_of).collect::<Option<_>>()?;
        if angles.iter().all(|g| *g == angles[0]) {
            return None;
        }
        let tells = |column: &Column<'_>| {
            let pairs = || column.cells.iter().zip(&angles);
            !column.cells.iter().any(|cell| cell.is_empty())
                && pairs().all(|(cell, g)| pairs().all(|(other, h)| (cell == other) == (g == h)))
        };
        let found = (0..self.cut.columns.len()).find(|&c| c != at && tells(&self.cut.columns[c]))?;
        Some((found, angles))
    }

    /// The angle where no line says it.
    fn assumed(&self, reading: &mut Reading, values: &[f64]) -> Geometry {
        let geometry = match (self.origin.known.geometry, angle_by_tile(self.origin.known, values)) {
            (Some(told), _) => told,
            (None, Some(only)) => {
                reading
                    .reasons
                    .push(format!("no angle stands in the line; the tile has such a value at {only}"));
                only
            }
            _ => {
                reading.confidence *= 0.75;
                reading.doubts.push(
                    "nothing in the line says at which angle it was read: 60° is taken; say it with --geometry, or set \
                     `geometry_deg`"
                        .to_owned(),
                );
                Geometry::Deg60
            }
        };
        reading.geometry = Some(geometry);
        geometry
    }

    fn empty(&self) -> Reading {
        let mut reading = Reading {
            roles: vec![Role::Skip; self.cut.columns.len()],
            geometry: None,
            words: Vec::new(),
            confidence: 1.0,
            reasons: Vec::new(),
            doubts: Vec::new(),
        };
        if let Some(at) = self.sequence {
            reading.roles[at] = Role::Sequence;
            reading.reasons.push(format!("{} rises by one from line to line", self.place(at)));
        }
        reading
    }

    fn name_words(&self, reading: &mut Reading, column: usize) {
        let cells = &self.cut.columns[column].cells;
        if cells.iter().all(|cell| cell.len() == 2) {
            return;
        }
        let Some(angles) = &self.angles[column] else { return };
        for (word, angle) in words_for(&self.cut.columns[column], angles) {
            for geometry in Geometry::ALL {
                let word = word.replacen(angle.text(), geometry.text(), 1);
                if !reading.words.iter().any(|(known, _)| *known == word) {
                    reading.words.push((word, geometry));
                }
            }
        }
    }

    fn place(&self, at: usize) -> String {
        match &self.cut.way {
            Way::Separator(_) => format!("field {}", at + 1),
            Way::Pieces(_) => format!("`{}`", self.cut.columns[at].cells[0]),
            Way::Columns(places) => format!("the columns {} to {}", places[at].0, places[at].1),
        }
    }
}

/// Whether each number is by one above that of the line before.
fn rises_by_one(column: &Column<'_>) -> bool {
    let numbers: Option<Vec<u64>> = column.cells.iter().map(|cell| cell.parse().ok()).collect();
    let rises = |pair: &[u64]| pair[0].checked_add(1) == Some(pair[1]);
    column.form == Form::Digits
        && numbers.is_some_and(|numbers| numbers.len() > 1 && numbers.windows(2).all(rises))
}

/// The angle that a cell names: 20, 60 or 85, with nothing but letters or a degree sign around it.
fn angle_in(cell: &str) -> Option<Geometry> {
    let digits = cell.trim_matches(|c: char| !c.is_ascii_digit());
    let beside = |c: char| c.is_alphabetic() || matches!(c, '°' | '(' | ')' | '@' | '_' | '\u{2}');
    let is_plain = cell.chars().count() <= 8 && cell.replacen(digits, "", 1).chars().all(beside);
    let geometry = Geometry::ALL.into_iter().find(|geometry| geometry.text() == digits);
    geometry.filter(|_| is_plain)
}

fn words_for(column: &Column<'_>, angles: &[Geometry]) -> Vec<(String, Geometry)> {
    let mut words: Vec<(String, Geometry)> = Vec::new();
    for (cell, &angle) in column.cells.iter().zip(angles) {
        if !words.iter().any(|(word, _)| word == cell) {
            words.push(((*cell).to_owned(), angle));
        }
    }
    words
}
