//! Notices in words for people, and as events for programs (`run --json`).

use super::ledger::{CheckKind, Ledger, RunState, Spot, Status};
use super::notice::{NewSitting, NotNow, Notice, Want, WiderThan};
use crate::meter::{Refusal, Seen};
use crate::tile::CheckVerdict;
use crate::units::Gloss;
use serde::{Serialize, Serializer};

pub use super::want_text::want_sentence;

/// A notice as one line of JSON: `event` says which it is, zones go by panel and name.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
#[allow(
    missing_docs,
    reason = "the keys are described in protocol-notes/run-events.md, which a test holds against them"
)]
pub enum Event<'l> {
    Reading {
        record: u32,
        order: u64,
        elapsed_s: f64,
        kind: &'static str,
        #[serde(skip_serializing_if = "Option::is_none")]
        panel: Option<&'l str>,
        #[serde(skip_serializing_if = "Option::is_none")]
        zone: Option<&'l str>,
        placement: u32,
        repeat: u32,
        geometry_deg: u16,
        #[serde(serialize_with = "as_printed")]
        gloss_gu: Gloss,
        status: &'static str,
    },
    Check {
        kind: &'static str,
        verdict: &'static str,
        geometries: Vec<CheckedGeometry>,
    },
    Bracket {
        status: &'static str,
        #[serde(skip_serializing_if = "Vec::is_empty")]
        again: Vec<ZoneName<'l>>,
        says: String,
    },
    Next {
        #[serde(rename = "do")]
        what: &'static str,
        #[serde(skip_serializing_if = "Option::is_none")]
        kind: Option<&'static str>,
        #[serde(skip_serializing_if = "Option::is_none")]
        panel: Option<&'l str>,
        #[serde(skip_serializing_if = "Option::is_none")]
        zone: Option<&'l str>,
        #[serde(skip_serializing_if = "Option::is_none")]
        repeat: Option<u32>,
        #[serde(skip_serializing_if = "Option::is_none")]
        of: Option<u32>,
        says: String,
    },
    Refused {
        line: String,
        why: &'static str,
        says: String,
    },
    Told {
        what: &'static str,
        #[serde(skip_serializing_if = "Option::is_none")]
        placement: Option<u32>,
        #[serde(skip_serializing_if = "Vec::is_empty")]
        zones: Vec<ZoneName<'l>>,
        says: String,
    },
    Link {
        up: bool,
        says: String,
    },
    End {
        state: RunState,
        says: String,
    },
}

/// One geometry of a finished check.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CheckedGeometry {
    /// Degrees.
    pub geometry_deg: u16,
    /// Mean, GU.
    pub mean_gu: f64,
    /// Mean minus assigned value, GU.
    pub deviation_gu: f64,
}

/// A zone by its panel and name.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ZoneName<'l> {
    /// Panel.
    pub panel: &'l str,
    /// Zone.
    pub zone: &'l str,
}

/// A value with its digits, as text.
fn as_printed<S: Serializer>(gloss: &Gloss, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_str(gloss)
}

/// The events that a notice comes to: one for each geometry of a placement, else one.
pub fn events<'l>(notice: &Notice, ledger: &'l Ledger) -> impl Iterator<Item = Event<'l>> + use<'l> {
    let (readings, other) = match notice {
        Notice::Taken { first, count } => (*first..first + count, None),
        other => (0..0, event(other, ledger)),
    };
    readings.map(move |index| reading_event(ledger, index)).chain(other)
}

/// The event of a notice that is not about readings.
fn event<'l>(notice: &Notice, ledger: &'l Ledger) -> Option<Event<'l>> {
    let says = sentence(notice, ledger);
    let told = |what, placement, zones: &[usize]| Event::Told {
        what,
        placement,
        zones: names(ledger, zones),
        says: says.clone(),
    };
    Some(match notice {
        Notice::Taken { .. } => return None,
        Notice::CheckDone { check } => check_event(ledger, *check),
        Notice::BracketEnded { bracket, again } => Event::Bracket {
            status: ledger.brackets[*bracket].status.text(),
            again: names(ledger, again),
            says,
        },
        Notice::Wanted(want) => want_event(ledger, *want, says),
        Notice::Refused { line, why } => {
            Event::Refused { line: Seen::new(line).to_string(), why: why.code(), says }
        }
        Notice::NotNow { line, why } => {
            let why = match why {
                NotNow::Paused => "paused",
                NotNow::Adjusting => "adjusting",
                NotNow::Ended => "ended",
                NotNow::Unasked => "unasked",
                NotNow::Outdated => "outdated",
            };
            Event::Refused { line: Seen::new(line).to_string(), why, says }
        }
        Notice::LinesLost { .. } => told("lines-lost", None, &[]),
        Notice::Undone { placement } => told("undone", Some(*placement), &[]),
        Notice::Voided { placement } => told("voided", Some(*placement), &[]),
        Notice::Again { zones } => told("again", None, zones),
        Notice::Skipped { zone } => told("skipped", None, &[*zone]),
        Notice::MoreWanted { zones, .. } => told("more-readings", None, zones),
        Notice::ScaleOff { check } => {
            let is_zero = ledger.checks[*check].kind == CheckKind::Zero;
            told(if is_zero { "zero-off" } else { "middle-off" }, None, &[])
        }
        Notice::WordRefused { .. } => told("word-refused", None, &[]),
        Notice::NewSitting { again, .. } => told("new-sitting", None, again),
        Notice::Asking(notice) => told(notice.code(), None, &[]),
        Notice::Stream(notice) => told(notice.code(), None, &[]),
        Notice::Hint(hint) => told(hint.code(), None, &[]),
        Notice::Link { up, .. } => Event::Link { up: *up, says },
        Notice::Ended { state } => Event::End { state: *state, says },
    })
}

fn names<'l>(ledger: &'l Ledger, zones: &[usize]) -> Vec<ZoneName<'l>> {
    zones.iter().map(|&zone| name(ledger, zone)).collect()
}

fn name(ledger: &Ledger, zone: usize) -> ZoneName<'_> {
    let at = &ledger.setup.zones[zone];
    ZoneName { panel: &ledger.setup.panels[at.panel].id, zone: &at.name }
}

fn reading_event(ledger: &Ledger, index: usize) -> Event<'_> {
    let reading = &ledger.readings[index];
    let (kind, spot) = match reading.spot {
        Spot::Tile { check } => (ledger.checks[check as usize].kind.text(), None),
        Spot::Zone { zone, .. } => ("zone", Some(name(ledger, usize::from(zone)))),
    };
    let (panel, zone) = spot.map_or((None, None), |s| (Some(s.panel), Some(s.zone)));
    Event::Reading {
        record: reading.record,
        order: index as u64 + 1,
        elapsed_s: reading.at_us as f64 / 1e6,
        kind,
        panel,
        zone,
        placement: reading.placement,
        repeat: reading.repeat,
        geometry_deg: reading.geometry.degrees(),
        gloss_gu: reading.gloss,
        // Told when it is taken, whatever a later line of the same chunk has made of it since.
        status: Status::Pending.text(),
    }
}

fn check_event(ledger: &Ledger, check: usize) -> Event<'_> {
    let check = &ledger.checks[check];
    let geometries = check.geometries.iter().map(|(geometry, g)| CheckedGeometry {
        geometry_deg: geometry.degrees(),
        mean_gu: four_decimals(g.mean_gu),
        deviation_gu: four_decimals(g.deviation_gu),
    });
    Event::Check {
        kind: check.kind.text(),
        verdict: check.verdict.map_or("unfinished", verdict_text),
        geometries: geometries.collect(),
    }
}

fn four_decimals(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

fn want_event(ledger: &Ledger, want: Want, says: String) -> Event<'_> {
    let mut next = Next::default();
    let what = match want {
        Want::Tile { kind, reading, of, .. } => {
            next = Next { kind: Some(kind.text()), repeat: Some(reading), of: Some(of), ..next };
            "read-tile"
        }
        Want::Zone { zone, repeat, of } => {
            let ZoneName { panel, zone } = name(ledger, zone);
            next = Next { panel: Some(panel), zone: Some(zone), repeat: Some(repeat), of: Some(of), ..next };
            "read-zone"
        }
        Want::Adjust => "adjust-meter",
        Want::Resume => "resume",
        Want::Nothing => "nothing",
    };
    let Next { kind, panel, zone, repeat, of } = next;
    Event::Next { what, kind, panel, zone, repeat, of, says }
}

#[derive(Default)]
struct Next<'l> {
    kind: Option<&'static str>,
    panel: Option<&'l str>,
    zone: Option<&'l str>,
    repeat: Option<u32>,
    of: Option<u32>,
}

const fn verdict_text(verdict: CheckVerdict) -> &'static str {
    match verdict {
        CheckVerdict::Passed => "passed",
        CheckVerdict::Failed => "failed",
        CheckVerdict::Invalid => "invalid",
    }
}

/// A notice in one sentence or two.
#[must_use]
pub fn sentence(notice: &Notice, ledger: &Ledger) -> String {
    match notice {
        Notice::Taken { first, count } => taken(ledger, *first, *count),
        Notice::CheckDone { check } => check_done(ledger, *check),
        Notice::BracketEnded { bracket, again } => bracket_ended(ledger, *bracket, again),
        Notice::Wanted(want) => want_sentence(ledger, *want),
        Notice::Refused { why, .. } => format!("not taken: {why}"),
        Notice::NotNow { line, why } => {
            let why = match why {
                NotNow::Paused => "the run is paused; `resume` goes on",
                NotNow::Adjusting => "the meter is being adjusted; say `adjusted` when it is set",
                NotNow::Ended => "the run is over",
                NotNow::Unasked => "nobody had asked for it; `read` asks for a reading",
                NotNow::Outdated => {
                    "something else is wanted now than when it was asked for; `read` asks anew"
                }
            };
            format!("not taken: {} came, but {why}", Seen::new(line))
        }
        Notice::LinesLost { expected, came } => {
            Refusal::SequenceSkipped { expected: *expected, sequence: *came }.to_string()
        }
        Notice::Undone { placement } => format!("placement {placement} taken back"),
        Notice::Voided { placement } => {
            format!("placement {placement} is void; it stays in the tables with its reason")
        }
        Notice::Again { zones } => format!("read again, whole: {}", labels(ledger, zones)),
        Notice::Skipped { zone } => format!("zone {} is left out", ledger.setup.zone_label(*zone)),
        Notice::MoreWanted { zones, why } => more_wanted(ledger, zones, *why),
        Notice::ScaleOff { check } => scale_off(ledger, *check).to_owned(),
        Notice::WordRefused { why } => why.clone(),
        Notice::Link { up: true, what } => format!("the meter's line is up: {what}"),
        Notice::Link { up: false, what } => {
            format!("the meter's line is down: {what}. Nothing recorded is lost")
        }
        Notice::NewSitting { why, again } => new_sitting(ledger, *why, again),
        Notice::Asking(notice) => notice.to_string(),
        Notice::Stream(notice) => notice.to_string(),
        Notice::Hint(hint) => hint.to_string(),
        Notice::Ended { state: RunState::Abandoned } => {
            "run abandoned; what was not proven stays not proven".to_owned()
        }
        Notice::Ended { .. } => "run complete: every zone is proven, or left out with a reason".to_owned(),
    }
}

/// Labels of zones, comma-separated.
#[must_use]
pub fn labels(ledger: &Ledger, zones: &[usize]) -> String {
    let all: Vec<String> = zones.iter().map(|&zone| ledger.setup.zone_label(zone)).collect();
    all.join(", ")
}

fn taken(ledger: &Ledger, first: usize, count: usize) -> String {
    let readings = &ledger.readings[first..first + count];
    let values: Vec<String> = readings.iter().map(|r| format!("{} GU at {}", r.gloss, r.geometry)).collect();
    let spot = match readings.first().map(|r| r.spot) {
        Some(Spot::Tile { check }) => {
            let kind = ledger.checks[check as usize].kind;
            format!("{}, {} check", on_what(kind), kind.text())
        }
        Some(Spot::Zone { zone, .. }) => ledger.setup.zone_label(usize::from(zone)),
        None => "nowhere".to_owned(),
    };
    format!("{spot}: {}", values.join(", "))
}

/// What the meter stands on for a check.
const fn on_what(kind: CheckKind) -> &'static str {
    match kind {
        CheckKind::Zero => "black trap",
        CheckKind::Middle => "middle tile",
        _ => "tile",
    }
}

fn more_wanted(ledger: &Ledger, zones: &[usize], why: WiderThan) -> String {
    let (labels, procedure) = (labels(ledger, zones), &ledger.setup.procedure);
    let more = procedure.readings_per_zone;
    let readings = if more == 1 { "reading" } else { "readings" };
    match why {
        WiderThan::Repeatability => format!(
            "the readings on {labels} lie further apart than the meter's repeatability explains; {more} more {readings}, lifted in between, before it is done"
        ),
        WiderThan::SideLimit => {
            let limit = procedure.side_range_limit_gu.unwrap_or_default();
            format!(
                "the zones of this side lie more than {limit} GU apart; {more} more {readings} on each of them: {labels}"
            )
        }
    }
}

fn scale_off(ledger: &Ledger, check: usize) -> &'static str {
    if ledger.checks[check].kind == CheckKind::Zero {
        "zero is off although foot and trap were cleaned: say `adjust` and set the meter by its manual, or go on knowing that it enters the tables as a flag"
    } else {
        "the middle tile is off although it was cleaned: the scale is not straight between zero and tile, so differences are uncertain by more; the run goes on, and it enters the tables as a flag"
    }
}

fn check_done(ledger: &Ledger, check: usize) -> String {
    let check = &ledger.checks[check];
    let rule = &ledger.setup.check_rule(check.kind);
    let parts: Vec<String> = check
        .geometries
        .iter()
        .map(|(geometry, g)| {
            format!("{:.2} GU at {geometry}, {:+.2} from {}", g.mean_gu, g.deviation_gu, g.assigned_gu)
        })
        .collect();
    let figures = parts.join("; ");
    let kind = check.kind.text();
    match check.verdict {
        Some(CheckVerdict::Passed) => {
            format!("{kind} check passed: {figures} (within {} GU)", rule.tolerance_gu)
        }
        Some(CheckVerdict::Invalid) => format!(
            "{kind} check invalid: its own readings lie more than {} GU apart ({figures}); it is repeated once",
            rule.spread_limit_gu
        ),
        Some(CheckVerdict::Failed) => {
            format!("{kind} check failed: {figures} (tolerance {} GU)", rule.tolerance_gu)
        }
        None => format!("{kind} check unfinished"),
    }
}

fn bracket_ended(ledger: &Ledger, bracket: usize, again: &[usize]) -> String {
    let bracket = &ledger.brackets[bracket];
    let drift = bracket.closing.map_or_else(String::new, |closing| {
        let (before, after) = (&ledger.checks[bracket.opening as usize], &ledger.checks[closing as usize]);
        let each = ledger.setup.geometries.iter().filter_map(|&g| {
            let drift = crate::tile::drift_gu(before.geometries.get(g)?, after.geometries.get(g)?);
            Some(format!("{drift:+.2} GU at {g}"))
        });
        format!(": the tile moved by {}", each.collect::<Vec<_>>().join(", "))
    });
    let again =
        if again.is_empty() { String::new() } else { format!(" Read again: {}.", labels(ledger, again)) };
    match bracket.status {
        Status::Proven => format!("bracket proven{drift}"),
        Status::Drifted => {
            let passed =
                bracket.closing.and_then(|c| ledger.checks[c as usize].verdict) == Some(CheckVerdict::Passed);
            let limit = ledger.setup.tile.rule.drift_limit_gu;
            let why =
                if passed { format!(", more than the {limit} GU that a bracket may") } else { String::new() };
            format!("bracket drifted{drift}{why}.{again}")
        }
        _ => format!("bracket not proven: no check could close it.{again}"),
    }
}

fn new_sitting(ledger: &Ledger, why: NewSitting, again: &[usize]) -> String {
    let why = match why {
        NewSitting::TileMoved => {
            let limit = ledger.setup.tile.rule.drift_limit_gu;
            return format!(
                "the tile has moved by more than {limit} GU since these zones were begun; read again on both sides: {}",
                labels(ledger, again)
            );
        }
        NewSitting::Adjusted if again.is_empty() => return "the meter has a new setting".to_owned(),
        NewSitting::Adjusted => {
            return format!(
                "the meter has a new setting; read again on both sides: {}",
                labels(ledger, again)
            );
        }
        NewSitting::LongPause => {
            format!("nothing was read for {} minutes", ledger.setup.procedure.longest_pause_min)
        }
        NewSitting::GapUnknown => "the clock cannot say how long the run lay".to_owned(),
    };
    let again = if again.is_empty() {
        String::new()
    } else {
        format!("; read again on both sides: {}", labels(ledger, again))
    };
    format!("{why}: a tile check comes first{again}")
}
