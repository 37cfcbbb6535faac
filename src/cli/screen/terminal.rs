//! The terminal itself: entered, drawn on, and left as it was found, even by a panic.

use super::keys::Key;
use super::line::{Line, Style};
use crossterm::event::{self, Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};
use crossterm::style::{Attribute, SetAttribute};
use crossterm::terminal::{
    BeginSynchronizedUpdate, Clear, ClearType, DisableLineWrap, EnableLineWrap, EndSynchronizedUpdate,
    EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode,
};
use crossterm::{cursor, queue};
use std::io::{self, Write};
use std::sync::Once;
use std::sync::atomic::{AtomicBool, Ordering};
use tokio::sync::mpsc;

/// Whether the terminal is ours now. Drop, panic and leaving by hand may come in any order.
static OURS: AtomicBool = AtomicBool::new(false);
static PANIC_HOOK: Once = Once::new();

/// What styles look like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dress {
    /// With colours of our own.
    Colour,
    /// Bold, dim and reverse only.
    Mono,
}

impl Dress {
    /// What the environment asks for: `NO_COLOR`, where it is set to something, takes the colours off.
    #[must_use]
    pub fn from_environment() -> Dress {
        let plain = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        if plain { Dress::Mono } else { Dress::Colour }
    }

    /// Colour of a style in the 256-colour palette, mid tones that hold on dark and on light grounds,
    /// and what it looks like without colours.
    const fn look(style: Style) -> (Option<u8>, &'static [Attribute]) {
        match style {
            Style::Plain => (None, &[]),
            Style::Quiet => (None, &[Attribute::Dim]),
            Style::Strong => (None, &[Attribute::Bold]),
            Style::Next => (None, &[Attribute::Bold, Attribute::Reverse]),
            Style::Waiting => (Some(172), &[]),
            Style::Held => (Some(37), &[]),
            Style::Broken => (Some(168), &[Attribute::Bold]),
            Style::Alarm => (Some(168), &[Attribute::Bold, Attribute::Reverse]),
        }
    }

    /// Writes a line with its styles.
    fn write(self, line: &Line, out: &mut Vec<u8>) -> io::Result<()> {
        for (style, text) in line.spans() {
            let (colour, attributes) = Dress::look(style);
            for &attribute in attributes {
                queue!(out, SetAttribute(attribute))?;
            }
            let colour = colour.filter(|_| self == Dress::Colour);
            if let Some(colour) = colour {
                // Not by way of crossterm, which looks at the environment by itself.
                write!(out, "\x1b[38;5;{colour}m")?;
            }
            out.extend_from_slice(text.as_bytes());
            if colour.is_some() {
                out.extend_from_slice(b"\x1b[39m");
            }
            if !attributes.is_empty() {
                queue!(out, SetAttribute(Attribute::Reset))?;
            }
        }
        Ok(())
    }
}

/// The terminal on standard output, in raw mode and on its alternate screen as long as this lives.
pub struct Terminal {
    dress: Dress,
    shown: Vec<Line>,
    width: usize,
    height: usize,
}

impl Terminal {
    /// Enters the alternate screen and raw mode. A panic brings the terminal back before it prints.
    ///
    /// # Errors
    /// If standard output is no terminal, or does not do as it is told.
    pub fn enter(dress: Dress) -> io::Result<Terminal> {
        let (width, height) = crossterm::terminal::size()?;
        PANIC_HOOK.call_once(|| {
            let before = std::panic::take_hook();
            std::panic::set_hook(Box::new(move |info| {
                leave();
                before(info);
            }));
        });
        enable_raw_mode()?;
        OURS.store(true, Ordering::SeqCst);
        // From here on dropping it restores the terminal, whatever fails.
        let terminal = Terminal { dress, shown: Vec::new(), width: width.into(), height: height.into() };
        let mut out = Vec::new();
        queue!(out, EnterAlternateScreen, DisableLineWrap, cursor::Hide, Clear(ClearType::All))?;
        write(&out)?;
        Ok(terminal)
    }

    /// Columns and lines.
    #[must_use]
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.height)
    }

    /// Takes a new size; the next frame is drawn whole.
    pub fn resized(&mut self, width: u16, height: u16) {
        (self.width, self.height) = (width.into(), height.into());
        self.shown.clear();
    }

    /// Draws a frame: what has changed since the last one, in one write. Nothing once a panic, of
    /// whatever thread, has given the terminal back.
    ///
    /// # Errors
    /// If standard output cannot be written to.
    pub fn draw(&mut self, lines: Vec<Line>) -> io::Result<()> {
        if !OURS.load(Ordering::SeqCst) {
            return Ok(());
        }
        let out = self.change(&lines)?;
        self.shown = lines;
        write(&out)
    }

    fn change(&self, lines: &[Line]) -> io::Result<Vec<u8>> {
        let mut out = Vec::new();
        queue!(out, BeginSynchronizedUpdate)?;
        if self.shown.is_empty() {
            queue!(out, Clear(ClearType::All))?;
        }
        for (y, line) in lines.iter().enumerate().take(self.height) {
            if self.shown.get(y) == Some(line) {
                continue;
            }
            queue!(out, cursor::MoveTo(0, y as u16))?;
            self.dress.write(line, &mut out)?;
            // Behind a full line the cursor still stands on its last character, which would be cleared.
            if line.width() < self.width {
                queue!(out, Clear(ClearType::UntilNewLine))?;
            }
        }
        if lines.len() < self.shown.len() && lines.len() < self.height {
            queue!(out, cursor::MoveTo(0, lines.len() as u16), Clear(ClearType::FromCursorDown))?;
        }
        queue!(out, EndSynchronizedUpdate)?;
        Ok(out)
    }

    /// Rings the bell.
    ///
    /// # Errors
    /// If standard output cannot be written to.
    pub fn ring(&self) -> io::Result<()> {
        write(b"\x07")
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        leave();
    }
}

fn write(bytes: &[u8]) -> io::Result<()> {
    let mut stdout = io::stdout().lock();
    stdout.write_all(bytes)?;
    stdout.flush()
}

/// Gives the terminal back, once. Nothing can be done about a terminal that is gone.
fn leave() {
    if !OURS.swap(false, Ordering::SeqCst) {
        return;
    }
    let mut out = Vec::new();
    let queued = queue!(
        out,
        EndSynchronizedUpdate,
        SetAttribute(Attribute::Reset),
        EnableLineWrap,
        cursor::Show,
        LeaveAlternateScreen
    );
    if queued.is_ok() {
        let _ = write(&out);
    }
    let _ = disable_raw_mode();
}

/// Reads the keyboard on a thread of its own, which sleeps until a key is pressed. The channel ends
/// when the keyboard does; the thread lives until the key after the receiver was dropped, or the end of
/// the program.
///
/// # Errors
/// If the thread cannot be started.
pub fn read_keys() -> io::Result<mpsc::UnboundedReceiver<Key>> {
    let (send, keys) = mpsc::unbounded_channel();
    std::thread::Builder::new().name("keyboard".to_owned()).spawn(move || {
        while let Ok(event) = event::read() {
            if let Some(key) = key(&event)
                && send.send(key).is_err()
            {
                return;
            }
        }
    })?;
    Ok(keys)
}

/// The key that an event of the terminal stands for.
fn key(event: &Event) -> Option<Key> {
    match *event {
        Event::Resize(width, height) => Some(Key::Resized { width, height }),
        Event::Key(KeyEvent { code, modifiers, kind, .. }) if kind != KeyEventKind::Release => {
            let control = modifiers.contains(KeyModifiers::CONTROL);
            let alone = !control && !modifiers.contains(KeyModifiers::ALT);
            match code {
                KeyCode::Char('c' | 'C') if control => Some(Key::Stop),
                KeyCode::Char('u' | 'U') if control => Some(Key::Clear),
                KeyCode::Char(c) if alone => Some(Key::Char(c)),
                KeyCode::Enter => Some(Key::Enter),
                KeyCode::Esc => Some(Key::Esc),
                KeyCode::Backspace => Some(Key::Backspace),
                _ => None,
            }
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn terminal(dress: Dress, shown: &[&str]) -> Terminal {
        let shown = shown.iter().map(|text| Line::of(Style::Plain, text)).collect();
        Terminal { dress, shown, width: 5, height: 3 }
    }

    fn change(terminal: &Terminal, lines: &[Line]) -> String {
        let text = String::from_utf8(terminal.change(lines).unwrap()).unwrap();
        text.replace("\x1b[?2026h", "<").replace("\x1b[?2026l", ">").replace('\x1b', "^")
    }

    #[test]
    fn only_lines_that_changed_are_written_and_a_full_one_is_not_cleared_behind() {
        let lines = ["same", "fresh", "new"].map(|text| Line::of(Style::Plain, text));
        let before = terminal(Dress::Mono, &["same", "stale", "old"]);
        assert_eq!(change(&before, &lines), "<^[2;1Hfresh^[3;1Hnew^[K>");
    }

    #[test]
    fn a_shorter_frame_clears_what_lies_below_and_a_new_size_draws_everything() {
        let lines = ["same"].map(|text| Line::of(Style::Plain, text));
        let mut screen = terminal(Dress::Mono, &["same", "stale"]);
        assert_eq!(change(&screen, &lines), "<^[2;1H^[J>");
        screen.resized(8, 2);
        assert_eq!((screen.size(), change(&screen, &lines)), ((8, 2), "<^[2J^[1;1Hsame^[K>".to_owned()));
    }

    #[test]
    fn without_colours_nothing_is_coloured_and_with_them_attributes_stay() {
        let line = [Line::of(Style::Alarm, "down")];
        let mono = change(&terminal(Dress::Mono, &["x"]), &line);
        assert_eq!(mono, "<^[1;1H^[1m^[7mdown^[0m^[K>");
        let colour = change(&terminal(Dress::Colour, &["x"]), &line);
        assert_eq!(colour, "<^[1;1H^[1m^[7m^[38;5;168mdown^[39m^[0m^[K>");
    }

    #[test]
    fn keys_of_the_terminal_become_ours() {
        let press = |code, modifiers| key(&Event::Key(KeyEvent::new(code, modifiers)));
        assert_eq!(press(KeyCode::Char('c'), KeyModifiers::CONTROL), Some(Key::Stop));
        assert_eq!(press(KeyCode::Char('c'), KeyModifiers::NONE), Some(Key::Char('c')));
        assert_eq!(press(KeyCode::Char('V'), KeyModifiers::SHIFT), Some(Key::Char('V')));
        assert_eq!(press(KeyCode::Char('u'), KeyModifiers::CONTROL), Some(Key::Clear));
        assert_eq!(press(KeyCode::Char('u'), KeyModifiers::ALT), None);
        assert_eq!(press(KeyCode::Left, KeyModifiers::NONE), None);
        assert_eq!(key(&Event::Resize(60, 20)), Some(Key::Resized { width: 60, height: 20 }));
        let mut released = KeyEvent::new(KeyCode::Enter, KeyModifiers::NONE);
        released.kind = KeyEventKind::Release;
        assert_eq!(key(&Event::Key(released)), None);
    }
}
