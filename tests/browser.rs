//! The bench page in a real browser: whole runs as a person does them, with everything that comes between. Pictures of
//! each state are kept in `target/screenshots/`.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common {
    pub mod bench_page;
    pub mod browser;
    pub mod process;
}

use common::bench_page::DIFFERENCES;
use common::bench_page::Daemon;
use common::bench_page::Study;
use common::bench_page::WHOLE;
use common::bench_page::click;
use common::bench_page::look;
use common::bench_page::placement;
use common::bench_page::press_and_see;
use common::bench_page::press_until;
use common::bench_page::press_where_the_page_says;
use common::bench_page::shown_differences;
use common::bench_page::start;
use common::bench_page::text;
use common::bench_page::wanted;
use common::browser::Browser;
use common::browser::PHONE;
use common::browser::TABLET;
use common::process::recordings;
use common::process::rows;
use fantoccini::Locator;
use rustix::process::Signal;

const NO_PORT: &str = "127.0.0.1:0";
/// What a browser notes wherever a page comes over plain HTTP from another machine.
const PLAIN: &str = "The Cross-Origin-Opener-Policy header has been ignored";

#[tokio::test]
async fn a_page_without_a_fault_gives_no_complaint_and_one_with_a_fault_gives_one() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    browser.goto("data:text/html,<html lang=en><title>t</title><main><h1>Hi</h1></main>").await;
    assert_eq!(browser.complaints().await, Vec::<String>::new());
    assert_eq!(browser.barriers().await, Vec::<String>::new());
    browser.goto("data:text/html,<html><main><img src=x><script>oops()</script></main>").await;
    // What the page complains of comes a moment after it is loaded.
    let mut complaints = browser.complaints().await;
    while !complaints.iter().any(|c| c.contains("oops")) {
        browser.until("the page goes on", "true").await;
        complaints.extend(browser.complaints().await);
    }
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

#[tokio::test]
async fn a_meter_that_is_unplugged_is_said_to_be_gone_and_the_run_goes_on_when_it_is_back() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (study, button) = Study::on_a_line();
    let daemon = study.serve(NO_PORT);
    browser.goto(&daemon.bench()).await;
    start(&browser).await;
    press_until(&browser, &button, "A2").await;
    let (placement_before, value_before) =
        (placement(&browser).await, text(&browser, "#value .number").await);
    button.unplug();
    browser.until("the meter is missed", "document.querySelector('#now [data-kind=lost]')").await;
    assert!(text(&browser, "#now").await.contains("No meter"));
    assert!(text(&browser, ".strip .line").await.contains("down"));
    assert_eq!(
        browser.script("return document.body.dataset.contact").await,
        "live",
        "the daemon itself is there"
    );
    assert_eq!(
        (placement(&browser).await, text(&browser, "#value .number").await),
        (placement_before, value_before),
        "what was read stands there still"
    );
    look(&browser, "meter-lost", &[]).await;
    button.plug_in();
    browser
        .until(
            "the meter is back",
            "document.querySelector('.line-up') && document.querySelector('#now [data-kind=zone]')",
        )
        .await;
    assert_eq!(wanted(&browser).await.1, "A2");
    press_until(&browser, &button, "Done").await;
    browser.until("the tables are there", "document.querySelector('#tables a')").await;
    assert_eq!(shown_differences(&browser).await.len(), DIFFERENCES.len());
    for row in rows(&study.path().join("results/results.csv")) {
        assert_eq!(row["status"], "proven");
    }
    browser.close().await;
}

#[tokio::test]
async fn a_daemon_that_is_killed_is_missed_and_comes_back_with_everything_that_was_shown() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (study, button) = Study::on_a_line();
    let daemon = study.serve(NO_PORT);
    browser.goto(&daemon.bench()).await;
    start(&browser).await;
    press_until(&browser, &button, "B2").await;
    let shown = zones_on_the_panel(&browser).await;
    assert_eq!(shown.len(), 3, "{shown:?}");
    let wanted_before = wanted(&browser).await;

    let at = daemon.at();
    daemon.running.signal(Signal::KILL);
    browser.until("the daemon is missed", "document.body.dataset.contact === 'lost'").await;
    assert!(text(&browser, "#contact-daemon").await.contains("not heard"));
    assert_eq!(zones_on_the_panel(&browser).await, shown, "the last picture stays");
    // The browser says in its own log that nobody answers; that is all.
    look(&browser, "daemon-lost", &["net::ERR_"]).await;
    // Whoever presses a key now is told that it was not heard.
    browser.key("u").await;
    browser.until("the word was not heard", "!document.querySelector('#answer').hidden").await;
    assert!(text(&browser, "#answer").await.contains("nothing was done"));
    look(&browser, "daemon-lost-word", &["net::ERR_"]).await;
    drop(daemon);

    let daemon = study.serve(&at);
    browser.until("the page finds back", "document.body.dataset.contact === 'live'").await;
    browser.until("the run is offered", "document.querySelector('#take-up')").await;
    assert!(!is_shown(&browser, "answer").await, "what was said while it was away is not left standing");
    assert!(text(&browser, "#before").await.contains("was cut off"));
    look(&browser, "cut-off", &["net::ERR_"]).await;
    click(&browser, "#take-up").await;
    browser
        .until(
            "the run goes on",
            "document.querySelector('#now .call') && document.querySelector('.line-up')",
        )
        .await;
    assert_eq!(zones_on_the_panel(&browser).await, shown, "nothing that was shown is lost");
    assert_eq!(wanted(&browser).await, wanted_before);
    look(&browser, "taken-up", &[]).await;
    press_until(&browser, &button, "Done").await;
    browser.until("the tables are there", "document.querySelector('#tables a')").await;
    for ((treatment, by_hand), (_, on_page)) in DIFFERENCES.iter().zip(shown_differences(&browser).await) {
        assert!((on_page - by_hand).abs() < 0.05, "{treatment}: {on_page} on the page");
    }
    drop(daemon);
    browser.close().await;
}

/// Whether the element of that id is to be seen.
async fn is_shown(browser: &Browser, id: &str) -> bool {
    browser.script(&format!("return document.getElementById('{id}').checkVisibility()")).await == true
}

/// Zones on the panel that have a value, and the value, as the drawing says them.
async fn zones_on_the_panel(browser: &Browser) -> Vec<(String, String)> {
    let script = "return [...document.querySelectorAll('#panel svg [data-zone]')].map((of) => \
                  [of.dataset.zone, of.textContent.match(/\\d+\\.\\d/)?.[0] ?? '']).filter((of) => of[1])";
    let found = browser.script(script).await;
    let word = |of: &serde_json::Value| of.as_str().unwrap().to_owned();
    found.as_array().unwrap().iter().map(|pair| (word(&pair[0]), word(&pair[1]))).collect()
}

#[tokio::test]
async fn of_two_tabs_the_one_that_saw_an_older_state_undoes_nothing_and_is_told_why() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (study, button) = Study::on_a_line();
    let daemon = study.serve(NO_PORT);
    browser.goto(&daemon.bench()).await;
    start(&browser).await;
    press_until(&browser, &button, "B2").await;
    let first = browser.client.window().await.unwrap();
    let second = browser.client.new_window(true).await.unwrap().handle;
    browser.client.switch_to_window(second.clone()).await.unwrap();
    // The second tab's stream stands still after its first state, as on a tablet whose network hangs.
    let hang = "window.EventSource = class extends EventSource { constructor(to) { super(to); \
                this.addEventListener('state', () => setTimeout(() => this.close())); } }";
    browser.devtools("Page.addScriptToEvaluateOnNewDocument", serde_json::json!({ "source": hang })).await;
    browser.goto(&daemon.bench()).await;
    browser.until("the second tab shows the run", "document.querySelector('#word-undo')").await;
    browser.client.switch_to_window(first.clone()).await.unwrap();
    browser.key("u").await;
    browser
        .until("the first tab took it back", "document.querySelector('#now .short').textContent === 'B1'")
        .await;

    browser.client.switch_to_window(second).await.unwrap();
    assert_eq!(wanted(&browser).await.1, "B2", "the second tab knows nothing of it");
    click(&browser, "#word-undo").await;
    browser.until("it is answered", "!document.querySelector('#answer').hidden").await;
    let answer = text(&browser, "#answer").await;
    assert!(answer.contains("moved on") && answer.contains("nothing was done"), "{answer}");
    look(&browser, "stale-answer", &["409 (Conflict)"]).await;

    browser.client.switch_to_window(first).await.unwrap();
    press_until(&browser, &button, "Done").await;
    browser.until("the tables are there", "document.querySelector('#tables a')").await;
    let readings = rows(&study.path().join("results/readings.csv"));
    let undone: Vec<_> = readings.iter().filter(|row| row["status"] == "undone").collect();
    assert_eq!(undone.len(), 1, "{undone:?}");
    assert_eq!(undone[0]["zone"], "B1");
    browser.close().await;
}

#[tokio::test]
async fn a_phone_in_a_dark_garage_is_enough_for_a_run() {
    let Some(browser) = Browser::open(PHONE).await else { return };
    let (study, button) = Study::on_a_line();
    let daemon = study.serve(NO_PORT);
    browser.goto(&daemon.bench()).await;
    start(&browser).await;
    let mut pressed = 0;
    while wanted(&browser).await.0 != "done" {
        assert!(!browser.scrolls_sideways().await, "after {pressed} placements");
        // What to do next is on the screen without a finger on it, and so is the panel's next zone or the value.
        let in_sight = "const of = document.querySelector('#now .short').getBoundingClientRect(); \
                        return of.top >= 0 && of.bottom <= innerHeight";
        assert_eq!(browser.script(in_sight).await, true, "after {pressed} placements");
        browser.window_picture(&format!("phone-{pressed:02}")).await;
        press_where_the_page_says(&browser, &button, 92.4).await.unwrap();
        pressed += 1;
    }
    assert_eq!(pressed, WHOLE);
    browser.window_picture("phone-done").await;
    assert_eq!(browser.barriers().await, Vec::<String>::new());
    assert_eq!(browser.complaints().await, Vec::<String>::new());
    browser.close().await;
}

#[tokio::test]
async fn the_keyboard_alone_leads_from_the_first_page_to_the_end_of_a_run() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (study, button) = Study::on_a_line();
    let daemon = study.serve(NO_PORT);
    browser.goto(&daemon.url).await;
    browser.until("the start form is there", "document.querySelector('#start-run')").await;
    // First comes the way past the head of the page.
    browser.key("Tab").await;
    assert_eq!(focus(&browser).await, "skip");
    tab_to(&browser, "operator").await;
    browser.window_picture("keyboard-operator").await;
    browser.key("Tab").await;
    assert_eq!(focus(&browser).await, "temperature", "the next field is the next stop");
    browser.type_text("21,5").await;
    tab_to(&browser, "start-run").await;
    browser.window_picture("keyboard-start").await;
    browser.key("Enter").await;
    browser
        .until(
            "the run has begun",
            "document.querySelector('#now .call') && document.querySelector('.line-up')",
        )
        .await;
    press_until(&browser, &button, "B1").await;
    // Buttons that have gone away must not leave the focus nowhere: one of them is pressed, and one key later it is
    // pressed again.
    tab_to(&browser, "word-pause").await;
    browser.window_picture("keyboard-pause").await;
    browser.key("Enter").await;
    browser.until("it is paused", "document.querySelector('#now [data-kind=paused]')").await;
    look(&browser, "paused", &[]).await;
    tab_to(&browser, "word-resume").await;
    browser.key("Enter").await;
    browser.until("it goes on", "document.querySelector('#now [data-kind=zone]')").await;
    // A sheet opens by its key, is filled in, and closes; Escape closes one and goes back to its button.
    browser.script("document.activeElement.blur()").await;
    browser.key("s").await;
    browser.until("the sheet is open", "document.querySelector('#ask-skip[open]')").await;
    assert_eq!(focus(&browser).await, "skip-reason");
    browser.key("Escape").await;
    browser.until("the sheet is closed", "!document.querySelector('#ask-skip[open]')").await;
    assert_eq!(focus(&browser).await, "SUMMARY");
    browser.key("Enter").await;
    browser.until("the sheet is open", "document.querySelector('#ask-skip[open]')").await;
    browser.key("Tab").await;
    assert_eq!(focus(&browser).await, "skip-reason");
    browser.type_text("scratched").await;
    browser.key("Enter").await;
    browser.until("the zone is left out", "document.querySelector('#now .short').textContent !== 'B1'").await;
    press_until(&browser, &button, "Done").await;
    browser.until("the tables are there", "document.querySelector('#tables a')").await;
    let recording = std::fs::read_to_string(&recordings(&study.path())[0]).unwrap();
    assert!(recording.contains("temperature 21.5") && recording.contains("scratched"), "{recording}");
    assert_eq!(browser.complaints().await, Vec::<String>::new());
    browser.close().await;
}

/// Id of the element that has the focus; its class or name where it has none.
async fn focus(browser: &Browser) -> String {
    let script = "const of = document.activeElement; return of.id || of.className || of.tagName";
    browser.script(script).await.as_str().unwrap().to_owned()
}

/// Goes from stop to stop; each must be seen to have the focus, and none may hold it.
async fn tab_to(browser: &Browser, id: &str) {
    let ring = "const of = document.activeElement; const style = getComputedStyle(of); \
                return of === document.body || style.outlineStyle !== 'none' || style.boxShadow !== 'none'";
    for _ in 0..80 {
        if focus(browser).await == id {
            return;
        }
        browser.key("Tab").await;
        assert_eq!(browser.script(ring).await, true, "{} does not show its focus", focus(browser).await);
    }
    panic!("Tab never comes to {id}");
}

#[tokio::test]
async fn the_pages_beside_the_bench_are_as_fit_to_be_looked_at() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let study = Study::simulated(20);
    let daemon = study.serve(NO_PORT);
    browser.goto(&format!("{}runs", daemon.bench())).await;
    look(&browser, "runs-none", &[]).await;
    browser.goto(&format!("{}tile", daemon.bench())).await;
    look(&browser, "tile-none", &[]).await;
    for n in 1..=3 {
        browser.goto(&daemon.bench()).await;
        click(&browser, "#start-run").await;
        browser
            .until("the run is done", &format!("document.querySelector('#tables a[href$=\"-0{n}.rec\"]')"))
            .await;
    }
    click(&browser, "nav a[href$=runs]").await;
    browser
        .until("the list of runs is there", "document.querySelectorAll('main a[href*=\"-03\"]').length")
        .await;
    look(&browser, "runs", &[]).await;
    click(&browser, "main a[href*=\"-03\"]").await;
    browser.until("the run's page is there", "document.body.innerText.includes('75.9')").await;
    look(&browser, "run", &[]).await;
    click(&browser, "nav a[href$=tile]").await;
    browser
        .until("the tile's history is drawn", "document.querySelector('main svg[role=img], main svg')")
        .await;
    look(&browser, "tile", &[]).await;
    browser.goto(&format!("{}runs/none", daemon.bench())).await;
    look(&browser, "not-there", &["404 (Not Found)"]).await;
    browser.close().await;
}

#[tokio::test]
async fn on_a_network_a_browser_pairs_first_and_a_viewer_looks_but_does_not_act() {
    let Some(browser) = Browser::open(PHONE).await else { return };
    let (study, button) = Study::on_a_line();
    let mut daemon = Daemon::start(&[&study.path()], &["--listen", "0.0.0.0:0", "--lan"]);
    let mut code = |says: &str| loop {
        let line = daemon.running.line().expect("the codes are shown");
        if let Some(code) = line.trim().strip_suffix(says) {
            return code.trim().to_owned();
        }
    };
    let (act, see) = (code("to lead a run and to look"), code("to look only"));
    browser.goto(&daemon.url).await;
    look(&browser, "strange", &[PLAIN, "403", "401"]).await;
    browser.goto(&format!("{}pair", daemon.url)).await;
    look(&browser, "pair", &[PLAIN]).await;
    pair(&browser, "0000-0000").await;
    browser.until("the code is wrong", "document.querySelector('[role=alert]')").await;
    look(&browser, "pair-wrong", &[PLAIN, "403"]).await;
    pair(&browser, &see).await;
    browser.until("the viewer sees the bench", "document.querySelector('#panel, #start')").await;
    look(&browser, "viewer", &[PLAIN]).await;
    if browser.script("return Boolean(document.querySelector('#start-run'))").await == true {
        click(&browser, "#start-run").await;
        browser.until("it is answered", "!document.querySelector('#answer').hidden").await;
        let answer = text(&browser, "#answer").await;
        assert!(answer.contains("look") && !answer.contains("{"), "{answer}");
        look(&browser, "viewer-refused", &[PLAIN, "403"]).await;
    }
    assert!(recordings(&study.path()).is_empty(), "a viewer started a run");
    browser.goto(&format!("{}pair", daemon.url)).await;
    pair(&browser, &act).await;
    browser.until("the operator sees the bench", "document.querySelector('#start-run')").await;
    start(&browser).await;
    press_until(&browser, &button, "A1").await;
    assert_eq!(recordings(&study.path()).len(), 1);
    look(&browser, "operator-on-a-network", &[PLAIN]).await;
    browser.close().await;
}

async fn pair(browser: &Browser, code: &str) {
    browser.script("const of = document.querySelector('#code'); of.value = ''; of.focus()").await;
    browser.type_text(code).await;
    browser.key("Enter").await;
}

#[tokio::test]
async fn a_port_that_is_not_there_an_adjustment_a_stop_and_a_run_given_up_are_each_said_in_words() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (study, button) = Study::on_a_line();
    let daemon = study.serve(NO_PORT);
    button.unplug();
    browser.goto(&daemon.bench()).await;
    click(&browser, "#start-run").await;
    browser.until("it did not work", "document.querySelector('#before .broken')").await;
    browser
        .until(
            "it is said once",
            "document.querySelector('#answer').hidden && document.querySelector('#answer').textContent",
        )
        .await;
    let says = text(&browser, "#before").await;
    assert!(says.contains("no port") && says.contains("What to do"), "{says}");
    look(&browser, "stuck", &["422 (Unprocessable"]).await;
    button.plug_in();
    start(&browser).await;
    press_until(&browser, &button, "B1").await;

    // The meter is adjusted: a check before and one after it.
    browser.key("m").await;
    browser.until("the as-found check is wanted", "document.querySelector('#now [data-kind=tile]')").await;
    look(&browser, "as-found", &[]).await;
    press_until(&browser, &button, "Adjust").await;
    look(&browser, "adjusting", &[]).await;
    browser.key("d").await;
    browser.until("the as-left check is wanted", "document.querySelector('#now [data-kind=tile]')").await;
    press_until(&browser, &button, "B1").await;

    // Stopped for now, and taken up again.
    browser.key("q").await;
    browser.until("the sheet is open", "document.querySelector('#ask-abandon[open]')").await;
    look(&browser, "abandon-sheet", &[]).await;
    click(&browser, "#ask-abandon button.quiet").await;
    browser.until("the run can be taken up", "document.querySelector('#take-up')").await;
    browser.until("its words are gone", "!document.querySelector('#actions').firstElementChild").await;
    assert_eq!(wanted(&browser).await.0, "stopped", "nothing is wanted of anybody");
    assert_eq!(browser.script("return document.querySelectorAll('#panel [data-mark=next]').length").await, 0);
    look(&browser, "stopped", &[]).await;
    click(&browser, "#take-up").await;
    browser
        .until(
            "the run goes on",
            "document.querySelector('#actions #ask-abandon') && document.querySelector('.line-up')",
        )
        .await;

    browser.key("q").await;
    browser.until("the sheet is open", "document.querySelector('#ask-abandon[open]')").await;
    browser.script("document.querySelector('#abandon-reason').focus()").await;
    browser.type_text("rain through the roof").await;
    browser.key("Enter").await;
    browser
        .until(
            "the run is given up",
            "document.querySelector('#now [data-kind=given-up]') && document.querySelector('#start-run')",
        )
        .await;
    look(&browser, "given-up", &[]).await;
    let recording = std::fs::read_to_string(&recordings(&study.path())[0]).unwrap();
    assert!(recording.contains("rain through the roof"), "{recording}");
    for row in rows(&study.path().join("results/results.csv")) {
        assert_eq!(row["status"], "not-proven");
    }
    browser.close().await;
}

#[tokio::test]
async fn each_reading_is_told_to_a_screen_reader_and_heard_and_sounds_can_be_muted_for_good() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (study, button) = Study::on_a_line();
    let daemon = study.serve(NO_PORT);
    let listen = "window.tones = 0; window.OscillatorNode = class extends OscillatorNode { start(at) { window.tones += 1; super.start(at); } }";
    browser.devtools("Page.addScriptToEvaluateOnNewDocument", serde_json::json!({ "source": listen })).await;
    browser.goto(&daemon.bench()).await;
    // A browser makes no sound before something was pressed.
    browser.key("Escape").await;
    browser
        .until("sounds may be made", "document.querySelector('#switch-sound').textContent === 'Sounds on'")
        .await;
    start(&browser).await;
    press_until(&browser, &button, "A1").await;
    let live = browser.script("return document.querySelector('#live').textContent").await;
    assert!(live.as_str().unwrap().contains("C1: 71.2 GU"), "{live}");
    let tones = browser.script("return window.tones").await.as_u64().unwrap();
    assert!(tones >= 3, "{tones} tones for three readings");
    browser.client.find(Locator::Id("switch-sound")).await.unwrap().click().await.unwrap();
    press_until(&browser, &button, "A2").await;
    assert_eq!(browser.script("return window.tones").await, tones);
    // It is remembered.
    browser.goto(&daemon.bench()).await;
    browser.key("Escape").await;
    browser
        .until("sounds are off", "document.querySelector('#switch-sound').textContent === 'Sounds off'")
        .await;
    press_until(&browser, &button, "Done").await;
    assert_eq!(browser.script("return window.tones").await, 0);
    browser.close().await;
}

#[tokio::test]
async fn a_tab_that_slept_says_so_and_catches_up_with_what_it_missed() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (study, button) = Study::on_a_line();
    let daemon = study.serve(NO_PORT);
    browser.goto(&daemon.bench()).await;
    start(&browser).await;
    press_until(&browser, &button, "A1").await;
    let missed = placement(&browser).await + 1;
    // The network is not back yet when the tablet wakes up; the page sees by its clock that it slept.
    browser
        .script(
            "window.Real = EventSource; window.slept = 0;
             const now = performance.now.bind(performance);
             performance.now = () => now() + window.slept;
             window.EventSource = class extends EventTarget { static CLOSED = 2; close() {} };
             window.slept += 60000;",
        )
        .await;
    browser.until("it was asleep", "document.body.dataset.contact === 'asleep'").await;
    button.press(75.2);
    assert!(text(&browser, "#contact-asleep").await.contains("asleep"));
    assert!(!is_shown(&browser, "contact-daemon").await, "the daemon is not said to be gone");
    look(&browser, "asleep", &[]).await;
    browser.script("window.EventSource = window.Real; window.slept += 60000").await;
    browser.until("it has caught up", "document.body.dataset.contact === 'live'").await;
    assert!(!is_shown(&browser, "contact-asleep").await);
    assert_eq!(placement(&browser).await, missed);
    assert_eq!(text(&browser, "#value .number").await, "75.2");
    press_until(&browser, &button, "Done").await;
    browser.until("the tables are there", "document.querySelector('#tables a')").await;
    browser.close().await;
}

#[tokio::test]
async fn a_run_over_two_panels_says_which_of_them_is_meant() {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (study, button) = Study::on_a_line();
    study.add_panel("P2");
    let daemon = study.serve(NO_PORT);
    browser.goto(&daemon.bench()).await;
    start(&browser).await;
    assert_eq!(browser.script("return document.querySelectorAll('#panel figure').length").await, 2);
    let mut panels = Vec::new();
    while wanted(&browser).await.0 != "done" {
        if wanted(&browser).await.0 == "zone" {
            let panel = text(&browser, "#now .lead b").await;
            let marked = browser
                .script(
                    "return document.querySelector('#panel [data-mark=next]').closest('figure').innerText",
                )
                .await;
            assert!(marked.as_str().unwrap().contains(&panel), "{panel} is named, and {marked} marked");
            if panels.last() != Some(&panel) {
                panels.push(panel);
                look(&browser, &format!("two-panels-{}", panels.len()), &[]).await;
            }
        }
        press_where_the_page_says(&browser, &button, 92.4).await.unwrap();
    }
    assert_eq!(panels, ["P1", "P2"], "one panel after the other");
    browser.until("the tables are there", "document.querySelector('#tables a')").await;
    look(&browser, "two-panels-done", &[]).await;
    let results = rows(&study.path().join("results/results.csv"));
    assert_eq!(results.len(), 4);
    assert!(results.iter().all(|row| row["status"] == "proven"));
    browser.close().await;
}
