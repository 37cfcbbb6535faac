//! The caution that stands where a stage calls for solvent, cleaner or pressure.

use super::words::said;
use crate::life::cautions::CAUTION;
use maud::Markup;
use maud::html;

/// Whether a stage is come to with solvent, cleaner or pressure.
pub(super) fn calls_for_it(stage: &str) -> bool {
    stage == "wiped" || stage.starts_with("washed")
}

/// The caution; what the study adds stands below it, and takes nothing away.
pub(super) fn caution<'a>(added: impl Iterator<Item = &'a str>) -> Markup {
    let added: Vec<&str> = added.filter(|text| !text.is_empty()).collect();
    html! {
        aside class="caution" aria-labelledby="caution" {
            h2 id="caution" { "Caution" }
            p { (CAUTION) }
            @for text in added {
                p { (said(text)) }
            }
        }
    }
}
