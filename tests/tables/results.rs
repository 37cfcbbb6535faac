//! What the results say, and when they say nothing.

use crate::books::Books;
use crate::books::decimal;
use crate::books::level_sides;
use crate::books::two_sides;
use crate::sheet::sheet;
use crate::sheet::text;
use halfpanel::run::CheckKind;
use halfpanel::run::RunState;
use halfpanel::run::Status;
use halfpanel::tables::Table;
use halfpanel::units::Geometry;

const INTERVAL: &str = "ci_low_gu ci_high_gu standard_uncertainty_gu degrees_of_freedom coverage_factor";
const DRIFT: &str = "drift_gu opening_deviation_gu closing_deviation_gu drift_gu_per_h drift_policy";
const FIGURES: &str = "control_mean_gu treated_mean_gu difference_gu ci_low_gu ci_high_gu \
                       standard_uncertainty_gu degrees_of_freedom coverage_factor expanded_uncertainty_gu \
                       detectable_gu retention_pct retention_from_stage control_retention_pct";
const NOT_NAMED: &str = "retention_pct retention_from_stage control_retention_pct baseline_recording \
                         baseline_sha256 retention_low_pct retention_high_pct matters zones_to_settle \
                         repeats_to_settle equivalent";

/// Student's sleep data (1908) as the R documentation prints them, `t.test(extra ~ group, data =
/// sleep)`: 95 % interval −3.3654832 to 0.2054832, df 17.776. Each value plus 70, group 1 as the
/// treated side; a shift changes no difference. Standard error and t (0.849091, 2.102817) by mpmath.
#[test]
fn the_sleep_data_as_zone_means_give_the_interval_that_is_published() {
    let books = level_sides(
        &["71.9", "70.8", "71.1", "70.1", "69.9", "74.4", "75.5", "71.6", "74.6", "73.4"],
        &["70.7", "68.4", "69.8", "68.8", "69.9", "73.4", "73.7", "70.8", "70.0", "72.0"],
    );
    let sheet = sheet(Table::Results, &books.0);
    assert_eq!(
        sheet.cells(0, "n_control n_treated control_mean_gu treated_mean_gu difference_gu"),
        "10|10|72.3300|70.7500|-1.5800"
    );
    assert_eq!(sheet.cells(0, INTERVAL), "-3.3655|0.2055|0.8491|17.7765|2.1028");
    assert_eq!(sheet.cells(0, "design verdict status"), "no-baseline|no detectable difference|proven");
}

/// McDonald, Handbook of Biological Statistics, 3rd ed., pp. 128–129: two sides of unequal number,
/// t = 1.3109, df = 31.175. t = 1.930556 / 1.472710; the interval from the t quantile by mpmath.
#[test]
fn mcdonalds_temperatures_as_zone_means_give_the_degrees_of_freedom_that_are_published() {
    let books = level_sides(
        &[
            "69", "70", "66", "63", "68", "70", "69", "67", "62", "63", "76", "59", "62", "62", "75", "62",
            "72", "63",
        ],
        &["68", "62", "67", "68", "69", "67", "61", "59", "62", "61", "69", "66", "62", "62", "61", "70"],
    );
    let sheet = sheet(Table::Results, &books.0);
    assert_eq!(sheet.cells(0, "n_control n_treated difference_gu"), "18|16|-1.9306");
    assert_eq!(sheet.cells(0, INTERVAL), "-4.9335|1.0724|1.4727|31.1753|2.0390");
}

/// Side means 70.1 and 72.2 with standard errors 0.1 and 0.2: √0.05 = 0.2236, df = 0.0025 / (0.0001 +
/// 0.0016) = 1.4706, all by hand; t at that df, 6.18811, by mpmath.
#[test]
fn an_interval_that_excludes_zero_says_which_side_is_higher() {
    let (low, high) = (["70.0", "70.2"], ["72.0", "72.4"]);
    let up = sheet(Table::Results, &level_sides(&low, &high).0);
    assert_eq!(up.cells(0, "difference_gu verdict"), "2.1000|higher");
    assert_eq!(up.cells(0, "ci_low_gu ci_high_gu standard_uncertainty_gu"), "0.7163|3.4837|0.2236");
    let down = sheet(Table::Results, &level_sides(&high, &low).0);
    assert_eq!(down.cells(0, "difference_gu verdict"), "-2.1000|lower");
}

/// From 92.4 at 100 s to 92.5 at 1900 s: 0.1 GU in half an hour.
#[test]
fn a_proven_row_names_its_drift_and_where_it_comes_from() {
    let sheet = sheet(Table::Results, &two_sides(&["70.0", "70.2"], &["72.0", "72.4"]).0);
    assert_eq!(sheet.cells(0, DRIFT), "0.1000|0.0000|0.1000|0.2000|allow");
    assert_eq!(sheet.cells(0, "run panel treatment stage geometry_deg"), "run-7|P1|T1|cured|60");
    assert_eq!(sheet.cells(0, "recording recording_sha256"), "run-7|5ea1");
    assert_eq!(sheet.cells(0, NOT_NAMED), "||||||||||");
}

#[test]
fn one_zone_a_side_gives_a_difference_of_which_nobody_can_tell() {
    let sheet = sheet(Table::Results, &two_sides(&["70.0"], &["75.0"]).0);
    assert_eq!(
        sheet.cells(0, "n_control n_treated difference_gu verdict status"),
        "1|1|5.0000|no result|proven"
    );
    assert_eq!(sheet.cells(0, INTERVAL), "||||");
    assert_eq!(sheet.cell(0, "flags"), "no-baseline;one-zone-side;tile-without-uncertainty");
}

/// A step of 0.1 hides all scatter: 0.1/√12 = 0.0289 stands for the scatter of a zone (÷ √2 for the mean
/// of two, one degree of freedom) and for the rounding that both zones share. Both sides: √(2 (0.0204² +
/// 0.0289²)) = 0.05. Degrees of freedom 1 ÷ (2 (1/6)²) = 18, t = 2.1009 (any table).
#[test]
fn where_the_step_hides_the_scatter_the_step_is_the_uncertainty() {
    let sheet = sheet(Table::Results, &level_sides(&["70.0", "70.0"], &["70.1", "70.1"]).0);
    assert_eq!(sheet.cells(0, "difference_gu verdict status"), "0.1000|no detectable difference|proven");
    assert_eq!(sheet.cells(0, INTERVAL), "-0.0050|0.2050|0.0500|18.0000|2.1009");
    assert_eq!(sheet.cell(0, "flags"), "no-baseline;scatter-below-step");
}

#[test]
fn without_the_tiles_uncertainty_there_is_a_verdict_and_no_expanded_uncertainty() {
    let mut books = level_sides(&["70.0", "70.2"], &["72.0", "72.4"]);
    books.0.setup.tile.values[0].expanded_uncertainty_gu = None;
    let sheet = sheet(Table::Results, &books.0);
    assert_eq!(sheet.cells(0, "verdict ci_low_gu ci_high_gu"), "higher|0.7163|3.4837");
    assert_eq!(
        sheet.cells(0, "standard_uncertainty_gu degrees_of_freedom coverage_factor expanded_uncertainty_gu"),
        "|||"
    );
    assert!(sheet.cell(0, "flags").contains("tile-without-uncertainty"));
}

/// 2.1 by a tile known to 9 of 92.4 GU: ± 0.2 by the tile alone, which the interval leaves out and a size does not.
#[test]
fn whether_a_difference_matters_is_not_known_better_than_the_scale() {
    let matters = |uncertainty: &str| {
        let mut books = level_sides(&["40.00", "40.01", "40.00"], &["42.10", "42.11", "42.10"]);
        books.0.setup.tile.values[0].expanded_uncertainty_gu = Some(decimal(uncertainty));
        books.0.setup.comparing.matters_gu = Some(decimal("2"));
        sheet(Table::Results, &books.0).cells(0, "verdict matters")
    };
    assert_eq!(matters("9"), "higher|cannot tell");
    assert_eq!(matters("0.1"), "higher|yes");
}

#[test]
fn a_drifted_bracket_gives_no_figure_and_no_verdict_but_says_how_far_the_tile_went() {
    let mut books = two_sides(&["70.0", "70.2"], &["72.0", "72.4"]);
    for reading in &mut books.0.readings[3..7] {
        reading.status = Status::Drifted;
    }
    books.0.brackets[0].status = Status::Drifted;
    let sheet = sheet(Table::Results, &books.0);
    assert_eq!(sheet.cells(0, "n_control n_treated verdict status"), "0|0|no result|drifted");
    assert_eq!(sheet.cells(0, FIGURES), "||||||||||||");
    assert_eq!(sheet.cells(0, DRIFT), "0.1000|0.0000|0.1000|0.2000|allow");
    assert_eq!(sheet.cells(0, "recording recording_sha256"), "run-7|5ea1");
}

#[test]
fn one_zone_that_is_not_proven_takes_the_verdict_from_the_whole_row() {
    for (status, said) in
        [(Status::Drifted, "drifted"), (Status::NotProven, "not-proven"), (Status::Pending, "not-proven")]
    {
        let mut books = two_sides(&["70.0", "70.2"], &["72.0", "72.4", "72.6"]);
        books.set(8, status);
        let sheet = sheet(Table::Results, &books.0);
        assert_eq!(sheet.cells(0, "n_control n_treated verdict status"), format!("2|2|no result|{said}"));
        assert_eq!(sheet.cells(0, FIGURES), "||||||||||||");
    }
}

#[test]
fn an_open_run_says_of_everything_pending_that_it_is_not_proven() {
    let mut books = Books::new(&[Geometry::Deg60]);
    let (a1, b1) = (books.zone("P1", "A1", None), books.zone("P1", "B1", Some("T1")));
    books.open(CheckKind::Opening, 100, "92.5 92.5 92.5");
    books.read(a1, 200, "70.0");
    books.read(b1, 210, "71.0");
    books.0.state = RunState::Open;
    for table in Table::ALL {
        assert!(!text(table, &books.0).contains("pending"));
    }
    let results = sheet(Table::Results, &books.0);
    assert_eq!(results.cells(0, "verdict status"), "no result|not-proven");
    assert_eq!(results.cells(0, DRIFT), "|0.1000|||allow");
    assert_eq!(sheet(Table::Zones, &books.0).cells(0, "n mean_gu status"), "1|70.0000|not-proven");
}

#[test]
fn a_zone_skipped_with_a_reason_leaves_the_row_proven_and_does_not_count() {
    let mut books = two_sides(&["70.0", "70.2"], &["72.0", "72.4"]);
    books.zone("P1", "B3", Some("T1"));
    assert_eq!(sheet(Table::Results, &books.0).cells(0, "verdict status"), "no result|not-proven");
    books.0.skipped.insert(4, "scratched".to_owned());
    let sheet = sheet(Table::Results, &books.0);
    assert_eq!(sheet.cells(0, "n_treated treated_mean_gu verdict status"), "2|72.2000|higher|proven");
}

#[test]
fn a_side_that_is_skipped_whole_or_was_never_planned_leaves_no_result() {
    let mut books = two_sides(&["70.0"], &["72.0"]);
    books.0.skipped.insert(0, "scratched".to_owned());
    let skipped = sheet(Table::Results, &books.0);
    assert_eq!(skipped.cells(0, "n_control n_treated verdict status"), "0|1|no result|not-proven");
    let never = sheet(Table::Results, &two_sides(&[], &["72.0"]).0);
    assert_eq!(never.cells(0, "n_control n_treated verdict status"), "0|1|no result|not-proven");
}

#[test]
fn treatments_of_a_panel_share_its_control_and_another_panel_has_its_own() {
    let mut books = Books::new(&[Geometry::Deg60]);
    books.open(CheckKind::Opening, 100, "92.4 92.4 92.4");
    let zones = [
        ("P1", None, "70.0"),
        ("P1", Some("T1"), "71.0"),
        ("P1", Some("T2"), "72.5"),
        ("P2", None, "60.0"),
        ("P2", Some("T1"), "64.0"),
    ];
    for (number, (panel, treatment, gloss)) in (1..).zip(zones) {
        let zone = books.zone(panel, &format!("Z{number}"), treatment);
        books.read(zone, 200 + number, gloss);
    }
    books.close(CheckKind::Closing, 300, "92.4 92.4 92.4", Status::Proven);
    let sheet = sheet(Table::Results, &books.0);
    let rows: Vec<String> = (0..sheet.rows.len())
        .map(|row| sheet.cells(row, "panel treatment n_control control_mean_gu difference_gu"))
        .collect();
    assert_eq!(rows, ["P1|T1|1|70.0000|1.0000", "P1|T2|1|70.0000|2.5000", "P2|T1|1|60.0000|4.0000"]);
}

#[test]
fn each_geometry_has_its_own_row() {
    let mut books = Books::new(&Geometry::ALL);
    books.open(CheckKind::Opening, 100, "92.4 92.4 92.4");
    let (a1, b1) = (books.zone("P1", "A1", None), books.zone("P1", "B1", Some("T1")));
    books.read(a1, 200, "70.0");
    books.read(b1, 210, "70.0");
    books.close(CheckKind::Closing, 300, "92.4 92.4 92.4", Status::Proven);
    let treated_at_85 = books.0.readings.len() - 9 - 1;
    books.0.readings[treated_at_85].gloss = decimal("73.0").into();
    let sheet = sheet(Table::Results, &books.0);
    let rows: Vec<String> =
        (0..sheet.rows.len()).map(|row| sheet.cells(row, "geometry_deg difference_gu")).collect();
    assert_eq!(rows, ["20|0.0000", "60|0.0000", "85|3.0000"]);
}

/// Control in a bracket that goes down by 0.2 in 500 s, treated in one that goes up by 0.1 in 400 s:
/// −0.2 · 3600 / 500 = −1.44 GU/h. A third bracket, of no reading of this row, goes further.
#[test]
fn the_drift_is_that_of_the_worst_bracket_used_and_the_deviations_those_of_the_outer_checks() {
    let mut books = Books::new(&[Geometry::Deg60]);
    let (a1, b1) = (books.zone("P1", "A1", None), books.zone("P1", "B1", Some("T1")));
    let other = books.zone("P2", "A1", None);
    books.open(CheckKind::Opening, 100, "92.5 92.5 92.5");
    books.read(a1, 300, "70.0");
    books.close(CheckKind::Interim, 600, "92.3 92.3 92.3", Status::Proven);
    books.open(CheckKind::AsLeft, 700, "92.3 92.3 92.3");
    books.read(b1, 800, "71.0");
    books.close(CheckKind::Interim, 1100, "92.4 92.4 92.4", Status::Proven);
    books.open(CheckKind::AsLeft, 1200, "92.4 92.4 92.4");
    books.read(other, 1300, "70.0");
    books.close(CheckKind::Closing, 1400, "92.7 92.7 92.7", Status::Proven);
    let sheet = sheet(Table::Results, &books.0);
    assert_eq!(sheet.cells(0, DRIFT), "-0.2000|0.1000|0.0000|-1.4400|allow");
}

#[test]
fn the_bracket_of_a_skipped_zone_is_not_used() {
    let mut books = two_sides(&["70.0"], &["71.0"]);
    let skipped = books.zone("P1", "B2", Some("T1"));
    books.open(CheckKind::Opening, 2000, "92.5 92.5 92.5");
    books.read(skipped, 2100, "71.0");
    books.close(CheckKind::Closing, 2200, "92.8 92.8 92.8", Status::Proven);
    assert_eq!(sheet(Table::Results, &books.0).cells(0, DRIFT), "0.3000|0.0000|0.4000|5.4000|allow");
    books.0.skipped.insert(usize::from(skipped), "scratched".to_owned());
    assert_eq!(sheet(Table::Results, &books.0).cells(0, DRIFT), "0.1000|0.0000|0.1000|0.2000|allow");
}

/// The tile reads 92.4 at 100 s and 92.7 at 400 s. Control at 100 + 100 s: tile 92.5, 70.0 · 92.4 /
/// 92.5 = 69.924324…; treated at 100 + 200 s: tile 92.6, 71.0 · 92.4 / 92.6 = 70.846652… (by hand).
#[test]
fn the_policy_decides_whether_means_are_of_corrected_values() {
    let books = |books: Books| {
        let mut books = books;
        let (a1, b1) = (books.zone("P1", "A1", None), books.zone("P1", "B1", Some("T1")));
        books.open(CheckKind::Opening, 100, "92.4 92.4 92.4");
        books.read(a1, 200, "70.0");
        books.read(b1, 300, "71.0");
        books.close(CheckKind::Closing, 400, "92.7 92.7 92.7", Status::Proven);
        books.0
    };
    let (allow, correct) =
        (books(Books::new(&[Geometry::Deg60])), books(Books::new(&[Geometry::Deg60]).correcting()));
    let means = "control_mean_gu treated_mean_gu difference_gu drift_policy";
    assert_eq!(sheet(Table::Results, &allow).cells(0, means), "70.0000|71.0000|1.0000|allow");
    assert_eq!(sheet(Table::Results, &correct).cells(0, means), "69.9243|70.8467|0.9223|correct");
    assert_eq!(sheet(Table::Zones, &correct).cells(0, "mean_gu min_gu max_gu"), "69.9243|69.9243|69.9243");
    let readings = [&allow, &correct].map(|l| text(Table::Readings, l));
    assert_eq!(readings[0], readings[1], "raw and corrected values stand in both");
}

#[test]
fn differences_and_deviations_that_round_to_zero_have_no_sign() {
    let mut books = Books::new(&[Geometry::Deg60]);
    let (a1, b1) = (books.zone("P1", "A1", None), books.zone("P1", "B1", Some("T1")));
    books.open(CheckKind::Opening, 100, "92.4 92.4 92.4");
    books.read(a1, 200, "70.00000");
    books.read(b1, 210, "69.99999");
    books.close(CheckKind::Closing, 300, "92.4 92.4 92.39999", Status::Proven);
    let sheet = sheet(Table::Results, &books.0);
    assert_eq!(sheet.cells(0, "difference_gu closing_deviation_gu drift_gu"), "0.0000|0.0000|0.0000");
    for table in Table::ALL {
        assert!(!text(table, &books.0).contains("-0.0000,"));
    }
}

/// Put on at 11:30 by a clock two hours east of UTC, a day before a start at 09:00 UTC: 23.5 h.
#[test]
fn the_cure_time_runs_from_the_application_to_the_start_of_the_run() {
    let mut books = two_sides(&["70.0"], &["72.0", "72.4"]);
    assert_eq!(sheet(Table::Results, &books.0).cell(0, "cure_hours_actual"), "");
    books.0.setup.zones[1].applied_at = Some("2026-03-06T11:30:00+02:00".to_owned());
    assert_eq!(sheet(Table::Results, &books.0).cell(0, "cure_hours_actual"), "23.5000");
    books.0.setup.zones[1].applied_at = Some("yesterday".to_owned());
    assert_eq!(sheet(Table::Results, &books.0).cell(0, "cure_hours_actual"), "");
}
