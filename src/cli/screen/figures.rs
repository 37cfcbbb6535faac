//! The two sides in figures: means of the zones so far, and their difference, which is nothing to go by
//! before both tile checks hold.

use super::line::{Line, Style, cut};
use super::survey::{Mark, Survey};
use crate::run::setup::Role;
use crate::stats::summary;
use crate::units::Geometry;

/// Figures of one side of one panel at one geometry.
#[derive(Clone, Debug, PartialEq)]
pub struct Side {
    /// Panel, where there are several, geometry and name.
    pub name: String,
    /// The same with the treatment's code alone.
    pub short: String,
    /// Zones with readings that count.
    pub read: usize,
    /// Zones of the side, those left out aside.
    pub of: usize,
    /// Mean of the zone means, GU.
    pub mean_gu: Option<f64>,
    /// Standard deviation of the zone means, GU.
    pub sd_gu: Option<f64>,
    /// Treated minus control, GU; absent on the control side.
    pub difference_gu: Option<f64>,
    /// Every zone of the side read in full and proven, or left out with a reason.
    pub proven: bool,
    /// Whether this is the control.
    pub is_control: bool,
}

/// All sides, panel by panel and geometry by geometry, each control before its treatments.
pub fn sides(survey: &Survey<'_>) -> Vec<Side> {
    let setup = &survey.ledger.setup;
    let mut all = Vec::new();
    for panel in 0..setup.panels.len() {
        for &geometry in &setup.geometries {
            let control = side(survey, panel, geometry, None);
            let mean = control.mean_gu;
            let control_proven = control.proven;
            all.push(control);
            for treatment in 0..setup.treatments.len() {
                let mut treated = side(survey, panel, geometry, Some(treatment));
                treated.difference_gu = treated.mean_gu.zip(mean).map(|(t, c)| t - c);
                treated.proven &= control_proven;
                all.push(treated);
            }
        }
    }
    all.retain(|side| side.of > 0 || side.read > 0);
    all
}

fn side(survey: &Survey<'_>, panel: usize, geometry: Geometry, treatment: Option<usize>) -> Side {
    let setup = &survey.ledger.setup;
    let is_of_side = |zone: &usize| {
        let at = &setup.zones[*zone];
        at.panel == panel && at.treatment == treatment && (at.role == Role::Control) == treatment.is_none()
    };
    let zones: Vec<usize> = (0..setup.zones.len()).filter(is_of_side).collect();
    let kept = || zones.iter().filter(|&&zone| !survey.zones[zone].skipped);
    let means: Vec<f64> = kept().filter_map(|&z| mean(survey.zones[z].counted.get(geometry)?)).collect();
    let is_proven =
        |&zone: &usize| survey.mark(zone) == Mark::Proven && survey.zones[zone].taken >= survey.wanted(zone);
    Side {
        name: name(survey, panel, geometry, treatment, true),
        short: name(survey, panel, geometry, treatment, false),
        read: means.len(),
        of: kept().count(),
        mean_gu: mean(&means),
        sd_gu: summary::standard_deviation(&means),
        difference_gu: None,
        proven: !means.is_empty() && kept().all(is_proven),
        is_control: treatment.is_none(),
    }
}

fn name(
    survey: &Survey<'_>,
    panel: usize,
    geometry: Geometry,
    treatment: Option<usize>,
    whole: bool,
) -> String {
    let setup = &survey.ledger.setup;
    let panel = match setup.panels.len() {
        1 => String::new(),
        _ => format!("{} ", setup.panels[panel].id),
    };
    let side = match treatment.and_then(|t| setup.treatments.get(t)) {
        None => "control".to_owned(),
        Some(treatment) if whole => format!("{} {}", treatment.code, treatment.name),
        Some(treatment) => treatment.code.clone(),
    };
    format!("{panel}{geometry} {side}")
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

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
