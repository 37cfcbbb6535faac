//! Lines as somebody hears them who wants to see the bytes: with their ends, blank ones too, and what has
//! come of a line that does not end. The lines are those that a run would read.

use crate::meter::Line;
use crate::meter::LineAssembler;
use crate::meter::LineEnd;

/// What sort of line was heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeardKind {
    /// It came whole, with its end.
    Whole,
    /// It has nothing but spaces and tabs in it; the bytes are left out.
    Blank,
    /// It is longer than [`crate::meter::MAX_LINE_BYTES`]; these are its first bytes, the rest is dropped.
    TooLong,
    /// It has not ended for a while; these are its bytes so far, and it may still go on.
    SoFar,
    /// It will not end any more.
    CutOff,
}

/// A line, or a part of one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heard {
    /// What sort it is.
    pub kind: HeardKind,
    /// Its bytes without its end.
    pub bytes: Vec<u8>,
    /// The bytes of its end; empty where it has none.
    pub end: Vec<u8>,
}

/// Cuts bytes into lines as a [`LineAssembler`] does, and keeps what that one leaves out.
///
/// ```
/// use halfpanel::meter::{Ear, HeardKind, LineAssembler, LineEnd};
/// let mut ear = Ear::new(LineAssembler::new(LineEnd::Any));
/// let mut heard = Vec::new();
/// ear.feed(b"60\t85.3\r\n60\t8", |line| heard.push(line));
/// assert_eq!((heard[0].bytes.as_slice(), heard[0].end.as_slice()), (&b"60\t85.3"[..], &b"\r\n"[..]));
/// ear.quiet(|line| heard.push(line));
/// assert_eq!((heard[1].kind, heard[1].bytes.as_slice()), (HeardKind::SoFar, &b"60\t8"[..]));
/// ```
#[derive(Clone, Debug)]
pub struct Ear {
    assembler: LineAssembler,
    /// Ended by a CR to which an LF may still belong.
    waiting: Option<Heard>,
    /// How many bytes of the line under way have been told.
    told: usize,
}

impl Ear {
    /// An ear at the start of a line.
    #[must_use]
    pub fn new(assembler: LineAssembler) -> Ear {
        Ear { assembler, waiting: None, told: 0 }
    }

    /// Takes the next bytes, and calls `each` for every line that they end or make too long.
    pub fn feed(&mut self, bytes: &[u8], mut each: impl FnMut(Heard)) {
        for &byte in bytes {
            if let Some(mut line) = self.waiting.take() {
                if byte == b'\n' {
                    line.end.push(byte);
                }
                each(line);
            }
            let Some(line) = self.take(byte) else { continue };
            self.told = 0;
            if self.assembler.end() == LineEnd::Any && line.end == b"\r" {
                self.waiting = Some(line);
            } else {
                each(line);
            }
        }
    }

    fn take(&mut self, byte: u8) -> Option<Heard> {
        let end = match self.assembler.end() {
            LineEnd::CrLf => b"\r\n".to_vec(),
            _ => vec![byte],
        };
        let blanks = self.assembler.blank_lines();
        let mut found = None;
        self.assembler.feed(&[byte], |line| {
            found = Some(match line {
                Line::Whole(line) => (HeardKind::Whole, line.to_vec()),
                Line::TooLong(line) => (HeardKind::TooLong, line.to_vec()),
            });
        });
        match found {
            Some((HeardKind::TooLong, bytes)) => {
                Some(Heard { kind: HeardKind::TooLong, bytes, end: Vec::new() })
            }
            Some((kind, bytes)) => Some(Heard { kind, bytes, end }),
            None if self.assembler.blank_lines() > blanks => {
                Some(Heard { kind: HeardKind::Blank, bytes: Vec::new(), end })
            }
            None => None,
        }
    }

    /// Whether a line has been held back, in case an LF still belongs to its end: a moment's silence is
    /// enough to say that none does.
    #[must_use]
    pub fn is_holding_back(&self) -> bool {
        self.waiting.is_some()
    }

    /// Nothing has come for a while: tells a line that was held back, and what has come of one that has
    /// not ended, unless that was told before.
    pub fn quiet(&mut self, mut each: impl FnMut(Heard)) {
        if let Some(line) = self.waiting.take() {
            each(line);
        }
        let so_far = self.assembler.under_way();
        if so_far.len() > self.told {
            self.told = so_far.len();
            each(Heard { kind: HeardKind::SoFar, bytes: so_far.to_vec(), end: Vec::new() });
        }
    }

    /// Nothing more will come of the line under way.
    pub fn cut(&mut self, mut each: impl FnMut(Heard)) {
        if let Some(line) = self.waiting.take() {
            each(line);
        }
        self.told = 0;
        if let Some(bytes) = self.assembler.take_partial() {
            each(Heard { kind: HeardKind::CutOff, bytes, end: Vec::new() });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::meter::MAX_LINE_BYTES;
    use crate::meter::escaped;

    /// What is heard, as kind, text and end, when the bytes come in these chunks.
    fn heard(end: LineEnd, chunks: &[&[u8]]) -> Vec<(HeardKind, String, String)> {
        let mut ear = Ear::new(LineAssembler::new(end));
        let mut all = Vec::new();
        let mut keep = |h: Heard| all.push((h.kind, escaped(&h.bytes), escaped(&h.end)));
        for chunk in chunks {
            ear.feed(chunk, &mut keep);
        }
        ear.cut(&mut keep);
        all
    }

    fn whole(text: &str, end: &str) -> (HeardKind, String, String) {
        (HeardKind::Whole, text.to_owned(), end.to_owned())
    }

    #[test]
    fn every_line_is_shown_with_the_end_that_it_had_however_the_bytes_were_cut() {
        let sent = b"a\r\nb\nc\rd\r\n";
        let wanted = [whole("a", r"\r\n"), whole("b", r"\n"), whole("c", r"\r"), whole("d", r"\r\n")];
        for at in 0..=sent.len() {
            let (left, right) = sent.split_at(at);
            assert_eq!(heard(LineEnd::Any, &[left, right]), wanted, "cut at {at}");
        }
    }

    #[test]
    fn an_end_that_the_profile_names_is_the_only_one() {
        assert_eq!(heard(LineEnd::CrLf, &[b"a\rb\r", b"\n"]), [whole(r"a\rb", r"\r\n")]);
        assert_eq!(heard(LineEnd::Lf, &[b"a\r\n"]), [whole(r"a\r", r"\n")]);
        assert_eq!(heard(LineEnd::Byte(3), &[b"\x02a\x03"]), [whole(r"\x02a", r"\x03")]);
    }

    #[test]
    fn blank_lines_and_lines_without_end_are_heard_too() {
        assert_eq!(
            heard(LineEnd::Any, &[b" \r\n", b"60"]),
            [
                (HeardKind::Blank, String::new(), r"\r\n".to_owned()),
                (HeardKind::CutOff, "60".to_owned(), String::new())
            ]
        );
    }

    #[test]
    fn a_line_too_long_is_told_once_and_the_next_one_is_whole() {
        let long = vec![b'x'; 3 * MAX_LINE_BYTES];
        let all = heard(LineEnd::Any, &[&long, b"\r\nb\r\n"]);
        assert_eq!(all.len(), 2);
        assert_eq!((all[0].0, all[0].1.len()), (HeardKind::TooLong, MAX_LINE_BYTES));
        assert_eq!(all[1], whole("b", r"\r\n"));
    }

    #[test]
    fn a_line_that_does_not_end_is_told_once_as_it_stands_and_whole_when_it_ends() {
        let mut ear = Ear::new(LineAssembler::new(LineEnd::Any));
        let mut all = Vec::new();
        ear.feed(b"60\t8", |h| all.push((h.kind, h.bytes)));
        ear.quiet(|h| all.push((h.kind, h.bytes)));
        ear.quiet(|h| all.push((h.kind, h.bytes)));
        ear.feed(b"5.3\n", |h| all.push((h.kind, h.bytes)));
        assert_eq!(all, [(HeardKind::SoFar, b"60\t8".to_vec()), (HeardKind::Whole, b"60\t85.3".to_vec())]);
    }

    #[test]
    fn nothing_that_could_move_a_terminal_is_left_in_the_text() {
        let every: Vec<u8> = (0..=255).collect();
        assert!(escaped(&every).bytes().all(|b| (b' '..=b'~').contains(&b)));
    }
}
