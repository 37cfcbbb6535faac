use super::*;
use crate::meter::Profile;
use proptest::prelude::*;

const ALL: [Geometry; 3] = [Geometry::Deg20, Geometry::Deg60, Geometry::Deg85];

fn joiner(numbered: bool) -> Joiner {
    let rule = Joining { order: ALL.into(), within_us: 1_000_000 };
    Joiner::new(rule, numbered.then_some(SequenceRange { first: 1, last: 9 }))
}

fn one(geometry: Geometry, gloss: &str) -> PerGeometry<Gloss> {
    [(geometry, Gloss::from(gloss.parse::<rust_decimal::Decimal>().expect("a value")))].into_iter().collect()
}

/// Takes lines of angle and number, and tells what came of each.
fn told(joiner: &mut Joiner, lines: &[(u64, Geometry, Option<u64>)]) -> Vec<String> {
    let each = |&(at_us, geometry, number): &(u64, Geometry, Option<u64>)| {
        let late = joiner.pass_time(at_us).map(|(_, why)| why.code()).unwrap_or_default();
        let step = joiner.take(at_us, geometry.text().as_bytes(), &one(geometry, "50.0"), number);
        let refused = step.refused.map(|(lines, why)| format!("{} {}", why.code(), lines.len()));
        let whole = step.whole.map(|joined| format!("whole {}", joined.gloss.iter().count()));
        [Some(late.to_owned()), refused, whole]
            .into_iter()
            .flatten()
            .collect::<Vec<_>>()
            .join(" ")
            .trim()
            .to_owned()
    };
    lines.iter().map(each).collect()
}

fn plain(angles: &[Geometry]) -> Vec<(u64, Geometry, Option<u64>)> {
    angles.iter().map(|&geometry| (0, geometry, None)).collect()
}

#[test]
fn lines_in_their_order_are_one_placement_and_no_others_are() {
    let [a, b, c] = ALL;
    for (angles, wanted) in [
        (vec![a, b, c, a, b, c], vec!["", "", "whole 3", "", "", "whole 3"]),
        // The first, the middle and the last line of a press are lost.
        (vec![b, c, a, b, c], vec!["set-not-begun 2", "set-not-begun 2", "", "", "whole 3"]),
        (vec![a, c, a, b, c], vec!["", "set-unfinished 5", "", "", "whole 3"]),
        (vec![a, b, a, b, c], vec!["", "", "set-unfinished 5", "", "whole 3"]),
    ] {
        assert_eq!(told(&mut joiner(false), &plain(&angles)), wanted);
    }
}

#[test]
fn a_set_is_late_at_its_limit_and_not_before() {
    let [a, b, c] = ALL;
    let lines = [(0, a, None), (500_000, b, None), (999_999, c, None)];
    assert_eq!(told(&mut joiner(false), &lines), ["", "", "whole 3"]);
    let lines = [(0, a, None), (500_000, b, None), (1_000_000, c, None)];
    assert_eq!(told(&mut joiner(false), &lines), ["", "", "set-unfinished set-not-begun 2"]);
}

#[test]
fn numbers_are_the_same_in_a_set_or_rise_by_one_over_the_end_of_the_range_too() {
    let [a, b, c] = ALL;
    let numbered = |numbers: [u64; 3]| {
        [(0, a, numbers[0]), (0, b, numbers[1]), (0, c, numbers[2])].map(|(t, g, n)| (t, g, Some(n)))
    };
    for numbers in [[4, 4, 4], [4, 5, 6], [8, 9, 1]] {
        assert_eq!(told(&mut joiner(true), &numbered(numbers)), ["", "", "whole 3"], "{numbers:?}");
    }
    for numbers in [[4, 4, 5], [4, 5, 5], [4, 6, 7], [4, 5, 7], [4, 3, 2]] {
        assert!(!told(&mut joiner(true), &numbered(numbers)).concat().contains("whole"), "{numbers:?}");
    }
}

#[test]
fn a_line_that_comes_twice_with_its_number_breaks_no_set() {
    let [a, b, c] = ALL;
    let lines = [(0, a, Some(1)), (0, a, Some(1)), (0, b, Some(2)), (0, b, Some(2)), (0, c, Some(3))];
    let again = "sequence-repeated 2";
    assert_eq!(told(&mut joiner(true), &lines), ["", again, "", again, "whole 3"]);
}

proptest! {
    /// Each press has a value of its own. One line is lost, wherever: no placement has values of two presses.
    #[test]
    fn no_lost_line_mixes_two_presses(lost in 0..30_usize) {
        let mut joiner = joiner(false);
        let mut wholes = 0;
        for line in (0..30).filter(|line| *line != lost) {
            let value = format!("{}", line / 3);
            let step = joiner.take(0, b"", &one(ALL[line % 3], &value), None);
            if let Some(joined) = step.whole {
                wholes += 1;
                prop_assert!(joined.gloss.iter().all(|(_, gloss)| gloss.to_string() == value));
            }
        }
        prop_assert_eq!(wholes, 9);
    }

    /// With numbers that rise, whatever is lost.
    #[test]
    fn numbers_keep_presses_apart_whatever_is_lost(kept in proptest::collection::vec(any::<bool>(), 60)) {
        let rule = Joining { order: ALL.into(), within_us: 1_000_000 };
        let mut joiner = Joiner::new(rule, Some(SequenceRange { first: 1, last: 999 }));
        for (line, _) in kept.iter().enumerate().filter(|(_, kept)| **kept) {
            let value = format!("{}", line / 3);
            let step = joiner.take(0, b"", &one(ALL[line % 3], &value), Some(line as u64 + 1));
            if let Some(joined) = step.whole {
                prop_assert!(joined.gloss.iter().all(|(_, gloss)| gloss.to_string() == value));
            }
        }
    }
}

fn load(reading: &str, fields: &str, examples: &str) -> Result<Profile, String> {
    let text =
        format!("name = 'p'\n[line]\nseparator = ';'\nfields = [{fields}]\n[reading]\n{reading}\n{examples}");
    Profile::load("mine.toml", &text).map_err(|problem| problem.to_string())
}

const JOINED: &str = "[[example]]\nlines = ['20;1.0', '60;2.0']\ngloss_20 = '1.0'\ngloss_60 = '2.0'\n";

#[test]
fn a_profile_that_joins_is_tried_on_lines_that_are_joined() {
    let (joins, angled) = ("joins_deg = [20, 60]", "'geometry', 'gloss'");
    let profile = load(joins, angled, JOINED).expect("as it should be");
    assert_eq!(profile.joining().map(|joining| joining.within_us), Some(1_000_000));
    let other = |from: &str, to: &str| load(joins, angled, &JOINED.replace(from, to)).expect_err(to);
    for (said, part) in [
        (
            load(joins, angled, "[[example]]\nline = '20;1.0'\ngloss_20 = '1.0'").expect_err("none"),
            "no example shows lines",
        ),
        (load("", angled, JOINED).expect_err("joins nothing"), "`lines` are given, but nothing is joined"),
        (load("joins_within_ms = 5", angled, JOINED).expect_err("low"), "out of range"),
        (load("joins_within_ms = 50", angled, JOINED).expect_err("alone"), "nothing is joined"),
        (load("joins_deg = [60]", angled, JOINED).expect_err("one"), "less than two angles"),
        (load("joins_deg = [60, 60]", angled, JOINED).expect_err("twice"), "one twice"),
        (load(joins, "'gloss_20', 'skip'", JOINED).expect_err("never"), "no line can have a value at 60°"),
        (
            load(&format!("how = 'stream'\nspread_gu = '1'\npause_ms = 500\n{joins}"), angled, JOINED)
                .expect_err("stream"),
            "says nothing with `how = \"stream\"`",
        ),
        (other("'60;2.0'", "'60;2.5'"), "the lines give gloss_20 = \"1.0\", gloss_60 = \"2.5\""),
        (other("'20;1.0', '60;2.0'", "'20;1.0'"), "only 20° of 20° and 60° came within 1000 ms"),
        (other("'20;1.0', '60;2.0'", "'60;2.0', '20;1.0'"), "a line at 60° came by itself"),
        (other("'60;2.0']", "'60;2.0', '20;1.0']"), "one too many"),
        (other("lines", "line = '20;1.0'\nlines"), "`line` and `lines`"),
        (
            load(joins, angled, &format!("{JOINED}[[example]]\nrefused = true")).expect_err("empty"),
            "has no line",
        ),
    ] {
        assert!(said.contains(part), "{said}");
    }
    load(joins, angled, &format!("{JOINED}[[example]]\nlines = ['60;2.0', '20;1.0']\nrefused = true"))
        .expect("out of order is refused");
}
