//! What the world sees of a station: its snapshots, one version after the other, and the answers to the words that
//! went into its run.

use super::order::Answer;
use super::order::Refused;
use super::snapshot::Phase;
use super::snapshot::Snapshot;
use super::tally::Tally;
use crate::run::Counts;
use crate::run::Notice;
use crate::run::Replayed;
use crate::run::Run;
use crate::run::record::Body;
use crate::session::clock::Clock;
use crate::session::engine::Told;
use crate::view::Heard;
use crate::view::RunView;
use std::collections::VecDeque;
use std::sync::Arc;
use tokio::sync::Notify;
use tokio::sync::watch;

/// How many things told are kept for who comes later.
const KEPT: usize = 50;

/// The one place where versions rise and snapshots are made.
pub(super) struct Showing {
    version: u64,
    study: String,
    link_up: Option<bool>,
    phase: Phase,
    heard: VecDeque<Heard>,
    heard_before: u64,
    out: watch::Sender<Arc<Snapshot>>,
    tally: Tally,
    sitting: Option<Sitting>,
    /// Told at each snapshot of a run, so that somebody counts out its rest.
    published: Arc<Notify>,
}

/// What is kept of the sitting that goes on.
struct Sitting {
    /// The earlier runs that the run is held against.
    earlier: Arc<[Replayed]>,
    clock: Clock,
    counts: Counts,
    readings: usize,
    was_up: bool,
    /// Something has changed since the last snapshot.
    is_dirty: bool,
    /// A snapshot went out a moment ago; a flood of lines must not make one each.
    is_resting: bool,
    /// Words on their way through the recorder, in the order in which they went in; without an answer where
    /// nobody waits.
    words: VecDeque<Option<Answer>>,
    /// What the run said to the word that is being applied.
    word_refused: Option<String>,
    /// Answers for the next snapshot, whose version they carry.
    answers: Vec<(Answer, Option<String>)>,
}

impl Showing {
    pub(super) fn new(
        study: String,
        first: u64,
        unfinished: Option<String>,
        tally: Tally,
    ) -> (Showing, watch::Receiver<Arc<Snapshot>>) {
        let phase = Phase::Idle { unfinished, ended: None };
        let snapshot = Snapshot {
            version: first,
            study: study.clone(),
            link_up: None,
            phase: phase.clone(),
            heard: Vec::new(),
            heard_before: first,
        };
        let (out, seen) = watch::channel(Arc::new(snapshot));
        let showing = Showing {
            version: first,
            study,
            link_up: None,
            phase,
            heard: VecDeque::new(),
            heard_before: first,
            out,
            tally,
            sitting: None,
            published: Arc::new(Notify::new()),
        };
        (showing, seen)
    }

    pub(super) fn version(&self) -> u64 {
        self.version
    }

    /// Told at each snapshot of a run.
    pub(super) fn published(&self) -> Arc<Notify> {
        Arc::clone(&self.published)
    }

    pub(super) fn phase(&self) -> &Phase {
        &self.phase
    }

    /// Takes the version that an order was meant for, so that a second one for it finds it gone.
    ///
    /// # Errors
    /// [`Refused::Stale`].
    pub(super) fn spend(&mut self, meant: u64) -> Result<(), Refused> {
        let stands = self.version;
        if meant != stands {
            return Err(Refused::Stale { meant, stands });
        }
        self.version += 1;
        Ok(())
    }

    /// Goes over to a phase, and shows it.
    pub(super) fn show(&mut self, phase: Phase) {
        self.phase = phase;
        self.publish();
    }

    /// Says something that no run told.
    pub(super) fn remark(&mut self, says: String) {
        self.keep(Heard::remark(says));
    }

    /// A sitting begins with this run.
    pub(super) fn begin(&mut self, run: &Run, earlier: Arc<[Replayed]>, clock: Clock, now_us: u64) {
        self.tally.runs.inc();
        self.sitting = Some(Sitting {
            earlier: Arc::clone(&earlier),
            clock,
            counts: run.counts(),
            readings: run.ledger().readings.len(),
            was_up: false,
            is_dirty: false,
            is_resting: false,
            words: VecDeque::new(),
            word_refused: None,
            answers: Vec::new(),
        });
        self.link_up = Some(false);
        self.show(Phase::Running(Arc::new(RunView::beside(run, &earlier, now_us))));
    }

    /// A word is on its way into the run.
    pub(super) fn expect(&mut self, answer: Option<Answer>) {
        if let Some(sitting) = &mut self.sitting {
            sitting.words.push_back(answer);
        }
    }

    /// The sitting is over: whoever still waits is told so.
    pub(super) fn end(&mut self) {
        self.link_up = None;
        let Some(sitting) = self.sitting.take() else { return };
        let waiting = sitting.words.into_iter().flatten();
        for answer in waiting.chain(sitting.answers.into_iter().map(|(answer, _)| answer)) {
            let _ = answer.send(Err(Refused::NotNow("the run came to its end before that".to_owned())));
        }
    }

    /// Hears what the engine tells.
    pub(super) fn hear(&mut self, told: &Told<'_>, run: &Run, now_us: u64) {
        match told {
            Told::Notice(notice) => self.notice(notice, run, now_us),
            Told::Applied(record) => self.applied(&record.body, record.at_us, now_us),
            Told::Settled => self.settled(run, now_us),
            Told::Moment => self.rested(run, now_us),
        }
    }

    fn notice(&mut self, notice: &Notice, run: &Run, now_us: u64) {
        self.keep(Heard::of(notice, run, now_us));
        let Some(sitting) = &mut self.sitting else { return };
        if !std::mem::replace(&mut sitting.is_dirty, true) {
            // From now on nobody sees what stands, so no order for what was shown last is followed.
            self.version += 1;
        }
        match notice {
            Notice::Link { up, .. } => {
                self.link_up = Some(*up);
                if *up && std::mem::replace(&mut sitting.was_up, true) {
                    self.tally.reconnects.inc();
                }
            }
            Notice::WordRefused { why } => sitting.word_refused = Some(why.clone()),
            _ => {}
        }
    }

    fn applied(&mut self, body: &Body<'_>, at_us: u64, now_us: u64) {
        let Some(sitting) = &mut self.sitting else { return };
        match body {
            Body::Word(_) => {
                let refused = sitting.word_refused.take();
                if let Some(Some(answer)) = sitting.words.pop_front() {
                    sitting.answers.push((answer, refused));
                }
            }
            // Its time is that of the break before it.
            Body::Resumed(_) => return,
            _ => {}
        }
        let waited = sitting.clock.real_duration(now_us.saturating_sub(at_us));
        self.tally.sync_s.observe(waited.as_secs_f64());
    }

    fn settled(&mut self, run: &Run, now_us: u64) {
        let Some(sitting) = &mut self.sitting else { return };
        let (counts, readings) = (run.counts(), run.ledger().readings.len());
        self.tally.lines.inc_by(counts.lines.saturating_sub(sitting.counts.lines));
        self.tally.rejected.inc_by(counts.refused.saturating_sub(sitting.counts.refused));
        self.tally.readings.inc_by(readings.saturating_sub(sitting.readings) as u64);
        (sitting.counts, sitting.readings) = (counts, readings);
        let is_answered = !sitting.answers.is_empty();
        if is_answered || (sitting.is_dirty && !sitting.is_resting) {
            self.publish_run(run, now_us);
        }
    }

    /// The rest after a snapshot is over.
    fn rested(&mut self, run: &Run, now_us: u64) {
        let Some(sitting) = &mut self.sitting else { return };
        sitting.is_resting = false;
        if sitting.is_dirty {
            self.publish_run(run, now_us);
        }
    }

    fn publish_run(&mut self, run: &Run, now_us: u64) {
        let Some(sitting) = &mut self.sitting else { return };
        let view = RunView::beside(run, &sitting.earlier, now_us);
        self.show(Phase::Running(Arc::new(view)));
        let Some(sitting) = &mut self.sitting else { return };
        (sitting.is_dirty, sitting.is_resting) = (false, true);
        for (answer, refused) in sitting.answers.drain(..) {
            let _ = answer.send(match refused {
                Some(why) => Err(Refused::Word(why)),
                None => Ok(self.version),
            });
        }
        self.published.notify_one();
    }

    fn keep(&mut self, heard: Heard) {
        if self.heard.len() == KEPT {
            self.heard.pop_front();
            self.heard_before += 1;
        }
        self.heard.push_back(heard);
    }

    fn publish(&mut self) {
        self.version += 1;
        self.out.send_replace(Arc::new(Snapshot {
            version: self.version,
            study: self.study.clone(),
            link_up: self.link_up,
            phase: self.phase.clone(),
            heard: self.heard.iter().cloned().collect(),
            heard_before: self.heard_before,
        }));
    }
}
