//! `halfpanel demo`

use super::report::{self, Png};
use super::{DONE, Failure, board, output, run::follow, runtime};
use crate::life;
use crate::meter::{Scenario, SimulatedMeter};
use crate::run::{Notice, RunState, Status, Word, say};
use crate::session::engine::{Command, Told};
use crate::session::folder::Folder;
use crate::session::hand::{self, Hand, Outlet};
use crate::session::link::Link;
use crate::session::observing::{self, Telling};
use crate::session::pty::PtyHost;
use crate::session::results;
use crate::session::start::{self, Bench};
use crate::store::{Disk, RealDisk};
use crate::study::{self, Deed, Happening, Season, SeasonSitting, Selection, Study};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::sync::mpsc;

/// The boatyard's study and its season: what the panels are in truth, and what is done when.
const STUDY: &str = include_str!("../../demo-data/study.toml");
const SEASON: &str = include_str!("../../demo-data/season.toml");

/// Shows a whole season at work without a meter: a small boatyard compares six sealers on gelcoat panels, from the bare
/// panel to the last wash. The simulated meter stands on a real pseudo-terminal, and its time runs fast.
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
    disk.write_atomic(&arguments.out.join("season.toml"), SEASON.as_bytes())?;
    let folder = Folder::new(Arc::new(RealDisk), &arguments.out);
    let study = Study::load("study.toml", STUDY)?;
    let season = Season::load("season.toml", SEASON, &study)?;
    disk.write_atomic(&arguments.out.join("practice.toml"), season.practice(&study).as_bytes())?;
    let _lock = folder.lock("halfpanel demo")?;
    output::line(
        "A small boatyard compares six sealers on gelcoat panels, from the bare panel to the last wash.",
    );
    output::line(
        "The meter is simulated, on a real serial line; its time runs fast. Readings are made up.\n",
    );
    runtime()?.block_on(async {
        for happening in season.happenings() {
            match happening {
                Happening::Sitting(number, sitting) => {
                    let scenario = season.scenario(&study, number, sitting);
                    sit(&folder, sitting, &scenario).await?;
                }
                Happening::Deed(deed) => keep(&folder, &study, &season, deed)?,
            }
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

/// Adds what is done on the panels to the study's observations.
fn keep(folder: &Folder, study: &Study, season: &Season, deed: &Deed) -> Result<(), Failure> {
    if let Some(story) = deed.story() {
        output::line(format_args!("{}  {story}", deed.at().date_naive()));
    }
    let telling =
        Telling { by: deed.by().to_owned(), note: deed.note().to_owned(), ..Telling::at(deed.at()) };
    observing::append(folder, study, &telling, |stands| {
        Ok(life::season::rows(study, season, stands, deed)?)
    })?;
    Ok(())
}

async fn sit(folder: &Folder, sitting: &SeasonSitting, scenario: &str) -> Result<(), Failure> {
    output::line(format_args!("{}  {}", sitting.starts.date_naive(), sitting.story));
    // The stage is what the panels have come to by then, as in a run of `halfpanel run`; that they are bare is said by
    // whoever reads them before anything was noted.
    let is_bare = sitting.stage == "bare";
    let selection = Selection {
        panels: sitting.panels.clone(),
        treatments: sitting.treatments.clone(),
        stage: is_bare.then(|| sitting.stage.clone()),
        ..Selection::default()
    };
    let mut loaded = folder.load()?;
    let remarks = observing::before_run(folder, &mut loaded, &selection, sitting.starts)?;
    remarks.iter().for_each(output::remark);
    let setup = study::setup(&loaded.study, &selection, loaded.profile.text())
        .map_err(crate::session::folder::FolderError::from)?;
    let scenario = Scenario::load("season.toml", scenario)?;
    let clock = start::simulated_clock(&scenario, Some(sitting.starts)).map_err(start::StartError::from)?;
    let host = PtyHost::open()?;
    let port = host.path().display().to_string();
    // The recording may be published: it names no device of this machine.
    let link = Link::open(start::settings(&port, &loaded.profile), None)
        .await
        .map_err(start::StartError::from)?
        .named("simulated meter on a pseudo-terminal");
    let hand = Hand::new(SimulatedMeter::new(scenario), Outlet::Pty(host), clock.clone());
    let bench = Bench { link, clock, hand: Some(hand) };
    let (session, hand, _) = start::begin(folder, &loaded, setup, bench)?;
    let (commands, waiting) = mpsc::unbounded_channel();
    let cues = hand.map(|hand| follow(hand, commands.clone()));
    let (_, run) = session
        .drive(waiting, |told, run, _| {
            let Told::Notice(notice) = told else { return };
            if let (Some(cue), Some(cues)) = (hand::cue(notice, run), &cues) {
                let _ = cues.send(cue);
            }
            // The readings one by one would hide the story; they are in the tables.
            if let Notice::BracketEnded { bracket, .. } = notice
                && run.ledger().brackets[*bracket].status == Status::Drifted
            {
                let sentence = say::sentence(notice, run.ledger());
                // Which zones are to be read again would hide it, too.
                let short = sentence.split(" Read again").next().unwrap_or_default();
                output::line(format_args!("            {short}"));
                if sitting.given_up {
                    let reason = "the battery is flat".to_owned();
                    let _ = commands.send(Command::Say(Word::Abandon { reason }));
                }
            }
        })
        .await?;
    let expected = if sitting.given_up { RunState::Abandoned } else { RunState::Complete };
    if run.ledger().state != expected {
        return Err(Failure::new(
            "the demo's run did not come to its end",
            "run it again; if it stays so, it is a bug",
        ));
    }
    Ok(())
}

/// The board, and where everything is.
fn summary(folder: &Folder) -> Result<u8, Failure> {
    output::line("");
    board::print_usual(folder)?;
    let report = folder.root().join("report");
    report::make(folder, &report, Png::Auto)?;
    let root = folder.root().display();
    let program = std::env::args().next().unwrap_or_else(|| "halfpanel".to_owned());
    output::line("");
    output::line(format_args!("The evidence {root}/recordings/ and {root}/observations.csv"));
    output::line(format_args!("The tables   {root}/results/"));
    output::line(format_args!("Check them   {program} verify {root}"));
    output::line(format_args!("The report   {root}/report/index.html"));
    Ok(DONE)
}
