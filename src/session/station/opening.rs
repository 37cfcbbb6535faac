//! How a run comes to the bench: the lock, the study as it stands now, the port, the recording.

use super::order::Refused;
use super::order::Start;
use crate::meter::Profile;
use crate::run::Replayed;
use crate::session::clock::Clock;
use crate::session::engine::Session;
use crate::session::folder::Folder;
use crate::session::folder::FolderError;
use crate::session::folder::LoadedStudy;
use crate::session::folder::Unfinished;
use crate::session::hand::Hand;
use crate::session::observing;
use crate::session::results;
use crate::session::results::ResultsError;
use crate::session::start;
use crate::session::start::StartError;
use crate::store::StoreError;
use crate::store::lock::Lock;
use crate::study;
use std::collections::BTreeSet;
use std::sync::Arc;

/// Stands in the lock file.
const NOTE: &str = "halfpanel serve";

/// A run at the bench.
pub(super) struct Opened {
    pub(super) session: Session,
    pub(super) hand: Option<Hand>,
    /// The study's, for as long as something is written there.
    pub(super) lock: Lock,
    /// The earlier runs that it is held against.
    pub(super) earlier: Arc<[Replayed]>,
    /// To be told when it begins.
    pub(super) remarks: Vec<String>,
}

/// What went wrong, and what to do.
#[derive(Clone, Debug)]
pub(super) struct Trouble {
    pub(super) what: String,
    pub(super) hint: String,
}

impl From<Trouble> for Refused {
    fn from(Trouble { what, hint }: Trouble) -> Refused {
        Refused::Failed { what, hint }
    }
}

macro_rules! trouble_from {
    ($($error:ty),* $(,)?) => {$(
        impl From<$error> for Trouble {
            fn from(error: $error) -> Trouble {
                Trouble { what: error.to_string(), hint: error.hint().to_string() }
            }
        }
    )*};
}

trouble_from!(FolderError, StartError, StoreError, ResultsError, crate::session::recorder::RecorderError);

/// Work that waits for the disk, away from the thread that serves the meters.
async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Trouble> + Send + 'static,
) -> Result<T, Trouble> {
    tokio::task::spawn_blocking(work).await.unwrap_or_else(|broke| {
        let hint = "this is a mistake in the program; what is recorded is not touched by it".to_owned();
        Err(Trouble { what: format!("the work was cut short ({broke})"), hint })
    })
}

/// The run that can be taken up again.
pub(super) fn offered(folder: &Folder) -> Result<Option<String>, Trouble> {
    Ok(folder.unfinished()?.map(|unfinished| unfinished.id))
}

/// Takes the study's lock, and clears away what killed writes left.
fn take_lock(folder: &Folder) -> Result<Lock, Trouble> {
    folder.still_there()?;
    let lock = folder.lock(NOTE)?;
    folder.sweep()?;
    // Better before the run than after it.
    folder.disk().create_dir_all(&folder.results())?;
    Ok(lock)
}

/// Begins a run, by the study as it stands on the disk now.
pub(super) async fn begin(folder: &Folder, asked: Start) -> Result<Opened, Trouble> {
    let (at, selection) = (folder.clone(), asked.selection);
    let (lock, loaded, setup, noted) = aside(move || {
        let lock = take_lock(&at)?;
        let mut loaded: LoadedStudy = at.load()?;
        let noted = observing::before_run(&at, &mut loaded, &selection, Clock::real().wall())?;
        let setup = study::setup(&loaded.study, &selection, loaded.profile.text())
            .map_err(|problem| Trouble::from(FolderError::from(problem)))?;
        Ok((lock, loaded, setup, noted))
    })
    .await?;
    let bench = start::open_bench(folder, &setup.port, &loaded.profile, None).await?;
    let at = folder.clone();
    aside(move || {
        let (session, hand, held) = start::begin(&at, &loaded, setup, bench)?;
        let remarks = noted.into_iter().chain(held).collect();
        let earlier = earlier(&at, &session);
        Ok(Opened { session, hand, lock, earlier, remarks })
    })
    .await
}

/// Takes the run up again that was cut off; nothing if there is none.
pub(super) async fn take_up(folder: &Folder) -> Result<Option<Opened>, Trouble> {
    let at = folder.clone();
    let (lock, unfinished) = aside(move || Ok((take_lock(&at)?, at.unfinished()?))).await?;
    let Some(unfinished) = unfinished else { return Ok(None) };
    let Unfinished { id, replayed, .. } = &unfinished;
    let torn = replayed.tail.torn.len();
    let remarks = match torn {
        0 => Vec::new(),
        _ => vec![format!(
            "run {id}: a torn tail of {torn} bytes is cut off and kept in the recording; nothing of it was ever shown"
        )],
    };
    let setup = &replayed.head.setup;
    let profile = Profile::load("profile in the recording", &setup.profile).map_err(FolderError::from)?;
    let from = start::stands_at(&unfinished);
    // Nothing more is read if only the end record is missing.
    let bench = match replayed.run.is_over() {
        true => start::no_bench(),
        false => start::open_bench(folder, &setup.port, &profile, from).await?,
    };
    let at = folder.clone();
    aside(move || {
        let (session, hand) = start::take_up(&at, unfinished, bench)?;
        let earlier = earlier(&at, &session);
        Ok(Some(Opened { session, hand, lock, earlier, remarks }))
    })
    .await
}

/// The earlier runs that a run names. One that is no longer as it was is left out; the tables say so.
fn earlier(folder: &Folder, session: &Session) -> Arc<[Replayed]> {
    let named = &session.run.ledger().setup.comparing.earlier;
    let ids: BTreeSet<&str> = named.iter().map(|earlier| earlier.run.as_str()).collect();
    let runs = ids.into_iter().filter_map(|id| folder.replay_run(id).ok()).map(|(replayed, _)| replayed);
    runs.filter(|run| named.iter().any(|earlier| earlier.sha256 == run.sha256)).collect()
}

/// Brings the tables up to date and gives the lock back. Gives what is to be told of it, and the run that can be taken
/// up.
pub(super) async fn close(
    folder: &Folder,
    lock: Lock,
) -> (Result<Vec<String>, Trouble>, Result<Option<String>, Trouble>) {
    let at = folder.clone();
    let written = aside(move || {
        let updated = results::update(&at, |_, _, _| {})?;
        drop(lock);
        Ok(updated.refused)
    });
    let written = written.await;
    let at = folder.clone();
    (written, aside(move || offered(&at)).await)
}
