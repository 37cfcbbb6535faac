//! One record as JSON, both ways. Bytes stand in a JSON string as the characters of the same number
//! (byte 0xB0 is U+00B0), which loses nothing and leaves plain ASCII as it is.

use super::{Body, ClockStep, Ending, FORMAT, Head, Link, Record, Resumed};
use crate::run::word::Word;
use serde::Deserialize;
use serde::Serialize;
use std::borrow::Cow;
use std::io::Write;

/// All keys a record can have; `k` says which of them are there.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wire<'a> {
    n: u32,
    t: u64,
    g: u32,
    #[serde(borrow)]
    k: &'a str,
    #[serde(default)]
    d: Option<String>,
    #[serde(borrow, default)]
    v: Option<&'a serde_json::value::RawValue>,
}

/// Why a whole line is no record for this program.
#[derive(Debug, PartialEq, Eq)]
pub enum Undecodable {
    /// Not a record.
    Bad(String),
    /// The head of a later format.
    TooNew {
        /// The format it has.
        format: u32,
        /// The oldest program version that reads it.
        reader: String,
    },
}

impl From<serde_json::Error> for Undecodable {
    fn from(error: serde_json::Error) -> Self {
        Undecodable::Bad(error.to_string())
    }
}

/// Reads the JSON text of a record. The bytes of a `bytes` or `request` record land in `bytes`.
pub fn decode<'b>(json: &[u8], bytes: &'b mut Vec<u8>) -> Result<Record<'b>, Undecodable> {
    if let Some((n, at_us, group)) = decode_plain_bytes(json, bytes) {
        return Ok(Record { n, at_us, group, body: Body::Bytes(Cow::Borrowed(bytes)) });
    }
    let wire: Wire = serde_json::from_slice(json)?;
    let value = wire.v.map_or("null", |v| v.get());
    let body = match wire.k {
        "bytes" | "request" => {
            unescape(wire.d.as_deref().unwrap_or_default(), bytes)?;
            let bytes = Cow::Borrowed(bytes.as_slice());
            if wire.k == "bytes" { Body::Bytes(bytes) } else { Body::Request(bytes) }
        }
        "tick" => Body::Tick,
        "head" => Body::Head(Box::new(head(value)?)),
        "word" => Body::Word(parse::<Word>(value)?),
        "link" => Body::Link(parse::<Link>(value)?),
        "clock" => Body::Clock(parse::<ClockStep>(value)?),
        "resumed" => Body::Resumed(Box::new(parse::<Resumed>(value)?)),
        "seal" => Body::Seal(parse::<String>(value)?),
        "end" => Body::End(parse::<Ending>(value)?),
        other => return Err(Undecodable::Bad(format!("`{other}` is not a kind of record"))),
    };
    Ok(Record { n: wire.n, at_us: wire.t, group: wire.g, body })
}

fn parse<'d, T: Deserialize<'d>>(json: &'d str) -> Result<T, Undecodable> {
    Ok(serde_json::from_str(json)?)
}

/// The head of a later format may have keys that this program does not know, so its version is
/// looked at before the rest.
fn head(json: &str) -> Result<Head, Undecodable> {
    #[derive(Deserialize)]
    struct Version {
        format: u32,
        oldest_reader: String,
    }
    match parse::<Version>(json)? {
        Version { format, oldest_reader } if format > FORMAT => {
            Err(Undecodable::TooNew { format, reader: oldest_reader })
        }
        _ => parse::<Head>(json),
    }
}

/// The commonest record by far, in the exact shape that the encoder gives it and with only the short
/// escapes; anything else takes the general way above. It exists for the speed of long replays.
fn decode_plain_bytes(json: &[u8], bytes: &mut Vec<u8>) -> Option<(u32, u64, u32)> {
    let (n, rest) = number(json.strip_prefix(b"{\"n\":")?)?;
    let (t, rest) = number(rest.strip_prefix(b",\"t\":")?)?;
    let (g, rest) = number(rest.strip_prefix(b",\"g\":")?)?;
    let mut text = rest.strip_prefix(b",\"k\":\"bytes\",\"d\":\"")?.strip_suffix(b"\"}")?;
    bytes.clear();
    while let Some(special) = text.iter().position(|&b| !is_plain(b)) {
        let meant = match (text[special], text.get(special + 1)?) {
            (b'\\', b'n') => b'\n',
            (b'\\', b'r') => b'\r',
            (b'\\', b't') => b'\t',
            (b'\\', &quoted) if quoted == b'"' || quoted == b'\\' => quoted,
            _ => return None,
        };
        bytes.extend_from_slice(&text[..special]);
        bytes.push(meant);
        text = &text[special + 2..];
    }
    bytes.extend_from_slice(text);
    Some((u32::try_from(n).ok()?, t, u32::try_from(g).ok()?))
}

/// Whether a byte stands in a JSON string as itself.
fn is_plain(byte: u8) -> bool {
    matches!(byte, b' '..=b'~') && !matches!(byte, b'"' | b'\\')
}

fn number(text: &[u8]) -> Option<(u64, &[u8])> {
    let digits = text.iter().take_while(|b| b.is_ascii_digit()).count();
    // 19 digits always fit; a leading zero is not JSON.
    if digits == 0 || digits > 19 || (digits > 1 && text[0] == b'0') {
        return None;
    }
    let value = text[..digits].iter().fold(0, |sum, b| sum * 10 + u64::from(b - b'0'));
    Some((value, &text[digits..]))
}

/// Writes the JSON text of a record, without CRC and line end.
pub fn encode(record: &Record<'_>, out: &mut Vec<u8>) {
    let (kind, value) = match &record.body {
        Body::Bytes(bytes) => ("bytes", Value::Bytes(bytes)),
        Body::Request(bytes) => ("request", Value::Bytes(bytes)),
        Body::Tick => ("tick", Value::None),
        Body::Head(head) => ("head", json(head)),
        Body::Word(word) => ("word", json(word)),
        Body::Link(link) => ("link", json(link)),
        Body::Clock(step) => ("clock", json(step)),
        Body::Resumed(resumed) => ("resumed", json(resumed)),
        Body::Seal(sha256) => ("seal", json(sha256)),
        Body::End(ending) => ("end", json(ending)),
    };
    // Writing to a Vec cannot fail.
    let _ = write!(out, r#"{{"n":{},"t":{},"g":{},"k":"{kind}""#, record.n, record.at_us, record.group);
    match value {
        Value::None => {}
        Value::Bytes(bytes) => {
            out.extend_from_slice(b",\"d\":\"");
            escape(bytes, out);
            out.push(b'"');
        }
        Value::Json(text) => {
            out.extend_from_slice(b",\"v\":");
            out.extend_from_slice(&text);
        }
    }
    out.push(b'}');
}

enum Value<'a> {
    None,
    Bytes(&'a [u8]),
    Json(Vec<u8>),
}

fn json<T: Serialize>(value: &T) -> Value<'static> {
    // Plain structs with string keys; a failure would be a bug in their derive.
    Value::Json(serde_json::to_vec(value).expect("a record's value is always representable as JSON"))
}

/// Bytes as the inside of a JSON string.
fn escape(bytes: &[u8], out: &mut Vec<u8>) {
    let mut rest = bytes;
    while let Some((&byte, after)) = rest.split_first() {
        let plain = rest.iter().take_while(|&&b| is_plain(b)).count();
        if plain > 0 {
            out.extend_from_slice(&rest[..plain]);
            rest = &rest[plain..];
            continue;
        }
        rest = after;
        match byte {
            b'"' | b'\\' => out.extend_from_slice(&[b'\\', byte]),
            b'\n' => out.extend_from_slice(b"\\n"),
            b'\r' => out.extend_from_slice(b"\\r"),
            b'\t' => out.extend_from_slice(b"\\t"),
            0x80.. => out.extend_from_slice(char::from(byte).encode_utf8(&mut [0; 4]).as_bytes()),
            _ => {
                let _ = write!(out, "\\u{byte:04x}");
            }
        }
    }
}

/// The bytes that a string stands for.
pub fn unescape(text: &str, out: &mut Vec<u8>) -> Result<(), Undecodable> {
    out.clear();
    out.reserve(text.len());
    for c in text.chars() {
        out.push(u8::try_from(c).map_err(|_| Undecodable::Bad(format!("`{c}` stands for no byte")))?);
    }
    Ok(())
}

/// Bytes as a string of the characters of the same number.
pub fn as_text(bytes: &[u8]) -> String {
    bytes.iter().map(|&b| char::from(b)).collect()
}
