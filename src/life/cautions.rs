//! What to mind where a stage calls for a solvent, a cleaner or pressure.

use crate::life::columns::Kind;
use crate::study::Study;

/// The program's own caution. A study and a treatment may add to it, and take nothing away.
pub const CAUTION: &str = "Wiping and washing panels takes solvents and cleaners, and sometimes pressure; they can be \
flammable, and they can hurt. Keep flames and sparks away, ventilate, wear gloves and eye protection, read the product's safety \
data sheet first, and follow local rules and licensed practice, for the work and for waste and run-off. Rags soaked with oil can \
set themselves on fire; a pressure washer's jet cuts skin.";

/// Whether doing this calls for a caution.
#[must_use]
pub fn is_called_for(kind: Kind) -> bool {
    matches!(kind, Kind::Applied | Kind::Stripped | Kind::Washed | Kind::Wiped)
}

/// The cautions, each a text of its own: the program's, the study's, and those of the treatments (indices into
/// `Study::treatments`), each with its code.
#[must_use]
pub fn cautions(study: &Study, treatments: impl IntoIterator<Item = usize>) -> Vec<String> {
    let mut texts = vec![CAUTION.to_owned()];
    texts.extend(Some(study.watching.caution.clone()).filter(|text| !text.is_empty()));
    for treatment in treatments {
        let Some(treatment) = study.treatments.get(treatment) else { continue };
        let text = format!("{}: {}", treatment.treatment.code, treatment.caution);
        if !treatment.caution.is_empty() && !texts.contains(&text) {
            texts.push(text);
        }
    }
    texts
}
