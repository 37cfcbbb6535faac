//! Cells and rows of a CSV file (RFC 4180, LF line ends), written without an allocation per row.

use rust_decimal::Decimal;
use std::fmt;
use std::io;
use std::io::Write;

/// Writes one table, cell by cell.
pub(super) struct Rows<'w> {
    csv: csv::Writer<&'w mut dyn Write>,
    scratch: Scratch,
}

impl<'w> Rows<'w> {
    pub(super) fn new(out: &'w mut dyn Write) -> Rows<'w> {
        let csv = csv::WriterBuilder::new()
            .terminator(csv::Terminator::Any(b'\n'))
            .buffer_capacity(64 * 1024)
            .from_writer(out);
        Rows { csv, scratch: Scratch::new() }
    }

    pub(super) fn text(&mut self, text: &str) -> io::Result<()> {
        self.bytes(text.as_bytes())
    }

    pub(super) fn bytes(&mut self, bytes: &[u8]) -> io::Result<()> {
        Ok(self.csv.write_field(bytes)?)
    }

    /// So many cells of which nothing is known.
    pub(super) fn absent(&mut self, cells: usize) -> io::Result<()> {
        (0..cells).try_for_each(|_| self.bytes(b""))
    }

    pub(super) fn integer(&mut self, value: u64) -> io::Result<()> {
        self.fixed(false, value, 0)
    }

    /// A decimal with the digits and the sign it was given with.
    pub(super) fn decimal(&mut self, value: Decimal) -> io::Result<()> {
        match (u64::try_from(value.mantissa().unsigned_abs()), value.scale()) {
            (Ok(mantissa @ 1..), decimals @ 0..=MOST_DECIMALS) => {
                self.fixed(value.is_sign_negative(), mantissa, decimals)
            }
            _ => self.display(format_args!("{value}")),
        }
    }

    /// A derived figure to four decimals, never `-0.0000`; empty if absent or not finite.
    pub(super) fn figure(&mut self, value: Option<f64>) -> io::Result<()> {
        let Some(value) = value.filter(|v| v.is_finite()) else {
            return self.absent(1);
        };
        if let Some(ten_thousandths) = ten_thousandths(value) {
            return self.fixed(value < 0.0 && ten_thousandths > 0, ten_thousandths, 4);
        }
        self.scratch.fill(format_args!("{value:.4}"))?;
        Ok(self.csv.write_field(self.scratch.without_sign_of_zero())?)
    }

    /// Microseconds as seconds to four decimals, by whole numbers.
    pub(super) fn seconds(&mut self, micros: u64) -> io::Result<()> {
        let tenths_of_ms = micros / 100 + u64::from(micros % 100 >= 50);
        self.fixed(false, tenths_of_ms, 4)
    }

    pub(super) fn end_row(&mut self) -> io::Result<()> {
        Ok(self.csv.write_record(None::<&[u8]>)?)
    }

    /// Passes all on to the writer underneath; without it an error at the end would go unseen.
    pub(super) fn finish(mut self) -> io::Result<()> {
        self.csv.flush()
    }

    fn display(&mut self, value: fmt::Arguments<'_>) -> io::Result<()> {
        self.scratch.fill(value)?;
        Ok(self.csv.write_field(self.scratch.all())?)
    }

    /// A number given in units of its last decimal. Several cells of every row are such numbers, and
    /// the general way to print one takes longer than all else that is done for a reading.
    fn fixed(&mut self, is_negative: bool, value: u64, decimals: u32) -> io::Result<()> {
        let mut bytes = [0; 32];
        let mut at = bytes.len();
        let mut put = |byte| {
            at -= 1;
            bytes[at] = byte;
        };
        let (mut rest, mut digits) = (value, 0);
        while rest > 0 || digits <= decimals {
            if digits == decimals && decimals > 0 {
                put(b'.');
            }
            put(b'0' + (rest % 10) as u8);
            rest /= 10;
            digits += 1;
        }
        if is_negative {
            put(b'-');
        }
        Ok(self.csv.write_field(&bytes[at..])?)
    }
}

/// So many decimals, the digits of a `u64`, a point and a sign fit the room of a number.
const MOST_DECIMALS: u32 = 9;

/// Size of a value in whole ten-thousandths, rounded as `{:.4}` rounds it; `None` where the product
/// cannot tell: beyond 10^10 of them, or next to the middle between two.
fn ten_thousandths(value: f64) -> Option<u64> {
    // Below 10^10 a double is less than 2^-18 (4e-6) from its neighbours, and the product no further off.
    let scaled = value.abs() * 1e4;
    let whole = scaled.floor();
    let rest = scaled - whole;
    let is_clear = scaled < 1e10 && (rest - 0.5).abs() > 1e-5;
    is_clear.then_some(whole as u64 + u64::from(rest > 0.5))
}

/// Room for one number: the longest `f64` to four decimals has 315 characters.
struct Scratch {
    bytes: [u8; 320],
    len: usize,
}

impl Scratch {
    const fn new() -> Scratch {
        Scratch { bytes: [0; 320], len: 0 }
    }

    fn fill(&mut self, value: fmt::Arguments<'_>) -> io::Result<()> {
        self.len = 0;
        fmt::write(self, value).map_err(|_| io::Error::other("a number is too long for a cell of a table"))
    }

    fn all(&self) -> &[u8] {
        &self.bytes[..self.len]
    }

    fn without_sign_of_zero(&self) -> &[u8] {
        let all = self.all();
        match all.strip_prefix(b"-") {
            Some(rest) if rest.iter().all(|b| matches!(b, b'0' | b'.')) => rest,
            _ => all,
        }
    }
}

impl fmt::Write for Scratch {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        let end = self.len + text.len();
        self.bytes.get_mut(self.len..end).ok_or(fmt::Error)?.copy_from_slice(text.as_bytes());
        self.len = end;
        Ok(())
    }
}

/// Tokens of a `flags` cell; kept between rows so that only the longest one allocates.
#[derive(Default)]
pub(super) struct Flags(String);

impl Flags {
    pub(super) fn clear(&mut self) {
        self.0.clear();
    }

    pub(super) fn add(&mut self, token: &str) {
        if !self.0.is_empty() {
            self.0.push(';');
        }
        self.0.push_str(token);
    }

    /// A token with a person's reason. In the reason `;`, `%` and control characters stand as the
    /// `%XX` of their UTF-8 bytes, so that the cell can be split and the reason had back whole.
    pub(super) fn add_reason(&mut self, token: &str, reason: Option<&str>) {
        self.add(token);
        let Some(reason) = reason else { return };
        self.0.push('=');
        for c in reason.chars() {
            if c == ';' || c == '%' || c.is_control() {
                let mut utf8 = [0; 4];
                for byte in c.encode_utf8(&mut utf8).bytes() {
                    self.0.push('%');
                    self.0.extend(
                        [byte >> 4, byte & 15].map(|d| char::from(b"0123456789ABCDEF"[usize::from(d)])),
                    );
                }
            } else {
                self.0.push(c);
            }
        }
    }

    pub(super) fn as_str(&self) -> &str {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(write: impl FnOnce(&mut Rows<'_>) -> io::Result<()>) -> String {
        let mut out = Vec::new();
        let mut rows = Rows::new(&mut out);
        write(&mut rows).unwrap();
        rows.end_row().unwrap();
        rows.finish().unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn zero_never_has_a_sign() {
        for (value, text) in
            [(-0.0, "0.0000"), (-0.000_049, "0.0000"), (-0.000_051, "-0.0001"), (0.0, "0.0000")]
        {
            assert_eq!(written(|r| r.figure(Some(value)).and_then(|()| r.absent(1))), format!("{text},\n"));
        }
    }

    #[test]
    fn figures_next_to_the_middle_of_two_are_rounded_by_their_exact_value() {
        // Rounded by Python's `Decimal(double).quantize(Decimal("0.0001"), ROUND_HALF_EVEN)`, which works
        // on all digits of the double: it lies above or below the middle, or (0.03125, 0.09375) on it.
        for (value, text) in [
            (0.000_25, "0.0003"),
            (1.000_05, "1.0001"),
            (0.031_25, "0.0312"),
            (0.093_75, "0.0938"),
            (71.409_45, "71.4095"),
            (85.300_05, "85.3000"),
            (-999_999.999_95, "-999999.9999"),
            (1e9, "1000000000.0000"),
        ] {
            assert_eq!(written(|r| r.figure(Some(value)).and_then(|()| r.absent(1))), format!("{text},\n"));
        }
    }

    proptest::proptest! {
        #[test]
        fn a_figure_is_printed_as_the_standard_library_prints_it(
            whole in -2_000_000_i64..2_000_000, part in 0_u32..200_000, off in -3_i32..=3,
        ) {
            // Every second multiple of half a ten-thousandth is a middle; a few doubles around each.
            let near = whole as f64 + f64::from(part) / 2e5;
            let value = f64::from_bits(near.to_bits().wrapping_add_signed(i64::from(off)));
            proptest::prop_assume!(value.is_finite());
            let expected = format!("{value:.4}").replace("-0.0000", "0.0000");
            proptest::prop_assert_eq!(written(|r| r.figure(Some(value))), format!("{expected}\n"));
        }

        #[test]
        fn a_decimal_is_printed_as_its_type_prints_it(mantissa: i64, scale in 0_u32..20) {
            let value = Decimal::from_i128_with_scale(mantissa.into(), scale);
            proptest::prop_assert_eq!(written(|r| r.decimal(value)), format!("{value}\n"));
        }
    }

    #[test]
    fn what_is_not_known_or_not_finite_is_empty() {
        let cells = [None, Some(f64::NAN), Some(f64::INFINITY), Some(1.0)];
        assert_eq!(written(|r| cells.into_iter().try_for_each(|c| r.figure(c))), ",,,1.0000\n");
    }

    #[test]
    fn the_longest_number_fits() {
        let text = written(|r| r.figure(Some(-f64::MAX)));
        assert_eq!(text.len(), 316);
        assert!(text.starts_with("-17976931348623157") && text.ends_with(".0000\n"));
    }

    #[test]
    fn a_decimal_keeps_the_digits_of_its_print() {
        let cells = ["85.30", "-0.1", "0", "0.0", "1999.99"].map(|t| t.parse::<Decimal>().unwrap());
        assert_eq!(
            written(|r| cells.into_iter().try_for_each(|c| r.decimal(c))),
            "85.30,-0.1,0,0.0,1999.99\n"
        );
    }

    #[test]
    fn seconds_are_rounded_to_the_nearest_tenth_of_a_millisecond() {
        assert_eq!(written(|r| r.seconds(3_600_000_049).and_then(|()| r.seconds(50))), "3600.0000,0.0001\n");
    }

    #[test]
    fn text_with_commas_quotes_or_line_ends_is_quoted() {
        assert_eq!(written(|r| r.text("a,\"b\"\nc").and_then(|()| r.text("é"))), "\"a,\"\"b\"\"\nc\",é\n");
    }

    #[test]
    fn a_reason_can_be_had_back_whole() {
        let mut flags = Flags::default();
        flags.add("retaken");
        flags.add_reason("voided", Some("slid; 50 % off\n, é=1"));
        assert_eq!(flags.as_str(), "retaken;voided=slid%3B 50 %25 off%0A, é=1");
    }
}
