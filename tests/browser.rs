//! The bench page in a real browser.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common {
    pub mod browser;
}

use common::browser::Browser;
use common::browser::TABLET;

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
