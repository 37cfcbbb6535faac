//! Software flow control takes two bytes out of the line, both ways: a profile that needs them could never be
//! read, and says so when it is loaded rather than at the bench.

use crate::meter::LineEnd;
use crate::meter::Way;
use crate::meter::profile::FlowControl;
use crate::meter::profile_file::File;
use crate::meter::profile_file::Source;
use crate::text::Problem;
use std::ops::Range;
use toml::Spanned;

const XON: u8 = 0x11;
const XOFF: u8 = 0x13;

/// Refuses software flow control where the profile has XON or XOFF as text.
pub(super) fn fits(source: Source<'_>, file: &File, flow: FlowControl, way: &Way) -> Result<(), Problem> {
    if flow != FlowControl::Software {
        return Ok(());
    }
    let refuse = |span: Range<usize>, key: &str, byte: u8| {
        let what = format!(
            "`{key}` has the byte {byte:#04x} in it, which `flow = \"software\"` takes out of the line"
        );
        let hint = "set `flow = \"none\"` or \"hardware\" if the meter sends that byte as text; XON (0x11) and XOFF (0x13) cannot be both";
        Err(source.problem(span, what, hint))
    };
    let line = file.line.get_ref();
    if let LineEnd::Byte(byte @ (XON | XOFF)) = line.end {
        return refuse(file.line.span(), "end", byte);
    }
    let parts = [("prefix", &line.prefix), ("suffix", &line.suffix), ("separator", &line.separator)];
    let parts = parts.into_iter().filter_map(|(key, part)| part.as_ref().map(|part| (key, part)));
    let checksum = file.checksum.as_ref().and_then(|checksum| checksum.get_ref().separator.as_ref());
    let examples = file.example.iter().flat_map(|example| {
        let (one, more) = (&example.get_ref().line, &example.get_ref().lines);
        let more = more.iter().flat_map(|lines| lines.get_ref());
        one.iter().map(|line| ("line", line)).chain(more.map(|line| ("lines", line)))
    });
    for (key, text) in parts.chain(checksum.map(|text| ("separator", text))).chain(examples) {
        if let Some(byte) = eaten(text.get_ref().as_bytes()) {
            return refuse(text.span(), key, byte);
        }
    }
    let Way::Ask(plan) = way else { return Ok(()) };
    let requests = [Some(&plan.request), plan.error_query.as_ref()].into_iter().flatten().chain(&plan.start);
    match requests.filter_map(|request| eaten(request)).next() {
        Some(byte) => refuse(file.reading.request.as_ref().map_or(0..0, Spanned::span), "request", byte),
        None => Ok(()),
    }
}

fn eaten(bytes: &[u8]) -> Option<u8> {
    bytes.iter().copied().find(|byte| matches!(*byte, XON | XOFF))
}

#[cfg(test)]
mod tests {
    use crate::meter::Profile;

    fn load(flow: &str, line: &str, rest: &str) -> Result<Profile, String> {
        let text = format!(
            "name = 'p'\n[serial]\nflow = '{flow}'\n[line]\nseparator = ';'\nfields = ['geometry', 'gloss']\n{line}\n{rest}\n\
             [[example]]\nline = \"60;85.3\"\ngloss_60 = '85.3'\n"
        );
        Profile::load("mine.toml", &text).map_err(|problem| problem.to_string())
    }

    #[test]
    fn bytes_that_software_flow_control_would_take_away_are_refused() {
        for (line, rest, key) in [
            ("end = \"\\x11\"", "", "`end`"),
            ("suffix = \"\\x13\"", "", "`suffix`"),
            ("", "[[example]]\nline = \"60\\x13;85.3\"\nrefused = true", "`line`"),
            ("", "[reading]\nhow = 'ask'\nrequest = 'R\\x11'", "`request`"),
            ("", "[reading]\nhow = 'ask'\nrequest = 'R\\r'\nstart = ['\\x13']", "`request`"),
        ] {
            let said = load("software", line, rest).expect_err(key);
            assert!(said.contains(key) && said.contains("takes out of the line"), "{said}");
            let other = load("none", line, rest).map_or_else(|said| said, |_| String::new());
            assert!(!other.contains("takes out"), "{other}");
        }
        load("software", "encoding = 'latin-1'", "")
            .expect("no sign of latin-1 beyond ASCII is one of the two");
    }
}
