//! How fast lines become values: for each shipped profile, beside a loop that only splits the line and
//! parses the number. Both get the same lines in one block of bytes, so the line ends are found too.
//! `cargo bench --bench lines`; divan prints items (lines) a second.

#![allow(clippy::unwrap_used, reason = "a bench")]
#![allow(
    clippy::needless_splitn,
    clippy::manual_split_once,
    reason = "the reference is a plain `splitn` loop"
)]

use divan::counter::ItemsCount;
use divan::{Bencher, black_box};
use halfpanel::meter::{Line, LineOutcome, shipped};

const LINES: usize = 10_000;
const PROFILES: [&str; 7] = [
    "comma-decimal",
    "fixed-columns",
    "framed-checksum",
    "labelled",
    "semicolon-numbered",
    "tab-60",
    "three-angle",
];

fn main() {
    assert_eq!(shipped::names().count(), PROFILES.len(), "every shipped profile is measured");
    divan::main();
}

/// A block of lines as the meter of a shipped profile sends them.
fn block(profile: &str) -> Vec<u8> {
    let mut text = String::new();
    for k in 0..LINES {
        let (whole, tenth) = (70 + k % 20, k % 10);
        text.push_str(&match profile {
            "comma-decimal" => format!("M1;B;{whole},{tenth}\r"),
            "fixed-columns" => format!("{:4} 60   {whole}.{tenth} GU\r\n", k % 9999 + 1),
            "framed-checksum" => {
                let fields = format!("{:04},60,{whole}.{tenth},GU,OK", k % 9999 + 1);
                let checksum = fields.bytes().fold(0, |sum, byte| sum ^ byte);
                format!("${fields}*{checksum:02X}\r\n")
            }
            "labelled" => format!("G60={whole}.{tenth} GU\r\n"),
            "semicolon-numbered" => format!("{:04};60;{whole}.{tenth};GU;OK\r\n", k % 9999 + 1),
            "tab-60" => format!("60\t{whole}.{tenth}\r\n"),
            "three-angle" => format!("   {whole}.{tenth}    {whole}.{tenth}    9{tenth}.0\r\n"),
            other => panic!("how does `{other}` write a line?"),
        });
    }
    text.into_bytes()
}

#[divan::bench(args = PROFILES)]
fn halfpanel(bencher: Bencher<'_, '_>, profile: &str) {
    let block = block(profile);
    let profile = shipped::find(profile).unwrap();
    bencher.counter(ItemsCount::new(LINES)).bench_local(|| {
        let mut values = 0;
        profile.assembler().feed(black_box(&block), |line| {
            let Line::Whole(line) = line else { return };
            if let LineOutcome::Values { gloss, .. } = profile.reader().read(line) {
                black_box(gloss);
                values += 1;
            }
        });
        assert_eq!(values, LINES);
    });
}

/// Splits each line and parses its numbers as doubles; checks nothing.
#[divan::bench(args = PROFILES)]
fn plain_split(bencher: Bencher<'_, '_>, profile: &str) {
    let block = block(profile);
    bencher.counter(ItemsCount::new(LINES)).bench_local(|| {
        let mut values = 0;
        for line in black_box(&block).split(|&b| b == b'\n' || b == b'\r').filter(|line| !line.is_empty()) {
            let line = std::str::from_utf8(line).unwrap();
            let gloss: f64 = match profile {
                "comma-decimal" => line.split(';').nth(2).unwrap().replace(',', ".").parse().unwrap(),
                "fixed-columns" => line[8..14].trim().parse().unwrap(),
                "framed-checksum" => line.split(',').nth(2).unwrap().parse().unwrap(),
                "labelled" => line.split(['=', ' ']).nth(1).unwrap().parse().unwrap(),
                "semicolon-numbered" => line.split(';').nth(2).unwrap().parse().unwrap(),
                "tab-60" => line.split_once('\t').unwrap().1.parse().unwrap(),
                _ => line.split_whitespace().map(|cell| cell.parse::<f64>().unwrap()).sum(),
            };
            black_box(gloss);
            values += 1;
        }
        assert_eq!(values, LINES);
    });
}
