//! What a look says of a product, and what looks say of its life.

use crate::life::lifetime::Lifetime;
use crate::life::observation::Look;
use crate::study::Failing;

/// Whether a look finds the product working; `None` where it says too little for either rule.
///
/// `first_control` is the control's class at its first look since the panel was prepared. Where the control itself has
/// changed from that by [`Failing::control_change`], the treated side is held against the first: the control's change is
/// not the product's failure. Common practice, no source.
#[must_use]
pub fn works(rule: &Failing, look: &Look, first_control: Option<u32>) -> Option<bool> {
    let control = look.control_class.map(|class| match first_control {
        Some(first) if has_changed(rule, first, class) => first,
        _ => class,
    });
    let by_class = match (rule.class_within, look.treated_class, control) {
        (Some(within), Some(treated), Some(control)) => Some(treated.saturating_add(within) >= control),
        _ => None,
    };
    let by_area = match (rule.failed_area_pct, look.failed_area_pct) {
        (Some(limit), Some(failed)) => Some(failed >= limit),
        _ => None,
    };
    match (by_class, by_area) {
        (None, None) => None,
        (class, area) => Some(!(class.unwrap_or(false) || area.unwrap_or(false))),
    }
}

/// Whether the control's own class has changed so far that it is a warning.
#[must_use]
pub fn has_changed(rule: &Failing, first: u32, now: u32) -> bool {
    first.abs_diff(now) >= rule.control_change
}

/// What looks say of a life.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// The life.
    pub lifetime: Lifetime,
    /// It had failed at its first look that says anything.
    pub never_worked: bool,
    /// The latest look found it failed, after so many washes, and no second one has confirmed it.
    pub suspected_at: Option<u32>,
    /// It was seen working after it had failed.
    pub worked_again: bool,
}

/// The life that looks give: each the product's washes and whether it worked, in the order of time.
///
/// It takes two failed looks in a row; the failure is dated at the first of them. A product that has failed before its
/// first wash has a life of (0, 1]: shorter than any whole wash.
#[must_use]
pub fn verdict(looks: &[(u32, bool)], over: bool) -> Verdict {
    let failed = looks.windows(2).position(|pair| !pair[0].1 && !pair[1].1);
    let before = &looks[..failed.unwrap_or(looks.len())];
    let until = failed.map(|index| looks[index].0.max(1));
    let seen_working =
        before.iter().filter(|(washes, works)| *works && until.is_none_or(|until| *washes < until));
    let after = seen_working.map(|&(washes, _)| washes).max().unwrap_or(0);
    Verdict {
        lifetime: Lifetime { after, until, over },
        never_worked: failed.is_some() && !before.iter().any(|(_, works)| *works),
        suspected_at: looks.last().filter(|(_, works)| until.is_none() && !works).map(|&(washes, _)| washes),
        worked_again: failed.is_some_and(|index| looks[index..].iter().any(|(_, works)| *works)),
    }
}
