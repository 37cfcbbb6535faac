//! What many records together say of a line that misbehaves: a small machine beside the run, fed by what the
//! run sees anyway. A hint is told once a sitting and recorded nowhere; a replay finds the same ones.

use super::hint::{Hint, parity};
use super::ledger::{CheckKind, Ledger, Spot};
use super::notice::{Effect, Notice};
use crate::meter::{FlowControl, LineReader, Profile, Refusal, Seen, Way};
use crate::units::{Gloss, PerGeometry};

/// How long a line that is up may be silent before that is told, microseconds.
const SILENT_US: u64 = 30_000_000;

/// How long a stream may be silent that has sent readings, microseconds.
const STOPPED_US: u64 = 10_000_000;

/// A refused line that comes this soon after the line came up is a greeting or the rest of a line, microseconds.
const GREETING_US: u64 = 2_000_000;

/// No hand lifts a meter and puts it down again in this time, microseconds.
const TWICE_US: u64 = 50_000;

/// Refused lines of unprintable bytes that show that the rate is wrong: one may be a disturbance.
const GARBAGE_LINES: u32 = 3;

/// Refused lines of one form that show another mode.
const MODE_LINES: u32 = 3;

/// Spots with the same value that show a stuck one.
const STUCK_SPOTS: usize = 5;

/// Losses in a sitting that are no accident.
const LOSSES: u32 = 3;

/// What the profile says of the line.
#[derive(Clone, Copy)]
struct Known {
    is_asked: bool,
    is_numbered: bool,
    has_software_flow: bool,
    /// Lines tell the meter's serial number, and the profile does not say which it has to be.
    any_meter: bool,
    /// It sends without a pause.
    is_stream: bool,
    /// It switches itself off after so long, microseconds.
    off_after_us: Option<u64>,
}

/// What was seen so far, in this sitting.
pub(super) struct Hints {
    known: Known,
    told: Vec<&'static str>,
    due: Vec<Hint>,
    now_us: u64,
    up_us: Option<u64>,
    /// Until when the first line is waited for; absent once one came, or this was told.
    silent_until_us: Option<u64>,
    /// Until when the next line is waited for, of a meter that has sent good ones and should not fall silent.
    lull_until_us: Option<u64>,
    /// Whether any byte came since the line is up.
    has_bytes: bool,
    good: Option<Vec<u8>>,
    garbage: u32,
    form: Option<(String, u32)>,
    last: Option<Placement>,
    stuck: Vec<Place>,
    losses: u32,
    /// The serial number of the last good line; of the run, since it should stay one meter's.
    serial: Option<String>,
}

/// The last placement that was taken.
struct Placement {
    at_us: u64,
    line: Vec<u8>,
    gloss: PerGeometry<Gloss>,
}

/// What can be told apart by its gloss: every check of the tile stands on the same tile.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Place {
    Tile,
    Zero,
    Middle,
    Zone(u16),
}

impl Hints {
    /// `has_number` if the study says which meter it is.
    pub(super) fn of(profile: &Profile, has_number: bool) -> Hints {
        Hints::new(Known {
            is_asked: matches!(profile.way(), Way::Ask(_)),
            is_numbered: profile.sequence().is_some(),
            has_software_flow: profile.serial().flow == FlowControl::Software,
            is_stream: matches!(profile.way(), Way::Stream(rule) if rule.pause_us.is_none()),
            off_after_us: profile.habits().switches_off_after_min.map(|min| u64::from(min) * 60_000_000),
            any_meter: !has_number && profile.serial_number().is_none() && profile.reader().names_serial(),
        })
    }

    fn new(known: Known) -> Hints {
        Hints {
            known,
            told: Vec::new(),
            due: Vec::new(),
            now_us: 0,
            up_us: None,
            silent_until_us: None,
            lull_until_us: None,
            has_bytes: false,
            good: None,
            garbage: 0,
            form: None,
            last: None,
            stuck: Vec::new(),
            losses: 0,
            serial: None,
        }
    }

    /// The time of the record that is being applied.
    pub(super) const fn at(&mut self, now_us: u64) {
        self.now_us = now_us;
    }

    /// Nothing is known of the time in between, and whoever sits here now was told nothing.
    pub(super) fn begin_sitting(&mut self) {
        *self = Hints { now_us: self.now_us, serial: self.serial.take(), ..Hints::new(self.known) };
    }

    /// The line came up or went down. A meter that is asked has times of its own for its answers.
    pub(super) fn link(&mut self, up: bool) {
        self.up_us = up.then_some(self.now_us);
        let is_news = !self.told.contains(&"silence");
        self.silent_until_us =
            (up && !self.known.is_asked && is_news).then(|| self.now_us.saturating_add(SILENT_US));
        (self.has_bytes, self.lull_until_us) = (false, None);
        (self.garbage, self.form) = (0, None);
    }

    /// Bytes came, whatever they are.
    pub(super) const fn bytes(&mut self) {
        self.has_bytes = true;
    }

    /// A line came whole, or too long for one.
    pub(super) fn line(&mut self) {
        self.silent_until_us = None;
        if self.lull_until_us.is_some() {
            self.lull_from_here();
        }
    }

    /// Silence counts from here, where it says something and was not told.
    fn lull_from_here(&mut self) {
        let limit_us = match self.known {
            Known { is_stream: true, .. } if !self.told.contains(&"stopped") => Some(STOPPED_US),
            // A meter that is asked says by its silence that it is off.
            Known { is_asked: false, is_stream: false, off_after_us, .. }
                if !self.told.contains(&"switched-off") =>
            {
                off_after_us
            }
            _ => None,
        };
        self.lull_until_us = limit_us.map(|limit_us| self.now_us.saturating_add(limit_us));
    }

    /// When to look whether anything came, microseconds since the start of the run.
    pub(super) fn deadline_us(&self) -> Option<u64> {
        self.silent_until_us.into_iter().chain(self.lull_until_us).min()
    }

    /// A deadline may have passed. `partial` is what came of the line under way.
    pub(super) fn pass_time(&mut self, is_wanted: bool, partial: &[u8]) {
        if self.lull_until_us.is_some_and(|until| self.now_us >= until) {
            self.lull_until_us = None;
            if is_wanted {
                self.lull();
            }
        }
        if self.silent_until_us.is_none_or(|until| self.now_us < until) {
            return;
        }
        self.silent_until_us = None;
        let is_blank = partial.iter().all(u8::is_ascii_whitespace);
        match is_wanted {
            true if !self.has_bytes => self.find(Hint::Silence { seconds: SILENT_US / 1_000_000 }),
            true if !is_blank => self.unended(partial),
            _ => {}
        }
    }

    /// A meter that has sent good lines has fallen silent.
    fn lull(&mut self) {
        match (self.known, &self.good) {
            (Known { is_stream: true, .. }, Some(last)) => {
                let (seconds, last) = (STOPPED_US / 1_000_000, Seen::new(last));
                self.find(Hint::Stopped { seconds, last });
            }
            (Known { off_after_us: Some(us), .. }, _) => {
                self.find(Hint::SwitchedOff { minutes: us / 60_000_000 });
            }
            _ => {}
        }
    }

    /// A request goes out: what comes now is an answer, and no greeting.
    pub(super) const fn asked(&mut self) {
        self.up_us = None;
    }

    /// A line that is a reading by the profile, taken or not.
    pub(super) fn good(&mut self, line: &[u8], reader: &LineReader) {
        if self.known.any_meter {
            self.meter(line, reader);
        }
        let good = self.good.get_or_insert_default();
        good.clear();
        good.extend_from_slice(line);
        (self.garbage, self.form, self.up_us) = (0, None, None);
        self.lull_from_here();
    }

    /// Whose line it is.
    fn meter(&mut self, line: &[u8], reader: &LineReader) {
        let Some(now) = reader.serial_in(line) else { return };
        if let Some(before) = self.serial.replace(now.clone()).filter(|before| *before != now) {
            let (now, before) = (Seen::new(now.as_bytes()), Seen::new(before.as_bytes()));
            self.find(Hint::TwoMeters { line: Seen::new(line), now, before });
        }
    }

    /// Bytes or lines were lost before this line, or in it. Where no line was ever good, it is the profile
    /// that does not fit.
    pub(super) fn lost(&mut self, line: &[u8]) {
        if self.good.is_none() {
            return;
        }
        self.losses += 1;
        if self.losses >= LOSSES {
            self.find(Hint::Losses { line: Seen::new(line), times: self.losses });
        }
    }

    /// A line was refused.
    pub(super) fn refused(&mut self, line: &[u8], why: &Refusal) {
        if let Refusal::TooLong { .. } = why {
            return self.unended(line);
        }
        if is_garbage(line) {
            self.garbage += 1;
            if self.garbage == GARBAGE_LINES {
                self.find(Hint::garbage(line));
            }
            return;
        }
        if let Refusal::WrongChecksum { .. } = why {
            self.lost(line);
        }
        if !self.known.has_software_flow && line.iter().any(|byte| matches!(byte, 0x11 | 0x13)) {
            return self.find(Hint::FlowSigns { line: Seen::new(line) });
        }
        // An error word of the profile has been told with its meaning.
        if speaks_of_battery(line) && !matches!(why, Refusal::ErrorWord { .. }) {
            return self.find(Hint::Battery { line: Seen::new(line) });
        }
        if !speaks_of_form(why) {
            self.form = None;
            return;
        }
        if let Some(up_us) = self.up_us.take()
            && self.now_us.saturating_sub(up_us) <= GREETING_US
        {
            let after_ms = self.now_us.saturating_sub(up_us) / 1_000;
            self.find(Hint::Greeting { line: Seen::new(line), after_ms });
        }
        self.other_mode(line);
    }

    /// A placement was taken, its first reading being of this index.
    pub(super) fn taken(&mut self, line: &[u8], gloss: &PerGeometry<Gloss>, first: usize, ledger: &Ledger) {
        let Some(place) = ledger.readings.get(first).map(|reading| place(reading.spot, ledger)) else {
            return;
        };
        let last = self.last.take();
        if let Some(last) = &last
            && !self.known.is_numbered
            && !self.known.is_asked
            && last.line == line
            && self.now_us.saturating_sub(last.at_us) <= TWICE_US
        {
            let after_ms = self.now_us.saturating_sub(last.at_us) / 1_000;
            self.find(Hint::Twice { line: Seen::new(line), after_ms });
        }
        if last.is_none_or(|last| last.gloss != *gloss) {
            self.stuck.clear();
        }
        let is_zone = |place: &Place| matches!(place, Place::Zone(_));
        let has_room = self.stuck.len() < STUCK_SPOTS || !is_zone(&place);
        if has_room && !self.stuck.contains(&place) {
            self.stuck.push(place);
        }
        // Zones alone may well be alike; a tile and a panel are not.
        let is_mixed = !self.stuck.iter().all(is_zone);
        if self.stuck.len() >= STUCK_SPOTS && is_mixed {
            self.find(Hint::Stuck { line: Seen::new(line), spots: self.stuck.len() });
        }
        self.last = Some(Placement { at_us: self.now_us, line: line.to_vec(), gloss: *gloss });
    }

    /// Tells what was found since this was called last.
    pub(super) fn tell(&mut self, out: &mut Vec<Effect>) {
        out.extend(self.due.drain(..).map(|hint| Effect::Tell(Notice::Hint(hint))));
    }

    fn find(&mut self, hint: Hint) {
        if !self.told.contains(&hint.code()) {
            self.told.push(hint.code());
            self.due.push(hint);
        }
    }

    /// A text whose end does not come.
    fn unended(&mut self, bytes: &[u8]) {
        self.find(if is_garbage(bytes) { Hint::garbage(bytes) } else { Hint::no_line_end(bytes) });
    }

    fn other_mode(&mut self, line: &[u8]) {
        let Some(good) = &self.good else { return };
        let form = form(line);
        let count = match &self.form {
            Some((last, count)) if *last == form => count + 1,
            _ => 1,
        };
        if count == MODE_LINES {
            let (line, good) = (Seen::new(line), Seen::new(good));
            self.find(Hint::OtherMode { line, good });
        }
        self.form = Some((form, count));
    }
}

/// Whether a line has a word such as `BATT`, `LOBAT` or `battery`.
fn speaks_of_battery(line: &[u8]) -> bool {
    line.windows(3).any(|part| part.eq_ignore_ascii_case(b"bat"))
}

/// Whether a refusal is about the form of the line. The others say themselves what is the matter.
const fn speaks_of_form(why: &Refusal) -> bool {
    matches!(
        why,
        Refusal::FieldCount { .. }
            | Refusal::PatternMismatch { .. }
            | Refusal::NotFramed { .. }
            | Refusal::NoChecksum { .. }
            | Refusal::ShortLine { .. }
            | Refusal::OutsideColumns { .. }
            | Refusal::BadEncoding { .. }
            | Refusal::NotANumber { .. }
            | Refusal::WrongDecimals { .. }
            | Refusal::UnknownUnit { .. }
            | Refusal::UnknownGeometry { .. }
            | Refusal::NotASequence { .. }
            | Refusal::NoValue { .. }
    )
}

/// Whether it is no text: with a wrong rate most bytes are none; with a wrong parity as few as one, but then all
/// the highest bits fit.
fn is_garbage(line: &[u8]) -> bool {
    let is_text = |b: &u8| matches!(b, b' '..=b'~' | b'\t' | b'\r' | b'\n');
    let (strange, all) = match std::str::from_utf8(line) {
        Ok(text) => {
            (text.chars().filter(|c| c.is_control() && !c.is_whitespace()).count(), text.chars().count())
        }
        Err(_) if parity(line).is_some() => return true,
        Err(_) => (line.iter().filter(|b| !is_text(b)).count(), line.len()),
    };
    strange > 0 && strange * 3 >= all
}

/// The form of a line: `9` for a number of digits, `a` for a number of letters, the rest as it is.
fn form(line: &[u8]) -> String {
    let mut form = String::new();
    for &byte in line {
        let sign = match byte {
            b'0'..=b'9' => '9',
            byte if byte.is_ascii_alphabetic() => 'a',
            byte => char::from(byte),
        };
        if !(matches!(sign, '9' | 'a') && form.ends_with(sign)) {
            form.push(sign);
        }
    }
    form
}

fn place(spot: Spot, ledger: &Ledger) -> Place {
    match spot {
        Spot::Zone { zone, .. } => Place::Zone(zone),
        Spot::Tile { check } => match ledger.checks.get(check as usize).map(|check| check.kind) {
            Some(CheckKind::Zero) => Place::Zero,
            Some(CheckKind::Middle) => Place::Middle,
            _ => Place::Tile,
        },
    }
}
