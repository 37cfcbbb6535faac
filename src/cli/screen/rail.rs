//! The bracket rail: a tile mark at each end, the placements between, and when the tile is due.

use super::line::{Line, Style, flow};
use super::survey::{Mark, Survey};
use crate::run::{RunState, Spot, Status};
use crate::tile::CheckVerdict;

const MINUTE_US: u64 = 60_000_000;

#[derive(Clone, Copy, PartialEq, Eq)]
enum Bead {
    Tile(Option<CheckVerdict>),
    Placement(Mark),
    /// Where beads are left away.
    Gap,
}

impl Bead {
    const fn drawn(self) -> (char, Style) {
        match self {
            Bead::Tile(None) => ('◇', Style::Waiting),
            Bead::Tile(Some(CheckVerdict::Passed)) => ('◆', Style::Held),
            Bead::Tile(Some(_)) => ('✕', Style::Broken),
            Bead::Placement(mark) => (mark.shape(), mark.style()),
            Bead::Gap => ('…', Style::Quiet),
        }
    }

    fn is_tile(self) -> bool {
        matches!(self, Bead::Tile(_))
    }

    fn is_to_come(self) -> bool {
        self == Bead::Placement(Mark::ToRead)
    }
}

/// The rail, one line.
pub fn rail(survey: &Survey<'_>, width: usize) -> Line {
    let title = if width >= 50 { " bracket  " } else { " " };
    let room = width.saturating_sub(title.chars().count() + 1);
    let (beads, joined) = fitted(beads(survey), room);
    let mut line = Line::of(Style::Quiet, title);
    for (i, &bead) in beads.iter().enumerate() {
        if joined && i > 0 {
            line.add(Style::Quiet, joint(beads[i - 1], bead));
        }
        let (shape, style) = bead.drawn();
        line.add(style, shape.to_string());
    }
    line.fitted(width)
}

/// Between two checks lies no bracket, so nothing joins them.
fn joint(before: Bead, after: Bead) -> &'static str {
    match () {
        () if before.is_tile() && after.is_tile() => " ",
        () if after.is_to_come() || after == Bead::Tile(None) || before.is_to_come() => "┄",
        () => "─",
    }
}

/// Beads in order of time, those to come last.
fn beads(survey: &Survey<'_>) -> Vec<Bead> {
    let ledger = survey.ledger;
    let mut beads = Vec::new();
    let (mut placement, mut check) = (0, None);
    for reading in ledger.readings.iter().filter(|r| r.status != Status::Undone) {
        match reading.spot {
            Spot::Tile { check: at } if check != Some(at) => {
                check = Some(at);
                let verdict = ledger.checks.get(at as usize).and_then(|c| c.verdict);
                let is_last = at as usize + 1 == ledger.checks.len();
                // A check that was left unfinished says nothing.
                if verdict.is_some() || (is_last && !survey.over) {
                    beads.push(Bead::Tile(verdict));
                }
            }
            Spot::Zone { .. } if placement != reading.placement => {
                beads.push(Bead::Placement(mark(reading.status)));
            }
            _ => {}
        }
        placement = reading.placement;
    }
    if survey.over {
        return beads;
    }
    let is_checking = ledger.checks.last().is_some_and(|c| c.verdict.is_none());
    if is_checking && beads.last() != Some(&Bead::Tile(None)) {
        beads.push(Bead::Tile(None));
    }
    let to_come = survey.to_come();
    beads.extend(std::iter::repeat_n(Bead::Placement(Mark::ToRead), to_come));
    if to_come > 0 || !is_checking {
        beads.push(Bead::Tile(None));
    }
    beads
}

const fn mark(status: Status) -> Mark {
    match status {
        Status::Pending => Mark::Pending,
        Status::Proven => Mark::Proven,
        Status::Drifted | Status::NotProven => Mark::NotHeld,
        Status::Voided | Status::Undone | Status::Superseded => Mark::LeftOut,
    }
}

/// Joined if there is room; else bead by bead; else with gaps, first in what is to come, then in what
/// is long past.
fn fitted(mut beads: Vec<Bead>, room: usize) -> (Vec<Bead>, bool) {
    if 2 * beads.len() <= room + 1 {
        return (beads, true);
    }
    let first_to_come = beads.iter().position(|b| b.is_to_come());
    if let Some(first) = first_to_come
        && beads.len() > room
    {
        let to_come = beads.len() - first - 1;
        let keep = to_come.saturating_sub(beads.len() - room + 1).max(2.min(to_come));
        if keep < to_come {
            let end = first + to_come;
            beads.splice(first + keep - 1..end - 1, [Bead::Gap]);
        }
    }
    if beads.len() > room {
        // What opened the present bracket stays in sight, even if its readings do not.
        let past = (beads.len() - room + 2).min(beads.len());
        let is_checked = |bead: &&Bead| matches!(bead, Bead::Tile(Some(_)));
        let opened = beads[..past].iter().rfind(is_checked).copied();
        beads.splice(..past, opened.into_iter().chain([Bead::Gap]));
    }
    (beads, false)
}

/// How long ago the tile was checked, and what is due when.
/// The marks of the tile are explained behind them if there is room.
pub fn times(survey: &Survey<'_>, now_us: u64, width: usize, legend: bool) -> Vec<Line> {
    let pieces = sentences(survey, now_us).into_iter().map(|(style, text)| Line::of(style, text));
    let mut lines = flow(pieces, 3, width);
    if let Some(last) = lines.last_mut().filter(|last| legend && last.width() + 38 <= width) {
        let room = width - last.width() - 1;
        last.add(Style::Quiet, format!("{:>room$}", "◇ tile to come  ◆ passed  ✕ failed"));
    }
    lines
}

fn sentences(survey: &Survey<'_>, now_us: u64) -> Vec<(Style, String)> {
    let mut all = Vec::new();
    let Some(checked_us) = survey.last_check_us else {
        return vec![(Style::Quiet, "no tile check yet: nothing counts before one has passed".to_owned())];
    };
    if survey.over {
        let end = match survey.ledger.state {
            RunState::Abandoned => (Style::Broken, "abandoned; what was not proven stays so".to_owned()),
            _ => (Style::Held, "complete".to_owned()),
        };
        return vec![end];
    }
    let ago = now_us.saturating_sub(checked_us) / MINUTE_US;
    let ago = if ago == 0 { "under a minute".to_owned() } else { format!("{ago} min") };
    let on_tile = survey.ledger.checks.iter().rev().filter(|c| !c.kind.is_of_scale());
    let last = on_tile.filter_map(|c| c.verdict).next();
    all.push(match last {
        Some(CheckVerdict::Passed) => (Style::Plain, format!("tile passed {ago} ago")),
        _ => (Style::Broken, format!("tile did not pass, {ago} ago")),
    });
    // While a bracket is open, the books say when the tile is wanted.
    if survey.ledger.brackets.last().is_some_and(|b| b.status == Status::Pending) {
        all.extend(interim_by_time(survey, checked_us, now_us));
        all.extend(interim_by_count(survey));
        all.extend(idle(survey, now_us));
    }
    all
}

fn interim_by_time(survey: &Survey<'_>, checked_us: u64, now_us: u64) -> Option<(Style, String)> {
    let minutes = survey.ledger.setup.procedure.interim_after_min?;
    let due_us = checked_us.saturating_add(u64::from(minutes) * MINUTE_US);
    Some(match due_us.saturating_sub(now_us).div_ceil(MINUTE_US) {
        0 => (Style::Waiting, "interim check due behind this block".to_owned()),
        left => (Style::Plain, format!("interim check in {left} min")),
    })
}

fn interim_by_count(survey: &Survey<'_>) -> Option<(Style, String)> {
    let every = survey.ledger.setup.procedure.interim_after_readings? as usize;
    let first = survey.ledger.brackets.last()?.first_reading as usize;
    let counts = |r: &&crate::run::Reading| matches!(r.spot, Spot::Zone { .. }) && r.status != Status::Undone;
    let readings = survey.ledger.readings.get(first..)?.iter().filter(counts).count();
    let placements = readings / survey.ledger.setup.geometries.len().max(1);
    Some(match every.saturating_sub(placements) {
        0 => (Style::Waiting, "interim check due behind this block".to_owned()),
        left => (Style::Plain, format!("interim check after {left} more")),
    })
}

/// The longest pause ends a sitting: said once it is near.
fn idle(survey: &Survey<'_>, now_us: u64) -> Option<(Style, String)> {
    let last_us = survey.ledger.readings.last()?.at_us;
    let limit_us = u64::from(survey.ledger.setup.procedure.longest_pause_min) * MINUTE_US;
    let end_us = last_us.saturating_add(limit_us);
    // A run taken up anew counts from there; only what the run itself waits for is told.
    let left = end_us.checked_sub(now_us)?.div_ceil(MINUTE_US);
    let is_near = left <= 10 && survey.deadline_us.is_some_and(|deadline| deadline <= end_us);
    is_near.then(|| (Style::Waiting, format!("read on within {left} min, or both sides are read again")))
}
