//! The task behind a station.

use super::opening;
use super::opening::Opened;
use super::opening::Trouble;
use super::order::Answer;
use super::order::Ask;
use super::order::Order;
use super::order::Refused;
use super::order::Start;
use super::showing::Showing;
use super::snapshot::Phase;
use crate::run::Word;
use crate::session::engine::Command;
use crate::session::engine::Told;
use crate::session::folder::Folder;
use crate::session::hand;
use crate::session::hand::Hand;
use crate::view::RunView;
use std::future::pending;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::MutexGuard;
use std::sync::PoisonError;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::Sleep;
use tokio_util::sync::CancellationToken;

/// The least time between two snapshots of a run, other than those that answer a word.
const REST: Duration = Duration::from_millis(15);

/// Keeps one station.
pub(super) struct Keeper {
    folder: Folder,
    orders: mpsc::Receiver<Order>,
    showing: Arc<Mutex<Showing>>,
    stop: CancellationToken,
}

impl Keeper {
    pub(super) fn new(
        folder: Folder,
        orders: mpsc::Receiver<Order>,
        showing: Arc<Mutex<Showing>>,
        stop: CancellationToken,
    ) -> Keeper {
        Keeper { folder, orders, showing, stop }
    }

    fn showing(&self) -> MutexGuard<'_, Showing> {
        lock(&self.showing)
    }

    /// Follows orders until it is stopped.
    pub(super) async fn keep(mut self) {
        loop {
            let order = tokio::select! {
                biased;
                () = self.stop.cancelled() => return,
                order = self.orders.recv() => order,
            };
            let Some(Order { version, ask, answer }) = order else { return };
            if let Err(stale) = self.showing().spend(version) {
                let _ = answer.send(Err(stale));
                continue;
            }
            match ask {
                Ask::Start(start) => self.start(*start, answer).await,
                Ask::TakeUp => self.take_up(answer).await,
                Ask::Say(_) | Ask::Stop => {
                    self.refuse(answer, Refused::NotNow("no run is going on; start one first".to_owned()));
                }
            }
        }
    }

    /// Says no, and shows what stands under the next version.
    fn refuse(&self, answer: Answer, why: Refused) {
        let mut showing = self.showing();
        let phase = showing.phase().clone();
        showing.show(phase);
        let _ = answer.send(Err(why));
    }

    async fn start(&mut self, start: Start, answer: Answer) {
        let before = self.opening();
        let notes = start.notes.clone();
        match opening::begin(&self.folder, start).await {
            Ok(opened) => self.sit(opened, notes, answer).await,
            Err(trouble) => self.failed(trouble, before, answer),
        }
    }

    async fn take_up(&mut self, answer: Answer) {
        let before = self.opening();
        match opening::take_up(&self.folder).await {
            Ok(Some(opened)) => self.sit(opened, Vec::new(), answer).await,
            Ok(None) => {
                self.showing().show(Phase::Idle { unfinished: None, ended: None });
                let why = "no run of this study was cut off; start a new one".to_owned();
                let _ = answer.send(Err(Refused::NotNow(why)));
            }
            Err(trouble) => self.failed(trouble, before, answer),
        }
    }

    /// Shows that a run is about to begin, and gives the run that was offered until now.
    fn opening(&self) -> Option<String> {
        let mut showing = self.showing();
        let before = showing.phase().unfinished().map(str::to_owned);
        showing.show(Phase::Opening);
        before
    }

    fn failed(&self, trouble: Trouble, unfinished: Option<String>, answer: Answer) {
        let Trouble { what, hint } = trouble.clone();
        tracing::warn!(study = %self.folder.root().display(), "{what}");
        self.showing().show(Phase::Stuck { what, hint, unfinished });
        let _ = answer.send(Err(trouble.into()));
    }

    /// One sitting, from its first moment until its tables are written.
    async fn sit(&mut self, opened: Opened, notes: Vec<String>, answer: Answer) {
        let Opened { session, hand, lock: study_lock, earlier, remarks } = opened;
        let id = session.run.ledger().id.clone();
        tracing::info!(run = %id, study = %self.folder.root().display(), "sitting begins");
        let version = {
            let mut showing = self.showing();
            remarks.into_iter().chain(session.run.advice()).for_each(|remark| showing.remark(remark));
            showing.begin(&session.run, Arc::clone(&earlier), session.clock.clone(), session.now_us());
            showing.version()
        };
        let (commands, waiting) = mpsc::unbounded_channel();
        for text in notes {
            self.say(&commands, Word::Note { text }, None);
        }
        let _ = answer.send(Ok(version));
        let (cues, mut words) = follow(hand, Arc::clone(&self.showing));
        let shared = Arc::clone(&self.showing);
        let driving = session.drive(waiting, move |told, run, now_us| {
            if let (Told::Notice(notice), Some(cues)) = (told, &cues)
                && let Some(cue) = hand::cue(notice, run)
            {
                // The hand may have gone; the run goes on without it.
                let _ = cues.send(cue);
            }
            lock(&shared).hear(told, run, now_us);
        });
        let mut driving = Box::pin(driving);
        let mut stopped_by = None;
        let published = self.showing().published();
        let mut rest: Option<Pin<Box<Sleep>>> = None;
        let mut is_stopping = false;
        let ended = loop {
            tokio::select! {
                biased;
                ended = &mut driving => break ended,
                () = self.stop.cancelled(), if !is_stopping => {
                    is_stopping = true;
                    let _ = commands.send(Command::Stop);
                }
                Some(word) = words.recv() => self.say(&commands, word, None),
                Some(order) = self.orders.recv() => {
                    if let Some(answer) = self.obey(order, &commands) {
                        stopped_by = Some(answer);
                        is_stopping = true;
                    }
                }
                () = published.notified(), if rest.is_none() => rest = Some(Box::pin(tokio::time::sleep(REST))),
                () = over(&mut rest) => {
                    rest = None;
                    let _ = commands.send(Command::Draw);
                }
            }
        };
        drop(driving);
        self.showing().end();
        let (last, trouble) = match ended {
            Ok((_, run)) => (Some(Arc::new(RunView::beside(&run, &earlier, last_us(&run)))), None),
            Err(error) => (None, Some(Trouble::from(error))),
        };
        self.finish(study_lock, last, trouble).await;
        tracing::info!(run = %id, "sitting over");
        if let Some(answer) = stopped_by {
            let version = self.showing().version();
            let _ = answer.send(Ok(version));
        }
    }

    /// Writes the tables, and shows where the station stands then.
    async fn finish(
        &self,
        study_lock: crate::store::lock::Lock,
        last: Option<Arc<RunView>>,
        trouble: Option<Trouble>,
    ) {
        if let Some(view) = &last {
            self.showing().show(Phase::Running(Arc::clone(view)));
        }
        let (written, offered) = opening::close(&self.folder, study_lock).await;
        let mut showing = self.showing();
        let mut trouble = trouble;
        match written {
            Ok(refused) => refused.into_iter().for_each(|why| {
                showing.remark(format!("no rows from a recording that was refused: {why}"));
            }),
            Err(why) => trouble = trouble.or(Some(why)),
        }
        let unfinished = match offered {
            Ok(unfinished) => unfinished,
            Err(why) => {
                trouble = trouble.or(Some(why));
                None
            }
        };
        showing.show(match trouble {
            None => Phase::Idle { unfinished, ended: last },
            Some(Trouble { what, hint }) => Phase::Stuck { what, hint, unfinished },
        });
    }

    /// Does what an order says while a run goes on. Gives the answer's sender back where that is to stop, for it is
    /// answered only then.
    fn obey(&self, order: Order, commands: &mpsc::UnboundedSender<Command>) -> Option<Answer> {
        let Order { version, ask, answer } = order;
        if let Err(stale) = self.showing().spend(version) {
            let _ = answer.send(Err(stale));
            return None;
        }
        match ask {
            Ask::Say(word) => self.say(commands, word, Some(answer)),
            Ask::Stop => {
                let _ = commands.send(Command::Stop);
                return Some(answer);
            }
            Ask::Start(_) | Ask::TakeUp => {
                let why = "a run is going on already; bring it to its end, stop or abandon it first";
                self.refuse(answer, Refused::NotNow(why.to_owned()));
            }
        }
        None
    }

    fn say(&self, commands: &mpsc::UnboundedSender<Command>, word: Word, answer: Option<Answer>) {
        // In the order of the channel: the answers are told apart by it.
        self.showing().expect(answer);
        let _ = commands.send(Command::Say(word));
    }
}

/// A snapshot is whole whatever broke while the lock was held.
fn lock(showing: &Mutex<Showing>) -> MutexGuard<'_, Showing> {
    showing.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The time of the last thing in a run, microseconds since its start.
fn last_us(run: &crate::run::Run) -> u64 {
    run.ledger().readings.last().map_or(0, |reading| reading.at_us)
}

async fn over(rest: &mut Option<Pin<Box<Sleep>>>) {
    match rest {
        Some(rest) => rest.as_mut().await,
        None => pending().await,
    }
}

/// Lets the simulated hand follow the run. Gives where its cues go, and what it says. The hand goes when its cues end.
fn follow(
    hand: Option<Hand>,
    showing: Arc<Mutex<Showing>>,
) -> (Option<mpsc::UnboundedSender<hand::Cue>>, mpsc::UnboundedReceiver<Word>) {
    let (say, words) = mpsc::unbounded_channel();
    let Some(mut hand) = hand else { return (None, words) };
    let (cues, heard) = mpsc::unbounded_channel();
    hand.words = Some(say);
    tokio::spawn(async move {
        if let Err(error) = hand.follow(heard).await {
            lock(&showing).remark(format!("the simulated hand stopped: {error}"));
        }
    });
    (Some(cues), words)
}
