//! The bench whose truth is known makes its evidence without the books. Here the same readings go through books
//! and tables, and must come to the same interval: what is counted over the one holds for the other.

use crate::books::Books;
use crate::books::decimal;
use crate::made_up_bench::Course;
use crate::made_up_bench::Design;
use crate::made_up_bench::Log;
use crate::made_up_bench::Order;
use crate::made_up_bench::PLAIN;
use crate::sheet::sheet;
use halfpanel::difference;
use halfpanel::difference::weighing::Known;
use halfpanel::difference::weighing::weigh;
use halfpanel::run::CheckKind;
use halfpanel::run::Ledger;
use halfpanel::run::Status;
use halfpanel::run::setup::DriftPolicy;
use halfpanel::run::setup::Earlier;
use halfpanel::run::setup::Serves;
use halfpanel::tables::Table;
use halfpanel::units::Geometry;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// The books of a log, written as a meter with two decimals prints.
fn ledger(design: &Design, log: &Log, id: &str) -> Ledger {
    let mut books = Books::new(&[Geometry::Deg60]).repeats(u32::try_from(design.repeats).unwrap());
    if design.policy == DriftPolicy::Correct {
        books = books.correcting();
    }
    books.0.id = id.to_owned();
    books.0.setup.tile.values[0].expanded_uncertainty_gu = Some(decimal(&design.tile_u_gu.to_string()));
    for zone in 0..design.control + design.treated {
        let treatment = (zone >= design.control).then_some("T1");
        books.zone("P1", &format!("Z{zone}"), treatment);
    }
    let seconds = |at_s: f64| 100 + at_s as u64;
    let text = |gu: f64| format!("{gu:.2}");
    for (number, (at_s, check)) in log.checks.iter().enumerate() {
        let at_s = seconds(*at_s);
        let check = check.map(text).join(" ");
        match number {
            0 => books.open(CheckKind::Opening, at_s, &check),
            last if last + 1 == log.checks.len() => {
                books.close(CheckKind::Closing, at_s, &check, Status::Proven);
            }
            _ => books.pass_interim(at_s, &check),
        }
        for reading in log.readings.iter().filter(|reading| reading.after_check == number) {
            books.read(u16::try_from(reading.zone).unwrap(), seconds(reading.at_s), &text(reading.gu));
        }
    }
    books.0
}

fn close(what: &str, found: f64, expected: f64, by: f64) {
    assert!((found - expected).abs() <= by, "{what}: {found}, not {expected}");
}

fn same(found: &Known, expected: &Known) {
    close("u", found.standard_uncertainty_gu, expected.standard_uncertainty_gu, 1e-9);
    close("degrees", found.degrees_of_freedom / expected.degrees_of_freedom, 1.0, 1e-6);
    close("U", found.expanded_gu, expected.expanded_gu, 1e-9);
}

fn cross_check(design: &Design) {
    let mut chance = ChaCha8Rng::seed_from_u64(11);
    for _ in 0..3 {
        let made = design.make(1.0, &mut chance);
        let expected = weigh(&design.evidence(&made));
        let mut after = ledger(design, &made.after, "run-7");
        let before = made.before.as_ref().map(|log| ledger(design, log, "run-6"));
        if before.is_some() {
            after.setup.comparing.earlier.push(Earlier {
                serves: Serves::Baseline,
                panel: 0,
                stage: "bare".to_owned(),
                run: "run-6".to_owned(),
                sha256: "b6".to_owned(),
            });
        }
        let book = difference::Book::new(&after, "a7");
        let earlier = before.iter().map(|ledger| difference::Book::new(ledger, "b6")).collect();
        let books = difference::Books::new(book, earlier);
        let found = books.comparisons();
        let weighed = &found[0].figures.as_ref().unwrap().weighed;
        let (gu, expected_gu) = (weighed.difference_gu.unwrap(), expected.difference_gu.unwrap());
        close("difference", gu, expected_gu, 1e-9);
        same(&weighed.chance.unwrap(), &expected.chance.unwrap());
        same(&weighed.whole.unwrap(), &expected.whole.unwrap());
        if before.is_none() {
            let sheet = sheet(Table::Results, &after);
            let cell = |name| sheet.cell(0, name).parse::<f64>().unwrap();
            let half_width = expected.chance.unwrap().expanded_gu;
            close("ci_low_gu", cell("ci_low_gu"), expected_gu - half_width, 0.000_051);
            close("ci_high_gu", cell("ci_high_gu"), expected_gu + half_width, 0.000_051);
            let whole = expected.whole.unwrap().expanded_gu;
            close("expanded_uncertainty_gu", cell("expanded_uncertainty_gu"), whole, 0.000_051);
        }
    }
}

const DRIFTING: Design = Design { course: Course::Straight(0.2), tile_u_gu: 0.92, ..PLAIN };

#[test]
fn a_plain_run_comes_to_the_interval_of_its_evidence() {
    cross_check(&Design { order: Order::Listed, ..DRIFTING });
}

#[test]
fn a_corrected_run_with_repeats_and_uneven_times_does() {
    cross_check(&Design { policy: DriftPolicy::Correct, repeats: 3, uneven: true, ..DRIFTING });
}

#[test]
fn a_run_with_an_interim_check_does() {
    cross_check(&Design { interim: true, order: Order::Listed, ..DRIFTING });
    cross_check(&Design { interim: true, policy: DriftPolicy::Correct, ..DRIFTING });
}

#[test]
fn a_paired_run_does() {
    cross_check(&Design { paired: true, control: 4, treated: 3, ..DRIFTING });
    cross_check(&Design { paired: true, policy: DriftPolicy::Correct, ..DRIFTING });
}
