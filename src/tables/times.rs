//! Times of a run as RFC 3339, with the offset of the place of the run, to the millisecond.

use crate::run::Ledger;
use chrono::Datelike;
use chrono::NaiveDate;

const DAY_MS: i64 = 86_400_000;
/// 1970-01-01 as a day of the common era.
const EPOCH_DAY: i64 = 719_163;

/// Writes the times of one run. The date and the offset change seldom; they are kept from row to row.
pub(super) struct Times<'l> {
    ledger: &'l Ledger,
    written: Option<(i64, i64)>,
    text: [u8; 29],
}

impl<'l> Times<'l> {
    pub(super) fn new(ledger: &'l Ledger) -> Times<'l> {
        Times { ledger, written: None, text: *b"0000-00-00T00:00:00.000+00:00" }
    }

    /// The time at so many microseconds since the start, such as `2026-03-07T09:15:02.480+01:00`;
    /// cut, not rounded, to the millisecond. Empty if the run has no clock or the year is not one
    /// of four digits.
    pub(super) fn text(&mut self, at_us: u64) -> &[u8] {
        if self.ledger.sittings.is_empty() {
            return b"";
        }
        let (wall_us, offset_s) = self.ledger.wall(at_us);
        // RFC 3339 knows whole minutes only; local time moves with it, so the instant stays right.
        let offset_min = i64::from(offset_s) / 60;
        let local_ms = wall_us.div_euclid(1000) + offset_min * 60_000;
        let day = local_ms.div_euclid(DAY_MS);
        if self.written != Some((day, offset_min)) && self.write_date(day, offset_min).is_none() {
            return b"";
        }
        let ms = local_ms.rem_euclid(DAY_MS);
        self.two(11, ms / 3_600_000);
        self.two(14, ms / 60_000 % 60);
        self.two(17, ms / 1000 % 60);
        self.text[20] = digit(ms / 100);
        self.two(21, ms % 100);
        &self.text
    }

    fn write_date(&mut self, day: i64, offset_min: i64) -> Option<()> {
        let day_of_era = i32::try_from(day.checked_add(EPOCH_DAY)?).ok()?;
        let date = NaiveDate::from_num_days_from_ce_opt(day_of_era)?;
        let year = i64::from(date.year());
        if !(0..=9999).contains(&year) || offset_min.abs() >= 24 * 60 {
            return None;
        }
        self.two(0, year / 100);
        self.two(2, year % 100);
        self.two(5, date.month().into());
        self.two(8, date.day().into());
        self.text[23] = if offset_min < 0 { b'-' } else { b'+' };
        self.two(24, offset_min.abs() / 60);
        self.two(27, offset_min.abs() % 60);
        self.written = Some((day, offset_min));
        Some(())
    }

    fn two(&mut self, at: usize, value: i64) {
        self.text[at] = digit(value / 10);
        self.text[at + 1] = digit(value);
    }
}

/// The last digit of a number that is not negative.
fn digit(value: i64) -> u8 {
    b'0' + u8::try_from(value % 10).unwrap_or(0)
}
