//! The bench page in each state that it can show, told as stories. What must be true of every one is held here; to be
//! looked at, each is written to `target/page-states/`, with style, script and mark beside it.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;
#[path = "page_states/markup.rs"]
mod markup;
#[path = "page_states/states.rs"]
mod states;

use common::Bench;
use halfpanel::bench::page;
use halfpanel::run::setup::Setup;
use halfpanel::session::station::Phase;
use halfpanel::view::RunView;
use markup::Tag;
use markup::named;
use markup::tags;
use markup::text_of;
use states::State;
use states::boatyard;
use states::facts;
use states::running;
use states::states;
use states::two_panels_setup;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

fn rendered() -> Vec<(State, String)> {
    let draw = |state: State| {
        let page = page::bench(&state.snapshot, &state.facts);
        (state, page)
    };
    states().into_iter().map(draw).collect()
}

#[test]
fn every_state_is_written_to_be_looked_at() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap().join("page-states");
    fs::create_dir_all(folder.join("assets")).unwrap();
    for (state, page) in rendered() {
        for tag in tags(&page) {
            let Some(to) = tag.get("href").or(tag.get("src")).and_then(|to| to.strip_prefix("/assets/"))
            else {
                continue;
            };
            let name = to.split('?').next().unwrap();
            let (_, bytes) = page::asset(name).unwrap_or_else(|| panic!("no asset {name}"));
            fs::write(folder.join("assets").join(name), bytes).unwrap();
        }
        let page = page.replace("/assets/", "assets/");
        fs::write(folder.join(format!("{}-unheard.html", state.name)), &page).unwrap();
        // Without a daemon to follow.
        fs::write(folder.join(format!("{}.html", state.name)), page.replace(" data-live", "")).unwrap();
    }
}

/// Zones as they are drawn: label and the four figures of the ground's rectangle.
fn drawn(page: &str) -> Vec<(String, [f64; 4])> {
    let mut zone = String::new();
    let mut found = Vec::new();
    for tag in tags(page) {
        if let Some(label) = tag.get("data-zone") {
            zone = label.to_owned();
        }
        if tag.name == "rect" && tag.get("class") == Some("ground") {
            found.push((
                zone.clone(),
                ["x", "y", "width", "height"].map(|edge| tag.get(edge).unwrap().parse().unwrap()),
            ));
        }
    }
    found
}

#[test]
fn every_zone_is_drawn_where_the_study_says() {
    for setup in [boatyard(), two_panels_setup()] {
        let bench = Bench::new(setup.clone());
        let state = running("", &bench);
        let mut drawn = drawn(&page::bench(&state.snapshot, &state.facts));
        let mut meant: Vec<(String, [f64; 4])> = (0..setup.zones.len())
            .map(|at| {
                let zone = &setup.zones[at];
                (setup.zone_label(at), [zone.x_mm, zone.y_mm, zone.width_mm, zone.height_mm])
            })
            .collect();
        drawn.sort_by(|a, b| a.0.cmp(&b.0));
        meant.sort_by(|a, b| a.0.cmp(&b.0));
        assert_eq!(drawn.len(), meant.len());
        for ((name, edges), (meant_name, meant_edges)) in drawn.iter().zip(&meant) {
            assert_eq!(name, meant_name);
            let is_near = edges.iter().zip(meant_edges).all(|(a, b)| (a - b).abs() < 0.006);
            assert!(is_near, "{name}: {edges:?} and not {meant_edges:?}");
        }
    }
}

#[test]
fn a_panel_is_drawn_to_its_own_size() {
    let bench = Bench::new(two_panels_setup());
    let state = running("", &bench);
    let page = page::bench(&state.snapshot, &state.facts);
    let boards: Vec<(String, String)> = tags(&page)
        .iter()
        .filter(|tag| tag.get("class") == Some("board") && tag.get("rx").is_some())
        .map(|tag| (tag.get("width").unwrap().to_owned(), tag.get("height").unwrap().to_owned()))
        .collect();
    let text = |a: &str, b: &str| (a.to_owned(), b.to_owned());
    assert_eq!(boards, [text("300", "200"), text("120", "260")]);
}

#[test]
fn the_next_zone_is_marked_exactly_once_and_only_where_a_zone_is_wanted() {
    let wanted = [
        ("first-zone", "C1"),
        ("zones", "A3"),
        ("meter-lost", "A2"),
        ("void-and-left-out", "C4"),
        ("drifted", "C1"),
        ("two-panels", "P2 B2"),
        ("three-geometries", "C2"),
        ("many-readings", "C4"),
        ("long-names", "starboard-aft-4"),
    ];
    for (state, page) in rendered() {
        let marked: Vec<String> = tags(&page)
            .iter()
            .filter(|tag| tag.get("data-zone").is_some() && tag.get("data-mark") == Some("next"))
            .map(|tag| tag.get("data-zone").unwrap().to_owned())
            .collect();
        let meant: Vec<&str> =
            wanted.iter().filter(|(name, _)| *name == state.name).map(|(_, zone)| *zone).collect();
        assert_eq!(marked, meant, "{}", state.name);
    }
}

#[test]
fn a_lost_meter_and_each_kind_of_thing_to_do_have_a_sign_of_their_own() {
    let signs = [
        ("zones", "zone"),
        ("closing-check", "tile"),
        ("meter-lost", "lost"),
        ("adjusting", "adjust"),
        ("paused", "paused"),
        ("ended-proven", "done"),
        ("ended-abandoned", "given-up"),
    ];
    let all = rendered();
    let mut shapes = BTreeSet::new();
    for (name, kind) in signs {
        let (_, page) = all.iter().find(|(state, _)| state.name == name).unwrap();
        let tags = tags(page);
        let at = tags.iter().position(|tag| tag.get("data-kind").is_some()).unwrap();
        assert_eq!(tags[at].get("data-kind"), Some(kind), "{name}");
        let shape = tags[at..].iter().find(|tag| tag.name == "path").unwrap().get("d").unwrap();
        assert!(shapes.insert(shape.to_owned()), "{name} has the sign of another");
    }
}

#[test]
fn a_page_has_no_style_and_no_script_within_and_every_id_once() {
    for (state, page) in rendered() {
        let mut ids = BTreeSet::new();
        for tag in tags(&page) {
            assert!(tag.name != "style" && tag.get("style").is_none(), "{}: {tag:?}", state.name);
            let handler = tag.attributes.iter().find(|(name, _)| name.starts_with("on"));
            assert!(handler.is_none(), "{}: {tag:?}", state.name);
            assert!(tag.name != "script" || tag.get("src").is_some(), "{}: {tag:?}", state.name);
            let link = tag.get("href").or(tag.get("src")).or(tag.get("action")).unwrap_or("");
            assert!(!link.contains(':') && !link.starts_with("//"), "{}: {tag:?}", state.name);
            if let Some(id) = tag.get("id") {
                assert!(ids.insert(id.to_owned()), "{}: id {id} twice", state.name);
            }
        }
        let script = page.split("<script").nth(1).unwrap();
        assert!(script.split_once('>').unwrap().1.starts_with("</script>"), "{}", state.name);
    }
}

#[test]
fn every_button_link_and_field_has_a_name() {
    for (state, page) in rendered() {
        for (tag, text) in named(&page, &["button", "a", "summary", "h1", "h2", "h3", "legend", "label"]) {
            assert!(!text_of(text).is_empty(), "{}: nothing to read in {tag:?}", state.name);
        }
        let all = tags(&page);
        let labelled: BTreeSet<&str> =
            all.iter().filter(|tag| tag.name == "label").filter_map(|tag| tag.get("for")).collect();
        let is_field = |tag: &&Tag<'_>| {
            matches!(tag.name, "input" | "select" | "progress") && tag.get("type") != Some("hidden")
        };
        for field in all.iter().filter(is_field) {
            let id = field.get("id").unwrap_or_else(|| panic!("{}: no id on {field:?}", state.name));
            assert!(labelled.contains(id), "{}: no label for {id}", state.name);
        }
        for tag in all.iter().filter(|tag| matches!(tag.get("role"), Some("img" | "region" | "group"))) {
            assert!(tag.get("aria-label").is_some_and(|name| !name.is_empty()), "{}: {tag:?}", state.name);
        }
        let heads: BTreeSet<&str> = all.iter().filter_map(|tag| tag.get("id")).collect();
        for tag in all.iter().filter_map(|tag| tag.get("aria-labelledby")) {
            assert!(heads.contains(tag), "{}: nothing is called {tag}", state.name);
        }
    }
}

#[test]
fn every_key_means_one_thing() {
    for (state, page) in rendered() {
        let mut keys = BTreeSet::new();
        for key in tags(&page).iter().filter_map(|tag| tag.get("data-key")) {
            assert!(keys.insert(key.to_owned()), "{}: {key} twice", state.name);
        }
    }
}

#[test]
fn regions_are_the_page_and_the_same_for_every_version() {
    for (mut state, page) in rendered() {
        let regions = page::regions(&state.snapshot, &state.facts);
        for (id, html) in &regions {
            let filled = html.replace("name=\"version\" value=\"\"", "name=\"version\" value=\"4711\"");
            assert!(page.contains(&format!("id=\"{id}\">{filled}</div>")), "{}: {id}", state.name);
        }
        assert!(!page.contains("name=\"version\" value=\"\""), "{}", state.name);
        state.snapshot.version += 1;
        assert_eq!(page::regions(&state.snapshot, &state.facts), regions, "{}", state.name);
    }
}

/// A set-up in which everything that has a name is called so.
fn called(name: &str) -> Setup {
    let mut all = boatyard();
    all.study = name.to_owned();
    all.operator = name.to_owned();
    all.panels[0].id = name.to_owned();
    all.treatments[0].code = name.to_owned();
    all.treatments[0].name = name.to_owned();
    for zone in &mut all.zones {
        zone.name = format!("{name}{}", zone.name);
        zone.stage = name.to_owned();
    }
    all
}

#[test]
fn hostile_names_are_text_and_nothing_else() {
    for name in [
        "\"><script>alert(1)</script>",
        "'\" onfocus=alert(1) x=\"",
        "</svg><img src=x onerror=alert(1)>",
        "&lt;b",
    ] {
        let mut bench = Bench::new(called(name));
        bench.press("92.4 92.5 92.4 71.4 75.0").bytes(format!("{name}\r\n").as_bytes());
        let mut state = running("", &bench);
        state.snapshot.study = name.to_owned();
        state.facts = facts();
        state.facts.name = name.to_owned();
        state.facts.operator = name.to_owned();
        state.facts.panels[0].id = name.to_owned();
        state.facts.treatments[0].caution = name.to_owned();
        state.facts.stages.push(name.to_owned());
        let mut pages = vec![page::bench(&state.snapshot, &state.facts)];
        state.snapshot.phase =
            Phase::Stuck { what: name.to_owned(), hint: name.to_owned(), unfinished: Some(name.to_owned()) };
        pages.push(page::bench(&state.snapshot, &state.facts));
        for page in pages {
            let names: Vec<&str> = tags(&page).iter().map(|tag| tag.name).collect();
            assert_eq!(names.iter().filter(|name| **name == "script").count(), 1, "{name}");
            assert!(!names.contains(&"img"), "{name}");
            for tag in tags(&page) {
                assert!(!tag.attributes.iter().any(|(of, _)| of.starts_with("on")), "{name}: {tag:?}");
            }
        }
    }
}

#[test]
fn without_a_run_there_is_a_form_and_with_one_there_are_words() {
    for (state, page) in rendered() {
        let (offers_start, offers_words) = match &state.snapshot.phase {
            Phase::Idle { .. } | Phase::Stuck { .. } => (true, false),
            Phase::Opening => (false, false),
            Phase::Running(view) => (false, !view.is_over),
        };
        let has = |id: &str| tags(&page).iter().any(|tag| tag.get("id") == Some(id));
        assert_eq!(has("start-run"), offers_start, "{}", state.name);
        assert_eq!(has("ask-abandon"), offers_words, "{}", state.name);
    }
}

#[test]
fn a_browser_without_the_script_looks_again_only_while_a_run_goes_on() {
    for (state, page) in rendered() {
        let goes_on = matches!(state.snapshot.phase, Phase::Running(_) | Phase::Opening);
        assert_eq!(page.contains("http-equiv=\"refresh\""), goes_on, "{}", state.name);
    }
}

#[test]
fn an_asset_is_found_by_the_name_in_the_page_and_by_no_other() {
    assert!(page::asset("bench.css").is_none());
    assert!(page::asset("../Cargo.toml").is_none());
    let (_, page) = rendered().remove(0);
    let style = tags(&page)
        .iter()
        .find(|tag| tag.get("rel") == Some("stylesheet"))
        .unwrap()
        .get("href")
        .unwrap()
        .to_owned();
    let name = style.strip_prefix("/assets/").unwrap().split('?').next().unwrap().to_owned();
    let (mime, bytes) = page::asset(&name).unwrap();
    assert_eq!(mime, "text/css; charset=utf-8");
    assert!(std::str::from_utf8(bytes).unwrap().contains("--paper"));
}

#[test]
fn what_is_struck_off_the_panel_says_why() {
    let (_, page) = rendered().into_iter().find(|(state, _)| state.name == "void-and-left-out").unwrap();
    let zones: Vec<String> = tags(&page)
        .iter()
        .filter(|tag| tag.get("data-mark") == Some("left-out") && tag.get("data-zone").is_some())
        .map(|tag| tag.get("aria-label").unwrap().to_owned())
        .collect();
    assert_eq!(zones, ["C3, control: left out: scratched by the mould"]);
}

#[test]
fn a_run_that_is_over_shows_its_result_and_not_the_last_value() {
    let bench = states::proven();
    let view = RunView::of(&bench.run, bench.now_us());
    let (_, page) = rendered().into_iter().find(|(state, _)| state.name == "ended-proven").unwrap();
    assert!(view.is_over);
    // Means of READ: control 71.38, treated 75.20.
    assert!(page.contains("+3.82 ± 0.26"), "the difference is not there");
    assert!(page.contains("▲ treated higher"));
    assert!(!page.contains("Last: "));
    assert!(page.contains("href=\"tables/results.csv\"") && page.contains("/home/jo/harbour"));
}

/// The colour that a token has in a part of the style sheet.
fn colour(style: &str, token: &str) -> [f64; 3] {
    let (_, rest) = style.split_once(&format!("--{token}: #")).unwrap_or_else(|| panic!("no --{token}"));
    [0, 2, 4].map(|at| f64::from(u8::from_str_radix(&rest[at..at + 2], 16).unwrap()) / 255.0)
}

/// Contrast ratio by WCAG 2.2 (relative luminance, from memory).
fn contrast(one: [f64; 3], other: [f64; 3]) -> f64 {
    let luminance = |colour: [f64; 3]| {
        let [r, g, b] =
            colour.map(|c| if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) });
        0.2126 * r + 0.7152 * g + 0.0722 * b
    };
    let (a, b) = (luminance(one), luminance(other));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[test]
fn text_stands_out_from_its_ground_in_light_and_dark() {
    assert!((contrast([0.0; 3], [1.0; 3]) - 21.0).abs() < 1e-9);
    let tokens = include_str!("../src/report/style/tokens.css");
    let ground = include_str!("../src/bench/assets/ground.css");
    let (light, rest) = tokens.split_once("@media (prefers-color-scheme: dark)").unwrap();
    let dark = rest.split_once("@media print").unwrap().0;
    let texts = [
        ("ink", "paper"),
        ("ink", "raised"),
        ("ink", "bare"),
        ("ink", "treated-wash"),
        ("ink", "slow-wash"),
        ("ink", "out-wash"),
        ("soft", "paper"),
        ("soft", "raised"),
        ("soft", "bare"),
        ("soft", "treated-wash"),
        ("link", "paper"),
        ("slow", "paper"),
        ("out", "paper"),
        ("out", "raised"),
        ("paper", "ink"),
        ("paper", "treated"),
        ("paper", "out"),
    ];
    for style in [light, dark] {
        for (text, on) in texts {
            let ratio = contrast(colour(style, text), colour(style, on));
            assert!(ratio >= 4.5, "--{text} on --{on}: {ratio:.2}");
        }
        // What only has to be seen: edges of fields and zones, and the ring about what has the focus.
        for (mark, on) in [
            ("rule", "paper"),
            ("rule", "raised"),
            ("treated", "treated-wash"),
            ("focus", "paper"),
            ("focus", "raised"),
        ] {
            let ratio = contrast(colour(style, mark), colour(style, on));
            assert!(ratio >= 3.0, "--{mark} on --{on}: {ratio:.2}");
        }
    }
    assert!(contrast(colour(ground, "call-ink"), colour(ground, "call")) >= 7.0);
}
