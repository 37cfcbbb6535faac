//! The screen of a run: pictures as a person at the bench would see them, and what must hold for every
//! state of a run and every size of a terminal.

#![allow(clippy::unwrap_used, reason = "a test may stop at what it did not expect")]

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

    /// The picture as text, between bars at the edges of the terminal.
    fn picture(&self) -> String {
        let line = |line: Line| format!("|{}|\n", line.padded(Style::Plain, self.view.width).text());
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

/// Two panels with a treatment each, two geometries, every zone read twice.
fn two_panels() -> Setup {
    let mut setup = boatyard();
    setup.geometries = vec![Geometry::Deg20, Geometry::Deg60];
    setup.tile.values.insert(
        0,
        TileValue {
            geometry_deg: Geometry::Deg20,
            assigned_gu: "88.0".parse().unwrap(),
            expanded_uncertainty_gu: None,
        },
    );
    setup.profile = r#"
name = "pair"
about = "two geometries on a line"
[line]
separator = ";"
fields = ["gloss_20", "gloss_60"]
[[example]]
line = "40.1;85.3"
gloss_20 = "40.1"
gloss_60 = "85.3"
"#
    .to_owned();
    setup.procedure.readings_per_zone = 2;
    setup.procedure.interim_after_min = Some(20);
    setup.treatments.push(Treatment {
        code: "T2".to_owned(),
        name: "Keel Sealer".to_owned(),
        batch: String::new(),
        how: String::new(),
        cure_hours: None,
    });
    setup.panels.push(Panel { id: "P2".to_owned(), ..setup.panels[0].clone() });
    let second: Vec<Zone> = setup
        .zones
        .iter()
        .map(|zone| {
            let treatment = zone.treatment.map(|_| 1);
            Zone { panel: 1, treatment, ..zone.clone() }
        })
        .collect();
    setup.zones.extend(second);
    setup.plan = (0..8).map(|i| Block(vec![2 * i, 2 * i + 1])).collect();
    setup
}

#[test]
fn at_the_opening_check_the_tile_is_wanted_and_nothing_has_been_read() {
    check(
        &Screen::new(boatyard(), 80, 24),
        expect![[r#"
            | harbour · run 2026-06-01-01 · P1                          /dev/ttyUSB0 link up |
            | ◇ Tile, opening check, reading 1 of 3: wipe the meter's foot, clean the tile,  |
            |   lift between readings.                                                       |
            | ▀█▀ ▀█▀ █   █▀▀     ▄█    █ ▀▀█                                                |
            |  █   █  █   █▀       █  ▄▀  ▀▀█                                                |
            |  ▀  ▀▀▀ ▀▀▀ ▀▀▀     ▀▀▀ ▀   ▀▀▀                                                |
            | ╭─ P1 ───────────────────────────────────────────────────────────────────────╮ |
            | │                                                                            │ |
            | │    ┌C1─────ctrl┐    ┌C2─────ctrl┐    ┌C3─────ctrl┐    ┌C4─────ctrl┐        │ |
            | │    │     ·     │    │     ·     │    │     ·     │    │     ·     │        │ |
            | │    └───────────┘    └───────────┘    └───────────┘    └───────────┘        │ |
            | │    ┌T1───────T1┐    ┌T2───────T1┐    ┌T3───────T1┐    ┌T4───────T1┐        │ |
            | │    │     ·     │    │     ·     │    │     ·     │    │     ·     │        │ |
            | │    └───────────┘    └───────────┘    └───────────┘    └───────────┘        │ |
            | ╰────────────────────────────────────────────────────────────────────────────╯ |
            | ▶ next  · to read  ○ not proven yet  ● proven  × drifted  – left out           |
            |                    zones  mean GU  spread  minus control                       |
            | 60° control          0/4        –       –                                      |
            | 60° T1 Slipway Wax   0/4        –       –                                      |
            | bracket  ◇┄·┄·┄·┄·┄·┄·┄·┄·┄◇                                                   |
            | no tile check yet: nothing counts before one has passed                        |
            | 09:00:00  the meter's line is up: the bench                                    |
            |                                                                                |
            | u undo  a again  v void  s skip  m adjust  p pause  n note  q abandon  ^C stop |
        "#]],
    );
}

#[test]
fn with_half_of_the_zones_read_the_next_one_stands_out_and_nothing_is_proven_yet() {
    let mut screen = Screen::new(boatyard(), 80, 40);
    screen.press("92.4 92.5 92.4 71.4 75.0 71.6").wait_s(100);
    check(
        &screen,
        expect![[r#"
            | harbour · run 2026-06-01-01 · P1                          /dev/ttyUSB0 link up |
            | ▶ Zone T2.                                                                     |
            |                                                                                |
            | ▀█▀ ▀▀█                                ▀▀█ ▄█    █▀▀  last: C2                 |
            |  █  █▀▀                                 ▄▀  █    █▀█  GU at 60°                |
            |  ▀  ▀▀▀                                 ▀  ▀▀▀ ▀ ▀▀▀                           |
            |                                                                                |
            | ╭─ P1 ───────────────────────────────────────────────────────────────────────╮ |
            | │                                                                            │ |
            | │    ┌C1─────ctrl┐    ┌C2─────ctrl┐    ┌C3─────ctrl┐    ┌C4─────ctrl┐        │ |
            | │    │  ○ 71.4   │    │  ○ 71.6   │    │     ·     │    │     ·     │        │ |
            | │    └───────────┘    └───────────┘    └───────────┘    └───────────┘        │ |
            | │                                                                            │ |
            | │                                                                            │ |
            | │    ┌T1───────T1┐    ┏T2━━━━━━━T1┓    ┌T3───────T1┐    ┌T4───────T1┐        │ |
            | │    │  ○ 75.0   │    ┃     ▶     ┃    │     ·     │    │     ·     │        │ |
            | │    └───────────┘    ┗━━━━━━━━━━━┛    └───────────┘    └───────────┘        │ |
            | │                                                                            │ |
            | ╰────────────────────────────────────────────────────────────────────────────╯ |
            | ▶ next  · to read  ○ not proven yet  ● proven  × drifted  – left out           |
            |                                                                                |
            |                    zones  mean GU  spread  minus control                       |
            | 60° control          2/4    71.50    0.14                                      |
            | 60° T1 Slipway Wax   1/4    75.00       –   +3.50  not proven yet              |
            |                                                                                |
            | bracket  ◆─○─○─○┄·┄·┄·┄·┄·┄◇                                                   |
            | tile passed 1 min ago                       ◇ tile to come  ◆ passed  ✕ failed |
            |                                                                                |
            | 09:00:10  tile, opening check: 92.5 GU at 60°                                  |
            | 09:00:15  tile, opening check: 92.4 GU at 60°                                  |
            | 09:00:15  opening check passed: 92.43 GU at 60°, +0.03 from 92.4 (within 1.0 … |
            | 09:00:20  C1: 71.4 GU at 60°                                                   |
            | 09:00:25  T1: 75.0 GU at 60°                                                   |
            | 09:00:30  C2: 71.6 GU at 60°                                                   |
            |                                                                                |
            |                                                                                |
            |                                                                                |
            |                                                                                |
            | u undo   a again   v void   s skip   c check tile   m adjust meter   p pause   |
            | n note   q abandon   Ctrl-C stop (can be taken up again)                       |
        "#]],
    );
}

#[test]
fn a_drifted_bracket_that_is_being_repaired_shows_what_is_read_again_and_what_is_to_come() {
    let mut setup = boatyard();
    setup.procedure.interim_after_readings = Some(4);
    let mut screen = Screen::new(setup, 80, 40);
    screen.press("92.4 92.4 92.4 71.4 75.0 71.6 75.1 92.4 92.4 92.4");
    screen.press("71.5 75.2 71.3 75.2 91.3 91.3 91.3 92.3 92.4 92.4 71.4");
    check(
        &screen,
        expect![[r#"
            | harbour · run 2026-06-01-01 · P1                          /dev/ttyUSB0 link up |
            | ▶ Zone T3.                                                                     |
            |                                                                                |
            | ▀█▀ ▀▀█                                ▀▀█ ▄█    █ █  last: C3                 |
            |  █  ▀▀█                                 ▄▀  █    ▀▀█  GU at 60°                |
            |  ▀  ▀▀▀                                 ▀  ▀▀▀ ▀   ▀                           |
            |                                                                                |
            | ╭─ P1 ───────────────────────────────────────────────────────────────────────╮ |
            | │                                                                            │ |
            | │    ┌C1─────ctrl┐    ┌C2─────ctrl┐    ┌C3─────ctrl┐    ┌C4─────ctrl┐        │ |
            | │    │  ● 71.4   │    │  ● 71.6   │    │  ○ 71.4   │    │  × 71.3   │        │ |
            | │    └───────────┘    └───────────┘    └───────────┘    └───────────┘        │ |
            | │                                                                            │ |
            | │                                                                            │ |
            | │    ┌T1───────T1┐    ┌T2───────T1┐    ┏T3━━━━━━━T1┓    ┌T4───────T1┐        │ |
            | │    │  ● 75.0   │    │  ● 75.1   │    ┃     ▶     ┃    │  × 75.2   │        │ |
            | │    └───────────┘    └───────────┘    ┗━━━━━━━━━━━┛    └───────────┘        │ |
            | │                                                                            │ |
            | ╰────────────────────────────────────────────────────────────────────────────╯ |
            | ▶ next  · to read  ○ not proven yet  ● proven  × drifted  – left out           |
            |                                                                                |
            |                    zones  mean GU  spread  minus control                       |
            | 60° control          3/4    71.47    0.12                                      |
            | 60° T1 Slipway Wax   2/4    75.05    0.07   +3.58  not proven yet              |
            |                                                                                |
            | bracket  ◆─●─●─●─●─◆─×─×─×─×─✕ ◆─○┄·┄·┄·┄◇                                     |
            | tile passed under a minute ago   interim check after 3 more                    |
            |                                                                                |
            | 09:01:25  bracket drifted: the tile moved by -1.10 GU at 60°. Read again: C3, …|
            | 09:01:30  tile, opening check: 92.3 GU at 60°                                  |
            | 09:01:35  tile, opening check: 92.4 GU at 60°                                  |
            | 09:01:40  tile, opening check: 92.4 GU at 60°                                  |
            | 09:01:40  opening check passed: 92.37 GU at 60°, -0.03 from 92.4 (within 1.0 … |
            | 09:01:45  C3: 71.4 GU at 60°                                                   |
            |                                                                                |
            |                                                                                |
            |                                                                                |
            |                                                                                |
            | u undo   a again   v void   s skip   c check tile   m adjust meter   p pause   |
            | n note   q abandon   Ctrl-C stop (can be taken up again)                       |
        "#]],
    );
}

#[test]
fn a_line_that_is_down_cannot_be_overlooked() {
    let mut screen = Screen::new(boatyard(), 80, 24);
    screen.press("92.4 92.5 92.4 71.4 75.0 71.6").link(false);
    check(
        &screen,
        expect![[r#"
            | harbour · run 2026-06-01-01 · P1                      /dev/ttyUSB0  LINK DOWN  |
            | ■ The meter's line is down: look at plug and power, the run goes on by itself. |
            |   Then: Zone T2.                                                               |
            | █▀▄ ▄▀▄     █▄█ █▀▀ ▀█▀ █▀▀ █▀▄        ▀▀█ ▄█    █▀▀  last: C2                 |
            | █ █ █ █     █▀█ █▀   █  █▀  █▀▄         ▄▀  █    █▀█  GU at 60°                |
            | ▀ ▀  ▀      ▀ ▀ ▀▀▀  ▀  ▀▀▀ ▀ ▀         ▀  ▀▀▀ ▀ ▀▀▀                           |
            | ╭─ P1 ───────────────────────────────────────────────────────────────────────╮ |
            | │                                                                            │ |
            | │    ┌C1─────ctrl┐    ┌C2─────ctrl┐    ┌C3─────ctrl┐    ┌C4─────ctrl┐        │ |
            | │    │  ○ 71.4   │    │  ○ 71.6   │    │     ·     │    │     ·     │        │ |
            | │    └───────────┘    └───────────┘    └───────────┘    └───────────┘        │ |
            | │    ┌T1───────T1┐    ┏T2━━━━━━━T1┓    ┌T3───────T1┐    ┌T4───────T1┐        │ |
            | │    │  ○ 75.0   │    ┃     ▶     ┃    │     ·     │    │     ·     │        │ |
            | │    └───────────┘    ┗━━━━━━━━━━━┛    └───────────┘    └───────────┘        │ |
            | ╰────────────────────────────────────────────────────────────────────────────╯ |
            | ▶ next  · to read  ○ not proven yet  ● proven  × drifted  – left out           |
            |                    zones  mean GU  spread  minus control                       |
            | 60° control          2/4    71.50    0.14                                      |
            | 60° T1 Slipway Wax   1/4    75.00       –   +3.50  not proven yet              |
            | bracket  ◆─○─○─○┄·┄·┄·┄·┄·┄◇                                                   |
            | tile passed under a minute ago              ◇ tile to come  ◆ passed  ✕ failed |
            | 09:00:30  the meter's line is down: it was unplugged. Nothing recorded is lost |
            | u undo  a again  v void  s skip  c check  m adjust  p pause  n note  q abandon |
            | ^C stop                                                                        |
        "#]],
    );
}

#[test]
fn two_panels_with_two_geometries_stand_beside_each_other() {
    let mut screen = Screen::new(two_panels(), 100, 44);
    screen.press("88.0;92.4 88.0;92.5 88.0;92.4");
    screen.press("40.1;71.4 40.3;71.5 45.1;75.0 45.2;75.1 40.6;71.6").wait_s(240);
    check(
        &screen,
        expect![[r#"
            | harbour · run 2026-06-01-01 · P1 P2                                           /dev/ttyUSB0 link up |
            | ▶ Zone P1 C2, reading 2 of 2.                                                                      |
            |                                                                                                    |
            | █▀▄ ▄█      ▄▀▀ ▀▀█                              ▀▀█ ▄█    █▀▀  last: P1 C2                        |
            | █▀   █      █   █▀▀                               ▄▀  █    █▀█  GU at 60°                          |
            | ▀   ▀▀▀      ▀▀ ▀▀▀                               ▀  ▀▀▀ ▀ ▀▀▀  20° 40.6                           |
            |                                                                                                    |
            | ╭─ P1 ─────────────────────────────────────────╮ ╭─ P2 ─────────────────────────────────────────╮  |
            | │                                              │ │                                              │  |
            | │   ┌C1────┐  ┏C2━━━━┓  ┌C3────┐  ┌C4────┐     │ │   ┌C1────┐  ┌C2────┐  ┌C3────┐  ┌C4────┐     │  |
            | │   │○ 71.5│  ┃▶ 71.6┃  │  ·   │  │  ·   │     │ │   │  ·   │  │  ·   │  │  ·   │  │  ·   │     │  |
            | │   └──────┘  ┗━1/2━━┛  └──────┘  └──────┘     │ │   └──────┘  └──────┘  └──────┘  └──────┘     │  |
            | │                                              │ │                                              │  |
            | │                                              │ │                                              │  |
            | │   ┌T1──T1┐  ┌T2──T1┐  ┌T3──T1┐  ┌T4──T1┐     │ │   ┌T1──T2┐  ┌T2──T2┐  ┌T3──T2┐  ┌T4──T2┐     │  |
            | │   │○ 75.1│  │  ·   │  │  ·   │  │  ·   │     │ │   │  ·   │  │  ·   │  │  ·   │  │  ·   │     │  |
            | │   └──────┘  └──────┘  └──────┘  └──────┘     │ │   └──────┘  └──────┘  └──────┘  └──────┘     │  |
            | │                                              │ │                                              │  |
            | ╰──────────────────────────────────────────────╯ ╰──────────────────────────────────────────────╯  |
            | ▶ next  · to read  ○ not proven yet  ● proven  × drifted  – left out                               |
            |                                                                                                    |
            |                       zones  mean GU  spread  minus control                                        |
            | P1 20° control          2/4    40.40    0.28                                                       |
            | P1 20° T1 Slipway Wax   1/4    45.15       –   +4.75  not proven yet                               |
            | P1 60° control          2/4    71.53    0.11                                                       |
            | P1 60° T1 Slipway Wax   1/4    75.05       –   +3.52  not proven yet                               |
            | P2 20° control          0/4        –       –                                                       |
            | P2 20° T2 Keel Sealer   0/4        –       –                                                       |
            | P2 60° control          0/4        –       –                                                       |
            | P2 60° T2 Keel Sealer   0/4        –       –                                                       |
            |                                                                                                    |
            | bracket  ◆─○─○─○─○─○┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄◇                       |
            | tile passed 4 min ago   interim check in 16 min                 ◇ tile to come  ◆ passed  ✕ failed |
            |                                                                                                    |
            | 09:00:15  opening check passed: 88.00 GU at 20°, +0.00 from 88.0; 92.43 GU at 60°, +0.03 from 92.4…|
            | 09:00:20  P1 C1: 40.1 GU at 20°, 71.4 GU at 60°                                                    |
            | 09:00:25  P1 C1: 40.3 GU at 20°, 71.5 GU at 60°                                                    |
            | 09:00:30  P1 T1: 45.1 GU at 20°, 75.0 GU at 60°                                                    |
            | 09:00:35  P1 T1: 45.2 GU at 20°, 75.1 GU at 60°                                                    |
            | 09:00:40  P1 C2: 40.6 GU at 20°, 71.6 GU at 60°                                                    |
            |                                                                                                    |
            |                                                                                                    |
            | u undo   a again   v void   s skip   c check tile   m adjust meter   p pause   n note   q abandon  |
            | Ctrl-C stop (can be taken up again)                                                                |
        "#]],
    );
}

#[test]
fn two_panels_keep_their_drawing_in_a_terminal_of_24_lines() {
    let mut screen = Screen::new(two_panels(), 80, 24);
    screen.press("88.0;92.4 88.0;92.5 88.0;92.4 40.1;71.4 40.3;71.5 45.1;75.0");
    check(
        &screen,
        expect![[r#"
            | harbour · run 2026-06-01-01 · P1 P2                       /dev/ttyUSB0 link up |
            | ▶ Zone P1 T1, reading 2 of 2.                                                  |
            |                                                                                |
            | █▀▄ ▄█      ▀█▀ ▄█                     ▀▀█ █▀▀   █▀█  last: P1 T1              |
            | █▀   █       █   █                      ▄▀ ▀▀█   █ █  GU at 60°                |
            | ▀   ▀▀▀      ▀  ▀▀▀                     ▀  ▀▀▀ ▀ ▀▀▀  20° 45.1                 |
            | ╭─ P1 ───────────────────────────────╮ ╭─ P2 ───────────────────────────────╮  |
            | │                                    │ │                                    │  |
            | │  ┌C1────┐┌C2────┐┌C3────┐┌C4────┐  │ │  ┌C1────┐┌C2────┐┌C3────┐┌C4────┐  │  |
            | │  │○ 71.5││  ·   ││  ·   ││  ·   │  │ │  │  ·   ││  ·   ││  ·   ││  ·   │  │  |
            | │  └──────┘└──────┘└──────┘└──────┘  │ │  └──────┘└──────┘└──────┘└──────┘  │  |
            | │  ┏T1━━T1┓┌T2──T1┐┌T3──T1┐┌T4──T1┐  │ │  ┌T1──T2┐┌T2──T2┐┌T3──T2┐┌T4──T2┐  │  |
            | │  ┃▶ 75.0┃│  ·   ││  ·   ││  ·   │  │ │  │  ·   ││  ·   ││  ·   ││  ·   │  │  |
            | │  ┗━1/2━━┛└──────┘└──────┘└──────┘  │ │  └──────┘└──────┘└──────┘└──────┘  │  |
            | ╰────────────────────────────────────╯ ╰────────────────────────────────────╯  |
            | P1 20° T1 Slipway Wax 45.10 (1/4)  control 40.20 (1/4)  +4.90  not proven yet  |
            | P1 60° T1 Slipway Wax 75.00 (1/4)  control 71.45 (1/4)  +3.55  not proven yet  |
            | P2 20° T2 Keel Sealer – (0/4)  control – (0/4)                                 |
            | P2 60° T2 Keel Sealer – (0/4)  control – (0/4)                                 |
            | bracket  ◆─○─○─○┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄·┄◇   |
            | tile passed under a minute ago   interim check in 20 min                       |
            | 09:00:30  P1 T1: 45.1 GU at 20°, 75.0 GU at 60°                                |
            | u undo  a again  v void  s skip  c check  m adjust  p pause  n note  q abandon |
            | ^C stop                                                                        |
        "#]],
    );
}

#[test]
fn on_60_columns_names_give_way_and_a_refused_line_is_told_whole() {
    let mut screen = Screen::new(boatyard(), 60, 36);
    screen.press("92.4 92.5 92.4 71.4 75.0 71.6 ERR7");
    check(
        &screen,
        expect![[r#"
            | harbour · run 2026-06-01-01 · P1      /dev/ttyUSB0 link up |
            | ▶ Zone T2.                                                 |
            |                                                            |
            | ▀█▀ ▀▀█                      ▀▀█ ▄█    █▀▀  last: C2       |
            |  █  █▀▀                       ▄▀  █    █▀█  GU at 60°      |
            |  ▀  ▀▀▀                       ▀  ▀▀▀ ▀ ▀▀▀                 |
            |                                                            |
            | ╭─ P1 ───────────────────────────────────────────────────╮ |
            | │                                                        │ |
            | │   ┌C1─ctrl┐    ┌C2─ctrl┐   ┌C3─ctrl┐   ┌C4──ctrl┐      │ |
            | │   │○ 71.4 │    │○ 71.6 │   │   ·   │   │   ·    │      │ |
            | │   └───────┘    └───────┘   └───────┘   └────────┘      │ |
            | │                                                        │ |
            | │                                                        │ |
            | │   ┌T1───T1┐    ┏T2━━━T1┓   ┌T3───T1┐   ┌T4────T1┐      │ |
            | │   │○ 75.0 │    ┃   ▶   ┃   │   ·   │   │   ·    │      │ |
            | │   └───────┘    ┗━━━━━━━┛   └───────┘   └────────┘      │ |
            | │                                                        │ |
            | ╰────────────────────────────────────────────────────────╯ |
            | ▶ next  · to read  ○ not proven yet  ● proven  × drifted   |
            | – left out                                                 |
            |                                                            |
            |              zones  mean GU  spread  minus control         |
            | 60° control    2/4    71.50    0.14                        |
            | 60° T1 Slip…   1/4    75.00       –   +3.50  not proven yet|
            |                                                            |
            | bracket  ◆─○─○─○┄·┄·┄·┄·┄·┄◇                               |
            | tile passed under a minute ago                             |
            |                                                            |
            | 09:00:35  not taken: field 1 (gloss) is `ERR7`, not a      |
            |           number such as 85.3 (line `ERR7`): most likely   |
            |           bytes were lost, or the meter sent a word for an |
            |           error; press again, and if it is such a word, add|
            | u undo   a again   v void   s skip   c check tile          |
            | m adjust meter   p pause   n note   q abandon              |
            | Ctrl-C stop (can be taken up again)                        |
        "#]],
    );
}

#[test]
fn on_few_lines_the_drawing_becomes_a_list_and_a_question_keeps_its_place() {
    let mut screen = Screen::new(boatyard(), 60, 14);
    screen.press("92.4 92.5 92.4 71.4 75.0 71.6");
    let mut keys = Keys::new();
    let now = Now::of(&screen.run);
    for key in ['v', 's', 'l', 'i', 'd'] {
        keys.press(Key::Char(key), &now);
    }
    screen.view.prompt = keys.prompt();
    check(
        &screen,
        expect![[r#"
            | harbour · run 2026-06-01-01 · P1      /dev/ttyUSB0 link up |
            | ▶ Zone T2.                                                 |
            | last: zone C2  71.6 GU at 60°                              |
            | ○ C1 71.4  ○ T1 75.0  ○ C2 71.6  ▶ T2       · C3           |
            | · T3       · C4       · T4                                 |
            | 60° T1 75.00  control 71.50  +3.50  not proven yet         |
            | bracket  ◆─○─○─○┄·┄·┄·┄·┄·┄◇                               |
            | tile passed under a minute ago                             |
            | 09:00:15  opening check passed: 92.43 GU at 60°, +0.03 fro…|
            | 09:00:20  C1: 71.4 GU at 60°                               |
            | 09:00:25  T1: 75.0 GU at 60°                               |
            | 09:00:30  C2: 71.6 GU at 60°                               |
            | void last placement (C2 71.6), reason: slid                |
            | Enter sends, Esc cancels; readings go on meanwhile         |
        "#]],
    );
}

#[test]
fn after_the_end_the_difference_is_proven_and_no_key_is_offered() {
    let mut screen = Screen::new(boatyard(), 80, 40);
    screen.press("92.4 92.5 92.4").word("skip T1: scratched").press("71.4 71.6 75.1 71.5 75.2 71.3 75.2");
    screen.press("92.4 92.4 92.4");
    check(
        &screen,
        expect![[r#"
            | harbour · run 2026-06-01-01 · P1                          /dev/ttyUSB0 link up |
            | ● Nothing more: the run is over.                                               |
            |                                                                                |
            | █▀▄ ▄▀▄ █▀▄ █▀▀                        █▀█ ▀▀█   █ █  last: tile               |
            | █ █ █ █ █ █ █▀                         ▀▀█ █▀▀   ▀▀█  GU at 60°                |
            | ▀▀   ▀  ▀ ▀ ▀▀▀                        ▀▀▀ ▀▀▀ ▀   ▀                           |
            |                                                                                |
            | ╭─ P1 ───────────────────────────────────────────────────────────────────────╮ |
            | │                                                                            │ |
            | │                                                                            │ |
            | │    ┌C1─────ctrl┐    ┌C2─────ctrl┐    ┌C3─────ctrl┐    ┌C4─────ctrl┐        │ |
            | │    │  ● 71.4   │    │  ● 71.6   │    │  ● 71.5   │    │  ● 71.3   │        │ |
            | │    │           │    │           │    │           │    │           │        │ |
            | │    └───────────┘    └───────────┘    └───────────┘    └───────────┘        │ |
            | │                                                                            │ |
            | │                                                                            │ |
            | │                                                                            │ |
            | │                                                                            │ |
            | │    ┌T1───────T1┐    ┌T2───────T1┐    ┌T3───────T1┐    ┌T4───────T1┐        │ |
            | │    │     –     │    │  ● 75.1   │    │  ● 75.2   │    │  ● 75.2   │        │ |
            | │    │           │    │           │    │           │    │           │        │ |
            | │    └───────────┘    └───────────┘    └───────────┘    └───────────┘        │ |
            | │                                                                            │ |
            | │                                                                            │ |
            | ╰────────────────────────────────────────────────────────────────────────────╯ |
            | ▶ next  · to read  ○ not proven yet  ● proven  × drifted  – left out           |
            |                                                                                |
            |                    zones  mean GU  spread  minus control                       |
            | 60° control          4/4    71.45    0.13                                      |
            | 60° T1 Slipway Wax   3/3    75.17    0.06   +3.72  proven                      |
            |                                                                                |
            | bracket  ◆─●─●─●─●─●─●─●─◆                                                     |
            | complete                                    ◇ tile to come  ◆ passed  ✕ failed |
            |                                                                                |
            | 09:00:56  tile, closing check: 92.4 GU at 60°                                  |
            | 09:01:01  tile, closing check: 92.4 GU at 60°                                  |
            | 09:01:06  tile, closing check: 92.4 GU at 60°                                  |
            | 09:01:06  closing check passed: 92.40 GU at 60°, +0.00 from 92.4 (within 1.0 … |
            | 09:01:06  bracket proven: the tile moved by -0.03 GU at 60°                    |
            | 09:01:06  run complete: every zone is proven, or left out with a reason        |
        "#]],
    );
}

#[test]
fn a_run_given_up_is_not_proven_and_says_so() {
    let mut screen = Screen::new(boatyard(), 80, 24);
    screen.press("92.4 92.5 92.4 71.4 75.0").word("abandon: rain");
    let picture = screen.picture();
    for told in
        ["Nothing more: the run is over", "abandoned; what was not proven stays so", "× 71.4", "× 75.0"]
    {
        assert!(picture.contains(told), "{told} is missing:\n{picture}");
    }
    assert!(!picture.contains("● 71.4") && !picture.contains("undo"), "{picture}");
}

#[test]
fn a_zone_taken_again_does_not_show_its_old_value_as_the_next_one() {
    let mut screen = Screen::new(boatyard(), 80, 24);
    screen.press("92.4 92.5 92.4 71.4 75.0").word("again C1");
    let picture = screen.picture();
    assert!(picture.contains("▶ Zone C1") && !picture.contains("▶ 71.4"), "{picture}");
}

#[test]
fn the_next_minutes_are_told_only_when_they_matter() {
    let mut setup = boatyard();
    setup.procedure.interim_after_min = Some(20);
    setup.procedure.longest_pause_min = 15;
    let mut screen = Screen::new(setup, 100, 40);
    screen.press("92.4 92.5 92.4 71.4");
    assert!(screen.picture().contains("interim check in 20 min"));
    assert!(!screen.picture().contains("read on within"));
    // Five minutes after the check, which ended five seconds before the only reading.
    screen.wait_s(295);
    assert!(screen.picture().contains("tile passed 5 min ago   interim check in 15 min"));
    screen.wait_s(120);
    assert!(screen.picture().contains("read on within 9 min, or both sides are read again"));
    screen.wait_s(3600);
    assert!(screen.picture().contains("interim check due behind this block"));
}

#[test]
fn the_rail_keeps_its_ends_where_it_does_not_fit() {
    let mut setup = boatyard();
    setup.procedure.readings_per_zone = 12;
    let mut screen = Screen::new(setup, 60, 40);
    screen.press("92.4 92.5 92.4 71.4");
    let rail = |screen: &Screen| {
        let picture = screen.picture();
        let rail = picture.lines().find(|line| line.starts_with("| bracket")).unwrap();
        rail.trim_matches(|c: char| c == '|' || c == ' ').to_owned()
    };
    expect!["bracket  ◆○············································…·◇"].assert_eq(&rail(&screen));
    screen.press(&"71.4 ".repeat(70));
    expect!["bracket  ◆…○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○○·…·◇"].assert_eq(&rail(&screen));
}

#[test]
fn the_bell_rings_for_the_odd_the_tile_and_the_lost_line_only() {
    let mut screen = Screen::new(boatyard(), 80, 24);
    assert_eq!(screen.rings, 1, "the tile is wanted");
    screen.press("92.4 92.5 92.4 71.4 75.0");
    assert_eq!(screen.rings, 1, "readings that are taken make no sound");
    screen.press("ERR7");
    assert_eq!(screen.rings, 2, "a refused line");
    screen.link(false).link(true);
    assert_eq!(screen.rings, 3, "the line is lost; its return is silent");
    screen.view.sounds = false;
    screen.press("ERR7");
    assert_eq!(screen.rings, 3, "sounds are off");
    assert!(bell(&Notice::Link { up: false, what: String::new() }));
}

/// Presses keys; a letter each, `\n` for Enter, `\x1b` for Esc, `\x08` for Backspace.
fn type_in(keys: &mut Keys, now: &Now, text: &str) -> Answer {
    let key = |c| match c {
        '\n' => Key::Enter,
        '\x1b' => Key::Esc,
        '\x08' => Key::Backspace,
        '\x15' => Key::Clear,
        c => Key::Char(c),
    };
    text.chars().map(|c| keys.press(key(c), now)).last().unwrap()
}

#[test]
fn keys_become_the_words_that_could_have_been_typed() {
    let mut screen = Screen::new(boatyard(), 80, 24);
    screen.press("92.4 92.5 92.4 71.4 75.0");
    let now = Now::of(&screen.run);
    for (typed, word) in [
        ("u", "undo"),
        ("c", "check"),
        ("m", "adjust"),
        ("D", "adjusted"),
        ("p", "pause"),
        ("a\n", "again T1"),
        ("a\x08\x083\n", "again 3"),
        ("a\x15\n", "again"),
        ("vslid\n", "void 5: slid"),
        ("sscratched\n", "skip C2: scratched"),
        ("s\x15T4: scratched\n", "skip T4: scratched"),
        ("s\x15scratched\n", "skip C2: scratched"),
        ("nsunny\n", "note: sunny"),
        ("qy", "abandon"),
    ] {
        let answer = type_in(&mut Keys::new(), &now, typed);
        assert_eq!(answer, Answer::Say(Word::parse(word).unwrap()), "{typed:?}");
    }
    screen.word("pause");
    assert_eq!(type_in(&mut Keys::new(), &Now::of(&screen.run), "p"), Answer::Say(Word::Resume));
}

#[test]
fn enter_and_space_ask_a_meter_that_is_asked_and_no_other() {
    let pressed = Now::of(&Screen::new(boatyard(), 80, 24).run);
    let mut asked = boatyard();
    asked.profile = halfpanel::meter::shipped::text("ask-plain").unwrap().to_owned();
    let screen = Screen::new(asked, 80, 24);
    let asked = Now::of(&screen.run);
    for key in ["\n", " "] {
        assert_eq!(type_in(&mut Keys::new(), &pressed, key), Answer::Nothing);
        assert_eq!(type_in(&mut Keys::new(), &asked, key), Answer::Say(Word::Read));
        assert_eq!(type_in(&mut Keys::new(), &Now { over: true, ..asked.clone() }, key), Answer::Nothing);
    }
    assert_eq!(
        type_in(&mut Keys::new(), &asked, "nsunny sky\n"),
        Answer::Say(Word::parse("note: sunny sky").unwrap())
    );
    assert!(screen.picture().contains("Enter read"), "{}", screen.picture());
}

#[test]
fn a_question_can_be_left_and_asks_for_what_is_missing() {
    let mut screen = Screen::new(boatyard(), 80, 24);
    screen.press("92.4 92.5 92.4 71.4");
    let now = Now::of(&screen.run);
    let mut keys = Keys::new();
    assert_eq!(type_in(&mut keys, &now, "v\n"), Answer::Redraw);
    assert_eq!(keys.prompt().unwrap().remark, "a reason is needed; it will stand in the tables");
    assert_eq!(type_in(&mut keys, &now, "u"), Answer::Redraw, "a letter in a question is no command");
    assert_eq!(keys.prompt().unwrap().typed, "u");
    assert_eq!(type_in(&mut keys, &now, "\x1b"), Answer::Redraw);
    assert_eq!(keys.prompt(), None);
    assert_eq!(type_in(&mut keys, &now, "qn"), Answer::Redraw);
    assert_eq!(keys.prompt(), None);
    assert_eq!(type_in(&mut keys, &now, "nx"), Answer::Redraw);
    assert_eq!(keys.press(Key::Stop, &now), Answer::Stop, "Ctrl-C stops from anywhere");
    let over = Now { over: true, ..now };
    assert_eq!(type_in(&mut Keys::new(), &over, "u"), Answer::Nothing);
}

#[test]
fn the_placement_that_a_question_names_stays_the_same_while_the_meter_goes_on() {
    let mut screen = Screen::new(boatyard(), 80, 24);
    screen.press("92.4 92.5 92.4 71.4");
    let mut keys = Keys::new();
    type_in(&mut keys, &Now::of(&screen.run), "v");
    assert_eq!(keys.prompt().unwrap().ask, "void last placement (C1 71.4), reason:");
    screen.press("75.0");
    let answer = type_in(&mut keys, &Now::of(&screen.run), "slid\n");
    assert_eq!(answer, Answer::Say(Word::parse("void 4: slid").unwrap()));
}

/// One thing that can happen at a bench.
#[derive(Clone, Debug)]
enum Event {
    Press(String),
    Word(&'static str),
    Link(bool),
    Wait(u64),
}

fn events() -> impl Strategy<Value = Vec<Event>> {
    let words = [
        "undo",
        "again",
        "again P1 C1",
        "again C2",
        "void: slid",
        "void 4: slid",
        "skip: scratched",
        "skip P1 T1: scratched",
        "check",
        "adjust",
        "adjusted",
        "pause",
        "resume",
        "note: x",
        "abandon",
    ];
    let tile = prop_oneof![Just("88.0;92.4"), Just("88.1;92.3"), Just("86.0;90.0")].prop_map(str::to_owned);
    let zone = (0u32..20_000).prop_map(|v| format!("{}.{};7{}.4", v / 10, v % 10, v % 10));
    let line =
        prop_oneof![6 => tile, 6 => zone, 1 => Just("ERR".to_owned()), 1 => Just("-5;-1000.123".to_owned())];
    let event = prop_oneof![
        24 => line.prop_map(Event::Press),
        5 => prop::sample::select(words.to_vec()).prop_map(Event::Word),
        1 => any::<bool>().prop_map(Event::Link),
        1 => (0u64..5000).prop_map(Event::Wait),
    ];
    prop::collection::vec(event, 0..80)
}

/// Set-ups that a study would not make too: a head may have been edited by hand.
fn odd(mut setup: Setup, kind: u8) -> Setup {
    match kind {
        0 => {}
        1 => setup.zones[0].x_mm = 1e300,
        2 => setup.panels[0].width_mm = 0.0,
        3 => setup.zones.iter_mut().for_each(|z| z.x_mm = -1e300),
        4 => setup.zones.iter_mut().for_each(|z| z.name = format!("{} with a very long name 板", z.name)),
        5 => setup.study = "e\u{301}".repeat(100),
        6 => setup.zones.iter_mut().for_each(|z| (z.role, z.treatment) = (Role::Treated, Some(0))),
        _ => setup.panels[0].height_mm = 1e300,
    }
    setup
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20))]

    #[test]
    fn no_state_of_a_run_makes_a_picture_that_panics_or_is_larger_than_the_terminal(
        events in events(),
        kind in 0u8..8,
        height in 1usize..60,
        typed in "[vsnaq][a-z:]{0,80}",
    ) {
        let mut screen = Screen::new(odd(two_panels(), kind), 80, height);
        let half = events.len() / 2;
        for (i, event) in events.into_iter().enumerate() {
            match event {
                Event::Press(line) => drop(screen.press(&line)),
                Event::Word(word) => drop(screen.word(word)),
                Event::Link(up) => drop(screen.link(up)),
                Event::Wait(seconds) => drop(screen.wait_s(seconds)),
            }
            if i == half {
                let mut keys = Keys::new();
                type_in(&mut keys, &Now::of(&screen.run), &typed);
                screen.view.prompt = keys.prompt();
            }
            if i % 8 != 7 {
                continue;
            }
            for width in (0..40).step_by(13).chain((40..=200).step_by(20)) {
                screen.view.width = width;
                let lines = screen.lines();
                prop_assert!(lines.len() <= height, "{} lines of {height}", lines.len());
                for line in lines {
                    prop_assert!(line.width() <= width, "{width} columns: {:?}", line.text());
                    prop_assert!(!line.text().chars().any(char::is_control));
                }
            }
        }
    }
}

#[test]
fn no_line_is_wider_than_any_terminal_from_40_to_200_columns() {
    let mut screen = Screen::new(two_panels(), 80, 30);
    screen.press("88.0;92.4 88.0;92.5 88.0;92.4 40.1;71.4 40.3;71.5 45.1;75.0 ERR");
    for width in 40..=200 {
        screen.view.width = width;
        for line in screen.lines() {
            assert!(line.width() <= width, "{width} columns: {:?}", line.text());
        }
    }
}
