//! The tile's control chart in a terminal of 80 columns, and what it shares with `svg.rs`. Shape carries the
//! meaning.

use crate::report::tile_history::Charted;
use crate::report::tile_history::GeometryHistory;
use crate::report::tile_history::Stretch;
use crate::report::tile_text::day;
use crate::report::tile_text::signed;
use crate::run::CheckKind;

/// Columns of the terminal that the plot keeps to.
const COLUMNS: usize = 80;
/// Columns left of the plot, for figures.
const MARGIN: usize = 9;
/// Rows of the plot.
const ROWS: usize = 13;
/// Columns from one check to the next at most.
const WIDEST_STEP: usize = 4;

/// What stands side by side on the chart: a check, or the beginning of a stretch.
#[derive(Clone, Copy)]
pub(super) enum Slot {
    Check(usize),
    Begins,
}

/// All that stands on the chart, from left to right.
pub(super) fn slots(history: &GeometryHistory) -> Vec<Slot> {
    let mut slots = Vec::new();
    for (index, stretch) in history.stretches.iter().enumerate() {
        if index > 0 {
            slots.push(Slot::Begins);
        }
        slots.extend((stretch.first..stretch.end).map(Slot::Check));
    }
    slots
}

/// Lowest and highest figure on the chart, a little air about them.
pub(super) fn range<'h>(
    checks: impl Iterator<Item = &'h Charted>,
    stretches: impl Iterator<Item = &'h Stretch>,
) -> (f64, f64) {
    let stretches: Vec<&Stretch> = stretches.collect();
    // Without limits the eye needs the assigned value to compare with.
    let assigned = stretches.last().is_some_and(|newest| newest.chart.is_err()).then_some(0.0);
    let limits =
        stretches.into_iter().filter_map(Stretch::limits).flat_map(|limits| [limits.lower, limits.upper]);
    let all = checks.map(|charted| charted.check.deviation_gu).chain(limits);
    let (low, high) =
        all.chain(assigned).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let air = (0.05 * (high - low)).max(0.05);
    (low - air, high + air)
}

/// The mark of a check: its shape says what it is.
pub(super) fn mark(charted: &Charted) -> char {
    match charted.check.kind {
        CheckKind::AsLeft => '○',
        _ if charted.is_beyond() => '✕',
        _ => '●',
    }
}

/// The chart of one geometry in text, within 80 columns. Of more checks than fit, the newest.
#[must_use]
pub fn terminal(history: &GeometryHistory) -> String {
    let all = slots(history);
    let room = COLUMNS - MARGIN;
    let shown = &all[all.len().saturating_sub(room)..];
    let step = (room / shown.len().max(1)).clamp(1, WIDEST_STEP);
    let checks = || {
        shown.iter().filter_map(|slot| match slot {
            Slot::Check(at) => Some(&history.checks[*at]),
            Slot::Begins => None,
        })
    };
    let oldest = checks().next().map_or(0, |charted| charted.stretch);
    let (low, high) = range(checks(), history.stretches[oldest..].iter());
    let mut grid = Grid { low, high, cells: vec![vec![' '; step * shown.len()]; ROWS] };
    for (at, slot) in shown.iter().enumerate() {
        grid.draw(history, *slot, at * step, step);
    }
    let mut text = grid.with_figures(history);
    let (first, last) = (checks().next().map(day), checks().next_back().map(day));
    let (first, last) = (first.unwrap_or_default(), last.unwrap_or_default());
    let last = if first == last { String::new() } else { last };
    let width = (step * shown.len()).max(first.len() + last.len() + 2);
    let gap = width.saturating_sub(first.len() + last.len());
    text.push_str(format!("{:MARGIN$}{first}{:gap$}{last}", "", "").trim_end());
    text.push('\n');
    let hidden = history.checks.len() - checks().count();
    if hidden > 0 {
        text.push_str(&format!("{:MARGIN$}the newest; {hidden} before them are in the table\n", ""));
    }
    text
}

/// What the marks of the terminal's chart mean.
pub const LEGEND: &str = "         ● check   ✕ beyond the limits   ○ as left after an adjustment
         ─ centre  ╌ limits  · moving average  ┊ a new stretch begins
";

struct Grid {
    low: f64,
    high: f64,
    cells: Vec<Vec<char>>,
}

impl Grid {
    fn row(&self, value: f64) -> usize {
        let part = (self.high - value) / (self.high - self.low);
        ((part * ROWS as f64) as usize).min(ROWS - 1)
    }

    fn put(&mut self, value: f64, column: usize, mark: char) {
        let row = self.row(value);
        self.cells[row][column] = mark;
    }

    /// Lines first, then the average, then the check on top.
    fn draw(&mut self, history: &GeometryHistory, slot: Slot, column: usize, step: usize) {
        let at = match slot {
            Slot::Begins => {
                self.cells.iter_mut().for_each(|row| row[column] = '┊');
                return;
            }
            Slot::Check(at) => at,
        };
        let charted = &history.checks[at];
        for column in column..column + step {
            if let Some(limits) = history.stretches[charted.stretch].limits() {
                self.put(limits.lower, column, '╌');
                self.put(limits.upper, column, '╌');
                self.put(limits.centre, column, '─');
            }
            if let Some(average) = charted.average_gu {
                self.put(average, column, '·');
            }
        }
        self.put(charted.check.deviation_gu, column, mark(charted));
    }

    /// The rows with their figures: the newest limits and centre, and the ends of the scale.
    fn with_figures(&self, history: &GeometryHistory) -> String {
        let mut figures = vec![None; ROWS];
        let limits = history.stretches.last().and_then(Stretch::limits);
        let lines = limits.map_or_else(|| vec![0.0], |l| vec![l.centre, l.upper, l.lower]);
        let half = 0.5 * (self.high - self.low) / ROWS as f64;
        let ends = [self.high - half, self.low + half];
        for value in lines.into_iter().chain(ends) {
            figures[self.row(value)].get_or_insert(value);
        }
        let mut text = String::new();
        for (cells, figure) in self.cells.iter().zip(figures) {
            let figure = figure.map(|value| signed(value, history.decimals())).unwrap_or_default();
            let cells: String = cells.iter().collect();
            text.push_str(format!("{figure:>7} │{cells}").trim_end());
            text.push('\n');
        }
        text
    }
}
