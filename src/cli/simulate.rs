//! `halfpanel simulate`

use super::{DONE, Failure, output, runtime};
use crate::meter::{Scenario, SimulatedMeter, Spot};
use crate::run::record::{Body, Scanner};
use crate::run::{Run, replay};
use crate::session::folder::Folder;
use crate::session::hand::{self, Cue, Hand, HandError, Outlet};
use crate::session::pty::PtyHost;
use crate::session::start::simulated_clock;
use crate::store::RealDisk;
use std::io::BufRead;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;

/// How often a followed recording is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(50);

/// Stands a simulated meter on a pseudo-terminal, for `run` (or any program) to open as a port.
#[derive(clap::Args)]
#[command(after_help = "\
Without --follow, standard input moves the hand, one command a line:
  place tile | place PANEL ZONE | press | lift | clean | adjust

Example: halfpanel simulate harbour/meter.toml --link /tmp/meter --follow harbour
         halfpanel run harbour --port /tmp/meter        (in another terminal)")]
pub struct Arguments {
    /// The scenario: what is true, and what goes wrong (protocol-notes/simulated-meter.md)
    scenario: PathBuf,
    /// Keep a link of this name on the port, through unplugging and return
    #[arg(long, value_name = "PATH")]
    link: Option<PathBuf>,
    /// Let a hand follow the open run of this study and press by itself
    #[arg(long, value_name = "STUDY")]
    follow: Option<PathBuf>,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let folder = Folder::new(Arc::new(RealDisk), ".");
    let source = folder.text(&arguments.scenario)?;
    let scenario = Scenario::load(&arguments.scenario.display().to_string(), &source)?;
    runtime()?.block_on(stand(arguments, scenario))
}

async fn stand(arguments: &Arguments, scenario: Scenario) -> Result<u8, Failure> {
    let mut host = PtyHost::open()?;
    if let Some(link) = &arguments.link {
        host.link_at(link)?;
    }
    let port = arguments.link.clone().unwrap_or_else(|| host.path().to_owned());
    output::line(format_args!("port {}", port.display()));
    let clock = simulated_clock(&scenario, None).map_err(crate::session::start::StartError::from)?;
    let hand = Hand::new(SimulatedMeter::new(scenario), Outlet::Pty(host), clock);
    if let Some(study) = &arguments.follow {
        let (cues, heard) = mpsc::unbounded_channel();
        let watcher = watch(study.clone(), cues);
        tokio::select! {
            followed = hand.follow(heard) => followed.map_err(|e| Failure::new(e, "add the zone to the scenario"))?,
            watched = watcher => watched?,
            _ = tokio::signal::ctrl_c() => {}
        }
        return Ok(DONE);
    }
    by_hand(hand).await
}

/// Follows the open run of a study by reading its recording, as anybody may.
async fn watch(study: PathBuf, cues: mpsc::UnboundedSender<Cue>) -> Result<(), Failure> {
    let folder = Folder::new(Arc::new(RealDisk), study);
    let mut applied: (String, u32) = (String::new(), 0);
    loop {
        if let Some(id) = folder.runs()?.pop() {
            if applied.0 != id {
                applied = (id.clone(), 0);
            }
            let bytes = folder.disk().read(&folder.recording(&id))?;
            let mut scanner = Scanner::new(id.as_str(), bytes.as_slice());
            let mut news = Vec::new();
            let seen = applied.1;
            let outcome = replay(&id, &mut scanner, |record, run: &mut Run, effects| {
                if record.n > seen {
                    news.extend(cue_of_line(&record.body));
                    news.extend(effects.iter().filter_map(|effect| match effect {
                        crate::run::Effect::Tell(notice) => hand::cue(notice, run),
                        _ => None,
                    }));
                }
            });
            if let Ok(replayed) = outcome {
                applied.1 = replayed.records;
                // One that was over before the hand came needs none; the next run will.
                if seen == 0 && replayed.run.is_over() {
                    news.clear();
                }
                for cue in news {
                    if cues.send(cue).is_err() {
                        return Ok(());
                    }
                }
            }
        }
        tokio::time::sleep(LOOK_EVERY).await;
    }
}

/// What a record says of the line alone.
fn cue_of_line(body: &Body<'_>) -> Option<Cue> {
    match body {
        Body::Request(_) => Some(Cue::Asked),
        Body::Link(link) if link.up => Some(Cue::LineUp),
        _ => None,
    }
}

/// A person, or a script, moves the hand.
async fn by_hand(mut hand: Hand) -> Result<u8, Failure> {
    let (send, mut lines) = mpsc::unbounded_channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if send.send(line).is_err() {
                return;
            }
        }
    });
    loop {
        tokio::select! {
            line = lines.recv() => match line {
                Some(line) => obey(&line, &mut hand).await?,
                None => return Ok(DONE),
            },
            heard = hand.heard() => {
                let heard = heard.map_err(broken)?;
                hand.play(heard).await.map_err(broken)?;
            }
        }
    }
}

/// Does what one line of standard input says.
async fn obey(line: &str, hand: &mut Hand) -> Result<(), Failure> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let placed = match words.as_slice() {
        [] => Ok(()),
        ["place", "tile"] => hand.meter.place(&Spot::Tile),
        ["place", "zero"] => hand.meter.place(&Spot::Zero),
        ["place", "middle"] => hand.meter.place(&Spot::Middle),
        ["place", panel, zone] => {
            hand.meter.place(&Spot::Zone { panel: (*panel).to_owned(), zone: (*zone).to_owned() })
        }
        ["press"] => {
            let sent = hand.meter.press();
            return hand.emit(sent).await.map_err(broken);
        }
        ["lift"] => {
            hand.meter.lift();
            Ok(())
        }
        ["clean"] => {
            hand.meter.clean_tile();
            Ok(())
        }
        ["adjust"] => {
            hand.meter.adjust();
            Ok(())
        }
        _ => {
            output::remark(format_args!(
                "`{line}` is no command; they are: place tile, place zero, place middle, place PANEL ZONE, press, lift, clean, adjust"
            ));
            Ok(())
        }
    };
    if let Err(unknown) = placed {
        output::remark(unknown);
    }
    Ok(())
}

fn broken(error: HandError) -> Failure {
    Failure::new(error, "start `halfpanel simulate` again")
}
