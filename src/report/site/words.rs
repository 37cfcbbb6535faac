//! Figures and words as pages show them. Each figure carries the one of the table beside it (`<data value>`), so that
//! a program finds the same on the page.

use crate::difference::wording::places;
use crate::report::plots::Mark;
use crate::report::plots::lettering::shown;
use crate::report::publication::OverPanelsRow;
use crate::report::publication::ResultRow;
use crate::report::publication::Verdict;
use chrono::DateTime;
use chrono::FixedOffset;
use maud::Markup;
use maud::html;

/// What stands where there is nothing.
pub(super) const NOTHING: &str = "–";

/// Text of a person: it cannot change the direction of what stands around it.
pub(super) fn said(text: &str) -> Markup {
    html! { bdi { (shown(text)) } }
}

/// With a real minus.
pub(super) fn minus(text: &str) -> String {
    text.replace('-', "\u{2212}")
}

/// A sentence whose figures have a real minus; its hyphens stay.
pub(super) fn minus_of_figures(text: &str) -> String {
    let mut before = ' ';
    let mut letters = text.chars().peekable();
    let mut told = String::with_capacity(text.len());
    while let Some(c) = letters.next() {
        let is_sign = c == '-' && before == ' ' && letters.peek().is_some_and(char::is_ascii_digit);
        told.push(if is_sign { '\u{2212}' } else { c });
        before = c;
    }
    told
}

/// A figure with its sign and a real minus; zero has none.
pub(super) fn signed(value: f64, decimals: usize) -> String {
    let text = format!("{value:+.decimals$}");
    let is_zero = !text.bytes().any(|byte| matches!(byte, b'1'..=b'9'));
    if is_zero { format!("{:.decimals$}", 0.0) } else { minus(&text) }
}

/// A figure of a table in so many decimals; a dash where there is none.
pub(super) fn figure(value: Option<f64>, decimals: usize) -> Markup {
    match value {
        Some(value) => {
            html! { data value=(format!("{value:.4}")) { (minus(&format!("{value:.decimals$}"))) } }
        }
        None => html! { (NOTHING) },
    }
}

/// The same for one that goes up or down, with its sign.
pub(super) fn signed_figure(value: Option<f64>, decimals: usize) -> Markup {
    match value {
        Some(value) => html! { data value=(format!("{value:.4}")) { (signed(value, decimals)) } },
        None => html! { (NOTHING) },
    }
}

/// Difference and uncertainty as text, such as `+7.53 ± 0.75`: U to two digits, the difference to the same place. In
/// brackets where it is the half-width of the interval, because the tile's certificate states no uncertainty.
pub(super) fn difference_text(
    difference: Option<f64>,
    expanded: Option<f64>,
    high: Option<f64>,
) -> Option<String> {
    let difference = difference?;
    Some(match (expanded, high) {
        (Some(u), _) => {
            let places = places(difference, u);
            format!("{} ± {u:.places$}", signed(difference, places))
        }
        (None, Some(high)) => {
            let half = high - difference;
            let places = places(difference, half);
            format!("{} (± {half:.places$})", signed(difference, places))
        }
        (None, None) => signed(difference, 2),
    })
}

/// The same for a page.
pub(super) fn difference(difference: Option<f64>, expanded: Option<f64>, high: Option<f64>) -> Markup {
    match (difference, difference_text(difference, expanded, high)) {
        (Some(value), Some(text)) => html! { data value=(format!("{value:.4}")) { (text) } },
        _ => html! { (NOTHING) },
    }
}

/// The interval of a row, `6.77 to 8.28`.
pub(super) fn interval(low: Option<f64>, high: Option<f64>) -> Markup {
    match (low, high) {
        (Some(low), Some(high)) => html! {
            data value=(format!("{low:.4}")) { (signed(low, 2)) } " to "
            data value=(format!("{high:.4}")) { (signed(high, 2)) }
        },
        _ => html! { (NOTHING) },
    }
}

/// A mark as a picture in a line; the word beside it says the same.
pub(super) fn mark(mark: Mark) -> Markup {
    html! {
        svg class="glyph" viewBox="0 0 16 16" width="16" height="16" aria-hidden="true" focusable="false" {
            path class=(format!("mark {}", mark.class())) d=(mark.outline((8.0, 8.0), 6.0)) {}
        }
    }
}

/// What can be said, with its mark.
pub(super) fn verdict(verdict: Verdict, words: &str) -> Markup {
    html! { span class="verdict" { (mark(Mark::of(verdict))) " " (words) } }
}

/// What can be said of one panel. Without bare readings nothing is said to have been raised: the side was higher.
pub(super) fn panel_verdict(row: &ResultRow) -> &'static str {
    match (row.verdict, row.stage.as_str(), row.design.as_str()) {
        (Verdict::Higher, "bare", _) => "higher while bare",
        (Verdict::Lower, "bare", _) => "lower while bare",
        (Verdict::Higher, _, "paired") => "raised",
        (Verdict::Lower, _, "paired") => "lowered",
        (Verdict::Higher, ..) => "treated side higher",
        (Verdict::Lower, ..) => "treated side lower",
        (Verdict::NotDetectable, ..) => "no difference detected",
        (Verdict::NoResult, ..) => match row.status.as_str() {
            "drifted" => "no result: the meter drifted",
            "not-proven" => "no result: not proven",
            _ => "no interval",
        },
    }
}

/// What can be said over panels.
pub(super) fn over_panels_verdict(row: &OverPanelsRow) -> &'static str {
    match row.verdict {
        Verdict::Higher => "higher",
        Verdict::Lower => "lower",
        Verdict::NotDetectable => "no difference detected",
        Verdict::NoResult => "no result over panels",
    }
}

/// A stage in words, such as `after 10 washes`.
pub(super) fn stage(stage: &str) -> String {
    match (stage, washes(stage)) {
        ("bare", _) => "still bare".to_owned(),
        ("cured", _) => "cured".to_owned(),
        ("wiped", _) => "after the solvent wipe".to_owned(),
        (_, Some(1)) => "after 1 wash".to_owned(),
        (_, Some(washes)) => format!("after {washes} washes"),
        (other, None) => other.to_owned(),
    }
}

/// Number of washes of a stage `washed-N`.
pub(super) fn washes(stage: &str) -> Option<u32> {
    stage.strip_prefix("washed-")?.parse().ok()
}

/// The order of stages: bare, others by name, cured, wiped, washed by number.
pub(super) fn stage_order(stage: &str) -> (u8, u32, &str) {
    match stage {
        "bare" => (0, 0, stage),
        "cured" => (2, 0, stage),
        "wiped" => (3, 0, stage),
        _ => washes(stage).map_or((1, 0, stage), |washes| (4, washes, stage)),
    }
}

/// A moment by the clock of its place; empty if its year is beyond the calendar.
pub(super) fn moment(wall_us: i64, offset_s: i32) -> Option<DateTime<FixedOffset>> {
    let offset = FixedOffset::east_opt(offset_s)?;
    Some(DateTime::from_timestamp_micros(wall_us)?.with_timezone(&offset))
}

/// A moment for people, `2026-05-05 13:00`.
pub(super) fn time(wall_us: i64, offset_s: i32) -> Markup {
    match moment(wall_us, offset_s) {
        Some(moment) => html! {
            time datetime=(moment.to_rfc3339_opts(chrono::SecondsFormat::Secs, false)) { (moment.format("%Y-%m-%d %H:%M")) }
        },
        None => html! { (NOTHING) },
    }
}

/// A length in bytes, for people.
pub(super) fn size(len: u64) -> String {
    match len {
        0..1_000 => format!("{len} B"),
        1_000..1_000_000 => format!("{:.1} kB", len as f64 / 1e3),
        _ => format!("{:.1} MB", len as f64 / 1e6),
    }
}

/// `1 panel`, `3 panels`.
pub(super) fn counted(n: usize, one: &str, many: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {many}") }
}
