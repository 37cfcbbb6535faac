//! Washes and looks in a real browser: two taps, with wet hands, at a phone; by the keyboard alone; without a script.
//! Pictures are kept in `target/screenshots/`.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common {
    pub mod bench_page;
    pub mod browser;
    pub mod process;
    pub mod season;
}

use common::bench_page::Daemon;
use common::bench_page::click;
use common::bench_page::look;
use common::bench_page::text;
use common::browser::Browser;
use common::browser::PHONE;
use common::browser::TABLET;
use common::process::output;
use common::process::rows;
use common::season;
use std::fs;
use std::path::Path;
use std::path::PathBuf;
use tempfile::TempDir;

fn bench() -> (TempDir, PathBuf, Daemon) {
    let folder = tempfile::tempdir().unwrap();
    let study = folder.path().join("harbour");
    fs::create_dir(&study).unwrap();
    fs::write(study.join("study.toml"), season::STUDY).unwrap();
    let here = study.to_str().unwrap().to_owned();
    let at = "2026-05-04T09:30:00+02:00";
    let seen = "look T1 --panel P1 --class-treated 1 --class-control 7 --at 2026-05-05T09:30:00+02:00";
    for line in [format!("apply T1 --at {at}"), format!("apply T2 --at {at}"), seen.to_owned()] {
        let words: Vec<&Path> = line.split(' ').chain(["--study", &here]).map(Path::new).collect();
        assert_eq!(output(words).code, Some(0), "{line}");
    }
    let daemon = Daemon::start(&[&study], &["--listen", "127.0.0.1:0"]);
    (folder, study, daemon)
}

fn kinds(study: &Path) -> Vec<String> {
    let rows = rows(&study.join("observations.csv"));
    rows.iter().skip(6).map(|row| row["kind"].clone()).collect()
}

#[tokio::test]
async fn two_taps_on_a_phone_note_a_wash_and_what_was_seen_after_it() {
    let Some(browser) = Browser::open(PHONE).await else { return };
    let (_folder, study, daemon) = bench();
    browser.goto(&daemon.bench()).await;
    browser.until("the bench leads to the panels", "document.querySelector('nav a[href$=\"panels\"]')").await;
    browser.goto(&format!("{}panels", daemon.bench())).await;
    look(&browser, "panels", &[]).await;
    let small = "return [...document.querySelectorAll('.watched button:not([hidden])')].filter((b) => b.getBoundingClientRect().height < 56).length";
    assert_eq!(browser.script(small).await, 0, "every button is large enough for a wet thumb");
    click(&browser, "#panel-0 .taps button").await;
    browser
        .until(
            "the wash is noted",
            "document.querySelector('#panel-0 .last')?.innerText.includes('washed to 1')",
        )
        .await;
    click(&browser, "#panel-0 input[name='treated_class'][value='2']").await;
    click(&browser, "#panel-0 button[name='control_class'][value='7']").await;
    browser
        .until("the look is noted", "document.querySelector('#panel-0 .last')?.innerText.includes('class 2')")
        .await;
    assert_eq!(kinds(&study), ["washed", "looked"]);
    let row = rows(&study.join("observations.csv")).pop().unwrap();
    assert_eq!((row["treated_class"].as_str(), row["control_class"].as_str()), ("2", "7"));
    look(&browser, "panels-noted", &[]).await;

    // A slip is taken back where it stands.
    click(&browser, "#panel-0 .last button").await;
    browser
        .until("it is taken back", "!document.querySelector('#panel-0 .last')?.innerText.includes('class 2')")
        .await;
    assert_eq!(kinds(&study), ["washed", "looked", "corrected"]);
    browser.close().await;
}

#[tokio::test]
async fn a_tap_on_a_page_that_is_behind_notes_nothing_and_says_so() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (_folder, study, daemon) = bench();
    browser.goto(&format!("{}panels", daemon.bench())).await;
    // Somebody else washes the panel meanwhile, at a terminal.
    let here = study.to_str().unwrap();
    let elsewhere = ["wash", "T1", "--panel", "P1", "--study", here];
    assert_eq!(output(elsewhere.map(Path::new)).code, Some(0));
    click(&browser, "#panel-0 .taps button").await;
    browser.until("it is refused", "document.querySelector('[role=alert]')").await;
    assert!(text(&browser, "[role=alert]").await.contains("noted meanwhile"));
    look(&browser, "panels-behind", &["409"]).await;
    assert_eq!(kinds(&study), ["washed"]);
    browser.close().await;
}

#[tokio::test]
async fn the_keyboard_alone_notes_a_wash() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (_folder, study, daemon) = bench();
    browser.goto(&format!("{}panels", daemon.bench())).await;
    let is_there = "return document.activeElement.getAttribute('aria-label') === 'Panel P2: Washed once'";
    for _ in 0..60 {
        if browser.script(is_there).await == true {
            break;
        }
        browser.key("Tab").await;
    }
    browser.key("Enter").await;
    browser
        .until(
            "the wash is noted",
            "document.querySelector('#panel-1 .last')?.innerText.includes('washed to 1')",
        )
        .await;
    assert_eq!(kinds(&study), ["washed"]);
    browser.close().await;
}
