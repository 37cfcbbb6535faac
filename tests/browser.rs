//! The bench page in a real browser: whole runs as a person does them, with everything that comes between. Pictures of
//! each state are kept in `target/screenshots/`.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common {
    pub mod bench_page;
    pub mod browser;
    pub mod process;
}

use common::bench_page::DIFFERENCES;
use common::bench_page::Study;
use common::bench_page::WHOLE;
use common::bench_page::click;
use common::bench_page::look;
use common::bench_page::press_and_see;
use common::bench_page::press_until;
use common::bench_page::press_where_the_page_says;
use common::bench_page::shown_differences;
use common::bench_page::start;
use common::bench_page::text;
use common::bench_page::wanted;
use common::browser::Browser;
use common::browser::TABLET;
use common::process::rows;

const NO_PORT: &str = "127.0.0.1:0";

#[tokio::test]
async fn a_page_without_a_fault_gives_no_complaint_and_one_with_a_fault_gives_one() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    browser.goto("data:text/html,<html lang=en><title>t</title><main><h1>Hi</h1></main>").await;
    assert_eq!(browser.complaints().await, Vec::<String>::new());
    assert_eq!(browser.barriers().await, Vec::<String>::new());
    browser.goto("data:text/html,<html><main><img src=x><script>oops()</script></main>").await;
    assert!(browser.complaints().await.iter().any(|c| c.contains("oops")));
    if std::env::var("HALFPANEL_AXE").is_ok() {
        let found = browser.barriers().await;
        assert!(found.iter().any(|b| b.contains("image-alt")), "{found:?}");
    }
    browser.close().await;
}

#[tokio::test]
async fn after_the_start_button_the_meter_alone_leads_through_a_run_and_the_page_shows_what_the_tables_say() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let study = Study::simulated(150);
    let daemon = study.serve(NO_PORT);
    browser.goto(&daemon.url).await;
    browser.until("the page is the study's own", "document.querySelector('#start-run')").await;
    look(&browser, "idle", &[]).await;
    // Nothing is told twice, and nothing that was shown goes away again: every value is noted as it appears.
    browser
        .script(
            "window.seen = []; new MutationObserver(() => {
               const n = document.querySelector('#value [data-placement]')?.dataset.placement;
               if (n && window.seen.at(-1) !== n) window.seen.push(n);
             }).observe(document.querySelector('#value'), { childList: true, subtree: true });",
        )
        .await;
    click(&browser, "#start-run").await;
    browser.until("the run is done", "document.querySelector('#now [data-kind=done]')").await;
    browser
        .until("its tables are there", "document.querySelector('#tables a[href=\"tables/results.csv\"]')")
        .await;
    let seen = browser.script("return window.seen").await;
    // The last placement ends the run, and the result stands in its place.
    assert_eq!(seen.as_array().unwrap().len(), WHOLE - 1, "{seen}");
    let shown = shown_differences(&browser).await;
    let results = rows(&study.path().join("results/results.csv"));
    assert_eq!(results.len(), 2);
    for ((treatment, by_hand), (name, on_page)) in DIFFERENCES.iter().zip(&shown) {
        let row = results.iter().find(|row| row["treatment"] == *treatment).unwrap();
        assert_eq!(row["status"], "proven");
        assert_eq!(row["difference_gu"], format!("{by_hand:.4}"));
        assert!(name.contains(treatment), "{name}");
        assert!((on_page - by_hand).abs() < 0.05, "{treatment}: {on_page} on the page");
    }
    look(&browser, "done", &[]).await;
    browser.close().await;
}

#[tokio::test]
async fn undo_void_a_failed_check_and_its_repair_are_told_and_end_in_a_proven_run() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (study, button) = Study::on_a_line();
    let daemon = study.serve(NO_PORT);
    browser.goto(&daemon.bench()).await;
    start(&browser).await;
    look(&browser, "begun", &[]).await;
    press_where_the_page_says(&browser, &button, 92.4).await;
    look(&browser, "opening-check", &[]).await;
    press_where_the_page_says(&browser, &button, 92.5).await;
    let first = press_where_the_page_says(&browser, &button, 92.4).await.unwrap();

    // A slip: the next zone gets a wild value, and one key takes it back.
    let slipped = wanted(&browser).await.1;
    press_and_see(&browser, &button, 12.3).await;
    look(&browser, "odd-value", &[]).await;
    browser.key("u").await;
    browser
        .until(
            "the zone is wanted again",
            &format!("document.querySelector('#now .short').textContent === '{slipped}'"),
        )
        .await;
    assert!(
        text(&browser, "#heard").await.to_lowercase().contains("undo")
            || text(&browser, "#heard").await.contains("taken back")
    );
    look(&browser, "undone", &[]).await;
    press_where_the_page_says(&browser, &button, 92.4).await;

    // A void, with its reason.
    browser.key("v").await;
    browser.until("the sheet is open", "document.querySelector('#ask-void[open]')").await;
    look(&browser, "void-sheet", &[]).await;
    browser.script("document.querySelector('#void-reason').focus()").await;
    browser.type_text("slid on the wax").await;
    browser.key("Enter").await;
    browser
        .until(
            "the zone is wanted again",
            &format!("document.querySelector('#now .short').textContent === '{slipped}'"),
        )
        .await;
    press_where_the_page_says(&browser, &button, 92.4).await;
    press_where_the_page_says(&browser, &button, 92.4).await;
    look(&browser, "zones", &[]).await;

    // A check in the middle that fails: wax on the tile.
    browser.key("c").await;
    browser.until("the tile is wanted", "document.querySelector('#now [data-kind=tile]')").await;
    press_and_see(&browser, &button, 90.3).await;
    press_and_see(&browser, &button, 90.4).await;
    look(&browser, "failed-check", &[]).await;
    let now = text(&browser, "#now").await;
    assert!(now.to_lowercase().contains("clean"), "{now}");
    // Cleaned, and checked again; what was read since the last good check is wanted again.
    press_where_the_page_says(&browser, &button, 92.4).await;
    press_where_the_page_says(&browser, &button, 92.4).await;
    assert_eq!(wanted(&browser).await, ("zone".to_owned(), first));
    look(&browser, "repair", &[]).await;
    press_until(&browser, &button, "Done").await;
    browser.until("the tables are there", "document.querySelector('#tables a')").await;
    look(&browser, "done-after-repair", &[]).await;
    for row in rows(&study.path().join("results/results.csv")) {
        assert_eq!(row["status"], "proven");
    }
    let readings = rows(&study.path().join("results/readings.csv"));
    let count = |status: &str| readings.iter().filter(|row| row["status"] == status).count();
    assert_eq!((count("undone"), count("voided")), (1, 1));
    assert!(readings.iter().any(|row| row["status"] == "drifted"));
    browser.close().await;
}
