//! Headers, cells, times and quoting.

use crate::books::Books;
use crate::books::SECOND;
use crate::books::START_US;
use crate::books::two_sides;
use crate::sheet::sheet;
use crate::sheet::text;
use halfpanel::run::CheckKind;
use halfpanel::run::RunState;
use halfpanel::run::Sitting;
use halfpanel::run::Spot;
use halfpanel::run::Status;
use halfpanel::tables::Table;
use halfpanel::tile::CheckVerdict;
use halfpanel::units::Geometry;
use halfpanel::units::Gloss;

#[test]
fn the_headers_are_exactly_these() {
    let ledger = Books::new(&[Geometry::Deg60]).0;
    let headers = [
        "run,order,time,elapsed_s,kind,panel,zone,role,treatment,stage,repeat,geometry_deg,gloss_gu,corrected_gu,status,flags,record\n",
        "run,kind,time,geometry_deg,n,mean_gu,sd_gu,assigned_gu,deviation_gu,passed\n",
        "run,panel,zone,role,treatment,stage,geometry_deg,n,mean_gu,sd_gu,min_gu,max_gu,status,flags,\
         raw_mean_gu,corrected_mean_gu\n",
        "run,panel,treatment,stage,design,geometry_deg,n_control,n_treated,control_mean_gu,treated_mean_gu,\
         difference_gu,ci_low_gu,ci_high_gu,standard_uncertainty_gu,degrees_of_freedom,coverage_factor,\
         expanded_uncertainty_gu,verdict,detectable_gu,retention_pct,retention_from_stage,control_retention_pct,\
         cure_hours_actual,drift_gu,opening_deviation_gu,closing_deviation_gu,drift_gu_per_h,drift_policy,status,\
         recording,recording_sha256,baseline_recording,baseline_sha256,difference_raw_gu,difference_corrected_gu,\
         drift_low_gu_per_h,drift_high_gu_per_h,retention_low_pct,retention_high_pct,matters,zones_to_settle,\
         repeats_to_settle,equivalent,difference_without_doubtful_gu,ci_low_without_doubtful_gu,\
         ci_high_without_doubtful_gu,verdict_without_doubtful,flags\n",
        "run,panel,treatment,stage,geometry_deg,component,enters,value,stated_as,divisor,sensitivity,\
         degrees_of_freedom,contribution_gu,share_pct\n",
        "run,panel,treatment_a,treatment_b,design,geometry_deg,n_a,n_b,mean_a_gu,mean_b_gu,difference_gu,ci_low_gu,\
         ci_high_gu,expanded_uncertainty_gu,verdict,status,flags\n",
        "treatment,stage,geometry_deg,n_panels,panels,runs,difference_gu,panel_sd_gu,ci_low_gu,ci_high_gu,\
         standard_uncertainty_gu,degrees_of_freedom,coverage_factor,expanded_uncertainty_gu,verdict,speaks_of,\
         expanded_with_three_gu,flags\n",
    ];
    for (table, header) in Table::ALL.into_iter().zip(headers) {
        assert_eq!(text(table, &ledger), header);
    }
}

/// Reading of the control zone at 1000 s: the tile has gone half of the way from 92.4 to 92.5, so
/// 70.50 · 92.4 / 92.45 = 70.461871…; that of the treated zone at 1450 s three quarters: 71.0 · 92.4 /
/// 92.475 = 70.942416… (by hand).
#[test]
fn a_run_of_two_zones_gives_these_readings_and_checks() {
    let mut books = Books::new(&[Geometry::Deg60]);
    let (a1, b1) = (books.zone("P1", "A1", None), books.zone("P1", "B1", Some("T1")));
    books.open(CheckKind::Opening, 100, "92.4 92.3 92.5");
    books.read(a1, 1000, "70.50");
    books.read(b1, 1450, "71.0");
    books.close(CheckKind::Closing, 1900, "92.5 92.5 92.5", Status::Proven);
    let readings = "\
run-7,1,2026-03-07T10:01:39.000+01:00,99.0000,opening,,,,,,1,60,92.4,,proven,,101
run-7,2,2026-03-07T10:01:40.000+01:00,100.0000,opening,,,,,,2,60,92.3,,proven,,102
run-7,3,2026-03-07T10:01:41.000+01:00,101.0000,opening,,,,,,3,60,92.5,,proven,,103
run-7,4,2026-03-07T10:16:40.000+01:00,1000.0000,zone,P1,A1,control,,bare,1,60,70.50,70.4619,proven,,104
run-7,5,2026-03-07T10:24:10.000+01:00,1450.0000,zone,P1,B1,treated,T1,cured,1,60,71.0,70.9424,proven,,105
run-7,6,2026-03-07T10:31:39.000+01:00,1899.0000,closing,,,,,,1,60,92.5,,proven,,106
run-7,7,2026-03-07T10:31:40.000+01:00,1900.0000,closing,,,,,,2,60,92.5,,proven,,107
run-7,8,2026-03-07T10:31:41.000+01:00,1901.0000,closing,,,,,,3,60,92.5,,proven,,108
";
    assert_eq!(text(Table::Readings, &books.0).split_once('\n').unwrap().1, readings);
    let checks = "\
run-7,opening,2026-03-07T10:01:40.000+01:00,60,3,92.4000,0.1000,92.4,0.0000,true
run-7,closing,2026-03-07T10:31:40.000+01:00,60,3,92.5000,0.0000,92.4,0.1000,true
";
    assert_eq!(text(Table::TileChecks, &books.0).split_once('\n').unwrap().1, checks);
}

#[test]
fn times_carry_the_offset_of_the_place_and_follow_it_over_midnight_and_to_another_sitting() {
    let mut books = Books::new(&[Geometry::Deg60]);
    let zone = books.zone("P1", "A1", None);
    let at = |us: u64, books: &mut Books| {
        let gloss = Gloss::parse("70.0").unwrap();
        books.put(Spot::Zone { zone, attempt: 1 }, us, 1, gloss, Status::NotProven);
    };
    books.0.sittings.push(Sitting {
        at_us: 60_000 * SECOND,
        wall_us: START_US + 90_000 * 1_000_000,
        offset_s: -(3 * 3600 + 1800),
    });
    at(50_399_999_999, &mut books); // 23:59:59.999999 by the place's clock, a microsecond before midnight
    at(50_400_000_000, &mut books);
    at(60_000_500_000, &mut books); // second sitting: 25 h after the start, 10:00:00 UTC of the next day
    books.0.sittings.push(Sitting {
        at_us: 61_000 * SECOND,
        wall_us: START_US + 91_000 * 1_000_000,
        offset_s: 3600,
    });
    at(61_000_000_000, &mut books); // back at the first place on the same date
    let sheet = sheet(Table::Readings, &books.0);
    assert_eq!(sheet.cell(0, "time"), "2026-03-07T23:59:59.999+01:00");
    assert_eq!(sheet.cell(1, "time"), "2026-03-08T00:00:00.000+01:00");
    assert_eq!(sheet.cell(2, "time"), "2026-03-08T06:30:00.500-03:30");
    assert_eq!(sheet.cell(3, "time"), "2026-03-08T11:16:40.000+01:00");
    assert_eq!(sheet.cell(0, "elapsed_s"), "50400.0000");
}

#[test]
fn a_run_without_a_clock_or_beyond_the_year_9999_has_no_times_and_makes_no_trouble() {
    let mut books = two_sides(&["70.0"], &["71.0"]);
    books.0.sittings[0].wall_us = i64::MAX / 2;
    assert!(text(Table::Readings, &books.0).contains("run-7,1,,99.0000,"));
    books.0.sittings.clear();
    assert!(text(Table::Readings, &books.0).contains("run-7,1,,99.0000,"));
    assert!(text(Table::Results, &books.0).contains("no result"));
}

#[test]
fn names_with_commas_quotes_and_line_ends_come_back_as_they_were() {
    let mut books = two_sides(&["70.0"], &["71.0"]);
    let name = "left, \"upper\"\nedge é";
    books.0.setup.zones[0].name = name.to_owned();
    assert!(text(Table::Zones, &books.0).contains("\"left, \"\"upper\"\"\nedge é\""));
    assert_eq!(sheet(Table::Zones, &books.0).cell(0, "zone"), name);
}

#[test]
fn each_reading_says_what_became_of_it_and_why() {
    let mut books = Books::new(&[Geometry::Deg60]).repeats(2);
    let zone = books.zone("P1", "A1", None);
    books.open(CheckKind::AsLeft, 100, "92.4 92.4 92.4");
    let undone = books.read(zone, 200, "70.0");
    let superseded = books.read(zone, 210, "70.0");
    books.0.attempts[0] = 2;
    let voided = books.read(zone, 220, "70.0");
    books.read(zone, 230, "70.0");
    books.set(undone, Status::Undone);
    books.set(superseded, Status::Superseded);
    books.void(voided, "slid; lifted");
    let sheet = sheet(Table::Readings, &books.0);
    let seen: Vec<String> = (0..sheet.rows.len()).map(|row| sheet.cells(row, "kind status flags")).collect();
    assert_eq!(
        seen,
        [
            "as-left|proven|stability-only",
            "as-left|proven|stability-only",
            "as-left|proven|stability-only",
            "zone|undone|",
            "zone|superseded|",
            "zone|voided|retaken;voided=slid%3B lifted",
            "zone|not-proven|retaken",
        ]
    );
}

#[test]
fn a_corrected_value_stands_only_beside_zone_readings_of_a_proven_bracket() {
    for (outcome, empty) in [(Status::Proven, false), (Status::Drifted, true)] {
        let mut books = Books::new(&[Geometry::Deg60]);
        let zone = books.zone("P1", "A1", None);
        books.open(CheckKind::Opening, 100, "92.4 92.4 92.4");
        books.read(zone, 200, "70.0");
        books.close(CheckKind::Closing, 300, "92.5 92.5 92.5", outcome);
        let sheet = sheet(Table::Readings, &books.0);
        let is_empty: Vec<bool> =
            (0..sheet.rows.len()).map(|row| sheet.cell(row, "corrected_gu").is_empty()).collect();
        assert_eq!(is_empty, [true, true, true, empty, true, true, true]);
    }
}

#[test]
fn an_unfinished_check_has_its_readings_so_far_and_has_not_passed() {
    let mut books = two_sides(&["70.0"], &["71.0"]);
    books.0.state = RunState::Open;
    let check = books.begin_check(CheckKind::Opening, 2001);
    for (repeat, (gloss, status)) in
        (1..).zip([("92.2", Status::Pending), ("80.0", Status::Undone), ("92.4", Status::Pending)])
    {
        let gloss = Gloss::parse(gloss).unwrap();
        books.put(Spot::Tile { check }, 2000 * SECOND + u64::from(repeat), repeat, gloss, status);
    }
    books.begin_check(CheckKind::Closing, 2100);
    let sheet = sheet(Table::TileChecks, &books.0);
    assert_eq!(sheet.rows.len(), 3, "a check without a reading has no row");
    // Deviations from 92.3 are 0.1 each: sd = √(0.02 / 1) = 0.141421…
    assert_eq!(
        sheet.cells(2, "kind n mean_gu sd_gu deviation_gu passed"),
        "opening|2|92.3000|0.1414|-0.1000|false"
    );
}

#[test]
fn a_check_that_failed_or_is_invalid_has_not_passed() {
    let mut books = Books::new(&[Geometry::Deg60]);
    books.open(CheckKind::Opening, 100, "92.0 92.4 92.8");
    books.open(CheckKind::Opening, 200, "93.5 93.5 93.5");
    assert_eq!(
        (books.verdict(0), books.verdict(1)),
        (Some(CheckVerdict::Invalid), Some(CheckVerdict::Failed))
    );
    let sheet = sheet(Table::TileChecks, &books.0);
    assert_eq!((sheet.cell(0, "passed"), sheet.cell(1, "passed")), ("false", "false"));
}

#[test]
fn no_geometry_of_an_invalid_check_has_passed() {
    let mut books = Books::new(&[Geometry::Deg20, Geometry::Deg60]);
    books.open(CheckKind::Opening, 100, "92.4 92.4 92.4");
    books.0.checks[0].geometries.slot(Geometry::Deg20).as_mut().unwrap().verdict = CheckVerdict::Invalid;
    books.0.checks[0].verdict = Some(CheckVerdict::Invalid);
    let sheet = sheet(Table::TileChecks, &books.0);
    assert_eq!(sheet.cells(0, "geometry_deg passed"), "20|false");
    assert_eq!(sheet.cells(1, "geometry_deg passed"), "60|false");
}
