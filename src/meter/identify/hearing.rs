//! Whether bytes that were heard at some setting of the line are text in lines, and what they betray of
//! the right setting where they are not.
//!
//! A receiver that is too fast samples each bit several times: its bytes have long runs of equal bits. One
//! that takes a parity bit for the eighth bit of data hears text in which the high bit follows the others.

use crate::meter::Parity;

/// From this score on the bytes are taken for text in lines.
pub const IS_TEXT: f64 = 0.8;

/// Fewer bytes than this say nothing for certain.
const FEW: usize = 4;

/// What bytes that were heard at one setting say of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Hearing {
    /// 0 to 1; from [`IS_TEXT`] on the setting is taken to be right.
    pub score: f64,
    /// What the bytes look like.
    pub verdict: Verdict,
    /// Why, a sentence each.
    pub reasons: Vec<String>,
}

/// What bytes look like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Nothing came, or too little to tell.
    Nothing,
    /// Text in lines.
    Text,
    /// Text of seven bits, in which the eighth is the parity.
    SevenBits(Parity),
    /// Text of eight bits and a parity bit that was not asked for: where it was 0 it was taken for a wrong
    /// stop bit, and the character was lost.
    EightBits(Parity),
    /// Long runs of equal bits: the line was heard at a higher rate than it was sent.
    HeardTooFast,
    /// No text, for whatever reason.
    Garbage,
}

/// Scores bytes. `data_bits` are those of the setting at which they were heard, 7 or 8.
///
/// ```
/// use halfpanel::meter::identify::{Verdict, hear};
/// assert_eq!(hear(b"60;92.4\r\n", 8).verdict, Verdict::Text);
/// assert_eq!(hear(&[0xf8, 0x00, 0xe0, 0x80, 0x00, 0xf8], 8).verdict, Verdict::HeardTooFast);
/// ```
#[must_use]
pub fn hear(bytes: &[u8], data_bits: u8) -> Hearing {
    if bytes.len() < FEW {
        let reasons = match bytes.len() {
            0 => vec!["nothing came".to_owned()],
            few => vec![format!("only {few} bytes came")],
        };
        return Hearing { score: 0.0, verdict: Verdict::Nothing, reasons };
    }
    let mut reasons = Vec::new();
    let mut score = text_score(bytes, &mut reasons);
    if let Some(parity) = lost_by_parity(bytes, data_bits).filter(|_| score > 0.3) {
        score = score.min(0.5);
        reasons.push(
            "half of all characters are missing: those that a parity bit, not asked for, would take away"
                .to_owned(),
        );
        return Hearing { score, verdict: Verdict::EightBits(parity), reasons };
    }
    if score >= IS_TEXT {
        return Hearing { score, verdict: Verdict::Text, reasons };
    }
    if let Some(parity) = hidden_parity(bytes, data_bits) {
        let name = if parity == Parity::Odd { "odd" } else { "even" };
        reasons.push(format!(
            "without the high bit it is text, and the high bit is the {name} parity of the others"
        ));
        return Hearing { score, verdict: Verdict::SevenBits(parity), reasons };
    }
    let smooth = share(bytes, |byte| changes(byte) <= 1);
    if smooth > 0.5 {
        reasons.push(format!(
            "{:.0} % of the bytes are runs of equal bits, as a line gives that is heard too fast",
            smooth * 100.0
        ));
        return Hearing { score, verdict: Verdict::HeardTooFast, reasons };
    }
    reasons.push("it is no text: another rate, parity or number of data bits".to_owned());
    Hearing { score, verdict: Verdict::Garbage, reasons }
}

/// 0 to 1: how many bytes can stand in a line of text, and whether lines end.
fn text_score(bytes: &[u8], reasons: &mut Vec<String>) -> f64 {
    let printable = share(bytes, stands_in_text);
    reasons.push(format!("{:.0} % of {} bytes are text", printable * 100.0, bytes.len()));
    let ends_with =
        |end: u8| if bytes.last() == Some(&end) { bytes.iter().filter(|&&b| b == end).count() } else { 0 };
    let ends = match bytes.iter().filter(|&&byte| ends_line(byte)).count() {
        0 => ends_with(b';'),
        ends => ends,
    };
    // A wrong bit in a letter hides among letters; digits are what a meter sends.
    let digits = share(bytes, |byte| byte.is_ascii_digit());
    // Every byte that no text has weighs: at the right setting there is none.
    let mut score = (printable - 5.0 * (1.0 - printable)).max(0.0);
    if ends == 0 {
        reasons.push("no line ends".to_owned());
        score *= 0.6;
    } else if bytes.len() / ends > 200 {
        reasons.push("hardly a line ends".to_owned());
        score *= 0.7;
    }
    if digits < 0.1 {
        reasons.push("there are hardly any digits".to_owned());
        score *= 0.7;
    }
    // In a meter's lines few signs are neither letter, digit, blank nor a usual mark.
    let odd = share(bytes, |byte| b"\"&'<>?@[\\]^`{}~".contains(&byte));
    if odd > 0.15 {
        reasons.push("signs stand in it that lines of figures do not have".to_owned());
        score *= 0.6;
    }
    score.clamp(0.0, 1.0)
}

fn share(bytes: &[u8], fits: impl Fn(u8) -> bool) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "counts of bytes are far below 2^53")]
    let share = bytes.iter().filter(|&&byte| fits(byte)).count() as f64 / bytes.len().max(1) as f64;
    share
}

/// Printable, a tab, a line end, or one of the marks that frame a line; the degree sign of Latin-1 too.
fn stands_in_text(byte: u8) -> bool {
    matches!(byte, 0x20..=0x7e | b'\t' | b'\r' | b'\n' | 0x01..=0x04 | 0xb0) || is_degree_in_utf8(byte)
}

/// The first byte of the degree sign in UTF-8; its second is that of Latin-1.
const fn is_degree_in_utf8(byte: u8) -> bool {
    byte == 0xc2
}

const fn ends_line(byte: u8) -> bool {
    matches!(byte, b'\r' | b'\n' | 0x03 | 0x04)
}

/// How often neighbouring bits differ.
const fn changes(byte: u8) -> u32 {
    ((byte ^ (byte >> 1)) & 0x7f).count_ones()
}

/// The parity that the high bit is of the other seven, where those are text.
fn hidden_parity(bytes: &[u8], data_bits: u8) -> Option<Parity> {
    if data_bits != 8 || bytes.iter().all(u8::is_ascii) {
        return None;
    }
    let seven: Vec<u8> = bytes.iter().map(|byte| byte & 0x7f).collect();
    if text_score(&seven, &mut Vec::new()) < IS_TEXT {
        return None;
    }
    let even = share(bytes, |byte| byte.count_ones().is_multiple_of(2));
    if even > 0.95 {
        Some(Parity::Even)
    } else if even < 0.05 {
        Some(Parity::Odd)
    } else {
        None
    }
}

/// The parity of which only those characters are there whose parity bit looks like a stop bit. Some text of
/// few characters is so by chance: it takes six that differ.
fn lost_by_parity(bytes: &[u8], data_bits: u8) -> Option<Parity> {
    let mut distinct: Vec<u8> = bytes.to_vec();
    distinct.sort_unstable();
    distinct.dedup();
    if data_bits != 8 || distinct.len() < 6 || !distinct.is_ascii() {
        return None;
    }
    let odd = distinct.iter().filter(|byte| byte.count_ones() % 2 == 1).count();
    if odd == distinct.len() {
        Some(Parity::Even)
    } else if odd == 0 {
        Some(Parity::Odd)
    } else {
        None
    }
}
