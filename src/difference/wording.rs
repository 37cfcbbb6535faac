//! A result in words: difference ± uncertainty, verdict, and whether that is large enough to matter. Shape carries
//! the meaning: up, down, none, unknown. Terminal, page and report say it alike.

use super::choice::BARE;
use super::comparison::Comparison;
use super::comparison::Design;
use super::comparison::Figures;
use super::flags::Flag;
use super::verdict::Matters;
use super::verdict::Verdict;
use super::weighing::Weighed;
use super::zone_figures::ZoneStatus;
use crate::run::Ledger;

/// Without bare readings nothing is said to have been raised: the side was higher.
#[must_use]
pub fn verdict_words(ledger: &Ledger, comparison: &Comparison<'_>) -> &'static str {
    let is_bare = is_bare(ledger, comparison);
    match (comparison.verdict(), comparison.design) {
        (Verdict::Higher, _) if is_bare => "▲ higher while bare",
        (Verdict::Lower, _) if is_bare => "▼ lower while bare",
        (Verdict::Higher, Design::Paired) => "▲ raised",
        (Verdict::Higher, Design::NoBaseline) => "▲ treated higher",
        (Verdict::Lower, Design::Paired) => "▼ lowered",
        (Verdict::Lower, Design::NoBaseline) => "▼ treated lower",
        (Verdict::NotDetectable, _) => "○ none detectable",
        (Verdict::NoResult, _) => "× no result",
    }
}

/// Whether nothing has been put on yet: the sides are compared all the same, as they will be later.
fn is_bare(ledger: &Ledger, comparison: &Comparison<'_>) -> bool {
    ledger.setup.zones.get(comparison.zone).is_some_and(|zone| zone.stage == BARE)
}

/// Such as `+7.53 ± 0.75`: the uncertainty to two digits, the difference to the same place. Where the
/// tile's certificate states none, that of the interval, in brackets.
#[must_use]
pub fn with_uncertainty(weighed: &Weighed) -> String {
    let Some(difference) = weighed.difference_gu else { return String::new() };
    // From the four decimals of the tables, so that both round alike.
    let difference = (difference * 1e4).round() / 1e4;
    match (&weighed.whole, &weighed.chance) {
        (Some(whole), _) => {
            let places = places(difference, whole.expanded_gu);
            format!("{difference:+7.places$} ± {:.places$}", whole.expanded_gu)
        }
        (None, Some(chance)) => {
            let places = places(difference, chance.expanded_gu);
            format!("{difference:+7.places$} (± {:.places$})", chance.expanded_gu)
        }
        (None, None) => format!("{difference:+7.2}"),
    }
}

/// Decimals that show two digits of an uncertainty, and more where so few would have the interval end on the
/// other side of zero than it does.
#[must_use]
pub fn places(difference: f64, uncertainty: f64) -> usize {
    let excludes_zero = |places: usize| {
        let to = |value: f64| (value * 10_f64.powi(places as i32)).round();
        to(difference.abs()) > to(uncertainty)
    };
    let tells = |places: &usize| excludes_zero(*places) == (difference.abs() > uncertainty);
    (places_of_two_digits(uncertainty)..4).find(tells).unwrap_or(4)
}

/// Decimals that show two digits of an uncertainty, 0 to 4.
fn places_of_two_digits(uncertainty: f64) -> usize {
    if !(uncertainty > 0.0 && uncertainty.is_finite()) {
        return 2;
    }
    let leading = uncertainty.log10().floor();
    // 0.0996 rounds to 0.10, which has two digits with one place fewer.
    let places = 1.0 - leading;
    let rounded = (uncertainty * 10_f64.powf(places)).round();
    let places = if rounded >= 100.0 { places - 1.0 } else { places };
    places.clamp(0.0, 4.0) as usize
}

/// What has to be said below a result, a line each.
#[must_use]
pub fn below(ledger: &Ledger, comparison: &Comparison<'_>) -> Vec<String> {
    let Some(figures) = &comparison.figures else { return vec![why_not(comparison)] };
    let bare = is_bare(ledger, comparison);
    let mut lines: Vec<String> = size(ledger, comparison, figures).filter(|_| !bare).into_iter().collect();
    if let Some(margin) = ledger.setup.comparing.equivalence_margin_gu.filter(|_| !bare)
        && let Some(equal) = figures.equivalent
        && (equal || figures.verdict == Verdict::NotDetectable)
    {
        lines.push(match equal {
            true => format!("shown to be equal within ± {margin} GU"),
            false => format!("not shown to be equal within ± {margin} GU"),
        });
    }
    for flag in &comparison.flags {
        lines.extend(remark(flag, figures));
    }
    if let Some(kept) = comparison.kept.as_ref()
        && let Some(treated) = &kept.treated
    {
        let control = kept
            .control
            .as_ref()
            .map_or_else(String::new, |control| format!(", the control {:.0} %", 100.0 * control.ratio));
        lines.push(format!(
            "keeps {:.1} % ({:.1} to {:.1}) of its gloss at `{}`{control}",
            100.0 * treated.ratio,
            100.0 * treated.low,
            100.0 * treated.high,
            kept.from_stage
        ));
    }
    lines
}

/// Whether the difference is large enough to matter, or what would tell.
fn size(ledger: &Ledger, comparison: &Comparison<'_>, figures: &Figures) -> Option<String> {
    let seen = figures.detectable_gu.map(|gu| format!("could have seen {gu:.2} GU"));
    let Some(matters_gu) = ledger.setup.comparing.matters_gu else {
        return seen.filter(|_| figures.verdict == Verdict::NotDetectable);
    };
    let now = comparison.n_control.min(comparison.n_treated);
    let settle = || {
        let zones = figures.zones_to_settle.map(|zones| match usize::try_from(zones).unwrap_or(now) {
            zones if zones > now => format!("{zones} zones a side (now {now}) would find {matters_gu} GU"),
            _ => format!("{now} zones a side are enough to find {matters_gu} GU"),
        });
        let repeats = figures.repeats_to_settle.filter(|&r| f64::from(r) > figures.evidence.after.repeats);
        zones.map(|zones| match repeats {
            Some(repeats) => format!("{zones}; so would {repeats} readings a zone"),
            None => zones,
        })
    };
    match (figures.matters?, figures.verdict) {
        (Matters::Yes, _) => Some(format!("large enough to matter ({matters_gu} GU)")),
        (Matters::No, _) => Some(format!("too small to matter ({matters_gu} GU)")),
        (Matters::CannotTell, Verdict::NotDetectable) => {
            let parts: Vec<String> = seen.into_iter().chain(settle()).collect();
            Some(parts.join("; "))
        }
        (Matters::CannotTell, _) => {
            Some(format!("it cannot be told whether that is {matters_gu} GU or more"))
        }
    }
}

/// Flags that a reader has to meet beside the figures; the others are in the tables.
fn remark(flag: &Flag, figures: &Figures) -> Option<String> {
    match flag {
        Flag::Doubtful(zones) => {
            let without = figures.without_doubtful.as_deref().map(with_uncertainty);
            let verdict = figures.verdict_without_doubtful().map_or("", Verdict::text);
            let without = without.map_or_else(
                || "nothing is left without it".to_owned(),
                |figure| format!("without it {} GU, {verdict}", figure.trim()),
            );
            Some(format!("doubtful: {zones}; {without}"))
        }
        Flag::OneZoneSide => Some("no interval: it takes two zones a side".to_owned()),
        Flag::TileWithoutUncertainty => {
            Some("± without the tile: its certificate states no uncertainty".to_owned())
        }
        Flag::RetentionMissing(run) => Some(format!(
            "what is left of its gloss is not known: run {run} is not there as it was; put its recording back"
        )),
        Flag::ZeroOff => Some("the black trap read more than its tolerance: the zero is off".to_owned()),
        Flag::MiddleOff | Flag::ScaleBent => {
            Some("the scale is not straight between zero and tile: see the budget".to_owned())
        }
        Flag::Unpaired(zones) => Some(format!("left out, not read bare: {zones}")),
        Flag::Extended(run) => Some(format!("zones were added after run {run} had given its verdict")),
        Flag::CorrectionNotWorthItsNoise => {
            Some("the correction for drift takes out less than the noise it brings".to_owned())
        }
        _ => None,
    }
}

/// What is missing for a figure, and what to do.
fn why_not(comparison: &Comparison<'_>) -> String {
    for flag in &comparison.flags {
        if let Flag::BaselineMissing(run) = flag {
            return format!(
                "run {run} with its bare readings is not there as it was: put its recording back"
            );
        }
    }
    match comparison.status {
        ZoneStatus::Drifted => "the meter drifted: read the zones again, then the tile".to_owned(),
        ZoneStatus::Proven => "a figure is beyond what can be computed: look for a wrong value".to_owned(),
        ZoneStatus::NotProven | ZoneStatus::Skipped => {
            "not proven: it takes every zone, and a tile check before and after".to_owned()
        }
    }
}

/// What the results speak of; absent if nothing is proven.
#[must_use]
pub fn footing(ledger: &Ledger, all: &[Comparison<'_>]) -> Option<String> {
    let proven: Vec<&Comparison<'_>> = all.iter().filter(|c| c.figures.is_some()).collect();
    let bare = proven.iter().any(|c| c.design == Design::NoBaseline);
    let all_bare = proven.iter().all(|comparison| is_bare(ledger, comparison));
    (!proven.is_empty())
        .then_some(match bare {
            true if all_bare => "Bare readings: later runs on these zones are compared with them.",
            true => "On these panels. No bare readings are compared, so the sides may have differed before.",
            false => "On these panels, by what has changed since the same zones were read bare.",
        })
        .map(str::to_owned)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_uncertainty_is_shown_to_two_digits() {
        let places = [0.75, 0.0996, 0.0994, 1.25, 12.3, 340.0, 0.000_012, 0.0];
        assert_eq!(places.map(places_of_two_digits), [2, 2, 3, 1, 0, 0, 4, 2]);
    }

    #[test]
    fn rounding_does_not_contradict_the_verdict() {
        // 1.02 and 1.0243: `+1.0 ± 1.0` would leave it open; 1.03 and 1.02: one more digit says so.
        assert_eq!(places(1.0201, 1.0243), 1, "1.0 is not more than 1.0");
        assert_eq!(places(1.0301, 1.0243), 2, "1.03 is more than 1.02");
        assert_eq!(places(7.525, 0.7496), 2);
    }
}
