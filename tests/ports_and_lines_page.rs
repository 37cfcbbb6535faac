//! `protocol-notes/ports-and-lines.md` against the program: what `ports --json` and `listen --json` print is as
//! the page says, and everything on the page occurs.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;
#[path = "common/process.rs"]
mod process;

use common::{Bench, setup};
use halfpanel::meter::shipped;
use halfpanel::report::ports_text;
use halfpanel::report::ports_text::{Access, PortRow};
use halfpanel::run::record::Body;
use halfpanel::session::ports::{Holder, PortSeen, UsbSeen};
use process::{Line, Running, output};
use serde_json::{Map, Value};
use std::collections::BTreeMap;

const PAGE: &str = include_str!("../protocol-notes/ports-and-lines.md");

/// A key as the page describes it.
struct Key {
    kind: String,
    may_be_null: bool,
    may_be_missing: bool,
    words: Vec<String>,
}

type Section = BTreeMap<String, Key>;
type Object = Map<String, Value>;

/// What stands between backquotes.
fn quoted(text: &str) -> Vec<String> {
    text.split('`').skip(1).step_by(2).map(str::to_owned).collect()
}

fn sections() -> BTreeMap<String, Section> {
    let mut sections = BTreeMap::new();
    for part in PAGE.split("\n## ").skip(1) {
        let mut keys = Section::new();
        for row in part.lines().filter(|line| line.starts_with("| `")) {
            let cells: Vec<&str> = row.split('|').map(str::trim).collect();
            let said = cells[2];
            let key = Key {
                kind: said.split([':', ',', ' ']).next().unwrap().to_owned(),
                may_be_null: said.contains("or null"),
                may_be_missing: said.contains("may be missing"),
                words: quoted(said),
            };
            keys.insert(quoted(cells[1]).remove(0), key);
        }
        sections.insert(quoted(part.lines().next().unwrap()).remove(0), keys);
    }
    sections
}

fn is_of_kind(value: &Value, key: &Key) -> bool {
    match key.kind.as_str() {
        _ if value.is_null() => key.may_be_null,
        "text" => value.is_string(),
        "integer" => value.is_u64(),
        "boolean" => value.is_boolean(),
        "list" => value.is_array(),
        "table" => value.is_object(),
        other => panic!("the page has the unknown type {other}"),
    }
}

/// An object is as the page's section says.
fn hold(name: &str, section: &Section, object: &Object) {
    for (key, value) in object {
        let described = section.get(key).unwrap_or_else(|| panic!("`{name}` has no `{key}`: {object:?}"));
        assert!(is_of_kind(value, described), "`{key}` of `{name}` is no {}: {object:?}", described.kind);
        let listed = described.words.is_empty() || described.words.iter().any(|word| value == word);
        assert!(listed, "`{key}` of `{name}` has a word that is not on the page: {object:?}");
    }
    for (key, described) in section {
        assert!(described.may_be_missing || object.contains_key(key), "`{key}` is missing: {object:?}");
    }
}

/// Ports with everything known, and with nothing.
fn ports() -> Vec<Object> {
    let usb = UsbSeen {
        vendor_id: 0x1209,
        product_id: 1,
        serial_number: Some("A1".into()),
        manufacturer: Some("Bench Works".into()),
        product: Some("Serial Adapter".into()),
    };
    let bare = UsbSeen { serial_number: None, manufacturer: None, product: None, ..usb.clone() };
    let port = |usb, stable_name| PortSeen { name: "/dev/ttyUSB0".into(), stable_name, usb };
    let rows = [
        PortRow {
            seen: port(Some(usb), Some("/dev/serial/by-id/a".into())),
            holders: vec![Holder { pid: 812, program: "minicom".into() }],
            access: Access::ByGroup("dialout".into()),
            studies: vec!["harbour".into()],
        },
        PortRow {
            seen: port(Some(bare), None),
            holders: Vec::new(),
            access: Access::Allowed,
            studies: Vec::new(),
        },
        PortRow { seen: port(None, None), holders: Vec::new(), access: Access::Denied, studies: Vec::new() },
    ];
    // Those of this machine too, whatever it has.
    let real: Value = serde_json::from_str(&output(["ports", "--json"]).stdout).unwrap();
    let all = [ports_text::json(&rows), real];
    all.iter()
        .flat_map(|list| list.as_array().unwrap())
        .map(|port| port.as_object().unwrap().clone())
        .collect()
}

/// What listening to a port says, without a profile.
fn live() -> Vec<String> {
    let line = Line::open();
    line.send(b"60\t91.1\r\n");
    let mut command = process::halfpanel();
    command.arg("listen").arg(line.path()).arg("--json");
    let mut listening = Running::start(&mut command);
    let mut before = vec![listening.event().unwrap().to_string()];
    while !before.last().unwrap().contains("link") {
        before.push(listening.event().unwrap().to_string());
    }
    line.send(b"60\t85.3\r\n60\t8");
    let so_far = listening.until(|event| event["kind"] == "so-far").to_string();
    listening.signal(rustix::process::Signal::INT);
    let (_, mut rest, _) = listening.end();
    rest.extend(before);
    rest.push(so_far);
    rest
}

/// What listening to a recording says, which was made with this profile and has these bytes in it.
fn recorded(profile: &str, bytes: &[&[u8]]) -> Vec<String> {
    let mut one = setup(1);
    one.profile = profile.to_owned();
    let mut bench = Bench::new(one);
    bench.link(false).bytes(b"old\r\n");
    bench.put(Body::Request(b"READ?\r".to_vec().into()));
    bench.link(true);
    for bytes in bytes {
        bench.bytes(bytes);
    }
    let file = tempfile::NamedTempFile::with_suffix(".rec").unwrap();
    std::fs::write(file.path(), &bench.bytes).unwrap();
    let told = output(["listen".as_ref(), file.path().as_os_str(), "--json".as_ref()]);
    assert_eq!(told.code, Some(0), "{}", told.stderr);
    told.stdout.lines().map(str::to_owned).collect()
}

fn all_events() -> Vec<(String, Object)> {
    let numbered = shipped::text("semicolon-numbered").unwrap();
    let ignoring = common::PLAIN.replace("[line]", "[line]\nignore = ['#.*']");
    let long = [b'9'; 2000];
    let mut lines = live();
    lines.extend(recorded(numbered, &[b"0001;60;92.4;GU;OK\r\n"]));
    lines.extend(recorded(&ignoring, &[b"92.4\r\n\r\n#\r\nwhat\r\n", &long, b"\r\n9"]));
    let event = |line: &String| {
        let mut event: Object = serde_json::from_str(line).unwrap();
        let Some(Value::String(name)) = event.remove("event") else { panic!("no `event`: {line}") };
        (name, event)
    };
    lines.iter().map(event).collect()
}

#[test]
fn all_that_is_printed_is_as_the_page_says_and_the_page_says_no_more() {
    let sections = sections();
    let mut objects = all_events();
    for port in ports() {
        objects.extend(port["usb"].as_object().map(|usb| ("usb".to_owned(), usb.clone())));
        let holders = port["held_by"].as_array().unwrap().iter();
        objects.extend(holders.map(|holder| ("held_by".to_owned(), holder.as_object().unwrap().clone())));
        objects.push(("port".to_owned(), port));
    }
    for (name, object) in &objects {
        let section = sections.get(name).unwrap_or_else(|| panic!("the page has no `{name}`"));
        hold(name, section, object);
    }
    for (name, section) in &sections {
        let of_name: Vec<&Object> =
            objects.iter().filter(|(known, _)| known == name).map(|(_, object)| object).collect();
        assert!(!of_name.is_empty(), "`{name}` never occurs");
        for (key, described) in section {
            let values: Vec<&Value> = of_name.iter().filter_map(|object| object.get(key)).collect();
            let place = format!("`{key}` of `{name}`");
            assert!(values.iter().any(|value| !value.is_null()), "{place} never has a value");
            let is_missing = values.len() < of_name.len();
            assert_eq!(is_missing, described.may_be_missing, "{place} may be missing, or never is");
            assert_eq!(values.iter().any(|value| value.is_null()), described.may_be_null, "{place}");
            for word in &described.words {
                assert!(values.iter().any(|value| *value == word), "{place} is never `{word}`");
            }
        }
    }
}

#[test]
fn the_examples_of_the_page_are_as_its_tables_say() {
    let sections = sections();
    let mut shown = 0;
    for example in
        PAGE.split("```json\n").skip(1).flat_map(|block| block.split("```").next().unwrap().lines())
    {
        let mut object: Object = serde_json::from_str(example).unwrap();
        let name = object.remove("event").map_or("port".to_owned(), |name| name.as_str().unwrap().to_owned());
        hold(&name, &sections[&name], &object);
        shown += 1;
    }
    assert!(shown >= sections.len() - 2, "only {shown} examples");
}
