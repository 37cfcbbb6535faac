//! What the keys mean: one key for the words that stand alone, a question for those that need more.

use crate::run::{Run, Spot, Status, Want, Word};

/// Characters that an answer may have.
const LONGEST: usize = 200;

/// Something that came from the keyboard, or from the terminal itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Key {
    /// A letter, digit or sign.
    Char(char),
    /// Return.
    Enter,
    /// Escape.
    Esc,
    /// Rub out the last character.
    Backspace,
    /// Rub out everything (Ctrl-U).
    Clear,
    /// Ctrl-C.
    Stop,
    /// The terminal has another size now.
    Resized {
        /// Columns.
        width: u16,
        /// Lines.
        height: u16,
    },
}

/// What a key leads to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Nothing.
    Nothing,
    /// The frame is to be drawn anew: the question has changed, or the size.
    Redraw,
    /// Tell the run; then draw, for the question is gone.
    Say(Word),
    /// Stop the session; the run stays open.
    Stop,
}

/// A question to the operator, as the frame shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Prompt {
    /// The question.
    pub ask: String,
    /// What has been typed.
    pub typed: String,
    /// What is wrong with it; empty if nothing.
    pub remark: &'static str,
    /// The keys that end it.
    pub keys: &'static str,
}

/// What the run looks like to somebody who presses a key: names that questions are filled in with.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Now {
    /// The run is paused.
    pub paused: bool,
    /// The run is over.
    pub over: bool,
    /// The meter is asked for each reading.
    pub asked: bool,
    /// Label of the zone that was read last.
    pub last_zone: Option<String>,
    /// Number of the last placement on a zone that counts, and what it was.
    pub last_placement: Option<(u32, String)>,
    /// Label of the zone that is next.
    pub next_zone: Option<String>,
}

impl Now {
    /// A look at the run.
    #[must_use]
    pub fn of(run: &Run) -> Now {
        let ledger = run.ledger();
        let on_zone = |status: fn(Status) -> bool| {
            ledger.readings.iter().rev().find_map(|r| match r.spot {
                Spot::Zone { zone, .. } if status(r.status) => {
                    Some((r, ledger.setup.zone_label(usize::from(zone))))
                }
                _ => None,
            })
        };
        let next = match run.want() {
            Want::Zone { zone, .. } => Some(ledger.setup.zone_label(zone)),
            _ => None,
        };
        let counts = |s| matches!(s, Status::Pending | Status::Proven | Status::Drifted);
        Now {
            paused: run.want() == Want::Resume,
            over: run.is_over(),
            asked: run.is_asked(),
            last_zone: on_zone(|s| s != Status::Undone).map(|(_, label)| label),
            last_placement: on_zone(counts).map(|(r, label)| (r.placement, format!("{label} {}", r.gloss))),
            next_zone: next,
        }
    }
}

/// What is being asked. Zone and placement are those of the moment the key was pressed: the meter may
/// send another reading while somebody types.
#[derive(Clone, Debug)]
enum Question {
    Again,
    Void { placement: Option<(u32, String)> },
    Skip { zone: Option<String> },
    Note,
    Abandon,
}

/// The keyboard's state: nothing asked, or a question half answered.
#[derive(Clone, Debug, Default)]
pub struct Keys {
    asking: Option<(Question, Prompt)>,
}

impl Keys {
    /// Nothing asked.
    #[must_use]
    pub fn new() -> Keys {
        Keys::default()
    }

    /// The question to show.
    #[must_use]
    pub fn prompt(&self) -> Option<Prompt> {
        self.asking.as_ref().map(|(_, prompt)| prompt.clone())
    }

    /// Takes a key.
    pub fn press(&mut self, key: Key, now: &Now) -> Answer {
        match key {
            Key::Stop => return Answer::Stop,
            Key::Resized { .. } => return Answer::Redraw,
            _ => {}
        }
        match self.asking.take() {
            Some((question, prompt)) => self.answer(key, question, prompt),
            None => match key {
                Key::Enter | Key::Char(' ') if now.asked && !now.over => Answer::Say(Word::Read),
                Key::Char(c) if !now.over => self.command(c, now),
                _ => Answer::Nothing,
            },
        }
    }

    fn command(&mut self, letter: char, now: &Now) -> Answer {
        let question = match letter.to_ascii_lowercase() {
            'u' => return Answer::Say(Word::Undo),
            'c' => return Answer::Say(Word::Check),
            'm' => return Answer::Say(Word::Adjust),
            'd' => return Answer::Say(Word::Adjusted),
            'p' if now.paused => return Answer::Say(Word::Resume),
            'p' => return Answer::Say(Word::Pause),
            'a' => Question::Again,
            'v' => Question::Void { placement: now.last_placement.clone() },
            's' => Question::Skip { zone: now.next_zone.clone() },
            'n' => Question::Note,
            'q' => Question::Abandon,
            _ => return Answer::Nothing,
        };
        let prompt = ask(&question, now);
        self.asking = Some((question, prompt));
        Answer::Redraw
    }

    fn answer(&mut self, key: Key, question: Question, mut prompt: Prompt) -> Answer {
        prompt.remark = "";
        if let Question::Abandon = question {
            let yes = matches!(key, Key::Char('y' | 'Y'));
            return if yes { Answer::Say(Word::Abandon { reason: String::new() }) } else { Answer::Redraw };
        }
        match key {
            Key::Esc => return Answer::Redraw,
            Key::Enter => match word(&question, prompt.typed.trim()) {
                Ok(word) => return Answer::Say(word),
                Err(remark) => prompt.remark = remark,
            },
            Key::Backspace => drop(prompt.typed.pop()),
            Key::Clear => prompt.typed.clear(),
            Key::Char(c) if !c.is_control() && prompt.typed.chars().count() < LONGEST => prompt.typed.push(c),
            _ => {}
        }
        self.asking = Some((question, prompt));
        Answer::Redraw
    }
}

fn ask(question: &Question, now: &Now) -> Prompt {
    let (ask, typed) = match question {
        Question::Again => ("read again, whole, zone:".to_owned(), now.last_zone.clone().unwrap_or_default()),
        Question::Void { placement: Some((_, what)) } => {
            (format!("void last placement ({what}), reason:"), String::new())
        }
        Question::Void { placement: None } => ("void last placement, reason:".to_owned(), String::new()),
        Question::Skip { zone } => {
            let zone = zone.as_ref().map_or_else(String::new, |zone| format!("{zone}: "));
            ("leave out, ZONE: reason:".to_owned(), zone)
        }
        Question::Note => ("note:".to_owned(), String::new()),
        Question::Abandon => {
            ("Give this run up for good? What is not proven stays so.".to_owned(), String::new())
        }
    };
    let keys = match question {
        Question::Abandon => "y gives it up, any other key goes on; Ctrl-C only stops",
        _ => "Enter sends, Esc cancels; readings go on meanwhile",
    };
    Prompt { ask, typed, remark: "", keys }
}

/// The word that an answer makes, or what is missing.
fn word(question: &Question, typed: &str) -> Result<Word, &'static str> {
    const REASON: &str = "a reason is needed; it will stand in the tables";
    match question {
        Question::Again => Ok(Word::Again { zone: (!typed.is_empty()).then(|| typed.to_owned()) }),
        Question::Void { .. } if typed.is_empty() => Err(REASON),
        Question::Void { placement } => {
            let number = placement.as_ref().map(|(number, _)| *number);
            Ok(Word::Void { placement: number, reason: typed.to_owned() })
        }
        Question::Skip { zone } => {
            let (zone, reason) = match typed.split_once(':') {
                Some((zone, reason)) => (Some(zone.trim().to_owned()), reason.trim()),
                None => (zone.clone(), typed),
            };
            if reason.is_empty() {
                return Err(REASON);
            }
            Ok(Word::Skip { zone: zone.filter(|z| !z.is_empty()), reason: reason.to_owned() })
        }
        Question::Note if typed.is_empty() => Err("nothing to note yet"),
        Question::Note => Ok(Word::Note { text: typed.to_owned() }),
        Question::Abandon => Ok(Word::Abandon { reason: typed.to_owned() }),
    }
}
