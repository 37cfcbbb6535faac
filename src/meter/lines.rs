//! Bytes into lines. However the driver cuts the bytes, the lines are the same.

use serde::Deserialize;

/// Longest line in bytes, without its end. A longer one is given out cut off, so that a meter that
/// floods the port cannot fill the memory.
pub const MAX_LINE_BYTES: usize = 1024;

const CR: u8 = b'\r';
const LF: u8 = b'\n';

/// What ends a line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub enum LineEnd {
    /// CR, LF and CRLF are one end each.
    #[default]
    Any,
    /// CR alone; an LF is a part of the line.
    Cr,
    /// LF alone; a CR is a part of the line.
    Lf,
    /// CR with LF at once after it; either alone is a part of the line.
    CrLf,
    /// This byte alone, such as ETX; CR and LF are a part of the line.
    Byte(u8),
}

impl TryFrom<String> for LineEnd {
    type Error = String;
    fn try_from(text: String) -> Result<LineEnd, String> {
        let could_be_in_a_number = |byte: u8| {
            byte.is_ascii_alphanumeric() || matches!(byte, b' ' | b'\t' | b'.' | b',' | b'+' | b'-')
        };
        match (text.as_str(), text.as_bytes()) {
            ("any", _) => Ok(LineEnd::Any),
            ("cr" | "\r", _) => Ok(LineEnd::Cr),
            ("lf" | "\n", _) => Ok(LineEnd::Lf),
            ("crlf" | "\r\n", _) => Ok(LineEnd::CrLf),
            (_, &[byte]) if byte.is_ascii() && !could_be_in_a_number(byte) => Ok(LineEnd::Byte(byte)),
            _ => Err(format!(
                "unknown line end `{}`; the choices here are `any`, `cr`, `lf`, `crlf`, or the one character that ends \
                 a line, such as \";\" or \"\\x03\", which is no letter, digit, sign or blank",
                text.escape_debug()
            )),
        }
    }
}

impl LineEnd {
    /// Whether a line with this text in it would end there.
    pub(super) fn stands_in(self, text: &str) -> bool {
        match self {
            LineEnd::Any => text.contains(['\r', '\n']),
            LineEnd::Cr => text.contains('\r'),
            LineEnd::Lf => text.contains('\n'),
            LineEnd::CrLf => text.contains("\r\n"),
            LineEnd::Byte(byte) => text.as_bytes().contains(&byte),
        }
    }
}

/// One line, without its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Line<'a> {
    /// The line came whole; it is not blank.
    Whole(&'a [u8]),
    /// The line is longer than [`MAX_LINE_BYTES`]. These are its first bytes; the rest is dropped.
    TooLong(&'a [u8]),
}

/// Puts chunks of bytes together into lines. A line is given out as soon as its end is certain: with
/// [`LineEnd::Any`] at the CR, without waiting for an LF that may never come.
///
/// ```
/// use halfpanel::meter::{Line, LineAssembler, LineEnd};
/// let mut assembler = LineAssembler::new(LineEnd::Any);
/// let mut lines = Vec::new();
/// for chunk in ["60\t8", "5.3\r", "\n60\t", "85.4\n"] {
///     assembler.feed(chunk.as_bytes(), |line| match line {
///         Line::Whole(line) => lines.push(line.to_vec()),
///         Line::TooLong(_) => unreachable!(),
///     });
/// }
/// assert_eq!(lines, [b"60\t85.3", b"60\t85.4"]);
/// ```
#[derive(Clone, Debug)]
pub struct LineAssembler {
    end: LineEnd,
    held: Vec<u8>,
    /// The last byte was a CR whose meaning the next byte settles.
    after_cr: bool,
    /// The line under way has been given out already: it was too long, or not ended in time.
    dropping: bool,
    blank_lines: u64,
}

impl LineAssembler {
    /// An assembler at the start of a line.
    #[must_use]
    pub fn new(end: LineEnd) -> LineAssembler {
        LineAssembler {
            end,
            held: Vec::with_capacity(MAX_LINE_BYTES),
            after_cr: false,
            dropping: false,
            blank_lines: 0,
        }
    }

    /// Takes the next bytes and calls `each` for every line that they end, and for one that they make
    /// too long. Blank lines (nothing but spaces and tabs) are counted and passed over.
    pub fn feed(&mut self, bytes: &[u8], mut each: impl FnMut(Line<'_>)) {
        let mut rest = bytes;
        while let Some(&first) = rest.first() {
            if std::mem::take(&mut self.after_cr) {
                rest = self.settle_cr(first, rest, &mut each);
                continue;
            }
            let Some(at) = self.find_end(rest) else {
                return self.hold(rest, &mut each);
            };
            let (part, mark) = (&rest[..at], rest[at]);
            rest = &rest[at + 1..];
            match self.end {
                LineEnd::CrLf => match rest.split_first() {
                    Some((&LF, after)) => {
                        self.finish(part, &mut each);
                        rest = after;
                    }
                    _ => {
                        self.hold(part, &mut each);
                        self.after_cr = true;
                    }
                },
                _ => {
                    self.finish(part, &mut each);
                    self.after_cr = self.end == LineEnd::Any && mark == CR;
                }
            }
        }
    }

    /// Ends the line under way, as when the link is lost, and gives its bytes. `None` where nothing was
    /// under way, where it was blank, or where it had been given out as too long already.
    pub fn take_partial(&mut self) -> Option<Vec<u8>> {
        if std::mem::take(&mut self.after_cr) && self.end == LineEnd::CrLf {
            self.held.push(CR);
        }
        let dropped = std::mem::take(&mut self.dropping);
        let partial = self.held.clone();
        self.held.clear();
        (!dropped && !is_blank(&partial)).then_some(partial)
    }

    /// Gives up the line under way, as when it was not ended in time, and gives its bytes. What still comes
    /// of it, up to the next line end, is dropped: the rest of a number could pass for a number. `None` where
    /// nothing but blanks was under way, or where it had been given up already.
    pub fn give_up_line(&mut self) -> Option<Vec<u8>> {
        if self.dropping || is_blank(&self.held) {
            return None;
        }
        self.dropping = true;
        let partial = self.held.clone();
        self.held.clear();
        Some(partial)
    }

    /// What ends a line here.
    #[must_use]
    pub(super) fn end(&self) -> LineEnd {
        self.end
    }

    /// The bytes of the line under way, so far. Empty also while the rest of a line that was given out
    /// already is dropped.
    #[must_use]
    pub fn under_way(&self) -> &[u8] {
        &self.held
    }

    /// How many blank lines were passed over.
    #[must_use]
    pub fn blank_lines(&self) -> u64 {
        self.blank_lines
    }

    fn find_end(&self, bytes: &[u8]) -> Option<usize> {
        match self.end {
            LineEnd::Any => memchr::memchr2(CR, LF, bytes),
            LineEnd::Cr | LineEnd::CrLf => memchr::memchr(CR, bytes),
            LineEnd::Lf => memchr::memchr(LF, bytes),
            LineEnd::Byte(byte) => memchr::memchr(byte, bytes),
        }
    }

    /// After a CR: an LF belongs to it. Without one, the CR was an end (`any`) or data (`crlf`).
    fn settle_cr<'b>(&mut self, first: u8, rest: &'b [u8], each: &mut impl FnMut(Line<'_>)) -> &'b [u8] {
        match (self.end, first) {
            (LineEnd::CrLf, LF) => self.finish(b"", each),
            (LineEnd::CrLf, _) => {
                self.hold(&[CR], each);
                return rest;
            }
            (_, LF) => {}
            _ => return rest,
        }
        &rest[1..]
    }

    fn hold(&mut self, part: &[u8], each: &mut impl FnMut(Line<'_>)) {
        if self.dropping {
            return;
        }
        let room = MAX_LINE_BYTES - self.held.len();
        self.held.extend_from_slice(&part[..part.len().min(room)]);
        if part.len() > room {
            each(Line::TooLong(&self.held));
            self.held.clear();
            self.dropping = true;
        }
    }

    fn finish(&mut self, part: &[u8], each: &mut impl FnMut(Line<'_>)) {
        let fits_uncopied = self.held.is_empty() && !self.dropping && part.len() <= MAX_LINE_BYTES;
        if fits_uncopied {
            return give(part, &mut self.blank_lines, each);
        }
        self.hold(part, each);
        if !std::mem::take(&mut self.dropping) {
            give(&self.held, &mut self.blank_lines, each);
            self.held.clear();
        }
    }
}

fn give(line: &[u8], blank_lines: &mut u64, each: &mut impl FnMut(Line<'_>)) {
    if is_blank(line) {
        *blank_lines += 1;
    } else {
        each(Line::Whole(line));
    }
}

fn is_blank(line: &[u8]) -> bool {
    line.iter().all(|&b| b == b' ' || b == b'\t')
}

#[cfg(test)]
#[path = "lines_tests.rs"]
mod tests;
