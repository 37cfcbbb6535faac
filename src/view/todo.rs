//! What to do now.

use crate::run::RunState;
use crate::run::Want;
use crate::run::say;
use crate::view::survey::Survey;

/// What kind of thing is wanted now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TodoKind {
    /// The meter on the tile, the middle tile or the black trap.
    Tile,
    /// The meter on a zone.
    Zone,
    /// The meter set by its manual.
    Adjust,
    /// A word that ends the pause.
    Paused,
    /// Nothing: the run is complete.
    Done,
    /// Nothing: the run was given up.
    GivenUp,
}

/// What to do now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Todo {
    /// What kind of thing it is.
    pub kind: TodoKind,
    /// Id of the panel that the zone is on, where the run has several; empty otherwise.
    pub panel: String,
    /// A word or two to be read from afar: the zone's name, or `Tile`.
    pub short: String,
    /// Which reading of how many, or which check; empty where there is nothing to add.
    pub detail: String,
    /// One sentence.
    pub sentence: String,
}

/// What a run wants now.
#[must_use]
pub fn todo(survey: &Survey<'_>) -> Todo {
    let ledger = survey.ledger;
    let sentence = say::want_sentence(ledger, survey.want);
    let panel = panel(survey);
    let counted = |n: u32, of: u32| if of > 1 { format!("{n} of {of}") } else { String::new() };
    let (kind, short, detail) = match survey.want {
        Want::Tile { kind, reading, of, .. } => {
            let spot = match kind {
                crate::run::CheckKind::Zero => "Black trap",
                crate::run::CheckKind::Middle => "Middle tile",
                _ => "Tile",
            };
            let counted = counted(reading, of);
            let gap = if counted.is_empty() { "" } else { ", " };
            (TodoKind::Tile, spot.to_owned(), format!("{} check{gap}{counted}", kind.text()))
        }
        Want::Zone { zone, repeat, of } => {
            let setup = &ledger.setup;
            let spot = setup.spot_name(zone).to_owned();
            let treatment = setup.zones[zone].treatment.and_then(|t| setup.treatments.get(t));
            let side = treatment.map_or("control", |t| t.code.as_str());
            let counted = counted(repeat, of);
            let gap = if counted.is_empty() { "" } else { ", reading " };
            (TodoKind::Zone, spot, format!("{side}{gap}{counted}"))
        }
        Want::Adjust => (TodoKind::Adjust, "Adjust".to_owned(), "by the meter's manual".to_owned()),
        Want::Resume => (TodoKind::Paused, "Paused".to_owned(), String::new()),
        Want::Nothing if ledger.state == RunState::Abandoned => {
            (TodoKind::GivenUp, "Given up".to_owned(), String::new())
        }
        Want::Nothing => (TodoKind::Done, "Done".to_owned(), String::new()),
    };
    Todo { kind, panel, short, detail, sentence }
}

fn panel(survey: &Survey<'_>) -> String {
    let setup = &survey.ledger.setup;
    let zone = survey.next_zone().filter(|_| setup.panels.len() > 1);
    zone.map_or_else(String::new, |zone| setup.panels[setup.zones[zone].panel].id.clone())
}
