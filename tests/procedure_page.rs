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
    ] {
        assert_eq!(on_the_page(limit), default, "{limit}");
    }
}
