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
        |&zone: &usize| survey.mark(zone) == Mark::Proven && survey.zones[zone].taken >= survey.wanted();
    Side {
        name: name(survey, panel, geometry, treatment),
        read: means.len(),
        of: kept().count(),
        mean_gu: mean(&means),
        sd_gu: summary::standard_deviation(&means),
        difference_gu: None,
        proven: !means.is_empty() && kept().all(is_proven),
        is_control: treatment.is_none(),
    }
}

fn name(survey: &Survey<'_>, panel: usize, geometry: Geometry, treatment: Option<usize>) -> String {
    let setup = &survey.ledger.setup;
    let panel = match setup.panels.len() {
        1 => String::new(),
        _ => format!("{} ", setup.panels[panel].id),
    };
    let side = match treatment.and_then(|t| setup.treatments.get(t)) {
        None => "control".to_owned(),
        Some(treatment) => format!("{} {}", treatment.code, treatment.name),
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
    let with_spread = width >= 58;
    // Blank, zones, mean, spread, difference and its proof.
    let others = 1 + 7 + 9 + if with_spread { 9 } else { 0 } + 9 + 16;
    let name = longest.clamp(4, width.saturating_sub(others).max(11));
    let spread = |text: &str| if with_spread { format!("{text:>9}") } else { String::new() };
    let head =
        format!(" {:name$}{:>7}{:>9}{}{:>15}", "", "zones", "mean GU", spread("spread"), "minus control");
    let mut lines = vec![Line::of(Style::Quiet, head).fitted(width)];
    for side in &sides {
        let zones = format!("{}/{}", side.read, side.of);
        let title = cut(&side.name, name);
        let mut line = Line::of(Style::Plain, format!(" {title:name$}{zones:>7}"));
        line.add(Style::Plain, format!("{:>9}{}", figure(side.mean_gu), spread(&figure(side.sd_gu))));
        if let Some(difference) = side.difference_gu {
            let (word, style) = proof(survey, side);
            line.add(Style::Strong, format!("{:>9}", signed(difference)));
            line.add(style, format!("  {word}"));
        }
        lines.push(line.fitted(width));
    }
    lines
}

/// One line a treatment, for a terminal with few lines.
pub fn brief(survey: &Survey<'_>, width: usize) -> Vec<Line> {
    let mut lines = Vec::new();
    let mut control = String::new();
    for side in sides(survey) {
        if side.is_control {
            control = format!("control {} ({}/{})", figure(side.mean_gu), side.read, side.of);
            continue;
        }
        let figures = format!("{} ({}/{})", figure(side.mean_gu), side.read, side.of);
        let (word, style) = proof(survey, &side);
        let difference = side.difference_gu.map_or_else(String::new, |d| format!("{}  ", signed(d)));
        // The difference is what the line is for: names give way first.
        let name = width.saturating_sub(6 + figures.len() + control.len() + difference.len() + word.len());
        let mut line = Line::of(Style::Plain, format!(" {} {figures}  ", cut(&side.name, name)));
        line.add(Style::Quiet, format!("{control}  "));
        line.add(Style::Strong, &difference);
        if !difference.is_empty() {
            line.add(style, word);
        }
        lines.push(line.fitted(width));
    }
    lines
}

fn signed(value: f64) -> String {
    let text = format!("{value:+.2}");
    if text == "-0.00" { "+0.00".to_owned() } else { text }
}
