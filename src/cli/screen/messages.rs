//! What was said last, and what is worth a sound.

use super::line::{Line, Style, wrap};
use crate::run::{Notice, Run};
use crate::view::{Heard, Sound, time_of_day};

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
        let Heard { time, tone, says, at_head, .. } = Heard::of(notice, run, now_us);
        (!at_head).then(|| Message { time, style: tone.into(), text: says })
    }

    /// What to mind of the meter.
    pub(super) fn advice(text: String, run: &Run, now_us: u64) -> Message {
        let (wall_us, offset_s) = run.ledger().wall(now_us);
        Message { time: time_of_day(wall_us, offset_s), style: Style::Strong, text }
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

/// Whether a notice is worth the bell: something odd, the tile is wanted, or the meter is gone. A
/// reading that was taken is not: most meters beep themselves.
#[must_use]
pub fn bell(notice: &Notice) -> bool {
    Sound::of(notice).is_some_and(|sound| sound != Sound::Taken)
}
