//! The page on `study.toml`, the files of a new study, and those of the demo: each is held to what the
//! program reads.

use halfpanel::meter::Profile;
use halfpanel::meter::Scenario;
use halfpanel::study::Season;
use halfpanel::study::Selection;
use halfpanel::study::Study;
use halfpanel::study::setup;
use halfpanel::study::template_files;
use std::collections::BTreeSet;

#[test]
fn every_example_of_the_page_on_studies_is_a_study_that_loads() {
    let page = include_str!("../protocol-notes/study.md");
    let mut found = 0;
    for block in page.split("```toml\n").skip(1) {
        let source = block.split("```").next().unwrap();
        let study =
            Study::load("study.md", source).unwrap_or_else(|problem| panic!("{problem}\nin:\n{source}"));
        setup(&study, &Selection::default(), "").unwrap_or_else(|problem| panic!("{problem}\nin:\n{source}"));
        found += 1;
    }
    assert!(found >= 2, "the page has {found} examples");
}

#[test]
fn every_key_of_a_study_stands_on_the_page() {
    let page = include_str!("../protocol-notes/study.md");
    for key in include_str!("../src/study/file.rs").lines().filter_map(|line| {
        line.trim().strip_prefix("pub ").and_then(|rest| rest.split_once(": ")).map(|(key, _)| key)
    }) {
        let told = page.contains(&format!("`{key}`"));
        assert!(told, "protocol-notes/study.md says nothing of `{key}`");
    }
}

/// Panel and zone of every zone in a scenario of the simulated meter.
fn zones_of_scenario(source: &str) -> BTreeSet<(String, String)> {
    let scenario = Scenario::load("scenario", source).unwrap_or_else(|problem| panic!("{problem}"));
    scenario.zones().map(|(panel, zone)| (panel.to_owned(), zone.to_owned())).collect()
}

fn zones_of_study(study: &Study) -> BTreeSet<(String, String)> {
    let of_panel = |panel: &halfpanel::study::StudyPanel| {
        panel.zones.iter().map(|zone| (panel.id.clone(), zone.name.clone())).collect::<Vec<_>>()
    };
    study.panels.iter().flat_map(of_panel).collect()
}

#[test]
fn a_new_study_reads_five_zones_a_side_on_its_active_panel_and_can_read_both() {
    let [(study_name, study), (scenario_name, scenario)] = template_files();
    assert_eq!((study_name, scenario_name), ("study.toml", "meter.toml"));
    let study = Study::load(study_name, study).unwrap_or_else(|problem| panic!("{problem}"));
    assert_eq!(study.port, format!("sim:{scenario_name}"));
    assert_eq!(zones_of_scenario(scenario), zones_of_study(&study));
    let profile = study.shipped_profile().unwrap();
    study.check_geometries(&Profile::load("p", profile).unwrap().geometries()).unwrap();

    let one = setup(&study, &Selection::default(), profile).unwrap();
    assert_eq!((one.panels.len(), one.zones.len()), (1, 10));
    let both = Selection { panels: vec!["P2".to_owned(), "P1".to_owned()], ..Selection::default() };
    let two = setup(&study, &both, profile).unwrap();
    let ids: Vec<&str> = two.panels.iter().map(|panel| panel.id.as_str()).collect();
    assert_eq!((ids, two.zones.len()), (vec!["P1", "P2"], 20));
}

#[test]
fn the_remarked_keys_of_a_new_study_are_right_too() {
    let text = template_files()[0].1;
    let optional = |line: &&str| line.starts_with("# ") && line.contains(" = ");
    let lines: Vec<&str> = text.lines().filter(optional).collect();
    assert!(lines.len() >= 8, "{lines:?}");
    for line in lines {
        let key = line[2..].split(' ').next().unwrap();
        let replaced = match key {
            // These two stand in the study already; the remark shows another value of theirs.
            "port" => text.replacen("port = \"sim:meter.toml\"", &line[2..], 1),
            "unused" => text.replacen(line, &line[2..], 1).replacen(", \"C5\"]   #", "] #", 1),
            _ => text.replacen(line, &line[2..], 1),
        };
        let trial = Study::load("study.toml", &replaced);
        assert!(trial.is_ok(), "{line}: {}", trial.unwrap_err());
    }
}

#[test]
fn the_remarked_tables_of_a_new_study_are_right_too() {
    let table = |line: &str| line.strip_prefix('#').filter(|rest| !rest.starts_with(' ')).map(str::to_owned);
    let lines: Vec<String> =
        template_files()[0].1.lines().map(|line| table(line).unwrap_or_else(|| line.to_owned())).collect();
    let study = Study::load("study.toml", &lines.join("\n")).unwrap_or_else(|problem| panic!("{problem}"));
    assert!(study.tile.zero.is_some() && study.tile.middle.is_some());
    setup(&study, &Selection::default(), "").unwrap_or_else(|problem| panic!("{problem}"));
}

#[test]
fn the_season_of_the_demo_knows_every_zone_and_has_blocks_for_a_check_in_the_middle() {
    let study = Study::load("study.toml", include_str!("../demo-data/study.toml"))
        .unwrap_or_else(|problem| panic!("{problem}"));
    let season = Season::load("season.toml", include_str!("../demo-data/season.toml"), &study)
        .unwrap_or_else(|problem| panic!("{problem}"));
    for (number, sitting) in season.sittings.iter().enumerate() {
        assert_eq!(zones_of_scenario(&season.scenario(&study, number, sitting)), zones_of_study(&study));
    }
    let panels = season.sittings[0].panels.clone();
    let run = setup(&study, &Selection { panels, ..Selection::default() }, "").unwrap();
    let blocks: Vec<usize> = run.plan.iter().map(|block| block.0.len()).collect();
    assert_eq!(blocks, [12; 6], "the check in the middle is due behind two blocks");
    assert_eq!(run.procedure.interim_after_readings, Some(24));
}
