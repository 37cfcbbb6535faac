//! Six meters that nobody has seen. None of this is the program's code or that of its simulated meter: what a
//! line looks like, its checksum and its language are made here, out of notes that stand above each.

use super::bench::Device;
use super::bench::Sent;
use std::collections::VecDeque;
use std::time::Duration;

/// Hundredths of a gloss unit on a spot at an angle, and again at each placement a little other.
fn hundredths(spot: &str, angle: u32, placements: u32) -> u32 {
    let at_60 = match spot {
        "tile" => 9_240,
        "C1" => 7_120,
        "C2" => 7_063,
        "A1" => 7_891,
        "A2" => 7_814,
        other => panic!("no spot {other}"),
    };
    let base = match angle {
        20 => at_60 - 430,
        60 => at_60,
        _ => at_60 + 460,
    };
    base + 3 * (placements % 3)
}

/// As a person writes it, for the table.
pub fn written(hundredths: u32) -> String {
    format!("{}.{:02}", hundredths / 100, hundredths % 100)
}

/// Where a meter stands.
#[derive(Default)]
pub struct Place {
    pub spot: Option<String>,
    pub placements: u32,
}

impl Place {
    fn put(&mut self, spot: &str) {
        self.spot = Some(spot.to_owned());
        self.placements += 1;
    }

    fn gloss(&self, angle: u32) -> u32 {
        hundredths(self.spot.as_deref().expect("it was put down"), angle, self.placements)
    }

    fn sent(&self, angles: &[u32]) -> Sent {
        let spot = self.spot.clone().expect("it was put down");
        Sent { spot, values: angles.iter().map(|&angle| (angle, written(self.gloss(angle)))).collect() }
    }
}

/// "Each key press sends SOH, `M7`, angle, value, unit and `v`, parted by two colons, then `~`, a CRC in small hex
/// letters over all between, and EOT. `m` in place of `v` is a mean of three, `r` a recalled value. Every ten
/// presses the battery's charge is sent likewise: `BAT::71`." The CRC is the one that the public catalogue
/// lists as CRC-16/T10-DIF.
pub struct Pusher {
    place: Place,
    presses: u32,
    faults: bool,
}

/// Width 16, polynomial 0x8bb7, initial 0, nothing reflected, bit by bit; of `123456789` it is 0xd0db (the
/// catalogue of parametrised CRC algorithms, entry CRC-16/T10-DIF; from memory, and the check value holds it).
pub fn crc_t10_dif(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0, |register, &byte| {
        (0..8).fold(register ^ u16::from(byte) << 8, |register: u16, _| {
            if register & 0x8000 == 0 { register << 1 } else { register << 1 ^ 0x8bb7 }
        })
    })
}

impl Pusher {
    pub fn new(faults: bool) -> Pusher {
        Pusher { place: Place::default(), presses: 0, faults }
    }

    fn frame(body: &str) -> Vec<u8> {
        format!("\u{1}{body}~{:04x}\u{4}", crc_t10_dif(body.as_bytes())).into_bytes()
    }

    fn line(&self, kind: char) -> Vec<u8> {
        let gloss = self.place.gloss(60);
        Pusher::frame(&format!("M7::60::{:03},{:02}::gu::{kind}", gloss / 100, gloss % 100))
    }
}

impl Device for Pusher {
    fn put(&mut self, spot: &str) {
        self.place.put(spot);
    }

    fn press(&mut self, sent: &mut Vec<Sent>) -> Vec<u8> {
        self.presses += 1;
        let good = self.line('v');
        let battery = || Pusher::frame("BAT::71");
        match (self.faults, self.presses) {
            // A byte is changed on the way, and the value with it.
            (true, 2) => good.iter().enumerate().map(|(at, &b)| if at == 10 { b ^ 1 } else { b }).collect(),
            (true, 4) => self.line('m'),
            (true, 6) => {
                sent.push(self.place.sent(&[60]));
                [self.line('r'), good].concat()
            }
            (true, 7) => {
                sent.push(self.place.sent(&[60]));
                [battery(), good].concat()
            }
            _ => {
                sent.push(self.place.sent(&[60]));
                good
            }
        }
    }
}

/// "Asked by `g 60` and CR. Every character comes back as it is typed. The answer is `60deg:+084.71:Gu` on a line
/// of its own, then a prompt, `> `. Lines end in LF and CR. Without light the value is `--.--`."
pub struct Echoer {
    place: Place,
    typed: Vec<u8>,
    asked: u32,
    faults: bool,
}

impl Echoer {
    pub fn new(faults: bool) -> Echoer {
        Echoer { place: Place::default(), typed: Vec::new(), asked: 0, faults }
    }
}

impl Device for Echoer {
    fn put(&mut self, spot: &str) {
        self.place.put(spot);
    }

    fn heard(&mut self, bytes: &[u8], sent: &mut Vec<Sent>) -> Vec<u8> {
        let mut says = Vec::new();
        for &byte in bytes {
            if byte != b'\r' {
                self.typed.push(byte);
                says.push(byte);
                continue;
            }
            let typed = std::mem::take(&mut self.typed);
            if typed != b"g 60" {
                says.extend(b"\n\r?\n\r> ");
                continue;
            }
            self.asked += 1;
            let gloss = self.place.gloss(60);
            match (self.faults, self.asked) {
                // It was busy, and the characters of the request are gone with it.
                (true, 2) => return Vec::new(),
                (true, 4) => says.extend(b"\n\r60deg:--.--:Gu\n\r> "),
                _ => {
                    sent.push(self.place.sent(&[60]));
                    let answer = format!("\n\r60deg:+{:03}.{:02}:Gu\n\r> ", gloss / 100, gloss % 100);
                    says.extend(answer.bytes());
                }
            }
        }
        says
    }
}

/// "Speaks the IEEE 488.2 syntax: headers in their long or short form, any case, units of a message parted by a
/// semicolon, messages ended by LF. `MEASure:GLOSs? (@60,20)` answers two numbers with an exponent (NR3), parted
/// by a comma; +9.91E+37 is no number. `SYSTem:ERRor[:NEXT]?` takes an entry out of the error queue. `*CLS` empties
/// it. What it does not understand it enters there, and does not answer."
pub struct Scpi {
    place: Place,
    inbox: Vec<u8>,
    errors: VecDeque<&'static str>,
    measured: u32,
    faults: bool,
}

impl Scpi {
    pub fn new(faults: bool) -> Scpi {
        Scpi { place: Place::default(), inbox: Vec::new(), errors: VecDeque::new(), measured: 0, faults }
    }

    /// Whether a mnemonic is one of these, long or short: its short form is its capitals.
    fn is(word: &str, mnemonic: &str) -> bool {
        let short: String = mnemonic.chars().filter(char::is_ascii_uppercase).collect();
        word.eq_ignore_ascii_case(mnemonic) || word.eq_ignore_ascii_case(&short)
    }

    fn unit(&mut self, unit: &str, sent: &mut Vec<Sent>) -> Option<String> {
        let (header, rest) = unit.trim().split_once(' ').unwrap_or((unit.trim(), ""));
        let words: Vec<&str> = header.trim_start_matches(':').trim_end_matches('?').split(':').collect();
        let is_query = header.ends_with('?');
        match words.as_slice() {
            [all] if all.eq_ignore_ascii_case("*CLS") && !is_query => {
                self.errors.clear();
                None
            }
            [first, second] if Scpi::is(first, "MEASure") && Scpi::is(second, "GLOSs") && is_query => {
                self.measure(rest.trim(), sent)
            }
            [first, second, rest @ ..]
                if Scpi::is(first, "SYSTem") && Scpi::is(second, "ERRor") && is_query =>
            {
                assert!(rest.is_empty() || Scpi::is(rest[0], "NEXT"));
                Some(self.errors.pop_front().unwrap_or("0,\"No error\"").to_owned())
            }
            _ => {
                self.errors.push_back("-113,\"Undefined header\"");
                None
            }
        }
    }

    fn measure(&mut self, channels: &str, sent: &mut Vec<Sent>) -> Option<String> {
        if channels != "(@60,20)" {
            self.errors.push_back("-224,\"Illegal parameter value\"");
            return None;
        }
        self.measured += 1;
        match (self.faults, self.measured) {
            (true, 2) => return None,
            (true, 4) => {
                self.errors.push_back("-230,\"Data corrupt or stale\"");
                return Some("+9.91E+37,+9.91E+37".to_owned());
            }
            _ => sent.push(self.place.sent(&[20, 60])),
        }
        let exponent = |hundredths: u32| format!("+{}.{:03}E+01", hundredths / 1000, hundredths % 1000);
        Some(format!("{},{}", exponent(self.place.gloss(60)), exponent(self.place.gloss(20))))
    }
}

impl Device for Scpi {
    fn put(&mut self, spot: &str) {
        self.place.put(spot);
    }

    fn heard(&mut self, bytes: &[u8], sent: &mut Vec<Sent>) -> Vec<u8> {
        let mut says = Vec::new();
        self.inbox.extend(bytes);
        while let Some(end) = self.inbox.iter().position(|&byte| byte == b'\n') {
            let message: Vec<u8> = self.inbox.drain(..=end).collect();
            let message = String::from_utf8(message).expect("requests are text");
            let answers: Vec<String> =
                message.trim_end().split(';').filter_map(|unit| self.unit(unit, sent)).collect();
            if !answers.is_empty() {
                says.extend(format!("{}\n", answers.join(";")).bytes());
            }
        }
        says
    }
}

/// "Ten times a second `v=84.71 t=23.4 s=0` and CR. `s=1`: lifted, the value is that of the air. `s=2`: too bright."
pub struct Streamer {
    place: Place,
    /// Where the hand is on its way to, and for how many samples still.
    next: Option<(String, u32)>,
    samples: u32,
    faults: bool,
}

impl Streamer {
    pub fn new(faults: bool) -> Streamer {
        Streamer { place: Place::default(), next: None, samples: 0, faults }
    }
}

impl Device for Streamer {
    fn put(&mut self, spot: &str) {
        self.next = Some((spot.to_owned(), 5));
    }

    fn lift(&mut self) {
        self.place.spot = None;
    }

    fn every(&self) -> Option<Duration> {
        Some(Duration::from_millis(100))
    }

    fn sample(&mut self, sent: &mut Vec<Sent>) -> Vec<u8> {
        self.samples += 1;
        match self.next.take() {
            Some((spot, 0)) => {
                self.place.put(&spot);
                self.samples = 1;
            }
            Some((spot, still)) => {
                self.place.spot = None;
                self.next = Some((spot, still - 1));
            }
            None => {}
        }
        let air = 24 + self.samples % 3;
        let (gloss, status) = match (&self.place.spot, self.samples) {
            (None, _) => (air, 1),
            // It comes down, rocks, and lies still.
            (Some(_), 1) => (1_900, 0),
            (Some(_), 2 | 3) if self.faults => (99_999, 2),
            (Some(_), n) => (self.place.gloss(60) + n % 2, 0),
        };
        if self.samples == 1 && self.place.spot.is_some() {
            sent.push(self.place.sent(&[60]));
        }
        format!("v={:02}.{:02} t=23.{} s={status}\r", gloss / 100, gloss % 100, self.samples % 10)
            .into_bytes()
    }
}

/// "A key sends `20°/60°/85°=91,20/84,71/99,90 Gl.E. #17`, CR and LF, in Latin-1; the number goes from 0 to 31 and begins
/// again. Switched on it prints a heading, and now and then the voltage of the accumulator."
pub struct ThreeAngles {
    place: Place,
    number: u32,
    presses: u32,
    faults: bool,
}

impl ThreeAngles {
    pub fn new(faults: bool) -> ThreeAngles {
        // Near to its end, so that it begins again within a run.
        ThreeAngles { place: Place::default(), number: 28, presses: 0, faults }
    }

    fn line(&mut self) -> Vec<u8> {
        let value = |angle: u32| {
            let gloss = self.place.gloss(angle);
            format!("{},{:02}", gloss / 100, gloss % 100)
        };
        let text =
            format!("20°/60°/85°={}/{}/{} Gl.E. #{}\r\n", value(20), value(60), value(85), self.number);
        self.number = (self.number + 1) % 32;
        latin_1(&text)
    }
}

fn latin_1(text: &str) -> Vec<u8> {
    text.chars().map(|c| u8::try_from(u32::from(c)).expect("a character of Latin-1")).collect()
}

impl Device for ThreeAngles {
    fn put(&mut self, spot: &str) {
        self.place.put(spot);
    }

    fn press(&mut self, sent: &mut Vec<Sent>) -> Vec<u8> {
        self.presses += 1;
        sent.push(self.place.sent(&[20, 60, 85]));
        let lost = if self.faults && self.presses == 5 { self.line() } else { Vec::new() };
        let good = self.line();
        match (self.faults, self.presses) {
            (true, 1) => [latin_1("Glanz 20°/60°/85°\r\n"), good].concat(),
            // The line comes twice; so it does from a meter that saw no handshake.
            (true, 3) => [good.clone(), good].concat(),
            (true, 5) => {
                assert!(!lost.is_empty());
                good
            }
            (true, 6) => [latin_1("Akku 3,9 V\r\n"), good].concat(),
            _ => good,
        }
    }
}

/// "A label printer's format: columns 1 to 8 the time, 10 `M` for a value from the memory, 12 the angle (`S`, `M` or
/// `L`), 14 to 20 the value, 22 and 23 the unit, 25 to 28 `good` or `warm` (the lamp is not ready), from 30 on
/// temperature and name. LF ends the line."
pub struct Columns {
    place: Place,
    presses: u32,
    faults: bool,
}

impl Columns {
    pub fn new(faults: bool) -> Columns {
        Columns { place: Place::default(), presses: 0, faults }
    }

    fn line(&self, memory: &str, status: &str) -> String {
        let n = self.presses;
        let value = written(self.place.gloss(60));
        format!("12:0{}:3{} {memory:1} M {value:>7} GU {status} T2{}.4C op=Jo\n", n / 10, n % 10, n % 9)
    }
}

impl Device for Columns {
    fn put(&mut self, spot: &str) {
        self.place.put(spot);
    }

    fn press(&mut self, sent: &mut Vec<Sent>) -> Vec<u8> {
        self.presses += 1;
        let good = self.line("", "good");
        match (self.faults, self.presses) {
            (true, 2) => return self.line("", "warm").into_bytes(),
            // A character is lost, and all behind it stand one column too far to the left.
            (true, 4) => return good.replacen(' ', "", 1).into_bytes(),
            _ => sent.push(self.place.sent(&[60])),
        }
        let before = match (self.faults, self.presses) {
            (true, 5) => "\u{7f}\u{1}~~\n".to_owned(),
            (true, 6) => self.line("M", "good").replace("7", "5"),
            _ => String::new(),
        };
        (before + &good).into_bytes()
    }
}
