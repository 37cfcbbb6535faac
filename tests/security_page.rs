//! `protocol-notes/security.md` against the program: its figures against the constants, its headers and its tables of
//! `Host` and `Origin` against a daemon that is asked.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;
#[path = "common/raw_http.rs"]
mod raw_http;

use halfpanel::bench::gate::Limits;
use halfpanel::bench::gate::pairing;
use halfpanel::bench::gate::sealed;
use halfpanel::bench::gate::tries;
use process::STUDY;
use raw_http::Answer;
use raw_http::Daemon;
use std::collections::BTreeMap;
use std::collections::BTreeSet;
use tempfile::TempDir;

const PAGE: &str = include_str!("../protocol-notes/security.md");

/// The part of the page under a heading.
fn part(heading: &str) -> &'static str {
    let part = PAGE.split(&format!("\n## {heading}\n")).nth(1).unwrap_or_else(|| panic!("no part {heading}"));
    part.split("\n## ").next().unwrap()
}

/// Rows of the table of a part, without its head.
fn rows(heading: &str) -> Vec<Vec<&'static str>> {
    let lines = part(heading).lines().filter_map(|line| line.strip_prefix("| ")?.strip_suffix(" |"));
    lines.skip(2).map(|line| line.split(" | ").collect()).collect()
}

/// Lines of the first block of code of a part.
fn block(heading: &str) -> Vec<&'static str> {
    let block = part(heading).split("```\n").nth(1).unwrap();
    block.lines().collect()
}

fn served() -> (TempDir, Daemon) {
    served_with(&[])
}

fn served_with(more: &[&str]) -> (TempDir, Daemon) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("study.toml"), STUDY).unwrap();
    let daemon = Daemon::serve(folder.path(), more);
    (folder, daemon)
}

#[test]
fn the_bounds_on_the_page_are_those_of_the_daemon() {
    // Taken apart whole, so that a new bound has to be written down.
    let Limits {
        connections,
        connections_kept,
        connections_per_guest,
        head_bytes,
        headers,
        head_wait,
        body_bytes,
        body_wait,
        write_stall,
        send_buffer_bytes,
        farewell,
    } = Limits::default();
    let seconds = |wait: std::time::Duration| format!("{} s", wait.as_secs_f64());
    let expected = [
        connections.to_string(),
        connections_kept.to_string(),
        connections_per_guest.to_string(),
        format!("{head_bytes} bytes"),
        headers.to_string(),
        seconds(head_wait),
        format!("{body_bytes} bytes"),
        seconds(body_wait),
        seconds(write_stall),
        format!("{send_buffer_bytes} bytes"),
        seconds(farewell),
    ];
    let told: Vec<&str> = rows("Bounds").into_iter().map(|row| row[1]).collect();
    assert_eq!(told, expected);
    let http = include_str!("../protocol-notes/http.md");
    assert!(http.contains(&format!("at most {} KiB", body_bytes / 1024)), "http.md names the body's bound");
    assert!(http.contains(&format!("does not read for {}", seconds(write_stall))), "and how long one waits");
}

#[test]
fn the_figures_of_pairing_on_the_page_are_those_of_the_daemon() {
    let told: BTreeMap<&str, &str> = rows("Pairing").into_iter().map(|row| (row[0], row[1])).collect();
    let code = pairing::Code::new([255; 5]);
    let cookie = pairing::Token::new([255; 32]).hex();
    let expected = BTreeMap::from([
        ("characters of a code, each one of 32", code.plain().len().to_string()),
        ("bits of a code", (5 * code.plain().len()).to_string()),
        ("bits of a cookie", (4 * cookie.len()).to_string()),
        ("how long a pairing lasts", format!("{} h", pairing::LASTS_US / 3_600_000_000)),
        ("browsers paired at a time, in each role", pairing::MOST.to_string()),
        ("wrong codes from one address before it has to wait", tries::FROM_ONE.to_string()),
        ("wrong codes from all addresses before everybody has to wait", tries::FROM_ALL.to_string()),
        ("then one more try", format!("every {} s", tries::AGAIN_US / 1_000_000)),
    ]);
    assert_eq!(told, expected.iter().map(|(key, value)| (*key, value.as_str())).collect());
    // 100 at once and one a minute; two codes of forty bits.
    let tries = tries::FROM_ALL + 24 * 3_600_000_000 / tries::AGAIN_US;
    let page = part("Pairing").replace('\n', " ");
    let chance = (1_u64 << 40) as f64 / (2 * tries) as f64 / 1e6;
    assert!(
        page.contains(&format!("{},{:03} tries in the first day", tries / 1000, tries % 1000)),
        "{tries}"
    );
    assert!((chance - 350.0).abs() < 10.0 && page.contains("one chance in 350 million"), "{chance} million");
}

#[test]
fn the_cookie_on_the_page_is_the_one_that_is_given() {
    let (_folder, mut daemon) = served_with(&["--lan"]);
    let line = daemon.says("to lead a run");
    let code = line.split_whitespace().next().unwrap();
    let form = "application/x-www-form-urlencoded";
    let given = daemon.post("/pair", form, &format!("code={code}"), "");
    let given = given.head.iter().find(|line| line.to_ascii_lowercase().starts_with("set-cookie: ")).unwrap();
    let (name, rest) = given.split_once('=').unwrap();
    let (token, attributes) = rest.split_once(';').unwrap();
    assert!(token.len() == 64 && name.ends_with(&format!("-{}", daemon.at.port())), "{given}");
    let told = block("Pairing")[0].split_once("TOKEN;").unwrap();
    assert_eq!(told, ("Set-Cookie: halfpanel-PORT=", attributes));
}

/// Headers that say what an answer is, and not what may be done with it.
const OF_THE_ANSWER: [&str; 7] =
    ["content-type", "content-length", "transfer-encoding", "date", "location", "allow", "connection"];

fn sealed_by(answer: &Answer) -> BTreeSet<(String, String)> {
    let headers = answer.head.iter().skip(1).filter_map(|line| line.split_once(": "));
    let headers = headers.map(|(name, value)| (name.to_ascii_lowercase(), value.to_owned()));
    headers.filter(|(name, _)| !OF_THE_ANSWER.contains(&name.as_str())).collect()
}

#[test]
fn every_answer_carries_the_headers_on_the_page_and_no_other() {
    let split =
        |line: &str| line.split_once(": ").map(|(name, value)| (name.to_ascii_lowercase(), value.to_owned()));
    let told: BTreeSet<(String, String)> = block("Headers").into_iter().filter_map(split).collect();
    let in_code: BTreeSet<(String, String)> =
        sealed::ALWAYS.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect();
    assert_eq!(told, in_code);
    let (_folder, daemon) = served();
    let page = daemon.get("/s/none/../", "").status;
    assert_eq!(page, 400);
    let bench = daemon.get("/", "").header("location").unwrap().to_owned();
    let style = daemon.get(&bench, "Accept: text/html\r\n").body;
    let style = style.split("/assets/").nth(1).unwrap().split('"').next().unwrap().to_owned();
    let kept = "public, max-age=31536000, immutable";
    for (path, cache) in [
        ("/", "no-store"),
        (bench.as_str(), "no-store"),
        ("/health", "no-store"),
        ("/nothing", "no-store"),
        ("/a%00b", "no-store"),
        (&format!("/assets/{style}"), kept),
        ("/assets/tile-charts.css", "no-cache"),
    ] {
        let mut expected = told.clone();
        expected.insert(("cache-control".to_owned(), cache.to_owned()));
        assert_eq!(sealed_by(&daemon.get(path, "")), expected, "{path}");
    }
    for cache in ["`no-store`", "`no-cache`", &format!("`{kept}`")] {
        assert!(part("Headers").contains(cache), "{cache}");
    }
}

#[test]
fn every_host_of_the_page_is_answered_as_it_says() {
    let (_folder, daemon) = served();
    let told = rows("Host");
    assert!(told.len() >= 12, "{told:?}");
    for row in told {
        let (host, status) = (row[0].trim_matches('`'), row[1]);
        let asked = format!("GET /health HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n");
        assert_eq!(daemon.ask(&asked).status.to_string(), status, "{host}");
    }
    let at = daemon.at;
    for bad in [
        String::new(),
        "Host: \r\n".to_owned(),
        format!("Host: {at}\r\nHost: {at}\r\n"),
        format!("Host: {at}\r\nhOST: rebound.example\r\n"),
    ] {
        let asked = format!("GET /health HTTP/1.1\r\n{bad}Connection: close\r\n\r\n");
        assert_eq!(daemon.ask(&asked).status, 400, "{bad}");
    }
    for whole in [format!("http://{at}/health"), format!("//{at}@rebound.example/"), "*".to_owned()] {
        let asked = format!("GET {whole} HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n\r\n");
        let status = daemon.ask(&asked).status;
        assert!(status == 400 || status == 404, "{whole}: {status}");
    }
    let old = daemon.ask("GET /health HTTP/1.0\r\n\r\n");
    assert_eq!(old.status, 400, "an old program that names no host");
}

#[test]
fn every_origin_of_the_page_is_answered_as_it_says() {
    let (_folder, daemon) = served();
    let at = daemon.at;
    let bench = daemon.get("/", "").header("location").unwrap().to_owned();
    let told = rows("Origin");
    assert!(told.len() >= 10, "{told:?}");
    for row in told {
        let brings = row[0]
            .split("`, `")
            .map(|header| header.trim_matches('`'))
            .filter(|header| header.contains(": "));
        let brings: String =
            brings.map(|header| format!("{}\r\n", header.replace("HOST", &at.to_string()))).collect();
        let body = "{\"version\":0}";
        let look = format!("GET {bench}runs HTTP/1.1\r\nHost: {at}\r\n{brings}Connection: close\r\n\r\n");
        let order = format!(
            "POST {bench}stop HTTP/1.1\r\nHost: {at}\r\n{brings}Content-Type: application/json\r\n\
             Content-Length: {}\r\nConnection: close\r\n\r\n{body}",
            body.len()
        );
        // An order that is let through is one for a state that is long past.
        for (asked, answer, let_through) in [(look, row[1], 200), (order, row[2], 409)] {
            let status = daemon.ask(&asked).status;
            let expected = if answer == "let through" { let_through } else { 403 };
            assert!(["let through", "refused"].contains(&answer), "{answer}");
            assert_eq!(status, expected, "{asked}");
        }
    }
}
