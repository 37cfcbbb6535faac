//! `halfpanel board`

use super::DONE;
use super::Failure;
use super::output;
use crate::board::Boards;
use crate::board::Entry;
use crate::board::Sort;
use crate::board::sheet;
use crate::report::board_text;
use crate::session::board::Gathered;
use crate::session::board::gather;
use crate::session::folder::Folder;
use crate::store::RealDisk;
use crate::units::Geometry;
use std::path::Path;
use std::path::PathBuf;
use std::sync::Arc;

/// Puts all treatments of one study, or of several done by the same procedure, side by side: differences, gloss kept,
/// judgements, wash lives, cost. Letters and rank ranges say which of them cannot be told apart; what was
/// measured on other terms (geometry, stage, tile, procedure, washing) stands on a board of its own.
#[derive(clap::Args)]
#[command(after_help = "\
Example: halfpanel board harbour
Example: halfpanel board harbour slipway --sort life --stage cured
Example: halfpanel board harbour --csv > board.csv")]
pub struct Arguments {
    /// The studies' folders
    #[arg(required = true)]
    studies: Vec<PathBuf>,
    /// What to sort by; ranks and letters stay the same
    #[arg(long, value_enum, default_value_t = By::Difference)]
    sort: By,
    /// The stage whose differences are compared, such as cured; without it cured, or else the first stage with results
    #[arg(long)]
    stage: Option<String>,
    /// The geometry, 20, 60 or 85 degrees; without it 60, or else the first that the study reads
    #[arg(long, value_name = "DEGREES", value_parser = degrees)]
    geometry: Option<Geometry>,
    /// Print the boards as JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print the boards as CSV
    #[arg(long)]
    csv: bool,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum By {
    /// The largest gain of gloss first
    Difference,
    /// The longest wash life first
    Life,
    /// The most gloss kept first
    Retention,
    /// The least cost of a treated area first
    Cost,
}

fn degrees(text: &str) -> Result<Geometry, String> {
    let degrees: u16 = text.trim_end_matches('°').parse().map_err(|_| format!("`{text}` is no angle"))?;
    Geometry::try_from(degrees).map_err(|error| error.to_string())
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let mut gathered: Vec<Gathered> = Vec::new();
    for (index, path) in arguments.studies.iter().enumerate() {
        output::progress("reading", &path.display().to_string(), index + 1, arguments.studies.len());
        let folder = Folder::new(Arc::new(RealDisk), path);
        let known: Vec<&str> = gathered.iter().map(|of| of.slug.as_str()).collect();
        let found = gather(&folder, &slug(path, &known))?;
        found.remarks.iter().for_each(output::remark);
        gathered.push(found);
    }
    let geometry = arguments.geometry.unwrap_or_else(|| usual_geometry(&gathered));
    let stage = match &arguments.stage {
        Some(stage) => stage.clone(),
        None => usual_stage(&gathered, geometry)?,
    };
    let mut entries: Vec<Entry> = Vec::new();
    for of in &gathered {
        entries.extend(of.entries(&stage, geometry)?);
    }
    if entries.iter().all(|entry| entry.panels.is_empty()) {
        output::remark(format_args!("no treatment has a proven result at {geometry} and stage {stage}"));
        for of in &gathered {
            let stages = of.stages(geometry)?;
            let has = if stages.is_empty() { "no stage with results".to_owned() } else { stages.join(", ") };
            output::remark(format_args!("  hint: {} has {has} at {geometry}", of.slug));
        }
    }
    let sort = match arguments.sort {
        By::Difference => Sort::Difference,
        By::Life => Sort::Life,
        By::Retention => Sort::Retention,
        By::Cost => Sort::Cost,
    };
    print(arguments, &Boards::of(entries, sort))
}

fn print(arguments: &Arguments, boards: &Boards) -> Result<u8, Failure> {
    if arguments.json {
        let text = serde_json::to_string_pretty(boards).map_err(|error| Failure::new(error, ""))?;
        // Every pair of hundreds of treatments is a long text: in parts, so that it is not held three times over.
        let lines: Vec<&str> = text.lines().collect();
        lines.chunks(1000).for_each(|part| output::line(part.join("\n")));
    } else if arguments.csv {
        let mut bytes = Vec::new();
        sheet::write(boards, &mut bytes)?;
        String::from_utf8_lossy(&bytes).lines().for_each(output::line);
        boards.apart.iter().for_each(output::remark);
    } else {
        tell(boards);
    }
    Ok(DONE)
}

fn tell(boards: &Boards) {
    for line in board_text::boards(boards) {
        // Rows of the table keep their width; sentences are folded.
        let is_sentence = line.ends_with('.') || line.starts_with("Board:");
        if is_sentence {
            crate::text::wrapped(&line, 100).iter().for_each(output::line)
        } else {
            output::line(line)
        }
    }
}

/// Prints the board of one study as the command does without options.
pub fn print_usual(folder: &Folder) -> Result<(), Failure> {
    let gathered = [gather(folder, &slug(folder.root(), &[]))?];
    let geometry = usual_geometry(&gathered);
    let stage = usual_stage(&gathered, geometry)?;
    tell(&Boards::of(gathered[0].entries(&stage, geometry)?, Sort::Difference));
    Ok(())
}

/// The folder's own name, made unique.
fn slug(path: &Path, known: &[&str]) -> String {
    let full = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    let name =
        full.file_name().map_or_else(|| "study".to_owned(), |name| name.to_string_lossy().into_owned());
    let mut unique = name.clone();
    let mut number = 1;
    while known.contains(&unique.as_str()) {
        number += 1;
        unique = format!("{name}-{number}");
    }
    unique
}

/// 60° if any study reads it.
fn usual_geometry(gathered: &[Gathered]) -> Geometry {
    let all: Vec<Geometry> = gathered.iter().flat_map(|of| of.study.geometries.iter().copied()).collect();
    if all.contains(&Geometry::Deg60) {
        Geometry::Deg60
    } else {
        all.first().copied().unwrap_or(Geometry::Deg60)
    }
}

/// `cured` if any study has it, else the first stage of the first one that has results.
fn usual_stage(gathered: &[Gathered], geometry: Geometry) -> Result<String, Failure> {
    let mut first = None;
    for of in gathered {
        let stages = of.stages(geometry)?;
        if stages.iter().any(|stage| stage == "cured") {
            return Ok("cured".to_owned());
        }
        first = first.or_else(|| stages.into_iter().next());
    }
    Ok(first.unwrap_or_else(|| "cured".to_owned()))
}
