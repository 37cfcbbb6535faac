use super::Selection;
use super::SelectionProblem;
use super::setup;
use crate::run::Setup;
use crate::run::setup::Role;
use crate::study::Study;
use crate::units::Geometry;
use expect_test::Expect;
use expect_test::expect;

/// Two panels with two treatments each, one panel that is put aside, and one without a patch.
const STUDY: &str = r#"
name = "Sealers"
operator = "Bench one"
meter = { port = "sim:meter.toml", profile = "semicolon-numbered" }
treatment = [
    { code = "T1", name = "Harbour Sealer No. 4", batch = "0417", cure_hours = 24 },
    { code = "T2", name = "Slipway Wax Paste" },
    { code = "T3", name = "Grey Heron Hull Coat" },
]
patch = [
    { treatment = "T2", panel = "P1", zones = ["B1", "B2"], stage = "washed-10" },
    { treatment = "T1", panel = "P1", zones = ["A1", "A2"], applied_at = 2026-05-04T09:30:00+02:00 },
    { treatment = "T1", panel = "P2", zones = ["A1"] },
    { treatment = "T2", panel = "ASIDE", zones = ["A1"] },
]
[tile]
name = "Black glass"
value = [
    { geometry_deg = 85, assigned_gu = 98.1 },
    { geometry_deg = 60, assigned_gu = 92.40, expanded_uncertainty_gu = 0.6 },
]
[[panel]]
id = "P1"
width_mm = 300
height_mm = 200
control = ["C1", "C2"]
unused = ["X"]
row = [{ names = ["A1", "A2", "B1", "B2", "X", "C1", "C2"], y_mm = 10, height_mm = 50 }]
[[panel]]
id = "P2"
width_mm = 300
height_mm = 200
control = ["C1"]
row = [{ names = ["C1", "A1"], y_mm = 10, height_mm = 50 }]
[[panel]]
id = "ASIDE"
active = false
width_mm = 300
height_mm = 200
control = ["C1"]
row = [{ names = ["C1", "A1"], y_mm = 10, height_mm = 50 }]
[[panel]]
id = "NEW"
width_mm = 300
height_mm = 200
row = [{ names = ["C1", "A1"], y_mm = 10, height_mm = 50 }]
"#;

fn study() -> Study {
    Study::load("study.toml", STUDY).unwrap_or_else(|problem| panic!("{problem}"))
}

fn selection(panels: &[&str], treatments: &[&str]) -> Selection {
    let owned = |names: &[&str]| names.iter().map(|&name| name.to_owned()).collect();
    Selection { panels: owned(panels), treatments: owned(treatments), ..Selection::default() }
}

fn made(selection: &Selection) -> Setup {
    setup(&study(), selection, "the profile").unwrap_or_else(|problem| panic!("{problem}"))
}

/// One line a zone, then the order.
fn shown(setup: &Setup) -> String {
    let zones = setup.zones.iter().enumerate().map(|(index, zone)| {
        let code = zone.treatment.map_or("-", |t| setup.treatments[t].code.as_str());
        format!("{} {} {code} {}\n", setup.zone_label(index), zone.role.text(), zone.stage)
    });
    let names = |block: &[usize]| block.iter().map(|&z| setup.zone_label(z)).collect::<Vec<_>>().join(" ");
    let plan: Vec<String> = setup.plan.iter().map(|block| names(&block.0)).collect();
    format!("{}{}\n", zones.collect::<String>(), plan.join(" | "))
}

fn refused(selection: &Selection, expected: Expect) {
    let problem = setup(&study(), selection, "").expect_err("the selection is wrong");
    expected.assert_eq(&problem.to_string());
}

#[test]
fn a_run_takes_all_active_panels_with_a_patch_unless_told_otherwise() {
    expect![[r#"
        P1 A1 treated T1 cured
        P1 A2 treated T1 cured
        P1 B1 treated T2 washed-10
        P1 B2 treated T2 washed-10
        P1 C1 control - mixed
        P1 C2 control - mixed
        P2 C1 control - cured
        P2 A1 treated T1 cured
        P1 C1 P1 A1 P1 B1 P1 B2 P1 A2 P1 C2 | P2 C1 P2 A1
    "#]]
    .assert_eq(&shown(&made(&Selection::default())));
}

#[test]
fn control_zones_are_shared_by_the_treatments_of_their_panel() {
    expect![[r#"
        A1 treated T1 cured
        A2 treated T1 cured
        C1 control - cured
        C2 control - cured
        C1 A1 A2 C2
    "#]]
    .assert_eq(&shown(&made(&selection(&["P1"], &["T1"]))));
    expect![[r#"
        B1 treated T2 washed-10
        B2 treated T2 washed-10
        C1 control - washed-10
        C2 control - washed-10
        C1 B1 B2 C2
    "#]]
    .assert_eq(&shown(&made(&selection(&["P1"], &["T2"]))));
}

#[test]
fn a_panel_that_is_not_active_is_read_when_it_is_named() {
    let run = made(&selection(&["ASIDE", "P2"], &[]));
    let ids: Vec<&str> = run.panels.iter().map(|panel| panel.id.as_str()).collect();
    assert_eq!(ids, ["P2", "ASIDE"]);
}

#[test]
fn a_stage_that_is_given_holds_for_both_sides() {
    let bare = Selection { stage: Some("bare".to_owned()), ..Selection::default() };
    assert!(made(&bare).zones.iter().all(|zone| zone.stage == "bare"));
}

#[test]
fn the_setup_keeps_the_tile_at_the_geometries_in_use_and_all_the_study_says() {
    let run = made(&Selection::default());
    assert_eq!(run.geometries, [Geometry::Deg60]);
    assert_eq!(run.tile.values.len(), 1);
    assert_eq!(run.tile.values[0].assigned_gu.to_string(), "92.40");
    assert_eq!(run.operator, "Bench one");
    assert_eq!(run.profile, "the profile");
    let t1 = &run.treatments[0];
    assert_eq!((t1.batch.as_str(), t1.how.as_str(), t1.cure_hours), ("0417", "", Some(24.0)));
    let a1 = run.zones.iter().find(|zone| zone.role == Role::Treated).unwrap();
    assert_eq!(a1.applied_at.as_deref(), Some("2026-05-04T09:30:00+02:00"));
    run.check().unwrap();
}

#[test]
fn an_operator_who_is_named_takes_the_place_of_the_studys() {
    let other = Selection { operator: Some(" Bench two ".to_owned()), ..Selection::default() };
    assert_eq!(made(&other).operator, "Bench two");
    refused(
        &Selection { operator: Some("a\nb".to_owned()), ..Selection::default() },
        expect![
            "the operator's name holds the unprintable character U+000A; keep it to one line of printable text; it becomes a cell of a table"
        ],
    );
}

#[test]
fn a_selection_of_what_is_not_there_names_the_nearest() {
    refused(&selection(&["ASIED"], &[]), expect!["the study has no panel `ASIED`; did you mean `ASIDE`?"]);
    refused(
        &selection(&["weather"], &[]),
        expect!["the study has no panel `weather`; the panels here are `P1`, `P2`, `ASIDE`, `NEW`"],
    );
    refused(
        &selection(&[], &["Slipway"]),
        expect!["the study has no treatment `Slipway`; the treatments here are `T1`, `T2`, `T3`"],
    );
    refused(
        &selection(&["NEW"], &[]),
        expect![
            "panel `NEW` has no patch to read; add a `[[patch]]` to study.toml, or choose another panel or treatment"
        ],
    );
    refused(
        &selection(&["P2"], &["T2"]),
        expect![
            "panel `P2` has no patch to read; add a `[[patch]]` to study.toml, or choose another panel or treatment"
        ],
    );
    refused(
        &selection(&["P2"], &["T1", "T2"]),
        expect![
            "treatment `T2` has no patch on the panels of this run; add a `[[patch]]` to study.toml, or choose the panel that has it"
        ],
    );
    refused(
        &selection(&[], &["T3"]),
        expect![
            "no active panel carries a patch, so there is nothing to read; add a `[[patch]]` to study.toml, or name a panel"
        ],
    );
    refused(
        &Selection { stage: Some("Bare!".to_owned()), ..Selection::default() },
        expect![
            "`Bare!` cannot be a stage; a stage has lower-case letters, digits and `-`, such as `bare`, `cured`, `wiped` or `washed-10`"
        ],
    );
}

#[test]
fn a_study_without_a_patch_loads_and_has_nothing_to_read() {
    let start = STUDY.find("patch = [").unwrap();
    let end = STUDY.find("[tile]").unwrap();
    let study = Study::load("study.toml", &format!("{}{}", &STUDY[..start], &STUDY[end..])).unwrap();
    assert_eq!(setup(&study, &Selection::default(), ""), Err(SelectionProblem::NothingToRead));
}

#[test]
fn the_selection_of_a_setup_gives_the_same_setup_again() {
    let bare = Selection { stage: Some("bare".to_owned()), ..selection(&["P2"], &[]) };
    for asked in [Selection::default(), selection(&["P1"], &["T2"]), selection(&["ASIDE"], &[]), bare] {
        let first = made(&asked);
        assert_eq!(made(&Selection::of(&first)), first);
    }
}
