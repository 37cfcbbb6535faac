//! TOML into types. The messages of serde and of the TOML reader are put into the words of the person
//! who wrote the file.

use crate::text::Problem;
use crate::text::nearest;
use serde::de::DeserializeOwned;

/// Reads `source` as TOML into `T`; `file` is the name to show in errors. A byte order mark at the
/// start is passed over.
///
/// # Errors
/// The first [`Problem`] found: not TOML, a key or choice that does not exist (with the one that was
/// most likely meant), a key that is missing, a value of the wrong kind, or what `T` itself refuses.
/// A message of `T`'s own that has the form `what; hint` is split there.
pub fn parse<T: DeserializeOwned>(file: &str, source: &str) -> Result<T, Problem> {
    toml::from_str(source).map_err(|error| {
        let place = error.span().unwrap_or(0..0);
        let (what, hint) = if toml::de::DeTable::parse(source).is_err() {
            syntax(error.message())
        } else {
            meaning(error.message(), source.get(place.clone()).unwrap_or(""))
        };
        Problem::at(file, source, place, what, hint)
    })
}

fn syntax(message: &str) -> (String, String) {
    let what = format!("not TOML: {message}");
    let hint = if message.starts_with("duplicate key") {
        "a key stands once in its table; a list of tables has double brackets, such as `[[example]]`"
    } else {
        "a line is `key = value` or `[table]`; texts stand in quotes; in 'single quotes' a backslash is itself"
    };
    (what, hint.to_owned())
}

fn meaning(message: &str, found: &str) -> (String, String) {
    let message = message.lines().next().unwrap_or(message);
    if let Some(rest) = message.strip_prefix("unknown field ") {
        return unknown("key", rest);
    }
    if let Some(rest) = message.strip_prefix("unknown variant ") {
        return unknown("choice", rest);
    }
    if let Some(key) = message.strip_prefix("missing field ") {
        return (format!("the key {key} is missing"), format!("add {key} to this table"));
    }
    if let Some(key) = message.strip_prefix("duplicate field ") {
        return (format!("the key {key} stands here twice"), "keep one of them".to_owned());
    }
    if message == "wanted string or table" {
        return (format!("expected one of the choices, in quotes, found {found}"), String::new());
    }
    for kind in ["invalid type: ", "invalid value: ", "invalid length "] {
        if let Some((seen, expected)) =
            message.strip_prefix(kind).and_then(|rest| rest.rsplit_once(", expected "))
        {
            return wrong_kind(seen, expected, found);
        }
    }
    match message.split_once("; ") {
        Some((what, hint)) => (what.to_owned(), hint.to_owned()),
        None => (message.to_owned(), String::new()),
    }
}

/// `rest` is "`x`, expected one of `a`, `b`", "`x`, expected `a` or `b`" or "`x`, there are no …".
fn unknown(kind: &str, rest: &str) -> (String, String) {
    let mut quoted = rest.split('`').skip(1).step_by(2);
    let word = quoted.next().unwrap_or("");
    let known: Vec<&str> = quoted.collect();
    let hint = match nearest(word, known.iter().copied()) {
        Some(meant) => format!("did you mean `{meant}`?"),
        None if known.is_empty() => format!("no {kind} fits here; take it out"),
        None if known.len() == 1 => format!("the only {kind} here is `{}`", known[0]),
        None => format!("the {kind}s here are `{}`", known.join("`, `")),
    };
    (format!("unknown {kind} `{word}`"), hint)
}

fn wrong_kind(seen: &str, expected: &str, found: &str) -> (String, String) {
    let found = found.trim();
    let shown = if found.is_empty() || found.len() > 60 || found.contains('\n') { seen } else { found };
    let expected = plain_kind(expected);
    (format!("expected {expected}, found {shown}"), kind_hint(seen, expected).to_owned())
}

/// Kinds of value without the names that only a programmer knows.
fn plain_kind(expected: &str) -> &str {
    match expected {
        "u8" => "a whole number from 0 to 255",
        "u16" => "a whole number from 0 to 65535",
        "u32" | "u64" | "u128" | "usize" => "a whole number, zero or more",
        "i8" | "i16" | "i32" | "i64" | "i128" | "isize" => "a whole number",
        "f32" | "f64" => "a number",
        "a boolean" => "true or false",
        "a string" | "a character" | "str" | "string" => "a text in quotes",
        "a sequence" => "a list",
        "a map" | "map" => "a table of keys",
        other if other.starts_with("struct ") => "a table of keys",
        other if other.starts_with("enum ") => "one of the choices, in quotes",
        other => other,
    }
}

fn kind_hint(seen: &str, expected: &str) -> &'static str {
    let is_number = seen.starts_with("integer") || seen.starts_with("floating");
    match expected {
        "a text in quotes" if is_number => "put the number in quotes, so that its digits stay as they are",
        "a text in quotes" => "write it in quotes, such as \"text\"",
        "true or false" => "write true or false, without quotes",
        "a list" => "write it in brackets, such as [\"one\", \"two\"]",
        "a table of keys" => "write `[table]` on a line of its own and the keys below it",
        _ if expected.contains("number") && seen.starts_with("string") => "write the number without quotes",
        _ => "",
    }
}

#[cfg(test)]
#[path = "toml_errors_tests.rs"]
mod tests;
