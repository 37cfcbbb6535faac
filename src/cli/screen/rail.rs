//! The bracket rail: a tile mark at each end, the placements between, and when the tile is due.

use super::line::{Line, Style, flow};
use crate::tile::CheckVerdict;
use crate::view::beads;
use crate::view::dues::dues;
use crate::view::survey::{Mark, Survey};

#[derive(Clone, Copy, PartialEq, Eq)]
enum Bead {
    Tile(Option<CheckVerdict>),
    Placement(Mark),
    /// Where beads are left away.
    Gap,
}

impl From<beads::Bead> for Bead {
    fn from(bead: beads::Bead) -> Bead {
        match bead {
            beads::Bead::Tile { verdict, .. } => Bead::Tile(verdict),
            beads::Bead::Placement { mark, .. } => Bead::Placement(mark),
            beads::Bead::ToCome => Bead::Placement(Mark::ToRead),
        }
    }
}

impl Bead {
    const fn drawn(self) -> (char, Style) {
        match self {
            Bead::Tile(None) => ('◇', Style::Waiting),
            Bead::Tile(Some(CheckVerdict::Passed)) => ('◆', Style::Held),
            Bead::Tile(Some(_)) => ('✕', Style::Broken),
            Bead::Placement(mark) => (mark.shape(), Style::of(mark)),
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
    let (beads, joined) = fitted(beads::beads(survey).into_iter().map(Bead::from).collect(), room);
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
    let pieces = dues(survey, now_us).into_iter().map(|(tone, text)| Line::of(tone.into(), text));
    let mut lines = flow(pieces, 3, width);
    if let Some(last) = lines.last_mut().filter(|last| legend && last.width() + 38 <= width) {
        let room = width - last.width() - 1;
        last.add(Style::Quiet, format!("{:>room$}", "◇ tile to come  ◆ passed  ✕ failed"));
    }
    lines
}
