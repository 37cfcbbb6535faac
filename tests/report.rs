//! The published site, read by another reader than its writer: pages as XML, figures against the tables, and the
//! commands that it prints, run as a stranger would.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

use regex::Regex;
use roxmltree::Document;
use roxmltree::Node;
use std::collections::BTreeMap;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::path::PathBuf;
use std::process::Command;
use std::process::Output;
use tempfile::TempDir;

const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-data");

/// Every file below a folder by its path from there.
fn files(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    fn walk(root: &Path, folder: &Path, found: &mut BTreeMap<String, Vec<u8>>) {
        for entry in fs::read_dir(folder).unwrap().map(Result::unwrap) {
            match entry.path().is_dir() {
                true => walk(root, &entry.path(), found),
                false => {
                    let path = entry.path();
                    let name = path.strip_prefix(root).unwrap().to_str().unwrap().replace('\\', "/");
                    found.insert(name, fs::read(&path).unwrap());
                }
            }
        }
    }
    let mut found = BTreeMap::new();
    walk(folder, folder, &mut found);
    found
}

fn halfpanel(arguments: &[&str], zone: &str) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_halfpanel"));
    command.args(arguments).env("TZ", zone).env("LANG", "de_DE.UTF-8").output().unwrap()
}

/// The report of a study folder.
fn report(study: &Path, out: &Path) -> Output {
    halfpanel(&["report", study.to_str().unwrap(), "--out", out.to_str().unwrap(), "--png", "never"], "UTC")
}

/// The first two runs of the demo's season: five treatments bare and cured, on three panels each.
const RUNS: [&str; 2] = ["2026-05-03-01", "2026-05-06-01"];

/// The demo's study with these runs only.
fn study(folder: &Path) -> PathBuf {
    let study = folder.join("study");
    fs::create_dir_all(study.join("recordings")).unwrap();
    let recordings = RUNS.iter().map(|run| format!("recordings/{run}.rec"));
    for file in recordings.chain(["study.toml".to_owned()]) {
        fs::copy(Path::new(DEMO).join(&file), study.join(&file)).unwrap();
    }
    study
}

/// A report of that study, with the folder that holds both.
fn demo() -> (TempDir, PathBuf) {
    let place = TempDir::new().unwrap();
    let out = place.path().join("site");
    let done = report(&study(place.path()), &out);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    (place, out)
}

/// A page as XML: elements that HTML leaves open are closed.
fn xml(page: &str) -> String {
    let open = Regex::new(r#"<(meta|link|img|br|hr|col)((?:[^>"]|"[^"]*")*)>"#).unwrap();
    open.replace_all(page.strip_prefix("<!DOCTYPE html>").unwrap(), "<$1$2/>").into_owned()
}

fn pages(site: &BTreeMap<String, Vec<u8>>) -> impl Iterator<Item = (&String, String)> {
    let is_page = |(path, _): &(&String, &Vec<u8>)| path.ends_with(".html");
    site.iter().filter(is_page).map(|(path, bytes)| (path, xml(std::str::from_utf8(bytes).unwrap())))
}

fn is(node: &Node<'_, '_>, name: &str) -> bool {
    node.is_element() && node.tag_name().name() == name
}

fn text(node: Node<'_, '_>) -> String {
    node.descendants().filter_map(|n| if n.is_text() { n.text() } else { None }).collect()
}

/// A link as a path in the report and an id; absent for one that does not lead to a file.
fn target(page: &str, link: &str) -> (String, Option<String>) {
    let (path, id) = match link.split_once('#') {
        Some((path, id)) => (path, Some(id.to_owned())),
        None => (link, None),
    };
    let mut parts: Vec<&str> = page.split('/').collect();
    parts.pop();
    for part in path.split('/').filter(|part| !part.is_empty()) {
        match part {
            ".." => drop(parts.pop().expect("a link that leaves the report")),
            part => parts.push(part),
        }
    }
    let path = if path.is_empty() { page.to_owned() } else { parts.join("/") };
    (percent_decoded(&path), id)
}

fn percent_decoded(path: &str) -> String {
    let mut bytes = Vec::new();
    let mut rest = path.as_bytes();
    while let Some((&first, after)) = rest.split_first() {
        if first == b'%' {
            bytes.push(u8::from_str_radix(std::str::from_utf8(&after[..2]).unwrap(), 16).unwrap());
            rest = &after[2..];
        } else {
            bytes.push(first);
            rest = after;
        }
    }
    String::from_utf8(bytes).unwrap()
}

/// What has to hold of every page of every report.
fn check_pages(site: &BTreeMap<String, Vec<u8>>) {
    let mut ids: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (path, page) in pages(site) {
        let page = Document::parse(&page).unwrap_or_else(|error| panic!("{path}: {error}"));
        let mut own = BTreeSet::new();
        for id in page.descendants().filter_map(|node| node.attribute("id")) {
            assert!(own.insert(id.to_owned()), "{path}: id {id} stands there twice");
        }
        ids.insert(path.clone(), own);
        check_page(path, &page);
    }
    for (path, page) in pages(site) {
        let page = Document::parse(&page).unwrap();
        for node in page.descendants() {
            for link in ["href", "src"].into_iter().filter_map(|name| node.attribute(name)) {
                if link == "data:," {
                    continue;
                }
                assert!(!link.contains(':') && !link.starts_with('/'), "{path}: {link} is not relative");
                let (file, id) = target(path, link);
                assert!(site.contains_key(&file), "{path}: {link} leads nowhere ({file})");
                if let Some(id) = id {
                    assert!(ids[&file].contains(&id), "{path}: {link} leads to no such place");
                }
            }
            for name in ["aria-labelledby", "aria-describedby"] {
                for id in node.attribute(name).into_iter().flat_map(str::split_whitespace) {
                    assert!(ids[path].contains(id), "{path}: {name} names {id}, which is not there");
                }
            }
        }
    }
}

fn check_page(path: &str, page: &Document<'_>) {
    let all = |name: &'static str| page.descendants().filter(move |node| is(node, name));
    assert_eq!(page.root_element().attribute("lang"), Some("en"), "{path}");
    for name in ["main", "h1", "title"] {
        let count = all(name).filter(|node| !node.ancestors().any(|a| is(&a, "svg"))).count();
        assert_eq!(count, 1, "{path}: {name}");
    }
    for forbidden in ["script", "iframe", "object", "form"] {
        assert_eq!(all(forbidden).count(), 0, "{path}: {forbidden}");
    }
    let handler = |node: Node<'_, '_>| node.attributes().any(|a| a.name().starts_with("on"));
    assert!(!page.descendants().any(handler), "{path}: an event handler");
    let mut level = 0;
    for heading in page.descendants().filter(Node::is_element) {
        let Some(next) = heading.tag_name().name().strip_prefix('h').and_then(|n| n.parse::<u32>().ok())
        else {
            continue;
        };
        assert!(next <= level + 1, "{path}: heading {} skips a level", text(heading));
        level = next;
    }
    for table in all("table") {
        assert!(table.children().any(|node| is(&node, "caption")), "{path}: a table without a caption");
        for head in table.descendants().filter(|node| is(node, "th")) {
            assert!(head.attribute("scope").is_some(), "{path}: {} heads nothing", text(head));
        }
    }
    for picture in all("svg").filter(|svg| svg.attribute("aria-hidden").is_none()) {
        assert_eq!(picture.attribute("role"), Some("img"), "{path}");
        for name in ["title", "desc"] {
            assert!(
                picture.children().any(|node| is(&node, name) && !text(node).is_empty()),
                "{path}: {name}"
            );
        }
    }
    for image in all("img") {
        assert!(image.attribute("alt").is_some_and(|alt| !alt.is_empty()), "{path}");
    }
}

#[test]
fn every_page_is_well_formed_links_lead_somewhere_and_nothing_is_run() {
    let (_place, out) = demo();
    let site = files(&out);
    assert!(site.len() > 30, "{:?}", site.keys());
    check_pages(&site);
}

#[test]
fn two_reports_of_one_study_are_the_same_byte_for_byte_wherever_they_are_made() {
    let (_place, out) = demo();
    let elsewhere = TempDir::new().unwrap();
    let study = study(elsewhere.path());
    let again = elsewhere.path().join("b");
    let paths = [study.to_str().unwrap(), again.to_str().unwrap()];
    let done = halfpanel(&["report", paths[0], "--out", paths[1], "--png", "never"], "Pacific/Auckland");
    assert!(done.status.success());
    let (one, other) = (files(&out), files(&again));
    assert_eq!(one.keys().collect::<Vec<_>>(), other.keys().collect::<Vec<_>>());
    for (path, bytes) in &one {
        assert!(*bytes == other[path], "{path} differs");
        let names_a_place = String::from_utf8_lossy(bytes).contains(elsewhere.path().to_str().unwrap());
        assert!(!names_a_place, "{path} names a folder of this machine");
    }
    // Over an earlier report it is the same again.
    assert!(report(&study, &again).status.success());
    assert_eq!(files(&again), one);
}

#[test]
fn figures_on_the_pages_are_those_of_the_tables() {
    let (_place, out) = demo();
    let site = files(&out);
    let mut rows = csv::Reader::from_path(Path::new(DEMO).join("results/results.csv")).unwrap();
    let rows = rows.deserialize().map(Result::unwrap);
    let rows: Vec<BTreeMap<String, String>> =
        rows.filter(|row: &BTreeMap<String, String>| RUNS.contains(&row["run"].as_str())).collect();
    assert_eq!(rows.len(), 30);
    for row in rows {
        let page = |path: String| String::from_utf8(site[&path].clone()).unwrap();
        for page in
            [page(format!("treatments/{}.html", row["treatment"])), page(format!("runs/{}.html", row["run"]))]
        {
            for column in ["difference_gu", "ci_low_gu", "ci_high_gu", "control_mean_gu", "treated_mean_gu"] {
                let cell = format!("<data value=\"{}\">", row[column]);
                assert!(page.contains(&cell), "{column} of {} in {}: {cell}", row["treatment"], row["run"]);
            }
        }
    }
    // By hand from treatments.csv: T1 cured, 7.2750 with U 0.2726; T5, -4.9000 with U 0.3355.
    let board = String::from_utf8(site["index.html"].clone()).unwrap();
    assert!(board.contains("<data value=\"7.2750\">+7.28 ± 0.27</data>"), "{board}");
    assert!(board.contains("<data value=\"-4.9000\">\u{2212}4.90 ± 0.34</data>"), "{board}");
    for table in ["results", "readings", "zones", "tile-checks", "budget", "contrasts"] {
        let ours = String::from_utf8(site[&format!("data/results/{table}.csv")].clone()).unwrap();
        let all = fs::read_to_string(Path::new(DEMO).join(format!("results/{table}.csv"))).unwrap();
        let of_ours = |line: &&str| line.starts_with("run,") || RUNS.iter().any(|run| line.starts_with(run));
        assert_eq!(
            ours.lines().collect::<Vec<_>>(),
            all.lines().filter(of_ours).collect::<Vec<_>>(),
            "{table}"
        );
    }
}

#[cfg(unix)]
#[test]
fn a_stranger_with_the_report_alone_repeats_a_figure_by_the_commands_on_the_page() {
    if Command::new("sha256sum").arg("--version").output().is_err() {
        eprintln!("skipped: there is no sha256sum here");
        return;
    }
    let (_place, out) = demo();
    let page = xml(&fs::read_to_string(out.join("check.html")).unwrap());
    let page = Document::parse(&page).unwrap();
    let commands = page.descendants().filter(|node| node.attribute("class") == Some("command")).map(text);
    let commands: Vec<String> = commands.collect();
    let path = Path::new(env!("CARGO_BIN_EXE_halfpanel")).parent().unwrap();
    let path = format!("{}:{}", path.display(), std::env::var("PATH").unwrap());
    let run = |command: &str| {
        let done =
            Command::new("sh").args(["-c", command]).current_dir(&out).env("PATH", &path).output().unwrap();
        let said = String::from_utf8(done.stdout).unwrap() + &String::from_utf8(done.stderr).unwrap();
        assert!(done.status.success(), "{command}: {said}");
        said
    };
    let [all_files, one_file, figure, expected, everything, verify] = commands.as_slice() else {
        panic!("{commands:?}")
    };
    assert_eq!(run(all_files), "");
    let digest = run(one_file).split_whitespace().next().unwrap().to_owned();
    assert!(text(page.root_element()).contains(&format!("has to print {digest}")), "{digest}");
    let found = run(figure);
    assert!(
        expected.starts_with("\"difference_gu\": ") && found.contains(expected.as_str()),
        "{expected}: {found}"
    );
    assert!(found.contains(&digest));
    assert!(run(everything).contains("byte for byte"));
    assert!(run(verify).contains("byte for byte"));
    // And a changed byte is found.
    fs::write(out.join("data/results/results.csv"), "run\n").unwrap();
    let done = Command::new("sh").args(["-c", all_files]).current_dir(&out).output().unwrap();
    assert!(!done.status.success());
}

/// Names as somebody might write them who means no good, or just writes a lot.
fn hostile() -> [(&'static str, String); 4] {
    [
        ("T1", "<script>alert(1)</script>\" onload=\"x & <b>".to_owned()),
        ("T2", "\u{5e9}\u{5dc}\u{5d5}\u{5dd} \u{627}\u{644}\u{644}\u{648}\u{646} coat".to_owned()),
        ("T3", "W".repeat(400)),
        ("T4", "]]>--><!-- {{x}} ${y} %00".to_owned()),
    ]
}

#[test]
fn hostile_and_long_names_stay_harmless() {
    let place = TempDir::new().unwrap();
    let study = study(place.path());
    let mut source = fs::read_to_string(study.join("study.toml")).unwrap();
    for (code, name) in hostile() {
        let before = Regex::new(&format!("code = \"{code}\"\nname = \".*\"")).unwrap();
        assert!(before.is_match(&source), "{code}");
        let quoted = name.replace('\\', "\\\\").replace('"', "\\\"");
        let after = format!("code = \"{code}\"\nname = \"{quoted}\"");
        source = before.replace(&source, regex::NoExpand(&after)).into_owned();
    }
    let name = Regex::new("(?m)^name = \".*\"").unwrap();
    source = name.replace(&source, "name = \"<img src=x onerror=alert(1)> & sealers\"").into_owned();
    fs::write(study.join("study.toml"), source).unwrap();
    let out = place.path().join("site");
    let done = report(&study, &out);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let site = files(&out);
    check_pages(&site);
    for (path, bytes) in site.iter().filter(|(path, _)| path.ends_with(".svg")) {
        let text = std::str::from_utf8(bytes).unwrap();
        let picture = Document::parse(text).unwrap_or_else(|error| panic!("{path}: {error}"));
        assert!(!picture.descendants().any(|node| is(&node, "script") || is(&node, "image")), "{path}");
    }
    let board = std::str::from_utf8(&site["index.html"]).unwrap();
    let name = &hostile()[1].1;
    assert!(
        board.contains(&format!("<bdi>{name}</bdi>")),
        "a name from right to left stands apart from what is around it"
    );
}

#[test]
fn a_folder_that_is_no_report_is_not_touched_and_an_earlier_report_is_cleared_of_what_is_gone() {
    let (place, out) = demo();
    let other = place.path().join("photos");
    fs::create_dir_all(&other).unwrap();
    fs::write(other.join("index.html"), "mine").unwrap();
    let refused = report(&place.path().join("study"), &other);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("is no earlier report"));
    assert_eq!(files(&other).len(), 1);

    fs::write(out.join("notes.txt"), "somebody's").unwrap();
    let study = place.path().join("study");
    fs::remove_file(study.join("recordings/2026-05-06-01.rec")).unwrap();
    assert!(report(&study, &out).status.success());
    let site = files(&out);
    assert!(
        !site.contains_key("runs/2026-05-06-01.html")
            && !site.contains_key("data/recordings/2026-05-06-01.rec")
    );
    assert!(site.contains_key("notes.txt") && site.contains_key("runs/2026-05-03-01.html"));
}

#[test]
fn a_damaged_recording_is_named_and_no_figure_is_taken_from_it() {
    let place = TempDir::new().unwrap();
    let study = study(place.path());
    let recording = study.join("recordings/2026-05-06-01.rec");
    let text = fs::read_to_string(&recording).unwrap();
    assert!(text.contains(";60;78."), "the reading that is changed");
    fs::write(&recording, text.replacen(";60;78.", ";60;98.", 1)).unwrap();
    let out = place.path().join("site");
    let done = report(&study, &out);
    assert_eq!(done.status.code(), Some(1));
    let site = files(&out);
    check_pages(&site);
    let board = std::str::from_utf8(&site["index.html"]).unwrap();
    assert!(board.contains("2026-05-06-01: ") && !board.contains(place.path().to_str().unwrap()), "{board}");
    assert!(!site.contains_key("runs/2026-05-06-01.html"));
    assert!(!String::from_utf8_lossy(&site["data/results/results.csv"]).contains("2026-05-06-01"));
}

#[test]
fn a_study_without_a_run_still_has_a_report() {
    let place = TempDir::new().unwrap();
    let study = study(place.path());
    fs::remove_dir_all(study.join("recordings")).unwrap();
    let out = place.path().join("site");
    let done = report(&study, &out);
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    check_pages(&files(&out));
}

/// One life on one panel: works at 10, found failed at 20 and again at 30; a row that cannot be read beside it.
const OBSERVATIONS: &str = "\
row,at,kind,treatment,panel,washes,treated_class,control_class,attribute,verdict,by,photo,note
1,2026-05-08T08:00:00+02:00,judged,T1,G1,,,,feel,fail,Jo,,\"<b>sticky</b>\"
2,2026-05-12T08:00:00+02:00,washed,,G1,10,,,,,Sam,,
3,2026-05-12T08:10:00+02:00,looked,T1,G1,10,2,6,,,Sam,photos/a b.jpg,
4,2026-05-20T08:00:00+02:00,washed,,G1,20,,,,,Sam,,
5,2026-05-20T08:10:00+02:00,looked,T1,G1,20,6,6,,,Sam,,
6,2026-05-30T08:00:00+02:00,washed,,G1,30,,,,,Sam,,
7,2026-05-30T08:10:00+02:00,looked,T1,G1,30,6,6,,,Sam,,
8,yesterday,washed,,G1,31,,,,,Sam,,
";

#[test]
fn a_life_is_told_with_its_interval_its_looks_and_its_judgements() {
    let place = TempDir::new().unwrap();
    let study = study(place.path());
    fs::write(study.join("observations.csv"), OBSERVATIONS).unwrap();
    fs::create_dir(study.join("photos")).unwrap();
    fs::write(study.join("photos/a b.jpg"), "a picture").unwrap();
    let out = place.path().join("site");
    assert!(report(&study, &out).status.success());
    let site = files(&out);
    check_pages(&site);
    let page = xml(std::str::from_utf8(&site["treatments/T1.html"]).unwrap());
    let page = Document::parse(&page).unwrap();
    let table = |id: &str| {
        let found = page.descendants().find(|node| node.attribute("id") == Some(id)).unwrap();
        let row = |row: Node<'_, '_>| row.children().map(text).collect::<Vec<_>>();
        found.descendants().filter(|node| is(node, "tr")).map(row).collect::<Vec<_>>()
    };
    // Two looks in a row found it failed; the first of them counts.
    let lives = table("lives-table");
    let of_panel = lives.iter().find(|row| row[0] == "G1").unwrap();
    assert_eq!(of_panel[2..5], ["failed", "wash 10 to 20", "30"]);
    let found: Vec<String> =
        table("looks-table").iter().skip(1).map(|row| format!("{} {}", row[0], row[5])).collect();
    assert_eq!(found, ["10 working", "20 failed", "30 failed"]);
    assert_eq!(table("judgements-table")[1][..3], ["feel", "fails", "G1"]);
    assert!(text(page.root_element()).contains("<b>sticky</b>"));
    let board = std::str::from_utf8(&site["index.html"]).unwrap();
    assert!(board.contains("observations.csv:9") && board.contains("wash 10 to 20"), "{board}");
    assert_eq!(site["data/observations.csv"], OBSERVATIONS.as_bytes());
    assert_eq!(site["data/photos/a b.jpg"], b"a picture");
}
