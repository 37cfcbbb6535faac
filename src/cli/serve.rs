//! `halfpanel serve`

use super::DONE;
use super::Failure;
use super::output;
use super::runtime;
use crate::bench::gate;
use crate::bench::gate::Gate;
use crate::bench::gate::Limits;
use crate::bench::gate::Reach;
use crate::bench::hall::Hall;
use crate::bench::hall::slugs;
use crate::bench::metrics::Metrics;
use crate::bench::routes;
use crate::session::clock::Clock;
use crate::session::folder::Folder;
use crate::session::station::Station;
use crate::store::RealDisk;
use crate::store::is_hangup_ignored;
use crate::study::Study;
use sd_notify::NotifyState;
use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::pin::Pin;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Serves the bench page of one or more studies, and leads a person through runs with the meter's own button.
#[derive(clap::Args)]
#[command(after_help = "\
Stop it with Ctrl-C or SIGTERM, or close its terminal: a run that goes on is recorded whole and can be taken up again.
Programs talk to it as protocol-notes/http.md and /openapi.json describe.

Example: halfpanel serve harbour
Example: halfpanel serve harbour slipway --listen 0.0.0.0:8417 --lan --log-json")]
pub struct Arguments {
    /// Folders of the studies
    #[arg(required = true, value_name = "STUDY")]
    studies: Vec<PathBuf>,
    /// Address to listen at; port 0 takes any that is free
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:8417")]
    listen: SocketAddr,
    /// Let other machines in, after pairing with a code that is shown here
    #[arg(long)]
    lan: bool,
    /// Host name by which browsers may call the daemon, beside its addresses; may be given several times
    #[arg(long, value_name = "HOST")]
    name: Vec<String>,
    /// Log one JSON object a line on standard error
    #[arg(long)]
    pub log_json: bool,
}

/// Threads that may read files for pages at a time.
const READERS: usize = 8;

/// How long reading for pages that are gone may go on after the daemon has stopped. A row that is being noted then takes
/// far less, and stands whole in its file or not at all.
const LAST_READS: Duration = Duration::from_secs(1);

type Keeping = Pin<Box<dyn Future<Output = ()> + Send>>;

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let reach = Reach::of(arguments.listen, arguments.lan).map_err(|error| Failure::new(error, ""))?;
    let folders = folders(&arguments.studies)?;
    let metrics = Metrics::default();
    let stop = CancellationToken::new();
    let (mut stations, mut keeping): (Vec<(String, Station, Study)>, Vec<Keeping>) = (Vec::new(), Vec::new());
    for (folder, slug) in folders.iter().zip(slugs(folders.iter().map(Folder::root))) {
        let (station, study, keeper) = Station::set_up(folder.clone(), metrics.tally(&slug), stop.clone())?;
        stations.push((slug, station, study));
        keeping.push(Box::pin(keeper));
    }
    let mut runtime = tokio::runtime::Builder::new_current_thread();
    let runtime = runtime.enable_all().max_blocking_threads(READERS).build()?;
    let served = runtime.block_on(serve(arguments, reach, stations, keeping, metrics, &stop));
    // Dropped, it would wait for every recording that somebody asked to have read.
    runtime.shutdown_timeout(LAST_READS);
    served
}

async fn serve(
    arguments: &Arguments,
    reach: Reach,
    stations: Vec<(String, Station, Study)>,
    keeping: Vec<Keeping>,
    metrics: Metrics,
    stop: &CancellationToken,
) -> Result<u8, Failure> {
    let limits = Limits::default();
    let listener = gate::listen(arguments.listen, &limits).map_err(|error| not_bound(arguments, &error))?;
    let gate = Gate::new(listener.local_addr()?, reach, &arguments.name, limits.clone(), Clock::real());
    let gate = Arc::new(gate.map_err(|error| Failure::new(error, ""))?);
    let signalled = signals()?;
    let Kept { thread, ended } = keep(keeping)?;
    let closing = CancellationToken::new();
    let app = gate::guard(routes::router(Hall::new(stations, metrics, closing.clone())), Arc::clone(&gate));
    let serving = tokio::spawn(gate::serve(listener, app, limits, closing.clone()));
    output::line(format_args!("Serving at {}", gate.url()));
    if let Some(invitation) = gate.invitation() {
        output::line(invitation);
    }
    tell(&[NotifyState::Ready]);
    let watchdog = tokio::spawn(feed_watchdog());
    tokio::select! {
        name = signalled => tracing::info!("stopping on {name}"),
        // Only if a mistake of the program ended them.
        () = ended.cancelled() => {}
    }
    tell(&[NotifyState::Stopping]);
    watchdog.abort();
    // The meters first: pages see their runs stop.
    stop.cancel();
    ended.cancelled().await;
    closing.cancel();
    let _ = serving.await;
    match thread.join() {
        Ok(true) => Ok(DONE),
        _ => Err(Failure::new(
            "a study's task broke off; its recording is whole up to what was shown",
            "start the daemon again and take the run up",
        )),
    }
}

/// The folders of the studies, none of them twice.
fn folders(paths: &[PathBuf]) -> Result<Vec<Folder>, Failure> {
    let mut seen = BTreeSet::new();
    paths
        .iter()
        .map(|path| {
            // The name of `.` is found out only so.
            let whole = path.canonicalize().unwrap_or_else(|_| path.clone());
            if !seen.insert(whole.clone()) {
                let what = format_args!("{} is named twice", path.display()).to_string();
                return Err(Failure::new(what, "name each study once"));
            }
            Ok(Folder::new(Arc::new(RealDisk), whole))
        })
        .collect()
}

fn not_bound(arguments: &Arguments, error: &std::io::Error) -> Failure {
    let what = format_args!("cannot listen at {}: {error}", arguments.listen).to_string();
    Failure::new(what, "stop what listens there, or choose another port with --listen (port 0 takes any)")
}

/// The thread of the stations.
struct Kept {
    /// Gives whether none of them broke off.
    thread: JoinHandle<bool>,
    /// Cancelled once it has nothing more to do.
    ended: CancellationToken,
}

/// Keeps the stations on a thread of their own, so that no number of pages holds a meter up.
fn keep(keeping: Vec<Keeping>) -> Result<Kept, Failure> {
    let ended = CancellationToken::new();
    let at_work = ended.clone().drop_guard();
    let runtime = runtime()?;
    let thread = std::thread::Builder::new().name("stations".to_owned()).spawn(move || {
        let _at_work = at_work;
        let runtime = runtime;
        runtime.block_on(async {
            let tasks: Vec<_> = keeping.into_iter().map(tokio::spawn).collect();
            let mut is_whole = true;
            for task in tasks {
                is_whole &= task.await.is_ok();
            }
            is_whole
        })
    })?;
    Ok(Kept { thread, ended })
}

/// Ready with the name of the first signal to stop.
fn signals() -> Result<impl Future<Output = &'static str>, Failure> {
    use tokio::signal::unix::SignalKind;
    use tokio::signal::unix::signal;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    // A terminal that is closed ends the daemon as Ctrl-C does, unless it was started to outlive it.
    let mut hangup = match is_hangup_ignored() {
        true => None,
        false => Some(signal(SignalKind::hangup())?),
    };
    Ok(async move {
        let hung_up = async {
            match &mut hangup {
                Some(hangup) => hangup.recv().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            _ = interrupt.recv() => "Ctrl-C",
            _ = terminate.recv() => "SIGTERM",
            _ = hung_up => "SIGHUP",
        }
    })
}

/// Tells the service manager, if there is one.
fn tell(state: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(state) {
        tracing::warn!("the service manager was not told: {error}");
    }
}

/// Tells the service manager that the daemon lives, if it wants to know.
async fn feed_watchdog() {
    let Some(every) = sd_notify::watchdog_enabled() else { return };
    loop {
        tell(&[NotifyState::Watchdog]);
        tokio::time::sleep(every / 2).await;
    }
}
