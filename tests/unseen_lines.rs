//! Profiles for meters that nobody has seen, each written from made-up notes of its manual with
//! `protocol-notes/line-profiles.md` alone, and bytes as such a meter sends them, cut anywhere.
//! The checksums were figured by other code than the program's, bit by bit.

#![expect(clippy::unwrap_used, reason = "a test's helpers may stop the test")]

use halfpanel::meter::{Emission, Line, LineOutcome, MAX_LINE_BYTES, Profile, Scenario, SelfCalibration};
use halfpanel::meter::{SimulatedMeter, Spot, shipped};
use proptest::prelude::*;
use std::sync::LazyLock;

fn profile(text: &str) -> Profile {
    Profile::load("unseen.toml", text).unwrap_or_else(|problem| panic!("{problem}"))
}

fn outcome(profile: &Profile, line: &[u8]) -> String {
    match profile.reader().read(line) {
        LineOutcome::Values { gloss, sequence } => {
            let values = gloss.iter().map(|(geometry, gloss)| format!("{}:{gloss}", geometry.text()));
            values.chain(sequence.map(|number| format!("#{number}"))).collect::<Vec<_>>().join(" ")
        }
        LineOutcome::Ignored => "ignored".to_owned(),
        LineOutcome::Refused(refusal) => refusal.code().to_owned(),
    }
}

/// What becomes of the bytes; the same for chunks of every length.
fn read(profile: &Profile, bytes: &[u8]) -> Vec<String> {
    let in_chunks = |length: usize| {
        let mut outcomes = Vec::new();
        let mut assembler = profile.assembler();
        for chunk in bytes.chunks(length) {
            assembler.feed(chunk, |line| match line {
                Line::Whole(line) => outcomes.push(outcome(profile, line)),
                Line::TooLong(_) => outcomes.push("too-long".to_owned()),
            });
        }
        outcomes
    };
    let whole = in_chunks(bytes.len());
    (1..9).for_each(|length| assert_eq!(in_chunks(length), whole, "in chunks of {length}"));
    whole
}

/// "Output: STX, angle, tab, value, ETX, CRC-16/KERMIT over all before it in small hex letters, CR LF."
#[test]
fn a_meter_that_pushes_framed_lines_with_a_crc() {
    let profile = profile(
        r#"
name = "pushes"
[line]
prefix = "\x02"
separator = "\t"
fields = ["geometry", "gloss"]
decimals = 1
[checksum]
kind = "crc-16"
crc = "kermit"
separator = "\x03"
to = "after-separator"
hex = "lower"
[[example]]
line = "\x0260\t85.3\x0389df"
gloss_60 = "85.3"
"#,
    );
    let sent = b"\x0260\t85.3\x0389df\r\n\x0260\t91.0\x03da1f\r\n\x0260\t90.0\x03da1f\r\n60\t91.0\x03da1f\r\n\x0260\t91.0\r\n";
    assert_eq!(read(&profile, sent), ["60:85.3", "60:91.0", "wrong-checksum", "not-framed", "no-checksum"]);
}

/// "Ask with `R60?` CR. The meter repeats the request, then answers `R60=85,3 GE`. `R60=--,- GE`: no light."
#[test]
fn a_meter_that_is_asked_and_echoes() {
    let profile = profile(
        r#"
name = "echoes"
[line]
end = "cr"
decimal = ","
decimals = 1
pattern = 'R(?<geometry>\d\d)=(?<gloss>\S+) (?<unit>\w+)'
units = ["GE"]
ignore = ['R\d\d\?']
[status.errors]
"--,-" = "no light"
[[example]]
line = "R60=85,3 GE"
gloss_60 = "85.3"
[[example]]
line = "R60?"
ignored = true
"#,
    );
    let sent = b"R60?\rR60=85,3 GE\rR20?\rR20=--,- GE\rR20=7,1 G\rR60?R60=85,3 GE\r";
    assert_eq!(
        read(&profile, sent),
        ["ignored", "60:85.3", "ignored", "error-word", "unknown-unit", "pattern-mismatch"]
    );
}

/// "Replies as `GLOS60 +8.53E+01`, LF. `9.91E+37` stands for no value."
#[test]
fn a_meter_that_writes_exponents() {
    let profile = profile(
        r#"
name = "exponents"
[line]
end = "lf"
separator = "blanks"
fields = ["geometry", "gloss"]
geometry_words = { GLOS20 = 20, GLOS60 = 60, GLOS85 = 85 }
notation = "scientific"
decimals = 2
[reading]
resolution_gu = "0.1"
[status.errors]
"+9.91E+37" = "no value"
[[example]]
line = "GLOS60 +8.53E+01"
gloss_60 = "85.3"
"#,
    );
    let sent = b"GLOS60 +8.53E+01\nGLOS20 +1.02E+02\nGLOS85 +9.00E-01\nGLOS60 +9.91E+37\nGLOS60 +8.53E+0\nGLOS60 85.3\n";
    assert_eq!(
        read(&profile, sent),
        ["60:85.3", "20:102", "85:0.900", "error-word", "not-a-number", "not-a-number"]
    );
}

/// "Five values a second, each ended by `;`: `S085.3` when steady, `U085.3` while it moves. 60 degrees.
/// Switches itself off after 10 minutes, and sets itself when it is switched on."
#[test]
fn a_meter_that_streams() {
    let profile = profile(
        r#"
name = "streams"
[line]
end = ";"
pattern = '(?<status>[A-Z])(?<gloss>\d{3}\.\d)'
geometry_deg = 60
[status]
ok = ["S"]
[status.errors]
U = "the value still moves"
[meter]
calibrates_itself = "power-cycle"
switches_off_after_min = 10
[[example]]
line = "S085.3"
gloss_60 = "85.3"
"#,
    );
    let sent = b"U084.1;S085.3;S85.3;;S091.0;X091.0;S09";
    assert_eq!(
        read(&profile, sent),
        ["error-word", "60:85.3", "pattern-mismatch", "60:91.0", "unknown-status"]
    );
    assert_eq!(profile.habits().calibrates_itself, Some(SelfCalibration::PowerCycle));
    assert_eq!((profile.habits().switches_off_after_min, profile.habits().averages), (Some(10), None));
}

/// "Serial number, mark, values at 20, 60 and 85 degrees, between commas. The mark is S for a single
/// reading, A for an average, M for a value from the memory. A list of the memory begins with `LIST`."
#[test]
fn a_meter_with_three_angles_marks_and_a_serial_number() {
    let profile = profile(
        r#"
name = "three-marked"
[line]
separator = ","
fields = ["serial", "mark", "gloss_20", "gloss_60", "gloss_85"]
decimals = 1
[marks]
fresh = ["S"]
average = ["A"]
memory = ["M"]
memory_lines = ['LIST .*']
[meter]
serial_number = "0412"
averages = 1
[[example]]
line = "0412,S,71.4,85.3,92.0"
gloss_20 = "71.4"
gloss_60 = "85.3"
gloss_85 = "92.0"
[[example]]
line = "0412,M,71.4,85.3,92.0"
refused = true
"#,
    );
    assert_eq!(profile.serial_number(), Some("0412"));
    let sent = b"0412,S,71.4,85.3,92.0\r\n0412,A,71.4,85.3,92.0\r\n0412,M,71.4,85.3,92.0\r\n0413,S,71.4,85.3,92.0\r\n\
        0412,X,71.4,85.3,92.0\r\nLIST 1: 71.4 85.3 92.0\r\n0412,S,71.4,85.3\r\n";
    assert_eq!(
        read(&profile, sent),
        [
            "20:71.4 60:85.3 85:92.0",
            "average",
            "from-memory",
            "other-meter",
            "unknown-mark",
            "from-memory",
            "field-count"
        ]
    );
}

/// "Each print is 24 characters between ESC ! and FF: number in 1 to 5, clock in 7 to 14, value in 16 to 21,
/// angle in 23 and 24. What stands between them may be anything."
#[test]
fn a_meter_with_fixed_columns_between_control_characters() {
    let profile = profile(
        r#"
name = "printer"
[line]
end = "\x0c"
prefix = "\x1b!"
columns = [
    { field = "sequence", from = 1, to = 5 },
    { field = "gloss", from = 16, to = 21 },
    { field = "geometry", from = 23, to = 24 },
]
rest = "any"
decimals = 1
[sequence]
last = 99999
[[example]]
line = "\x1b!   17 12:30:05   85.3 60"
sequence = 17
gloss_60 = "85.3"
"#,
    );
    let sent = b"\x1b!   17 12:30:05   85.3 60\x0c\x1b!   18 12:30:09|  91.0|60*\x0c\x1b!   19 12:30:11   91.0 6\x0c\
        !   19 12:30:11   91.0 60\x0c\x1b!   19 12:30:11  91.0 60 \x0c\x1b!   20";
    assert_eq!(
        read(&profile, sent),
        ["60:85.3 #17", "60:91.0 #18", "short-line", "not-framed", "unknown-geometry"]
    );
}

#[test]
fn a_line_that_never_ends_is_told_once_whatever_ends_the_lines() {
    let text = "name = 'p'\n[line]\nend = ';'\nseparator = ','\nfields = ['gloss_60']\n[[example]]\nline = '1'\ngloss_60 = '1'\n";
    let flood = [vec![b'7'; 50 * MAX_LINE_BYTES], b";85.3;".to_vec()].concat();
    assert_eq!(read(&profile(text), &flood), ["too-long", "60:85.3"]);
}

/// The simulated meter figures its checksums by the program's own code; this holds the two ends together,
/// and the digits are those of the page, by hand.
#[test]
fn a_simulated_meter_with_a_checksum_is_read_by_the_profile_that_wants_it() {
    let scenario = "seed = 3\n[layout]\nchecksum = { kind = 'xor' }\n\
        line = '${checksum_from}{sequence:04},{geometry},{gloss},GU,{status}{checksum_to}*{checksum}'\n\
        [tile]\ntruth_gu = { 60 = 92.4 }\n[[fault]]\nline = 2\nkind = 'error'\nword = 'MEM'\n";
    let mut meter = SimulatedMeter::new(Scenario::load("t.toml", scenario).unwrap());
    meter.place(&Spot::Tile).unwrap();
    let mut sent = Vec::new();
    for emission in (0..3).flat_map(|_| meter.press()) {
        let Emission::Bytes(bytes) = emission else { panic!("{emission:?}") };
        sent.extend(bytes);
    }
    assert!(sent.starts_with(b"$0001,60,92.4,GU,OK*00\r\n"), "{}", sent.escape_ascii());
    assert_eq!(read(&FRAMED, &sent), ["60:92.4 #1", "from-memory", "60:92.4 #3"]);
}

static FRAMED: LazyLock<Profile> = LazyLock::new(|| shipped::find("framed-checksum").unwrap());
static COLUMNS: LazyLock<Profile> = LazyLock::new(|| shipped::find("fixed-columns").unwrap());

/// Whether a line of the shipped profile `framed-checksum` has the right checksum; by hand, not by the program.
fn checksum_is_right(line: &[u8]) -> bool {
    let Some((fields, digits)) = line.split_last_chunk::<2>() else { return false };
    let Some(fields) = fields.strip_prefix(b"$").and_then(|fields| fields.strip_suffix(b"*")) else {
        return false;
    };
    let sum = fields.iter().fold(0, |sum, byte| sum ^ byte);
    digits.eq_ignore_ascii_case(format!("{sum:02x}").as_bytes())
}

fn good_line((number, tenths): (u32, u32)) -> Vec<u8> {
    let fields = format!("{number:04},60,{}.{},GU,OK", tenths / 10, tenths % 10);
    let sum = fields.bytes().fold(0, |sum, byte| sum ^ byte);
    format!("${fields}*{sum:02X}").into_bytes()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    #[test]
    fn one_changed_byte_of_a_line_with_a_checksum_never_gives_another_value(
        of in (1u32..10_000, 0u32..10_000), at in any::<prop::sample::Index>(), byte in any::<u8>(),
    ) {
        let good = good_line(of);
        let value = outcome(&FRAMED, &good);
        prop_assert!(value.starts_with("60:"), "{}", value);
        let mut changed = good.clone();
        changed[at.index(good.len())] = byte;
        let became = outcome(&FRAMED, &changed);
        prop_assert!(became == value || !became.starts_with("60:"), "{:?} gives {}", changed, became);
    }

    #[test]
    fn lost_doubled_and_changed_bytes_give_a_value_only_with_the_right_checksum(
        of in (1u32..10_000, 0u32..10_000),
        changes in prop::collection::vec((any::<prop::sample::Index>(), 0..3, prop_oneof![any::<u8>(), b'0'..=b'9']), 1..5),
    ) {
        let mut line = good_line(of);
        for (at, what, byte) in changes {
            if line.is_empty() { break }
            let at = at.index(line.len());
            match what {
                0 => line[at] = byte,
                1 => drop(line.remove(at)),
                _ => line.insert(at, line[at]),
            }
        }
        let became = outcome(&FRAMED, &line);
        if !checksum_is_right(&line) {
            let is_value = became.contains(':');
            prop_assert!(!is_value, "{:?} gives {}", line, became);
        }
    }

    /// The oracle cuts the columns by hand.
    #[test]
    fn a_line_in_columns_gives_a_value_exactly_if_it_matches_in_full(
        (number, tenths) in (1u32..10_000, 0u32..12_000),
        angle in prop::sample::select(&["60", "20", "45", " 6"]),
        behind in prop::sample::select(&["", "", " ", "  \t", " x"]),
        change in prop::option::of((0usize..17, prop::sample::select(&b" 0|x.\t"[..]))),
    ) {
        let mut line = format!("{number:4} {angle} {:4}.{} GU{behind}", tenths / 10, tenths % 10);
        if let Some((at, byte)) = change {
            line.replace_range(at..=at, std::str::from_utf8(&[byte]).unwrap());
        }
        let oracle = || {
            let (head, behind) = line.split_at_checked(17)?;
            let is_blank = |at: usize| b" \t".contains(&head.as_bytes()[at]);
            let (whole, tenth) = head[8..14].trim().split_once('.')?;
            let number = head[0..4].trim();
            let fits = behind.trim().is_empty() && is_blank(4) && is_blank(7) && is_blank(14)
                && head[15..17].trim() == "GU" && tenth.len() == 1 && !whole.is_empty()
                && (whole.to_owned() + tenth).bytes().all(|b| b.is_ascii_digit())
                && number.bytes().all(|b| b.is_ascii_digit());
            let angle = head[5..7].trim();
            let number: u32 = number.parse().ok()?;
            let value: u32 = (whole.to_owned() + tenth).parse().ok()?;
            let high = if angle == "20" { 20_000 } else { 10_000 };
            (fits && ["20", "60"].contains(&angle) && number > 0 && value <= high)
                .then(|| format!("{angle}:{}.{tenth} #{number}", value / 10))
        };
        let found = outcome(&COLUMNS, line.as_bytes());
        prop_assert_eq!(found.contains(':').then_some(found), oracle());
    }
}
