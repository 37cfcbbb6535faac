//! The reading order.
//!
//! A meter that warms up drifts. Read all control zones first and all treated ones last, and the drift
//! stands in the difference in full. So the sides take turns:
//!
//! - `listed`: as the study lists the zones, each a block of its own. For those who know why.
//! - `alternate`: a control zone and one zone of each treatment make a round (C A B), round after
//!   round (C A B C A B). A linear drift leaves the distance of one turn in the difference.
//! - `mirror`: every second round is turned about (C A B B A C). Within such a pair of rounds all sides
//!   have the same mean place in the order, so a linear drift cancels. With an odd number of zones a
//!   side the last round has no partner: where a control and one treatment take turns over five zones each,
//!   their mean places differ by a fifth of one step, and by no order could they differ by nothing, since
//!   the sum of the places 1 to 10 is odd.
//!
//! Panels follow one another: walking to and fro between them costs more time than it cancels, and each
//! panel has its own control. Zones that a side has beyond the smallest side come last, round by round,
//! in blocks of their own, so that they do not upset the balance of the rounds before them.
//!
//! A block is what an interim tile check waits for: a bracket holds whole blocks, so that its drift falls
//! on both sides alike.

use crate::run::setup::Block;
use crate::run::setup::Role;
use crate::run::setup::Zone;
use crate::study::model::Order;

/// The reading order of `zones`: indices into them, each once.
#[must_use]
pub fn plan(zones: &[Zone], order: Order) -> Vec<Block> {
    if order == Order::Listed {
        return (0..zones.len()).map(|zone| Block(vec![zone])).collect();
    }
    let mut panels: Vec<usize> = zones.iter().map(|zone| zone.panel).collect();
    panels.sort_unstable();
    panels.dedup();
    panels.into_iter().flat_map(|panel| turns(&sides(zones, panel), order)).collect()
}

/// The zones of each side of a panel: control first, then the treatments in the order of the set-up.
fn sides(zones: &[Zone], panel: usize) -> Vec<Vec<usize>> {
    let on_panel = || zones.iter().enumerate().filter(|(_, zone)| zone.panel == panel);
    let side = |zone: &Zone| (zone.role != Role::Control).then_some(zone.treatment);
    let mut keys: Vec<Option<Option<usize>>> = on_panel().map(|(_, zone)| side(zone)).collect();
    keys.sort_unstable();
    keys.dedup();
    let members = |key| on_panel().filter(|(_, zone)| side(zone) == key).map(|(index, _)| index).collect();
    keys.into_iter().map(members).collect()
}

fn turns(sides: &[Vec<usize>], order: Order) -> Vec<Block> {
    let shortest = sides.iter().map(Vec::len).min().unwrap_or(0);
    let longest = sides.iter().map(Vec::len).max().unwrap_or(0);
    let round =
        |number: usize| -> Vec<usize> { sides.iter().filter_map(|side| side.get(number).copied()).collect() };
    let even = (0..shortest).map(round).collect::<Vec<_>>();
    let mut blocks: Vec<Block> = match order {
        Order::Mirror => even.chunks(2).map(mirrored).collect(),
        Order::Alternate | Order::Listed => even.into_iter().map(Block).collect(),
    };
    blocks.extend((shortest..longest).map(round).map(Block));
    blocks
}

/// A round, and the next one turned about.
fn mirrored(rounds: &[Vec<usize>]) -> Block {
    let mut block = rounds[0].clone();
    block.extend(rounds.iter().skip(1).flat_map(|round| round.iter().rev()));
    Block(block)
}

#[cfg(test)]
#[path = "plan_tests.rs"]
mod tests;
