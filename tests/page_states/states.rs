//! The states.

use crate::common::Bench;
use crate::common::setup;
use crate::common::with_scale;
use halfpanel::meter::shipped;
use halfpanel::run::Word;
use halfpanel::run::setup::Block;
use halfpanel::run::setup::Panel;
use halfpanel::run::setup::Role;
use halfpanel::run::setup::Setup;
use halfpanel::run::setup::TileValue;
use halfpanel::run::setup::Treatment;
use halfpanel::run::setup::Zone;
use halfpanel::session::station::Phase;
use halfpanel::session::station::Snapshot;
use halfpanel::study::Study;
use halfpanel::study::template_files;
use halfpanel::units::Geometry;
use halfpanel::view::RunView;
use halfpanel::view::StudyFacts;
use std::sync::Arc;

/// One state of the page.
pub struct State {
    pub name: &'static str,
    pub snapshot: Snapshot,
    pub facts: StudyFacts,
}

/// A panel of two rows, five zones each, as a boatyard would mark it.
pub fn boatyard() -> Setup {
    let mut all = setup(5);
    all.study = "Sealers on gelcoat".to_owned();
    all.operator = "Jo".to_owned();
    all.panels[0] = Panel { id: "P1".to_owned(), width_mm: 300.0, height_mm: 200.0 };
    all.treatments[0].name = "Harbour Sealer No. 4".to_owned();
    for (at, zone) in all.zones.iter_mut().enumerate() {
        let column = (at / 2) as f64;
        (zone.x_mm, zone.width_mm, zone.height_mm) = (61.2 * column, 55.2, 60.0);
        zone.y_mm = if zone.role == Role::Control { 20.0 } else { 120.0 };
        if zone.role == Role::Treated {
            zone.name = format!("A{}", at / 2 + 1);
        }
    }
    all.tile.values[0].expanded_uncertainty_gu = Some("0.6".parse().unwrap());
    all.comparing.matters_gu = Some("2.0".parse().unwrap());
    all
}

const READ: &str = "71.4 75.0 71.6 75.3 71.1 75.4 71.3 75.1 71.5 75.2";

fn snapshot(phase: Phase, bench: &Bench, link_up: Option<bool>) -> Snapshot {
    Snapshot {
        version: 4711,
        study: bench.run.ledger().setup.study.clone(),
        link_up,
        phase,
        heard: bench.heard.iter().rev().take(50).rev().cloned().collect(),
        heard_before: 0,
    }
}

pub fn view(bench: &Bench) -> RunView {
    RunView::of(&bench.run, bench.now_us())
}

pub fn running(name: &'static str, bench: &Bench) -> State {
    let phase = Phase::Running(Arc::new(view(bench)));
    State { name, snapshot: snapshot(phase, bench, Some(bench.run.link_is_up())), facts: facts() }
}

fn ended(name: &'static str, bench: &Bench) -> State {
    let phase = Phase::Idle { unfinished: None, ended: Some(Arc::new(view(bench))) };
    State { name, snapshot: snapshot(phase, bench, None), facts: facts() }
}

/// The study that `halfpanel init` makes.
pub fn facts() -> StudyFacts {
    let files = template_files();
    let (_, text) = files.iter().find(|(name, _)| *name == "study.toml").unwrap();
    let text = text.replace("# applied_at", "applied_at").replace("# caution", "caution");
    let mut facts = StudyFacts::of(&Study::load("study.toml", &text).unwrap());
    facts.folder = "/home/jo/harbour".to_owned();
    facts
}

fn idle(name: &'static str, unfinished: Option<&str>) -> State {
    let bench = Bench::new(boatyard());
    let phase = Phase::Idle { unfinished: unfinished.map(str::to_owned), ended: None };
    let mut snapshot = snapshot(phase, &bench, None);
    snapshot.heard.clear();
    State { name, snapshot, facts: facts() }
}

fn stuck() -> State {
    let mut state = idle("stuck", None);
    state.snapshot.phase = Phase::Stuck {
        what: "the meter's port /dev/serial/by-id/usb-example-0001 cannot be opened: no such file".to_owned(),
        hint: "plug the meter in; the ports that are there: /dev/ttyS0".to_owned(),
        unfinished: None,
    };
    state
}

fn opening() -> State {
    let mut state = idle("opening-the-port", None);
    state.snapshot.phase = Phase::Opening;
    state
}

fn bench() -> Bench {
    Bench::new(boatyard())
}

fn failed_check() -> State {
    let mut bench = bench();
    bench.press("92.4 92.5 92.4").press(&READ[..29]).word(Word::Check).press("91.0 91.1 91.0");
    running("failed-check", &bench)
}

fn adjusting() -> State {
    let mut bench = bench();
    bench.press("93.3 93.3 93.3").press("71.4 75.0").word(Word::Adjust).press("93.3 93.2 93.3");
    running("adjusting", &bench)
}

fn mended() -> State {
    let mut bench = bench();
    let why = |text: &str| text.to_owned();
    bench.press("92.4 92.5 92.4").press("71.4 75.0 71.6 79.9");
    bench.word(Word::Void { placement: None, reason: why("slid on the wax") }).press("75.3");
    bench
        .word(Word::Skip { zone: None, reason: why("scratched by the mould") })
        .press("75.4")
        .bytes(b"ERR 7\r\n");
    running("void-and-left-out", &bench)
}

/// Zones at odd places, with names as long as a study takes them, and two panels.
fn long_names() -> State {
    let mut all = boatyard();
    all.study =
        "Weathered topsides beside the slipway, all sealers of the spring and their controls".to_owned();
    all.treatments[0].name = "Harbour Sealer No. 4, matured, second drum of the year".to_owned();
    for (at, zone) in all.zones.iter_mut().enumerate() {
        zone.name = format!("starboard-aft-{}", at + 1);
    }
    let mut bench = Bench::new(all);
    bench.press("92.4 92.5 92.4").press(&READ[..14]);
    running("long-names", &bench)
}

pub fn two_panels_setup() -> Setup {
    let mut both = boatyard();
    both.panels.push(Panel { id: "P2".to_owned(), width_mm: 120.0, height_mm: 260.0 });
    both.treatments.push(Treatment {
        code: "T2".to_owned(),
        name: "Slipway Wax".to_owned(),
        ..both.treatments[0].clone()
    });
    let of = both.zones[0].clone();
    for (at, (role, x)) in
        [(Role::Control, 10.0), (Role::Treated, 65.0)].into_iter().cycle().take(6).enumerate()
    {
        let row = at / 2;
        both.zones.push(Zone {
            panel: 1,
            name: format!("{}{}", if role == Role::Control { "C" } else { "B" }, row + 1),
            role,
            treatment: (role == Role::Treated).then_some(1),
            x_mm: x,
            y_mm: 10.0 + 85.0 * row as f64,
            width_mm: 45.0,
            height_mm: 70.0,
            ..of.clone()
        });
    }
    both.plan.extend((0..3).map(|row| Block(vec![10 + 2 * row, 11 + 2 * row])));
    both.procedure.interim_after_readings = Some(10);
    both
}

fn two_panels() -> State {
    let mut bench = Bench::new(two_panels_setup());
    bench.press("92.4 92.5 92.4").press(READ).press("92.5 92.6 92.5").press("64.2 61.0 64.9");
    running("two-panels", &bench)
}

pub fn three_geometries_setup() -> Setup {
    let mut all = boatyard();
    all.profile = shipped::text("three-angle").unwrap().to_owned();
    all.geometries = Geometry::ALL.to_vec();
    let value = |geometry_deg: Geometry, assigned: &str| TileValue {
        geometry_deg,
        assigned_gu: assigned.parse().unwrap(),
        expanded_uncertainty_gu: Some("0.6".parse().unwrap()),
    };
    all.tile.values =
        vec![value(Geometry::Deg20, "88.10"), value(Geometry::Deg60, "92.4"), value(Geometry::Deg85, "99.6")];
    all.procedure.readings_per_zone = 2;
    all
}

fn three_geometries() -> State {
    let mut bench = Bench::new(three_geometries_setup());
    bench.bytes(b"    G20     G60     G85\r\n");
    let lines = "88.1 92.4 99.6|88.0 92.4 99.6|88.1 92.5 99.5|41.2 71.4 85.0|41.3 71.6 85.1|45.0 75.0 87.9|45.2 75.2 88.1|41.4 71.5 85.1";
    for line in lines.split('|') {
        let columns: String = line.split(' ').map(|value| format!("{value:>8}")).collect();
        bench.wait_min(0.2).bytes(format!("{columns}\r\n").as_bytes());
    }
    running("three-geometries", &bench)
}

fn many_readings() -> State {
    let mut all = boatyard();
    all.procedure.readings_per_zone = 12;
    all.procedure.interim_after_readings = Some(24);
    let mut bench = Bench::new(all);
    bench.press("92.4 92.5 92.4");
    for check in ["92.4 92.5 92.4", "92.5 92.5 92.5", "92.6 92.5 92.6"] {
        for _ in 0..3 {
            bench.press("71.4 71.6 71.3 71.5");
        }
        for _ in 0..3 {
            bench.press("75.4 75.6 75.3 75.5");
        }
        bench.press(check);
    }
    bench.press("71.4 71.6 71.3 71.5 71.2");
    running("many-readings", &bench)
}

pub fn proven() -> Bench {
    let mut bench = bench();
    bench.press("92.4 92.5 92.4").press(READ).press("92.3 92.4 92.4");
    bench
}

/// Every state that the page can show.
pub fn states() -> Vec<State> {
    let at = |name, presses: &[&str]| {
        let mut bench = bench();
        for values in presses {
            bench.press(values);
        }
        running(name, &bench)
    };
    let mut lost = bench();
    lost.press("92.4 92.5 92.4").press("71.4 75.0 71.6").link(false);
    let mut paused = bench();
    paused.press("92.4 92.5 92.4").press("71.4 75.0").word(Word::Pause);
    let mut scale = Bench::new(with_scale(boatyard()));
    scale.press("0.0 0.0");
    let mut drifted = bench();
    drifted.press("92.4 92.5 92.4").press(READ).press("91.7 91.8 91.7");
    let mut abandoned = bench();
    abandoned.press("92.4 92.5 92.4").press("71.4 75.0 71.6");
    abandoned.word(Word::Abandon { reason: "the panel got wet".to_owned() });
    vec![
        idle("idle", None),
        idle("cut-off", Some("2026-06-01-01")),
        stuck(),
        opening(),
        at("begun", &[]),
        at("opening-check", &["92.4 92.5"]),
        running("zero-check", &scale),
        at("first-zone", &["92.4 92.5 92.4"]),
        at("zones", &["92.4 92.5 92.4", "71.4 75.0 71.6 75.3 71.1"]),
        at("closing-check", &["92.4 92.5 92.4", READ, "92.4"]),
        running("meter-lost", &lost),
        failed_check(),
        adjusting(),
        running("paused", &paused),
        mended(),
        running("drifted", &drifted),
        two_panels(),
        three_geometries(),
        many_readings(),
        long_names(),
        ended("ended-proven", &proven()),
        ended("ended-abandoned", &abandoned),
    ]
}
