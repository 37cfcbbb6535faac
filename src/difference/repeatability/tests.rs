use super::*;
use crate::units::Gloss;

fn series(operator: &str, sitting: &str, between: Between, values: &[&str]) -> Series {
    Series {
        operator: operator.to_owned(),
        sitting: sitting.to_owned(),
        spot: "P1 C1".to_owned(),
        between,
        geometry: Geometry::Deg60,
        gloss: values.iter().map(|value| Gloss::parse(value).unwrap()).collect(),
        step_gu: 0.1,
    }
}

fn lifted(operator: &str, sitting: &str, values: &[&str]) -> Series {
    series(operator, sitting, Between::Lifted, values)
}

fn close(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-9, "{found} for {expected}");
}

#[test]
fn the_two_ways_are_pooled_apart_and_over_sittings() {
    // Variances by hand: 71.0 71.2 has 0.02; 71.0 71.4 has 0.08; 71.0 72.0 and 73.0 74.0 have 0.5.
    let all = [
        series("Jo", "1", Between::Still, &["71.0", "71.2"]),
        lifted("Jo", "1", &["71.0", "72.0"]),
        series("Jo", "2", Between::Still, &["71.0", "71.4"]),
        lifted("Jo", "2", &["73.0", "74.0"]),
    ];
    let found = &work_out(&all)[0];
    let (still, lifted) = (found.still.unwrap(), found.lifted.unwrap());
    close(still.scatter.sd, 0.05_f64.sqrt());
    close(lifted.scatter.sd, 0.5_f64.sqrt());
    close(lifted.limit_gu, 2.8 * 0.5_f64.sqrt());
    close(lifted.scatter.degrees_of_freedom, 2.0);
    // Means 71.5 and 73.5: variance 2, of which 0.5 ÷ 2 is repeatability.
    close(found.sittings.unwrap().sitting_sd_gu, 1.75_f64.sqrt());
    close(found.sittings.unwrap().intermediate_sd_gu, 2.25_f64.sqrt());
}

#[test]
fn operators_are_told_apart_only_where_the_study_is_balanced() {
    let mut all = vec![
        lifted("Jo", "1", &["1", "3"]),
        lifted("Jo", "2", &["5", "7"]),
        lifted("Al", "3", &["11", "13"]),
        lifted("Al", "4", &["19", "21"]),
    ];
    // As in stats::precision, by hand: variances 2, 20 − 1 and 72 − 10.
    let found = work_out(&all)[0].sittings.unwrap();
    close(found.sitting_sd_gu, 19_f64.sqrt());
    close(found.operator_sd_gu.unwrap(), 62_f64.sqrt());
    close(found.intermediate_sd_gu, 83_f64.sqrt());
    assert!(!found.operators_mixed_in);
    all.pop();
    let found = work_out(&all)[0].sittings.unwrap();
    assert_eq!((found.operator_sd_gu, found.operators_mixed_in), (None, true));
}

#[test]
fn what_cannot_be_said_of_sittings_is_said_why() {
    let one = lifted("Jo", "1", &["71.0", "72.0"]);
    let elsewhere = Series { spot: "P1 C2".to_owned(), ..lifted("Jo", "2", &["71.0", "72.0"]) };
    let more = lifted("Jo", "2", &["71.0", "72.0", "71.5"]);
    let why = |all: &[Series]| work_out(all)[0].sittings.unwrap_err();
    assert_eq!(why(std::slice::from_ref(&one)), WhyNoSittings::One);
    assert_eq!(why(&[one.clone(), elsewhere]), WhyNoSittings::Spots);
    assert_eq!(why(&[one, more]), WhyNoSittings::Uneven);
}

#[test]
fn scatter_below_half_a_step_is_hidden_and_gives_no_figure_for_a_profile() {
    // Nine equal and one a step higher: the standard deviation is 0.1 ÷ √10 = 0.032.
    let mut values = vec!["71.4"; 9];
    values.push("71.5");
    let found = work_out(&[lifted("Jo", "1", &values)]);
    assert!(found[0].lifted.unwrap().hidden);
    assert_eq!(for_profile(&found), None);
    let equal = work_out(&[lifted("Jo", "1", &["71.4"; 10])]);
    assert!(equal[0].lifted.unwrap().hidden && equal[0].lifted.unwrap().interval_gu.is_none());
    assert!(equal[0].flags.is_empty());
    assert!(!work_out(&[lifted("Jo", "1", &["71.4", "71.5"])])[0].lifted.unwrap().hidden);
}

#[test]
fn a_wild_reading_and_a_wide_sitting_are_flagged_and_stay_in_the_figures() {
    let calm = ["71.2", "71.3", "71.4", "71.3", "71.2", "71.4"];
    let wild = ["71.2", "71.3", "71.4", "71.3", "71.2", "75.4"];
    let all = [lifted("Jo", "1", &calm), lifted("Jo", "2", &wild), lifted("Jo", "3", &calm)];
    let found = &work_out(&all)[0];
    let kinds: Vec<(&str, &Flagged)> = found.flags.iter().map(|f| (f.sitting.as_str(), &f.what)).collect();
    assert!(matches!(
        kinds[..],
        [("2", Flagged::Scatter { .. }), ("2", Flagged::Reading { number: 6, .. }), ..]
    ));
    close(found.lifted.unwrap().scatter.degrees_of_freedom, 15.0);
    assert!(found.lifted.unwrap().scatter.sd > 0.9, "the wild reading was dropped");
}

#[test]
fn the_figure_for_a_profile_is_rounded_up_to_two_digits() {
    for (value, text) in [
        (0.0871, "0.088"),
        (0.088, "0.088"),
        (0.0996, "0.10"),
        (0.123, "0.13"),
        (1.0, "1.0"),
        (1.01, "1.1"),
        (9.96, "10"),
        (12.2, "13"),
    ] {
        assert_eq!(rounded_up(value).as_deref(), Some(text), "{value}");
    }
    assert_eq!((rounded_up(0.0), rounded_up(f64::NAN)), (None, None));
}
