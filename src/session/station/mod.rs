//! A station: one study and its meter, kept by the daemon from the morning on. Runs begin, go on and end at it;
//! whoever watches sees its [`Snapshot`].
//!
//! The meter's port is open only while a run holds it, so that other programs have it in between, and so that an
//! idle station wakes up for nothing. The study's lock, too, is held from the start of a run until its tables are
//! written.
//!
//! - [`Station`]: the handle; orders in, snapshots out.
//! - `keeper`: the task behind it; `opening`: how a run comes to the bench.
//! - `showing`: versions, snapshots, and answers to words.

mod keeper;
mod opening;
mod order;
mod showing;
mod snapshot;
mod tally;

pub use order::Answer;
pub use order::Ask;
pub use order::Order;
pub use order::Refused;
pub use order::Start;
pub use snapshot::Phase;
pub use snapshot::Snapshot;
pub use tally::Tally;

use crate::session::clock::Clock;
use crate::session::folder::Folder;
use crate::session::folder::FolderError;
use crate::study::Study;
use keeper::Keeper;
use showing::Showing;
use std::sync::Arc;
use std::sync::Mutex;
use tokio::sync::mpsc;
use tokio::sync::oneshot;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// Orders that may wait; more are made to wait by their senders.
const WAITING: usize = 16;

/// The handle of a station. Clones are the same station.
#[derive(Clone)]
pub struct Station {
    folder: Folder,
    orders: mpsc::Sender<Order>,
    snapshots: watch::Receiver<Arc<Snapshot>>,
}

impl Station {
    /// Sets a station up over a study, which must hold together, and gives it with the study and the task that keeps it: it runs until
    /// `stop` is cancelled, and then stops a run that goes on, its recording whole. It counts into `tally`. Needs no
    /// runtime yet.
    ///
    /// # Errors
    /// What is wrong with the study's folder.
    pub fn set_up(
        folder: Folder,
        tally: Tally,
        stop: CancellationToken,
    ) -> Result<(Station, Study, impl Future<Output = ()> + Send + use<>), FolderError> {
        let study = folder.load()?.study;
        let unfinished = opening::offered(&folder);
        let first = u64::try_from(Clock::real().wall().timestamp_millis()).unwrap_or(0);
        let (mut showing, snapshots) = Showing::new(study.name.clone(), first, None, tally);
        match unfinished {
            Ok(None) => {}
            Ok(unfinished) => showing.show(Phase::Idle { unfinished, ended: None }),
            Err(trouble) => {
                showing.show(Phase::Stuck { what: trouble.what, hint: trouble.hint, unfinished: None });
            }
        }
        let (orders, waiting) = mpsc::channel(WAITING);
        let keeper = Keeper::new(folder.clone(), waiting, Arc::new(Mutex::new(showing)), stop);
        Ok((Station { folder, orders, snapshots }, study, keeper.keep()))
    }

    /// Gives an order, and waits for the answer: the version at which it was done.
    ///
    /// # Errors
    /// [`Refused`].
    pub async fn order(&self, version: u64, ask: Ask) -> Result<u64, Refused> {
        let (answer, answered) = oneshot::channel();
        let order = Order { version, ask, answer };
        self.orders.send(order).await.map_err(|_| Refused::Closing)?;
        answered.await.unwrap_or(Err(Refused::Closing))
    }

    /// The study's folder, to read from.
    #[must_use]
    pub fn folder(&self) -> &Folder {
        &self.folder
    }

    /// The snapshots, from the present one on.
    #[must_use]
    pub fn snapshots(&self) -> watch::Receiver<Arc<Snapshot>> {
        self.snapshots.clone()
    }

    /// Whether the task behind it still follows orders.
    #[must_use]
    pub fn is_kept(&self) -> bool {
        !self.orders.is_closed()
    }
}
