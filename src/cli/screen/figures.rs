//! The two sides in figures, as lines of text.

use super::line::{Line, Style, cut};
use crate::view::sides::{Side, sides};
use crate::view::survey::Survey;

fn figure(value: Option<f64>) -> String {
    value.map_or_else(|| "–".to_owned(), |value| format!("{value:.2}"))
}

fn proof(survey: &Survey<'_>, side: &Side) -> (&'static str, Style) {
    match () {
        () if side.proven => ("proven", Style::Held),
        () if survey.over => ("not proven", Style::Broken),
        () => ("not proven yet", Style::Waiting),
    }
}

/// A table, one line a side.
pub fn table(survey: &Survey<'_>, width: usize) -> Vec<Line> {
    let sides = sides(survey);
    let longest = sides.iter().map(|side| side.name.chars().count()).max().unwrap_or(0);
    let with_spread = width >= 60;
    // Blank, zones, mean, spread, difference and its proof.
    let others = 1 + 6 + 9 + if with_spread { 8 } else { 0 } + 8 + 16;
    let name = longest.clamp(4, width.saturating_sub(others).max(11));
    let spread = |text: &str| if with_spread { format!("{text:>8}") } else { String::new() };
    let head =
        format!(" {:name$}{:>6}{:>9}{}{:>15}", "", "zones", "mean GU", spread("spread"), "minus control");
    let mut lines = vec![Line::of(Style::Quiet, head).fitted(width)];
    for side in &sides {
        let zones = format!("{}/{}", side.read, side.of);
        let title = cut(&side.name, name);
        let mut line = Line::of(Style::Plain, format!(" {title:name$}{zones:>6}"));
        line.add(Style::Plain, format!("{:>9}{}", figure(side.mean_gu), spread(&figure(side.sd_gu))));
        if let Some(difference) = side.difference_gu {
            let (word, style) = proof(survey, side);
            line.add(Style::Strong, format!("{:>8}", signed(difference)));
            line.add(style, format!("  {word}"));
        }
        lines.push(line.fitted(width));
    }
    lines
}

/// One line a treatment, for a terminal with few lines. Names give way first, then the numbers of
/// zones: the difference is what the line is for.
pub fn brief(survey: &Survey<'_>, width: usize) -> Vec<Line> {
    let mut lines = Vec::new();
    let mut control = None;
    for side in sides(survey) {
        if side.is_control {
            control = Some(side);
            continue;
        }
        let proof = proof(survey, &side);
        let line = |name: &str, counts: bool| {
            let figures = |of: &Side| match counts {
                true => format!("{} ({}/{})", figure(of.mean_gu), of.read, of.of),
                false => figure(of.mean_gu),
            };
            let bare = control.as_ref().map_or_else(String::new, |c| format!("control {}", figures(c)));
            let mut line = Line::of(Style::Plain, format!(" {name} {}", figures(&side)));
            line.add(Style::Quiet, format!("  {bare}"));
            if let Some(difference) = side.difference_gu {
                line.add(Style::Strong, format!("  {}", signed(difference)));
                line.add(proof.1, format!("  {}", proof.0));
            }
            line
        };
        let ways = [line(&side.name, true), line(&side.short, true)];
        let fits = ways.into_iter().find(|line| line.width() <= width);
        lines.push(fits.unwrap_or_else(|| line(&side.short, false)).fitted(width));
    }
    lines
}

fn signed(value: f64) -> String {
    let text = format!("{value:+.2}");
    if text == "-0.00" { "+0.00".to_owned() } else { text }
}
