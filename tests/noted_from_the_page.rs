//! Washes, looks and corrections noted from the daemon's page and by programs: the real process, real sockets.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;
#[path = "common/season.rs"]
mod season;
#[path = "common/web.rs"]
mod web;

use process::output;
use process::rows;
use serde_json::Value;
use serde_json::json;
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::path::PathBuf;
use tempfile::TempDir;
use web::Daemon;
use web::request;

/// A study on whose panels both treatments were put on.
fn bench() -> (TempDir, PathBuf, Daemon) {
    let folder = tempfile::tempdir().unwrap();
    let study = folder.path().join("harbour");
    fs::create_dir(&study).unwrap();
    fs::write(study.join("study.toml"), season::STUDY).unwrap();
    for treatment in ["T1", "T2"] {
        let applied =
            ["apply", treatment, "--at", "2026-05-04T09:30:00+02:00", "--study", study.to_str().unwrap()];
        assert_eq!(output(applied.map(Path::new)).code, Some(0));
    }
    let daemon = Daemon::serve(&[&study]);
    (folder, study, daemon)
}

fn file(study: &Path) -> String {
    fs::read_to_string(study.join("observations.csv")).unwrap()
}

fn noted(study: &Path, kind: &str) -> Vec<BTreeMap<String, String>> {
    rows(&study.join("observations.csv")).into_iter().filter(|row| row["kind"] == kind).collect()
}

fn panel<'a>(view: &'a Value, id: &str) -> &'a Value {
    view["panels"].as_array().unwrap().iter().find(|panel| panel["panel"] == id).unwrap()
}

#[test]
fn a_wash_and_a_look_are_rows_of_the_file_and_come_back_on_the_page() {
    let (_folder, study, daemon) = bench();
    let before = file(&study);
    let view = daemon.get("/s/harbour/panels").json();
    // Three panels of T1, two of T2: five rows.
    assert_eq!((&view["seen"], view["panels"].as_array().unwrap().len()), (&json!(5), 3));
    assert!(view["cautions"][0].as_str().unwrap().contains("safety data sheet"), "{view}");
    let washed = daemon.post("/s/harbour/wash", &json!({ "seen": 5, "panel": ["P1"], "to": 10 }));
    assert_eq!((washed.status, washed.json()), (200, json!({ "rows": [6], "seen": 6 })), "{}", washed.text());
    let look = json!({ "seen": 6, "treatment": "T1", "panel": "P1", "treated_class": 2, "control_class": 7,
        "failed_area_pct": 12.5, "by": "Tom", "note": "<b>cold, \"wet\"</b>" });
    let looked = daemon.post("/s/harbour/look", &look);
    assert_eq!(looked.status, 200, "{}", looked.text());
    assert!(file(&study).starts_with(&before), "rows are added, and nothing else is touched");
    let row = &noted(&study, "washed")[0];
    assert_eq!(
        (row["panel"].as_str(), row["washes"].as_str(), row["recipe"].as_str()),
        ("P1", "10", "boat shampoo 1:100")
    );
    let row = &noted(&study, "looked")[0];
    let cells =
        ["treated_class", "control_class", "failed_area_pct", "by", "washes"].map(|name| row[name].as_str());
    assert_eq!(cells, ["2", "7", "12.5", "Tom", "10"]);
    // A wash washes the whole panel, and the look is of one patch.
    let view = daemon.get("/s/harbour/panels").json();
    let on_p1 = panel(&view, "P1");
    assert_eq!((&on_p1["washes"], &on_p1["look_at"]), (&json!(10), &json!(20)));
    let lives: Vec<&str> =
        on_p1["patches"].as_array().unwrap().iter().map(|patch| patch["life"].as_str().unwrap()).collect();
    assert_eq!(lives, ["still working after 10 washes", ""]);
    let page = daemon.get_page("/s/harbour/panels");
    assert!(
        page.text().contains("still working after 10 washes")
            || page.text().contains("Still working after 10 washes")
    );
    assert!(page.text().contains("&lt;b&gt;cold"), "what a person wrote is shown");
    assert!(!page.text().contains("<b>cold"), "and is text");
}

#[test]
fn the_bench_knows_what_was_noted_on_the_panels() {
    let (_folder, _study, daemon) = bench();
    let before = daemon.get_page("/s/harbour/");
    assert!(before.text().contains("T1, cured") && !before.text().contains("washed-10"));
    assert_eq!(daemon.post("/s/harbour/wash", &json!({ "seen": 5, "panel": ["P1"], "to": 10 })).status, 200);
    assert!(
        daemon.get_page("/s/harbour/").text().contains("T1, washed-10"),
        "a run begun now reads that stage"
    );
}

#[test]
fn a_second_tap_for_the_same_state_counts_no_second_wash() {
    let (_folder, study, daemon) = bench();
    let form = [("Content-Type", "application/x-www-form-urlencoded"), ("Accept", "text/html")];
    let tap = || request(&daemon.at, "POST", "/s/harbour/wash", &form, b"seen=5&panel=P2");
    let first = tap();
    assert_eq!(
        (first.status, first.header("location")),
        (303, Some("/s/harbour/panels#panel-1")),
        "{}",
        first.text()
    );
    let second = tap();
    assert_eq!(second.status, 409, "{}", second.text());
    assert!(
        second.text().contains("was noted meanwhile") && second.text().contains("Back"),
        "{}",
        second.text()
    );
    assert_eq!(noted(&study, "washed").len(), 1);
}

#[test]
fn what_was_taken_back_stays_in_the_file_and_counts_for_nothing() {
    let (_folder, study, daemon) = bench();
    assert_eq!(daemon.post("/s/harbour/wash", &json!({ "seen": 5, "panel": ["P1", "P2"] })).status, 200);
    let washed = file(&study);
    let back = daemon.post("/s/harbour/take-back", &json!({ "seen": 7, "row": 7, "note": "that was P3" }));
    assert_eq!(back.json(), json!({ "rows": [8], "seen": 8 }), "{}", back.text());
    assert!(file(&study).starts_with(&washed));
    let view = daemon.get("/s/harbour/panels").json();
    assert_eq!((&panel(&view, "P1")["washes"], &panel(&view, "P2")["washes"]), (&json!(1), &json!(0)));
    let shown: Vec<u64> =
        view["rows"].as_array().unwrap().iter().map(|row| row["row"].as_u64().unwrap()).collect();
    assert!(shown.contains(&6) && !shown.contains(&7), "{shown:?}");
}

#[test]
fn what_cannot_be_is_refused_with_what_to_do_and_nothing_is_written() {
    let (_folder, study, daemon) = bench();
    let before = file(&study);
    let refused = [
        ("wash", json!({ "seen": 5, "panel": [] }), "name a treatment or a panel"),
        ("wash", json!({ "seen": 5, "panel": ["P9"] }), "P9"),
        ("wash", json!({ "seen": 5, "panel": ["P1"], "to": 0 }), "0 is asked for"),
        ("wash", json!({ "panel": ["P1"] }), "missing field `seen`"),
        ("look", json!({ "seen": 5, "treatment": "T1", "panel": "P1" }), "says nothing of what was seen"),
        ("look", json!({ "seen": 5, "treatment": "T1", "panel": "P1", "treated_class": 9 }), "treated_class"),
        ("look", json!({ "seen": 5, "treatment": "T9", "panel": "P1", "treated_class": 2 }), "T9"),
        (
            "look",
            json!({ "seen": 5, "treatment": "T1", "panel": "P1", "failed_area_pct": 101 }),
            "no share in percent",
        ),
        (
            "look",
            json!({ "seen": 5, "treatment": "T1", "panel": "P1", "treated_class": 2, "note": "two\nlines" }),
            "note",
        ),
        ("take-back", json!({ "seen": 5, "row": 77 }), "77"),
    ];
    for (note, body, says) in refused {
        let reply = daemon.post(&format!("/s/harbour/{note}"), &body);
        assert_eq!(reply.status, 422, "{note} {body}: {}", reply.text());
        assert!(reply.text().contains(says), "{note} {body}: {}", reply.text());
        assert_eq!(reply.header("content-type"), Some("application/problem+json"));
    }
    assert_eq!(file(&study), before);
    assert_eq!(daemon.post("/s/elsewhere/wash", &json!({ "seen": 5, "panel": ["P1"] })).status, 404);
}

#[test]
fn a_row_that_a_person_broke_by_hand_is_shown_with_its_place_and_the_rest_goes_on() {
    let (_folder, study, daemon) = bench();
    let broken = file(&study) + "6,2026-13-04T09:30:00+02:00,washed,,P1,10\n";
    fs::write(study.join("observations.csv"), &broken).unwrap();
    let view = daemon.get("/s/harbour/panels").json();
    let problem = view["problems"][0].as_str().unwrap();
    assert!(problem.contains("observations.csv:7:"), "{problem}");
    let washed = daemon.post("/s/harbour/wash", &json!({ "seen": view["seen"], "panel": ["P1"] }));
    assert_eq!(washed.status, 200, "{}", washed.text());
    assert!(file(&study).starts_with(&broken), "nothing is rewritten");
}
