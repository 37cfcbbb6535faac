//! How much of the gloss of an earlier stage is still there: retention, for treated and control zones.
//!
//! What the tile's certificate says cancels, since both days read the same tile; how each day's checks
//! left the meter's scale does not ([`crate::stats::retention`]).

use super::books::Book;
use super::books::Books;
use super::books::Found;
use super::gather::Entry;
use super::gather::Take;
use super::gather::entries;
use super::gather::evidence;
use super::weighing::scale_check;
use crate::run::setup::Serves;
use crate::stats::paired::BeforeAfter;
use crate::stats::retention::Retention;
use crate::stats::retention::retention;

/// What was kept since an earlier stage.
pub struct Kept {
    /// The earlier stage.
    pub from_stage: String,
    /// Of the treated zones.
    pub treated: Option<Retention>,
    /// Of the control zones.
    pub control: Option<Retention>,
}

/// Retention against the run that the set-up names for it. `None` if it names none, or it is not there.
pub(super) fn kept(
    books: &Books<'_>,
    panel: usize,
    at: usize,
    (control, treated): (&[usize], &[usize]),
) -> Option<Kept> {
    let Found::There(named, earlier) = books.earlier(Serves::Retention, panel) else { return None };
    let of = |zones: &[usize]| {
        let (entries, _) = entries(&books.run, Some(earlier), zones, at);
        of_side(&books.run, earlier, &entries, at)
    };
    Some(Kept { from_stage: named.stage.clone(), treated: of(treated), control: of(control) })
}

fn of_side(run: &Book<'_>, earlier: &Book<'_>, entries: &[Entry<'_, '_>], at: usize) -> Option<Retention> {
    // The same zones as both sides of a sitting: their scale is what is wanted, not their difference.
    let evidence = evidence(run, Some(earlier), (entries, entries), at, Take::All)?;
    let before = evidence.before.as_ref()?;
    let values = |sitting: &super::evidence::Sitting| -> Vec<f64> {
        sitting.treated.iter().map(|point| point.value_gu(evidence.policy)).collect()
    };
    let zones: Vec<BeforeAfter> = values(before)
        .into_iter()
        .zip(values(&evidence.after))
        .map(|(before, after)| BeforeAfter { before, after })
        .collect();
    retention(&zones, scale_check(&evidence, before), scale_check(&evidence, &evidence.after)).ok()
}
