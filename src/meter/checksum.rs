//! Checksums of lines: the kinds there are, what a profile says of one, and the figuring.
//!
//! Several checksums go by the name CRC-16. Each is told by the parameters of the Rocksoft model
//! (R. N. Williams, "A painless guide to CRC error detection algorithms", 1993); the presets and their
//! check values are those of the public catalogue of parametrised CRC algorithms. A profile may give any
//! parameters, which is why the 16 bits are figured here: the crate `crc` takes only algorithms that are
//! known when it is compiled, and is the outside check of the tests.

use crate::meter::profile_file::ChecksumTable;
use crate::text::nearest;
use serde::Deserialize;
use toml::Spanned;

/// The kinds of checksum.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub(super) enum Kind {
    /// All bytes joined by exclusive or: two hex digits.
    #[serde(rename = "xor")]
    Xor,
    /// The sum of all bytes, of which the low 8 bits count: two hex digits.
    #[serde(rename = "sum-8")]
    Sum8,
    /// A CRC of 16 bits: four hex digits.
    #[serde(rename = "crc-16")]
    Crc16,
}

/// Which letters the hex digits above 9 have.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum HexCase {
    #[default]
    Upper,
    Lower,
    Either,
}

/// Parameters of a CRC of 16 bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Crc16 {
    pub polynomial: u16,
    pub initial: u16,
    pub reflect_in: bool,
    pub reflect_out: bool,
    pub xor_out: u16,
}

const fn preset(polynomial: u16, initial: u16, reflect: bool, xor_out: u16) -> Crc16 {
    Crc16 { polynomial, initial, reflect_in: reflect, reflect_out: reflect, xor_out }
}

/// Names as in the catalogue, in lower case.
pub(super) const PRESETS: [(&str, Crc16); 6] = [
    ("arc", preset(0x8005, 0x0000, true, 0x0000)),
    ("modbus", preset(0x8005, 0xffff, true, 0x0000)),
    ("ibm-3740", preset(0x1021, 0xffff, false, 0x0000)),
    ("xmodem", preset(0x1021, 0x0000, false, 0x0000)),
    ("kermit", preset(0x1021, 0x0000, true, 0x0000)),
    ("ibm-sdlc", preset(0x1021, 0xffff, true, 0xffff)),
];

/// A checksum, ready to be figured.
#[derive(Clone, Debug)]
pub(super) struct Algorithm {
    sum: Sum,
    hex: HexCase,
}

#[derive(Clone, Debug)]
enum Sum {
    Xor,
    Sum8,
    Crc16(Crc16, Box<[u16; 256]>),
}

impl Algorithm {
    /// `None` where the line's digits are none of this checksum's.
    pub fn parse_digits(&self, digits: &[u8]) -> Option<u16> {
        let fits = |byte: u8| match (byte, self.hex) {
            (b'A'..=b'F', HexCase::Lower) | (b'a'..=b'f', HexCase::Upper) => false,
            _ => byte.is_ascii_hexdigit(),
        };
        if digits.len() != self.digits() || !digits.iter().all(|&byte| fits(byte)) {
            return None;
        }
        u16::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok()
    }

    /// How many hex digits it has.
    pub const fn digits(&self) -> usize {
        match self.sum {
            Sum::Xor | Sum::Sum8 => 2,
            Sum::Crc16(..) => 4,
        }
    }

    /// How the digits are written, to follow "hex digits".
    pub const fn case(&self) -> &'static str {
        match self.hex {
            HexCase::Upper => " in capitals",
            HexCase::Lower => " in small letters",
            HexCase::Either => "",
        }
    }

    pub fn of(&self, bytes: &[u8]) -> u16 {
        match &self.sum {
            Sum::Xor => u16::from(bytes.iter().fold(0, |sum, &byte| sum ^ byte)),
            Sum::Sum8 => u16::from(bytes.iter().fold(0u8, |sum, &byte| sum.wrapping_add(byte))),
            Sum::Crc16(crc, table) => crc.of(table, bytes),
        }
    }

    /// The digits as a meter prints them.
    pub fn print(&self, value: u16) -> String {
        let width = self.digits();
        match self.hex {
            HexCase::Lower => format!("{value:0width$x}"),
            _ => format!("{value:0width$X}"),
        }
    }

    pub fn new(table: &ChecksumTable) -> Result<Algorithm, Mistake> {
        let sum = match table.kind {
            Kind::Xor => Sum::Xor,
            Kind::Sum8 => Sum::Sum8,
            Kind::Crc16 => {
                let crc = crc_of(table)?;
                Sum::Crc16(crc, Box::new(crc.table()))
            }
        };
        if let (false, Some((key, span))) = (table.kind == Kind::Crc16, first_parameter(table)) {
            let what = format!("`{key}` is given, but the checksum is no CRC");
            return Err((span, what, "take it out, or set `kind = \"crc-16\"`".to_owned()));
        }
        Ok(Algorithm { sum, hex: table.hex })
    }
}

/// Where, what, and what would be right.
pub(super) type Mistake = (std::ops::Range<usize>, String, String);

fn first_parameter(table: &ChecksumTable) -> Option<(&'static str, std::ops::Range<usize>)> {
    let parameters = [
        ("crc", table.crc.as_ref().map(Spanned::span)),
        ("polynomial", table.polynomial.as_ref().map(Spanned::span)),
        ("initial", table.initial.as_ref().map(Spanned::span)),
        ("reflect_in", table.reflect_in.as_ref().map(Spanned::span)),
        ("reflect_out", table.reflect_out.as_ref().map(Spanned::span)),
        ("xor_out", table.xor_out.as_ref().map(Spanned::span)),
    ];
    parameters.into_iter().find_map(|(key, span)| span.map(|span| (key, span)))
}

fn crc_of(table: &ChecksumTable) -> Result<Crc16, Mistake> {
    let names = || format!("`{}`", PRESETS.map(|(name, _)| name).join("`, `"));
    match (&table.crc, &table.polynomial) {
        (Some(name), None) => {
            let known = PRESETS.iter().find(|(known, _)| known == name.get_ref());
            let Some(&(_, mut crc)) = known else {
                let hint = match nearest(name.get_ref(), PRESETS.map(|(name, _)| name)) {
                    Some(meant) => format!("did you mean `{meant}`?"),
                    None => {
                        format!("those known by name are {}; others by `polynomial` and its like", names())
                    }
                };
                return Err((name.span(), format!("unknown CRC `{}`", name.get_ref()), hint));
            };
            vary(&mut crc, table);
            Ok(crc)
        }
        (None, Some(polynomial)) => {
            let mut crc = preset(*polynomial.get_ref(), 0, false, 0);
            vary(&mut crc, table);
            Ok(crc)
        }
        (Some(name), Some(_)) => Err((
            name.span(),
            "the CRC is given twice, by name and by `polynomial`".to_owned(),
            "keep one of them".to_owned(),
        )),
        (None, None) => Err((
            first_parameter(table).map_or(0..0, |(_, span)| span),
            "several checksums are called CRC-16, and nothing says which one this is".to_owned(),
            format!(
                "add `crc = \"…\"`, one of {}, or `polynomial = 0x…` with `initial` and its like",
                names()
            ),
        )),
    }
}

fn vary(crc: &mut Crc16, table: &ChecksumTable) {
    let word = |given: &Option<Spanned<u16>>, to: &mut u16| {
        if let Some(given) = given {
            *to = *given.get_ref();
        }
    };
    let flag = |given: &Option<Spanned<bool>>, to: &mut bool| {
        if let Some(given) = given {
            *to = *given.get_ref();
        }
    };
    word(&table.initial, &mut crc.initial);
    word(&table.xor_out, &mut crc.xor_out);
    flag(&table.reflect_in, &mut crc.reflect_in);
    flag(&table.reflect_out, &mut crc.reflect_out);
}

impl Crc16 {
    /// What each byte does to a register of zeros; the register is turned round where the input is.
    fn table(self) -> [u16; 256] {
        let mut table = [0; 256];
        for (byte, entry) in (0u8..=255).zip(&mut table) {
            *entry = (0..8).fold(self.seed(byte), |register, _| self.step(register));
        }
        table
    }

    fn seed(self, byte: u8) -> u16 {
        if self.reflect_in { u16::from(byte) } else { u16::from(byte) << 8 }
    }

    fn step(self, register: u16) -> u16 {
        if self.reflect_in {
            let feedback = if register & 1 == 1 { self.polynomial.reverse_bits() } else { 0 };
            (register >> 1) ^ feedback
        } else {
            let feedback = if register >> 15 == 1 { self.polynomial } else { 0 };
            (register << 1) ^ feedback
        }
    }

    fn of(self, table: &[u16; 256], bytes: &[u8]) -> u16 {
        let register = if self.reflect_in {
            bytes.iter().fold(self.initial.reverse_bits(), |register, &byte| {
                (register >> 8) ^ table[usize::from(register.to_le_bytes()[0] ^ byte)]
            })
        } else {
            bytes.iter().fold(self.initial, |register, &byte| {
                (register << 8) ^ table[usize::from(register.to_be_bytes()[0] ^ byte)]
            })
        };
        let register = if self.reflect_in == self.reflect_out { register } else { register.reverse_bits() };
        register ^ self.xor_out
    }
}

/// The checksums that a line's digits would be right for; for the message on an example.
pub(super) fn those_that_fit(bytes: &[u8], found: u16, digits: usize) -> Vec<String> {
    let hex = HexCase::Either;
    let plain = [("xor", Sum::Xor), ("sum-8", Sum::Sum8)];
    let crcs = PRESETS.map(|(name, crc)| (name, Sum::Crc16(crc, Box::new(crc.table()))));
    let all = plain.into_iter().chain(crcs).map(|(name, sum)| (name, Algorithm { sum, hex }));
    let fits = all.filter(|(_, sum)| sum.digits() == digits && sum.of(bytes) == found);
    fits.map(|(name, _)| name.to_owned()).collect()
}

#[cfg(test)]
#[path = "checksum_tests.rs"]
mod tests;
