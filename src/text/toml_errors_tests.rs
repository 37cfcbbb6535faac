use crate::text::parse;
use expect_test::Expect;
use expect_test::expect;
use serde::Deserialize;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(dead_code, reason = "read for its errors only")]
struct Panel {
    name: String,
    zones: Option<u16>,
    #[serde(default)]
    spots: Vec<Spot>,
    flat: Option<bool>,
    role: Option<Role>,
    gloss: Option<crate::units::Gloss>,
    geometry_deg: Option<crate::units::Geometry>,
    place: Option<Place>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(dead_code, reason = "read for its errors only")]
struct Spot {
    x: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Place {}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Role {
    Control,
    Treated,
}

fn check(source: &str, expected: Expect) {
    expected.assert_eq(&parse::<Panel>("panel.toml", source).expect_err("a mistake").to_string());
}

#[test]
fn an_unknown_key_names_the_nearest_right_one() {
    check(
        "name = 'P1'\n  zoness = 4",
        expect![[r#"
        panel.toml:2:3: unknown key `zoness`
          hint: did you mean `zones`?"#]],
    );
}

#[test]
fn an_unknown_key_near_to_none_lists_the_right_ones() {
    check(
        "name = 'P1'\nweather = 'dry'",
        expect![[r#"
        panel.toml:2:1: unknown key `weather`
          hint: the keys here are `name`, `zones`, `spots`, `flat`, `role`, `gloss`, `geometry_deg`, `place`"#]],
    );
    check(
        "name = 'P1'\n[[spots]]\nx = 1.0\nweather = 2.0",
        expect![[r#"
        panel.toml:4:1: unknown key `weather`
          hint: the only key here is `x`"#]],
    );
    check(
        "name = 'P1'\n[place]\nweather = 2.0",
        expect![[r#"
        panel.toml:3:1: unknown key `weather`
          hint: no key fits here; take it out"#]],
    );
}

#[test]
fn an_unknown_choice_is_told_like_an_unknown_key() {
    check(
        "name = 'P1'\nrole = 'controll'",
        expect![[r#"
        panel.toml:2:8: unknown choice `controll`
          hint: did you mean `control`?"#]],
    );
    check(
        "name = 'P1'\nrole = 'x'",
        expect![[r#"
        panel.toml:2:8: unknown choice `x`
          hint: the choices here are `control`, `treated`"#]],
    );
    check(
        "name = 'P1'\nrole = 7",
        expect!["panel.toml:2:8: expected one of the choices, in quotes, found 7"],
    );
}

#[test]
fn a_missing_key_is_told_at_its_table() {
    check(
        "# A panel.\n\nzones = 4",
        expect![[r#"
        panel.toml:1:1: the key `name` is missing
          hint: add `name` to this table"#]],
    );
    check(
        "zones = 4",
        expect![[r#"
        panel.toml:1:1: the key `name` is missing
          hint: add `name` to this table"#]],
    );
    check(
        "name = 'P1'\n\n[[spots]]\nx = 1.0\n[[spots]]\n",
        expect![[r#"
        panel.toml:5:1: the key `x` is missing
          hint: add `x` to this table"#]],
    );
}

#[test]
fn a_value_of_the_wrong_kind_says_which_kind_fits() {
    check(
        "name = 7",
        expect![[r#"
        panel.toml:1:8: expected a text in quotes, found 7
          hint: put the number in quotes, so that its digits stay as they are"#]],
    );
    check(
        "name = 'P1'\nzones = '4'",
        expect![[r#"
        panel.toml:2:9: expected a whole number from 0 to 65535, found '4'
          hint: write the number without quotes"#]],
    );
    check(
        "name = 'P1'\nzones = 70000",
        expect!["panel.toml:2:9: expected a whole number from 0 to 65535, found 70000"],
    );
    check(
        "name = 'P1'\nflat = 'yes'",
        expect![[r#"
        panel.toml:2:8: expected true or false, found 'yes'
          hint: write true or false, without quotes"#]],
    );
    check(
        "name = 'P1'\nspots = 3",
        expect![[r#"
        panel.toml:2:9: expected a list, found 3
          hint: write it in brackets, such as ["one", "two"]"#]],
    );
    check(
        "name = 'P1'\n[[spots]]\nx = 'left'",
        expect![[r#"
        panel.toml:3:5: expected a number, found 'left'
          hint: write the number without quotes"#]],
    );
    check(
        "name = 'P1'\nplace = 'left'",
        expect![[r#"
        panel.toml:2:9: expected a table of keys, found 'left'
          hint: write `[table]` on a line of its own and the keys below it"#]],
    );
    check(
        "name = 'P1'\ngloss = 85.3",
        expect![[r#"
        panel.toml:2:9: expected a text in quotes, found 85.3
          hint: put the number in quotes, so that its digits stay as they are"#]],
    );
}

#[test]
fn what_a_type_refuses_for_itself_is_passed_on() {
    check(
        "name = 'P1'\ngloss = '85,3'",
        expect!["panel.toml:2:9: `85,3` is not a decimal number such as 85.3"],
    );
    check(
        "name = 'P1'\ngeometry_deg = 45",
        expect![[r#"
        panel.toml:2:16: 45° is not a gloss geometry
          hint: 20, 60 and 85 are"#]],
    );
}

#[test]
fn what_is_not_toml_is_told_as_such() {
    check(
        "name = P1",
        expect![[r#"
        panel.toml:1:8: not TOML: string values must be quoted, expected literal string
          hint: a line is `key = value` or `[table]`; texts stand in quotes; in 'single quotes' a backslash is itself"#]],
    );
    check(
        "name = 'P1",
        expect![[r#"
        panel.toml:1:11: not TOML: invalid literal string, expected `'`
          hint: a line is `key = value` or `[table]`; texts stand in quotes; in 'single quotes' a backslash is itself"#]],
    );
    check(
        "name = 'P1'\nname = 'P2'",
        expect![[r#"
        panel.toml:2:1: not TOML: duplicate key
          hint: a key stands once in its table; a list of tables has double brackets, such as `[[example]]`"#]],
    );
    check(
        "[place]\nname 'P1'",
        expect![[r#"
        panel.toml:2:6: not TOML: key with no value, expected `=`
          hint: a line is `key = value` or `[table]`; texts stand in quotes; in 'single quotes' a backslash is itself"#]],
    );
    check(
        "name = \"a\\d\"",
        expect![[r#"
        panel.toml:1:11: not TOML: missing escaped value, expected `b`, `e`, `f`, `n`, `r`, `\`, `"`, `x`, `u`, `U`
          hint: a line is `key = value` or `[table]`; texts stand in quotes; in 'single quotes' a backslash is itself"#]],
    );
}

#[test]
fn a_byte_order_mark_is_passed_over() {
    assert_eq!(parse::<Panel>("panel.toml", "\u{feff}name = 'P1'").unwrap().name, "P1");
}
