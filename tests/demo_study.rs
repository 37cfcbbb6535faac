//! The demo study and the study that `init` writes, played through by a simulated meter: the steady
//! one ends proven, and the drift of the other is caught in the middle and repaired.

use halfpanel::meter::Emission;
use halfpanel::meter::Profile;
use halfpanel::meter::Scenario;
use halfpanel::meter::SimulatedMeter;
use halfpanel::meter::Spot;
use halfpanel::run::Advice;
use halfpanel::run::CheckKind;
use halfpanel::run::Ledger;
use halfpanel::run::Run;
use halfpanel::run::RunState;
use halfpanel::run::Setup;
use halfpanel::run::Spot as Place;
use halfpanel::run::Status;
use halfpanel::run::Want;
use halfpanel::run::record::Body;
use halfpanel::run::record::FORMAT;
use halfpanel::run::record::Head;
use halfpanel::run::record::Link;
use halfpanel::run::record::Record;
use halfpanel::study::Season;
use halfpanel::study::Selection;
use halfpanel::study::Study;
use halfpanel::study::setup;
use halfpanel::study::template_files;
use halfpanel::tile::CheckVerdict;

/// Plays a run to its end: the meter goes where the run wants it, and the tile is cleaned where the run
/// says so.
fn play(setup: &Setup, scenario: &str) -> Ledger {
    let head = head(setup.clone());
    let mut run = Run::open(&head).expect("the set-up holds together");
    let mut meter = SimulatedMeter::new(Scenario::load("scenario", scenario).expect("the scenario loads"));
    let mut n = 1;
    let mut put = |run: &mut Run, at_us: u64, body: Body<'_>| {
        n += 1;
        run.apply(&Record { n, at_us, group: n, body }, &mut Vec::new());
    };
    put(&mut run, 0, Body::Link(Link { up: true, what: String::new() }));
    // A run of 20 zones takes some 40 placements; one that never ends must not hang the test.
    for _ in 0..500 {
        if run.want() == Want::Nothing {
            break;
        }
        place(&mut meter, setup, run.want());
        for emission in meter.press() {
            let Emission::Bytes(bytes) = emission else { continue };
            put(&mut run, meter.elapsed_us(), Body::Bytes(bytes.into()));
        }
    }
    run.ledger().clone()
}

fn place(meter: &mut SimulatedMeter, setup: &Setup, want: Want) {
    let spot = match want {
        Want::Tile { reading, advice, .. } => {
            if reading == 1 && advice == Advice::Clean {
                meter.clean_tile();
            }
            Spot::Tile
        }
        Want::Zone { zone, .. } => {
            let at = &setup.zones[zone];
            Spot::Zone { panel: setup.panels[at.panel].id.clone(), zone: at.name.clone() }
        }
        other => panic!("the run wants {other:?}"),
    };
    meter.place(&spot).expect("the scenario knows every zone of the study");
}

fn head(setup: Setup) -> Head {
    Head {
        format: FORMAT,
        oldest_reader: "0.1.0".to_owned(),
        program: "0.1.0".to_owned(),
        run: "demo".to_owned(),
        wall: chrono::DateTime::parse_from_rfc3339("2026-05-05T10:00:00+02:00").expect("a time"),
        clock: "simulated".to_owned(),
        time_factor: 1.0,
        study_sha256: "0".repeat(64),
        setup,
    }
}

/// The set-up of a study as the command line would make it, its profile checked.
fn made(source: &str, selection: &Selection) -> Setup {
    let study = Study::load("study.toml", source).unwrap_or_else(|problem| panic!("{problem}"));
    let profile = study.shipped_profile().expect("a shipped profile");
    let loaded = Profile::load("profile", profile).expect("a shipped profile loads");
    study.check_geometries(&loaded.geometries()).unwrap_or_else(|problem| panic!("{problem}"));
    setup(&study, selection, profile).unwrap_or_else(|problem| panic!("{problem}"))
}

/// Zone readings of that status.
fn count(ledger: &Ledger, status: Status) -> usize {
    let on_zone = |place: &Place| matches!(place, Place::Zone { .. });
    ledger.readings.iter().filter(|r| on_zone(&r.spot) && r.status == status).count()
}

fn checks(ledger: &Ledger) -> Vec<(CheckKind, Option<CheckVerdict>)> {
    ledger.checks.iter().map(|check| (check.kind, check.verdict)).collect()
}

/// Mean of the proven readings of a treatment (or of the control), GU.
fn mean(ledger: &Ledger, code: Option<&str>) -> f64 {
    let treatment = |zone: u16| {
        ledger.setup.zones[usize::from(zone)].treatment.map(|t| &*ledger.setup.treatments[t].code)
    };
    let values: Vec<f64> = ledger
        .readings
        .iter()
        .filter(|r| r.status == Status::Proven)
        .filter(|r| matches!(r.spot, Place::Zone { zone, .. } if treatment(zone) == code))
        .map(|r| r.gloss.to_f64())
        .collect();
    values.iter().sum::<f64>() / f64::from(u32::try_from(values.len()).expect("few"))
}

const DEMO: &str = include_str!("../demo-data/study.toml");
const SEASON: &str = include_str!("../demo-data/season.toml");

/// The ledgers of the season's sittings that come to their end, by date and stage.
fn season() -> Vec<(String, Ledger)> {
    let study = Study::load("study.toml", DEMO).unwrap_or_else(|problem| panic!("{problem}"));
    let season = Season::load("season.toml", SEASON, &study).unwrap_or_else(|problem| panic!("{problem}"));
    let held = season.sittings.iter().enumerate().filter(|(_, sitting)| !sitting.given_up);
    held.map(|(number, sitting)| {
        let selection = Selection {
            panels: sitting.panels.clone(),
            treatments: sitting.treatments.clone(),
            stage: Some(sitting.stage.clone()),
            operator: None,
        };
        let name = format!("{} {}", sitting.panels[0], sitting.stage);
        (name, play(&made(DEMO, &selection), &season.scenario(&study, number, sitting)))
    })
    .collect()
}

#[test]
fn every_sitting_of_the_season_ends_proven_and_reads_what_the_surfaces_are() {
    let season = season();
    for (name, ledger) in &season {
        assert_eq!(ledger.state, RunState::Complete, "{name}");
        assert_eq!(count(ledger, Status::Proven), ledger.setup.zones.len(), "{name}");
    }
    let cured = &season.iter().find(|(name, _)| name == "G1 cured").expect("it is held").1;
    // Bare panels of about 71 GU; the effects as the season's file gives them. Means of twelve zones, which scatter by
    // 0.6 GU from panel to panel, 0.35 from zone to zone.
    let bare_gu = mean(cured, None);
    assert!((bare_gu - 71.0).abs() < 1.5, "{bare_gu}");
    for (code, effect_gu) in [("T1", 7.4), ("T2", 3.1), ("T3", 3.2), ("T4", 0.1), ("T5", -4.6)] {
        let added_gu = mean(cured, Some(code)) - bare_gu;
        assert!((added_gu - effect_gu).abs() < 0.6, "{code}: {added_gu} for {effect_gu}");
    }
}

#[test]
fn wax_on_the_tile_is_caught_in_the_middle_and_the_zones_are_taken_again() {
    let season = season();
    let ledger = &season.iter().find(|(name, _)| name == "G1 wiped").expect("it is held").1;
    let checks = checks(ledger);
    assert_eq!(checks[1], (CheckKind::Interim, Some(CheckVerdict::Failed)), "{checks:?}");
    assert!(checks[2..].iter().all(|check| check.1 == Some(CheckVerdict::Passed)), "{checks:?}");
    assert_eq!(ledger.brackets[0].status, Status::Drifted);
    assert_eq!(count(ledger, Status::Superseded) + count(ledger, Status::Drifted), 24);
}

#[test]
fn a_new_study_can_be_played_through_on_one_panel_and_on_both() {
    let [(_, study), (_, scenario)] = template_files();
    let both = Selection { panels: vec!["P1".to_owned(), "P2".to_owned()], ..Selection::default() };
    for (selection, zones) in [(Selection::default(), 10), (both, 20)] {
        let ledger = play(&made(study, &selection), scenario);
        assert_eq!(ledger.state, RunState::Complete);
        assert_eq!(count(&ledger, Status::Proven), zones);
    }
}
