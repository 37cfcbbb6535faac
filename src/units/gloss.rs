//! A gloss value, kept as the exact decimal that the meter printed.

use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::{Deserialize, Serialize};
use std::fmt;

/// A gloss value in gloss units (GU). The scale is that of the print: `85.30` stays `85.30` and is
/// not `85.3`, so that the table shows what the meter showed. Averages are `f64`.
///
/// ```
/// use halfpanel::units::Gloss;
/// assert_eq!(Gloss::parse("85.30").unwrap().to_string(), "85.30");
/// assert!(Gloss::parse("85,3").is_err(), "a decimal comma is the profile's business");
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Gloss(Decimal);

/// A text that is not a plain decimal number.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a decimal number such as 85.3")]
pub struct NotAGloss(pub String);

impl Gloss {
    /// Reads a plain decimal: an optional sign, digits, and at most one point with digits on both
    /// sides. No exponent, no blanks, no thousands mark; at most 12 characters, so that sums and products
    /// of values never leave the range of an exact decimal.
    ///
    /// # Errors
    /// [`NotAGloss`] with the text, for anything else.
    pub fn parse(text: &str) -> Result<Gloss, NotAGloss> {
        if !is_plain_decimal(text.as_bytes()) {
            return Err(NotAGloss(text.to_owned()));
        }
        Decimal::from_str_exact(text).map(Gloss).map_err(|_| NotAGloss(text.to_owned()))
    }

    /// The exact value.
    #[must_use]
    pub const fn decimal(self) -> Decimal {
        self.0
    }

    /// The nearest binary double, for averages.
    #[must_use]
    pub fn to_f64(self) -> f64 {
        const POWERS: [f64; 10] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];
        // Both are exact doubles, and so the quotient is the nearest one. Every value of a meter is such.
        if let (Ok(mantissa), Some(power)) =
            (i32::try_from(self.0.mantissa()), POWERS.get(self.0.scale() as usize))
        {
            return f64::from(mantissa) / power;
        }
        // A plain decimal of 20 characters is always finite.
        self.0.to_f64().unwrap_or(f64::NAN)
    }

    /// Digits after the point, as printed.
    #[must_use]
    pub fn scale(self) -> u32 {
        self.0.scale()
    }
}

fn is_plain_decimal(text: &[u8]) -> bool {
    let digits = text.strip_prefix(b"-").or_else(|| text.strip_prefix(b"+")).unwrap_or(text);
    if text.len() > 12 {
        return false;
    }
    let mut parts = digits.split(|&b| b == b'.');
    let whole_number =
        |part: Option<&[u8]>| part.is_some_and(|p| !p.is_empty() && p.iter().all(u8::is_ascii_digit));
    whole_number(parts.next())
        && match parts.next() {
            None => true,
            fraction => whole_number(fraction) && parts.next().is_none(),
        }
}

impl From<Decimal> for Gloss {
    fn from(value: Decimal) -> Gloss {
        Gloss(value)
    }
}

impl TryFrom<String> for Gloss {
    type Error = NotAGloss;
    fn try_from(text: String) -> Result<Gloss, NotAGloss> {
        Gloss::parse(&text)
    }
}

impl From<Gloss> for String {
    fn from(gloss: Gloss) -> String {
        gloss.to_string()
    }
}

impl fmt::Display for Gloss {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use super::Gloss;

    #[test]
    fn a_value_is_kept_as_it_was_printed() {
        for text in ["0", "85.3", "85.30", "-0.1", "1999.99", "085.3"] {
            let kept = Gloss::parse(text).unwrap().to_string();
            assert_eq!(kept.trim_start_matches('0'), text.trim_start_matches('0').trim_start_matches('+'));
        }
    }

    #[test]
    fn the_double_is_the_one_that_the_compiler_reads_in_the_same_digits() {
        for (text, double) in
            [("85.3", 85.3), ("-0.1", -0.1), ("0.0", 0.0), ("1999.99", 1999.99), ("2.000000001", 2.000000001)]
        {
            let read = Gloss::parse(text).unwrap().to_f64();
            assert!((read - double).abs() < f64::MIN_POSITIVE, "{text} became {read:?}");
        }
    }

    #[test]
    fn whatever_is_not_a_plain_decimal_is_refused() {
        for text in [
            "", "-", ".", "5.", ".5", "1e3", "1_000", " 85.3", "85.3 ", "85,3", "8 5.3", "NaN", "0x10",
            "1.2.3",
        ] {
            assert!(Gloss::parse(text).is_err(), "{text:?} was read as a gloss value");
        }
    }
}
