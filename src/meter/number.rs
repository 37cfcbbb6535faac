//! How a meter writes a number, and the exact decimal that it is.

use crate::meter::DecimalMark;
use crate::units::Gloss;

/// How the values are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Numbers {
    pub mark: DecimalMark,
    /// With these many digits in the exponent; `None` where there is no exponent.
    pub exponent_digits: Option<usize>,
}

/// Longest text of a number.
const MAX_LENGTH: usize = 24;

impl Numbers {
    /// The value, digit for digit, or `None` where the text is no such number.
    ///
    /// An exponent moves the mark and adds no digit: `8.53E+01` is 85.3 and `8.530E+01` is 85.30. Where
    /// the mark moves beyond the digits, zeros stand there: `8.5E+02` is 850, `8.5E-01` is 0.85.
    pub fn parse(self, text: &str) -> Option<Gloss> {
        match (self.exponent_digits, self.mark) {
            (None, DecimalMark::Point) => Gloss::parse(text).ok(),
            (None, DecimalMark::Comma) => {
                let mut buffer = [0; MAX_LENGTH];
                Gloss::parse(with_point(text, self.mark, &mut buffer)?).ok()
            }
            (Some(digits), _) => self.scientific(text, digits),
        }
    }

    /// Digits behind the decimal mark as they stand in the text.
    pub fn decimals(self, text: &str) -> usize {
        let behind = text.split_once(self.mark.character()).map_or("", |(_, behind)| behind);
        behind.bytes().take_while(u8::is_ascii_digit).count()
    }

    /// Whether it is a number with the other decimal mark.
    pub fn has_other_mark(self, text: &str) -> bool {
        let mark = match self.mark {
            DecimalMark::Point => DecimalMark::Comma,
            DecimalMark::Comma => DecimalMark::Point,
        };
        Numbers { mark, ..self }.parse(text).is_some()
    }

    /// A number as it should stand there.
    pub fn sample(self) -> String {
        let number = match self.exponent_digits {
            None => "85.3".to_owned(),
            Some(digits) => format!("8.53E+{:0digits$}", 1),
        };
        number.replace('.', &self.mark.character().to_string())
    }

    fn scientific(self, text: &str, exponent_digits: usize) -> Option<Gloss> {
        let (number, exponent) = text.split_once(['E', 'e'])?;
        let size = exponent.strip_prefix(['+', '-']).unwrap_or(exponent);
        if size.len() != exponent_digits || !size.bytes().all(|byte| byte.is_ascii_digit()) {
            return None;
        }
        let exponent: isize = exponent.parse().ok()?;
        let mut buffer = [0; MAX_LENGTH];
        let number = with_point(number, self.mark, &mut buffer)?;
        Gloss::parse(number).ok()?;
        let (sign, number) = match number.as_bytes().first() {
            Some(b'-') => ("-", &number[1..]),
            Some(b'+') => ("", &number[1..]),
            _ => ("", number),
        };
        let (whole, behind) = number.split_once('.').unwrap_or((number, ""));
        let mark_at = isize::try_from(whole.len()).ok()?.checked_add(exponent)?;
        // A longer text than this is no gloss value, and is not put together.
        if !(-10..=12).contains(&mark_at) {
            return None;
        }
        let digits = whole.bytes().chain(behind.bytes());
        let count = whole.len() + behind.len();
        let mut moved = sign.to_owned();
        if mark_at <= 0 {
            moved.push_str("0.");
            moved.extend((mark_at..0).map(|_| '0'));
            moved.extend(digits.map(char::from));
        } else {
            let mark_at = mark_at.unsigned_abs();
            for (place, digit) in
                digits.chain(std::iter::repeat_n(b'0', mark_at.saturating_sub(count))).enumerate()
            {
                if place == mark_at {
                    moved.push('.');
                }
                moved.push(char::from(digit));
            }
        }
        Gloss::parse(&moved).ok()
    }
}

/// The number with a decimal point; the other mark is no part of it.
fn with_point<'b>(text: &str, mark: DecimalMark, buffer: &'b mut [u8; MAX_LENGTH]) -> Option<&'b str> {
    let to = buffer.get_mut(..text.len())?;
    for (to, from) in to.iter_mut().zip(text.bytes()) {
        *to = match (from, mark) {
            (b',', DecimalMark::Comma) => b'.',
            (b'.', DecimalMark::Comma) => return None,
            (other, _) => other,
        };
    }
    std::str::from_utf8(to).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, mark: DecimalMark, exponent_digits: usize) -> Option<String> {
        let numbers = Numbers { mark, exponent_digits: Some(exponent_digits) };
        numbers.parse(text).map(|gloss| gloss.to_string())
    }

    #[test]
    fn an_exponent_moves_the_mark_and_keeps_the_digits() {
        let cases = [
            ("+8.53E+01", "85.3"),
            ("8.530E+01", "85.30"),
            ("8.53E+00", "8.53"),
            ("8.53E-01", "0.853"),
            ("8.53e01", "85.3"),
            ("8.5E+02", "850"),
            ("8.53E+02", "853"),
            ("8.53E-03", "0.00853"),
            ("-1.0E-01", "-0.10"),
            ("0.853E+02", "85.3"),
            ("85E-01", "8.5"),
            ("0.0E+00", "0.0"),
        ];
        for (text, value) in cases {
            assert_eq!(read(text, DecimalMark::Point, 2).as_deref(), Some(value), "{text}");
        }
        assert_eq!(read("8,53E+01", DecimalMark::Comma, 2).as_deref(), Some("85.3"));
        assert_eq!(read("8.53E1", DecimalMark::Point, 1).as_deref(), Some("85.3"));
    }

    #[test]
    fn what_is_no_number_with_such_an_exponent_is_none() {
        for text in [
            "8.53",
            "8.53E",
            "8.53E+",
            "8.53E+1",
            "8.53E+001",
            "8.53E++1",
            "8.53E+ 1",
            "E+01",
            ".5E+01",
            "8.E+01",
            "8.53E+99",
            "8.53E-99",
            "1.23456789012E+01",
            "8,53E+01",
            "8.53E+01E",
            "",
            "8.53E+0x",
            "--8.53E+01",
            "999999999999E+01",
        ] {
            assert_eq!(read(text, DecimalMark::Point, 2), None, "{text:?}");
        }
    }
}
