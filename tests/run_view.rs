//! A run as a person is shown it, beside what its books and tables say.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;

use common::Bench;
use common::setup;
use halfpanel::run::Word;
use halfpanel::tables;
use halfpanel::tables::Table;
use halfpanel::view::Proof;
use halfpanel::view::RunView;
use halfpanel::view::Sound;
use halfpanel::view::TodoKind;
use halfpanel::view::survey::Mark;

fn view(bench: &Bench) -> RunView {
    RunView::of(&bench.run, bench.now_us())
}

fn told(presses: &[&str]) -> Bench {
    let mut bench = Bench::new(setup(3));
    for values in presses {
        bench.press(values);
    }
    bench
}

const OPENING: &str = "92.4 92.5 92.4";
const ZONES: &str = "71.4 75.0 71.6 75.3 71.1 75.4";

/// A cell of the only row of `results.csv`.
fn result(bench: &Bench, column: &str) -> String {
    let mut bytes = Vec::new();
    tables::write(Table::Results, bench.run.ledger(), "", &mut bytes, true).unwrap();
    let mut reader = csv::Reader::from_reader(bytes.as_slice());
    let at = reader.headers().unwrap().iter().position(|name| name == column).unwrap();
    reader.records().next().unwrap().unwrap()[at].to_owned()
}

#[test]
fn once_it_is_proven_the_difference_is_that_of_the_tables() {
    let bench = told(&[OPENING, ZONES, "92.3 92.4 92.4"]);
    let shown = &view(&bench).differences[0];
    assert_eq!(shown.proof, Proof::Proven);
    let (gu, half) = (shown.difference_gu.unwrap(), shown.half_width_gu.unwrap());
    assert_eq!(format!("{gu:.4}"), result(&bench, "difference_gu"));
    assert_eq!(format!("{:.4}", gu - half), result(&bench, "ci_low_gu"));
    assert_eq!(format!("{:.4}", gu + half), result(&bench, "ci_high_gu"));
}

#[test]
fn before_that_it_is_pending_and_made_of_the_zones_that_are_read() {
    let bench = told(&[OPENING, "71.4 75.0 71.6 75.3 71.1"]);
    let view = view(&bench);
    let shown = &view.differences[0];
    // Control 71.4, 71.6, 71.1, mean 71.3667; treated 75.0, 75.3, mean 75.15.
    assert_eq!((shown.proof, shown.n_control, shown.n_treated), (Proof::Pending, 3, 2));
    assert!((shown.difference_gu.unwrap() - 3.783_333).abs() < 1e-5);
    assert!(shown.half_width_gu.unwrap() > 0.0);
    assert_eq!((shown.verdict, result(&bench, "difference_gu").as_str()), ("", ""), "no proof, no result");
}

#[test]
fn with_one_side_read_there_is_nothing_to_show() {
    assert_eq!(view(&told(&[OPENING, "71.4"])).differences[0].text, "");
}

#[test]
fn a_bracket_that_did_not_hold_leaves_no_difference_and_zones_to_be_read_again() {
    let bench = told(&[OPENING, ZONES, "91.7 91.8 91.7"]);
    let view = view(&bench);
    assert_eq!(view.differences[0].difference_gu, None);
    assert_eq!((view.placements_done, view.placements_of), (0, 6));
    assert!(view.panels[0].zones.iter().all(|zone| zone.is_read_again));
    assert_eq!((view.todo.kind, view.todo.short.as_str()), (TodoKind::Zone, "C1"));
}

#[test]
fn a_run_that_is_given_up_says_so_and_shows_what_did_not_hold() {
    let mut bench = told(&[OPENING, "71.4 75.0"]);
    bench.word(Word::Abandon { reason: String::new() });
    let view = view(&bench);
    assert_eq!((view.is_over, view.todo.kind), (true, TodoKind::GivenUp));
    assert_eq!(view.panels[0].zones[0].mark, Mark::NotHeld);
    assert!(!view.panels[0].zones[0].is_read_again, "nothing is read any more");
    assert_eq!(view.differences[0].proof, Proof::NotProven);
    assert!(!view.words.is_open);
}

/// Every story, to its end, that words are tried on.
fn stories() -> Vec<(&'static str, Vec<&'static str>)> {
    vec![
        ("at the start", vec![]),
        ("in the opening check", vec!["92.4"]),
        ("before the first zone", vec![OPENING]),
        ("between zones", vec![OPENING, "71.4 75.0 71.6"]),
        ("in the closing check", vec![OPENING, ZONES, "92.4"]),
        ("after a failed check", vec!["90.0 90.1 90.0"]),
        ("after a bracket that drifted", vec![OPENING, ZONES, "91.7 91.8 91.7"]),
        ("over", vec![OPENING, ZONES, "92.3 92.4 92.4"]),
        ("paused", vec![OPENING, "71.4", "p"]),
        ("as found", vec![OPENING, "71.4", "m"]),
        ("adjusting", vec![OPENING, "71.4", "m", "92.4 92.4 92.4"]),
    ]
}

fn retold(steps: &[&str]) -> Bench {
    let mut bench = Bench::new(setup(3));
    for step in steps {
        match *step {
            "p" => bench.word(Word::Pause),
            "m" => bench.word(Word::Adjust),
            values => bench.press(values),
        };
    }
    bench
}

#[test]
fn words_that_are_offered_are_followed_and_those_that_are_not_would_be_refused() {
    let reason = || "a reason".to_owned();
    for (when, steps) in stories() {
        let words = view(&retold(&steps)).words;
        let all = [
            (words.undo.is_some(), Word::Undo),
            (words.again.is_some(), Word::Again { zone: None }),
            (!words.voidable.is_empty(), Word::Void { placement: None, reason: reason() }),
            (words.check, Word::Check),
            (words.adjusted, Word::Adjusted),
            (words.pause, Word::Pause),
            (words.resume, Word::Resume),
            (words.is_open, Word::Abandon { reason: String::new() }),
        ];
        for (is_offered, word) in all {
            let mut bench = retold(&steps);
            let before = bench.events.len();
            bench.word(word.clone());
            let refused = bench.events[before..].iter().any(|event| event.contains("word-refused"));
            // While a run is paused, the words that need the meter are held back although they would be followed.
            if view(&retold(&steps)).words.resume && !is_offered && word != Word::Pause {
                continue;
            }
            assert_eq!(is_offered, !refused, "{when}: {word:?}");
        }
    }
}

#[test]
fn what_is_offered_for_void_is_what_the_word_takes() {
    let steps = [OPENING, "71.4 75.0 71.6"];
    for of in view(&retold(&steps)).words.voidable {
        let mut bench = retold(&steps);
        bench.word(Word::Void { placement: Some(of.placement), reason: "slid".to_owned() });
        assert!(bench.said.contains(&format!("placement {} is void", of.placement)), "{of:?}");
    }
    let first = &view(&retold(&steps)).words.voidable[0];
    assert_eq!(first.what, "C2: 71.6 GU at 60°", "the newest first");
}

#[test]
fn readings_odd_things_the_tile_and_a_lost_meter_sound_each_in_its_way() {
    let mut bench = told(&[OPENING, "71.4"]);
    bench.bytes(b"ERR 7\r\n").link(false);
    let sound = |text: &str| bench.heard.iter().find(|heard| heard.says.contains(text)).unwrap().sound;
    assert_eq!(sound("C1: 71.4"), Some(Sound::Taken));
    assert_eq!(sound("not taken"), Some(Sound::Odd));
    assert_eq!(sound("reading 1 of 3"), Some(Sound::TileWanted));
    assert_eq!(sound("line is down"), Some(Sound::Lost));
    assert_eq!(sound("check passed"), None);
    let taken = bench.heard.iter().find(|heard| heard.says.starts_with("C1")).unwrap();
    assert_eq!(taken.time, "09:00:20", "four placements, five seconds apart, from nine on");
}
