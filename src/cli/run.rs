//! `halfpanel run`

use super::presenter::Presenter;
use super::{CHECK_FAILED, DONE, Failure, output, runtime};
use crate::meter::Profile;
use crate::run::{Counts, Run, RunState, Setup, Word};
use crate::session::clock::Clock;
use crate::session::engine::{Command, Session, Stopped, Told};
use crate::session::folder::{Folder, FolderError, LoadedStudy, Unfinished};
use crate::session::hand::{self, Hand};
use crate::session::observing;
use crate::session::results::{self, Runs};
use crate::session::start::{self, Bench};
use crate::store::RealDisk;
use crate::study::{self, Selection};
use crate::tables::Table;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::sync::mpsc;

/// Does one run: opening tile check, every zone by the plan, closing tile check. A run that was cut
/// off is taken up where it stopped.
#[derive(clap::Args)]
#[command(after_help = "\
The meter's own button is enough; keys (or words on standard input, one a line) do the rest.
A meter without one is asked by Enter, or the word read, if its profile says how:
  read | undo | again [ZONE] | void [NUMBER]: REASON | skip [ZONE]: REASON | check
  adjust | adjusted | pause | resume | note: TEXT | abandon[: REASON]

Example: halfpanel run harbour --panel P1 --operator Jo
Example: halfpanel run harbour --json </dev/null")]
pub struct Arguments {
    /// The study's folder
    study: PathBuf,
    /// Panel to read; may be given several times [default: the study's active panels]
    #[arg(long, value_name = "ID")]
    panel: Vec<String>,
    /// Treatment to read; may be given several times [default: all on the panels]
    #[arg(long, value_name = "CODE")]
    treatment: Vec<String>,
    /// Stage of the patches in this run, such as `bare` or `washed-10` [default: the study's]
    #[arg(long)]
    stage: Option<String>,
    /// Who holds the meter [default: the study's operator]
    #[arg(long, value_name = "NAME")]
    operator: Option<String>,
    /// Compare the sides as they stand, even if bare readings of them are there
    #[arg(long)]
    no_baseline: bool,
    /// Port to use in place of the study's
    #[arg(long)]
    port: Option<String>,
    /// Start a new run even if an unfinished one is there
    #[arg(long)]
    new: bool,
    /// Print one event a line as JSON (protocol-notes/run-events.md)
    #[arg(long)]
    json: bool,
    /// Print sentences, without drawing on the terminal
    #[arg(long, conflicts_with = "json")]
    plain: bool,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    runtime()?.block_on(sit(arguments))
}

async fn sit(arguments: &Arguments) -> Result<u8, Failure> {
    let folder = Folder::new(Arc::new(RealDisk), &arguments.study);
    let mut loaded = folder.load()?;
    loaded.study.comparing.baseline &= !arguments.no_baseline;
    let _lock = folder.lock("halfpanel run")?;
    folder.sweep()?;
    // Better before the run than after it.
    folder.disk().create_dir_all(&folder.results())?;
    let unfinished = unfinished(&folder, arguments.new)?;
    let (session, hand, resumed) = match unfinished {
        Some(unfinished) if !arguments.new => take_up(&folder, unfinished, arguments).await?,
        unfinished => {
            if let Some(unfinished) = unfinished {
                output::remark(format_args!(
                    "run {} stays open: what no closing check has proven in it is not proven",
                    unfinished.id
                ));
            }
            begin(&folder, &mut loaded, arguments).await?
        }
    };
    let id = session.run.ledger().id.clone();
    greet("run", arguments.json, &folder, &session.run, resumed);
    let presenter = Presenter::new(arguments.json, arguments.plain)?;
    let (stopped, run) = drive(session, hand, presenter).await?;
    let updated = results::update(&folder, |_, _, _| {})?;
    tracing::info!(replayed = updated.replayed, kept = updated.kept, "tables brought up to date");
    for refused in &updated.refused {
        output::remark(format_args!("no rows from a recording that was refused: {refused}"));
    }
    finish(arguments, &folder, &id, stopped, &run)
}

/// The run that was cut off. One that is damaged cannot be taken up; it stands in nobody's way if a
/// new run was asked for.
pub fn unfinished(folder: &Folder, new: bool) -> Result<Option<Unfinished>, Failure> {
    match folder.unfinished() {
        Err(FolderError::Replay(error)) if new => {
            output::remark(format_args!("passed over: {error}"));
            Ok(None)
        }
        Err(error @ FolderError::Replay(_)) => {
            let hint = format!("{}; or start a new run with --new, the file stays as it is", error.hint());
            Err(Failure::new(error, hint))
        }
        other => Ok(other?),
    }
}

async fn begin(
    folder: &Folder,
    loaded: &mut LoadedStudy,
    arguments: &Arguments,
) -> Result<(Session, Option<Hand>, bool), Failure> {
    let selection = Selection {
        panels: arguments.panel.clone(),
        treatments: arguments.treatment.clone(),
        stage: arguments.stage.clone(),
        operator: arguments.operator.clone(),
    };
    for remark in observing::before_run(folder, loaded, &selection, Clock::real().wall())? {
        output::remark(remark);
    }
    let mut setup: Setup =
        study::setup(&loaded.study, &selection, loaded.profile.text()).map_err(FolderError::from)?;
    if let Some(port) = &arguments.port {
        setup.port.clone_from(port);
    }
    let bench = start::open_bench(folder, &setup.port, &loaded.profile, None).await?;
    let (session, hand, remarks) = start::begin(folder, loaded, setup, bench)?;
    remarks.iter().for_each(output::remark);
    Ok((session, hand, false))
}

async fn take_up(
    folder: &Folder,
    unfinished: Unfinished,
    arguments: &Arguments,
) -> Result<(Session, Option<Hand>, bool), Failure> {
    if !arguments.panel.is_empty() || !arguments.treatment.is_empty() || arguments.stage.is_some() {
        return Err(Failure::new(
            format_args!("run {} is unfinished, and its plan is in its recording", unfinished.id),
            "leave out --panel, --treatment and --stage to take it up, or start a new one with --new",
        ));
    }
    let (session, hand) = go_on(folder, unfinished, arguments.port.as_deref()).await?;
    Ok((session, hand, true))
}

/// Opens the line anew, that of the recording unless another port is named, and goes on with the run.
pub async fn go_on(
    folder: &Folder,
    unfinished: Unfinished,
    port: Option<&str>,
) -> Result<(Session, Option<Hand>), Failure> {
    if !unfinished.replayed.tail.torn.is_empty() {
        output::remark(format_args!(
            "run {}: a torn tail of {} bytes is cut off and kept in the recording; nothing of it was ever shown",
            unfinished.id,
            unfinished.replayed.tail.torn.len()
        ));
    }
    let setup = &unfinished.replayed.head.setup;
    let profile = Profile::load("profile in the recording", &setup.profile)?;
    let from = start::stands_at(&unfinished);
    // Nothing more is read if only the end record is missing.
    let bench: Bench = match unfinished.replayed.run.is_over() {
        true => start::no_bench(),
        false => start::open_bench(folder, port.unwrap_or(&setup.port), &profile, from).await?,
    };
    Ok(start::take_up(folder, unfinished, bench)?)
}

/// Says, once, that the run or sitting (`noun`) has begun and where it is recorded.
pub fn greet(noun: &str, json: bool, folder: &Folder, run: &Run, resumed: bool) {
    let ledger = run.ledger();
    let path = folder.recording(&ledger.id);
    let advice = run.advice();
    if json {
        let mut started = serde_json::json!({
            "event": "started",
            "run": ledger.id,
            "recording": path,
            "resumed": resumed,
            "placements": ledger.readings.last().map_or(0, |r| r.placement),
            "readings": ledger.readings.len(),
        });
        if !advice.is_empty() {
            started["advice"] = advice.into();
        }
        return output::line(started);
    }
    let what = if resumed { "taken up again" } else { "begun" };
    output::line(format_args!("{noun} {} {what}; recording {}", ledger.id, path.display()));
    if run.is_asked() {
        output::line("The meter is asked: put it down, then press Enter or say `read`.");
    } else if run.is_streamed() {
        output::line("The meter streams: put it down, hold it still until the reading is told, and lift it.");
    }
    for sentence in advice {
        output::line(format_args!("Mind: {sentence}."));
    }
}

/// Runs the session with everything around it: the hand, the keyboard, the signals.
pub async fn drive(
    mut session: Session,
    hand: Option<Hand>,
    mut presenter: Presenter,
) -> Result<(Stopped, Run), Failure> {
    let (commands, waiting) = mpsc::unbounded_channel();
    stop_on_signals(commands.clone())?;
    let cues = hand.map(|hand| follow(hand, commands.clone()));
    session.moments = presenter.moments();
    presenter.advise(&session.run, session.now_us());
    let listening = presenter.listener(commands, session.run.is_asked());
    let driving = session.drive(waiting, |told, run, now_us| {
        if let (Told::Notice(notice), Some(cues)) = (told, &cues)
            && let Some(cue) = hand::cue(notice, run)
        {
            // The hand may have gone; the run goes on without it.
            let _ = cues.send(cue);
        }
        presenter.tell(told, run, now_us);
    });
    tokio::pin!(driving);
    tokio::select! {
        ended = &mut driving => Ok(ended?),
        listened = listening => {
            listened?;
            Ok(driving.await?)
        }
    }
}

/// Lets the simulated hand follow the run; what it says goes in as the operator's words.
pub fn follow(mut hand: Hand, commands: mpsc::UnboundedSender<Command>) -> mpsc::UnboundedSender<hand::Cue> {
    let (cues, heard) = mpsc::unbounded_channel();
    let (say, mut words) = mpsc::unbounded_channel::<Word>();
    hand.words = Some(say);
    tokio::spawn(async move {
        while let Some(word) = words.recv().await {
            let _ = commands.send(Command::Say(word));
        }
    });
    tokio::spawn(async move {
        if let Err(error) = hand.follow(heard).await {
            output::remark(format_args!("the simulated hand stopped: {error}"));
        }
    });
    cues
}

/// Ctrl-C and SIGTERM stop the session; the run stays open and can be taken up.
fn stop_on_signals(commands: mpsc::UnboundedSender<Command>) -> Result<(), Failure> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    tokio::spawn(async move {
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
        }
        let _ = commands.send(Command::Stop);
    });
    Ok(())
}

fn finish(
    arguments: &Arguments,
    folder: &Folder,
    id: &str,
    stopped: Stopped,
    run: &Run,
) -> Result<u8, Failure> {
    let tables = folder.results();
    let (replayed, _) = folder.replay(&folder.recording(id), |_, _, _| {})?;
    let runs = Runs::of_study(folder, vec![replayed]);
    let proven = runs.are_proven();
    if arguments.json {
        let Counts { lines, refused, ignored } = run.counts();
        output::line(serde_json::json!({
            "event": "tables", "path": tables, "proven": proven,
            "lines": lines, "refused": refused, "ignored": ignored,
        }));
    } else {
        if stopped == Stopped::Asked {
            output::line(format_args!(
                "run {id} is open; `halfpanel run {}` takes it up where it was",
                arguments.study.display()
            ));
        }
        output::results(&runs);
        // Those of the whole study, in which a panel has mostly a run of its own.
        output::over_panels(&folder.disk().read(&tables.join(Table::Treatments.file_name()))?);
        output::line(count_lines(run.counts()));
        output::line(format_args!("Tables: {}", tables.display()));
    }
    let over = matches!(stopped, Stopped::Over(RunState::Complete)) && run.is_over();
    Ok(if over && proven { DONE } else { CHECK_FAILED })
}

/// What became of the meter's lines; nothing is dropped without being counted.
fn count_lines(counts: Counts) -> String {
    let Counts { lines, refused, ignored } = counts;
    let mut text = format!("Lines from the meter: {lines}");
    if refused > 0 {
        text.push_str(&format!(
            ", {refused} of them not taken (what they were was told, and they stand in the recording)"
        ));
    }
    if ignored > 0 {
        text.push_str(&format!(", {ignored} passed over as the profile says"));
    }
    text
}
