//! Lives worked out by hand: what looks say, where a life begins and ends, what the control does to it, what it cost.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

use chrono::DateTime;
use chrono::FixedOffset;
use halfpanel::life::{self, Half, Lifetime, RunOfPatch, Stage, Standing, Story, cautions};
use halfpanel::study::Study;

#[path = "common/season.rs"]
mod season;

use season::STUDY;
use season::study;

const HEADER: &str =
    "row,at,kind,treatment,panel,washes,treated_class,control_class,failed_area_pct,amount,note";

/// A file of rows, each as day (of May 2026) and the cells behind the kind.
struct File(String);

impl File {
    fn new() -> File {
        File(format!("{HEADER}\n"))
    }

    fn row(mut self, day: u32, cells: &str) -> File {
        let number = self.0.lines().count();
        let commas = HEADER.matches(',').count() - 1 - cells.matches(',').count() - 1;
        self.0.push_str(&format!("{number},2026-05-{day:02}T09:00:00+02:00,{cells}{}\n", ",".repeat(commas)));
        self
    }

    /// T1 on P1 after so many washes of the panel: treated, control.
    fn looked(self, day: u32, washes: u32, treated: u32, control: u32) -> File {
        self.row(day, &format!("looked,T1,P1,{washes},{treated},{control}"))
    }

    fn read(&self, study: &Study) -> life::Observations {
        let found = life::read("observations.csv", self.0.as_bytes(), study);
        assert_eq!(found.problems, []);
        found
    }

    fn stories(&self) -> Vec<Story> {
        let study = study();
        life::stories(&study, &self.read(&study))
    }

    /// The only life of T1 on P1.
    fn story(&self) -> Story {
        let mut stories = self.stories();
        stories.retain(|story| (story.treatment.as_str(), story.panel.as_str()) == ("T1", "P1"));
        assert_eq!(stories.len(), 1);
        stories.pop().unwrap()
    }
}

fn applied() -> File {
    File::new().row(1, "applied,T1,P1,,,,,4.0 ml")
}

fn lasted(after: u32, until: Option<u32>) -> Lifetime {
    Lifetime { after, until, over: false }
}

fn moment(text: &str) -> DateTime<FixedOffset> {
    DateTime::parse_from_rfc3339(text).unwrap()
}

#[test]
fn a_failure_needs_two_failed_looks_in_a_row_and_is_dated_at_the_first() {
    // The control is fully wetted at class 7; the rule of the study: within one of it has failed.
    let story = applied().looked(3, 10, 2, 7).looked(4, 20, 6, 7).looked(5, 30, 6, 7).story();
    assert_eq!((story.lifetime, story.standing), (lasted(10, Some(20)), Standing::Failed));
    assert_eq!(
        story.steps.iter().map(|step| step.works).collect::<Vec<_>>(),
        [None, Some(true), Some(false), Some(false)]
    );

    let story = applied().looked(3, 10, 2, 7).looked(4, 20, 6, 7).story();
    assert_eq!(
        (story.lifetime, story.standing, story.suspected_at),
        (lasted(10, None), Standing::Alive, Some(20))
    );

    // The one failed look was a slip: it worked at 30, and failed at 40 and 50.
    let slip = applied().looked(3, 10, 2, 7).looked(4, 20, 6, 7).looked(5, 30, 3, 7);
    assert_eq!(slip.story().lifetime, lasted(30, None));
    assert_eq!(slip.looked(6, 40, 7, 7).looked(7, 50, 7, 7).story().lifetime, lasted(30, Some(40)));
}

#[test]
fn failed_at_the_first_look_begins_at_nothing() {
    let story = applied().looked(3, 12, 6, 7).looked(4, 15, 7, 7).story();
    assert_eq!((story.lifetime, story.never_worked), (lasted(0, Some(12)), true));
    // Before any wash: shorter than one, and the interval is not empty.
    let story = applied().looked(3, 0, 6, 7).looked(4, 0, 6, 7).story();
    assert_eq!((story.lifetime, story.never_worked), (lasted(0, Some(1)), true));
}

#[test]
fn half_of_the_area_is_enough_and_a_look_that_says_neither_decides_nothing() {
    let story = applied()
        .row(3, "looked,T1,P1,10,,,49.9")
        .row(4, "looked,T1,P1,20,2,7,50")
        .row(5, "looked,T1,P1,25,2,,,,no control looked at")
        .row(6, "looked,T1,P1,30,,,60")
        .story();
    assert_eq!(story.lifetime, lasted(10, Some(20)));
    let works: Vec<_> = story.steps.iter().map(|step| step.works).collect();
    assert_eq!(works, [None, Some(true), Some(false), None, Some(false)]);
}

#[test]
fn a_control_that_changes_is_a_warning_and_not_the_products_failure() {
    // Something of the product got on the control: it went from 7 to 4, and the treated side is at 3 all the while.
    let story = applied().looked(3, 10, 3, 7).looked(4, 20, 3, 4).looked(5, 30, 3, 4).story();
    assert_eq!((story.lifetime, story.standing), (lasted(30, None), Standing::Alive));
    assert_eq!(story.warnings.len(), 2);
    assert!(
        story.warnings[0].contains("control itself has changed from class 7 to 4"),
        "{:?}",
        story.warnings
    );
    // By one class it is no warning, and the class of that day counts: 5 is within one of 6, and not of 7.
    let story = applied().looked(3, 10, 5, 7).looked(4, 20, 5, 6).looked(5, 30, 5, 6).story();
    assert_eq!((story.lifetime, story.warnings.len()), (lasted(10, Some(20)), 0));
}

#[test]
fn washes_count_for_every_patch_on_the_panel_from_when_each_was_put_on() {
    let stories = applied()
        .row(3, "washed,,P1,10")
        .row(4, "applied,T2,P1")
        .row(5, "washed,,P1,25")
        .row(6, "looked,T2,P1,25,2,7")
        .stories();
    let told: Vec<(&str, u32, u32)> =
        stories.iter().map(|s| (s.treatment.as_str(), s.washes, s.lifetime.after)).collect();
    assert_eq!(told, [("T1", 25, 0), ("T2", 15, 15)]);
}

#[test]
fn put_on_again_without_stripping_is_over_and_after_stripping_it_is_not() {
    let file = applied().looked(3, 10, 2, 7).row(4, "applied,T1,P1").looked(5, 30, 2, 7);
    let stories = file.stories();
    let told: Vec<_> =
        stories.iter().map(|s| (s.life, s.over, s.is_pooled(), s.standing, s.washes)).collect();
    assert_eq!(told, [(1, false, true, Standing::Ended, 10), (2, true, false, Standing::Alive, 20)]);
    assert_eq!(stories[1].lifetime, Lifetime { after: 20, until: None, over: true });

    let file =
        applied().looked(3, 10, 2, 7).row(4, "stripped,,P1").row(6, "applied,T1,P1").looked(7, 5, 2, 7);
    let stories = file.stories();
    let told: Vec<_> = stories.iter().map(|s| (s.life, s.over, s.washes, s.lifetime)).collect();
    assert_eq!(told, [(1, false, 10, lasted(10, None)), (2, false, 5, lasted(5, None))]);
}

#[test]
fn a_withdrawn_product_has_a_life_that_stays_open() {
    let story = applied().looked(3, 10, 2, 7).row(4, "withdrawn,T1,P1").story();
    assert_eq!((story.lifetime, story.standing), (lasted(10, None), Standing::Withdrawn));
}

#[test]
fn stages_follow_the_rows_and_the_clock() {
    let at = |day: u32, hour: u32| moment(&format!("2026-05-{day:02}T{hour:02}:00:00+02:00"));
    let story = applied().story();
    // 24 hours from 09:00 on the first.
    assert_eq!(story.stage_at(at(2, 8)), Stage::Curing { ready_at: at(2, 9) });
    assert_eq!(story.stage_at(at(2, 9)).name(), "cured");
    assert_eq!(applied().row(3, "wiped,T1,P1").story().stage_at(at(4, 9)).name(), "wiped");
    let washed = applied().row(3, "wiped,T1,P1").row(4, "washed,,P1,10");
    assert_eq!(washed.story().stage_at(at(5, 9)).name(), "washed-10");
    let again = applied().row(4, "washed,,P1,10").row(5, "wiped,T1,P1");
    assert_eq!(again.story().stage_at(at(6, 9)).name(), "washed-10-wiped");
    assert!(again.story().steps[2].out_of_order.contains("after 10 washes"));
    let stripped = applied().row(4, "washed,,P1,10").row(5, "stripped,,P1");
    assert_eq!(stripped.story().stage_at(at(6, 9)), Stage::Bare);
    let early = applied().row(1, "washed,,P1,1");
    assert_eq!(early.story().steps[1].out_of_order, "it had not cured yet");
}

#[test]
fn a_new_runs_stage_comes_from_the_rows_where_the_study_states_none() {
    let plain = study();
    let file = applied().row(3, "washed,,P1,10");
    let observations = file.read(&plain);
    let stage = |study: &Study, day: &str| {
        let staged = life::staged(study, &observations, moment(&format!("2026-05-{day}T12:00:00+02:00")));
        let patch = &staged.patches[0];
        (patch.stage.clone(), patch.applied_at.clone())
    };
    let applied_at = Some("2026-05-01T09:00:00+02:00".to_owned());
    assert_eq!(stage(&plain, "01"), ("curing".to_owned(), applied_at.clone()));
    assert_eq!(stage(&plain, "02"), ("cured".to_owned(), applied_at.clone()));
    assert_eq!(stage(&plain, "04"), ("washed-10".to_owned(), applied_at.clone()));
    // T1 on P2 has no row of its own, and nothing is known of P2.
    let staged = life::staged(&plain, &observations, moment("2026-05-04T12:00:00+02:00"));
    assert_eq!((staged.patches[1].stage.as_str(), &staged.patches[1].applied_at), ("cured", &None));

    let stated =
        STUDY.replacen("zones = [\"A1\", \"A2\"]\n", "zones = [\"A1\", \"A2\"]\nstage = \"wiped\"\n", 1);
    let stated = Study::load("study.toml", &stated).unwrap();
    assert_eq!(stage(&stated, "04"), ("wiped".to_owned(), applied_at));

    let before = life::too_early(
        &plain,
        &observations,
        &Default::default(),
        None,
        moment("2026-05-01T12:00:00+02:00"),
    );
    assert_eq!(before, ["T1 on P1 cures until 2026-05-02 09:00: what is read now is read early"]);
    assert!(
        life::too_early(
            &plain,
            &observations,
            &Default::default(),
            None,
            moment("2026-05-02T12:00:00+02:00")
        )
        .is_empty()
    );
}

#[test]
fn costs_come_from_what_was_put_on() {
    // 24.00 for 500 ml; 4.0 ml on two zones of 150 mm by 100 mm: 0.192 on 0.03 m².
    let cost = applied().looked(3, 10, 2, 7).story().cost.unwrap();
    assert!((cost.per_m2 - 6.4).abs() < 1e-9 && cost.is_measured, "{cost:?}");
    assert!((cost.per_m2_and_wash.unwrap() - 0.64).abs() < 1e-9);
    // Nothing was seen to survive a wash; and without an amount nothing is known.
    assert_eq!(applied().story().cost.unwrap().per_m2_and_wash, None);
    assert_eq!(File::new().row(1, "applied,T1,P1").story().cost, None);
}

#[test]
fn panels_keep_their_facts_and_halves_that_are_never_swapped_are_told() {
    let study = study();
    let file = applied()
        .row(3, "washed,,P1,10")
        .row(4, "stripped,,P1")
        .row(5, "washed,,P1,2")
        .row(6, "washed,,P2,7");
    let facts = life::panel_facts(&study, &file.read(&study));
    let told: Vec<_> =
        facts.iter().map(|f| (f.panel.as_str(), f.batch.as_str(), f.reused, f.washes)).collect();
    assert_eq!(told, [("P1", "G-12", 1, 2), ("P2", "", 0, 7), ("P3", "", 0, 0)]);
    assert_eq!(facts[1].halves, [("T1".to_owned(), Some(Half::Upper)), ("T2".to_owned(), Some(Half::Lower))]);
    // T1 is swapped on P2, T2 has the lower half of both its panels, and the third stands on one panel.
    let warnings = life::never_swapped(&study);
    assert_eq!(warnings.len(), 1);
    assert!(warnings[0].starts_with("`T2` has the lower half of each of its 2 panels"), "{warnings:?}");
}

/// What comes next for T1 on P1.
fn next(file: &File, runs: &[(&str, u32)], now: &str) -> (String, String) {
    let study = study();
    let runs: Vec<RunOfPatch> = runs
        .iter()
        .map(|(stage, day)| RunOfPatch {
            run: format!("2026-05-{day:02}-01"),
            patch: 0,
            stage: (*stage).to_owned(),
            at: moment(&format!("2026-05-{day:02}T08:00:00+02:00")),
        })
        .collect();
    let all = life::status(&study, &file.read(&study), &runs, moment(now), "harbour");
    (all[0].next.clone(), all[0].command.clone())
}

#[test]
fn status_leads_from_the_bare_panel_to_the_failure() {
    let nothing = File::new();
    let now = "2026-05-30T09:00:00+02:00";
    let told = |says: &str, command: &str| (says.to_owned(), command.to_owned());
    let (bare, cured) = (("bare", 1), ("cured", 3));
    assert_eq!(
        next(&nothing, &[], now),
        told("read it bare", "halfpanel run harbour --panel P1 --treatment T1 --stage bare")
    );
    assert_eq!(
        next(&nothing, &[bare], now),
        told("put it on", "halfpanel apply T1 --study harbour --panel P1")
    );
    assert_eq!(
        next(&applied(), &[bare], "2026-05-01T10:00:00+02:00"),
        told("let it cure until 2026-05-02 09:00", "")
    );
    assert_eq!(
        next(&applied(), &[bare], now),
        told("read it cured", "halfpanel run harbour --panel P1 --treatment T1")
    );
    assert_eq!(next(&applied(), &[bare, cured], now).0, "judge handling, feel, look");
    let mut judged = applied();
    judged.0 = judged.0.replace(",note\n", ",note,attribute,verdict\n").replace("4.0 ml,\n", "4.0 ml,,,\n");
    for attribute in ["handling", "feel", "look"] {
        let number = judged.0.lines().count();
        judged
            .0
            .push_str(&format!("{number},2026-05-03T10:00:00+02:00,judged,T1,P1,,,,,,,{attribute},pass\n"));
    }
    let more = |cells: &str| {
        let number = judged.0.lines().count();
        File(format!("{}{number},2026-05-04T09:00:00+02:00,{cells}\n", judged.0))
    };
    assert_eq!(next(&judged, &[bare, cured], now).0, "wipe it with solvent, and read it again");
    let wiped = more("wiped,T1,P1,,,,,,,,");
    assert_eq!(next(&wiped, &[bare, cured], now).0, "read it wiped");
    assert_eq!(
        next(&wiped, &[bare, cured, ("wiped", 5)], now),
        told("wash it to 10, and look at it", "halfpanel wash T1 --study harbour --panel P1 --to 10")
    );
    assert_eq!(
        next(&more("washed,,P1,10,,,,,,,"), &[bare, cured], now).0,
        "look at it: it has been washed 10 times"
    );
    assert_eq!(
        next(&more("looked,T1,P1,10,2,7,,,,,"), &[bare, cured], now).0,
        "wash it to 20, and look at it"
    );
    assert!(
        next(&more("looked,T1,P1,10,7,7,,,,,"), &[bare, cured], now)
            .0
            .starts_with("look again: it was seen failed after 10 washes")
    );
    let failed = applied().looked(4, 10, 7, 7).looked(5, 11, 7, 7);
    assert!(next(&failed, &[bare], now).0.starts_with("nothing: it has failed by wash 10"));
    // Stripped since, the panel wants new bare readings.
    assert_eq!(next(&applied().row(5, "stripped,,P1"), &[bare], now).0, "read it bare");
}

#[test]
fn a_caution_is_added_to_and_never_replaced() {
    let study = Study::load(
        "study.toml",
        &STUDY.replace("name = \"Lives\"", "name = \"Lives\"\ncaution = \"drains to the harbour\""),
    )
    .unwrap();
    let texts = cautions::cautions(&study, [0, 1, 1]);
    assert_eq!(texts[0], cautions::CAUTION);
    assert_eq!(&texts[1..], ["drains to the harbour", "T2: smells strongly of solvent"]);
    for word in [
        "flammable",
        "ventilate",
        "gloves",
        "eye protection",
        "safety data sheet",
        "local rules",
        "licensed practice",
    ] {
        assert!(cautions::CAUTION.contains(word), "{word}");
    }
}

#[test]
fn an_application_of_study_toml_counts_where_no_row_notes_one() {
    let source = STUDY.replacen(
        "zones = [\"A1\", \"A2\"]\n",
        "zones = [\"A1\", \"A2\"]\napplied_at = 2026-04-30T09:00:00+02:00\n",
        1,
    );
    let study = Study::load("study.toml", &source).unwrap();
    let of = |file: &File| life::stories(&study, &file.read(&study)).remove(0);
    let told = of(&File::new().row(3, "washed,,P1,4"));
    assert_eq!(
        (told.applied_at, told.washes, told.steps.len()),
        (Some(moment("2026-04-30T09:00:00+02:00")), 4, 2)
    );
    assert_eq!(of(&applied()).applied_at, Some(moment("2026-05-01T09:00:00+02:00")));
}

#[test]
fn the_page_tells_every_column_of_the_tables_of_lives() {
    let page = include_str!("../protocol-notes/observations.md");
    for (name, kind, unit, says) in life::tables::LIVES.iter().chain(&life::tables::STEPS) {
        let line = format!("| `{name}` | {kind} | {unit} | {says} |");
        assert!(page.contains(&line), "{line}");
    }
}

#[test]
fn the_tables_of_lives_are_described_by_a_data_package() {
    let study = study();
    let files = life::tables::files(&study, &applied().looked(3, 10, 2, 7).read(&study));
    assert_eq!(
        files.iter().map(|file| file.0).collect::<Vec<_>>(),
        ["lives.csv", "steps.csv", "datapackage.json"]
    );
    let package: serde_json::Value = serde_json::from_slice(&files[2].1).unwrap();
    for (index, (name, bytes)) in files[..2].iter().enumerate() {
        let resource = &package["resources"][index];
        assert_eq!(resource["path"], *name);
        let fields: Vec<&str> = resource["schema"]["fields"]
            .as_array()
            .unwrap()
            .iter()
            .map(|field| field["name"].as_str().unwrap())
            .collect();
        let mut reader = csv::Reader::from_reader(bytes.as_slice());
        assert_eq!(reader.headers().unwrap().iter().collect::<Vec<_>>(), fields);
        assert!(reader.records().all(|row| row.is_ok()));
    }
}
