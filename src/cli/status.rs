//! `halfpanel status`

use super::observing::{caution_lines, problems};
use super::{DONE, Failure, output};
use crate::life::{self, cautions};
use crate::report::status_text;
use crate::session::clock::Clock;
use crate::session::folder::Folder;
use crate::session::lives;
use crate::session::observing;
use crate::store::RealDisk;
use crate::text::wrapped;
use std::path::PathBuf;
use std::sync::Arc;

/// Says for every treatment and panel how it stands, what comes next and when, and which runs read it at which stage.
#[derive(clap::Args)]
#[command(after_help = "Example: halfpanel status harbour\nExample: halfpanel status harbour --json")]
pub struct Arguments {
    /// The study's folder
    study: PathBuf,
    /// Print it as JSON
    #[arg(long)]
    json: bool,
    /// Write results/lives/ anew, after study.toml was changed
    #[arg(long)]
    tables: bool,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let folder = Folder::new(Arc::new(RealDisk), &arguments.study);
    let study = folder.load()?.study;
    if arguments.tables {
        lives::refresh(&folder)?;
    }
    let observations = observing::read(&folder, &study)?;
    let runs = observing::runs_of_patches(&folder, &study)?;
    let name = arguments.study.display().to_string();
    let all = life::status(&study, &observations, &runs, Clock::real().wall(), &name);
    let panels = life::panel_facts(&study, &observations);
    let warnings = life::never_swapped(&study);
    let hazardous = all.iter().enumerate().filter(|(_, status)| status.is_hazardous);
    let treatments: Vec<usize> = hazardous.map(|(patch, _)| study.patches[patch].treatment).collect();
    let cautions = if treatments.is_empty() { Vec::new() } else { cautions::cautions(&study, treatments) };
    if arguments.json {
        let told = serde_json::json!({
            "study": study.name,
            "patches": all,
            "panels": panels,
            "labels": life::deeds::open_labels(&study, &observations),
            "warnings": warnings,
            "problems": observations.problems.iter().map(ToString::to_string).collect::<Vec<_>>(),
            "remarks": observations.remarks,
            "cautions": cautions,
        });
        output::line(serde_json::to_string_pretty(&told).map_err(|e| Failure::new(e, ""))?);
        return Ok(DONE);
    }
    status_text::status(&all).iter().for_each(output::line);
    for (label, judged) in life::deeds::open_labels(&study, &observations) {
        let judged = if judged.is_empty() { "not judged yet".to_owned() } else { judged.join(", ") };
        output::line(format_args!("label {label}: {judged}"));
    }
    for warning in warnings {
        wrapped(&warning, 100).iter().for_each(output::line);
    }
    for caution in &cautions {
        caution_lines(caution);
    }
    problems(&observations);
    Ok(DONE)
}
