//! What was done and seen, in words.

use crate::life::observation::Look;
use crate::life::observation::What;
use crate::life::story::Step;
use crate::study::Scale;

pub(super) fn applied(what: &What) -> String {
    let What::Applied { amount, coats, .. } = what else { return String::new() };
    let mut says = "put on".to_owned();
    match coats {
        Some(1) => says.push_str(" in one coat"),
        Some(coats) => says.push_str(&format!(" in {coats} coats")),
        None => {}
    }
    if let Some(amount) = amount {
        says.push_str(&format!(", {amount}"));
    }
    says
}

pub(super) fn washed(what: &What, washes: u32) -> String {
    let What::Washed { recipe, amount, .. } = what else { return String::new() };
    let mut says = format!("washed to {washes}");
    if !recipe.is_empty() {
        says.push_str(&format!(" with {recipe}"));
    }
    if let Some(amount) = amount {
        says.push_str(&format!(", {amount}"));
    }
    says
}

pub(super) fn wiped(what: &What) -> String {
    let What::Wiped { solvent, passes, beading_ended, .. } = what else { return String::new() };
    let mut says = "wiped".to_owned();
    if !solvent.is_empty() {
        says.push_str(&format!(" with {solvent}"));
    }
    match passes {
        Some(1) => says.push_str(", one pass"),
        Some(passes) => says.push_str(&format!(", {passes} passes")),
        None => {}
    }
    match beading_ended {
        Some(pass) => says.push_str(&format!("; beading ended at pass {pass}")),
        None if passes.is_some() => says.push_str("; no end of beading noted"),
        None => {}
    }
    says
}

pub(super) fn looked(scale: &Scale, look: &Look, works: Option<bool>) -> String {
    let class = |side: &str, class: Option<u32>| {
        class.map(|class| match scale.words(class) {
            Some(words) => format!("{side} side class {class} ({words})"),
            None => format!("{side} side class {class}"),
        })
    };
    let area = look.failed_area_pct.map(|pct| format!("{pct} % of the area no longer sheds water"));
    let parts = [class("treated", look.treated_class), class("control", look.control_class), area];
    let mut says = parts.into_iter().flatten().collect::<Vec<_>>().join(", ");
    if says.is_empty() {
        "looked".clone_into(&mut says);
    }
    match works {
        Some(true) => says.push_str(": works"),
        Some(false) => says.push_str(": failed"),
        None => {}
    }
    says
}

pub(super) fn judged(attribute: &str, passes: bool, is_blind: bool) -> String {
    let verdict = if passes { "passes" } else { "fails" };
    let how = if is_blind { ", judged blind" } else { "" };
    format!("{attribute}: {verdict}{how}")
}

/// The step of an application that study.toml tells.
pub(super) fn step_of_study() -> Step {
    Step {
        at: None,
        row: None,
        kind: crate::life::Kind::Applied.name(),
        washes: 0,
        says: String::new(),
        look: None,
        works: None,
        out_of_order: String::new(),
        by: String::new(),
        note: "from study.toml".to_owned(),
        photo: None,
    }
}
