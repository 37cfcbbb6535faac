//! What was told, how it is meant, and how it sounds.

use crate::run::AskNotice;
use crate::run::Notice;
use crate::run::Run;
use crate::run::RunState;
use crate::run::Status;
use crate::run::Want;
use crate::run::say;
use crate::tile::CheckVerdict;
use crate::view::Tone;

/// Sounds of the bench.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sound {
    /// A reading was taken.
    Taken,
    /// Something was not as it should be.
    Odd,
    /// The tile is wanted.
    TileWanted,
    /// The meter is lost.
    Lost,
}

impl Sound {
    /// A short name that stays the same, for programs.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Sound::Taken => "taken",
            Sound::Odd => "odd",
            Sound::TileWanted => "tile-wanted",
            Sound::Lost => "lost",
        }
    }

    /// How a notice sounds; absent for what needs no ear.
    #[must_use]
    pub fn of(notice: &Notice) -> Option<Sound> {
        match notice {
            Notice::Taken { .. } => Some(Sound::Taken),
            Notice::Link { up: false, .. } => Some(Sound::Lost),
            Notice::Wanted(Want::Tile { reading: 1, .. }) => Some(Sound::TileWanted),
            Notice::Refused { .. } | Notice::NotNow { .. } | Notice::LinesLost { .. } => Some(Sound::Odd),
            Notice::WordRefused { .. } | Notice::MoreWanted { .. } | Notice::ScaleOff { .. } => {
                Some(Sound::Odd)
            }
            Notice::Asking(AskNotice::NoAnswer { .. } | AskNotice::Cut) => Some(Sound::Odd),
            Notice::Stream(_) | Notice::Hint(_) => Some(Sound::Odd),
            _ => None,
        }
    }
}

/// One thing that was told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heard {
    /// When, microseconds since the start of the run.
    pub at_us: u64,
    /// Time of day at the bench, `HH:MM:SS`.
    pub time: String,
    /// The sentence.
    pub says: String,
    /// How it is meant.
    pub tone: Tone,
    /// How it sounds; silent if absent.
    pub sound: Option<Sound>,
    /// Whether it says what to do next, which stands at the head of every screen anyway.
    pub at_head: bool,
}

impl Heard {
    /// Something that is said beside any run: no time, no sound.
    #[must_use]
    pub fn remark(says: String) -> Heard {
        Heard { at_us: 0, time: String::new(), says, tone: Tone::Plain, sound: None, at_head: false }
    }

    /// A notice as it is heard.
    #[must_use]
    pub fn of(notice: &Notice, run: &Run, at_us: u64) -> Heard {
        let ledger = run.ledger();
        let (wall_us, offset_s) = ledger.wall(at_us);
        Heard {
            at_us,
            time: time_of_day(wall_us, offset_s),
            says: say::sentence(notice, ledger),
            tone: tone(notice, run),
            sound: Sound::of(notice),
            at_head: matches!(notice, Notice::Wanted(_)),
        }
    }
}

/// `HH:MM:SS` of a wall-clock time at a place so many seconds ahead of UTC.
#[must_use]
pub fn time_of_day(wall_us: i64, offset_s: i32) -> String {
    let second = wall_us.div_euclid(1_000_000).saturating_add(i64::from(offset_s)).rem_euclid(86_400);
    format!("{:02}:{:02}:{:02}", second / 3600, second / 60 % 60, second % 60)
}

fn tone(notice: &Notice, run: &Run) -> Tone {
    let ledger = run.ledger();
    match notice {
        Notice::CheckDone { check } => match ledger.checks.get(*check).and_then(|c| c.verdict) {
            Some(CheckVerdict::Passed) => Tone::Held,
            _ => Tone::Broken,
        },
        Notice::BracketEnded { bracket, .. } => match ledger.brackets.get(*bracket).map(|b| b.status) {
            Some(Status::Proven) => Tone::Held,
            _ => Tone::Broken,
        },
        Notice::Link { up: true, .. } => Tone::Held,
        Notice::Link { up: false, .. } | Notice::Refused { .. } | Notice::LinesLost { .. } => Tone::Broken,
        Notice::ScaleOff { .. } => Tone::Broken,
        Notice::MoreWanted { .. } => Tone::Waiting,
        Notice::Asking(AskNotice::NoAnswer { .. } | AskNotice::MeterError { .. }) => Tone::Broken,
        Notice::Asking(_) | Notice::Stream(_) | Notice::Hint(_) => Tone::Waiting,
        Notice::NotNow { .. } | Notice::WordRefused { .. } | Notice::NewSitting { .. } => Tone::Waiting,
        Notice::Ended { state: RunState::Complete } => Tone::Held,
        Notice::Ended { .. } => Tone::Broken,
        Notice::Taken { .. }
        | Notice::Wanted(_)
        | Notice::Undone { .. }
        | Notice::Voided { .. }
        | Notice::Again { .. }
        | Notice::Skipped { .. } => Tone::Plain,
    }
}
