//! Judging blind: labels are drawn by chance, their keys kept in `blind/`, and revealed once the judgements are kept.

use super::folder::Folder;
use super::observing::{Appended, ObservingError, Telling, append};
use crate::life::deeds::open_labels;
use crate::life::{PatchIndex, What, blind};
use crate::run::record::hex;
use crate::store::{self, StoreError};
use crate::study::Study;
use std::collections::BTreeSet;
use std::path::Path;

/// Folder of the keys.
const KEYS: &str = "blind";

/// Letters and digits that nobody takes for one another.
const LETTERS: &[u8] = b"ACDEFHJKLMNPRTUVWXY";
const DIGITS: &[u8] = b"3479";

/// A label and what it stands for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    /// The label.
    pub label: String,
    /// The patch.
    pub patch: PatchIndex,
    salt: String,
}

/// Draws a label for each patch. The keys are on the disk before the seals are.
///
/// # Errors
/// [`ObservingError`].
pub fn draw(
    folder: &Folder,
    study: &Study,
    patches: &[PatchIndex],
    telling: &Telling,
) -> Result<(Vec<Key>, Appended), ObservingError> {
    let mut keys = Vec::new();
    let appended = append(folder, study, telling, |stands| {
        let mut taken: BTreeSet<String> = stands
            .rows
            .iter()
            .filter_map(|row| match &row.what {
                What::Blinded { label, .. } => Some(label.clone()),
                _ => None,
            })
            .collect();
        for &patch in patches {
            let label = label(&taken)?;
            taken.insert(label.clone());
            keys.push(Key { label, patch, salt: hex(&chance::<16>()?) });
        }
        // In the order of the labels, which says nothing of the patches.
        keys.sort_by(|a, b| a.label.cmp(&b.label));
        write_keys(folder, study, &format!("from-row-{}.csv", stands.last_row.saturating_add(1)), &keys)?;
        let sealed = keys.iter().map(|key| What::Blinded {
            label: key.label.clone(),
            seal_sha256: blind::seal(study, &key.label, key.patch, &key.salt),
        });
        Ok(sealed.collect())
    })?;
    Ok((keys, appended))
}

/// Reveals all open labels whose judgements are kept: as many attributes for each as for any other, unless `anyway`.
///
/// # Errors
/// [`ObservingError::NotJudged`] with the labels that lack some, [`ObservingError::NoKey`].
pub fn reveal(
    folder: &Folder,
    study: &Study,
    anyway: bool,
    telling: &Telling,
) -> Result<Appended, ObservingError> {
    let keys = read_keys(folder, study)?;
    append(folder, study, telling, |stands| {
        let open = open_labels(study, stands);
        let wanted: BTreeSet<&String> = open.iter().flat_map(|(_, judged)| judged).collect();
        let lacking = open.iter().filter_map(|(label, judged)| {
            let missing: Vec<&str> =
                wanted.iter().filter(|a| !judged.contains(a)).map(|a| a.as_str()).collect();
            match (wanted.is_empty(), missing.is_empty()) {
                (true, _) => Some(format!("{label} was not judged")),
                (false, true) => None,
                (false, false) => Some(format!("{label} lacks {}", missing.join(", "))),
            }
        });
        let lacking: Vec<String> = lacking.collect();
        if !anyway && !lacking.is_empty() {
            return Err(ObservingError::NotJudged(lacking.join("; ")));
        }
        let revealed = open.iter().map(|(label, _)| {
            let key = keys.iter().find(|key| key.label == *label);
            let key = key.ok_or_else(|| ObservingError::NoKey(label.clone(), format!("{KEYS}/")))?;
            Ok(What::Revealed { label: label.clone(), patch: key.patch, salt: key.salt.clone() })
        });
        revealed.collect()
    })
}

fn chance<const N: usize>() -> Result<[u8; N], ObservingError> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(|error| ObservingError::NoChance(error.to_string()))?;
    Ok(bytes)
}

/// A label that is not taken: a letter and a digit, longer where most of these are gone.
fn label(taken: &BTreeSet<String>) -> Result<String, ObservingError> {
    let length = 2 + taken.len() * 2 / (LETTERS.len() * DIGITS.len());
    loop {
        let mut label = String::new();
        for index in 0..length {
            let from = if index % 2 == 0 { LETTERS } else { DIGITS };
            label.push(char::from(from[usize::from(fair(from.len())?)]));
        }
        if !taken.contains(&label) {
            return Ok(label);
        }
    }
}

/// A number below `below` (at most 256), each as likely as any other.
fn fair(below: usize) -> Result<u8, ObservingError> {
    loop {
        let [byte] = chance::<1>()?;
        if usize::from(byte) < 256 / below * below {
            return Ok(byte % u8::try_from(below).unwrap_or(u8::MAX));
        }
    }
}

fn write_keys(folder: &Folder, study: &Study, name: &str, keys: &[Key]) -> Result<(), StoreError> {
    let mut text = String::from("label,treatment,panel,salt\n");
    for key in keys {
        let at = &study.patches[key.patch];
        let (code, panel) = (&study.treatments[at.treatment].treatment.code, &study.panels[at.panel].id);
        text.push_str(&format!("{},{code},{panel},{}\n", key.label, key.salt));
    }
    store::replace_files(folder.disk(), &folder.root().join(KEYS), &[(name, text.as_bytes())])
}

/// All keys that can be read; one that cannot is a label that cannot be revealed.
fn read_keys(folder: &Folder, study: &Study) -> Result<Vec<Key>, ObservingError> {
    let place = folder.root().join(KEYS);
    let mut keys = Vec::new();
    if !folder.disk().exists(&place)? {
        return Ok(keys);
    }
    for entry in folder.disk().list(&place)? {
        let is_table = Path::new(&entry.name).extension().is_some_and(|e| e == "csv");
        if entry.is_folder || entry.is_leftover() || !is_table {
            continue;
        }
        let bytes = folder.disk().read(&place.join(&entry.name))?;
        for row in String::from_utf8_lossy(&bytes).lines().skip(1) {
            let cells: Vec<&str> = row.split(',').collect();
            let [label, code, panel, salt] = cells.as_slice() else { continue };
            let fits = |at: &crate::study::Patch| {
                study.treatments[at.treatment].treatment.code == *code && study.panels[at.panel].id == *panel
            };
            if let Some(patch) = study.patches.iter().position(fits) {
                keys.push(Key { label: (*label).to_owned(), patch, salt: (*salt).to_owned() });
            }
        }
    }
    Ok(keys)
}
