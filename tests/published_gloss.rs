//! The gloss scale, the rules for reading gloss, and the straightness of a scale, against the standards and the
//! NIST/SEMATECH e-Handbook. Figures and how sure they are: `fixtures/published/gloss_scale.toml`,
//! `gloss_procedure.toml`, `ehandbook_control_charts.toml`.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod published;

use halfpanel::stats::precision::RangeSays;
use halfpanel::stats::precision::range_rule;
use halfpanel::stats::summary::standard_deviation;
use halfpanel::tile::gloss_scale::INDEX_OF_100_GU;
use halfpanel::tile::gloss_scale::IndexFrom;
use halfpanel::tile::gloss_scale::advised_geometry;
use halfpanel::tile::gloss_scale::check_assigned;
use halfpanel::tile::gloss_scale::gloss_of_index_gu;
use halfpanel::tile::gloss_scale::index_of_gloss;
use halfpanel::tile::gloss_scale::reflectance;
use halfpanel::tile::linearity::Calibration;
use halfpanel::tile::linearity::MIDDLE_TOLERANCE_GU;
use halfpanel::tile::linearity::Standard;
use halfpanel::tile::linearity::ZERO_TOLERANCE_GU;
use halfpanel::tile::linearity::check;
use halfpanel::units::Geometry;
use published::close;
use published::close_relative;
use published::half_of_decimal;
use published::published;
use serde::Deserialize;

#[derive(Deserialize)]
struct Scale {
    definition: Definition,
    fresnel: Fresnel,
    index_note: IndexNote,
    table: Table,
}

#[derive(Deserialize)]
struct Definition {
    n_d: f64,
    assigned_gloss: f64,
    geometries_deg: Vec<u16>,
}

#[derive(Deserialize)]
struct Fresnel {
    n: f64,
    angles_deg: Vec<u16>,
    reflectance: Vec<f64>,
    slope_gloss_per_0_001_index_at_1_567: Vec<f64>,
}

#[derive(Deserialize)]
struct IndexNote {
    example_index: f64,
    example_gloss_20_60_85: [f64; 3],
}

#[derive(Deserialize)]
struct Table {
    row: Vec<Row>,
}

#[derive(Deserialize)]
struct Row {
    n: f64,
    printed_20_60_85: [f64; 3],
    fresnel_20_60_85: [f64; 3],
    printed_ok: [bool; 3],
}

fn scale() -> Scale {
    published("gloss_scale.toml")
}

#[test]
fn the_glass_of_the_definition_is_100_gu_at_every_geometry() {
    // ISO 2813:1994, primary reference standards.
    let definition = scale().definition;
    close("index", INDEX_OF_100_GU, definition.n_d, 0.0);
    let angles: Vec<u16> = Geometry::ALL.iter().map(|geometry| geometry.degrees()).collect();
    assert_eq!(angles, definition.geometries_deg);
    for geometry in Geometry::ALL {
        close("gloss", gloss_of_index_gu(definition.n_d, geometry), definition.assigned_gloss, 1e-12);
    }
}

#[test]
fn reflectance_is_fresnel_s_to_thirty_digits() {
    // Computed with mpmath 1.4.1 at 30 digits.
    let fresnel = scale().fresnel;
    for (place, angle) in fresnel.angles_deg.iter().enumerate() {
        let geometry = Geometry::try_from(*angle).unwrap();
        close_relative("reflectance", reflectance(fresnel.n, geometry), fresnel.reflectance[place], 1e-14);
        let around = |step: f64| gloss_of_index_gu(fresnel.n + step, geometry).unwrap();
        let slope = (around(0.0005) - around(-0.0005)) / 1.0;
        close_relative("slope", slope, fresnel.slope_gloss_per_0_001_index_at_1_567[place], 1e-6);
    }
}

#[test]
fn gloss_and_index_are_those_of_the_standards_table() {
    // ISO 2813:1994, table 2, and ASTM D523: 121 of 126 recalled cells are the rounded Fresnel value; the other
    // five are marked, and only the Fresnel column counts there.
    let rows = scale().table.row;
    assert_eq!(rows.len(), 42);
    let mut printed = 0;
    for row in rows {
        for (place, geometry) in Geometry::ALL.into_iter().enumerate() {
            let what = format!("index {} at {geometry}", row.n);
            let found = gloss_of_index_gu(row.n, geometry).unwrap();
            close_relative(&what, found, row.fresnel_20_60_85[place], 1e-9);
            if row.printed_ok[place] {
                close(&what, found, row.printed_20_60_85[place], half_of_decimal(1));
                printed += 1;
            }
            let poorly = if geometry == Geometry::Deg85 { 1e-8 } else { 1e-9 };
            // The column has ten digits; where gloss hardly rises the index has fewer.
            let allowed = if row.n > 1.7 { 100.0 * poorly } else { poorly };
            close(&what, index_of_gloss(row.fresnel_20_60_85[place], geometry), row.n, allowed);
        }
    }
    assert_eq!(printed, 121);
}

#[test]
fn the_example_of_the_standard_is_consistent_glass() {
    // ASTM D523, note on glass of another index.
    let note = scale().index_note;
    let assigned = Geometry::ALL.into_iter().zip(note.example_gloss_20_60_85).collect();
    let found = check_assigned(&assigned, IndexFrom::LowestGeometry, half_of_decimal(1) * 2.0).unwrap();
    assert!(found.consistent, "{found:?}");
    close("index", found.index, note.example_index, 2e-4);
}

#[derive(Deserialize)]
struct Procedure {
    rule: Vec<ProcedureRule>,
}

#[derive(Deserialize)]
struct ProcedureRule {
    id: String,
    upper_60_for_20: Option<f64>,
    lower_60_for_85: Option<f64>,
    zero_tolerance_gu: Option<f64>,
    tolerance_gu: Option<f64>,
    min_readings: Option<usize>,
    range_trigger_gu: Option<f64>,
    first_readings: Option<usize>,
    spread_limit_gu: Option<f64>,
}

fn rule(id: &str) -> ProcedureRule {
    let rules = published::<Procedure>("gloss_procedure.toml").rule;
    rules.into_iter().find(|rule| rule.id == id).unwrap_or_else(|| panic!("no rule {id}"))
}

#[test]
fn the_advice_to_change_geometry_is_that_of_the_standards() {
    // ISO 2813:1994 and ASTM D523, scope; the boundaries themselves stay at 60°.
    let choice = rule("geometry-choice");
    let (upper, lower) = (choice.upper_60_for_20.unwrap(), choice.lower_60_for_85.unwrap());
    let cases = [
        (upper + 0.1, Geometry::Deg20),
        (upper, Geometry::Deg60),
        (lower, Geometry::Deg60),
        (lower - 0.1, Geometry::Deg85),
    ];
    for (gloss, geometry) in cases {
        assert_eq!(advised_geometry(gloss), Some(geometry), "{gloss} GU");
    }
}

#[test]
fn the_tolerances_of_zero_and_middle_are_those_of_the_standard() {
    // ASTM D523, calibration clause.
    close("zero", ZERO_TOLERANCE_GU, rule("zero-check").zero_tolerance_gu.unwrap(), 0.0);
    close("middle", MIDDLE_TOLERANCE_GU, rule("working-standard-tolerance").tolerance_gu.unwrap(), 0.0);
}

#[test]
fn the_number_of_readings_follows_the_range_as_in_the_standards() {
    // ASTM D523: three, more beyond a range of 2 GU; ISO 2813:1994: three, six from a spread of 5 GU.
    let astm = rule("readings-d523");
    let (first, limit) = (astm.min_readings.unwrap(), astm.range_trigger_gu.unwrap());
    assert_eq!(range_rule(&[71.0, 73.0], first, limit), Some(RangeSays::ReadOn));
    assert_eq!(range_rule(&[71.0, 73.0, 72.0], first, limit), Some(RangeSays::Enough));
    assert_eq!(range_rule(&[71.0, 73.1, 72.0], first, limit), Some(RangeSays::TakeMore));
    let iso = rule("readings-iso-glass-panel");
    let (first, limit) = (iso.first_readings.unwrap(), iso.spread_limit_gu.unwrap());
    assert_eq!(range_rule(&[71.0, 75.9, 72.0], first, limit), Some(RangeSays::Enough));
    assert_eq!(range_rule(&[71.0, 76.1, 72.0], first, limit), Some(RangeSays::TakeMore));
}

#[derive(Deserialize)]
struct Handbook {
    three_point_check: ThreePoint,
}

#[derive(Deserialize)]
struct ThreePoint {
    intercept: f64,
    slope: f64,
    residual_sd: f64,
    df: f64,
    alpha: f64,
    m: usize,
    t_star: f64,
    limit: f64,
    sd_of_control_values: f64,
    x: Vec<f64>,
    y: Vec<f64>,
    control_values: Vec<f64>,
    out_of_control: Vec<bool>,
}

#[test]
fn the_three_point_check_is_that_of_the_handbook() {
    // e-Handbook 2.3.7.1, line widths: six days, of which the fourth is out of control.
    let expected = published::<Handbook>("ehandbook_control_charts.toml").three_point_check;
    let calibration = Calibration {
        intercept: expected.intercept,
        slope: expected.slope,
        residual_sd: expected.residual_sd,
        degrees_of_freedom: expected.df,
    };
    let standards = expected.x.iter().zip(&expected.y);
    let standards: Vec<Standard> =
        standards.map(|(&assigned, &reading)| Standard { assigned, reading }).collect();
    let mut deviations = Vec::new();
    for (day, standards) in standards.chunks(expected.m).enumerate() {
        let found = check(standards, &calibration, expected.alpha).unwrap();
        close("limit", found.limit, expected.limit, half_of_decimal(8));
        close("t*", found.limit * expected.slope / expected.residual_sd, expected.t_star, half_of_decimal(6));
        for (place, value) in found.values.iter().enumerate() {
            let all = expected.m * day + place;
            close("control value", value.deviation, expected.control_values[all], half_of_decimal(6));
            assert_eq!(!value.within, expected.out_of_control[all], "day {}, standard {place}", day + 1);
            deviations.push(value.deviation);
        }
        assert_eq!(found.holds(), day != 3);
    }
    close("scatter", standard_deviation(&deviations), expected.sd_of_control_values, half_of_decimal(7));
}
