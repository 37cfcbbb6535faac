//! Profiles from outside: the page that specifies them, the shipped ones, and lines of any bytes.

#![expect(clippy::unwrap_used, reason = "a test's helpers may stop the test")]

use halfpanel::meter::LineOutcome;
use halfpanel::meter::Profile;
use halfpanel::meter::shipped;
use proptest::prelude::*;
use regex::Regex;
use std::sync::LazyLock;

const PAGE: &str = include_str!("../protocol-notes/line-profiles.md");

/// The fenced blocks of the page: line of the fence, language, text.
fn blocks() -> Vec<(usize, &'static str, String)> {
    let mut blocks = Vec::new();
    let mut open: Option<(usize, &str, String)> = None;
    for (number, line) in PAGE.lines().enumerate() {
        match (line.strip_prefix("```"), &mut open) {
            (Some(language), None) => open = Some((number + 1, language, String::new())),
            (Some(_), Some(_)) => blocks.extend(open.take()),
            (None, Some((_, _, text))) => {
                text.push_str(line);
                text.push('\n');
            }
            (None, None) => {}
        }
    }
    assert!(open.is_none(), "a block of the page is not closed");
    blocks
}

fn outcome(profile: &Profile, line: &[u8]) -> String {
    match profile.reader().read(line) {
        LineOutcome::Values { gloss, sequence } => {
            let values = gloss.iter().map(|(geometry, gloss)| format!("{}: {gloss}", geometry.text()));
            values.chain(sequence.map(|number| format!("number {number}"))).collect::<Vec<_>>().join(", ")
        }
        LineOutcome::Ignored => "ignored".to_owned(),
        LineOutcome::Refused(refusal) => format!("refused: {refusal}"),
    }
}

/// The page's lines are in UTF-8; a profile in latin-1 gets one byte for each character.
fn as_sent(profile: &Profile, line: &str) -> Vec<u8> {
    if profile.text().contains("latin-1") {
        line.chars().map(|character| u8::try_from(u32::from(character)).unwrap()).collect()
    } else {
        line.as_bytes().to_vec()
    }
}

#[test]
fn every_profile_of_the_page_loads_or_has_the_mistake_that_stands_below_it() {
    let blocks = blocks();
    let (mut loaded, mut mistakes) = (0, 0);
    for (at, (number, language, text)) in blocks.iter().enumerate() {
        if *language != "toml" {
            continue;
        }
        match (Profile::load("mine.toml", text), blocks.get(at + 1)) {
            (Err(problem), Some((_, "text", message))) => {
                assert_eq!(
                    problem.to_string(),
                    message.trim_end(),
                    "the profile at line {number} of the page"
                );
                mistakes += 1;
            }
            (Ok(_), Some((_, "text", message))) => panic!("line {number} of the page loads, not: {message}"),
            (Err(problem), _) => panic!("line {number} of the page: {problem}"),
            (Ok(_), _) => loaded += 1,
        }
    }
    assert!(loaded >= 6 && mistakes >= 8, "the page was not read as it is: {loaded} and {mistakes}");
}

#[test]
fn every_line_of_the_page_is_read_as_the_page_says() {
    let mut profile = None;
    let mut tried = 0;
    for (number, language, text) in blocks() {
        match language {
            "toml" => profile = Profile::load("mine.toml", &text).ok(),
            "lines" => {
                let profile = profile.as_ref().expect("lines follow on a profile that loads");
                for line in text.lines() {
                    let (line, says) = line.split_once(" -> ").expect("line -> outcome");
                    let found = outcome(profile, &as_sent(profile, line.trim_end()));
                    let agrees = match says.strip_suffix('…') {
                        Some(beginning) => found.starts_with(beginning),
                        None => found == says,
                    };
                    assert!(agrees, "below line {number} of the page, `{line}`: {found}");
                    tried += 1;
                }
            }
            _ => {}
        }
    }
    assert!(tried >= 25, "the page was not read as it is: {tried} lines");
}

/// The keys of each table, as the loader itself lists them when it meets an unknown one.
#[test]
fn every_key_stands_in_the_page() {
    let listed = Regex::new("`([a-z0-9_]+)`").unwrap();
    let line = "[line]\nseparator = ';'\nfields = ['gloss_60']\n";
    let tables = [
        "",
        "[serial]\n",
        "[line]\n",
        "[checksum]\n",
        "[marks]\n",
        "[meter]\n",
        "[specification]\n",
        "[reading]\n",
        "[specification]\n",
        "[status]\n",
        "[sequence]\n",
        "[limits]\n",
        "[limits.60]\n",
        "[[example]]\n",
    ];
    let mut keys = 0;
    for table in tables {
        let before = if table == "[line]\n" || table.is_empty() { "" } else { line };
        let text = format!("{before}{table}qqqqqqqqqqqq = 1\n");
        let problem = Profile::load("mine.toml", &text).unwrap_err();
        assert!(problem.what.contains("unknown key `qqqqqqqqqqqq`"), "{table}: {problem}");
        for key in listed.captures_iter(&problem.hint) {
            let key = &key[1];
            keys += 1;
            let is_table = tables.iter().any(|table| table.trim_matches(['[', ']', '\n']) == key);
            let stands = if is_table && table.is_empty() { format!("[{key}]") } else { format!("`{key}`") };
            assert!(PAGE.contains(&stands), "the page does not tell of {stands} in {table:?}");
        }
    }
    assert!(keys > 40, "only {keys} keys were listed");
}

/// A line cut short by a lost byte or a lost link: since the shipped profiles fix the number of
/// decimals, no beginning of a good line matches in full, so none may give a value.
#[test]
fn no_beginning_of_a_good_line_gives_a_value() {
    for name in shipped::names() {
        let profile = shipped::find(name).unwrap();
        let mut good = 0;
        for line in example_lines(&profile) {
            if !matches!(profile.reader().read(line.as_bytes()), LineOutcome::Values { .. }) {
                continue;
            }
            good += 1;
            for cut in 0..line.len() {
                let outcome = profile.reader().read(&line.as_bytes()[..cut]);
                assert!(
                    !matches!(outcome, LineOutcome::Values { .. }),
                    "{name}: `{}`: {outcome:?}",
                    &line[..cut]
                );
            }
            for junk in ["x", "0", ".", ";", "\t7", " 7", "\0", "\u{7f}"] {
                let outcome = profile.reader().read(format!("{line}{junk}").as_bytes());
                assert!(!matches!(outcome, LineOutcome::Values { .. }), "{name}: {line}{junk}: {outcome:?}");
            }
        }
        assert!(good > 0, "{name} has no good line");
    }
}

fn example_lines(profile: &Profile) -> Vec<String> {
    let table: toml::Table = profile.text().parse().unwrap();
    table["example"].as_array().unwrap().iter().map(|e| e["line"].as_str().unwrap().to_owned()).collect()
}

/// Loaded once: compiling patterns is slow without optimisation.
static SHIPPED: LazyLock<Vec<Profile>> =
    LazyLock::new(|| shipped::names().filter_map(shipped::find).collect());
static TABBED: LazyLock<Regex> =
    LazyLock::new(|| Regex::new(r"\A *(20|60|85) *\t *([-+]?[0-9]{1,9}\.[0-9]) *\z").unwrap());

/// Bytes near to what meters send, so that good lines come up among them.
fn line_like() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        "(20|60|85|45)?[ \t]{0,2}[-+]?[0-9]{1,4}[.,]?[0-9]{0,2} ?".prop_map(String::into_bytes),
        "[0-9]{0,5};(20|60|85);[0-9]{1,3}\\.[0-9];(GU|%);(OK|LOW|x)".prop_map(String::into_bytes),
        proptest::collection::vec(any::<u8>(), 0..64),
        proptest::collection::vec(any::<u8>(), 1000..1100),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn no_bytes_make_a_shipped_profile_panic(line in line_like()) {
        for profile in SHIPPED.iter() {
            let _ = outcome(profile, &line).len();
        }
    }

    /// The oracle is a pattern written for this test and plain arithmetic, not the program's reader.
    #[test]
    fn a_tabbed_line_gives_a_value_exactly_if_it_matches_in_full(line in line_like()) {
        let high = |angle: &str| match angle { "20" => 2000.0, "60" => 1000.0, _ => 160.0 };
        let expected = std::str::from_utf8(&line).ok().and_then(|text| TABBED.captures(text)).and_then(|found| {
            let value: f64 = found[2].parse().unwrap();
            (value >= 0.0 && value <= high(&found[1])).then(|| (found[1].to_owned(), value))
        });
        let profile = SHIPPED.iter().find(|profile| profile.name() == "tab-60").unwrap();
        let found = match profile.reader().read(&line) {
            LineOutcome::Values { gloss, .. } => {
                let (geometry, gloss) = gloss.iter().next().unwrap();
                Some((geometry.text().to_owned(), gloss.to_f64()))
            }
            _ => None,
        };
        prop_assert_eq!(found, expected);
    }

}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_text_makes_the_loader_panic(tables in "[a-z_=\\[\\]\"'#\n .0-9{}(?<>)\\\\]{0,200}") {
        let _ = Profile::load("mine.toml", &tables);
        let text = format!("name = 'p'\n[line]\npattern = '''{tables}'''\n[[example]]\nline = 'x'\ngloss_60 = '1'\n");
        let _ = Profile::load("mine.toml", &text);
    }
}
