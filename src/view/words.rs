//! Which words a run would follow now. What would only be refused is not offered.

use crate::run::Reading;
use crate::run::Run;
use crate::run::Spot;
use crate::run::Status;
use crate::run::Want;
use crate::view::survey::Survey;
use std::collections::BTreeMap;

/// Placements that are offered for `void`, the newest first.
const OFFERED: usize = 40;

/// A placement that can be declared void.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Voidable {
    /// Its number.
    pub placement: u32,
    /// Where the meter stood and what it said, such as `A3: 75.2 GU at 60°`.
    pub what: String,
}

/// The words that can be followed now.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WordsNow {
    /// What `undo` takes back; absent if there is nothing to take back.
    pub undo: Option<String>,
    /// Label of the zone that `again` means by itself: the one read last.
    pub again: Option<String>,
    /// Labels of all zones that can be read again.
    pub read_zones: Vec<String>,
    /// Placements for `void`, the newest first.
    pub voidable: Vec<Voidable>,
    /// Label of the zone that `skip` means by itself: the next one.
    pub skip: Option<String>,
    /// `read`: the meter is asked for each reading.
    pub read: bool,
    /// `check`.
    pub check: bool,
    /// `adjust`.
    pub adjust: bool,
    /// `adjusted`.
    pub adjusted: bool,
    /// `pause`.
    pub pause: bool,
    /// `resume`.
    pub resume: bool,
    /// `note` and `abandon`: while the run is not over.
    pub is_open: bool,
}

impl WordsNow {
    /// The words of a run as it stands.
    #[must_use]
    pub fn of(run: &Run, survey: &Survey<'_>) -> WordsNow {
        if survey.over {
            return WordsNow::default();
        }
        let setup = &survey.ledger.setup;
        let (is_zone, is_tile) =
            (matches!(survey.want, Want::Zone { .. }), matches!(survey.want, Want::Tile { .. }));
        let is_adjusting = survey.want == Want::Adjust;
        let as_found =
            is_tile && survey.ledger.checks.last().is_some_and(|c| c.kind == crate::run::CheckKind::AsFound);
        WordsNow {
            undo: undoable(survey),
            again: last_zone(survey),
            read_zones: (0..setup.zones.len())
                .filter(|&z| survey.zones[z].taken > 0 || survey.zones[z].not_held || survey.zones[z].skipped)
                .map(|z| setup.zone_label(z))
                .collect(),
            voidable: voidable(survey),
            skip: survey.next_zone().map(|zone| setup.zone_label(zone)),
            read: run.is_asked() && (is_zone || is_tile),
            check: is_zone,
            adjust: (is_zone || is_tile) && !as_found,
            adjusted: is_adjusting,
            pause: survey.want != Want::Resume,
            resume: survey.want == Want::Resume,
            is_open: true,
        }
    }
}

fn last_zone(survey: &Survey<'_>) -> Option<String> {
    survey.ledger.readings.iter().rev().find_map(|r| match r.spot {
        Spot::Zone { zone, .. } if r.status != Status::Undone => {
            Some(survey.ledger.setup.zone_label(usize::from(zone)))
        }
        _ => None,
    })
}

fn undoable(survey: &Survey<'_>) -> Option<String> {
    let readings = survey.last_placement();
    let main = survey.main_geometry();
    let reading = readings.iter().find(|r| r.geometry == main).or(readings.first())?;
    let label = || format!("{}: {} GU", survey.spot(reading.spot), reading.gloss);
    (reading.status == Status::Pending).then(label)
}

fn voidable(survey: &Survey<'_>) -> Vec<Voidable> {
    let counts = |r: &&Reading| matches!(r.status, Status::Pending | Status::Proven | Status::Drifted);
    let on_zone = |r: &&Reading| matches!(r.spot, Spot::Zone { .. });
    let mut found: BTreeMap<u32, String> = BTreeMap::new();
    for reading in survey.ledger.readings.iter().rev().filter(|r| on_zone(r) && counts(r)) {
        if found.len() == OFFERED && !found.contains_key(&reading.placement) {
            break;
        }
        let value = format!("{} GU at {}", reading.gloss, reading.geometry);
        found
            .entry(reading.placement)
            // They come in reverse.
            .and_modify(|what| *what = what.replacen(": ", &format!(": {value}, "), 1))
            .or_insert_with(|| format!("{}: {value}", survey.spot(reading.spot)));
    }
    found.into_iter().rev().map(|(placement, what)| Voidable { placement, what }).collect()
}
