//! Which earlier runs a run is held against. Chosen when it begins and written into its head, so that
//! nobody chooses by what it gives.

use super::books::Book;
use super::zone_figures::ZoneStatus;
use crate::run::Ledger;
use crate::run::RunState;
use crate::run::Setup;
use crate::run::setup::Role;
use crate::run::setup::Serves;
use crate::run::setup::Zone;
use chrono::DateTime;

/// The stage before any product is put on.
pub const BARE: &str = "bare";

/// An earlier run that is looked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wanted {
    /// What for.
    pub serves: Serves,
    /// Index of the panel in the set-up.
    pub panel: usize,
    /// Stage of the panel's patches in that run.
    pub stage: String,
}

/// What a run of this set-up looks for: bare readings of each panel, those of the stage that gloss is
/// to be kept from, and an earlier comparison on fewer zones. Nothing for a panel that is read bare; bare
/// readings alone where its patches are at different stages.
#[must_use]
pub fn wanted(setup: &Setup, baseline: bool, retention_from: &str) -> Vec<Wanted> {
    let mut found = Vec::new();
    for panel in 0..setup.panels.len() {
        let mut want = |serves, stage: &str| found.push(Wanted { serves, panel, stage: stage.to_owned() });
        let mut stages = stages_of(setup, panel).peekable();
        if baseline && stages.peek().is_some() && stages.all(|stage| stage != BARE) {
            want(Serves::Baseline, BARE);
        }
        let Some(stage) = stage_of(setup, panel).filter(|stage| *stage != BARE) else { continue };
        if stage != retention_from && retention_from != BARE {
            want(Serves::Retention, retention_from);
        }
        want(Serves::Extended, stage);
    }
    found
}

fn stages_of(setup: &Setup, panel: usize) -> impl Iterator<Item = &str> {
    treated_on(setup, panel).map(|zone| zone.stage.as_str())
}

fn treated_on(setup: &Setup, panel: usize) -> impl Iterator<Item = &Zone> {
    setup.zones.iter().filter(move |zone| zone.panel == panel && zone.role == Role::Treated)
}

/// The stage of the patches on a panel, if they share one.
fn stage_of(setup: &Setup, panel: usize) -> Option<&str> {
    let mut stages = stages_of(setup, panel);
    let first = stages.next()?;
    stages.all(|stage| stage == first).then_some(first)
}

/// Whether a run of this set-up can be what is wanted, before its readings are looked at: the panel is
/// there at that stage, with the same tile and all geometries.
///
/// # Errors
/// Why a run that has the panel at that stage cannot be used all the same, in words.
pub fn could_serve(wanted: &Wanted, now: &Setup, then: &Setup) -> Result<bool, String> {
    let Some(panel) = panel_then(wanted, now, then) else { return Ok(false) };
    if stage_of(then, panel) != Some(&wanted.stage) {
        return Ok(false);
    }
    if now.geometries.iter().any(|g| !then.geometries.contains(g)) {
        return Err("it did not read all geometries of this run".to_owned());
    }
    let same_tile = now.tile.name == then.tile.name
        && now.geometries.iter().all(|&g| {
            now.tile_value(g).map(|value| value.assigned_gu)
                == then.tile_value(g).map(|value| value.assigned_gu)
        });
    if !same_tile {
        return Err("it was proven on another tile, or on another value of it".to_owned());
    }
    Ok(true)
}

fn panel_then(wanted: &Wanted, now: &Setup, then: &Setup) -> Option<usize> {
    let id = &now.panels.get(wanted.panel)?.id;
    then.panels.iter().position(|panel| panel.id == *id)
}

/// Whether the run behind these books is what is wanted. It must have come to its end, and the zones that are
/// needed must be proven in it at every geometry, or left out with a reason.
///
/// # Errors
/// Why it cannot be used, in words.
pub fn serves(wanted: &Wanted, now: &Setup, then: &Book<'_>) -> Result<(), String> {
    let ledger = then.ledger;
    if ledger.state != RunState::Complete {
        return Err("it did not come to its end".to_owned());
    }
    let zones = |setup: &Setup, panel: usize| -> Vec<(String, Role)> {
        let of_panel = setup.zones.iter().filter(|zone| zone.panel == panel);
        of_panel.map(|zone| (zone.name.clone(), zone.role)).collect()
    };
    let panel = panel_then(wanted, now, &ledger.setup).ok_or("it did not read the panel")?;
    let (here, there) = (zones(now, wanted.panel), zones(&ledger.setup, panel));
    match wanted.serves {
        Serves::Extended => {
            put_on_again(now, wanted.panel, ledger)?;
            let is_part = there.iter().all(|zone| here.contains(zone));
            let is_less = is_part && has_grown((&ledger.setup, panel), (now, wanted.panel));
            return if is_less { Ok(()) } else { Err("it read no fewer zones".to_owned()) };
        }
        Serves::Baseline => put_on_before(now, wanted.panel, ledger)?,
        Serves::Retention => put_on_again(now, wanted.panel, ledger)?,
    }
    let needed = here.iter().filter(|(_, role)| wanted.serves == Serves::Baseline || *role == Role::Treated);
    for (name, _) in needed {
        let id = &now.panels[wanted.panel].id;
        let zone = then.zone(id, name).ok_or_else(|| format!("it did not read zone {name}"))?;
        let proven = |at: usize| {
            let status = then.zones().get(zone, at).map(|figures| figures.status);
            matches!(status, Some(ZoneStatus::Proven | ZoneStatus::Skipped))
        };
        if !(0..ledger.setup.geometries.len()).all(proven) {
            return Err(format!("zone {name} is not proven in it"));
        }
    }
    Ok(())
}

/// Whether a treatment that was on a panel then has more zones now, its own or those of the control. One
/// that has come beside it since is a comparison of its own.
fn has_grown((then, panel_then): (&Setup, usize), (now, panel_now): (&Setup, usize)) -> bool {
    let code = |setup: &'_ Setup, zone: &Zone| {
        zone.treatment.and_then(|at| setup.treatments.get(at)).map(|treatment| treatment.code.clone())
    };
    let zones = |setup: &Setup, panel: usize, wanted: &str| {
        let of_panel = setup.zones.iter().filter(|zone| zone.panel == panel);
        of_panel.filter(|zone| code(setup, zone).is_none_or(|code| code == wanted)).count()
    };
    treated_on(then, panel_then).filter_map(|zone| code(then, zone)).any(|treatment| {
        let is_on_it = treated_on(now, panel_now).any(|zone| code(now, zone).as_ref() == Some(&treatment));
        is_on_it && zones(then, panel_then, &treatment) < zones(now, panel_now, &treatment)
    })
}

/// When the product was put on the zones of a panel, microseconds since the epoch, as far as it is known.
fn put_on_us(setup: &Setup, panel: usize) -> impl Iterator<Item = i64> {
    treated_on(setup, panel)
        .filter_map(|zone| DateTime::parse_from_rfc3339(zone.applied_at.as_deref()?).ok())
        .map(|at| at.timestamp_micros())
}

/// Bare readings from after the product was put on are no bare readings of this life.
fn put_on_before(now: &Setup, panel: usize, then: &Ledger) -> Result<(), String> {
    let Some(last) = then.readings.last().filter(|_| !then.sittings.is_empty()) else { return Ok(()) };
    let (read_us, _) = then.wall(last.at_us);
    match put_on_us(now, panel).any(|put_on_us| put_on_us < read_us) {
        true => Err("the product was put on before it had come to its end".to_owned()),
        false => Ok(()),
    }
}

/// What was read before the product was put on again was read in another life of it.
fn put_on_again(now: &Setup, panel: usize, then: &Ledger) -> Result<(), String> {
    let Some(begun) = then.sittings.first() else { return Ok(()) };
    match put_on_us(now, panel).any(|put_on_us| put_on_us > begun.wall_us) {
        true => Err("the product was put on after it".to_owned()),
        false => Ok(()),
    }
}
