//! Reading what a client sends: a form or JSON. The gate has bounded its size and time.

use super::answers::Code;
use super::answers::Problem;
use axum::http::HeaderMap;
use axum::http::StatusCode;
use axum::http::header;
use serde::de::DeserializeOwned;
use serde_json::Map;
use serde_json::Value;

/// What can be sent as a form as well as in JSON.
pub trait Sent: DeserializeOwned {
    /// Fields that may be there several times.
    const LISTS: &'static [&'static str] = &[];
    /// Fields that are numbers.
    const NUMBERS: &'static [&'static str];
}

/// Reads a body.
///
/// # Errors
/// A [`Problem`] that says what would be right.
pub fn heed<T: Sent>(headers: &HeaderMap, bytes: &[u8]) -> Result<T, Problem> {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
    let kind = kind.split(';').next().unwrap_or_default().trim().to_ascii_lowercase();
    match kind.as_str() {
        "application/json" => read(serde_json::from_slice(bytes)),
        "application/x-www-form-urlencoded" => read(from_form::<T>(bytes)),
        _ => {
            let detail = "the body must be application/json or application/x-www-form-urlencoded";
            Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, Code::BadInput, detail))
        }
    }
}

fn read<T>(read: Result<T, serde_json::Error>) -> Result<T, Problem> {
    read.map_err(|error| {
        Problem::bad_input(format!("what was sent cannot be read: {error}"))
            .hint("/openapi.json describes every field")
    })
}

/// Fields of a form as JSON: empty ones are absent, as a browser sends those that were left alone.
fn from_form<T: Sent>(bytes: &[u8]) -> Result<T, serde_json::Error> {
    let mut object = Map::new();
    for list in T::LISTS {
        object.insert((*list).to_owned(), Value::Array(Vec::new()));
    }
    for (name, text) in pairs(bytes) {
        let name = name.trim_end_matches("[]");
        let text = text.trim();
        if text.is_empty() {
            continue;
        }
        if T::LISTS.contains(&name) {
            if let Some(Value::Array(list)) = object.get_mut(name) {
                list.push(text.into());
            }
        } else if T::NUMBERS.contains(&name) {
            // A comma is what many keyboards give; what is no number is refused as the wrong type.
            let number = serde_json::from_str(&text.replace(',', "."));
            let number = number.ok().filter(Value::is_number).unwrap_or_else(|| text.into());
            object.insert(name.to_owned(), number);
        } else {
            object.insert(name.to_owned(), text.into());
        }
    }
    serde_json::from_value(Value::Object(object))
}

/// Names and values of a form (URL standard, 5.1). Bytes that are no form give something all the same, which is refused
/// for what is missing.
fn pairs(bytes: &[u8]) -> Vec<(String, String)> {
    form_urlencoded::parse(bytes).into_owned().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_of_a_form_is_lost_however_it_was_encoded() {
        let read = |form: &str| pairs(form.as_bytes());
        let pair = |name: &str, text: &str| (name.to_owned(), text.to_owned());
        let reason = "word=void+7&reason=slid %231 & #2";
        assert_eq!(read(reason)[..2], [pair("word", "void 7"), pair("reason", "slid #1 ")]);
        assert_eq!(read("reason=slid #2, see note"), [pair("reason", "slid #2, see note")]);
        assert_eq!(read("operator=J%C3%B6&operator=Jö"), [pair("operator", "Jö"), pair("operator", "Jö")]);
        let long = format!("reason={}", "x".repeat(65_000));
        assert_eq!(read(&long)[0].1.len(), 65_000);
    }
}
