//! What a line is made of: numbers, words, blanks and marks; and the shape by which lines are alike.

use crate::meter::DecimalMark;
use crate::meter::number::Numbers;
use crate::units::Gloss;

/// What a piece of a line is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// Digits, with what a number may have around and between them.
    Number,
    Word,
    Blank,
    /// One character of another kind.
    Other,
}

/// A piece of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Token<'t> {
    pub kind: Kind,
    pub text: &'t str,
}

/// How a number is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct NumberForm {
    /// Digits behind the mark.
    pub decimals: usize,
    /// Digits of the exponent.
    pub exponent: Option<usize>,
}

/// Length of the number that `text` begins with, and how it is written; the sign is a part of it.
fn number_at(text: &str, mark: char) -> Option<(usize, NumberForm)> {
    let digits = |at: usize| text[at..].bytes().take_while(u8::is_ascii_digit).count();
    let mut at = usize::from(text.starts_with(['+', '-']));
    let whole = digits(at);
    if whole == 0 {
        return None;
    }
    at += whole;
    let mut form = NumberForm { decimals: 0, exponent: None };
    // In `60,92,4` the first comma parts two fields: of an odd number of parts the first stands alone.
    let mut parts = 1;
    let mut end = at;
    while text[end..].starts_with(mark) && digits(end + 1) > 0 {
        parts += 1;
        end += 1 + digits(end + 1);
    }
    if parts % 2 == 0 {
        form.decimals = digits(at + 1);
        if form.decimals > 0 {
            at += 1 + form.decimals;
        }
    }
    if form.decimals > 0 && text[at..].starts_with(['E', 'e']) {
        let signed = at + 1 + usize::from(text[at + 1..].starts_with(['+', '-']));
        let count = digits(signed);
        if (1..=3).contains(&count) {
            form.exponent = Some(count);
            at = signed + count;
        }
    }
    Some((at, form))
}

/// How the text is written, if it is a number from end to end.
pub(super) fn number_form(text: &str, mark: char) -> Option<NumberForm> {
    number_at(text, mark).filter(|&(length, _)| length == text.len()).map(|(_, form)| form)
}

/// The exact value of a number that is written so.
pub(super) fn value_of(text: &str, mark: DecimalMark, form: NumberForm) -> Option<Gloss> {
    Numbers { mark, exponent_digits: form.exponent }.parse(text)
}

/// Cuts a line into its pieces; joined they are the line again.
pub(super) fn tokens(text: &str, mark: char) -> Vec<Token<'_>> {
    let mut found: Vec<Token<'_>> = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        // A sign behind a digit or a letter joins, as in a date; it is no part of a number.
        let joins = found.last().is_some_and(|t| matches!(t.kind, Kind::Number | Kind::Word));
        let number = if joins && matches!(first, '+' | '-') { None } else { number_at(rest, mark) };
        let run = |fits: fn(char) -> bool| rest.find(|c| !fits(c)).unwrap_or(rest.len());
        let (kind, length) = match number {
            Some((length, _)) => (Kind::Number, length),
            None if first.is_alphabetic() => (Kind::Word, run(char::is_alphabetic)),
            None if matches!(first, ' ' | '\t') => (Kind::Blank, run(|c| matches!(c, ' ' | '\t'))),
            None => (Kind::Other, first.len_utf8()),
        };
        let (text, behind) = rest.split_at(length);
        found.push(Token { kind, text });
        rest = behind;
    }
    found
}

/// The shape of a line: digits, letters and blanks count as one each, however many there are, and blanks
/// beside a mark, where a number is padded, count for nothing.
pub(super) fn signature(text: &str) -> String {
    let mut shape = String::new();
    for c in text.trim_matches([' ', '\t']).chars() {
        let c = match c {
            '0'..='9' => '9',
            ' ' => ' ',
            c if c.is_alphabetic() => 'a',
            c => c,
        };
        let is_plain = |c: char| matches!(c, '9' | 'a');
        match (shape.chars().last(), c) {
            (Some(last), c) if last == c && (is_plain(c) || c == ' ') => {}
            (Some(last), ' ') if !is_plain(last) => {}
            (Some(' '), c) if !is_plain(c) && !matches!(c, '+' | '-') => {
                shape.pop();
                shape.push(c);
            }
            _ => shape.push(c),
        }
    }
    shape
}
