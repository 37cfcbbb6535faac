//! The difference so far, by the very code that makes the results: as it stands in the tables once it is proven, and
//! until then as it would stand if the checks to come held.

use crate::difference::Book;
use crate::difference::Books;
use crate::difference::Comparison;
use crate::difference::weighing::Known;
use crate::difference::weighing::Part;
use crate::difference::wording;
use crate::difference::zone_figures::ZoneStatus;
use crate::run::Ledger;
use crate::run::Replayed;
use crate::run::Spot;
use crate::run::Status;
use crate::run::setup::DriftPolicy;
use crate::units::Geometry;
use crate::units::Gloss;
use crate::view::survey::Survey;

/// Whether a difference can be gone by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Proof {
    /// It stands so in the tables.
    Proven,
    /// The zones that are read in full, as if the checks to come held; without the drift, which nobody knows yet.
    Pending,
    /// The meter did not hold, or the run ended before it was proven.
    NotProven,
}

/// Treated minus control on one panel, for one treatment and geometry.
#[derive(Clone, Debug, PartialEq)]
pub struct DifferenceView {
    /// Index of the panel in the set-up.
    pub panel: usize,
    /// Id of the panel.
    pub panel_id: String,
    /// Index of the treatment in the set-up.
    pub treatment: usize,
    /// Code and name of the treatment.
    pub name: String,
    /// Stage of the treated zones.
    pub stage: String,
    /// Geometry.
    pub geometry: Geometry,
    /// Whether it can be gone by.
    pub proof: Proof,
    /// Difference, GU; absent while a side has no zone.
    pub difference_gu: Option<f64>,
    /// Half-width of the 95 % interval that decides the verdict, GU; absent below two zones a side.
    pub half_width_gu: Option<f64>,
    /// Difference and uncertainty, such as `+7.53 ± 0.75`; empty if there is none.
    pub text: String,
    /// The verdict in words; empty while it is pending.
    pub verdict: &'static str,
    /// What has to be said beside it.
    pub remarks: Vec<String>,
    /// Zones of the control that take part.
    pub n_control: usize,
    /// Zones of the treated side that take part.
    pub n_treated: usize,
    /// Smallest difference that matters to the study, GU.
    pub matters_gu: Option<f64>,
    /// The uncertainty budget; empty while it is pending.
    pub parts: Vec<Part>,
    /// Sum of what decides the verdict.
    pub chance: Option<Known>,
    /// Sum of all of it; absent where the tile's certificate states no uncertainty.
    pub whole: Option<Known>,
}

/// All differences of a run, and what the proven ones speak of. `earlier` are the runs that it names, as far as they
/// are there.
#[must_use]
pub fn differences(survey: &Survey<'_>, earlier: &[Replayed]) -> (Vec<DifferenceView>, Option<String>) {
    let books = books(survey.ledger, earlier);
    let proven = books.comparisons();
    let footing = wording::footing(survey.ledger, proven);
    let is_left = |c: &Comparison<'_>| c.figures.is_none() && !survey.over;
    let supposed = proven.iter().any(is_left).then(|| supposed(survey, earlier));
    let supposed = supposed.as_ref().map(|ledger| self::books(ledger, earlier));
    let view = |(at, comparison): (usize, &Comparison<'_>)| {
        let pending = supposed.as_ref().and_then(|books| books.comparisons().get(at));
        match pending.filter(|_| is_left(comparison)) {
            Some(pending) => pending_view(survey.ledger, pending),
            None => proven_view(survey.ledger, comparison),
        }
    };
    (proven.iter().enumerate().map(view).collect(), footing)
}

fn books<'l>(ledger: &'l Ledger, earlier: &'l [Replayed]) -> Books<'l> {
    let book = |replayed: &'l Replayed| Book::new(replayed.run.ledger(), &replayed.sha256);
    Books::new(Book::new(ledger, ""), earlier.iter().map(book).collect())
}

/// The books as they would be if all that waits were proven, and there were no other zones.
fn supposed(survey: &Survey<'_>, earlier: &[Replayed]) -> Ledger {
    let mut ledger = survey.ledger.clone();
    for reading in ledger.readings.iter_mut().filter(|r| r.status == Status::Pending) {
        if let Spot::Zone { .. } = reading.spot {
            reading.status = Status::Proven;
        }
    }
    for (zone, now) in survey.zones.iter().enumerate() {
        let is_whole = !now.counted.is_empty() && now.taken >= survey.wanted(zone);
        if !is_whole && !ledger.skipped.contains_key(&zone) {
            ledger.skipped.insert(zone, String::new());
        }
    }
    // What the tile did since the opening check is known when the next one is there, and no sooner.
    ledger.setup.procedure.drift_policy = DriftPolicy::Allow;
    let is_there = |named: &crate::run::setup::Earlier| earlier.iter().any(|e| e.sha256 == named.sha256);
    ledger.setup.comparing.earlier.retain(is_there);
    ledger
}

fn frame(ledger: &Ledger, comparison: &Comparison<'_>) -> DifferenceView {
    let setup = &ledger.setup;
    let figures = comparison.figures.as_ref();
    DifferenceView {
        panel: comparison.panel,
        panel_id: setup.panels.get(comparison.panel).map_or_else(String::new, |panel| panel.id.clone()),
        treatment: comparison.treatment,
        name: setup
            .treatments
            .get(comparison.treatment)
            .map_or_else(String::new, |t| format!("{} {}", t.code, t.name)),
        stage: setup.zones.get(comparison.zone).map_or_else(String::new, |zone| zone.stage.clone()),
        geometry: comparison.geometry,
        proof: Proof::NotProven,
        difference_gu: figures.and_then(|f| f.weighed.difference_gu),
        half_width_gu: figures.and_then(|f| f.weighed.chance).map(|known| known.expanded_gu),
        text: figures.map_or_else(String::new, |f| wording::with_uncertainty(&f.weighed).trim().to_owned()),
        verdict: "",
        remarks: Vec::new(),
        n_control: comparison.n_control,
        n_treated: comparison.n_treated,
        matters_gu: setup.comparing.matters_gu.map(|gu| Gloss::from(gu).to_f64()),
        parts: Vec::new(),
        chance: figures.and_then(|f| f.weighed.chance),
        whole: figures.and_then(|f| f.weighed.whole),
    }
}

fn proven_view(ledger: &Ledger, comparison: &Comparison<'_>) -> DifferenceView {
    let proof = match comparison.status {
        ZoneStatus::Proven if comparison.figures.is_some() => Proof::Proven,
        _ => Proof::NotProven,
    };
    DifferenceView {
        proof,
        verdict: wording::verdict_words(ledger, comparison),
        remarks: wording::below(ledger, comparison),
        parts: comparison.figures.as_ref().map_or_else(Vec::new, |f| f.weighed.parts.clone()),
        ..frame(ledger, comparison)
    }
}

/// The interval is that of chance alone: nothing but the scatter of the zones is known yet.
fn pending_view(ledger: &Ledger, comparison: &Comparison<'_>) -> DifferenceView {
    let view = frame(ledger, comparison);
    let text = match (view.difference_gu, view.half_width_gu) {
        (Some(gu), Some(half)) => format!("{gu:+.2} ± {half:.2}"),
        (Some(gu), None) => format!("{gu:+.2}"),
        (None, _) => String::new(),
    };
    DifferenceView { proof: Proof::Pending, text, whole: None, ..view }
}
