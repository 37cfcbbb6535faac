//! Numbers of a study, each with its range.

use crate::study::file::Count;
use crate::study::file::Figure;
use crate::study::file::Millimetres;
use crate::study::load::Source;
use crate::text::Problem;
use crate::units::Gloss;
use chrono::DateTime;
use chrono::NaiveDate;
use chrono::SecondsFormat;
use rust_decimal::Decimal;
use toml::Spanned;
use toml::Value;

/// The most that a gloss value of a study can be, GU: a silvered mirror at 20° comes near it.
const MOST_GU: u32 = 2000;
const MOST_MM: f64 = 10_000.0;
const MOST_COUNT: u32 = 10_000;
const MOST_HOURS: f64 = 10_000.0;

/// The most that a limit on the tile can be, GU; a wider one would prove nothing on any tile.
const MOST_LIMIT_GU: u32 = 50;

/// Gloss above 0 and up to 2000 GU, the digits as they are written: `92.40` stays `92.40`.
pub(super) fn gu(source: Source<'_>, key: &str, figure: &Figure) -> Result<Decimal, Problem> {
    positive(source, key, figure, MOST_GU, "")
}

/// A limit above 0 and up to 50 GU, with its default in tenths of a GU.
pub(super) fn limit_gu(
    source: Source<'_>,
    key: &str,
    figure: Option<&Figure>,
    default_tenths: i64,
) -> Result<Decimal, Problem> {
    let default = Decimal::new(default_tenths, 1);
    let otherwise = format!("; without the key it is {default}");
    figure.map_or(Ok(default), |figure| positive(source, key, figure, MOST_LIMIT_GU, &otherwise))
}

/// A limit above 0 and up to 50 GU that holds only where the study states it.
pub(super) fn stated_limit_gu(
    source: Source<'_>,
    key: &str,
    figure: Option<&Figure>,
) -> Result<Option<Decimal>, Problem> {
    let otherwise = "; without the key there is no limit";
    figure.map(|figure| positive(source, key, figure, MOST_LIMIT_GU, otherwise)).transpose()
}

/// A price above 0 and up to 1,000,000, the digits as they are written.
pub(super) fn price(source: Source<'_>, figure: &Figure) -> Result<Decimal, Problem> {
    let value = Gloss::parse(digits(source, figure)).ok().map(Gloss::decimal);
    value.filter(|value| *value > Decimal::ZERO && *value <= Decimal::from(1_000_000)).ok_or_else(|| {
        let hint = "write digits and at most one point, more than 0, such as 18.50; the currency is a key of the study";
        source.problem(figure.span(), "`price` is not a plain decimal number above 0", hint)
    })
}

/// The number as it is written.
fn digits<'a>(source: Source<'a>, figure: &'a Figure) -> &'a str {
    match figure.get_ref() {
        Value::String(text) => text.as_str(),
        // Read from the source, since a binary double does not know how it was written.
        Value::Float(_) | Value::Integer(_) => source.text.get(figure.span()).unwrap_or_default(),
        _ => "",
    }
}

fn positive(
    source: Source<'_>,
    key: &str,
    figure: &Figure,
    most_gu: u32,
    otherwise: &str,
) -> Result<Decimal, Problem> {
    let Ok(value) = Gloss::parse(digits(source, figure)) else {
        return Err(source.problem(
            figure.span(),
            format!("`{key}` is not a plain decimal number"),
            "write digits and at most one point, 12 characters at most, such as 92.4",
        ));
    };
    let value = value.decimal();
    if value > Decimal::ZERO && value <= Decimal::from(most_gu) {
        return Ok(value);
    }
    Err(source.problem(
        figure.span(),
        format!("`{key}` is {value}"),
        format!("give more than 0 and at most {most_gu} GU{otherwise}"),
    ))
}

/// A whole number from 1 to 10,000.
pub(super) fn count(source: Source<'_>, key: &str, count: &Count) -> Result<u32, Problem> {
    let value = *count.get_ref();
    if (1..=MOST_COUNT).contains(&value) {
        return Ok(value);
    }
    let what = format!("`{key}` is {value}");
    Err(source.problem(count.span(), what, "give a whole number from 1 to 10000"))
}

/// A length above 0 and up to 10 m.
pub(super) fn length_mm(source: Source<'_>, key: &str, length: &Millimetres) -> Result<f64, Problem> {
    let value = *length.get_ref();
    if value > 0.0 && value <= MOST_MM {
        return Ok(value);
    }
    let what = format!("`{key}` is {value}");
    Err(source.problem(length.span(), what, "give more than 0 and at most 10000 mm"))
}

/// A distance from the left or upper edge, or between zones: 0 to 10 m.
pub(super) fn distance_mm(source: Source<'_>, key: &str, length: &Millimetres) -> Result<f64, Problem> {
    let value = *length.get_ref();
    if (0.0..=MOST_MM).contains(&value) {
        return Ok(value);
    }
    let what = format!("`{key}` is {value}");
    Err(source.problem(length.span(), what, "give 0 to 10000 mm"))
}

/// Hours, 0 to 10,000.
pub(super) fn hours(source: Source<'_>, key: &str, hours: &Spanned<f64>) -> Result<f64, Problem> {
    let value = *hours.get_ref();
    if (0.0..=MOST_HOURS).contains(&value) {
        return Ok(value);
    }
    Err(source.problem(hours.span(), format!("`{key}` is {value}"), "give 0 to 10000 hours"))
}

/// A day, `YYYY-MM-DD`, as a TOML date or in quotes.
pub(super) fn day(source: Source<'_>, key: &str, figure: &Figure) -> Result<String, Problem> {
    match NaiveDate::parse_from_str(&written(figure), "%Y-%m-%d") {
        Ok(day) => Ok(day.to_string()),
        Err(_) => Err(source.problem(
            figure.span(),
            format!("`{key}` is not a day"),
            "write year, month and day, such as 2026-03-31",
        )),
    }
}

/// A moment with its offset from UTC, as a TOML date-time or in quotes.
pub(super) fn moment(source: Source<'_>, key: &str, figure: &Figure) -> Result<String, Problem> {
    match DateTime::parse_from_rfc3339(&written(figure)) {
        Ok(moment) => Ok(moment.to_rfc3339_opts(SecondsFormat::AutoSi, true)),
        Err(_) => Err(source.problem(
            figure.span(),
            format!("`{key}` is not a moment with its offset from UTC"),
            "write it such as 2026-05-04T09:30:00+02:00; without the offset nobody could tell how long it cured",
        )),
    }
}

fn written(figure: &Figure) -> String {
    match figure.get_ref() {
        Value::String(text) => text.clone(),
        Value::Datetime(moment) => moment.to_string(),
        _ => String::new(),
    }
}
