use super::differences;
use crate::run::Setup;
use crate::study::Selection;
use crate::study::Study;
use crate::study::setup;
use crate::study::template_files;
use expect_test::Expect;
use expect_test::expect;

fn made(source: &str, profile: &str) -> Setup {
    let study = Study::load("study.toml", source).unwrap_or_else(|problem| panic!("{problem}"));
    setup(&study, &Selection::default(), profile).unwrap()
}

fn changed(from: &str, to: &str, expected: Expect) {
    let source = template_files()[0].1;
    assert!(source.contains(from), "{from:?} must stand in the template");
    let (old, new) = (made(source, "p"), made(&source.replacen(from, to, 1), "p"));
    expected.assert_eq(&differences(&old, &new).join("\n"));
}

#[test]
fn nothing_is_told_where_nothing_changed() {
    let setup = made(template_files()[0].1, "p");
    assert!(differences(&setup, &setup.clone()).is_empty());
}

#[test]
fn each_changed_key_is_told_by_its_path_with_both_values() {
    changed(
        "tolerance_gu = 1.0",
        "tolerance_gu = 0.8",
        expect!["tile.rule.tolerance_gu: 1.0 in the recording, 0.8 in study.toml now"],
    );
    changed(
        "assigned_gu = 92.4",
        "assigned_gu = 92.40",
        expect!["tile.values.60.assigned_gu: 92.4 in the recording, 92.40 in study.toml now"],
    );
    changed(
        "batch = \"0417\"",
        "",
        expect!["treatments.T1.batch: 0417 in the recording, empty in study.toml now"],
    );
    changed(
        "cure_hours = 24",
        "",
        expect!["treatments.T1.cure_hours: 24.0 in the recording, not in study.toml now"],
    );
    changed(
        "drift_policy = \"allow\"",
        "drift_policy = \"correct\"\ninterim_after_min = 20",
        expect![[r#"
        procedure.drift_policy: allow in the recording, correct in study.toml now
        procedure.interim_after_min: not in the recording, 20 in study.toml now"#]],
    );
    changed(
        "# stage = \"cured\"",
        "stage = \"wiped\" #",
        expect![[r#"
        zones.P1 A1.stage: cured in the recording, wiped in study.toml now
        zones.P1 A2.stage: cured in the recording, wiped in study.toml now
        zones.P1 A3.stage: cured in the recording, wiped in study.toml now
        zones.P1 A4.stage: cured in the recording, wiped in study.toml now
        zones.P1 A5.stage: cured in the recording, wiped in study.toml now
        zones.P1 C1.stage: cured in the recording, wiped in study.toml now
        zones.P1 C2.stage: cured in the recording, wiped in study.toml now
        zones.P1 C3.stage: cured in the recording, wiped in study.toml now
        zones.P1 C4.stage: cured in the recording, wiped in study.toml now
        zones.P1 C5.stage: cured in the recording, wiped in study.toml now"#]],
    );
}

#[test]
fn another_order_is_told_by_its_first_block() {
    changed(
        "order = \"mirror\"",
        "order = \"alternate\"",
        expect!["plan: block 1 is P1 C1, P1 A1, P1 A2, P1 C2 in the recording, and P1 C1, P1 A1 now"],
    );
}

#[test]
fn a_zone_that_went_is_told_by_its_name() {
    changed(
        "control = [\"C1\", \"C2\", \"C3\", \"C4\", \"C5\"]",
        "control = [\"C1\", \"C2\", \"C3\", \"C4\"]\nunused = [\"C5\"]",
        expect![[r#"
            zones.P1 C5: in the recording, not in study.toml now
            plan: block 3 is P1 C5, P1 A5 in the recording, and P1 A5 now"#]],
    );
}

#[test]
fn a_change_of_the_profile_is_told_by_its_first_line() {
    let source = template_files()[0].1;
    let told = |old: &str, new: &str| differences(&made(source, old), &made(source, new)).join("\n");
    expect!["profile: line 2 is `b = 2` in the recording, and `b = 3` now"]
        .assert_eq(&told("a = 1\nb = 2\n", "a = 1\nb = 3\n"));
    expect!["profile: line 2 is `` in the recording, and `b = 3` now"]
        .assert_eq(&told("a = 1\n", "a = 1\nb = 3\n"));
    expect!["profile: line 2 is `` in the recording, and nothing now"].assert_eq(&told("a = 1\n", "a = 1"));
}

#[test]
fn a_recording_whose_parts_do_not_fit_is_compared_all_the_same() {
    let good = made(template_files()[0].1, "p");
    let mut odd = good.clone();
    odd.zones[0].panel = 7;
    odd.zones[5].treatment = Some(9);
    odd.plan[0].0.push(99);
    odd.treatments.push(odd.treatments[0].clone());
    assert!(differences(&odd, &good).len() >= 3);
}
