//! What the reading order makes of a drift, and what becomes of readings and zones that stand out.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;

use common::Bench;
use common::head;
use common::setup;
use halfpanel::difference::Book;
use halfpanel::difference::Books;
use halfpanel::difference::Comparison;
use halfpanel::difference::doubt::suspects;
use halfpanel::run::setup::Block;
use halfpanel::run::setup::DriftPolicy;
use halfpanel::run::setup::Earlier;
use halfpanel::run::setup::Serves;
use halfpanel::run::setup::Setup;
use halfpanel::stats::outliers::Floor;
use halfpanel::tables::Sheets;
use halfpanel::tables::Table;
use proptest::prelude::*;
use std::collections::BTreeMap;

type Row = BTreeMap<String, String>;

fn rows(books: Books<'_>, table: Table) -> Vec<Row> {
    let mut csv = Vec::new();
    Sheets::new(books).write(table, &mut csv, true).unwrap();
    csv::Reader::from_reader(csv.as_slice()).deserialize().map(Result::unwrap).collect()
}

fn books(bench: &Bench) -> Books<'_> {
    Books::new(Book::new(bench.run.ledger(), ""), Vec::new())
}

fn figure(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column} is `{}` in {row:?}", row[column]))
}

fn close(found: f64, by_hand: f64) {
    assert!((found - by_hand).abs() < 1e-9, "{found} is {by_hand} by hand");
}

/// Zones of half the tile's gloss in this order, while the tile rises by 0.007 GU a second.
///
/// Presses come every 5 s. The opening check is read at 5, 10 and 15 s, so its mean is 92.4 at 10 s; the zones at 20, 25, 30
/// and 35 s; the closing check at 40, 45 and 50 s, 92.645 at 45 s. A zone of half the gloss reads 46.2 + 0.0035 (t − 10).
fn drifting(order: [usize; 4], policy: DriftPolicy) -> Bench {
    let mut two = setup(2);
    two.plan = vec![Block(order.to_vec())];
    two.procedure.drift_policy = policy;
    let mut bench = Bench::new(two);
    bench.press("92.3650 92.4000 92.4350").press("46.2350 46.2525 46.2700 46.2875");
    bench.press("92.6100 92.6450 92.6800");
    bench
}

/// `setup(2)` has C1, T1, C2, T2.
const MIRROR: [usize; 4] = [0, 1, 3, 2];
const ALTERNATE: [usize; 4] = [0, 1, 2, 3];
const LISTED: [usize; 4] = [0, 2, 1, 3];

/// Checks `see` on the one comparison of a run.
fn only<R>(books: &Books<'_>, see: impl FnOnce(&Comparison<'_>) -> R) -> R {
    let found = books.comparisons();
    assert_eq!(found.len(), 1);
    see(&found[0])
}

/// By hand: mean times of treated minus control are (25 + 30)/2 − (20 + 35)/2 = 0 s in the mirror, (25 + 35)/2 − (20 + 30)/2 =
/// 5 s in turns, and (30 + 35)/2 − (20 + 25)/2 = 10 s one side after the other, by 0.0035 GU a second at half the tile's gloss: 0,
/// 0.0175 and 0.0350 GU where there is no difference. As it is told: by the tile, 0.007 GU a second, scaled by 46.26125/92.4.
#[test]
fn the_mirror_cancels_a_drift_in_a_straight_line_and_the_other_orders_keep_their_part_of_it() {
    for (order, seconds) in [(MIRROR, 0.0), (ALTERNATE, 5.0), (LISTED, 10.0)] {
        let bench = drifting(order, DriftPolicy::Allow);
        only(&books(&bench), |found| {
            let figures = found.figures.as_ref().unwrap();
            close(figures.weighed.difference_gu.unwrap(), 0.0035 * seconds);
            close(figures.difference_raw_gu.unwrap(), 0.0035 * seconds);
            close(figures.difference_corrected_gu.unwrap(), 0.0);
            close(figures.weighed.drift_bias_gu, 0.007 * seconds * 46.261_25 / 92.4);
            // What is left of it is never called a difference.
            assert_eq!(found.verdict().text(), "no detectable difference");
        });
    }
}

#[test]
fn the_correction_takes_a_drift_in_a_straight_line_out_of_every_order() {
    for order in [MIRROR, ALTERNATE, LISTED] {
        let bench = drifting(order, DriftPolicy::Correct);
        only(&books(&bench), |found| {
            close(found.figures.as_ref().unwrap().weighed.difference_gu.unwrap(), 0.0);
        });
    }
}

fn five_each() -> Setup {
    let mut five = setup(3);
    five.procedure.readings_per_zone = 5;
    five
}

const TILE: &str = "92.4 92.4 92.4";
const CONTROL: [&str; 3] =
    ["71.2 71.3 71.2 71.3 71.2", "71.0 71.1 71.0 71.1 71.1", "71.4 71.5 71.4 71.4 71.5"];
const TREATED: [&str; 3] =
    ["75.0 75.1 75.0 75.1 75.0", "75.2 75.1 79.9 75.2 75.1", "75.3 75.3 75.2 75.3 75.2"];

fn read<'b>(bench: &'b mut Bench, control: [&str; 3], treated: [&str; 3]) -> &'b mut Bench {
    bench.press(TILE);
    for (control, treated) in control.into_iter().zip(treated) {
        bench.press(control).press(treated);
    }
    bench.press(TILE)
}

fn flagged(books: Books<'_>, table: Table, column: &str) -> Vec<String> {
    let is_doubtful = |row: &Row| row["flags"].split(';').any(|flag| flag == "doubtful");
    rows(books, table).iter().filter(|row| is_doubtful(row)).map(|row| row[column].clone()).collect()
}

/// By hand: zone means 71.24, 71.06, 71.44 (mean 71.2467); 75.04, 75.26, and T2 76.1, or 75.15 without its slid
/// reading: treated 75.4667 or 75.15.
#[test]
fn a_slid_reading_among_repeats_is_flagged_everywhere_and_dropped_nowhere() {
    let mut bench = Bench::new(five_each());
    read(&mut bench, CONTROL, TREATED);
    assert_eq!(flagged(books(&bench), Table::Readings, "gloss_gu"), ["79.9"]);
    assert_eq!(flagged(books(&bench), Table::Zones, "zone"), ["T2"]);
    let zones = rows(books(&bench), Table::Zones);
    let slid = zones.iter().find(|zone| zone["zone"] == "T2").unwrap();
    assert_eq!(
        (slid["n"].as_str(), slid["mean_gu"].as_str(), slid["max_gu"].as_str()),
        ("5", "76.1000", "79.9000")
    );
    let results = rows(books(&bench), Table::Results);
    let row = &results[0];
    assert!(row["flags"].split(';').any(|flag| flag == "doubtful=T2"), "{}", row["flags"]);
    assert_eq!((row["n_treated"].as_str(), row["treated_mean_gu"].as_str()), ("3", "75.4667"));
    assert_eq!(
        (row["difference_gu"].as_str(), row["difference_without_doubtful_gu"].as_str()),
        ("4.2200", "3.9033")
    );
    // Both stand: with it the side scatters too much to tell how large the difference is.
    let width = |low: &str, high: &str| figure(row, high) - figure(row, low);
    assert!(
        width("ci_low_gu", "ci_high_gu")
            > 2.0 * width("ci_low_without_doubtful_gu", "ci_high_without_doubtful_gu")
    );
    assert_eq!(row["verdict_without_doubtful"], "higher");
}

/// By hand: control mean 71.2 (71.0 71.1 71.2 71.3 71.4); treated 75.0 75.1 75.0 75.2 79.9, mean 76.04, or 75.075 without T5.
#[test]
fn a_zone_that_stands_out_from_its_side_is_flagged_everywhere_and_dropped_nowhere() {
    let mut bench = Bench::new(setup(5));
    bench.press(TILE).press("71.0 75.0 71.1 75.1 71.2 75.0 71.3 75.2 71.4 79.9").press(TILE);
    assert_eq!(flagged(books(&bench), Table::Readings, "zone"), ["T5"]);
    assert_eq!(flagged(books(&bench), Table::Zones, "zone"), ["T5"]);
    let row = &rows(books(&bench), Table::Results)[0];
    assert!(row["flags"].split(';').any(|flag| flag == "doubtful=T5"), "{}", row["flags"]);
    assert_eq!((row["n_treated"].as_str(), row["difference_gu"].as_str()), ("5", "4.8400"));
    assert_eq!(row["difference_without_doubtful_gu"], "3.8750");
}

#[test]
fn where_nothing_is_doubtful_nothing_stands_beside_the_result() {
    let mut bench = Bench::new(five_each());
    read(&mut bench, CONTROL, [TREATED[0], "75.2 75.1 75.2 75.2 75.1", TREATED[2]]);
    assert!(flagged(books(&bench), Table::Readings, "gloss_gu").is_empty());
    let row = &rows(books(&bench), Table::Results)[0];
    assert!(!row["flags"].contains("doubtful"));
    for column in [
        "difference_without_doubtful_gu",
        "ci_low_without_doubtful_gu",
        "ci_high_without_doubtful_gu",
        "verdict_without_doubtful",
    ] {
        assert_eq!(row[column], "", "{column}");
    }
}

/// One of five bare readings of T2 slid by 5 GU. By hand: the control has not changed; bare means 72.0, T2 73.0 with the
/// slid one; now 75.04, 75.15 and 75.26. So (3.04 + 2.15 + 3.26)/3 = 2.8167, or without it (3.04 + 3.15 + 3.26)/3 = 3.15.
#[test]
fn a_slid_bare_reading_is_doubtful_in_the_comparison_that_rests_on_it() {
    let mut before = head(five_each());
    before.run = "2026-05-01-01".to_owned();
    before.setup.zones.iter_mut().for_each(|zone| "bare".clone_into(&mut zone.stage));
    let mut bare = Bench::with_head(before);
    read(
        &mut bare,
        CONTROL,
        ["72.0 72.0 72.0 72.0 72.0", "72.0 72.0 77.0 72.0 72.0", "72.0 72.0 72.0 72.0 72.0"],
    );
    let mut now = five_each();
    now.comparing.earlier = vec![Earlier {
        serves: Serves::Baseline,
        panel: 0,
        stage: "bare".to_owned(),
        run: "2026-05-01-01".to_owned(),
        sha256: "b".to_owned(),
    }];
    let mut bench = Bench::new(now);
    read(&mut bench, CONTROL, [TREATED[0], "75.2 75.1 75.1 75.2 75.15", TREATED[2]]);
    let both = || Books::new(Book::new(bench.run.ledger(), "a"), vec![Book::new(bare.run.ledger(), "b")]);
    let row = &rows(both(), Table::Results)[0];
    assert_eq!((row["design"].as_str(), row["status"].as_str()), ("paired", "proven"));
    assert_eq!(row["difference_gu"], "2.8167");
    assert!(row["flags"].split(';').any(|flag| flag == "doubtful=T2"), "{}", row["flags"]);
    assert_eq!(row["difference_without_doubtful_gu"], "3.1500");
    // This run's own readings are sound.
    assert!(flagged(both(), Table::Readings, "gloss_gu").is_empty());
    assert!(flagged(both(), Table::Zones, "zone").is_empty());
}

proptest! {
    #[test]
    fn one_step_of_the_display_never_makes_a_value_doubtful(base in 0_u32..1200, steps in proptest::collection::vec(0_u32..2, 0..60)) {
        let values: Vec<f64> = steps.iter().map(|step| f64::from(base + step) / 10.0).collect();
        let floors = [None, Some(0.02)].map(|repeatability| Floor { repeatability, step: Some(0.1) });
        for floor in floors {
            prop_assert_eq!(suspects(&values, floor), Vec::<usize>::new());
        }
    }
}
