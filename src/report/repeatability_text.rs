//! How well a meter repeats, in words: a table, sentences, and JSON for programs.

use crate::difference::repeatability::AtGeometry;
use crate::difference::repeatability::Flag;
use crate::difference::repeatability::Flagged;
use crate::difference::repeatability::Repeats;
use crate::difference::repeatability::Series;
use crate::difference::repeatability::Sittings;
use crate::run::setup::Between;
use crate::stats::precision::Scatter;
use serde_json::Value;
use serde_json::json;
use std::fmt::Write;

/// What the figures are and are not.
pub const BOUNDS: &str = "One bench and one meter: this is repeatability and intermediate precision. \
                          Reproducibility (s_R, R) belongs to several laboratories, and nothing is said of it here.";

fn way(between: Between) -> &'static str {
    match between {
        Between::Still => "not lifted",
        Between::Lifted => "lifted",
    }
}

/// The series of one geometry, one line each, within 80 columns.
#[must_use]
pub fn series_table(at: &AtGeometry) -> String {
    let mut text = format!(
        "  {:<16} {:<14} {:<10} {:<10} {:>4} {:>9} {:>8}\n",
        "sitting", "operator", "zone", "meter", "n", "mean GU", "sd GU"
    );
    for series in &at.series {
        let short = |text: &str, width: usize| text.chars().take(width).collect::<String>();
        // Writing to a String cannot fail.
        let _ = writeln!(
            text,
            "  {:<16} {:<14} {:<10} {:<10} {:>4} {:>9} {:>8}",
            short(&series.sitting, 16),
            short(&series.operator, 14),
            short(&series.spot, 10),
            way(series.between),
            series.gloss.len(),
            series.mean_gu().map_or_else(String::new, |mean| format!("{mean:.2}")),
            series.scatter().map_or_else(String::new, |scatter| format!("{:.3}", scatter.sd)),
        );
    }
    text
}

/// The figures of one geometry, one line each, within 80 columns.
#[must_use]
pub fn figures_table(at: &AtGeometry) -> String {
    let rows = figures(at);
    let rows = rows.lines().map(|row| format!("{}\n", row.trim_end()));
    rows.collect()
}

fn figures(at: &AtGeometry) -> String {
    let mut text = format!(
        "  {:<28} {:>8} {:>5} {:>18} {:>10}\n",
        "standard deviation", "GU", "df", "95 % interval", "limit GU"
    );
    let mut line = |what: &str, repeats: &Repeats| {
        let Scatter { sd, degrees_of_freedom } = repeats.scatter;
        let interval = repeats.interval_gu.map(|[low, high]| format!("{low:.3} to {high:.3}"));
        let _ = if repeats.hidden {
            writeln!(text, "  {what:<28} {:>8} {degrees_of_freedom:>5} hidden by the meter's step", "–")
        } else {
            writeln!(
                text,
                "  {what:<28} {sd:>8.3} {degrees_of_freedom:>5} {:>18} {:>10.2}",
                interval.unwrap_or_default(),
                repeats.limit_gu
            )
        };
    };
    if let Some(still) = &at.still {
        line("meter not lifted", still);
    }
    if let Some(lifted) = &at.lifted {
        line("meter lifted (s_r)", lifted);
    }
    if let Ok(sittings) = &at.sittings {
        let mut line = |what: &str, sd: f64, limit: String| {
            let _ = writeln!(text, "  {what:<28} {sd:>8.3} {:>5} {:>18} {limit:>10}", "", "");
        };
        line("between sittings", sittings.sitting_sd_gu, String::new());
        if let Some(sd) = sittings.operator_sd_gu {
            line("between operators", sd, String::new());
        }
        let limit = format!("{:.2}", sittings.intermediate_limit_gu);
        line("intermediate precision", sittings.intermediate_sd_gu, limit);
    }
    text
}

/// What the figures of one geometry mean, and what stands out, a sentence each.
#[must_use]
pub fn sentences(at: &AtGeometry) -> Vec<String> {
    let mut said = vec![meaning(at)];
    for (what, repeats) in [("not lifted", &at.still), ("lifted", &at.lifted)] {
        if repeats.is_some_and(|repeats| repeats.hidden) {
            said.push(format!(
                "The scatter with the meter {what} lies below half its step of {} GU: the step hides it, and \
                 the figure is none. It is at most about half a step.",
                at.step_gu
            ));
        }
    }
    match &at.sittings {
        Err(why) => said.push(format!("Between sittings: {why}.")),
        Ok(sittings) if sittings.operators_mixed_in => said.push(
            "Not balanced: operators cannot be told apart from sittings, since that takes the same number of \
             sittings, two or more, of each; what lies between operators is within what lies between sittings."
                .to_owned(),
        ),
        Ok(_) => {}
    }
    said.extend(at.flags.iter().map(flag_sentence));
    if !at.flags.is_empty() {
        said.push(
            "What stands out is in the figures all the same: look for its cause, and repeat the sitting."
                .to_owned(),
        );
    }
    said
}

/// What the figures mean for a comparison.
fn meaning(at: &AtGeometry) -> String {
    match at.lifted {
        Some(lifted) if !lifted.hidden => format!(
            "Two single readings of one spot at {}, the meter lifted between them, differ by more than {:.2} GU \
             only once in twenty times: a smaller difference of two single readings cannot be told from noise.",
            at.geometry, lifted.limit_gu
        ),
        Some(_) => format!(
            "Two single readings at {} that differ by a step of {} GU cannot be told from noise.",
            at.geometry, at.step_gu
        ),
        None => format!(
            "Without readings with lifting at {}, nothing is said of what a comparison of two spots can see.",
            at.geometry
        ),
    }
}

fn flag_sentence(flag: &Flag) -> String {
    let level = if flag.outlier { "outlier, beyond 1 %" } else { "straggler, beyond 5 %" };
    let (sitting, way) = (&flag.sitting, way(flag.between));
    match flag.what {
        Flagged::Scatter { c, critical } => format!(
            "Sitting {sitting}, meter {way}: scatters more than the others ({level}; Cochran's C {c:.3}, limit {critical:.3})."
        ),
        Flagged::Reading { number, gloss_gu, g, critical } => format!(
            "Sitting {sitting}, meter {way}: reading {number}, {gloss_gu} GU, lies apart ({level}; Grubbs' G {g:.3}, limit {critical:.3})."
        ),
        Flagged::Mean { mean_gu, g, critical } => format!(
            "Sitting {sitting}, meter {way}: its mean of {mean_gu:.2} GU lies apart ({level}; Grubbs' G {g:.3}, limit {critical:.3})."
        ),
    }
}

/// The figures of one geometry for programs.
#[must_use]
pub fn json(at: &AtGeometry) -> Value {
    json!({
        "geometry_deg": at.geometry.degrees(),
        "step_gu": at.step_gu,
        "not_lifted": at.still.as_ref().map(repeats_json),
        "lifted": at.lifted.as_ref().map(repeats_json),
        "sittings": at.sittings.as_ref().ok().map(sittings_json),
        "no_sittings_because": at.sittings.as_ref().err().map(ToString::to_string),
        "flags": at.flags.iter().map(flag_json).collect::<Vec<_>>(),
        "series": at.series.iter().map(series_json).collect::<Vec<_>>(),
        "says": sentences(at),
    })
}

fn repeats_json(repeats: &Repeats) -> Value {
    json!({
        "sd_gu": repeats.scatter.sd,
        "degrees_of_freedom": repeats.scatter.degrees_of_freedom,
        "ci_low_gu": repeats.interval_gu.map(|[low, _]| low),
        "ci_high_gu": repeats.interval_gu.map(|[_, high]| high),
        "limit_gu": repeats.limit_gu,
        "hidden_by_step": repeats.hidden,
        "series": repeats.series,
    })
}

fn sittings_json(sittings: &Sittings) -> Value {
    json!({
        "between_sittings_sd_gu": sittings.sitting_sd_gu,
        "between_operators_sd_gu": sittings.operator_sd_gu,
        "intermediate_sd_gu": sittings.intermediate_sd_gu,
        "intermediate_limit_gu": sittings.intermediate_limit_gu,
        "sitting_means_sd_gu": sittings.of_sittings.sd,
        "sitting_means_degrees_of_freedom": sittings.of_sittings.degrees_of_freedom,
        "operator_means_sd_gu": sittings.of_operators.map(|s| s.sd),
        "operator_means_degrees_of_freedom": sittings.of_operators.map(|s| s.degrees_of_freedom),
        "operators_mixed_in": sittings.operators_mixed_in,
    })
}

fn flag_json(flag: &Flag) -> Value {
    let (test, statistic, critical, reading) = match flag.what {
        Flagged::Scatter { c, critical } => ("cochran", c, critical, None),
        Flagged::Reading { number, g, critical, .. } => ("grubbs-reading", g, critical, Some(number)),
        Flagged::Mean { g, critical, .. } => ("grubbs-mean", g, critical, None),
    };
    json!({
        "sitting": flag.sitting,
        "lifted": flag.between == Between::Lifted,
        "test": test,
        "reading": reading,
        "statistic": statistic,
        "critical_5_percent": critical,
        "beyond_1_percent": flag.outlier,
    })
}

fn series_json(series: &Series) -> Value {
    json!({
        "operator": series.operator,
        "sitting": series.sitting,
        "zone": series.spot,
        "lifted": series.between == Between::Lifted,
        "n": series.gloss.len(),
        "mean_gu": series.mean_gu(),
        "sd_gu": series.scatter().map(|scatter| scatter.sd),
    })
}
