//! Listening to a port.

use super::Listener;
use crate::cli::Failure;
use crate::cli::output;
use crate::meter::Profile;
use crate::meter::Way;
use crate::report::listen_text::At;
use crate::session::clock::Clock;
use crate::session::link::Link;
use crate::session::link::LinkEvent;
use crate::session::opening::LinkSettings;
use crate::session::problem::LinkProblem;
use crate::session::start::StartError;
use crate::store::lock;
use std::future::pending;
use std::time::Duration;
use tokio::signal::unix::SignalKind;
use tokio::signal::unix::signal;

/// A line that has not ended is shown after so long a silence.
const QUIET: Duration = Duration::from_secs(1);

/// How long an LF may lag behind its CR and still be shown as one end with it.
const LF_LAG: Duration = Duration::from_millis(50);

/// Listens until it is told to stop, the time is over, or enough lines have come.
pub async fn listen(
    settings: LinkSettings,
    seconds: Option<u64>,
    listener: &mut Listener,
) -> Result<(), Failure> {
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    let guard = lock::for_port(&settings.port, "listening").map_err(StartError::from)?;
    say_before(&settings, listener);
    let in_words = settings.in_words();
    let clock = Clock::real();
    let mut link = Link::open(settings, Some(Box::new(guard))).await.map_err(StartError::from)?;
    let over = async {
        match seconds {
            Some(seconds) => tokio::time::sleep(Duration::from_secs(seconds)).await,
            None => pending().await,
        }
    };
    tokio::pin!(over);
    while !listener.has_enough() {
        let patience = if listener.ear.is_holding_back() { LF_LAG } else { QUIET };
        tokio::select! {
            biased;
            _ = interrupt.recv() => break,
            _ = terminate.recv() => break,
            () = &mut over => break,
            event = tokio::time::timeout(patience, link.next()) => {
                let at = At::Wall(clock.wall());
                match event {
                    Ok(event) => take(event, &at, &in_words, listener),
                    Err(_elapsed) => listener.quiet(&at),
                }
            }
        }
    }
    listener.cut(&At::Wall(clock.wall()));
    Ok(())
}

fn say_before(settings: &LinkSettings, listener: &Listener) {
    let profile = match &listener.profile {
        Some(profile) => format!("profile {}", profile.name()),
        None => "no profile, the raw lines".to_owned(),
    };
    output::remark(format_args!("{}: {}; {profile}", settings.port, settings.in_words()));
    let advice = listener.profile.as_ref().map(|profile| profile.habits().advice());
    for sentence in advice.into_iter().flatten() {
        output::remark(format_args!("Mind: {sentence}."));
    }
    if listener.profile.as_ref().map(Profile::way).is_some_and(|way| matches!(way, Way::Ask(_))) {
        output::remark(
            "This profile asks the meter for each reading, and nothing is sent here: only what comes by itself is shown.",
        );
    }
}

fn take(event: LinkEvent, at: &At, settings: &str, listener: &mut Listener) {
    let why = |why: &LinkProblem| format!("{why}; {}", why.hint());
    match event {
        LinkEvent::Bytes(bytes) => listener.bytes(at, &bytes),
        LinkEvent::Stale(bytes) => {
            let what = "waited in the port from before: a run would not read it";
            listener.other_bytes(at, "stale", &bytes, what);
        }
        LinkEvent::Up { port } => {
            listener.link(at, true, &format!("listening to {port} at {settings}; Ctrl-C ends it"));
        }
        LinkEvent::Down { why: problem } => {
            listener.cut(at);
            listener.link(at, false, &why(&problem));
        }
        LinkEvent::StillDown { why: problem, .. } => listener.link(at, false, &why(&problem)),
    }
}
