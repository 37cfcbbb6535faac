//! Taking one sitting, with the engine, the recorder and the screen that every run has.

use super::Arguments;
use crate::cli::Failure;
use crate::cli::output;
use crate::cli::presenter::Presenter;
use crate::cli::run;
use crate::difference::repeatability::gather;
use crate::run::Run;
use crate::run::Spot;
use crate::run::setup::Between;
use crate::session::engine::Session;
use crate::session::engine::Stopped;
use crate::session::folder::Folder;
use crate::session::folder::LoadedStudy;
use crate::session::folder::Unfinished;
use crate::session::hand::Hand;
use crate::session::start;
use crate::study::SittingChoice;
use crate::study::sitting;

/// Readings each way where nothing else is asked for: nine degrees of freedom.
const USUAL_READINGS: u32 = 10;

/// How a sitting ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Every reading is proven.
    Proven,
    /// It is over, and not every reading counts.
    NotProven,
    /// It can be taken up again.
    StillOpen,
}

/// Takes a sitting, or takes up the one that was cut off.
pub async fn sit(study: &Folder, arguments: &Arguments) -> Result<Outcome, Failure> {
    let loaded = study.load()?;
    let _lock = study.lock("halfpanel repeatability")?;
    let folder = study.repeatability();
    folder.sweep()?;
    let (session, hand, resumed) = match run::unfinished(&folder, arguments.new)? {
        Some(unfinished) if !arguments.new => take_up(&folder, unfinished, arguments).await?,
        unfinished => {
            if let Some(unfinished) = unfinished {
                output::remark(format_args!("sitting {} stays open and is in no figure", unfinished.id));
            }
            begin(&folder, &loaded, arguments).await?
        }
    };
    let id = session.run.ledger().id.clone();
    run::greet("sitting", arguments.json, &folder, &session.run, resumed);
    let presenter = Presenter::new(arguments.json, arguments.plain)?;
    let (stopped, _) = run::drive(session, hand, presenter).await?;
    finish(arguments, &folder, &id, stopped)
}

async fn begin(
    folder: &Folder,
    loaded: &LoadedStudy,
    arguments: &Arguments,
) -> Result<(Session, Option<Hand>, bool), Failure> {
    let choice = SittingChoice {
        zone: arguments.zone.clone(),
        operator: arguments.operator.clone(),
        readings: arguments.readings.unwrap_or(USUAL_READINGS),
    };
    let mut setup = sitting(&loaded.study, &choice, loaded.profile.text())
        .map_err(|problem| Failure::new(problem, ""))?;
    if let Some(port) = &arguments.port {
        setup.port.clone_from(port);
    }
    let bench = start::open_bench(folder, &setup.port, &loaded.profile, None).await?;
    let (session, hand, _) = start::begin(folder, loaded, setup, bench)?;
    Ok((session, hand, false))
}

async fn take_up(
    folder: &Folder,
    unfinished: Unfinished,
    arguments: &Arguments,
) -> Result<(Session, Option<Hand>, bool), Failure> {
    if arguments.zone.is_some() || arguments.readings.is_some() || arguments.operator.is_some() {
        return Err(Failure::new(
            format_args!("sitting {} is unfinished, and its plan is in its recording", unfinished.id),
            "leave out --operator, --zone and --readings to take it up, or start a new one with --new",
        ));
    }
    if let Some(zone) = half_way_without_lifting(&unfinished.replayed.run) {
        output::remark(format_args!(
            "the readings without lifting were interrupted, so they do not count; `again {zone}` reads them anew"
        ));
    }
    let (session, hand) = run::go_on(folder, unfinished, arguments.port.as_deref()).await?;
    Ok((session, hand, true))
}

/// The part without lifting, if the last reading is one of it and more are to come.
fn half_way_without_lifting(run: &Run) -> Option<String> {
    let ledger = run.ledger();
    let last = ledger.readings.last()?;
    let Spot::Zone { zone, .. } = last.spot else { return None };
    let zone = usize::from(zone);
    let still = ledger.setup.between(zone) == Some(Between::Still);
    (still && last.repeat < ledger.setup.procedure.readings_per_zone).then(|| ledger.setup.zone_label(zone))
}

fn finish(arguments: &Arguments, folder: &Folder, id: &str, stopped: Stopped) -> Result<Outcome, Failure> {
    let (replayed, _) = folder.replay_run(id)?;
    let gathered = gather(replayed.run.ledger(), None);
    if arguments.json {
        output::line(serde_json::json!({
            "event": "sitting", "run": id, "proven": gathered.is_ok(),
            "why": gathered.as_ref().err().map(ToString::to_string),
        }));
    }
    Ok(match (stopped, gathered) {
        (Stopped::Asked, _) => {
            if !arguments.json {
                output::line(format_args!(
                    "sitting {id} is open; `halfpanel repeatability {} --read` takes it up where it was",
                    folder.root().display()
                ));
            }
            Outcome::StillOpen
        }
        (Stopped::Over(_), Ok(_)) => Outcome::Proven,
        (Stopped::Over(_), Err(_)) => Outcome::NotProven,
    })
}
