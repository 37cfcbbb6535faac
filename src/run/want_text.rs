//! What the run wants next, in words.

use super::ledger::{CheckKind, Ledger};
use super::notice::{Advice, Want};
use super::setup::{Between, Tile};

/// What to do next, in one sentence.
#[must_use]
pub fn want_sentence(ledger: &Ledger, want: Want) -> String {
    match want {
        Want::Tile { kind, reading, of, advice } => {
            let (spot, kind_text) = (spot(kind, &ledger.setup.tile), kind.text());
            if reading == 1 {
                let advice = advice_text(kind, advice);
                format!("{spot}, {kind_text} check, reading 1 of {of}: {advice}.")
            } else {
                format!("{spot}, {kind_text} check, reading {reading} of {of}.")
            }
        }
        Want::Zone { zone, repeat, of } if ledger.setup.between(zone).is_some() => {
            let (name, between) = (ledger.setup.spot_name(zone), ledger.setup.between(zone));
            let (how, advice) = match between {
                Some(Between::Lifted) => ("lifting", "lift the meter, set it down again, press"),
                _ if repeat == 1 => ("without lifting", "set the meter down, press, and leave it there"),
                _ => ("without lifting", "press again, the meter stays where it stands"),
            };
            format!("Zone {name}, {how}, reading {repeat} of {of}: {advice}.")
        }
        Want::Zone { zone, repeat, of } if of > 1 => {
            format!("Zone {}, reading {repeat} of {of}.", ledger.setup.zone_label(zone))
        }
        Want::Zone { zone, .. } => format!("Zone {}.", ledger.setup.zone_label(zone)),
        Want::Adjust => "Adjust the meter by its manual, then say `adjusted`.".to_owned(),
        Want::Resume => "Paused: say `resume` to go on.".to_owned(),
        Want::Nothing => "Nothing more: the run is over.".to_owned(),
    }
}

/// Where the meter goes; the tiles by their names where there are two.
fn spot(kind: CheckKind, tile: &Tile) -> String {
    match (kind, &tile.middle) {
        (CheckKind::Zero, _) => "Black trap".to_owned(),
        (CheckKind::Middle, Some(middle)) => format!("Middle tile ({})", middle.name),
        (CheckKind::Middle, None) => "Middle tile".to_owned(),
        (_, None) if tile.zero.is_none() => "Tile".to_owned(),
        _ => format!("Tile ({})", tile.name),
    }
}

fn advice_text(kind: CheckKind, advice: Advice) -> &'static str {
    let of_scale = kind.is_of_scale();
    match advice {
        Advice::Wipe if kind == CheckKind::Zero => {
            "wipe the meter's foot, look that the trap is clean and dark, lift between readings"
        }
        Advice::Wipe => "wipe the meter's foot, clean the tile, lift between readings",
        Advice::Reseat if of_scale => {
            "look for dust or wax on it and on the foot, seat the meter well, and read it once more"
        }
        Advice::Reseat => "look for dust or wax on tile and foot, seat the meter well, and read it once more",
        Advice::Clean if of_scale => "clean it and the meter's foot, then check once more",
        Advice::Clean => "clean the tile and the meter's foot, then check again",
        Advice::AdjustMeter => "clean once more and check, or say `adjust` and set the meter by its manual",
    }
}
