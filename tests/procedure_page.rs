//! The defaults on the page of the measuring procedure are those of the program.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

use halfpanel::meter::shipped;
use halfpanel::run::setup::DriftPolicy;
use halfpanel::study::{Selection, Study, setup};

/// The smallest study, as the page on `study.toml` has it: its first block.
fn smallest_study() -> &'static str {
    let page = include_str!("../protocol-notes/study.md");
    page.split("```toml\n").nth(1).unwrap().split("```").next().unwrap()
}

/// A cell of the page's table of defaults.
fn on_the_page(limit: &str) -> &'static str {
    let page = include_str!("../protocol-notes/procedure.md");
    let row = page.lines().find(|line| line.starts_with(&format!("| {limit} |")));
    row.unwrap_or_else(|| panic!("no row `{limit}`")).split('|').nth(2).unwrap().trim()
}

#[test]
fn what_holds_without_a_key_is_what_the_page_says() {
    let study = Study::load("study.toml", smallest_study()).unwrap();
    let profile = shipped::text("tab-60").unwrap();
    let setup = setup(&study, &Selection::default(), profile).unwrap();
    let (rule, procedure) = (setup.tile.rule, setup.procedure);
    // The tables without their tolerances.
    let tables = "[tile.zero]\n[tile.middle]\nname = \"grey\"\n[[tile.middle.value]]\ngeometry_deg = 60\nassigned_gu = 47.3\n";
    let scale = smallest_study().replacen("[[panel]]", &format!("{tables}\n[[panel]]"), 1);
    let scale = Study::load("study.toml", &scale).unwrap().tile;
    let never = |limit: Option<u32>| limit.map_or_else(|| "never".to_owned(), |n| n.to_string());
    let policy = match procedure.drift_policy {
        DriftPolicy::Allow => "allow",
        DriftPolicy::Correct => "correct",
    };
    for (limit, default) in [
        ("readings of a tile check", rule.readings.to_string()),
        ("tolerance of a check, GU", rule.tolerance_gu.to_string()),
        ("spread of a check's own readings, GU", rule.spread_limit_gu.to_string()),
        ("drift over a bracket, GU", rule.drift_limit_gu.to_string()),
        ("readings of a zone", procedure.readings_per_zone.to_string()),
        ("longest pause, min", procedure.longest_pause_min.to_string()),
        ("interim check after readings", never(procedure.interim_after_readings)),
        ("interim check after minutes", never(procedure.interim_after_min)),
        ("drift policy", policy.to_owned()),
        ("zero check on a black trap", setup.tile.zero.map_or("never", |_| "always").to_owned()),
        ("tolerance of a zero check, GU", scale.zero.unwrap().tolerance_gu.to_string()),
        ("check of a middle tile", setup.tile.middle.as_ref().map_or("never", |_| "always").to_owned()),
        ("tolerance of a middle check, GU", scale.middle.unwrap().tolerance_gu.to_string()),
        (
            "spread of a side, GU",
            procedure.side_range_limit_gu.map_or_else(|| "no limit".to_owned(), |gu| gu.to_string()),
        ),
    ] {
        assert_eq!(on_the_page(limit), default, "{limit}");
    }
}
