//! Judging blind: a label stands for a patch, and a seal that is written down before the judgement holds it to that.

use crate::life::observation::PatchIndex;
use crate::run::record::sha256_hex;
use crate::study::Study;

/// The seal of a label: SHA-256, lower-case hex, of the lines `label`, `treatment`, `panel` and `salt`, each ended by LF.
/// Without the salt nobody can find the patch by trying all of them; with it everybody can check the seal.
#[must_use]
pub fn seal(study: &Study, label: &str, patch: PatchIndex, salt: &str) -> String {
    let (treatment, panel) = names(study, patch);
    sha256_hex(format!("{label}\n{treatment}\n{panel}\n{salt}\n").as_bytes())
}

/// Code of the treatment and id of the panel of a patch; empty for one that the study does not have.
pub(crate) fn names(study: &Study, patch: PatchIndex) -> (&str, &str) {
    let Some(patch) = study.patches.get(patch) else { return ("", "") };
    (&study.treatments[patch.treatment].treatment.code, &study.panels[patch.panel].id)
}
