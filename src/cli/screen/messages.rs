//! What was said last, and what is worth a sound.

use super::line::{Line, Style, wrap};
use crate::run::{AskNotice, Notice, Run, RunState, Status, Want, say};
use crate::tile::CheckVerdict;

/// Lines that a message may take while it is the newest one.
const MOST_LINES: usize = 6;

/// One message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Time of day at the bench, `HH:MM:SS`.
    pub time: String,
    /// How it is meant.
    pub style: Style,
    /// A sentence.
    pub text: String,
}

impl Message {
    /// The message that a notice makes; none for what the screen shows at its head anyway.
    pub(super) fn of(notice: &Notice, run: &Run, now_us: u64) -> Option<Message> {
        if let Notice::Wanted(_) = notice {
            return None;
        }
        let ledger = run.ledger();
        let (wall_us, offset_s) = ledger.wall(now_us);
        let second = wall_us.div_euclid(1_000_000).saturating_add(i64::from(offset_s)).rem_euclid(86_400);
        let time = format!("{:02}:{:02}:{:02}", second / 3600, second / 60 % 60, second % 60);
        Some(Message { time, style: style(notice, run), text: say::sentence(notice, ledger) })
    }

    /// The message on lines of that width, whole if it is the newest.
    pub(super) fn lines(&self, width: usize, newest: bool) -> Vec<Line> {
        let stamp = format!(" {}  ", self.time);
        let room = width.saturating_sub(stamp.chars().count());
        let wrapped = wrap(&self.text, room.max(1));
        let most = if newest && self.style != Style::Plain { MOST_LINES } else { 1 };
        let mut lines = Vec::new();
        for (i, text) in wrapped.iter().take(most).enumerate() {
            let indent = if i == 0 { stamp.clone() } else { " ".repeat(stamp.chars().count()) };
            let more = if i + 1 == most && wrapped.len() > most { " …" } else { "" };
            let line = Line::of(Style::Quiet, indent).and(self.style, format!("{text}{more}"));
            lines.push(line.fitted(width));
        }
        lines
    }
}

fn style(notice: &Notice, run: &Run) -> Style {
    let ledger = run.ledger();
    match notice {
        Notice::CheckDone { check } => match ledger.checks.get(*check).and_then(|c| c.verdict) {
            Some(CheckVerdict::Passed) => Style::Held,
            _ => Style::Broken,
        },
        Notice::BracketEnded { bracket, .. } => match ledger.brackets.get(*bracket).map(|b| b.status) {
            Some(Status::Proven) => Style::Held,
            _ => Style::Broken,
        },
        Notice::Link { up: true, .. } => Style::Held,
        Notice::Link { up: false, .. } | Notice::Refused { .. } | Notice::LinesLost { .. } => Style::Broken,
        Notice::ScaleOff { .. } => Style::Broken,
        Notice::MoreWanted { .. } => Style::Waiting,
        Notice::Asking(AskNotice::NoAnswer { .. } | AskNotice::MeterError { .. }) => Style::Broken,
        Notice::Asking(_) | Notice::Stream(_) | Notice::Hint(_) => Style::Waiting,
        Notice::NotNow { .. } | Notice::WordRefused { .. } | Notice::NewSitting { .. } => Style::Waiting,
        Notice::Ended { state: RunState::Complete } => Style::Held,
        Notice::Ended { .. } => Style::Broken,
        Notice::Taken { .. }
        | Notice::Wanted(_)
        | Notice::Undone { .. }
        | Notice::Voided { .. }
        | Notice::Again { .. }
        | Notice::Skipped { .. } => Style::Plain,
    }
}

/// Whether a notice is worth the bell: something odd, the tile is wanted, or the meter is gone. A
/// reading that was taken is not: most meters beep themselves.
#[must_use]
pub fn bell(notice: &Notice) -> bool {
    match notice {
        Notice::Refused { .. } | Notice::NotNow { .. } | Notice::LinesLost { .. } => true,
        Notice::WordRefused { .. } | Notice::Link { up: false, .. } => true,
        Notice::MoreWanted { .. } | Notice::ScaleOff { .. } => true,
        Notice::Asking(notice) => matches!(notice, AskNotice::NoAnswer { .. } | AskNotice::Cut),
        Notice::Stream(_) | Notice::Hint(_) => true,
        Notice::Wanted(Want::Tile { reading, .. }) => *reading == 1,
        _ => false,
    }
}
