//! A row as it is added to a file: in the columns, the separator and the line ends that the file has.

use crate::life::blind;
use crate::life::columns::Column;
use crate::life::observation::Observation;
use crate::life::observation::Subject;
use crate::life::observation::What;
use crate::life::shape::Shape;
use crate::study::Study;
use crate::study::unfit_for_a_cell;
use chrono::SecondsFormat;

/// Why a row cannot be added to a file.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CannotAdd {
    /// The header lacks a column that the row needs.
    #[error(
        "the header of the file has no column `{0}`, which the row needs; add it to the header and to every row"
    )]
    NoColumn(&'static str),
    /// A text that cannot stand in a cell.
    #[error("`{column}` {what}; {hint}")]
    Unfit {
        /// The column.
        column: &'static str,
        /// What is wrong with it.
        what: String,
        /// What would be right.
        hint: &'static str,
    },
}

/// The bytes to put behind a file of that shape, line ends included. For a file that is not there yet (`None`) the
/// header comes first.
///
/// # Errors
/// [`CannotAdd`].
pub fn added(
    shape: Option<&Shape>,
    study: &Study,
    observations: &[Observation],
) -> Result<Vec<u8>, CannotAdd> {
    let new_file = Shape::new_file();
    let at = shape.unwrap_or(&new_file);
    let mut bytes = Vec::new();
    if !at.ends_in_line_end {
        bytes.extend_from_slice(at.line_end().as_bytes());
    }
    if shape.is_none() {
        line(&mut bytes, at, Column::ALL.map(|column| column.name().to_owned()).as_slice());
    }
    for observation in observations {
        let cells = cells(study, observation);
        for (column, text) in &cells {
            if let Some((what, hint)) = unfit_for_a_cell(text) {
                return Err(CannotAdd::Unfit { column: column.name(), what, hint });
            }
        }
        let needs = |cell: &&(Column, String)| !cell.1.is_empty() && !at.columns.contains(&Some(cell.0));
        if let Some((column, _)) = cells.iter().find(needs) {
            return Err(CannotAdd::NoColumn(column.name()));
        }
        let cell = |column: &Option<Column>| {
            cells
                .iter()
                .find(|(known, _)| Some(*known) == *column)
                .map_or_else(String::new, |(_, text)| text.clone())
        };
        line(&mut bytes, at, &at.columns.iter().map(cell).collect::<Vec<_>>());
    }
    Ok(bytes)
}

fn line(bytes: &mut Vec<u8>, shape: &Shape, cells: &[String]) {
    let terminator = if shape.is_crlf { csv::Terminator::CRLF } else { csv::Terminator::Any(b'\n') };
    // The separators are one byte each.
    let separator = u8::try_from(shape.separator).unwrap_or(b',');
    let mut writer =
        csv::WriterBuilder::new().delimiter(separator).terminator(terminator).from_writer(Vec::new());
    // Writing to memory cannot fail.
    let _ = writer.write_record(cells);
    bytes.extend(writer.into_inner().unwrap_or_default());
}

/// The cells that a row fills.
fn cells(study: &Study, observation: &Observation) -> Vec<(Column, String)> {
    let mut cells = vec![
        (Column::Row, observation.row.to_string()),
        (Column::At, observation.at.to_rfc3339_opts(SecondsFormat::Secs, true)),
        (Column::Kind, observation.what.kind().name().to_owned()),
        (Column::By, observation.by.clone()),
        (Column::Note, observation.note.clone()),
    ];
    if let Some(photo) = &observation.photo {
        cells.push((Column::Photo, photo.path.clone()));
        cells.push((Column::PhotoSha256, photo.sha256.clone()));
    }
    let number = |number: &Option<u32>| number.map_or_else(String::new, |number| number.to_string());
    let patch_cells = |patch: usize| {
        let (treatment, panel) = blind::names(study, patch);
        [(Column::Treatment, treatment.to_owned()), (Column::Panel, panel.to_owned())]
    };
    let panel_cell = |panel: usize| (Column::Panel, study.panels[panel].id.clone());
    match &observation.what {
        What::Applied { patch, amount, coats, batch } => {
            cells.extend(patch_cells(*patch));
            cells.push((Column::Amount, amount.as_ref().map_or_else(String::new, ToString::to_string)));
            cells.push((Column::Coats, number(coats)));
            cells.push((Column::Batch, batch.clone()));
        }
        What::Stripped { panel, patch } => match patch {
            Some(patch) => cells.extend(patch_cells(*patch)),
            None => cells.push(panel_cell(*panel)),
        },
        What::Washed { panel, washes, recipe, amount } => {
            cells.push(panel_cell(*panel));
            cells.push((Column::Washes, washes.to_string()));
            cells.push((Column::Recipe, recipe.clone()));
            cells.push((Column::Amount, amount.as_ref().map_or_else(String::new, ToString::to_string)));
        }
        What::Looked { patch, washes, look } => {
            cells.extend(patch_cells(*patch));
            cells.push((Column::Washes, number(washes)));
            cells.push((Column::TreatedClass, number(&look.treated_class)));
            cells.push((Column::ControlClass, number(&look.control_class)));
            cells.push((
                Column::FailedAreaPct,
                look.failed_area_pct.map_or_else(String::new, |pct| pct.to_string()),
            ));
        }
        What::Wiped { patch, solvent, passes, beading_ended } => {
            cells.extend(patch_cells(*patch));
            cells.push((Column::Solvent, solvent.clone()));
            cells.push((Column::Passes, number(passes)));
            cells.push((Column::BeadingEndedPass, number(beading_ended)));
        }
        What::Judged { subject, attribute, passes, is_blind } => {
            match subject {
                Subject::Patch(patch) => cells.extend(patch_cells(*patch)),
                Subject::Label(label) => cells.push((Column::Label, label.clone())),
            }
            cells.push((Column::Attribute, study.watching.attributes[*attribute].clone()));
            cells.push((Column::Verdict, if *passes { "pass" } else { "fail" }.to_owned()));
            cells.push((Column::Blind, if *is_blind { "yes" } else { "" }.to_owned()));
        }
        What::Withdrawn { patch } => cells.extend(patch_cells(*patch)),
        What::Blinded { label, seal_sha256 } => {
            cells.push((Column::Label, label.clone()));
            cells.push((Column::SealSha256, seal_sha256.clone()));
        }
        What::Revealed { label, patch, salt } => {
            cells.extend(patch_cells(*patch));
            cells.push((Column::Label, label.clone()));
            cells.push((Column::Salt, salt.clone()));
        }
        What::Corrected { takes_back } => cells.push((Column::TakesBack, takes_back.to_string())),
    }
    cells
}
