//! How a reading comes, as the profile's `[reading]` says: by the meter's button, by asking, or out of a
//! stream of values.

use crate::meter::escapes::request_bytes;
use crate::meter::profile_file::OneOrMore;
use crate::meter::profile_file::ReadingTable;
use crate::meter::profile_file::Source;
use crate::text::Problem;
use crate::units::Gloss;
use rust_decimal::Decimal;
use std::ops::Range;
use toml::Spanned;

/// How a reading comes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Way {
    /// The meter sends one line for each press of its button.
    Press,
    /// The host asks and waits for the answer.
    Ask(Asking),
    /// The meter sends without end; a reading is the median of a stable window.
    Stream(Streaming),
}

/// How a meter is asked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asking {
    /// What is sent for a reading.
    pub request: Box<[u8]>,
    /// How long to wait for the answer to each request, microseconds.
    pub timeout_us: u64,
    /// How often to ask for one reading, 1 or more.
    pub tries: u32,
    /// The meter sends each request back before it answers.
    pub echo: bool,
    /// What is sent once after each opening of the port, in order.
    pub start: Vec<Box<[u8]>>,
    /// What asks for one entry of the meter's error queue, after a failure.
    pub error_query: Option<Box<[u8]>>,
}

/// How a reading is found in a stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Streaming {
    /// Values of a reading: an odd number, so that the median is one of them.
    pub window: usize,
    /// Largest difference between two values of the window, GU.
    pub spread_gu: Gloss,
    /// Values that are dropped after the meter has come down.
    pub settle: u32,
    /// Values in a row that show that the meter has left its place.
    pub away: u32,
    /// A value below this shows a meter in the air, GU.
    pub lift_below_gu: Option<Gloss>,
    /// A value that differs from the reading by more than this shows that the meter has left, GU.
    pub leave_by_gu: Option<Gloss>,
    /// A meter that sends nothing for this long has left its place, microseconds.
    pub pause_us: Option<u64>,
}

/// The keys of each way; they say nothing in another.
const ASK_KEYS: [&str; 6] = ["request", "timeout_ms", "tries", "echo", "start", "error_query"];
const STREAM_KEYS: [&str; 7] =
    ["window", "spread_gu", "settle", "away", "lift_below_gu", "leave_by_gu", "pause_ms"];

impl Way {
    pub(super) fn of(source: Source<'_>, table: &ReadingTable) -> Result<Way, Problem> {
        let how = table.how.as_ref().map_or("press", |how| how.get_ref().as_str());
        let stray: &[&[&str]] = match how {
            "press" => &[&ASK_KEYS, &STREAM_KEYS],
            "ask" => &[&STREAM_KEYS],
            "stream" => &[&ASK_KEYS],
            other => {
                let span = table.how.as_ref().map_or(0..0, Spanned::span);
                let hint = "the choices are `press`: the meter sends one line for each press of its button; \
                            `ask`: it answers a request; `stream`: it sends without end";
                return Err(source.problem(span, format!("unknown choice `{other}`"), hint));
            }
        };
        if let Some((key, span)) = first_of(table, &stray.concat()) {
            let whose = if ASK_KEYS.contains(&key) { "ask" } else { "stream" };
            let what = format!("`{key}` says nothing with `how = \"{how}\"`");
            return Err(source.problem(
                span,
                what,
                format!("take it out, or set `how = \"{whose}\"` if the meter is read that way"),
            ));
        }
        match how {
            "ask" => Ok(Way::Ask(asking(source, table)?)),
            "stream" => Ok(Way::Stream(streaming(source, table)?)),
            _ => Ok(Way::Press),
        }
    }
}

/// The first of these keys that is given, and where.
fn first_of(table: &ReadingTable, keys: &[&'static str]) -> Option<(&'static str, Range<usize>)> {
    keys.iter().find_map(|&key| {
        let span = match key {
            "request" => table.request.as_ref().map(Spanned::span),
            "timeout_ms" => table.timeout_ms.as_ref().map(Spanned::span),
            "tries" => table.tries.as_ref().map(Spanned::span),
            "echo" => table.echo.as_ref().map(Spanned::span),
            "start" => table.start.as_ref().map(Spanned::span),
            "error_query" => table.error_query.as_ref().map(Spanned::span),
            "window" => table.window.as_ref().map(Spanned::span),
            "spread_gu" => table.spread_gu.as_ref().map(Spanned::span),
            "settle" => table.settle.as_ref().map(Spanned::span),
            "away" => table.away.as_ref().map(Spanned::span),
            "lift_below_gu" => table.lift_below_gu.as_ref().map(Spanned::span),
            "leave_by_gu" => table.leave_by_gu.as_ref().map(Spanned::span),
            "pause_ms" => table.pause_ms.as_ref().map(Spanned::span),
            _ => None,
        };
        span.map(|span| (key, span))
    })
}

/// The place of `how`, for a key that is missing beside it.
fn at_how(table: &ReadingTable) -> Range<usize> {
    table.how.as_ref().map_or(0..0, Spanned::span)
}

fn asking(source: Source<'_>, table: &ReadingTable) -> Result<Asking, Problem> {
    let Some(request) = &table.request else {
        let hint = "add `request = '…'`, what the meter's manual says to send for a reading, its line end as `\\r` or `\\n`";
        return Err(source.problem(at_how(table), "nothing says how to ask the meter", hint));
    };
    let start = match &table.start {
        None => Vec::new(),
        Some(given) => {
            let texts = match given.get_ref() {
                OneOrMore::One(text) => std::slice::from_ref(text),
                OneOrMore::More(texts) => texts.as_slice(),
            };
            let each = texts.iter().map(|text| bytes(source, "start", text, given.span()));
            each.collect::<Result<_, _>>()?
        }
    };
    let error_query = table.error_query.as_ref();
    Ok(Asking {
        request: bytes(source, "request", request.get_ref(), request.span())?,
        timeout_us: u64::from(source.within("timeout_ms", table.timeout_ms.as_ref(), 10, 600_000, 2_000)?)
            * 1_000,
        tries: source.within("tries", table.tries.as_ref(), 1, 20, 3)?,
        echo: table.echo.as_ref().is_some_and(|echo| *echo.get_ref()),
        start,
        error_query: error_query
            .map(|query| bytes(source, "error_query", query.get_ref(), query.span()))
            .transpose()?,
    })
}

fn bytes(source: Source<'_>, key: &str, text: &str, span: Range<usize>) -> Result<Box<[u8]>, Problem> {
    request_bytes(text).map_err(|why| {
        let hint = "a request is text such as 'MEAS?\\r\\n'; `\\r`, `\\n` and `\\xNN` stand for bytes";
        source.problem(span, format!("`{key}` cannot be sent: {why}"), hint)
    })
}

fn streaming(source: Source<'_>, table: &ReadingTable) -> Result<Streaming, Problem> {
    let window = source.within("window", table.window.as_ref(), 3, 99, 9)?;
    if let (true, Some(given)) = (window.is_multiple_of(2), &table.window) {
        let what = format!("`window` is {window}, an even number");
        let hint = "give an odd number, so that the median is one of the values";
        return Err(source.problem(given.span(), what, hint));
    }
    let Some(spread) = &table.spread_gu else {
        let hint = "add `spread_gu = \"0.3\"`: how far apart the values of a meter at rest may lie, some steps of its display";
        return Err(source.problem(at_how(table), "nothing says when the stream is stable", hint));
    };
    if table.lift_below_gu.is_none() && table.leave_by_gu.is_none() && table.pause_ms.is_none() {
        let hint = "add `lift_below_gu`, what the meter never shows on a panel and always in the air; or `pause_ms`, if it \
                    is silent in the air; or `leave_by_gu`";
        return Err(source.problem(
            at_how(table),
            "nothing says when the meter has left its place, so one placement could be read twice",
            hint,
        ));
    }
    let pause_ms = table.pause_ms.as_ref();
    Ok(Streaming {
        window: usize::from(window),
        spread_gu: at_least_zero(source, "spread_gu", spread)?,
        settle: source.within("settle", table.settle.as_ref(), 0, 1_000, 5)?,
        away: source.within("away", table.away.as_ref(), 1, 100, 3)?,
        lift_below_gu: table.lift_below_gu.as_ref().map(|floor| *floor.get_ref()),
        leave_by_gu: table
            .leave_by_gu
            .as_ref()
            .map(|by| at_least_zero(source, "leave_by_gu", by))
            .transpose()?,
        pause_us: match pause_ms {
            None => None,
            Some(_) => Some(u64::from(source.within("pause_ms", pause_ms, 100, 600_000, 0)?) * 1_000),
        },
    })
}

fn at_least_zero(source: Source<'_>, key: &str, given: &Spanned<Gloss>) -> Result<Gloss, Problem> {
    if given.get_ref().decimal() >= Decimal::ZERO {
        return Ok(*given.get_ref());
    }
    let what = format!("`{key}` is {}, below zero", given.get_ref());
    Err(source.problem(given.span(), what, "give a difference in GU, such as \"0.3\""))
}
