//! The description of the HTTP interface against what the daemon does, and the page against the description.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;
#[path = "common/web.rs"]
mod web;

use halfpanel::bench::routes;
use process::STUDY;
use process::SURFACES;
use serde_json::Value;
use serde_json::json;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use web::Daemon;
use web::Events;
use web::Reply;
use web::request;

const PAGE: &str = include_str!("../protocol-notes/http.md");

fn description() -> Value {
    serde_json::to_value(routes::description()).unwrap()
}

/// Every operation of the description: method, path, and what is said of it.
fn operations(description: &Value) -> Vec<(String, String, Value)> {
    let paths = description["paths"].as_object().unwrap();
    let of = |(path, item): (&String, &Value)| {
        let methods = item.as_object().unwrap().clone();
        let path = path.clone();
        methods
            .into_iter()
            .map(move |(method, what)| (method.to_uppercase(), path.clone(), what))
            .collect::<Vec<_>>()
    };
    paths.iter().flat_map(of).collect()
}

/// Words in backticks that begin the rows of the table under a heading.
fn first_cells(heading: &str) -> BTreeSet<String> {
    let part = PAGE.split(&format!("## {heading}\n")).nth(1).unwrap().split("\n## ").next().unwrap();
    let rows = part.lines().filter_map(|line| line.strip_prefix("| `"));
    rows.map(|row| row.split('`').next().unwrap().to_owned()).collect()
}

#[test]
fn the_page_names_every_path_of_the_description_and_no_other() {
    let described: BTreeSet<String> =
        operations(&description()).into_iter().map(|(method, path, _)| format!("{method} {path}")).collect();
    assert_eq!(first_cells("Paths"), described);
}

#[test]
fn the_page_names_every_short_name_of_a_problem() {
    let on_the_page = first_cells("What is not done");
    let schema = &description()["components"]["schemas"]["Code"];
    let named: Vec<&str> =
        schema["enum"].as_array().unwrap().iter().map(|name| name.as_str().unwrap()).collect();
    assert!(named.len() > 5, "{schema}");
    let gate =
        fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/bench/gate/refusal.rs")).unwrap();
    let of_the_gate = |name: &str| gate.contains(&format!("=> \"{name}\""));
    for name in &named {
        assert!(on_the_page.contains(*name), "{name}");
    }
    for name in on_the_page {
        assert!(named.contains(&name.as_str()) || of_the_gate(&name), "nothing is called {name}");
    }
}

#[test]
fn the_page_names_every_field_of_an_order() {
    let description = description();
    let part = PAGE.split("## Orders\n").nth(1).unwrap().split("\n## ").next().unwrap();
    let notes = PAGE.split("## Notes of the panels\n").nth(1).unwrap().split("\n## ").next().unwrap();
    for schema in ["Washing", "Looking", "TakingBack"] {
        for field in description["components"]["schemas"][schema]["properties"].as_object().unwrap().keys() {
            assert!(notes.contains(&format!("`{field}`")), "{schema}: {field}");
        }
    }
    for schema in ["Starting", "Saying", "Versioned"] {
        for field in description["components"]["schemas"][schema]["properties"].as_object().unwrap().keys() {
            assert!(part.contains(&format!("`{field}`")), "{schema}: {field}");
        }
    }
}

#[test]
fn no_route_stands_without_its_description() {
    let bench = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/bench");
    for file in fs::read_dir(bench).unwrap().map(Result::unwrap).filter(|file| file.path().is_file()) {
        let text = fs::read_to_string(file.path()).unwrap();
        assert!(!text.contains(".route("), "{}: routes come by `routes!`", file.path().display());
    }
}

/// A daemon with one run behind it, and the run's id.
fn daemon_with_a_run(folder: &Path) -> (Daemon, String) {
    let study = folder.join("harbour");
    fs::create_dir(&study).unwrap();
    fs::write(study.join("study.toml"), STUDY).unwrap();
    let meter =
        format!("seed = 1\ntime_factor = 500\n[layout]\nline = \"{{geometry}}\\t{{gloss}}\"\n{SURFACES}");
    fs::write(study.join("meter.toml"), meter).unwrap();
    let daemon = Daemon::serve(&[&study]);
    let mut events = Events::follow(&daemon, "harbour");
    daemon.begin("harbour");
    events.until_over();
    let run = daemon.get("/s/harbour/runs").json()[0]["run"].as_str().unwrap().to_owned();
    (daemon, run)
}

/// Asks, and holds the answer to what is described for its status.
fn ask(daemon: &Daemon, method: &str, path: &str, accept: &str, body: &Value, described: &Value) -> Reply {
    let takes_json = described["requestBody"]["content"]["application/json"].is_object();
    let (kind, body) = match takes_json {
        true => ("application/json", serde_json::to_vec(body).unwrap()),
        false => ("application/x-www-form-urlencoded", b"version=1".to_vec()),
    };
    let headers = [("Accept", accept), ("Content-Type", kind)];
    let reply = request(&daemon.at, method, path, &headers, &body);
    let answer = &described["responses"][reply.status.to_string()];
    assert!(answer.is_object(), "{method} {path}: {} is not described: {}", reply.status, reply.text());
    let kind = reply.header("content-type").unwrap_or_default().replace("; charset=utf-8", "");
    let kinds = answer["content"].as_object().cloned().unwrap_or_default();
    let is_described = kinds.keys().any(|known| kind.starts_with(&known.replace("; charset=utf-8", "")));
    // Whatever goes wrong is a page for whoever wants one.
    let is_page = kind == "text/html" && accept == "text/html" && reply.status >= 400;
    assert!(
        is_described || is_page || kinds.is_empty(),
        "{method} {path}: {kind} is not described: {answer}"
    );
    reply
}

#[test]
fn every_described_path_answers_as_it_is_described() {
    let folder = tempfile::tempdir().unwrap();
    let (daemon, run) = daemon_with_a_run(folder.path());
    let served = daemon.get("/openapi.json").json();
    assert_eq!(served, description());
    let page = daemon.get_page("/s/harbour/");
    let asset = page.text().split("/assets/").nth(1).unwrap().split('"').next().unwrap();
    for (method, path, described) in operations(&served) {
        let file = if path.contains("recordings") { format!("{run}.rec") } else { "results.csv".to_owned() };
        let there = path.replace("{run}", &run).replace("{file}", &file).replace("{name}", asset);
        for accept in ["text/html", "application/json"] {
            // A stream of events has no end to wait for; how it goes is held elsewhere.
            if !path.ends_with("/events") {
                // Each was meant for a state that is gone.
                let body = match path.rsplit('/').next().unwrap() {
                    "word" => json!({ "version": 1, "word": "undo" }),
                    "wash" => json!({ "seen": 7, "panel": ["P1"] }),
                    "look" => json!({ "seen": 7, "panel": "P1", "treatment": "T1", "treated_class": 1 }),
                    "take-back" => json!({ "seen": 7, "row": 7 }),
                    _ => json!({ "version": 1 }),
                };
                let reply =
                    ask(&daemon, &method, &there.replace("{slug}", "harbour"), accept, &body, &described);
                // On loopback nobody pairs.
                let good = if method == "GET" { &[200, 303][..] } else { &[303, 409][..] };
                assert!(good.contains(&reply.status), "{method} {there}: {} {}", reply.status, reply.text());
            }
            if path.contains('{') {
                let nowhere = there.replace("{slug}", "nowhere").replace(asset, "nothing");
                let reply = ask(&daemon, &method, &nowhere, accept, &json!({ "version": 1 }), &described);
                assert_eq!(reply.status, 404, "{method} {nowhere}");
            }
        }
    }
}

#[test]
fn what_no_order_looks_like_is_refused_in_words_and_as_described() {
    let folder = tempfile::tempdir().unwrap();
    let (daemon, _) = daemon_with_a_run(folder.path());
    let served = description();
    for order in ["start", "take-up", "word", "stop"] {
        let described = &served["paths"][format!("/s/{{slug}}/{order}")]["post"];
        let path = format!("/s/harbour/{order}");
        for body in [
            json!(null),
            json!([]),
            json!({}),
            json!({ "version": "one" }),
            json!({ "version": -1 }),
            json!({ "version": 1.5 }),
            json!({ "version": 1, "word": ["undo"], "panel": 7 }),
            json!({ "version": 1, "unheard-of": true }),
        ] {
            let reply = ask(&daemon, "POST", &path, "application/json", &body, described);
            assert_eq!((reply.status, &reply.json()["code"]), (422, &json!("bad-input")), "{order} {body}");
        }
        for (kind, body, status) in [
            ("text/plain", &b"undo"[..], 415),
            ("application/x-www-form-urlencoded", b"\xff\xfe=%zz&&&", 422),
            ("application/json", b"{\"version\":", 422),
            ("application/json", &[b'['; 60_000], 422),
            ("application/json", &[b' '; 70_000], 413),
        ] {
            let reply = request(&daemon.at, "POST", &path, &[("Content-Type", kind)], body);
            assert_eq!(
                (reply.status, &reply.json()["code"]),
                (status, &json!("bad-input")),
                "{order} {kind}"
            );
        }
    }
    assert_eq!(daemon.study("harbour")["phase"], "idle");
}
