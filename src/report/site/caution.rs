//! The caution that stands where a stage calls for solvent, cleaner or pressure.

use super::words::said;
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
            p {
                "Wiping and washing panels takes solvents and cleaners, and sometimes pressure. "
                strong { "They are flammable and can hurt: " }
                "no flame or spark near; ventilate; wear gloves and eye protection; read the product’s safety data sheet first; "
                "follow local rules and licensed practice, for the work and for waste and run-off. Rags that are soaked with oil can set "
                "themselves on fire; a pressure washer’s jet cuts skin."
            }
            @for text in added {
                p { (said(text)) }
            }
        }
    }
}
