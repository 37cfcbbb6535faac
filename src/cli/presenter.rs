//! How a run is shown while it is on: drawn on the terminal, as sentences, or as events for programs.

use super::output;
use super::screen::{Answer, Dress, Key, Keys, Now, Terminal, View, frame, read_keys};
use crate::run::{Run, Word, say};
use crate::session::engine::{Command, Told};
use std::cell::RefCell;
use std::io::{BufRead, BufWriter, IsTerminal, Stdout, Write};
use std::rc::Rc;
use std::time::Duration;
use tokio::sync::mpsc;

/// How often the clock on the screen is drawn.
const MOMENT: Duration = Duration::from_secs(1);

/// Bytes of events that may wait for the end of a batch: a batch can hold tens of thousands.
const MOST_WAITING: usize = 64 * 1024;

/// How the run is shown.
pub enum Presenter {
    /// One event a line; the lines wait for the end of their batch.
    Json(BufWriter<Stdout>),
    /// Sentences.
    Plain,
    /// Drawn on the terminal; shared with the keyboard.
    Drawn(Rc<RefCell<Drawn>>),
}

/// The terminal and what it shows beside the run.
pub struct Drawn {
    terminal: Terminal,
    view: View,
    keys: Keys,
    now: Now,
}

impl Presenter {
    /// The way that was asked for, or that fits where standard output goes.
    pub fn new(json: bool, plain: bool) -> std::io::Result<Presenter> {
        if json {
            return Ok(Presenter::Json(BufWriter::with_capacity(MOST_WAITING, std::io::stdout())));
        }
        if plain || !std::io::stdout().is_terminal() {
            return Ok(Presenter::Plain);
        }
        let dress = if output::colour(&std::io::stdout()) { Dress::Colour } else { Dress::Mono };
        let terminal = Terminal::enter(dress)?;
        let (width, height) = terminal.size();
        let drawn =
            Drawn { terminal, view: View::new(width, height), keys: Keys::new(), now: Now::default() };
        Ok(Presenter::Drawn(Rc::new(RefCell::new(drawn))))
    }

    /// How often the engine should tell a moment.
    pub fn moments(&self) -> Option<Duration> {
        matches!(self, Presenter::Drawn(_)).then_some(MOMENT)
    }

    /// Has the screen show what to mind of this meter, since it hides what was printed before it.
    pub fn advise(&self, run: &Run, now_us: u64) {
        if let Presenter::Drawn(drawn) = self {
            drawn.borrow_mut().view.advise(run, now_us);
        }
    }

    /// Listens to the keyboard, or to words on standard input, one a line; when these end, the meter's
    /// button carries the run alone. Where the meter is asked, as `asked` says, an empty line asks.
    pub fn listener(
        &self,
        commands: mpsc::UnboundedSender<Command>,
        asked: bool,
    ) -> impl Future<Output = std::io::Result<()>> + use<> {
        let drawn = match self {
            Presenter::Drawn(drawn) if std::io::stdin().is_terminal() => Some(Rc::clone(drawn)),
            _ => None,
        };
        async move {
            let Some(drawn) = drawn else { return listen_to_lines(commands, asked) };
            let mut keys = read_keys()?;
            while let Some(key) = keys.recv().await {
                if press(&drawn, key, &commands).is_err() {
                    break;
                }
            }
            Ok(())
        }
    }

    /// Shows what is told; `now_us` is the time since the start of the run.
    pub fn tell(&mut self, told: &Told<'_>, run: &Run, now_us: u64) {
        match (self, told) {
            (Presenter::Json(out), Told::Notice(notice)) => {
                for event in say::events(notice, run.ledger()) {
                    output::check_pipe(
                        serde_json::to_writer(&mut *out, &event).map_err(std::io::Error::from),
                    );
                    output::check_pipe(out.write_all(b"\n"));
                }
            }
            (Presenter::Json(out), Told::Settled) => output::check_pipe(out.flush()),
            (Presenter::Plain, Told::Notice(notice)) => {
                output::line(format_args!("  {}", say::sentence(notice, run.ledger())));
            }
            (Presenter::Drawn(drawn), Told::Notice(notice)) => {
                let Drawn { terminal, view, .. } = &mut *drawn.borrow_mut();
                if view.hear(notice, run, now_us) {
                    let _ = terminal.ring();
                }
            }
            (Presenter::Drawn(drawn), Told::Settled | Told::Moment) => drawn.borrow_mut().draw(run, now_us),
            (Presenter::Plain, Told::Settled | Told::Moment)
            | (Presenter::Json(_), Told::Moment)
            | (_, Told::Applied(_)) => {}
        }
    }
}

impl Drawn {
    fn draw(&mut self, run: &Run, now_us: u64) {
        self.now = Now::of(run);
        self.view.prompt = self.keys.prompt();
        // A terminal that is gone is no reason to end the run: the recording goes on.
        let _ = self.terminal.draw(frame(run, now_us, &self.view));
    }
}

/// A key was pressed. An error if nobody listens any more.
fn press(
    drawn: &RefCell<Drawn>,
    key: Key,
    commands: &mpsc::UnboundedSender<Command>,
) -> Result<(), mpsc::error::SendError<Command>> {
    let Drawn { terminal, view, keys, now } = &mut *drawn.borrow_mut();
    if let Key::Resized { width, height } = key {
        terminal.resized(width, height);
        (view.width, view.height) = terminal.size();
    }
    match keys.press(key, now) {
        Answer::Nothing => Ok(()),
        Answer::Redraw => commands.send(Command::Draw),
        Answer::Say(word) => commands.send(Command::Say(word)).and_then(|()| commands.send(Command::Draw)),
        Answer::Stop => commands.send(Command::Stop),
    }
}

/// Words from standard input, one a line, on a thread of their own.
fn listen_to_lines(commands: mpsc::UnboundedSender<Command>, asked: bool) -> std::io::Result<()> {
    std::thread::Builder::new().name("words".to_owned()).spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            let is_empty = line.trim().is_empty();
            if is_empty && !asked {
                continue;
            }
            match if is_empty { Ok(Word::Read) } else { Word::parse(&line) } {
                Ok(word) => {
                    if commands.send(Command::Say(word)).is_err() {
                        return;
                    }
                }
                Err(why) => output::remark(why),
            }
        }
    })?;
    Ok(())
}
