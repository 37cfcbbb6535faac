//! Treated minus control, one comparison for each panel, treatment and geometry of a run, with all that
//! can be said of it. No figure of gloss stands in a comparison whose meter is not proven.

use super::books::Book;
use super::books::Books;
use super::books::Found;
use super::evidence::Evidence;
use super::evidence::Side;
use super::flags;
use super::flags::Doubtful;
use super::flags::Flag;
use super::gather;
use super::gather::Entry;
use super::gather::Take;
use super::gather::entries;
use super::kept::Kept;
use super::kept::kept;
use super::sides::Sides;
use super::verdict::Matters;
use super::verdict::Verdict;
use super::verdict::detectable_gu;
use super::verdict::is_equivalent;
use super::verdict::repeats_to_settle;
use super::verdict::size_known;
use super::verdict::within_sd;
use super::verdict::zones_to_settle;
use super::weighing::Weighed;
use super::weighing::weigh;
use super::zone_figures::ZoneFigures;
use super::zone_figures::ZoneStatus;
use super::zone_figures::geometries;
use crate::run::Bracket;
use crate::run::setup::DriftPolicy;
use crate::run::setup::Serves;
use crate::units::Geometry;
use crate::units::Gloss;
use rust_decimal::Decimal;

/// How treated and control are compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Design {
    /// As they stand: the halves may have differed before.
    NoBaseline,
    /// By what has changed since the same zones were read bare.
    Paired,
}

impl Design {
    /// The design as it stands in the tables.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Design::NoBaseline => "no-baseline",
            Design::Paired => "paired",
        }
    }
}

/// One comparison.
pub struct Comparison<'l> {
    /// Index of the panel in the set-up.
    pub panel: usize,
    /// Index of the treatment in the set-up.
    pub treatment: usize,
    /// The treatment it is held against; absent for the control.
    pub against: Option<usize>,
    /// Geometry.
    pub geometry: Geometry,
    /// Whether the meter was proven for it.
    pub status: ZoneStatus,
    /// How it is made.
    pub design: Design,
    /// Proven zones that took part on the control's side.
    pub n_control: usize,
    /// Proven zones that took part on the treated side.
    pub n_treated: usize,
    /// The brackets that the readings lie in, in order.
    pub brackets: Vec<&'l Bracket>,
    /// A planned zone of the treated side, for what all of them share.
    pub zone: usize,
    /// The figures; absent if the meter is not proven.
    pub figures: Option<Figures>,
    /// What was kept since an earlier stage; absent if no such run is named or found.
    pub kept: Option<Kept>,
    /// What a reader has to know beside the figures.
    pub flags: Vec<Flag>,
}

/// The figures of a proven comparison.
pub struct Figures {
    /// What they rest on.
    pub evidence: Evidence,
    /// The difference with its budget.
    pub weighed: Weighed,
    /// Mean of the control zones, GU.
    pub control_mean_gu: Option<f64>,
    /// Mean of the treated zones, GU.
    pub treated_mean_gu: Option<f64>,
    /// Difference of the values as read, GU.
    pub difference_raw_gu: Option<f64>,
    /// Difference of the values with the drift taken out, GU.
    pub difference_corrected_gu: Option<f64>,
    /// What can be said.
    pub verdict: Verdict,
    /// Smallest difference that it could have found, GU.
    pub detectable_gu: Option<f64>,
    /// Whether the difference is as large as matters; absent if the study names no size.
    pub matters: Option<Matters>,
    /// Zones a side that find a difference of that size.
    pub zones_to_settle: Option<u32>,
    /// Readings a zone that do, where repeats alone can.
    pub repeats_to_settle: Option<u32>,
    /// Whether the sides are shown to be equal within the study's margin; absent without one.
    pub equivalent: Option<bool>,
    /// What is doubtful.
    pub doubtful: Doubtful,
    /// The difference without what is doubtful; absent if nothing is.
    pub without_doubtful: Option<Box<Weighed>>,
}

impl Figures {
    /// The verdict without what is doubtful.
    #[must_use]
    pub fn verdict_without_doubtful(&self) -> Option<Verdict> {
        let without = self.without_doubtful.as_ref()?;
        Some(verdict_of(without))
    }
}

fn verdict_of(weighed: &Weighed) -> Verdict {
    weighed.difference_gu.map_or(Verdict::NoResult, |gu| Verdict::of(gu, weighed.chance.as_ref()))
}

impl Comparison<'_> {
    /// The verdict as it stands in the tables.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        self.figures.as_ref().map_or(Verdict::NoResult, |figures| figures.verdict)
    }
}

/// All comparisons of a run, by panel, treatment and geometry.
pub(super) fn compare_all<'l>(books: &Books<'l>) -> Vec<Comparison<'l>> {
    let sides = Sides::of(books.run.ledger);
    let mut found = Vec::new();
    for (panel, treatment, treated) in sides.treated() {
        for (at, geometry) in geometries(books.run.ledger) {
            let control = sides.control_on(panel);
            let asked = Asked { panel, treatment, against: None, geometry, at, control, treated };
            let mut comparison = asked.compare(books);
            if sides.treatments_on(panel) > 1 {
                comparison.flags.push(Flag::SharedControl);
            }
            found.push(comparison);
        }
    }
    found
}

/// Treatments that stand on one panel, each pair by its treated sides: two differences from the same
/// control are not independent.
#[must_use]
pub fn contrasts<'l>(books: &Books<'l>) -> Vec<Comparison<'l>> {
    let sides = Sides::of(books.run.ledger);
    let mut found = Vec::new();
    for (panel, [(one, control), (treatment, treated)]) in sides.pairs() {
        for (at, geometry) in geometries(books.run.ledger) {
            let asked = Asked { panel, treatment, against: Some(one), geometry, at, control, treated };
            found.push(asked.compare(books));
        }
    }
    found
}

/// What is to be compared.
#[derive(Clone, Copy)]
struct Asked<'s> {
    panel: usize,
    treatment: usize,
    against: Option<usize>,
    geometry: Geometry,
    at: usize,
    control: &'s [usize],
    treated: &'s [usize],
}

impl Asked<'_> {
    fn compare<'l>(&self, books: &Books<'l>) -> Comparison<'l> {
        let run = &books.run;
        let zones: Vec<&ZoneFigures<'l>> = self
            .control
            .iter()
            .chain(self.treated)
            .filter_map(|&zone| run.zones().get(zone, self.at))
            .collect();
        let status = status(run, self.at, self.control, self.treated);
        let mut comparison = Comparison {
            panel: self.panel,
            treatment: self.treatment,
            against: self.against,
            geometry: self.geometry,
            status,
            design: Design::NoBaseline,
            n_control: 0,
            n_treated: 0,
            brackets: brackets(&zones),
            zone: self.treated.first().copied().unwrap_or(0),
            figures: None,
            kept: None,
            flags: flags::of_zones(run, self.control, self.treated, self.at),
        };
        let baseline = match books.earlier(Serves::Baseline, self.panel) {
            Found::NotNamed => None,
            Found::There(_, book) => Some(book),
            Found::Missing(named) => {
                comparison.design = Design::Paired;
                comparison.flags.push(Flag::BaselineMissing(named.run.clone()));
                if status == ZoneStatus::Proven {
                    comparison.status = ZoneStatus::NotProven;
                }
                return comparison;
            }
        };
        comparison.design = if baseline.is_some() { Design::Paired } else { Design::NoBaseline };
        if baseline.is_none() {
            comparison.flags.push(Flag::NoBaseline);
        }
        match books.earlier(Serves::Extended, self.panel) {
            Found::There(named, then) if self.was_on_fewer(run, then) => {
                comparison.flags.push(Flag::Extended(named.run.clone()));
            }
            // Which treatment it was can no longer be told.
            Found::Missing(named) => comparison.flags.push(Flag::Extended(named.run.clone())),
            Found::There(..) | Found::NotNamed => {}
        }
        let (control, unpaired_control) = entries(run, baseline, self.control, self.at);
        let (treated, unpaired_treated) = entries(run, baseline, self.treated, self.at);
        (comparison.n_control, comparison.n_treated) = (control.len(), treated.len());
        let unpaired = [unpaired_control, unpaired_treated].concat();
        if !unpaired.is_empty() {
            comparison.flags.push(Flag::Unpaired(flags::names(run.ledger, &unpaired)));
        }
        if status == ZoneStatus::Proven {
            self.fill(books, baseline, (&control, &treated), &mut comparison);
        }
        comparison
    }

    /// Whether an earlier run made this comparison on fewer zones.
    fn was_on_fewer(&self, run: &Book<'_>, then: &Book<'_>) -> bool {
        let setup = &run.ledger.setup;
        let was_there = |zone: &&usize| {
            let at = setup.zones.get(**zone);
            let panel = at.and_then(|at| setup.panels.get(at.panel));
            at.zip(panel).is_some_and(|(at, panel)| then.zone(&panel.id, &at.name).is_some())
        };
        let count = |side: &[usize]| side.iter().filter(was_there).count();
        let (control, treated) = (count(self.control), count(self.treated));
        control > 0 && treated > 0 && control + treated < self.control.len() + self.treated.len()
    }

    fn fill(
        &self,
        books: &Books<'_>,
        baseline: Option<&Book<'_>>,
        (control, treated): (&[Entry<'_, '_>], &[Entry<'_, '_>]),
        comparison: &mut Comparison<'_>,
    ) {
        let run = &books.run;
        let Some(evidence) = gather::evidence(run, baseline, (control, treated), self.at, Take::All) else {
            comparison.flags.push(Flag::OutOfRange);
            return;
        };
        let weighed = weigh(&evidence);
        let doubtful = flags::doubtful(run, &evidence, (control, treated), self.at);
        let without = || {
            let (control, treated) = (doubtful.leave_out(control), doubtful.leave_out(treated));
            let take = Take::WithoutDoubtful;
            let evidence = gather::evidence(run, baseline, (&control, &treated), self.at, take)?;
            Some(Box::new(weigh(&evidence)))
        };
        let without = (!doubtful.is_empty()).then(without).flatten();
        // What one side has kept is not of two treatments beside each other.
        if self.against.is_none() {
            if let Found::Missing(named) = books.earlier(Serves::Retention, self.panel) {
                comparison.flags.push(Flag::RetentionMissing(named.run.clone()));
            }
            comparison.kept = kept(books, self.panel, self.at, (self.control, self.treated));
        }
        comparison.flags.extend(flags::of_scale(run.ledger, self.geometry));
        comparison.flags.extend(doubtful.flag(run.ledger));
        comparison.flags.extend(flags::of_figures(&evidence, &weighed));
        comparison.flags.extend(flags::advice(&evidence, self.geometry, &run.ledger.setup.geometries));
        comparison.figures =
            Some(figures(run.ledger, evidence, weighed, (doubtful, without), (control, treated)));
    }
}

fn figures(
    ledger: &crate::run::Ledger,
    evidence: Evidence,
    weighed: Weighed,
    (doubtful, without_doubtful): (Doubtful, Option<Box<Weighed>>),
    (control, treated): (&[Entry<'_, '_>], &[Entry<'_, '_>]),
) -> Figures {
    let gu = |size: Option<Decimal>| size.map(|gu| Gloss::from(gu).to_f64());
    let comparing = &ledger.setup.comparing;
    let (matters_gu, margin_gu) = (gu(comparing.matters_gu), gu(comparing.equivalence_margin_gu));
    let known = weighed.difference_gu.zip(weighed.chance.map(|chance| size_known(chance, weighed.whole)));
    let sds: Vec<Option<f64>> = control.iter().chain(treated).map(|entry| entry.after.sd_gu).collect();
    let corrected =
        evidence.after.control.iter().chain(&evidence.after.treated).all(|p| p.corrected_gu.is_some());
    Figures {
        control_mean_gu: evidence.after.mean_gu(Side::Control, evidence.policy),
        treated_mean_gu: evidence.after.mean_gu(Side::Treated, evidence.policy),
        difference_raw_gu: evidence.difference_gu(DriftPolicy::Allow),
        difference_corrected_gu: evidence.difference_gu(DriftPolicy::Correct).filter(|_| corrected),
        verdict: verdict_of(&weighed),
        detectable_gu: detectable_gu(&weighed),
        matters: known.zip(matters_gu).map(|((gu, known), size)| Matters::of(gu, &known, size)),
        zones_to_settle: matters_gu.and_then(|size| zones_to_settle(&evidence, size)),
        repeats_to_settle: matters_gu
            .zip(within_sd(&sds))
            .and_then(|(size, within)| repeats_to_settle(&evidence, within, size)),
        equivalent: known.zip(margin_gu).and_then(|((gu, known), margin)| is_equivalent(gu, &known, margin)),
        doubtful,
        without_doubtful,
        evidence,
        weighed,
    }
}

/// Whether the meter is proven for both sides.
fn status(run: &Book<'_>, at: usize, control: &[usize], treated: &[usize]) -> ZoneStatus {
    let of = |side: &[usize]| -> Vec<ZoneStatus> {
        side.iter().filter_map(|&zone| run.zones().get(zone, at)).map(|figures| figures.status).collect()
    };
    let (control, treated) = (of(control), of(treated));
    let both = || control.iter().chain(&treated);
    let settled = |status: &ZoneStatus| matches!(status, ZoneStatus::Proven | ZoneStatus::Skipped);
    if both().any(|status| *status == ZoneStatus::Drifted) {
        ZoneStatus::Drifted
    } else if both().all(settled)
        && control.contains(&ZoneStatus::Proven)
        && treated.contains(&ZoneStatus::Proven)
    {
        ZoneStatus::Proven
    } else {
        // A side that was skipped whole, or was never planned, leaves nothing to compare with.
        ZoneStatus::NotProven
    }
}

/// The brackets that the readings of zones lie in, in order, each once.
fn brackets<'l>(zones: &[&ZoneFigures<'l>]) -> Vec<&'l Bracket> {
    let not_skipped = |zone: &&&ZoneFigures<'l>| zone.status != ZoneStatus::Skipped;
    let mut brackets: Vec<&'l Bracket> =
        zones.iter().filter(not_skipped).flat_map(|zone| zone.brackets.iter().copied()).collect();
    brackets.sort_by_key(|bracket| bracket.first_reading);
    brackets.dedup();
    brackets
}
