//! The screen of a run: pictures as a person at the bench would see them, and what must hold for every
//! state of a run and every size of a terminal.

mod common;

use common::setup;
use expect_test::{Expect, expect};
use halfpanel::cli::screen::{Answer, Key, Keys, Line, Now, Style, View, bell, frame};
use halfpanel::run::record::{Body, Link, Record};
use halfpanel::run::setup::{Block, Panel, Role, Setup, TileValue, Treatment, Zone};
use halfpanel::run::{Effect, Notice, Run, Word};
use halfpanel::units::Geometry;
use proptest::prelude::*;

/// A run with a screen: every record is applied, and what is said stands among the messages.
struct Screen {
    run: Run,
    view: View,
    now_us: u64,
    n: u32,
    rings: u32,
}

impl Screen {
    fn new(setup: Setup, width: usize, height: usize) -> Screen {
        let head = common::head(setup);
        let run = Run::open(&head).unwrap();
        let mut screen = Screen { run, view: View::new(width, height), now_us: 0, n: 0, rings: 0 };
        screen.put(Body::Head(Box::new(head)));
        screen.link(true);
        screen
    }

    fn put(&mut self, body: Body<'static>) {
        self.n += 1;
        let mut effects = Vec::new();
        self.run.apply(&Record { n: self.n, at_us: self.now_us, group: self.n, body }, &mut effects);
        for effect in effects {
            if let Effect::Tell(notice) = effect {
                self.rings += u32::from(self.view.hear(&notice, &self.run, self.now_us));
            }
        }
    }

    fn link(&mut self, up: bool) -> &mut Screen {
        let what = if up { "the bench" } else { "it was unplugged" };
        self.put(Body::Link(Link { up, what: what.to_owned() }));
        self
    }

    fn wait_s(&mut self, seconds: u64) -> &mut Screen {
        self.now_us += seconds * 1_000_000;
        self
    }

    /// Placements, five seconds apart.
    fn press(&mut self, lines: &str) -> &mut Screen {
        for line in lines.split_whitespace() {
            self.wait_s(5).put(Body::Bytes(format!("{line}\r\n").into_bytes().into()));
        }
        self
    }

    fn word(&mut self, word: &str) -> &mut Screen {
        self.wait_s(1).put(Body::Word(Word::parse(word).unwrap()));
        self
    }

    fn lines(&self) -> Vec<Line> {
        frame(&self.run, self.now_us, &self.view)
    }

    /// The picture as text, with a bar at the right edge of the terminal.
    fn picture(&self) -> String {
        let line = |line: Line| format!("{}|\n", line.padded(Style::Plain, self.view.width).text());
        self.lines().into_iter().map(line).collect()
    }
}

fn check(screen: &Screen, expected: Expect) {
    expected.assert_eq(&screen.picture());
}

/// The boatyard's panel: four zones bare, four with a sealer, read five times each.
fn boatyard() -> Setup {
    let mut setup = setup(4);
    setup.study = "harbour".to_owned();
    setup.port = "/dev/ttyUSB0".to_owned();
    setup.panels[0] = Panel { id: "P1".to_owned(), width_mm: 180.0, height_mm: 100.0 };
    setup
}

#[test]
fn tmp_look() {
    let mut s = Screen::new(boatyard(), 80, 24);
    println!("{}", s.picture());
    s.press("92.4 92.5 92.4 71.4 75.0 71.6").wait_s(100);
    println!("{}", s.picture());
    s.view.height = 40;
    println!("{}", s.picture());
    s.view.width = 60;
    println!("{}", s.picture());
    s.view.height = 18;
    println!("{}", s.picture());
    s.view.height = 10;
    println!("{}", s.picture());
    s.view.width = 120;
    s.view.height = 50;
    println!("{}", s.picture());
}
