//! The bench on a terminal. [`frame`] makes the picture and [`Keys`] understands the keyboard, both
//! without a clock or a terminal; [`Terminal`] puts the picture up, and [`read_keys`] hears the keys.

mod big;
mod drawing;
mod figures;
mod frame;
mod keys;
mod line;
mod messages;
mod rail;
mod terminal;

pub use frame::frame;
pub use keys::{Answer, Key, Keys, Now, Prompt};
pub use line::{Line, Style};
pub use messages::{Message, bell};
pub use terminal::{Dress, Terminal, read_keys};

use crate::run::{Notice, Run};
use std::collections::VecDeque;

/// Messages kept for the screen.
const KEPT: usize = 6;

/// What a frame is to show besides the run.
#[derive(Clone, Debug)]
pub struct View {
    /// Columns of the terminal.
    pub width: usize,
    /// Lines of the terminal.
    pub height: usize,
    /// Whether the bell may ring.
    pub sounds: bool,
    /// The last messages, oldest first.
    pub messages: VecDeque<Message>,
    /// A question to the operator that is being answered.
    pub prompt: Option<Prompt>,
}

impl View {
    /// A view without messages, with sounds.
    #[must_use]
    pub fn new(width: usize, height: usize) -> View {
        View { width, height, sounds: true, messages: VecDeque::new(), prompt: None }
    }

    /// Takes up what to mind of the meter, before anything has happened; `now_us` is the run's time in
    /// microseconds.
    pub fn advise(&mut self, run: &Run, now_us: u64) {
        let advice = run.advice().into_iter().map(|sentence| Message::advice(sentence, run, now_us));
        self.messages.extend(advice);
    }

    /// Takes a notice up among the messages; `now_us` is the run's time in microseconds. True if the
    /// bell is to ring.
    pub fn hear(&mut self, notice: &Notice, run: &Run, now_us: u64) -> bool {
        if let Some(message) = Message::of(notice, run, now_us) {
            self.messages.push_back(message);
            while self.messages.len() > KEPT {
                self.messages.pop_front();
            }
        }
        self.sounds && bell(notice)
    }
}
