//! What holds of a run's books whatever is pressed, said and waited, in whatever order. The checks here
//! are worked out from the raw readings in whole tenths of a GU and share nothing with the program's own
//! judging; the rules are those of `protocol-notes/procedure.md`.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;

use common::{Bench, PLAIN, setup, state_repeatability, with_scale};
use halfpanel::meter::Profile;
use halfpanel::run::record::Scanner;
use halfpanel::run::setup::Block;
use halfpanel::run::{CheckKind, Ledger, Reading, RunState, Setup, Spot, Status, Want, Word, replay};
use halfpanel::tile::CheckVerdict;
use proptest::prelude::*;
use rust_decimal::Decimal;
use std::collections::BTreeMap;

/// What happens next at the bench.
#[derive(Clone, Debug)]
enum Act {
    /// A value that fits where the meter is asked for; the number picks which.
    Press(u8),
    /// A value for the tile, wherever the meter is asked for.
    OnTile(u8),
    Say(Word),
    WaitMin(f64),
    Tick,
    Plug,
    Resume(f64, bool),
}

fn acts() -> impl Strategy<Value = Vec<Act>> {
    let zone = || {
        prop_oneof![
            3 => Just(None),
            1 => (1usize..4, any::<bool>()).prop_map(|(i, c)| Some(format!("{}{i}", if c { "C" } else { "T" }))),
        ]
    };
    let reason = || "slid".to_owned();
    let word = prop_oneof![
        4 => Just(Word::Undo),
        2 => zone().prop_map(|zone| Word::Again { zone }),
        3 => proptest::option::of(1u32..40)
            .prop_map(move |placement| Word::Void { placement, reason: reason() }),
        1 => zone().prop_map(move |zone| Word::Skip { zone, reason: reason() }),
        3 => Just(Word::Check),
        2 => Just(Word::Adjust),
        3 => Just(Word::Adjusted),
        1 => Just(Word::Pause),
        2 => Just(Word::Resume),
    ];
    let act = prop_oneof![
        30 => any::<u8>().prop_map(Act::Press),
        1 => any::<u8>().prop_map(Act::OnTile),
        6 => word.prop_map(Act::Say),
        2 => prop_oneof![Just(1.0), Just(21.0), Just(59.0), Just(60.0), Just(600.0)].prop_map(Act::WaitMin),
        1 => Just(Act::Tick),
        1 => Just(Act::Plug),
        1 => (prop_oneof![Just(0.5), Just(30.0), Just(700.0)], any::<bool>())
            .prop_map(|(minutes, unknown)| Act::Resume(minutes, unknown)),
    ];
    proptest::collection::vec(act, 0..90)
}

/// One to three zones a side, one to three repeats, with and without interim checks and blocks, zero and
/// middle, and the rules for readings that lie too far apart.
fn setups() -> impl Strategy<Value = Setup> {
    let every = proptest::option::of(1u32..5);
    let minutes = proptest::option::of(Just(20u32));
    (1usize..4, 1u32..4, every, minutes, any::<bool>(), scales(), ranges()).prop_map(
        |(zones, repeats, readings, minutes, one_block, (zero, middle), ranges)| {
            let mut setup = with_scale(setup(zones));
            setup.tile.zero = setup.tile.zero.filter(|_| zero);
            setup.tile.middle = setup.tile.middle.filter(|_| middle);
            let tenths = |limit: i64| Decimal::new(limit, 1);
            if let Some(limit) = ranges.0 {
                state_repeatability(&mut setup, tenths(limit));
            }
            setup.procedure.side_range_limit_gu = ranges.1.map(tenths);
            setup.procedure.readings_per_zone = repeats;
            setup.procedure.interim_after_readings = readings;
            setup.procedure.interim_after_min = minutes;
            if one_block {
                setup.plan = vec![Block((0..2 * zones).collect())];
            }
            setup
        },
    )
}

fn scales() -> impl Strategy<Value = (bool, bool)> {
    (proptest::bool::weighted(0.2), proptest::bool::weighted(0.2))
}

/// A repeatability and a limit of a side, in tenths of a GU, such that zone values keep to them now and then.
fn ranges() -> impl Strategy<Value = (Option<i64>, Option<i64>)> {
    let some = || prop_oneof![2 => Just(None), 1 => Just(Some(5)), 1 => Just(Some(12)), 1 => Just(Some(30))];
    (some(), some())
}

fn zero_value(pick: u8) -> &'static str {
    if pick.is_multiple_of(4) { "0.3" } else { "0.0" }
}

fn middle_value(pick: u8) -> &'static str {
    if pick.is_multiple_of(4) { "46.1" } else { "47.3" }
}

fn tile_value(pick: u8) -> &'static str {
    match pick % 32 {
        0 => "91.0",
        1 => "93.0",
        2 | 3 => "92.7",
        4 => "92.1",
        5..=9 => "92.5",
        _ => "92.4",
    }
}

fn zone_value(pick: u8) -> String {
    format!("{}.{}", 70 + pick % 7, pick % 10)
}

fn perform(bench: &mut Bench, act: &Act) {
    match act {
        Act::Press(pick) => match bench.run.want() {
            Want::Tile { kind: CheckKind::Zero, .. } => drop(bench.press(zero_value(*pick))),
            Want::Tile { kind: CheckKind::Middle, .. } => drop(bench.press(middle_value(*pick))),
            Want::Tile { .. } => drop(bench.press(tile_value(*pick))),
            _ => drop(bench.press(&zone_value(*pick))),
        },
        Act::OnTile(pick) => drop(bench.press(tile_value(*pick))),
        Act::Say(word) => drop(bench.word(word.clone())),
        Act::WaitMin(minutes) => drop(bench.wait_min(*minutes)),
        Act::Tick => drop(bench.tick()),
        Act::Plug => drop(bench.bytes(b"92.").link(false).link(true)),
        Act::Resume(minutes, unknown) => drop(bench.resume_after_min(*minutes, *unknown)),
    }
}

/// All of a reading but its status, which alone may change.
fn entry(r: &Reading) -> (u64, u32, u32, String, Spot, u32) {
    (r.at_us, r.record, r.placement, r.gloss.to_string(), r.spot, r.repeat)
}

fn may_become(before: Status, after: Status) -> bool {
    use Status::{Drifted, NotProven, Pending, Proven, Superseded, Undone, Voided};
    match before {
        Pending => true,
        Proven => matches!(after, Proven | Voided | Superseded),
        Drifted => matches!(after, Drifted | Voided),
        NotProven | Voided | Undone | Superseded => after == before,
    }
}

/// Nothing is lost, numbered anew or brought back.
fn only_grew(before: &Ledger, after: &Ledger) -> Result<(), TestCaseError> {
    prop_assert!(after.readings.len() >= before.readings.len(), "a reading is gone");
    for (old, new) in before.readings.iter().zip(&after.readings) {
        prop_assert_eq!(entry(old), entry(new));
        prop_assert!(may_become(old.status, new.status), "{:?} became {:?}", old.status, new.status);
    }
    let numbers: Vec<u32> = after.readings.iter().map(|r| r.placement).collect();
    prop_assert_eq!(numbers, (1..=after.readings.len() as u32).collect::<Vec<_>>());
    for (old, new) in before.brackets.iter().zip(&after.brackets) {
        prop_assert!(old.status == Status::Pending || old == new, "an ended bracket changed");
    }
    Ok(())
}

fn tenths(r: &Reading) -> i64 {
    r.gloss.to_string().replace('.', "").parse().unwrap()
}

/// The values of a check in tenths of a GU, if all of them are there.
fn tile_readings(ledger: &Ledger, check: u32) -> Vec<&Reading> {
    let of_check = |r: &&Reading| r.spot == Spot::Tile { check } && r.status != Status::Undone;
    ledger.readings.iter().filter(of_check).collect()
}

/// Three values, within 0.5 of each other, their mean within 1.0 of 92.4.
fn passes(values: &[i64]) -> bool {
    let (sum, n) = (values.iter().sum::<i64>(), values.len() as i64);
    let spread = values.iter().max().unwrap_or(&0) - values.iter().min().unwrap_or(&0);
    n == 3 && spread <= 5 && (sum - 924 * n).abs() <= 10 * n
}

/// Every proven zone reading lies between two checks that hold, the second being the first that came to
/// anything after it, without an hour in which nothing was read.
fn proven_is_enclosed(ledger: &Ledger) -> Result<(), TestCaseError> {
    for (index, reading) in ledger.readings.iter().enumerate() {
        if !matches!(reading.spot, Spot::Zone { .. }) || reading.status != Status::Proven {
            continue;
        }
        let check_of = |r: &Reading| match r.spot {
            Spot::Tile { check } if decides(&ledger.checks[check as usize]) => Some(check),
            _ => None,
        };
        let before = ledger.readings[..index].iter().rev().find_map(check_of);
        let after = ledger.readings[index..].iter().find_map(check_of);
        let (Some(before), Some(after)) = (before, after) else {
            return Err(TestCaseError::fail(format!("reading {index} has no check on one side")));
        };
        let values = |check| tile_readings(ledger, check).into_iter().map(tenths).collect::<Vec<_>>();
        prop_assert!(passes(&values(before)) && passes(&values(after)), "a check did not pass");
        let sums = [before, after].map(|check| values(check).iter().sum::<i64>());
        prop_assert!((sums[0] - sums[1]).abs() <= 9, "the tile moved by more than 0.3");
        let first = tile_readings(ledger, before).last().unwrap().at_us;
        let last = tile_readings(ledger, after)[0].at_us;
        let mut times: Vec<u64> = ledger.readings.iter().map(|r| r.at_us).collect();
        times.retain(|t| (first..=last).contains(t));
        prop_assert!(times.windows(2).all(|t| t[1] - t[0] < 3_600_000_000), "an hour lies inside");
    }
    Ok(())
}

fn decides(check: &halfpanel::run::Check) -> bool {
    let of_scale = matches!(check.kind, CheckKind::Zero | CheckKind::Middle);
    !of_scale && check.verdict.is_some_and(|verdict| verdict != CheckVerdict::Invalid)
}

/// At most one bracket is open, it is the last, and pending readings lie in it or on the check under way.
fn open_ends(ledger: &Ledger) -> Result<(), TestCaseError> {
    let ended = ledger.brackets.len().saturating_sub(1);
    prop_assert!(ledger.brackets[..ended].iter().all(|b| b.status != Status::Pending), "two are open");
    let open = ledger.brackets.last().filter(|b| b.status == Status::Pending);
    for (index, reading) in ledger.readings.iter().enumerate().filter(|(_, r)| r.status == Status::Pending) {
        let waits = match reading.spot {
            Spot::Zone { zone, attempt } => {
                open.is_some_and(|b| index >= b.first_reading as usize)
                    && attempt == ledger.attempts[usize::from(zone)]
            }
            Spot::Tile { check } => {
                check as usize + 1 == ledger.checks.len() && ledger.checks[check as usize].verdict.is_none()
            }
        };
        prop_assert!(waits, "reading {index} is pending and nothing can decide it");
    }
    Ok(())
}

/// The repeats of a zone's present attempt that count are 1, 2, 3 …, none twice.
fn repeats_are_distinct(ledger: &Ledger) -> Result<(), TestCaseError> {
    for (zone, &attempt) in ledger.attempts.iter().enumerate() {
        let mut repeats = repeats(ledger, zone, attempt, |s| matches!(s, Status::Pending | Status::Proven));
        repeats.sort_unstable();
        // Those of the plan, as many again, and as many once more for the side.
        let most = 3 * ledger.setup.procedure.readings_per_zone;
        prop_assert!(repeats.windows(2).all(|r| r[0] < r[1]), "zone {zone}: {repeats:?}");
        prop_assert!(repeats.iter().all(|r| (1..=most).contains(r)), "zone {zone}: {repeats:?}");
    }
    Ok(())
}

fn repeats(ledger: &Ledger, zone: usize, attempt: u16, counts: fn(Status) -> bool) -> Vec<u32> {
    let spot = Spot::Zone { zone: zone as u16, attempt };
    ledger.readings.iter().filter(|r| r.spot == spot && counts(r.status)).map(|r| r.repeat).collect()
}

/// A complete run has every repeat of every zone proven, or the zone skipped; an ended one waits for nothing.
fn the_end_is_the_end(ledger: &Ledger) -> Result<(), TestCaseError> {
    if ledger.state == RunState::Open {
        return Ok(());
    }
    prop_assert!(ledger.readings.iter().all(|r| r.status != Status::Pending), "something is pending");
    for (zone, &attempt) in ledger.attempts.iter().enumerate() {
        let proven = repeats(ledger, zone, attempt, |s| s == Status::Proven);
        let whole = (1..=wanted(ledger, zone)).all(|repeat| proven.contains(&repeat));
        prop_assert!(
            ledger.state != RunState::Complete || whole || ledger.skipped.contains_key(&zone),
            "zone {zone} has proven repeats {proven:?}"
        );
    }
    Ok(())
}

/// The values of a zone's present attempt that count, in tenths of a GU, by repeat.
fn values(ledger: &Ledger, zone: usize) -> BTreeMap<u32, i64> {
    let spot = Spot::Zone { zone: zone as u16, attempt: ledger.attempts[zone] };
    let counts = |r: &&Reading| r.spot == spot && matches!(r.status, Status::Pending | Status::Proven);
    ledger.readings.iter().filter(counts).map(|r| (r.repeat, tenths(r))).collect()
}

/// A limit of the set-up in hundredths of a GU.
fn hundredths(limit: Option<Decimal>) -> Option<i64> {
    limit.map(|gu| i64::try_from((gu * Decimal::from(100)).mantissa() / 10i128.pow(gu.scale())).unwrap())
}

/// Repeats before the sides are compared: the planned ones, and as many again where they lie further apart
/// than 2.8 σ (two) or 3.3 σ (three), ISO 5725-6, table 1. `None` while one is missing.
fn base(ledger: &Ledger, zone: usize) -> Option<u32> {
    let (values, planned) = (values(ledger, zone), ledger.setup.procedure.readings_per_zone);
    let first = |n: u32| (1..=n).map(|repeat| values.get(&repeat).copied()).collect::<Option<Vec<i64>>>();
    let planned_values = first(planned)?;
    let range = planned_values.iter().max().unwrap() - planned_values.iter().min().unwrap();
    let factor_tenths = [0, 28, 33][planned as usize - 1];
    let sigma = hundredths(ledger.specification.repeatability_gu.map(|gu| gu.decimal()));
    let is_wide = planned > 1 && sigma.is_some_and(|sigma| 100 * range > factor_tenths * sigma);
    let base = if is_wide { 2 * planned } else { planned };
    first(base).map(|_| base)
}

/// Repeats that a zone needs by the rules, worked out from the values.
fn wanted(ledger: &Ledger, zone: usize) -> u32 {
    let planned = ledger.setup.procedure.readings_per_zone;
    let Some(own) = base(ledger, zone) else { return 2 * planned };
    let zones = &ledger.setup.zones;
    let side =
        (0..zones.len()).filter(|z| zones[*z].role == zones[zone].role && !ledger.skipped.contains_key(z));
    let Some(limit) = hundredths(ledger.setup.procedure.side_range_limit_gu) else { return own };
    // Means times 6 are whole for every number of repeats here: 1, 2, 3, 4 or 6 once doubled; of 4, times 12.
    let mean = |z: usize| {
        let base = base(ledger, z)?;
        Some((1..=base).map(|repeat| values(ledger, z)[&repeat]).sum::<i64>() * 12 / i64::from(base))
    };
    let Some(means) = side.map(mean).collect::<Option<Vec<i64>>>() else { return own };
    let (Some(high), Some(low)) = (means.iter().max(), means.iter().min()) else { return own };
    // Tenths times 12 against hundredths: both times 10.
    if 10 * (high - low) > 12 * limit { own + planned } else { own }
}

/// Where something is still to be read, the run asks for it; the books say how many readings a zone takes.
fn nothing_wanted_is_left_out(bench: &Bench) -> Result<(), TestCaseError> {
    let ledger = bench.run.ledger();
    let to_read = (0..ledger.setup.zones.len()).find(|&zone| {
        let values = values(ledger, zone);
        let missing = !(1..=wanted(ledger, zone)).all(|repeat| values.contains_key(&repeat));
        !ledger.skipped.contains_key(&zone) && (base(ledger, zone).is_none() || missing)
    });
    if let Want::Zone { zone, repeat, of } = bench.run.want() {
        prop_assert!(to_read.is_some(), "zone {zone} is asked for and nothing is wanted");
        prop_assert!(!values(ledger, zone).contains_key(&repeat), "repeat {repeat} is there already");
        prop_assert!((values(ledger, zone).len() as u32) < of, "zone {zone} is asked for beyond {of}");
        prop_assert_eq!(of, ledger.wanted(zone));
    }
    let closing = matches!(bench.run.want(), Want::Tile { kind: CheckKind::Closing, reading: 1, .. });
    let untouched = !ledger.readings.last().is_some_and(|r| matches!(r.spot, Spot::Tile { .. }));
    prop_assert!(!(closing && untouched && to_read.is_some()), "a closing check comes before {to_read:?}");
    Ok(())
}

/// Zero and middle come in this order before every opening and as-left check that begins a sitting or a
/// setting, and no bracket hangs on them.
fn scale_checks_touch_no_bracket(ledger: &Ledger) -> Result<(), TestCaseError> {
    let of_scale =
        |check: u32| matches!(ledger.checks[check as usize].kind, CheckKind::Zero | CheckKind::Middle);
    for bracket in &ledger.brackets {
        prop_assert!(!of_scale(bracket.opening) && !bracket.closing.is_some_and(of_scale), "{bracket:?}");
        let inside = bracket.opening + 1..bracket.closing.unwrap_or(ledger.checks.len() as u32);
        let between = bracket.status == Status::Proven && inside.clone().any(of_scale);
        prop_assert!(!between, "a point of the scale was read in the bracket {bracket:?}");
    }
    let (zero, middle) = (ledger.setup.tile.zero.is_some(), ledger.setup.tile.middle.is_some());
    let first = ledger.checks[0].kind;
    let wanted = match (zero, middle) {
        (true, _) => CheckKind::Zero,
        (false, true) => CheckKind::Middle,
        (false, false) => CheckKind::Opening,
    };
    // An adjustment may be announced before anything else.
    prop_assert!(first == wanted || first == CheckKind::AsFound, "the run began with {first:?}");
    Ok(())
}

/// Both sides come from one setting: no as-left check lies between the readings of a panel that count.
fn one_setting(ledger: &Ledger) -> Result<(), TestCaseError> {
    if ledger.state != RunState::Complete {
        return Ok(());
    }
    let counts = |r: &&Reading| match r.spot {
        Spot::Zone { zone, attempt } => {
            r.status == Status::Proven
                && attempt == ledger.attempts[usize::from(zone)]
                && !ledger.skipped.contains_key(&usize::from(zone))
        }
        Spot::Tile { .. } => false,
    };
    let times: Vec<u64> = ledger.readings.iter().filter(counts).map(|r| r.at_us).collect();
    let (Some(first), Some(last)) = (times.iter().min(), times.iter().max()) else { return Ok(()) };
    let set = |c: &halfpanel::run::Check| {
        c.kind == CheckKind::AsLeft
            && c.verdict == Some(CheckVerdict::Passed)
            && (first..last).contains(&&c.at_us)
    };
    prop_assert!(!ledger.checks.iter().any(set), "the meter was adjusted between the sides");
    Ok(())
}

fn replays_alike(bench: &Bench) -> Result<(), TestCaseError> {
    let mut scanner = Scanner::new("the bench", bench.bytes.as_slice());
    let replayed =
        replay("the bench", &mut scanner, |_, _, _| {}).map_err(|e| TestCaseError::fail(e.to_string()))?;
    let (then, now) = (bench.run.ledger(), replayed.run.ledger());
    prop_assert_eq!(&then.readings, &now.readings);
    prop_assert_eq!(&then.checks, &now.checks);
    prop_assert_eq!(&then.brackets, &now.brackets);
    prop_assert_eq!(&then.ranges, &now.ranges);
    prop_assert_eq!(bench.run.want(), replayed.run.want());
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(500))]

    #[test]
    fn whatever_is_pressed_and_said_the_books_stay_whole(setup in setups(), acts in acts()) {
        let mut bench = Bench::new(setup);
        for act in &acts {
            if bench.run.is_over() {
                break;
            }
            let before = bench.run.ledger().clone();
            perform(&mut bench, act);
            let after = bench.run.ledger();
            only_grew(&before, after)?;
            proven_is_enclosed(after)?;
            open_ends(after)?;
            repeats_are_distinct(after)?;
            the_end_is_the_end(after)?;
            one_setting(after)?;
            nothing_wanted_is_left_out(&bench)?;
            scale_checks_touch_no_bracket(after)?;
        }
        replays_alike(&bench)?;
    }
}

/// Statuses of `results.csv`, by the program's own tables.
fn result_status(bench: &Bench) -> String {
    let mut out = Vec::new();
    halfpanel::tables::write(halfpanel::tables::Table::Results, bench.run.ledger(), "", &mut out, true)
        .unwrap();
    let text = String::from_utf8(out).unwrap();
    let mut lines = text.lines().map(|line| line.split(',').collect::<Vec<_>>());
    let column = lines.next().unwrap().iter().position(|name| *name == "status").unwrap();
    lines.next().unwrap()[column].to_owned()
}

#[test]
fn both_sides_come_from_one_sitting_also_if_the_night_fell_after_a_failed_check() {
    let mut bench = Bench::new(setup(1));
    bench.press("92.4 92.4 92.4 70.0").word(Word::Check).press("92.4 92.4 92.4 75.0 90.0 90.0 90.0");
    bench.resume_after_min(1200.0, false).press("93.3 93.3 93.3");
    assert_eq!(bench.zone_readings(), "C1 70.0 superseded\nT1 75.0 drifted\n");
}

#[test]
fn a_check_is_not_read_over_a_week() {
    let mut bench = Bench::new(setup(1));
    bench.press("92.4 92.4").resume_after_min(10_000.0, false).press("92.4");
    assert!(matches!(bench.run.want(), Want::Tile { reading: 2, .. }), "{:?}", bench.run.want());
}

#[test]
fn a_step_of_the_meter_between_the_sides_is_not_a_proven_difference() {
    let mut bench = Bench::new(setup(1));
    bench.press("91.5 91.5 91.5 70.0").word(Word::Check).press("91.5 91.5 91.5 70.0 93.3 93.3 93.3");
    bench.press("71.4 93.3 93.3 93.3");
    assert_ne!(result_status(&bench), "proven");
}

#[test]
fn a_second_invalid_check_in_a_row_counts_as_failed_whatever_is_said_in_between() {
    let mut bench = Bench::new(setup(1));
    bench.press("92.4 92.4 92.4 70.0 75.0 92.4 80.0 92.4").word(Word::Adjust).press("92.4 80.0 92.4");
    assert_eq!(bench.run.ledger().checks[2].verdict, Some(CheckVerdict::Failed));
}

#[test]
fn a_zone_with_a_repeat_missing_is_not_proven() {
    let mut two = setup(1);
    two.procedure.readings_per_zone = 2;
    let mut bench = Bench::new(two);
    bench.press("92.4 92.4 92.4 70.0 70.0 75.0");
    bench.word(Word::Void { placement: None, reason: "slid".to_owned() }).press("75.0").word(Word::Check);
    bench.press("92.4 92.4 92.4").word(Word::Abandon { reason: String::new() });
    assert_eq!(result_status(&bench), "not-proven");
}

#[test]
fn an_adjustment_that_was_announced_stays_announced_after_undo() {
    let mut bench = Bench::new(setup(1));
    bench.press("92.4 92.4 92.4 70.0").word(Word::Adjust).word(Word::Undo);
    assert!(
        matches!(bench.run.want(), Want::Tile { kind: CheckKind::AsFound, .. }),
        "{:?}",
        bench.run.want()
    );
}

#[test]
fn the_profile_of_these_runs_holds() {
    assert!(Profile::load("plain", PLAIN).is_ok());
}
