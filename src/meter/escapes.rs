//! Bytes of the line as a person writes them in a profile or a scenario, and as they are shown to one.

/// Longest request, bytes.
pub const MAX_REQUEST_BYTES: usize = 256;

/// Reads the bytes of a request: `\r`, `\n`, `\t`, `\\` and `\x41` stand for a byte each, every other
/// character up to U+00FF for the byte of the same number. Signs that TOML has read already, such as a
/// line end in "double quotes", stand for themselves.
///
/// # Errors
/// A sentence that says what is wrong: nothing to send, too long, an escape that is none, a character
/// that is no byte.
pub fn request_bytes(text: &str) -> Result<Box<[u8]>, String> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.chars();
    while let Some(c) = rest.next() {
        let byte = match c {
            '\\' => byte_of(&mut rest)?,
            _ => u8::try_from(c).map_err(|_| format!("`{c}` is no single byte; write it as `\\xNN`"))?,
        };
        bytes.push(byte);
    }
    match bytes.len() {
        0 => Err("there is nothing to send".to_owned()),
        1..=MAX_REQUEST_BYTES => Ok(bytes.into()),
        long => Err(format!("{long} bytes are too long; {MAX_REQUEST_BYTES} is the most")),
    }
}

fn byte_of(rest: &mut std::str::Chars<'_>) -> Result<u8, String> {
    match rest.next() {
        Some('r') => Ok(b'\r'),
        Some('n') => Ok(b'\n'),
        Some('t') => Ok(b'\t'),
        Some('\\') => Ok(b'\\'),
        Some('x') => {
            let mut digit = || rest.next().and_then(|c| c.to_digit(16)).and_then(|d| u8::try_from(d).ok());
            match (digit(), digit()) {
                (Some(high), Some(low)) => Ok(high * 16 + low),
                _ => Err("`\\x` needs two hexadecimal digits, as in `\\x0D`".to_owned()),
            }
        }
        other => {
            let other = other.map_or_else(String::new, String::from);
            Err(format!("`\\{other}` is no escape; `\\r`, `\\n`, `\\t`, `\\\\` and `\\xNN` are"))
        }
    }
}

/// All bytes as a person can read them, and a terminal shows them safely: a tab as `\t`, a byte that is no
/// printable ASCII as `\xff`, a backslash as `\\`. In double quotes it is a text of a profile, as long as
/// there is no double quote in it.
#[must_use]
pub fn escaped(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len() + 8);
    for &byte in bytes {
        match byte {
            b'"' | b'\'' => text.push(char::from(byte)),
            _ => text.extend(byte.escape_ascii().map(char::from)),
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn escapes_stand_for_the_byte_that_they_name() {
        for (text, bytes) in [
            (r"MEAS?\r\n", b"MEAS?\r\n".as_slice()),
            ("MEAS?\r\n", b"MEAS?\r\n"),
            (r"\x02M\x03\xfF", b"\x02M\x03\xff"),
            (r"a\\n\t", b"a\\n\t"),
            ("°", b"\xb0"),
        ] {
            assert_eq!(&*request_bytes(text).unwrap(), bytes, "{text}");
        }
    }

    #[test]
    fn what_stands_for_no_byte_is_refused() {
        let long = "x".repeat(MAX_REQUEST_BYTES + 1);
        for (text, why) in [
            ("", "nothing to send"),
            (r"\q", "`\\q` is no escape"),
            ("M\\", "`\\` is no escape"),
            (r"\x4", "two hexadecimal digits"),
            (r"\xg0", "two hexadecimal digits"),
            ("板", "no single byte"),
            (&long, "too long"),
        ] {
            let said = request_bytes(text).unwrap_err();
            assert!(said.contains(why), "{text}: {said}");
        }
    }
}
