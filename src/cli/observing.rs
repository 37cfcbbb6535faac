//! What the commands that add to `observations.csv` share: how they are told the study, the time and a note, and how they
//! show what came of it.

use super::{DONE, Failure, output};
use crate::life::deeds::Choice;
use crate::life::{self, Look, PatchIndex, Story, What, cautions};
use crate::session::clock::Clock;
use crate::session::folder::Folder;
use crate::session::observing::{self, Appended, Telling};
use crate::store::RealDisk;
use crate::study::Study;
use crate::text::wrapped;
use chrono::{DateTime, FixedOffset};
use std::path::PathBuf;
use std::sync::Arc;

/// Width of sentences that are wrapped.
const WIDTH: usize = 96;

#[derive(clap::Args)]
pub struct Shared {
    /// The study's folder
    #[arg(long, value_name = "DIR", default_value = ".")]
    study: PathBuf,
    /// When it was done or seen, such as 2026-05-04T09:30:00+02:00 [default: now]
    #[arg(long, value_name = "TIME", value_parser = moment)]
    at: Option<DateTime<FixedOffset>>,
    /// Who did it [default: the study's operator]
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// In words: how it went, what was odd
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// Number of a row that was a mistake, and that this one takes the place of
    #[arg(long, value_name = "ROW")]
    instead_of: Option<u32>,
    /// Print what was added, and the stories, as JSON
    #[arg(long)]
    json: bool,
}

/// What was seen, and a picture of it.
#[derive(clap::Args)]
pub struct Seen {
    /// Class of the treated side on the study's scale; 1 sheds water best
    #[arg(long, value_name = "CLASS")]
    pub class_treated: Option<u32>,
    /// Class of the control side
    #[arg(long, value_name = "CLASS")]
    pub class_control: Option<u32>,
    /// Share of the treated area that no longer sheds water, in percent
    #[arg(long, value_name = "PERCENT")]
    pub failed_area: Option<f64>,
}

impl Seen {
    pub fn look(&self) -> Look {
        Look {
            treated_class: self.class_treated,
            control_class: self.class_control,
            failed_area_pct: self.failed_area,
        }
    }
}

fn moment(text: &str) -> Result<DateTime<FixedOffset>, String> {
    DateTime::parse_from_rfc3339(text)
        .map_err(|_| "write it with the offset from UTC, such as 2026-05-04T09:30:00+02:00".to_owned())
}

/// A study at which something was done or seen.
pub struct Bench<'a> {
    pub folder: Folder,
    pub study: Study,
    pub telling: Telling,
    shared: &'a Shared,
}

impl Shared {
    /// Opens the study; a picture goes with what is told.
    pub fn open(&self, photo: Option<PathBuf>) -> Result<Bench<'_>, Failure> {
        let folder = Folder::new(Arc::new(RealDisk), &self.study);
        let study = folder.load()?.study;
        let telling = Telling {
            at: self.at.unwrap_or_else(|| Clock::real().wall()),
            by: self.by.clone().unwrap_or_else(|| study.operator.clone()),
            note: self.note.clone().unwrap_or_default(),
            photo,
            instead_of: self.instead_of,
            seen: None,
        };
        Ok(Bench { folder, study, telling, shared: self })
    }
}

impl Bench<'_> {
    /// The one patch that is meant.
    pub fn one(&self, treatment: &str, panel: Option<&String>) -> Result<PatchIndex, Failure> {
        let choice = choice(Some(treatment), panel.into_iter().cloned().collect());
        life::deeds::one(&self.study, &choice).map_err(|problem| Failure::new(problem, ""))
    }

    /// Adds rows.
    pub fn append(&self, whats: Vec<What>) -> Result<Appended, Failure> {
        Ok(observing::append(&self.folder, &self.study, &self.telling, |_| Ok(whats))?)
    }

    /// Shows what was added, how the patches stand that it is about, and what to mind.
    pub fn show(&self, appended: &Appended) -> Result<u8, Failure> {
        let patches = self.touched(appended);
        if let Some(behind) = &appended.tables_behind {
            output::remark(format_args!("the row is kept, but results/lives/ lags behind: {behind}"));
        }
        let hazardous = appended.rows.iter().any(|row| cautions::is_called_for(row.what.kind()));
        let treatments = patches.iter().map(|&patch| self.study.patches[patch].treatment);
        let cautions = if hazardous { cautions::cautions(&self.study, treatments) } else { Vec::new() };
        let stories: Vec<&Story> =
            patches.iter().filter_map(|&patch| life::latest(&appended.stories, patch)).collect();
        if self.shared.json {
            let rows: Vec<u32> = appended.rows.iter().map(|row| row.row).collect();
            let told = serde_json::json!({
                "rows": rows,
                "stories": stories,
                "problems": appended.observations.problems.iter().map(ToString::to_string).collect::<Vec<_>>(),
                "remarks": appended.observations.remarks,
                "cautions": cautions,
            });
            output::line(serde_json::to_string_pretty(&told).map_err(|e| Failure::new(e, ""))?);
            return Ok(DONE);
        }
        for caution in &cautions {
            caution_lines(caution);
        }
        for row in &appended.rows {
            output::line(format_args!("row {}: {}", row.row, row.what.kind().name()));
        }
        for story in stories {
            for line in story_lines(story, self.telling.at) {
                output::line(line);
            }
        }
        problems(&appended.observations);
        Ok(DONE)
    }

    /// Patches that the rows are about.
    fn touched(&self, appended: &Appended) -> Vec<PatchIndex> {
        let mut touched: Vec<PatchIndex> = Vec::new();
        for row in &appended.rows {
            let replaced = match row.what {
                What::Corrected { takes_back } => {
                    appended.observations.rows.iter().find(|row| row.row == takes_back)
                }
                _ => None,
            };
            touched.extend(self.patches_of(&row.what));
            touched.extend(replaced.into_iter().flat_map(|row| self.patches_of(&row.what)));
        }
        touched.sort_unstable();
        touched.dedup();
        touched
    }

    fn patches_of(&self, what: &What) -> Vec<PatchIndex> {
        use crate::life::Subject;
        let on = |panel: usize| {
            (0..self.study.patches.len()).filter(move |&patch| self.study.patches[patch].panel == panel)
        };
        match what {
            What::Applied { patch, .. }
            | What::Looked { patch, .. }
            | What::Wiped { patch, .. }
            | What::Withdrawn { patch }
            | What::Revealed { patch, .. }
            | What::Judged { subject: Subject::Patch(patch), .. } => vec![*patch],
            What::Stripped { panel, .. } | What::Washed { panel, .. } => on(*panel).collect(),
            What::Judged { .. } | What::Blinded { .. } | What::Corrected { .. } => Vec::new(),
        }
    }
}

/// A choice of patches.
pub fn choice(treatment: Option<&str>, panels: Vec<String>) -> Choice {
    Choice { treatment: treatment.map(str::to_owned), panels }
}

/// Prints a caution so that it is seen.
pub fn caution_lines(caution: &str) {
    for (index, line) in wrapped(caution, WIDTH).iter().enumerate() {
        output::line(format_args!("{} {line}", if index == 0 { "!" } else { " " }));
    }
}

/// Says what of the file could not be read, on standard error.
pub fn problems(observations: &life::Observations) {
    for problem in &observations.problems {
        output::remark(problem);
    }
    if !observations.problems.is_empty() {
        output::remark(match observations.shape {
            Some(_) => {
                "These rows count for nothing until they are put right or taken back; all others count."
            }
            None => "Nothing of the file counts until that is put right.",
        });
    }
    for text in &observations.remarks {
        output::remark(text);
    }
}

/// A life in a line or a few.
pub fn story_lines(story: &Story, now: DateTime<FixedOffset>) -> Vec<String> {
    let lifetime = story.lifetime;
    let looked = story.steps.iter().any(|step| step.works.is_some());
    let life = match lifetime.until {
        Some(until) => format!("; failed, after {} and by {until} washes", lifetime.after),
        None if looked => format!("; seen working after {} washes", lifetime.after),
        None => String::new(),
    };
    let over = if story.over { ", put on over an earlier life" } else { "" };
    let (treatment, panel) = (&story.treatment, &story.panel);
    let mut lines = vec![format!("{treatment} on {panel}: {}{over}{life}", story.stage_at(now).name())];
    if let Some(washes) = story.suspected_at {
        lines.push(format!("  seen failed after {washes} washes; a second look in a row decides"));
    }
    lines.extend(story.warnings.iter().map(|warning| format!("  {warning}")));
    lines
}
