//! `halfpanel demo`

use super::{DONE, Failure, output, run::follow, runtime};
use crate::meter::{Scenario, SimulatedMeter};
use crate::run::{Notice, RunState, say};
use crate::session::engine::Told;
use crate::session::folder::{Folder, LoadedStudy};
use crate::session::hand::{self, Hand, Outlet};
use crate::session::link::Link;
use crate::session::pty::PtyHost;
use crate::session::results::{self, Runs};
use crate::session::start::{self, Bench};
use crate::store::{Disk, RealDisk};
use crate::study::{self, Selection};
use chrono::{DateTime, FixedOffset};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::sync::mpsc;

/// The boatyard's study and its two days: text of the scenario, panel, and wall-clock time of the start.
const STUDY: &str = include_str!("../../demo-data/study.toml");
const SITTINGS: [Sitting; 2] = [
    Sitting {
        scenario: ("steady.toml", include_str!("../../demo-data/steady.toml")),
        panel: "G1",
        starts: "2026-05-05T13:00:00+02:00",
        story: "the day after sealing: every tile check holds.",
    },
    Sitting {
        scenario: ("drifting.toml", include_str!("../../demo-data/drifting.toml")),
        panel: "G1",
        starts: "2026-05-06T13:00:00+02:00",
        story: "a day later: wax gets on the tile, the check in the middle catches it, zones are read again.",
    },
];

struct Sitting {
    scenario: (&'static str, &'static str),
    panel: &'static str,
    starts: &'static str,
    story: &'static str,
}

/// Shows a whole study at work without a meter: a small boatyard compares sealers on gelcoat panels.
/// The simulated meter stands on a real pseudo-terminal, and its time runs fast.
#[derive(clap::Args)]
#[command(after_help = "Example: halfpanel demo --out /tmp/boatyard")]
pub struct Arguments {
    /// Folder of the demo study; an earlier demo there is replaced
    #[arg(long, default_value = "halfpanel-demo")]
    out: PathBuf,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let disk = RealDisk;
    clear(&disk, &arguments.out)?;
    disk.create_dir_all(&arguments.out)?;
    disk.write_atomic(&arguments.out.join("study.toml"), STUDY.as_bytes())?;
    for sitting in &SITTINGS {
        disk.write_atomic(&arguments.out.join(sitting.scenario.0), sitting.scenario.1.as_bytes())?;
    }
    let folder = Folder::new(Arc::new(RealDisk), &arguments.out);
    let loaded = folder.load()?;
    let _lock = folder.lock("halfpanel demo")?;
    output::line(
        "A small boatyard compares sealers on gelcoat panels. Half of each panel is sealed, half stays bare.",
    );
    output::line("The meter is simulated, on a real serial line; its time runs fast.\n");
    runtime()?.block_on(async {
        for (number, sitting) in SITTINGS.iter().enumerate() {
            output::line(format_args!("Run {}, {}", number + 1, sitting.story));
            sit(&folder, &loaded, sitting).await?;
            output::line("");
        }
        Ok::<(), Failure>(())
    })?;
    results::update(&folder, |_, _, _| {})?;
    summary(&folder)
}

/// Removes an earlier demo; anything else that stands there is left alone.
fn clear(disk: &RealDisk, out: &Path) -> Result<(), Failure> {
    let Some(meta) = disk.meta(out)? else { return Ok(()) };
    let is_empty = meta.is_folder && disk.list(out)?.is_empty();
    let study = out.join("study.toml");
    let is_demo = disk.exists(&study)? && disk.read(&study)?.starts_with(&STUDY.as_bytes()[..60]);
    if is_demo {
        return Ok(disk.remove_folder(out)?);
    }
    if is_empty {
        return Ok(());
    }
    Err(Failure::new(
        format_args!("{} is there already and is no earlier demo", out.display()),
        "name another folder with --out DIR",
    ))
}

async fn sit(folder: &Folder, loaded: &LoadedStudy, sitting: &Sitting) -> Result<(), Failure> {
    let selection = Selection { panels: vec![sitting.panel.to_owned()], ..Selection::default() };
    let setup = study::setup(&loaded.study, &selection, loaded.profile.text())
        .map_err(crate::session::folder::FolderError::from)?;
    let scenario = Scenario::load(sitting.scenario.0, sitting.scenario.1)?;
    let starts: Option<DateTime<FixedOffset>> = DateTime::parse_from_rfc3339(sitting.starts).ok();
    let clock = start::simulated_clock(&scenario, starts).map_err(start::StartError::from)?;
    let host = PtyHost::open()?;
    let port = host.path().display().to_string();
    // The recording may be published: it names no device of this machine.
    let link = Link::open(start::settings(&port, &loaded.profile), None)
        .await
        .map_err(start::StartError::from)?
        .named("simulated meter on a pseudo-terminal");
    let hand = Hand::new(SimulatedMeter::new(scenario), Outlet::Pty(host), clock.clone());
    let bench = Bench { link, clock, hand: Some(hand) };
    let (session, hand, _) = start::begin(folder, loaded, setup, bench)?;
    let (commands, waiting) = mpsc::unbounded_channel();
    let cues = hand.map(|hand| follow(hand, commands.clone()));
    let (_, run) = session
        .drive(waiting, |told, run, _| {
            let Told::Notice(notice) = told else { return };
            if let (Some(cue), Some(cues)) = (hand::cue(notice, run), &cues) {
                let _ = cues.send(cue);
            }
            // The readings one by one would hide the story; they are in the tables.
            if matches!(
                notice,
                Notice::CheckDone { .. } | Notice::BracketEnded { .. } | Notice::Refused { .. }
            ) {
                output::line(format_args!("  {}", say::sentence(notice, run.ledger())));
            }
        })
        .await?;
    if run.ledger().state != RunState::Complete {
        return Err(Failure::new(
            "the demo's run did not come to its end",
            "run it again; if it stays so, it is a bug",
        ));
    }
    Ok(())
}

fn summary(folder: &Folder) -> Result<u8, Failure> {
    let mut runs = Vec::new();
    for id in folder.runs()? {
        runs.push(folder.replay(&folder.recording(&id), |_, _, _| {})?.0);
    }
    let runs = Runs::of_study(folder, runs);
    output::results(&runs);
    output::over_panels(&runs.treatments());
    let root = folder.root().display();
    output::line("");
    output::line(format_args!(
        "The tables   {root}/results/   readings, tile-checks, zones, results, budget, ..."
    ));
    output::line(format_args!("The evidence {root}/recordings/"));
    let program = std::env::args().next().unwrap_or_else(|| "halfpanel".to_owned());
    output::line(format_args!("Check it     {program} verify {root}"));
    Ok(DONE)
}
