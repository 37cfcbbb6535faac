//! How much of a product was used: a mass or a volume.

use rust_decimal::Decimal;
use serde::Deserialize;
use serde::Deserializer;
use serde::de::Error;
use std::fmt;

/// What is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dimension {
    /// In grams.
    Mass,
    /// In millilitres.
    Volume,
}

/// A mass or a volume above zero, with the digits and the unit that were written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Amount {
    number: Decimal,
    unit: &'static str,
}

/// Units that can be written, what they measure, and how many g or ml they are: ten to this power.
const UNITS: [(&str, Dimension, u32, u32); 7] = [
    ("mg", Dimension::Mass, 0, 3),
    ("g", Dimension::Mass, 0, 0),
    ("kg", Dimension::Mass, 3, 0),
    ("ml", Dimension::Volume, 0, 0),
    ("cl", Dimension::Volume, 1, 0),
    ("dl", Dimension::Volume, 2, 0),
    ("l", Dimension::Volume, 3, 0),
];

/// Most digits and decimals of a number; more would be no measurement.
const LONGEST_NUMBER: usize = 12;

impl<'de> Deserialize<'de> for Amount {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Amount, D::Error> {
        let text = String::deserialize(deserializer)?;
        let wrong = || D::Error::custom(format_args!("`{text}` is no amount such as \"12.5 ml\""));
        Amount::parse(&text).ok_or_else(wrong)
    }
}

impl Amount {
    /// Reads a number, a blank or none, and a unit: `12.5 ml`. Capital letters in the unit make no difference. `None`
    /// where it is not that, or not above zero.
    ///
    /// ```
    /// use halfpanel::units::Amount;
    /// assert_eq!(Amount::parse("12.5 mL").unwrap().to_string(), "12.5 ml");
    /// assert!(Amount::parse("12.5").is_none() && Amount::parse("a capful").is_none());
    /// ```
    #[must_use]
    pub fn parse(text: &str) -> Option<Amount> {
        let text = text.trim();
        let end = text.find(|c: char| !c.is_ascii_digit() && c != '.')?;
        let (digits, unit) = text.split_at(end);
        let unit = unit.trim().to_lowercase();
        let &(unit, ..) = UNITS.iter().find(|(name, ..)| *name == unit)?;
        if digits.len() > LONGEST_NUMBER {
            return None;
        }
        let number: Decimal = digits.parse().ok()?;
        (number > Decimal::ZERO).then_some(Amount { number, unit })
    }

    fn of_unit(&self) -> (Dimension, u32, u32) {
        let known = UNITS.iter().find(|(name, ..)| *name == self.unit);
        known.map_or((Dimension::Volume, 0, 0), |&(_, dimension, up, down)| (dimension, up, down))
    }

    /// Whether it is a mass or a volume.
    #[must_use]
    pub fn dimension(&self) -> Dimension {
        self.of_unit().0
    }

    /// In grams or millilitres, by [`Amount::dimension`].
    #[must_use]
    pub fn in_g_or_ml(&self) -> Decimal {
        let (_, up, down) = self.of_unit();
        self.number * Decimal::from(10_u64.pow(up)) / Decimal::from(10_u64.pow(down))
    }
}

impl fmt::Display for Amount {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.number, self.unit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_amount_keeps_its_digits_and_is_worth_its_grams_or_millilitres() {
        for (text, shown, worth, dimension) in [
            ("12.50 ml", "12.50 ml", "12.50", Dimension::Volume),
            ("0.5L", "0.5 l", "500", Dimension::Volume),
            ("3 cl", "3 cl", "30", Dimension::Volume),
            ("250 mg", "250 mg", "0.25", Dimension::Mass),
            (" 2 kg ", "2 kg", "2000", Dimension::Mass),
        ] {
            let amount = Amount::parse(text).unwrap();
            assert_eq!(amount.to_string(), shown);
            assert_eq!(amount.in_g_or_ml(), worth.parse().unwrap(), "{text}");
            assert_eq!(amount.dimension(), dimension);
        }
    }

    #[test]
    fn what_is_no_amount_is_refused() {
        for text in
            ["", "ml", "12", "-3 ml", "0 ml", "3 pints", "1e3 g", "1.2.3 g", "12345678901234567890 g", "½ l"]
        {
            assert!(Amount::parse(text).is_none(), "{text}");
        }
    }
}
