//! `study.toml`: what is read, and what is refused, with its place and what would be right.

use expect_test::Expect;
use expect_test::expect;
use halfpanel::meter::Profile;
use halfpanel::meter::shipped;
use halfpanel::study::Order;
use halfpanel::study::ProfileChoice;
use halfpanel::study::Study;
use halfpanel::study::ZoneUse;
use proptest::prelude::*;

/// A study that is in order. The cases below spoil one line of it.
const GOOD: &str = r#"name = "Sealers"
[meter]
port = "sim:meter.toml"
profile = "semicolon-numbered"
[tile]
name = "Black glass"
tolerance_gu = 1.0
[[tile.value]]
geometry_deg = 60
assigned_gu = 92.40
[procedure]
geometries = [60]
drift_limit_gu = "0.30"
[[panel]]
id = "DECK-LEFT"
width_mm = 300
height_mm = 200
control = ["Bow1", "Bow2"]
[[panel.row]]
names = ["Bow1", "Bow2"]
y_mm = 10
height_mm = 50
[[panel.row]]
names = ["Stern1", "Stern2"]
y_mm = 100
height_mm = 50
[[treatment]]
code = "HULL-COAT"
name = "Grey Heron Hull Coat"
[[treatment]]
code = "WAX"
name = "Slipway Wax Paste"
[[patch]]
treatment = "HULL-COAT"
panel = "DECK-LEFT"
zones = ["Stern1", "Stern2"]
applied_at = 2026-05-04T09:30:00+02:00
"#;

/// Loads the good study once for each case, with the first text (which stands in it once) changed to the
/// second, and shows the refusals one below the other.
fn refused(cases: &[(&str, &str)], expected: Expect) {
    let refusal = |&(from, to): &(&str, &str)| {
        assert_eq!(GOOD.matches(from).count(), 1, "{from:?} must stand in the good study once");
        match Study::load("study.toml", &GOOD.replace(from, to)) {
            Ok(_) => panic!("{to:?} was taken"),
            Err(problem) => format!("{problem}\n"),
        }
    };
    expected.assert_eq(&cases.iter().map(refusal).collect::<String>());
}

fn with(from: &str, to: &str) -> Study {
    assert_eq!(GOOD.matches(from).count(), 1, "{from:?} must stand in the good study once");
    Study::load("study.toml", &GOOD.replace(from, to)).unwrap_or_else(|problem| panic!("{problem}"))
}

#[test]
fn a_good_study_is_read_with_its_defaults() {
    let study = with("tolerance_gu = 1.0\n", "");
    assert_eq!((study.name.as_str(), study.operator.as_str()), ("Sealers", ""));
    assert_eq!(study.profile, ProfileChoice::Shipped("semicolon-numbered".to_owned()));
    assert_eq!(study.tile.rule.tolerance_gu.to_string(), "1.0");
    assert_eq!(study.tile.rule.spread_limit_gu.to_string(), "0.5");
    assert_eq!(study.tile.rule.readings, 3);
    assert_eq!(study.order, Order::Mirror);
    assert_eq!((study.procedure.readings_per_zone, study.procedure.longest_pause_min), (1, 60));
    assert_eq!(study.procedure.interim_after_readings, None);
    assert_eq!(study.patches[0].stage, "cured");
    assert_eq!(study.patches[0].applied_at.as_deref(), Some("2026-05-04T09:30:00+02:00"));
    let uses: Vec<ZoneUse> = study.panels[0].zones.iter().map(|zone| zone.used_as).collect();
    assert_eq!(uses, [ZoneUse::Control, ZoneUse::Control, ZoneUse::Patch(0), ZoneUse::Patch(0)]);
}

#[test]
fn decimals_are_kept_as_they_are_written_in_quotes_or_not() {
    for written in ["92.40", "'92.40'", "\"92.40\"", "+92.40"] {
        let study = with("assigned_gu = 92.40", &format!("assigned_gu = {written}"));
        assert_eq!(study.tile.values[0].assigned_gu.to_string(), "92.40", "{written}");
    }
    assert_eq!(with("92.40", "92").tile.values[0].assigned_gu.to_string(), "92");
    let long = "92.400000001";
    assert_eq!(with("92.40", long).tile.values[0].assigned_gu.to_string(), long);
    let marked = format!("\u{feff}{GOOD}");
    let study = Study::load("study.toml", &marked).unwrap();
    assert_eq!(study.tile.values[0].assigned_gu.to_string(), "92.40", "after a byte order mark");
}

#[test]
fn a_row_divides_its_width_into_zones_of_equal_size() {
    let study = with("y_mm = 100\n", "y_mm = 100\nx_mm = 30\nwidth_mm = 210\ngap_mm = 10\n");
    let [first, second] = &study.panels[0].zones[2..] else { panic!("two zones") };
    assert_eq!((first.x_mm, first.y_mm, first.width_mm, first.height_mm), (30.0, 100.0, 100.0, 50.0));
    assert_eq!((second.x_mm, second.width_mm), (140.0, 100.0));
}

#[test]
fn times_are_read_in_quotes_too_and_keep_their_offset() {
    let study = with("2026-05-04T09:30:00+02:00", "'2026-05-04 09:30:00-03:30'");
    assert_eq!(study.patches[0].applied_at.as_deref(), Some("2026-05-04T09:30:00-03:30"));
    let study = with("2026-05-04T09:30:00+02:00", "2026-05-04T07:30:00Z");
    assert_eq!(study.patches[0].applied_at.as_deref(), Some("2026-05-04T07:30:00Z"));
}

#[test]
fn the_tile_is_refused_where_it_can_prove_nothing() {
    refused(
        &[
            ("tolerance_gu = 1.0", "tolerance_gu = 0"),
            ("tolerance_gu = 1.0", "tolerance_gu = -0.5"),
            ("tolerance_gu = 1.0", "spread_limit_gu = 0.0"),
            ("tolerance_gu = 1.0", "tolerance_gu = 1e0"),
            ("tolerance_gu = 1.0", "tolerance_gu = '1,0'"),
            ("tolerance_gu = 1.0", "tolerance_gu = [1]"),
            ("tolerance_gu = 1.0", "certificate_date = 2026-02"),
            ("tolerance_gu = 1.0", "certificate_date = '31.3.2026'"),
            ("\"0.30\"", "0.0"),
            ("\"0.30\"", "-0.3"),
            ("92.40", "0"),
            ("92.40", "2000.1"),
            ("92.40", "nan"),
            ("92.40", "92.4\nexpanded_uncertainty_gu = 0"),
            ("92.40", "92.4\n[[tile.value]]\ngeometry_deg = 60\nassigned_gu = 92.5"),
        ],
        expect![[r#"
            study.toml:7:16: `tolerance_gu` is 0
              hint: give more than 0 and at most 50 GU; without the key it is 1.0
            study.toml:7:16: `tolerance_gu` is -0.5
              hint: give more than 0 and at most 50 GU; without the key it is 1.0
            study.toml:7:19: `spread_limit_gu` is 0.0
              hint: give more than 0 and at most 50 GU; without the key it is 0.5
            study.toml:7:16: `tolerance_gu` is not a plain decimal number
              hint: write digits and at most one point, 12 characters at most, such as 92.4
            study.toml:7:16: `tolerance_gu` is not a plain decimal number
              hint: write digits and at most one point, 12 characters at most, such as 92.4
            study.toml:7:16: `tolerance_gu` is not a plain decimal number
              hint: write digits and at most one point, 12 characters at most, such as 92.4
            study.toml:7:20: not TOML: invalid date, expected `-` (MM-DD)
              hint: a line is `key = value` or `[table]`; texts stand in quotes; in 'single quotes' a backslash is itself
            study.toml:7:20: `certificate_date` is not a day
              hint: write year, month and day, such as 2026-03-31
            study.toml:13:18: `drift_limit_gu` is 0.0
              hint: give more than 0 and at most 50 GU; without the key it is 0.3
            study.toml:13:18: `drift_limit_gu` is -0.3
              hint: give more than 0 and at most 50 GU; without the key it is 0.3
            study.toml:10:15: `assigned_gu` is 0
              hint: give more than 0 and at most 2000 GU
            study.toml:10:15: `assigned_gu` is 2000.1
              hint: give more than 0 and at most 2000 GU
            study.toml:10:15: `assigned_gu` is not a plain decimal number
              hint: write digits and at most one point, 12 characters at most, such as 92.4
            study.toml:11:27: `expanded_uncertainty_gu` is 0
              hint: give more than 0 and at most 2000 GU
            study.toml:12:16: the tile has two values at 60°
              hint: keep the one on the certificate
        "#]],
    );
}

#[test]
fn a_geometry_without_a_value_of_the_tile_is_refused() {
    refused(
        &[
            ("[60]", "[60, 20]"),
            ("geometry_deg = 60", "geometry_deg = 85"),
            ("geometries = [60]\n", "geometries = []\n"),
            ("geometries = [60]\n", "geometries = [60, 60]\n"),
            ("geometries = [60]\n", "geometries = [45]\n"),
        ],
        expect![[r#"
            study.toml:12:19: the tile has no value at 20°
              hint: add a `[[tile.value]]` with `geometry_deg = 20` and the certificate's value, or take 20 out of `geometries`
            study.toml:12:15: the tile has no value at 60°
              hint: add a `[[tile.value]]` with `geometry_deg = 60` and the certificate's value, or take 60 out of `geometries`
            study.toml:12:14: `geometries` is empty
              hint: give at least one of 20, 60 and 85; 60 is the one to start with
            study.toml:12:19: 60° stands here twice
              hint: keep one of them
            study.toml:12:14: 45° is not a gloss geometry
              hint: 20, 60 and 85 are
        "#]],
    );
    let no_geometries =
        GOOD.replace("geometries = [60]\n", "").replace("geometry_deg = 60", "geometry_deg = 85");
    let problem = Study::load("study.toml", &no_geometries).unwrap_err();
    expect![[r#"
        study.toml:5:1: the tile has no value at 60°
          hint: add a `[[tile.value]]` with `geometry_deg = 60` and the certificate's value, or name the tile's geometry in `procedure.geometries`"#]].assert_eq(&problem.to_string());
}

#[test]
fn a_geometry_that_the_meter_does_not_give_is_refused() {
    let source = GOOD.replace("[60]", "[85, 60]").replace(
        "assigned_gu = 92.40",
        "assigned_gu = 92.40\n[[tile.value]]\ngeometry_deg = 85\nassigned_gu = 98",
    );
    let study = Study::load("study.toml", &source).unwrap();
    let only_60 = Profile::load(
        "p.toml",
        &shipped::text("tab-60").unwrap().replace("[\"geometry\", \"gloss\"]", "[\"skip\", \"gloss_60\"]"),
    )
    .unwrap();
    let problem = study.check_geometries(&only_60.geometries()).unwrap_err();
    expect![[r#"
        study.toml:15:15: the meter's profile gives no value at 85°
          hint: it gives 60; change `geometries` or the profile"#]]
    .assert_eq(&problem.to_string());
    let every_angle = shipped::find("three-angle").unwrap();
    study.check_geometries(&every_angle.geometries()).unwrap();
}

#[test]
fn a_serial_number_needs_lines_that_carry_one_and_a_profile_that_states_no_other() {
    let source = GOOD.replace("[tile]", "serial_number = \"A17\"\n[tile]");
    let study = Study::load("study.toml", &source).unwrap();
    assert_eq!(study.serial_number.as_deref(), Some("A17"));
    let profile = |fields: &str, line: &str, meter: &str| {
        let text = format!(
            "name = 'p'\n[line]\nseparator = ';'\nfields = [{fields}]\ngeometry_deg = 60\n{meter}\n[[example]]\nline = \
             '{line}'\ngloss_60 = '85.3'\n"
        );
        Profile::load("p.toml", &text).unwrap()
    };
    let problem = study.check_serial_number(&profile("'gloss'", "85.3", "")).unwrap_err();
    assert!(problem.what.contains("carry no serial number"), "{problem}");
    let with = |meter: &str, line: &str| profile("'serial', 'gloss'", line, meter);
    study.check_serial_number(&with("", "B2;85.3")).unwrap();
    study.check_serial_number(&with("[meter]\nserial_number = 'A17'", "A17;85.3")).unwrap();
    let problem =
        study.check_serial_number(&with("[meter]\nserial_number = 'B2'", "B2;85.3")).unwrap_err().to_string();
    assert!(problem.contains("`A17` here and `B2` in the profile"), "{problem}");
    assert!(problem.starts_with("study.toml:") && !problem.starts_with("study.toml:1:1"), "{problem}");
}

#[test]
fn counts_of_nothing_are_refused() {
    refused(
        &[
            ("[procedure]\n", "[procedure]\ninterim_after_readings = 0\n"),
            ("[procedure]\n", "[procedure]\ninterim_after_min = 0\n"),
            ("[procedure]\n", "[procedure]\nreadings_per_zone = 0\n"),
            ("[procedure]\n", "[procedure]\ntile_readings = 0\n"),
            ("[procedure]\n", "[procedure]\nlongest_pause_min = 10001\n"),
            ("[procedure]\n", "[procedure]\ntile_readings = -3\n"),
            ("[procedure]\n", "[procedure]\norder = 'miror'\n"),
            ("[procedure]\n", "[procedure]\ndrift_policy = 'ignore'\n"),
        ],
        expect![[r#"
            study.toml:12:26: `interim_after_readings` is 0
              hint: give a whole number from 1 to 10000
            study.toml:12:21: `interim_after_min` is 0
              hint: give a whole number from 1 to 10000
            study.toml:12:21: `readings_per_zone` is 0
              hint: give a whole number from 1 to 10000
            study.toml:12:17: `tile_readings` is 0
              hint: give a whole number from 1 to 10000
            study.toml:12:21: `longest_pause_min` is 10001
              hint: give a whole number from 1 to 10000
            study.toml:12:17: expected a whole number, zero or more, found -3
            study.toml:12:9: unknown choice `miror`
              hint: did you mean `mirror`?
            study.toml:12:16: unknown choice `ignore`
              hint: the choices here are `allow`, `correct`
        "#]],
    );
}

#[test]
fn a_black_trap_and_a_middle_tile_that_show_nothing_are_refused() {
    let middle = "[tile.middle]\nname = 'grey'\n[[tile.middle.value]]\ngeometry_deg = ";
    refused(
        &[
            ("[procedure]\n", "[tile.zero]\ntolerance_gu = 0\n[procedure]\n"),
            ("[procedure]\n", "[tile.middle]\nname = 'grey'\n[procedure]\n"),
            ("[procedure]\n", &format!("{middle}20\nassigned_gu = 31\n[procedure]\n")),
            ("[procedure]\n", &format!("{middle}60\nassigned_gu = 92.4\n[procedure]\n")),
            ("[procedure]\n", "[procedure]\nside_range_limit_gu = 51\n"),
        ],
        expect![[r#"
            study.toml:12:16: `tolerance_gu` is 0
              hint: give more than 0 and at most 50 GU; without the key it is 0.1
            study.toml:11:1: the middle tile has no value at 60°
              hint: add a `[[tile.middle.value]]` with `geometry_deg = 60` and its assigned value
            study.toml:11:1: the middle tile has no value at 60°
              hint: add a `[[tile.middle.value]]` with `geometry_deg = 60` and its assigned value
            study.toml:15:15: the middle tile has 92.4 GU at 60°, not less than the tile
              hint: take a tile from the middle of the scale, or leave `[tile.middle]` out
            study.toml:12:23: `side_range_limit_gu` is 51
              hint: give more than 0 and at most 50 GU; without the key there is no limit
        "#]],
    );
}

#[test]
fn the_meter_needs_a_port_and_a_profile_that_exist() {
    refused(
        &[
            ("semicolon-numbered", "semicolon-numberd"),
            ("semicolon-numbered", "../mine.toml"),
            ("semicolon-numbered", "/etc/mine.toml"),
            ("sim:meter.toml", "sim:"),
            ("sim:meter.toml", " "),
        ],
        expect![[r#"
            study.toml:4:11: no profile is called `semicolon-numberd`
              hint: did you mean `semicolon-numbered`? A file of your own ends in `.toml`
            study.toml:4:11: `../mine.toml` lies outside the study's folder
              hint: a study is whole in its own folder; copy the profile into it
            study.toml:4:11: `/etc/mine.toml` lies outside the study's folder
              hint: a study is whole in its own folder; copy the profile into it
            study.toml:3:8: the simulated meter has no scenario
              hint: name the scenario in the study's folder, such as `sim:meter.toml`
            study.toml:3:8: `port` is empty
              hint: write it, or take the key out where it may be absent
        "#]],
    );
    assert_eq!(
        with("semicolon-numbered", "meters/mine.toml").profile,
        ProfileChoice::File("meters/mine.toml".to_owned())
    );
}

#[test]
fn a_study_without_panels_or_treatments_is_refused() {
    let up_to = |mark: &str| GOOD[..GOOD.find(mark).unwrap()].to_owned();
    let problem = |source: &str| Study::load("study.toml", source).unwrap_err().to_string();
    expect![[r#"
        study.toml:1:1: the study has no panel
          hint: add a `[[panel]]` with `id`, `width_mm`, `height_mm` and its zones"#]]
    .assert_eq(&problem(&up_to("[[panel]]")));
    expect![[r#"
        study.toml:1:1: the study has no treatment
          hint: add a `[[treatment]]` with `code` and `name`"#]]
    .assert_eq(&problem(&up_to("[[treatment]]")));
    expect![[r#"
        study.toml:1:1: the key `name` is missing
          hint: add `name` to this table"#]]
    .assert_eq(&problem(""));
}

#[test]
fn zones_off_the_panel_or_over_each_other_are_refused() {
    refused(
        &[
            ("y_mm = 100\n", "y_mm = 151\n"),
            ("y_mm = 100\n", "y_mm = 59\n"),
            ("y_mm = 100\n", "y_mm = 100\nx_mm = 200\nwidth_mm = 200\n"),
            ("y_mm = 100\n", "y_mm = 100\ngap_mm = 300\n"),
            ("y_mm = 100\n", "y_mm = -1\n"),
            ("width_mm = 300", "width_mm = 0"),
            ("width_mm = 300", "width_mm = inf"),
            ("names = [\"Bow1\", \"Bow2\"]", "names = []"),
            (
                "[[treatment]]\ncode = \"WAX\"",
                "[[panel]]\nid = \"Empty\"\nwidth_mm = 10\nheight_mm = 10\n[[treatment]]\ncode = \"WAX\"",
            ),
        ],
        expect![[r#"
            study.toml:24:10: zone `Stern1` reaches over the edge of panel `DECK-LEFT`
              hint: it ends 150 mm from the left and 201 mm from the top; the panel has 300 × 200 mm
            study.toml:24:10: zone `Stern1` lies over zone `Bow1`
              hint: move or narrow one of them; a spot of the panel belongs to one zone
            study.toml:24:20: zone `Stern2` reaches over the edge of panel `DECK-LEFT`
              hint: it ends 400 mm from the left and 150 mm from the top; the panel has 300 × 200 mm
            study.toml:23:1: 2 zones do not fit side by side into 300 mm
              hint: widen the row, or narrow `gap_mm` or `x_mm`
            study.toml:25:8: `y_mm` is -1
              hint: give 0 to 10000 mm
            study.toml:16:12: `width_mm` is 0
              hint: give more than 0 and at most 10000 mm
            study.toml:16:12: `width_mm` is inf
              hint: give more than 0 and at most 10000 mm
            study.toml:19:1: the row has no zones
              hint: list the names from left to right, such as ["C1", "C2"]
            study.toml:30:1: panel `Empty` has no zones
              hint: add a `[[panel.row]]` or a `[[panel.zone]]` below it
        "#]],
    );
}

#[test]
fn a_zone_that_meets_another_edge_to_edge_is_taken() {
    let study = with("y_mm = 100\n", "y_mm = 60\n");
    assert_eq!(study.panels[0].zones.len(), 4);
    // In binary, three thirds of 3.1 are 3.1000000000000005.
    let thirds = GOOD
        .replace("width_mm = 300", "width_mm = 3.1")
        .replace("names = [\"Bow1\", \"Bow2\"]", "names = [\"Bow1\", \"Bow2\", \"a\"]")
        .replace("control = [", "unused = ['a']\ncontrol = [");
    Study::load("study.toml", &thirds).unwrap_or_else(|problem| panic!("{problem}"));
}

#[test]
fn names_that_come_twice_are_refused_in_capitals_or_not() {
    refused(
        &[
            ("\"Stern1\", \"Stern2\"]\ny_mm", "\"Stern1\", \"STERN1\"]\ny_mm"),
            ("code = \"WAX\"", "code = \"hull-coat\""),
            (
                "[[treatment]]\ncode = \"WAX\"",
                "[[panel]]\nid = \"Deck-Left\"\nwidth_mm = 10\nheight_mm = 10\n[[panel.zone]]\nname = \"a\"\nx_mm = 0\ny_mm = 0\nwidth_mm = 10\nheight_mm = 10\n[[treatment]]\ncode = \"WAX\"",
            ),
            ("control = [\"Bow1\", \"Bow2\"]", "control = [\"Bow1\", \"Bow1\"]"),
            ("control = [\"Bow1\", \"Bow2\"]", "control = [\"Bow1\"]\nunused = [\"Bow1\"]"),
        ],
        expect![[r#"
            study.toml:24:20: zones `Stern1` and `STERN1` differ only in capital letters
              hint: give one of them another name
            study.toml:31:8: treatments `HULL-COAT` and `hull-coat` differ only in capital letters
              hint: give one of them another name
            study.toml:31:6: panels `DECK-LEFT` and `Deck-Left` differ only in capital letters
              hint: give one of them another name
            study.toml:18:20: zone `Bow1` is listed twice
              hint: keep one of them
            study.toml:19:11: zone `Bow1` is listed as control and as unused
              hint: keep one of them
        "#]],
    );
}

#[test]
fn names_that_break_a_table_or_a_file_name_are_refused() {
    refused(
        &[
            ("id = \"DECK-LEFT\"", "id = \"../P1\""),
            ("id = \"DECK-LEFT\"", "id = \"P 1\""),
            ("id = \"DECK-LEFT\"", "id = \"\""),
            ("code = \"WAX\"", "code = \"W\\u0007X\""),
            ("\"Bow1\", \"Bow2\"]\ny_mm", "\"Bow1\", \"Bow2/3\"]\ny_mm"),
            ("\"Slipway Wax Paste\"", "\"Slipway\\nWax\""),
            ("\"Slipway Wax Paste\"", "\"=2+3\""),
            ("\"Slipway Wax Paste\"", "\"\\u202Eetsap\""),
            ("name = \"Sealers\"", "name = '  '"),
        ],
        expect![[r#"
            study.toml:15:6: `../P1` cannot be a panel id
              hint: a panel id has 1 to 24 letters, digits, `-` or `_`, and begins with a letter or digit
            study.toml:15:6: `P 1` cannot be a panel id
              hint: a panel id has 1 to 24 letters, digits, `-` or `_`, and begins with a letter or digit
            study.toml:15:6: `` cannot be a panel id
              hint: a panel id has 1 to 24 letters, digits, `-` or `_`, and begins with a letter or digit
            study.toml:31:8: `W\u{7}X` cannot be a treatment code
              hint: a treatment code has 1 to 24 letters, digits, `-` or `_`, and begins with a letter or digit
            study.toml:20:18: `Bow2/3` cannot be a zone name
              hint: a zone name has 1 to 24 letters, digits, `-` or `_`, and begins with a letter or digit
            study.toml:32:8: `name` holds the unprintable character U+000A
              hint: keep it to one line of printable text; it becomes a cell of a table
            study.toml:32:8: `name` begins with `=`
              hint: a spreadsheet would take the cell for a formula; begin with a letter or digit
            study.toml:32:8: `name` holds the unprintable character U+202E
              hint: keep it to one line of printable text; it becomes a cell of a table
            study.toml:1:8: `name` is empty
              hint: write it, or take the key out where it may be absent
        "#]],
    );
}

#[test]
fn a_patch_needs_a_treatment_a_panel_and_zones_that_exist() {
    refused(
        &[
            ("treatment = \"HULL-COAT\"", "treatment = \"HULL-COT\""),
            ("treatment = \"HULL-COAT\"", "treatment = \"Polish\""),
            ("panel = \"DECK-LEFT\"", "panel = \"deck-left\""),
            ("zones = [\"Stern1\", \"Stern2\"]", "zones = [\"Stern1\", \"Stren2\"]"),
            ("zones = [\"Stern1\", \"Stern2\"]", "zones = []"),
            ("control = [\"Bow1\", \"Bow2\"]", "control = [\"Bow1\", \"Bow3x\"]"),
        ],
        expect![[r#"
            study.toml:34:13: no treatment is called `HULL-COT`
              hint: did you mean `HULL-COAT`?
            study.toml:34:13: no treatment is called `Polish`
              hint: the treatments here are `HULL-COAT`, `WAX`
            study.toml:35:9: no panel is called `deck-left`
              hint: did you mean `DECK-LEFT`?
            study.toml:36:20: panel `DECK-LEFT` has no zone `Stren2`
              hint: did you mean `Stern2`?
            study.toml:36:9: the patch of `HULL-COAT` has no zones
              hint: list the zones that have the product, such as ["A1", "A2"]
            study.toml:18:20: panel `DECK-LEFT` has no zone `Bow3x`
              hint: the zones here are `Bow1`, `Bow2`, `Stern1`, `Stern2`
        "#]],
    );
}

#[test]
fn a_treatment_on_a_control_zone_is_refused() {
    refused(
        &[("zones = [\"Stern1\", \"Stern2\"]", "zones = [\"Stern1\", \"Bow2\"]")],
        expect![[r#"
            study.toml:36:20: treatment `HULL-COAT` stands on control zone `Bow2`
              hint: a control zone stays bare; take `Bow2` out here, or out of the panel's `control`
        "#]],
    );
}

#[test]
fn a_panel_with_a_patch_and_no_control_zone_is_refused() {
    refused(
        &[("control = [\"Bow1\", \"Bow2\"]\n", "unused = [\"Bow1\", \"Bow2\"]\n")],
        expect![[r#"
            study.toml:35:9: panel `DECK-LEFT` has a patch and no control zone
              hint: leave some zones bare and list them in the panel, such as `control = ["C1", "C2"]`
        "#]],
    );
}

#[test]
fn a_zone_that_nothing_is_said_of_is_refused_on_a_panel_with_a_patch() {
    refused(
        &[("zones = [\"Stern1\", \"Stern2\"]", "zones = [\"Stern1\"]")],
        expect![[r#"
            study.toml:24:20: zone `Stern2` of panel `DECK-LEFT` is neither control nor in a patch
              hint: put it into the panel's `control`, into the `zones` of a patch, or into the panel's `unused`
        "#]],
    );
}

#[test]
fn a_zone_has_one_treatment_and_one_patch() {
    refused(
        &[("zones = [\"Stern1\", \"Stern2\"]", "zones = [\"Stern1\", \"Stern1\"]")],
        expect![[r#"
            study.toml:36:20: zone `Stern1` is listed twice
              hint: keep one of them
        "#]],
    );
    let second = "\n[[patch]]\ntreatment = \"WAX\"\npanel = \"DECK-LEFT\"\nzones = [\"Stern2\"]\n";
    let problem =
        |second: &str| Study::load("study.toml", &format!("{GOOD}{second}")).unwrap_err().to_string();
    expect![[r#"
        study.toml:42:10: zone `Stern2` is in the patch of `HULL-COAT` already
          hint: a zone has one treatment; give each patch its own zones"#]]
    .assert_eq(&problem(second));
    expect![[r#"
        study.toml:40:13: treatment `HULL-COAT` has two patches on panel `DECK-LEFT`
          hint: list all its zones in one patch; for a second batch give it a code of its own"#]]
    .assert_eq(&problem(&second.replace("WAX", "HULL-COAT")));
    refused(
        &[("control = [\"Bow1\", \"Bow2\"]", "control = [\"Bow1\"]\nunused = [\"Bow2\", \"Stern2\"]")],
        expect![[r#"
            study.toml:37:20: treatment `HULL-COAT` stands on the unused zone `Stern2`
              hint: take `Stern2` out here, or out of the panel's `unused`
        "#]],
    );
}

#[test]
fn stages_and_times_of_a_patch_are_held_to_their_form() {
    refused(
        &[
            ("applied_at = 2026", "stage = 'Washed 10'\napplied_at = 2026"),
            ("applied_at = 2026-05-04T09:30:00+02:00", "applied_at = 2026-05-04T09:30:00"),
            ("applied_at = 2026-05-04T09:30:00+02:00", "applied_at = 'yesterday'"),
            ("\"Slipway Wax Paste\"", "\"Slipway Wax Paste\"\ncure_hours = -1"),
        ],
        expect![[r#"
            study.toml:37:9: `Washed 10` cannot be a stage
              hint: a stage has lower-case letters, digits and `-`, such as `bare`, `cured`, `wiped` or `washed-10`
            study.toml:37:14: `applied_at` is not a moment with its offset from UTC
              hint: write it such as 2026-05-04T09:30:00+02:00; without the offset nobody could tell how long it cured
            study.toml:37:14: `applied_at` is not a moment with its offset from UTC
              hint: write it such as 2026-05-04T09:30:00+02:00; without the offset nobody could tell how long it cured
            study.toml:33:14: `cure_hours` is -1
              hint: give 0 to 10000 hours
        "#]],
    );
}

#[test]
fn a_slip_in_a_key_names_the_right_one() {
    refused(
        &[
            ("tolerance_gu", "tolerence_gu"),
            ("[[patch]]", "[[pach]]"),
            ("drift_limit_gu", "drift_limit"),
            ("applied_at", "applied_on"),
        ],
        expect![[r#"
            study.toml:7:1: unknown key `tolerence_gu`
              hint: did you mean `tolerance_gu`?
            study.toml:33:3: unknown key `pach`
              hint: did you mean `patch`?
            study.toml:13:1: unknown key `drift_limit`
              hint: did you mean `drift_limit_gu`?
            study.toml:37:1: unknown key `applied_on`
              hint: did you mean `applied_at`?
        "#]],
    );
}

#[test]
fn what_is_said_of_washes_prices_and_panels_is_refused_with_its_place_where_it_cannot_be() {
    refused(
        &[
            ("[procedure]\n", "[washing]\namount = \"a bucket\"\n[procedure]\n"),
            ("[procedure]\n", "[washing]\nlook_after = [5, 0]\n[procedure]\n"),
            ("[procedure]\n", "[washing]\nrecipe = \"two\\nlines\"\n[procedure]\n"),
            ("[procedure]\n", "[failing]\nfailed_area_pct = 0\n[procedure]\n"),
            ("[procedure]\n", "[failing]\nfailed_area_pct = 101\n[procedure]\n"),
            ("[procedure]\n", "[failing]\nclass_within = -1\n[procedure]\n"),
            ("[procedure]\n", "[failing]\ncontrol_change = 0\n[procedure]\n"),
            ("[procedure]\n", "[judging]\nattributes = [\"feel\", \"feel\"]\n[procedure]\n"),
            ("[procedure]\n", "[scale]\nname = \"drops\"\nclasses = [\"round\"]\n[procedure]\n"),
            ("code = \"WAX\"\n", "code = \"WAX\"\nprice = \"0\"\n"),
            ("code = \"WAX\"\n", "code = \"WAX\"\nprice = \"much\"\n"),
            ("code = \"WAX\"\n", "code = \"WAX\"\nprice = \"9.50\"\ncontent = \"a tin\"\n"),
            ("code = \"WAX\"\n", "code = \"WAX\"\nprice = \"9.50\"\ncovers_m2 = 0\n"),
            ("width_mm = 300\n", "width_mm = 300\nreused = -1\n"),
            ("width_mm = 300\n", "width_mm = 300\nbatch = 12\n"),
        ],
        expect![[r#"
            study.toml:12:10: `amount` is not an amount
              hint: write a number and g, kg, mg, ml, cl, dl or l, such as "500 ml"
            study.toml:12:18: `look_after` is 0
              hint: give a whole number from 1 to 10000
            study.toml:12:10: `recipe` holds the unprintable character U+000A
              hint: keep it to one line of printable text; it becomes a cell of a table
            study.toml:12:19: `failed_area_pct` is 0
              hint: give more than 0 and at most 100 percent
            study.toml:12:19: `failed_area_pct` is 101
              hint: give more than 0 and at most 100 percent
            study.toml:12:16: expected a whole number, zero or more, found -1
            study.toml:12:18: `control_change` is 0
              hint: give a whole number from 1 to 10000
            study.toml:12:23: attribute `feel` is listed twice
              hint: keep one of them
            study.toml:13:11: the scale has 1 classes
              hint: list 2 to 20, from the most repellent to the fully wetted
            study.toml:32:9: `price` is not a plain decimal number above 0
              hint: write digits and at most one point, more than 0, such as 18.50; the currency is a key of the study
            study.toml:32:9: `price` is not a plain decimal number above 0
              hint: write digits and at most one point, more than 0, such as 18.50; the currency is a key of the study
            study.toml:33:11: `content` is not an amount
              hint: write a number and g, kg, mg, ml, cl, dl or l, such as "500 ml"
            study.toml:33:13: `covers_m2` is 0
              hint: give more than 0 and at most 1000000
            study.toml:17:10: expected a whole number, zero or more, found -1
            study.toml:17:9: expected a text in quotes, found 12
              hint: put the number in quotes, so that its digits stay as they are
        "#]],
    );
}

proptest! {
    #[test]
    fn whatever_is_typed_into_a_study_is_taken_or_told_with_its_place(
        at in 0..GOOD.len(),
        length in 0usize..40,
        typed in "[\\PC\n\"\\[\\]=0-9a-z_.-]{0,12}",
    ) {
        let mut text = GOOD.to_owned();
        text.replace_range(at..(at + length).min(GOOD.len()), &typed);
        if let Err(problem) = Study::load("study.toml", &text) {
            prop_assert!(problem.line >= 1 && problem.line <= text.lines().count() + 1);
            prop_assert!(!problem.what.is_empty() && !problem.what.contains('\n'), "{problem}");
        }
    }
}
