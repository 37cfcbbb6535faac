//! Which readings of a zone count, and what the zone is worth.

use crate::books::Books;
use crate::sheet::sheet;
use halfpanel::run::Bracket;
use halfpanel::run::CheckKind;
use halfpanel::run::Status;
use halfpanel::tables::Table;
use halfpanel::units::Geometry;

const ALL: &str = "n mean_gu sd_gu min_gu max_gu status flags";

/// One zone of three planned repeats with an open bracket.
fn one_zone() -> (Books, u16) {
    let mut books = Books::new(&[Geometry::Deg60]).repeats(3);
    let zone = books.zone("P1", "A1", None);
    books.open(CheckKind::Opening, 100, "92.4 92.4 92.4");
    (books, zone)
}

fn close(books: &mut Books, outcome: Status) {
    books.close(CheckKind::Closing, 900, "92.4 92.4 92.4", outcome);
}

fn row(books: &Books) -> String {
    let sheet = sheet(Table::Zones, &books.0);
    assert_eq!(sheet.rows.len(), 1);
    sheet.cells(0, ALL)
}

/// Mean of 70.0, 70.1 and 70.5 is 70.2; deviations −0.2, −0.1, 0.3: √(0.14 / 2) = 0.264575….
#[test]
fn the_figures_of_a_zone_are_those_of_its_repeats() {
    let (mut books, zone) = one_zone();
    for (at_s, gloss) in [(200, "70.0"), (210, "70.1"), (220, "70.5")] {
        books.read(zone, at_s, gloss);
    }
    close(&mut books, Status::Proven);
    assert_eq!(row(&books), "3|70.2000|0.2646|70.0000|70.5000|proven|");
}

#[test]
fn a_zone_with_a_repeat_missing_is_not_proven() {
    let (mut books, zone) = one_zone();
    books.read(zone, 200, "70.0");
    books.read(zone, 210, "70.2");
    close(&mut books, Status::Proven);
    assert_eq!(row(&books), "2|70.1000|0.1414|70.0000|70.2000|not-proven|");
}

#[test]
fn a_voided_repeat_counts_for_nothing_and_leaves_its_zone_not_proven_until_it_is_read_again() {
    let (mut books, zone) = one_zone();
    let wild = books.read(zone, 200, "12.0");
    books.read(zone, 210, "70.0");
    books.read(zone, 220, "70.2");
    books.void(wild, "slid");
    close(&mut books, Status::Proven);
    assert_eq!(row(&books), "2|70.1000|0.1414|70.0000|70.2000|not-proven|");
}

#[test]
fn a_zone_voided_to_nothing_has_no_figures_and_is_not_proven() {
    let (mut books, zone) = one_zone();
    for at_s in [200, 210, 220] {
        let wild = books.read(zone, at_s, "12.0");
        books.void(wild, "slid");
    }
    close(&mut books, Status::Proven);
    assert_eq!(row(&books), "0|||||not-proven|voided-to-nothing");
}

#[test]
fn an_undone_placement_counts_for_nothing_and_does_not_make_the_zone_retaken() {
    let (mut books, zone) = one_zone();
    let undone = books.read(zone, 190, "12.0");
    books.set(undone, Status::Undone);
    for at_s in [200, 210, 220] {
        books.read(zone, at_s, "70.0");
    }
    close(&mut books, Status::Proven);
    assert_eq!(row(&books), "3|70.0000|0.0000|70.0000|70.0000|proven|");
}

#[test]
fn of_a_zone_that_was_taken_again_the_later_attempt_counts() {
    let (mut books, zone) = one_zone();
    for at_s in [200, 210, 220] {
        let earlier = books.read(zone, at_s, "60.0");
        books.set(earlier, Status::Drifted);
    }
    books.0.attempts[0] = 2;
    for at_s in [300, 310, 320] {
        books.read(zone, at_s, "70.0");
    }
    close(&mut books, Status::Proven);
    assert_eq!(row(&books), "3|70.0000|0.0000|70.0000|70.0000|proven|retaken");
}

#[test]
fn until_a_zone_is_taken_again_the_attempt_that_failed_is_shown() {
    let (mut books, zone) = one_zone();
    for (attempt, gloss) in [(1, "50.0"), (2, "60.0"), (3, "61.0")] {
        books.0.attempts[0] = attempt;
        books.read(zone, 200 + u64::from(attempt), gloss);
    }
    close(&mut books, Status::Drifted);
    books.set(6, Status::Superseded);
    books.0.attempts[0] = 4;
    // Attempts 1 and 2 are drifted, 3 is superseded, 4 is not begun.
    assert_eq!(row(&books), "1|60.0000||60.0000|60.0000|drifted|retaken");
}

#[test]
fn a_new_attempt_that_was_voided_whole_does_not_hide_the_attempt_that_failed() {
    let (mut books, zone) = one_zone();
    books.read(zone, 200, "60.0");
    close(&mut books, Status::Drifted);
    books.0.attempts[0] = 2;
    let wild = books.read(zone, 1000, "12.0");
    books.void(wild, "slid");
    assert_eq!(row(&books), "1|60.0000||60.0000|60.0000|drifted|retaken");
}

#[test]
fn a_zone_whose_first_attempt_was_undone_whole_was_not_taken_twice() {
    let (mut books, zone) = one_zone();
    let undone = books.read(zone, 200, "60.0");
    books.set(undone, Status::Undone);
    books.0.attempts[0] = 2;
    for at_s in [300, 310, 320] {
        books.read(zone, at_s, "70.0");
    }
    close(&mut books, Status::Proven);
    assert_eq!(row(&books), "3|70.0000|0.0000|70.0000|70.0000|proven|");
}

#[test]
fn one_drifted_repeat_makes_the_zone_drifted() {
    let (mut books, zone) = one_zone();
    for at_s in [200, 210, 220] {
        books.read(zone, at_s, "70.0");
    }
    close(&mut books, Status::Proven);
    books.set(5, Status::Drifted);
    assert_eq!(row(&books), "3|70.0000|0.0000|70.0000|70.0000|drifted|");
}

#[test]
fn a_skipped_zone_gives_its_reason_and_a_zone_never_read_has_nothing() {
    let (mut books, _) = one_zone();
    assert_eq!(row(&books), "0|||||not-proven|");
    books.0.skipped.insert(0, "scratched; 2 cm".to_owned());
    assert_eq!(row(&books), "0|||||skipped|skipped=scratched%3B 2 cm");
}

#[test]
fn a_zone_that_was_voided_and_then_skipped_is_skipped_and_no_more() {
    let (mut books, zone) = one_zone();
    let wild = books.read(zone, 200, "12.0");
    books.void(wild, "slid");
    books.0.skipped.insert(0, "scratched".to_owned());
    assert_eq!(row(&books), "0|||||skipped|skipped=scratched");
}

#[test]
fn zones_read_in_turns_keep_their_values_apart() {
    let mut books = Books::new(&[Geometry::Deg20, Geometry::Deg85]).repeats(2);
    let zones = [books.zone("P1", "A1", None), books.zone("P1", "B1", Some("T1"))];
    books.open(CheckKind::Opening, 100, "92.4 92.4 92.4");
    for (at_s, zone, gloss) in [(200, 0, "70.0"), (210, 1, "80.0"), (220, 0, "71.0"), (230, 1, "81.0")] {
        books.read(zones[zone], at_s, gloss);
    }
    close(&mut books, Status::Proven);
    let sheet = sheet(Table::Zones, &books.0);
    let rows: Vec<String> =
        (0..sheet.rows.len()).map(|row| sheet.cells(row, "zone geometry_deg n mean_gu status")).collect();
    assert_eq!(
        rows,
        [
            "A1|20|2|70.5000|proven",
            "A1|85|2|70.5000|proven",
            "B1|20|2|80.5000|proven",
            "B1|85|2|80.5000|proven",
        ]
    );
}

#[test]
fn where_the_study_corrects_a_zone_outside_a_proven_bracket_says_that_its_values_are_not() {
    let (books, zone) = one_zone();
    let mut books = books.correcting();
    for at_s in [200, 210, 220] {
        books.read(zone, at_s, "70.0");
    }
    close(&mut books, Status::Drifted);
    assert_eq!(row(&books), "3|70.0000|0.0000|70.0000|70.0000|drifted|uncorrected");
}

#[test]
fn where_the_study_corrects_a_value_that_cannot_be_corrected_is_not_proven() {
    let (books, zone) = one_zone();
    let mut books = books.correcting();
    for at_s in [200, 210, 220] {
        books.read(zone, at_s, "70.0");
    }
    close(&mut books, Status::Proven);
    books.0.brackets[0].closing = None;
    assert_eq!(row(&books), "3|70.0000|0.0000|70.0000|70.0000|not-proven|uncorrected");
}

#[test]
fn a_zone_outside_the_plan_is_in_no_row_of_zones() {
    let (mut books, _) = one_zone();
    books.zone("P1", "A2", None);
    books.0.setup.plan.pop();
    assert_eq!(sheet(Table::Zones, &books.0).rows.len(), 1);
}

#[test]
fn books_whose_numbers_lead_nowhere_make_no_trouble() {
    let (mut books, zone) = one_zone();
    books.read(zone, 200, "70.0");
    books.0.attempts.clear();
    books.0.brackets =
        vec![Bracket { opening: 77, closing: Some(78), first_reading: 0, status: Status::Proven }];
    books.0.readings[0].spot = halfpanel::run::Spot::Zone { zone: 500, attempt: 1 };
    for table in Table::ALL {
        sheet(table, &books.0);
    }
}
