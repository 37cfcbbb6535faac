//! One press, or one answer, that comes in several lines: one for each angle, in an order that the profile
//! gives. A small machine that makes one placement of them; it is fed with lines and their times, and knows
//! no clock.
//!
//! The order is a part of the rule that nothing is guessed: whichever one line is lost, the next one is not
//! the one that is due, so no line of one press can be joined to those of another.

use crate::meter::LineReader;
use crate::meter::Refusal;
use crate::meter::SequenceRange;
use crate::meter::Way;
use crate::meter::layout;
use crate::meter::profile_file::ReadingTable;
use crate::meter::profile_file::Source;
use crate::text::Problem;
use crate::units::Geometry;
use crate::units::Gloss;
use crate::units::PerGeometry;
use std::fmt;

/// How the lines of one press, or of one answer, belong together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Joining {
    /// The angles, in the order in which their lines come; two or three.
    pub order: Box<[Geometry]>,
    /// In less than this from the first line to the last, microseconds.
    pub within_us: u64,
}

impl Joining {
    pub(super) fn of(
        source: Source<'_>,
        table: &ReadingTable,
        way: &Way,
        reader: &LineReader,
    ) -> Result<Option<Joining>, Problem> {
        let within_ms =
            source.within("joins_within_ms", table.joins_within_ms.as_ref(), 10, 60_000, 1_000)?;
        let Some(given) = &table.joins_deg else {
            return match &table.joins_within_ms {
                None => Ok(None),
                Some(stray) => {
                    let hint = "add `joins_deg = [20, 60, 85]`, the angles in the order of their lines, or take it out";
                    Err(source.problem(
                        stray.span(),
                        "`joins_within_ms` is given, but nothing is joined",
                        hint,
                    ))
                }
            };
        };
        let refuse = |what: String, hint: &str| Err(source.problem(given.span(), what, hint));
        let order = given.get_ref();
        let is_twice = |(at, geometry): (usize, &Geometry)| order[..at].contains(geometry);
        if let Way::Stream(_) = way {
            let hint = "take it out: the lines of a stream are not joined, each stands for itself";
            return refuse("`joins_deg` says nothing with `how = \"stream\"`".to_owned(), hint);
        }
        if order.len() < 2 || order.iter().enumerate().any(is_twice) {
            let hint = "give two or three angles, each once, in the order in which their lines come";
            return refuse("`joins_deg` has less than two angles, or one twice".to_owned(), hint);
        }
        let known = layout::geometries(reader);
        if let Some(other) = order.iter().find(|&&geometry| known.get(geometry).is_none()) {
            let hint = "let a `geometry` field or the name of a value, such as `gloss_20`, say the angle of each line";
            return refuse(format!("no line can have a value at {other}"), hint);
        }
        Ok(Some(Joining { order: order.as_slice().into(), within_us: u64::from(within_ms) * 1_000 }))
    }
}

/// What came instead of the rest of a set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SetEnd {
    /// Nothing, in this time.
    Late {
        /// Milliseconds from its first line on.
        within_ms: u64,
    },
    /// The first line of the next set.
    Next,
    /// A line of this angle, out of its order.
    OutOfOrder(Geometry),
    /// A number that is not the next one.
    Number(u64),
    /// A line that was refused.
    Refused,
    /// The line to the meter went down, or the run was taken up again.
    Cut,
}

impl fmt::Display for SetEnd {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SetEnd::Late { within_ms } => write!(f, "within {within_ms} ms"),
            SetEnd::Next => f.write_str("before the first line of the next press"),
            SetEnd::OutOfOrder(geometry) => write!(f, "before a line at {geometry}"),
            SetEnd::Number(number) => write!(f, "before the line with the number {number}"),
            SetEnd::Refused => f.write_str("before a line that is refused"),
            SetEnd::Cut => f.write_str("before the link was lost"),
        }
    }
}

/// The lines of one press, put together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Joined {
    /// One value for each angle.
    pub gloss: PerGeometry<Gloss>,
    /// The lines as they came, an LF between two.
    pub lines: Vec<u8>,
    /// The numbers of the first and of the last line, where the lines have numbers.
    pub numbers: Option<(u64, u64)>,
}

/// What became of a line, and of the set that was open before it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Step {
    /// Lines that came to nothing, an LF between two, and why.
    pub refused: Option<(Vec<u8>, Refusal)>,
    /// The set is whole.
    pub whole: Option<Joined>,
}

/// Puts lines together.
#[derive(Clone, Debug)]
pub struct Joiner {
    rule: Joining,
    range: Option<SequenceRange>,
    open: Option<Open>,
}

/// A set of which the first lines have come.
#[derive(Clone, Debug)]
struct Open {
    since_us: u64,
    gloss: PerGeometry<Gloss>,
    /// Angles that have come.
    count: usize,
    lines: Vec<u8>,
    numbers: Option<(u64, u64)>,
    /// Whether all lines have one number; told by the second.
    shares_number: Option<bool>,
    /// Angles of the last line.
    last: PerGeometry<()>,
}

impl Joiner {
    /// Nothing has come. `range` is there where the lines have numbers.
    #[must_use]
    pub fn new(rule: Joining, range: Option<SequenceRange>) -> Joiner {
        Joiner { rule, range, open: None }
    }

    /// When the set that is open is late, microseconds.
    #[must_use]
    pub fn deadline_us(&self) -> Option<u64> {
        self.open.as_ref().map(|open| open.since_us.saturating_add(self.rule.within_us))
    }

    /// Whether lines of a set have come, and others are due.
    #[must_use]
    pub fn is_open(&self) -> bool {
        self.open.is_some()
    }

    /// Whether the set that is open is late. Then it is refused.
    pub fn pass_time(&mut self, now_us: u64) -> Option<(Vec<u8>, Refusal)> {
        let is_late = self.deadline_us().is_some_and(|deadline| now_us >= deadline);
        let within_ms = self.rule.within_us / 1_000;
        if is_late { self.end(SetEnd::Late { within_ms }) } else { None }
    }

    /// Nothing more comes of the set that is open.
    pub fn end(&mut self, end: SetEnd) -> Option<(Vec<u8>, Refusal)> {
        let open = self.open.take()?;
        let has = open.gloss.iter().map(|(geometry, _)| (geometry, ())).collect();
        let wants = self.rule.order.iter().map(|&geometry| (geometry, ())).collect();
        Some((open.lines, Refusal::SetUnfinished { has, wants, end }))
    }

    /// Takes the values of a line. The time of a set that is open has to have passed before.
    pub fn take(
        &mut self,
        at_us: u64,
        line: &[u8],
        gloss: &PerGeometry<Gloss>,
        sequence: Option<u64>,
    ) -> Step {
        let angles: PerGeometry<()> = gloss.iter().map(|(geometry, _)| (geometry, ())).collect();
        if let (Some(open), Some(number)) = (&self.open, sequence)
            && open.numbers.is_some_and(|(_, last)| last == number)
            && open.last == angles
        {
            return refused(line, Refusal::SequenceRepeated { sequence: number });
        }
        let count = self.open.as_ref().map_or(0, |open| open.count);
        let numbers = self.numbers(sequence);
        if self.are_due(count, &angles) && numbers.is_ok() {
            return Step { refused: None, whole: self.put(at_us, line, gloss, angles, sequence) };
        }
        let first = angles.iter().next().map_or(Geometry::Deg60, |(geometry, ())| geometry);
        // With none open, nothing was due but the first.
        if self.are_due(0, &angles) {
            let broken = self.end(numbers.err().map_or(SetEnd::Next, SetEnd::Number));
            return Step { refused: broken, whole: self.put(at_us, line, gloss, angles, sequence) };
        }
        let Some(open) = &mut self.open else {
            let wants = self.rule.order.clone();
            return refused(line, Refusal::SetNotBegun { found: first, wants });
        };
        add_line(&mut open.lines, line);
        Step {
            refused: self.end(numbers.err().map_or(SetEnd::OutOfOrder(first), SetEnd::Number)),
            whole: None,
        }
    }

    /// Whether a line's angles are the next ones behind the first `count`.
    fn are_due(&self, count: usize, angles: &PerGeometry<()>) -> bool {
        let length = angles.iter().count();
        let due = self.rule.order.get(count..count + length);
        due.is_some_and(|due| due.iter().all(|&geometry| angles.get(geometry).is_some()))
    }

    /// Whether a number may follow in the set that is open: the same in all its lines, or one more in each.
    fn numbers(&self, sequence: Option<u64>) -> Result<(), u64> {
        let (Some(open), Some(number)) = (&self.open, sequence) else { return Ok(()) };
        let Some((_, last)) = open.numbers else { return Ok(()) };
        let next = self.range.map_or(last.wrapping_add(1), |range| range.after(last));
        match open.shares_number {
            Some(true) if number == last => Ok(()),
            Some(false) if number == next => Ok(()),
            None if number == last || number == next => Ok(()),
            _ => Err(number),
        }
    }

    fn put(
        &mut self,
        at_us: u64,
        line: &[u8],
        gloss: &PerGeometry<Gloss>,
        angles: PerGeometry<()>,
        sequence: Option<u64>,
    ) -> Option<Joined> {
        let open = self.open.get_or_insert_with(|| Open {
            since_us: at_us,
            gloss: PerGeometry::none(),
            count: 0,
            lines: Vec::new(),
            numbers: None,
            shares_number: None,
            last: angles,
        });
        if let (Some((_, last)), Some(number)) = (open.numbers, sequence) {
            open.shares_number = Some(number == last);
        }
        if let Some(number) = sequence {
            open.numbers = Some((open.numbers.map_or(number, |(first, _)| first), number));
        }
        for (geometry, &value) in gloss.iter() {
            open.gloss.set(geometry, value);
            open.count += 1;
        }
        open.last = angles;
        add_line(&mut open.lines, line);
        if open.count < self.rule.order.len() {
            return None;
        }
        let Open { gloss, lines, numbers, .. } = self.open.take()?;
        Some(Joined { gloss, lines, numbers })
    }
}

fn refused(line: &[u8], why: Refusal) -> Step {
    Step { refused: Some((line.to_vec(), why)), whole: None }
}

fn add_line(lines: &mut Vec<u8>, line: &[u8]) {
    if !lines.is_empty() {
        lines.push(b'\n');
    }
    lines.extend_from_slice(line);
}

/// The order in words of a list: "20°, 60° and 85°".
pub(super) fn in_words(order: &[Geometry]) -> String {
    let all: Vec<String> = order.iter().map(Geometry::to_string).collect();
    match all.split_last() {
        None => "no geometry".to_owned(),
        Some((last, [])) => last.clone(),
        Some((last, others)) => format!("{} and {last}", others.join(", ")),
    }
}

#[cfg(test)]
#[path = "joining_tests.rs"]
mod tests;
