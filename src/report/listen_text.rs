//! What came over a meter's line, row by row, in words and as JSON, and what it came to.

use crate::meter::Heard;
use crate::meter::HeardKind;
use crate::meter::LineOutcome;
use crate::meter::escaped;
use crate::text::wrapped;
use chrono::DateTime;
use chrono::FixedOffset;
use serde_json::Value;
use serde_json::json;
use std::collections::BTreeMap;

/// Columns of a terminal.
const WIDTH: usize = 80;

/// Where the reason begins that stands below its line.
const INDENT: usize = 4;

/// When something came.
#[derive(Clone, Copy, Debug)]
pub enum At {
    /// The time on the wall.
    Wall(DateTime<FixedOffset>),
    /// Its place in a recording.
    Record {
        /// Number of the record.
        n: u32,
        /// Microseconds since the start of the run.
        at_us: u64,
    },
}

impl At {
    fn text(&self) -> String {
        match self {
            At::Wall(time) => time.format("%H:%M:%S%.3f").to_string(),
            At::Record { n, .. } => format!("{n:>6}"),
        }
    }

    fn write_to(&self, object: &mut Value) {
        match self {
            At::Wall(time) => object["time"] = time.format("%Y-%m-%dT%H:%M:%S%.3f%:z").to_string().into(),
            At::Record { n, at_us } => {
                object["record"] = (*n).into();
                object["at_us"] = (*at_us).into();
            }
        }
    }
}

/// A line and what the profile makes of it (`None` without a profile), in rows within 80 columns except
/// for a line that is longer by itself.
#[must_use]
pub fn row(at: &At, heard: &Heard, made: Option<&LineOutcome>) -> Vec<String> {
    let line = match heard.kind {
        HeardKind::Blank => format!("(blank) {}", escaped(&heard.end)),
        _ => format!("`{}` {}", escaped(&heard.bytes), escaped(&heard.end)),
    };
    beside(at, line.trim_end(), &in_words(heard, made))
}

/// Bytes that are no line, with a word on what they are.
#[must_use]
pub fn bytes_row(at: &At, bytes: &[u8], what: &str) -> Vec<String> {
    beside(at, &format!("`{}`", escaped(bytes)), what)
}

fn beside(at: &At, line: &str, words: &str) -> Vec<String> {
    let start = format!("{}  {line:<28}", at.text());
    if words.is_empty() {
        return vec![start.trim_end().to_owned()];
    }
    let whole = format!("{start}  {words}");
    if whole.chars().count() <= WIDTH {
        return vec![whole];
    }
    let below = wrapped(words, WIDTH - INDENT).into_iter().map(|text| format!("{:INDENT$}{text}", ""));
    std::iter::once(start.trim_end().to_owned()).chain(below).collect()
}

fn in_words(heard: &Heard, made: Option<&LineOutcome>) -> String {
    match (heard.kind, made) {
        (HeardKind::SoFar, _) => "no line end so far".to_owned(),
        (HeardKind::CutOff, _) => "it never ended: no value is taken".to_owned(),
        (HeardKind::TooLong, None) => "longer than 1,024 bytes; the rest is dropped".to_owned(),
        (HeardKind::Blank, Some(_)) => "passed over".to_owned(),
        (_, None) => String::new(),
        (_, Some(LineOutcome::Ignored)) => "passed over, as the profile says".to_owned(),
        (_, Some(LineOutcome::Refused(why))) => format!("refused: {why}"),
        (_, Some(LineOutcome::Values { gloss, sequence })) => {
            let values = gloss.iter().map(|(geometry, value)| format!("{geometry}: {value}"));
            let number = sequence.map(|number| format!("number {number}"));
            values.chain(number).collect::<Vec<_>>().join("  ")
        }
    }
}

/// The same as one JSON object.
#[must_use]
pub fn row_json(at: &At, heard: &Heard, made: Option<&LineOutcome>) -> Value {
    let kind = match heard.kind {
        HeardKind::Whole => "whole",
        HeardKind::Blank => "blank",
        HeardKind::TooLong => "too-long",
        HeardKind::SoFar => "so-far",
        HeardKind::CutOff => "cut-off",
    };
    let mut object = json!({
        "event": "line", "kind": kind, "text": escaped(&heard.bytes), "end": escaped(&heard.end),
    });
    at.write_to(&mut object);
    match made {
        None => {}
        Some(LineOutcome::Ignored) => object["made"] = "ignored".into(),
        Some(LineOutcome::Refused(why)) => {
            object["made"] = "refused".into();
            object["why"] = why.code().into();
            object["reason"] = why.to_string().into();
        }
        Some(LineOutcome::Values { gloss, sequence }) => {
            object["made"] = "values".into();
            object["gloss_gu"] = gloss
                .iter()
                .map(|(g, value)| (g.text().to_owned(), Value::from(value.to_string())))
                .collect();
            object["sequence"] = (*sequence).into();
        }
    }
    object
}

/// Bytes that are no line, as one JSON object.
#[must_use]
pub fn bytes_json(at: &At, event: &str, bytes: &[u8]) -> Value {
    let mut object = json!({ "event": event, "text": escaped(bytes) });
    at.write_to(&mut object);
    object
}

/// That the line came up or went down, as one JSON object.
#[must_use]
pub fn link_json(at: &At, up: bool, what: &str) -> Value {
    let mut object = json!({ "event": "link", "up": up, "what": what });
    at.write_to(&mut object);
    object
}

/// What all that was heard came to.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Totals {
    /// Bytes that came, line ends included.
    pub bytes: u64,
    /// Lines that came whole, were too long, or never ended. Blank ones are not among them.
    pub lines: u64,
    /// Blank lines.
    pub blank: u64,
    /// Lines that gave values. Without a profile none does.
    pub with_values: u64,
    /// Lines that the profile passes over.
    pub ignored: u64,
    /// Lines that were refused, by the code of the reason.
    pub refused: BTreeMap<&'static str, u64>,
    /// How often each line end came, as escaped text.
    pub ends: BTreeMap<String, u64>,
}

impl Totals {
    /// Counts a line in.
    pub fn count(&mut self, heard: &Heard, made: Option<&LineOutcome>) {
        match heard.kind {
            HeardKind::SoFar => return,
            HeardKind::Blank => self.blank += 1,
            _ => self.lines += 1,
        }
        if !heard.end.is_empty() {
            *self.ends.entry(escaped(&heard.end)).or_default() += 1;
        }
        match made {
            Some(LineOutcome::Values { .. }) => self.with_values += 1,
            Some(LineOutcome::Ignored) if heard.kind != HeardKind::Blank => self.ignored += 1,
            Some(LineOutcome::Refused(why)) => *self.refused.entry(why.code()).or_default() += 1,
            _ => {}
        }
    }

    /// In sentences, within 80 columns. `profile` is the name of the one the lines were held against.
    #[must_use]
    pub fn text(&self, profile: Option<&str>) -> Vec<String> {
        let mut said = format!("{}, {}", counted(self.bytes, "byte"), counted(self.lines, "line"));
        if self.blank > 0 {
            said.push_str(&format!(", {} blank", self.blank));
        }
        if !self.ends.is_empty() {
            let ends: Vec<String> = self.ends.iter().map(|(end, n)| format!("{end} ({n})")).collect();
            said.push_str(&format!(". Line ends: {}", ends.join(", ")));
        }
        let mut lines = wrapped(&format!("{said}."), WIDTH);
        if let Some(profile) = profile {
            lines.extend(wrapped(&self.by_profile(profile), WIDTH));
        }
        lines
    }

    fn by_profile(&self, profile: &str) -> String {
        let refused: u64 = self.refused.values().sum();
        let mut said = format!(
            "By the profile {profile}: {} with values, {} passed over, {refused} refused",
            self.with_values, self.ignored
        );
        if refused > 0 {
            let codes: Vec<String> = self.refused.iter().map(|(code, n)| format!("{code} {n}")).collect();
            said.push_str(&format!(" ({})", codes.join(", ")));
        }
        said + "."
    }

    /// What to look at where no line came at all; absent where one did.
    #[must_use]
    pub fn hint(&self) -> Option<&'static str> {
        match (self.bytes, self.lines + self.blank) {
            (0, _) => Some(
                "Nothing came. Press the meter's button; see in its menu that it sends to this port; try \
                 another rate (--baud). A meter that has to be asked stays silent here.",
            ),
            (_, 0) => Some(
                "Bytes came, but no line. See that the rate, the parity and the data bits are the meter's.",
            ),
            _ => None,
        }
    }

    /// The same as one JSON object.
    #[must_use]
    pub fn json(&self, profile: Option<&str>) -> Value {
        let mut object = json!({
            "event": "totals", "bytes": self.bytes, "lines": self.lines, "blank": self.blank,
            "line_ends": self.ends, "profile": profile,
        });
        if profile.is_some() {
            object["with_values"] = self.with_values.into();
            object["ignored"] = self.ignored.into();
            object["refused"] = json!(self.refused);
        }
        object
    }
}

fn counted(n: u64, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::shipped;

    fn whole(bytes: &[u8]) -> Heard {
        Heard { kind: HeardKind::Whole, bytes: bytes.to_vec(), end: b"\r\n".to_vec() }
    }

    fn at() -> At {
        At::Wall(DateTime::parse_from_rfc3339("2026-05-05T08:00:01.250+02:00").unwrap())
    }

    #[test]
    fn a_row_has_the_time_the_bytes_their_end_and_the_values() {
        let profile = shipped::find("tab-60").unwrap();
        let heard = whole(b"60\t85.3");
        let made = profile.reader().read(&heard.bytes);
        assert_eq!(
            row(&at(), &heard, Some(&made)),
            [r"08:00:01.250  `60\t85.3` \r\n               60°: 85.3"]
        );
        assert_eq!(row(&at(), &heard, None), [r"08:00:01.250  `60\t85.3` \r\n"]);
        let place = At::Record { n: 12, at_us: 3 };
        assert_eq!(row(&place, &heard, None), [r"    12  `60\t85.3` \r\n"]);
    }

    #[test]
    fn a_refusal_stands_below_its_line_within_the_terminal() {
        let profile = shipped::find("tab-60").unwrap();
        let heard = whole(b"60\t85.3\tOK");
        let rows = row(&at(), &heard, Some(&profile.reader().read(&heard.bytes)));
        assert!(rows.len() > 1 && rows[1].starts_with("    refused: "), "{rows:?}");
        assert!(rows.iter().all(|row| row.chars().count() <= 80), "{rows:?}");
    }

    #[test]
    fn totals_name_what_was_refused_and_the_ends_that_came() {
        let profile = shipped::find("tab-60").unwrap();
        let mut totals = Totals { bytes: 30, ..Totals::default() };
        for line in [&b"60\t85.3"[..], b"60\t85.4", b"rubbish"] {
            let heard = whole(line);
            totals.count(&heard, Some(&profile.reader().read(line)));
        }
        let so_far = Heard { kind: HeardKind::SoFar, bytes: b"6".to_vec(), end: Vec::new() };
        totals.count(&so_far, None);
        assert_eq!(
            totals.text(Some("tab-60")),
            [
                r"30 bytes, 3 lines. Line ends: \r\n (3).",
                "By the profile tab-60: 2 with values, 0 passed over, 1 refused (field-count 1)."
            ]
        );
        assert_eq!(totals.hint(), None);
        assert!(Totals::default().hint().unwrap().contains("--baud"));
    }
}
