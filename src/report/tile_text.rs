//! The tile's history in words: a table, sentences, and JSON for programs.

use crate::report::tile_history::Charted;
use crate::report::tile_history::GeometryHistory;
use crate::report::tile_history::Stretch;
use crate::report::tile_history::TileHistory;
use crate::stats::charts::Rule;
use crate::stats::charts::WhyNoChart;
use crate::tile::history::RUNS_TO_COMPARE;
use crate::tile::history::USUAL_BASELINE;
use crate::tile::history::WarmUp;
use crate::tile::pattern::Pattern;
use chrono::DateTime;
use chrono::FixedOffset;
use serde_json::Value;
use serde_json::json;

/// What is said of every suggestion.
pub const CAUTION: &str = "A suggestion, no finding: the chart cannot tell the tile from the meter; cleaning, or a second tile, can.";

/// A figure with its sign, so many digits behind the point; never a negative zero.
#[must_use]
pub fn signed(value: f64, decimals: usize) -> String {
    let text = format!("{value:+.decimals$}");
    let is_zero = text.bytes().all(|byte| matches!(byte, b'-' | b'+' | b'0' | b'.'));
    if is_zero { text.replace('-', "+") } else { text }
}

/// When a check was made, by the clock of its place. `None` if its year is beyond the calendar.
#[must_use]
pub fn time(charted: &Charted) -> Option<DateTime<FixedOffset>> {
    let offset = FixedOffset::east_opt(charted.check.offset_s)?;
    Some(DateTime::from_timestamp_micros(charted.check.wall_us)?.with_timezone(&offset))
}

/// The day of a check, `2026-06-01`; its run if it has none.
#[must_use]
pub fn day(charted: &Charted) -> String {
    time(charted).map_or_else(|| charted.check.run.clone(), |time| time.format("%Y-%m-%d").to_string())
}

/// The table of one geometry, one line a check, within 80 columns.
#[must_use]
pub fn table(history: &GeometryHistory) -> String {
    let mut text = format!(
        "{:<16} {:<13} {:<8} {:>7} {:>7}  {:<14} {}\n",
        "time", "run", "kind", "GU off", "average", "limits", "signal"
    );
    let mut stretch = 0;
    for charted in &history.checks {
        if charted.stretch != stretch {
            stretch = charted.stretch;
            text.push_str(&format!("-- a new stretch begins: {}\n", history.stretches[stretch].start.text()));
        }
        text.push_str(&row(history, charted));
    }
    text
}

fn row(history: &GeometryHistory, charted: &Charted) -> String {
    let figure = |value: f64| signed(value, history.decimals());
    let limits = history.stretches[charted.stretch].limits();
    let row = format!(
        "{:<16} {:<13} {:<8} {:>7} {:>7}  {:<14} {}",
        time(charted).map(|time| time.format("%Y-%m-%d %H:%M").to_string()).unwrap_or_default(),
        charted.check.run,
        charted.check.kind.text(),
        figure(charted.check.deviation_gu),
        charted.average_gu.map(figure).unwrap_or_default(),
        limits.map(|l| format!("{}..{}", figure(l.lower), figure(l.upper))).unwrap_or_default(),
        short_signal(charted)
    );
    format!("{}\n", row.trim_end())
}

/// The gravest signal in a word, and how many more there are.
fn short_signal(charted: &Charted) -> String {
    let number = charted.signals.len() + usize::from(charted.jump);
    let first = match charted.signals.first() {
        Some(Rule::BeyondLimit) => "✕ beyond",
        Some(Rule::TwoOfThree) => "2 of 3",
        Some(Rule::FourOfFive) => "4 of 5",
        Some(Rule::EightOnOneSide) => "8 a side",
        Some(Rule::AverageBeyondLimit) => "average",
        None if charted.jump => "jump",
        None => "",
    };
    if number > 1 { format!("{first} +{}", number - 1) } else { first.to_owned() }
}

const fn name(rule: Rule) -> &'static str {
    match rule {
        Rule::BeyondLimit => "beyond-limit",
        Rule::TwoOfThree => "two-of-three",
        Rule::FourOfFive => "four-of-five",
        Rule::EightOnOneSide => "eight-on-one-side",
        Rule::AverageBeyondLimit => "average-beyond-limit",
    }
}

const fn words(rule: Rule) -> &'static str {
    match rule {
        Rule::BeyondLimit => "beyond three sigma",
        Rule::TwoOfThree => "two of three checks beyond two sigma, on one side",
        Rule::FourOfFive => "four of five checks beyond one sigma, on one side",
        Rule::EightOnOneSide => "eight checks on one side of the centre",
        Rule::AverageBeyondLimit => "the moving average beyond its limits",
    }
}

/// The signals, one line for each check that has one; empty without.
#[must_use]
pub fn signals(history: &GeometryHistory) -> String {
    let mut text = String::new();
    for charted in &history.checks {
        let mut broken: Vec<&str> = charted.signals.iter().map(|rule| words(*rule)).collect();
        if charted.jump {
            broken.push("a jump from the check before");
        }
        if !broken.is_empty() {
            text.push_str(&format!("  {} {}\n", charted.check.run, charted.check.kind.text()));
            broken.iter().for_each(|what| text.push_str(&format!("    {what}\n")));
        }
    }
    text
}

/// How the newest stretch stands: its limits, or how many checks are missing.
#[must_use]
pub fn standing(history: &GeometryHistory, baseline: usize) -> String {
    let Some(newest) = history.stretches.last() else { return String::new() };
    let figure = |value: f64| signed(value, history.decimals());
    match (&newest.chart, missing(newest, baseline)) {
        (Ok(chart), _) => {
            let rough = match baseline < USUAL_BASELINE {
                true => format!(" Limits from {baseline} checks are rough; {USUAL_BASELINE} are usual."),
                false => String::new(),
            };
            let (limits, ewma) = (chart.limits, &chart.ewma);
            format!(
                "Centre {} GU, limits {} to {}, of the average {} to {}.{rough}",
                figure(limits.centre),
                figure(limits.lower),
                figure(limits.upper),
                figure(ewma.lower),
                figure(ewma.upper)
            )
        }
        (Err(_), Some(missing)) => format!(
            "No limits yet: the baseline takes {baseline} checks, {} there; {missing} more needed.",
            match newest.charted.len() {
                0 => "none is".to_owned(),
                1 => "1 is".to_owned(),
                n => format!("{n} are"),
            }
        ),
        (Err(why), None) => format!("No limits: {why}."),
    }
}

/// Checks that the baseline still needs; `None` where it has them.
fn missing(stretch: &Stretch, baseline: usize) -> Option<usize> {
    let is_short = stretch.chart == Err(WhyNoChart::TooFew);
    baseline.checked_sub(stretch.charted.len()).filter(|missing| is_short && *missing > 0)
}

/// What the pattern of the newest stretch suggests, in one sentence; absent while it has no limits.
#[must_use]
pub fn suggestion(history: &GeometryHistory) -> Option<String> {
    let newest = history.stretches.last()?;
    let at_day =
        |at: &usize| newest.charted.get(*at).map_or_else(String::new, |at| day(&history.checks[*at]));
    Some(match history.pattern.as_ref()? {
        Pattern::Steady => "No pattern: tile and meter look steady.".to_owned(),
        Pattern::NewestApart { above: false } => {
            "The newest check alone is low: clean the tile and the meter's foot, then check again.".to_owned()
        }
        Pattern::NewestApart { above: true } => {
            "The newest check alone is high: check that the foot stands flat, then check again.".to_owned()
        }
        Pattern::Strays { at, low } if *low == at.len() => format!(
            "Low once and back at the next check ({}): as from a dirty tile or a dirty foot.",
            list(at.iter().map(at_day))
        ),
        Pattern::Strays { at, .. } => format!(
            "Out of line once and back at the next check ({}): as from a slip, or dirt.",
            list(at.iter().map(at_day))
        ),
        Pattern::Slope { gu_per_week, weeks } if *gu_per_week < 0.0 => format!(
            "A slow fall, {} GU a week over {weeks:.0} weeks: as from an ageing lamp or a tile that is wearing.",
            signed(*gu_per_week, history.decimals())
        ),
        Pattern::Slope { gu_per_week, weeks } => format!(
            "A slow rise, {} GU a week over {weeks:.0} weeks: as from a meter whose scale is moving.",
            signed(*gu_per_week, history.decimals())
        ),
        Pattern::Step { at, change_gu } => format!(
            "A step of {} GU on {}: as from a meter that was adjusted, or a changed tile.",
            signed(*change_gu, history.decimals()),
            at_day(at)
        ),
        Pattern::Unclear => {
            "The chart signals, but no single check, slope or step explains it: watch the next checks."
                .to_owned()
        }
    })
}

fn list(days: impl ExactSizeIterator<Item = String>) -> String {
    let more = days.len().saturating_sub(3);
    let shown: Vec<String> = days.take(3).collect();
    let rest = if more > 0 { format!(" and {more} more") } else { String::new() };
    format!("{}{rest}", shown.join(", "))
}

/// How fast the tile moves inside runs, in one line.
#[must_use]
pub fn warm_up(warm_up: &WarmUp) -> String {
    let Some(median) = warm_up.median_gu_per_h else {
        return "Inside runs: no bracket has both its checks yet, so no drift can be told.".to_owned();
    };
    let (first, later) =
        (warm_up.first_gu_per_h.unwrap_or_default(), warm_up.later_gu_per_h.unwrap_or_default());
    let counted = format!(
        "in {} of {} runs with several brackets the first moves faster than later ones, {first:.2} against \
         {later:.2} GU/h",
        warm_up.first_faster, warm_up.compared
    );
    let first_bracket = match warm_up.first_drifts_more() {
        Some(true) => format!("{counted}: warm up longer"),
        Some(false) => format!("{counted}: no sign of a warm-up"),
        None => format!(
            "runs with several brackets: {} of the {RUNS_TO_COMPARE} needed to judge warm-up",
            warm_up.compared
        ),
    };
    let runs =
        if warm_up.runs == 1 { "1 run".to_owned() } else { format!("median of {} runs", warm_up.runs) };
    format!("Inside runs the tile moves {} GU/h ({runs}); {first_bracket}.", signed(median, 2))
}

/// The whole history for programs.
#[must_use]
pub fn json(history: &TileHistory) -> Value {
    json!({
        "study": history.study,
        "runs": history.runs,
        "baseline": history.baseline,
        "newest_is_beyond": history.newest_is_beyond(),
        "geometries": history.geometries.iter().map(|g| geometry(g, history.baseline)).collect::<Vec<_>>(),
    })
}

fn geometry(history: &GeometryHistory, baseline: usize) -> Value {
    let warm_up = &history.warm_up;
    json!({
        "geometry_deg": history.geometry.degrees(),
        "newest_is_beyond": history.newest_is_beyond(),
        "pattern": history.pattern.as_ref().map(pattern_name),
        "suggestion": suggestion(history),
        "invalid_checks": history.invalid,
        "stretches": history.stretches.iter().map(|s| stretch(s, baseline)).collect::<Vec<_>>(),
        "checks": history.checks.iter().map(check).collect::<Vec<_>>(),
        "warm_up": {
            "runs": warm_up.runs,
            "median_gu_per_h": warm_up.median_gu_per_h,
            "runs_compared": warm_up.compared,
            "first_bracket_faster_in": warm_up.first_faster,
            "first_bracket_gu_per_h": warm_up.first_gu_per_h,
            "later_brackets_gu_per_h": warm_up.later_gu_per_h,
            "first_bracket_drifts_more": warm_up.first_drifts_more(),
        },
    })
}

const fn pattern_name(pattern: &Pattern) -> &'static str {
    match pattern {
        Pattern::Steady => "steady",
        Pattern::NewestApart { .. } => "newest-apart",
        Pattern::Strays { .. } => "strays",
        Pattern::Slope { gu_per_week, .. } if *gu_per_week < 0.0 => "slow-fall",
        Pattern::Slope { .. } => "slow-rise",
        Pattern::Step { .. } => "step",
        Pattern::Unclear => "unclear",
    }
}

fn stretch(stretch: &Stretch, baseline: usize) -> Value {
    let chart = stretch.chart.as_ref().ok();
    json!({
        "begins": stretch.start.text().replace(' ', "-"),
        "first_check": stretch.first,
        "charted_checks": stretch.charted.len(),
        "checks_missing": missing(stretch, baseline).unwrap_or(0),
        "centre_gu": chart.map(|c| c.limits.centre),
        "sigma_gu": chart.map(|c| c.limits.sigma),
        "lower_gu": chart.map(|c| c.limits.lower),
        "upper_gu": chart.map(|c| c.limits.upper),
        "moving_range_limit_gu": chart.map(|c| c.moving_range_limit_gu),
        "average_lower_gu": chart.map(|c| c.ewma.lower),
        "average_upper_gu": chart.map(|c| c.ewma.upper),
    })
}

fn check(charted: &Charted) -> Value {
    let check = &charted.check;
    let mut signals: Vec<&str> = charted.signals.iter().map(|rule| name(*rule)).collect();
    if charted.jump {
        signals.push("jump");
    }
    json!({
        "time": time(charted).map(|time| time.to_rfc3339()),
        "run": check.run,
        "kind": check.kind.text(),
        "stretch": charted.stretch,
        "tile": check.tile,
        "assigned_gu": check.assigned_gu.to_string().parse::<f64>().ok(),
        "deviation_gu": check.deviation_gu,
        "average_gu": charted.average_gu,
        "signals": signals,
    })
}
