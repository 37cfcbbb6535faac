//! A device behind a real pseudo-terminal, and the hand that puts it where a run wants it.

use crate::process::{Line, Running};
use serde_json::Value;
use std::fs::File;
use std::io::Read;
use std::path::Path;
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::Duration;

/// A good line, or an answer: what the tables should have of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sent {
    pub spot: String,
    /// Angle and value.
    pub values: Vec<(u32, String)>,
}

/// A meter. Whatever it does for which `sent` gets an entry should become one placement.
pub trait Device: Send {
    /// It is put down.
    fn put(&mut self, spot: &str);
    /// It is lifted.
    fn lift(&mut self) {}
    /// Its button is pressed: what it sends.
    fn press(&mut self, _sent: &mut Vec<Sent>) -> Vec<u8> {
        Vec::new()
    }
    /// Bytes came: what it answers.
    fn heard(&mut self, _bytes: &[u8], _sent: &mut Vec<Sent>) -> Vec<u8> {
        Vec::new()
    }
    /// How often it sends by itself.
    fn every(&self) -> Option<Duration> {
        None
    }
    /// What it sends by itself.
    fn sample(&mut self, _sent: &mut Vec<Sent>) -> Vec<u8> {
        Vec::new()
    }
}

enum Event {
    Put(String),
    Lift,
    /// Told whether a reading was sent.
    Press(mpsc::Sender<bool>),
    Heard(Vec<u8>),
    Off,
}

/// A device that is switched on.
pub struct Powered {
    line: Line,
    events: mpsc::Sender<Event>,
    thread: Option<JoinHandle<Vec<Sent>>>,
    /// Keeps the terminal from hanging up between two programs.
    _other_end: File,
}

impl Powered {
    pub fn on(mut device: Box<dyn Device>) -> Powered {
        let line = Line::open();
        let other_end = File::options().read(true).write(true).open(line.path()).unwrap();
        let (events, waiting) = mpsc::channel();
        let (mut reads, tells) = (line.meter(), events.clone());
        std::thread::spawn(move || {
            let mut bytes = [0; 256];
            while let Ok(count @ 1..) = reads.read(&mut bytes) {
                if tells.send(Event::Heard(bytes[..count].to_vec())).is_err() {
                    return;
                }
            }
        });
        let writes = line.meter();
        let thread = std::thread::spawn(move || live(&mut *device, &waiting, &writes));
        Powered { line, events, thread: Some(thread), _other_end: other_end }
    }

    pub fn path(&self) -> &Path {
        self.line.path()
    }

    pub fn put(&self, spot: &str) {
        self.events.send(Event::Put(spot.to_owned())).unwrap();
    }

    pub fn lift(&self) {
        self.events.send(Event::Lift).unwrap();
    }

    /// Presses the button; whether a reading was sent.
    pub fn press(&self) -> bool {
        let (tell, told) = mpsc::channel();
        self.events.send(Event::Press(tell)).unwrap();
        told.recv().unwrap()
    }

    /// Switches it off; everything that should stand in the tables.
    pub fn off(mut self) -> Vec<Sent> {
        self.events.send(Event::Off).unwrap();
        self.thread.take().unwrap().join().unwrap()
    }
}

fn live(device: &mut dyn Device, waiting: &mpsc::Receiver<Event>, mut writes: &File) -> Vec<Sent> {
    use std::io::Write;
    let mut sent = Vec::new();
    loop {
        let event = match device.every() {
            None => waiting.recv().unwrap(),
            // The hand may put a sample off by as much again; nobody needs them to the millisecond.
            Some(every) => match waiting.recv_timeout(every) {
                Ok(event) => event,
                Err(_) => {
                    writes.write_all(&device.sample(&mut sent)).unwrap();
                    continue;
                }
            },
        };
        let says = match event {
            Event::Put(spot) => {
                device.put(&spot);
                continue;
            }
            Event::Lift => {
                device.lift();
                continue;
            }
            Event::Press(tell) => {
                let before = sent.len();
                let says = device.press(&mut sent);
                tell.send(sent.len() > before).unwrap();
                says
            }
            Event::Heard(bytes) => device.heard(&bytes, &mut sent),
            Event::Off => return sent,
        };
        writes.write_all(&says).unwrap();
    }
}

/// How a person gets a reading.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Way {
    Press,
    Ask,
    Stream,
}

/// Follows a run to its end, and gives all its events.
pub fn follow(run: &mut Running, meter: &Powered, way: Way) -> Vec<Value> {
    let mut hand = crate::process::Hand::default();
    let mut events = Vec::new();
    let mut was_sent = false;
    while let Some(event) = run.event() {
        // A press that sent a reading, and something besides that is refused, is not pressed again.
        if !(event["event"] == "refused" && was_sent) {
            hand.hear(&event);
        }
        let is_silent = event["what"] == "no-answer" || event["what"] == "errors-read";
        if event["event"] == "reading" {
            meter.lift();
        }
        was_sent &= event["event"] != "next";
        events.push(event);
        let want = hand.press();
        if let Some(want) = &want {
            meter.put(want["zone"].as_str().unwrap_or("tile"));
        }
        match (way, want.is_some()) {
            (Way::Press, true) => was_sent = meter.press(),
            (Way::Ask, true) => run.say("read"),
            (Way::Ask, false) if is_silent => run.say("read"),
            _ => {}
        }
    }
    events
}
