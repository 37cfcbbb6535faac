//! `halfpanel tile`

use super::CHECK_FAILED;
use super::DONE;
use super::Failure;
use super::WRONG_USE;
use super::output;
use crate::report::gather::RunOnTile;
use crate::report::gather::SittingStarts;
use crate::report::gather::gather;
use crate::report::gloss_text;
use crate::report::plot;
use crate::report::svg;
use crate::report::tile_history::TileHistory;
use crate::report::tile_text;
use crate::run::ReplayError;
use crate::run::record::RecordingError;
use crate::session::folder::Folder;
use crate::session::folder::FolderError;
use crate::store::Disk;
use crate::store::RealDisk;
use crate::tile::history::LEAST_BASELINE;
use std::path::PathBuf;
use std::sync::Arc;

/// Shows the tile's history over all runs of a study: the first check of every sitting and those before an
/// adjustment on control charts, so that dirt, wear or an ageing lamp shows before a run fails.
#[derive(clap::Args)]
#[command(after_help = "\
Exit codes: 0 done, 1 the newest check is beyond its limits, 2 wrong use or input.

Example: halfpanel tile harbour --svg tile.svg
Example: halfpanel tile harbour --baseline 20 --json")]
pub struct Arguments {
    /// The study's folder
    study: PathBuf,
    /// Draw the charts into this file as SVG
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Print the history as JSON
    #[arg(long)]
    json: bool,
    /// Take the limits from the first so many checks; 20 are usual, fewer give rough limits
    #[arg(long, value_name = "CHECKS", default_value_t = LEAST_BASELINE as u16,
          value_parser = clap::value_parser!(u16).range(LEAST_BASELINE as i64..=1000))]
    baseline: u16,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let disk = RealDisk;
    let folder = Folder::new(Arc::new(RealDisk), &arguments.study);
    let loaded = folder.load()?.study;
    let assigned = gloss_text::assigned_values(&loaded.tile, loaded.tile_index);
    let study = loaded.name;
    let (runs, left_out) = gather_runs(&folder)?;
    let history = TileHistory::of(&study, runs, usize::from(arguments.baseline));
    if let Some(file) = &arguments.svg
        && !history.geometries.is_empty()
    {
        disk.write_atomic(file, svg::svg(&history).as_bytes())?;
        output::remark(format_args!("charts drawn to {}", file.display()));
    }
    if arguments.json {
        let mut json = tile_text::json(&history);
        json["left_out"] = left_out.clone().into();
        json["assigned_values"] = assigned.into();
        output::line(serde_json::to_string_pretty(&json).map_err(|error| Failure::new(error, ""))?);
    } else if history.geometries.is_empty() {
        output::line(format_args!(
            "{study}: no finished tile check yet. Do a run (`halfpanel run {}`), and its opening check stands here.",
            arguments.study.display()
        ));
    } else {
        print(&history);
        say(&assigned);
    }
    Ok(match (left_out.is_empty(), history.newest_is_beyond()) {
        (false, _) => WRONG_USE,
        (true, true) => CHECK_FAILED,
        (true, false) => DONE,
    })
}

/// What the tile said in every run, and the runs whose recordings are damaged: no figure is taken from
/// those.
fn gather_runs(folder: &Folder) -> Result<(Vec<RunOnTile>, Vec<String>), Failure> {
    let (mut runs, mut left_out) = (Vec::new(), Vec::new());
    let ids = folder.runs()?;
    for (index, id) in ids.iter().enumerate() {
        output::progress("reading", id, index + 1, ids.len());
        let mut starts = SittingStarts::default();
        match folder.replay(&folder.recording(id), |_, run, effects| starts.see(run, effects)) {
            Ok((replayed, _)) => runs.push(gather(replayed.run.ledger(), &starts)),
            Err(FolderError::Replay(ReplayError::Recording(RecordingError::NoHead { .. }))) => {}
            Err(FolderError::Replay(error)) => {
                output::remark(format_args!("{id} is left out: {error}"));
                output::remark(format_args!("  hint: {}", error.hint()));
                left_out.push(id.clone());
            }
            Err(error) => return Err(error.into()),
        }
    }
    Ok((runs, left_out))
}

fn print(history: &TileHistory) {
    for geometry in &history.geometries {
        say(&format!("{}, tile at {}: mean minus assigned value, GU", history.study, geometry.geometry));
        output::line("");
        output::line(tile_text::table(geometry));
        output::line(format_args!("{}{}", plot::terminal(geometry), plot::LEGEND));
        say(&tile_text::standing(geometry, history.baseline));
        let signals = tile_text::signals(geometry);
        if !signals.is_empty() {
            output::line(format_args!("Signals:\n{}", signals.trim_end()));
        }
        if geometry.invalid > 0 {
            output::line(format_args!(
                "Left out: {}, whose own readings lay too far apart.",
                match geometry.invalid {
                    1 => "1 check".to_owned(),
                    n => format!("{n} checks"),
                }
            ));
        }
        if let Some(suggestion) = tile_text::suggestion(geometry) {
            say(&suggestion);
            say(tile_text::CAUTION);
        }
        say(&tile_text::warm_up(&geometry.warm_up));
        output::line("");
    }
}

/// A sentence, in lines that fit a terminal.
fn say(sentence: &str) {
    crate::text::wrapped(sentence, 80).iter().for_each(output::line);
}
