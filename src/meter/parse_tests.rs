use crate::meter::LineOutcome;
use crate::meter::Profile;
use expect_test::Expect;
use expect_test::expect;

/// A profile of `[line]` keys and further tables; the example is found for it.
fn profile(tables: &str, example: &str) -> Profile {
    let text = format!("name = 'test'\n[line]\n{tables}\n[[example]]\n{example}\n");
    Profile::load("test.toml", &text).unwrap_or_else(|problem| panic!("{problem}"))
}

/// The outcome as text: `60: 85.3`, several joined by blanks, `no 7` for a sequence number.
fn read(profile: &Profile, line: &[u8]) -> String {
    match profile.reader().read(line) {
        LineOutcome::Values { gloss, sequence } => {
            let values = gloss.iter().map(|(geometry, gloss)| format!("{}: {gloss}", geometry.text()));
            values.chain(sequence.map(|number| format!("no {number}"))).collect::<Vec<_>>().join(" ")
        }
        LineOutcome::Ignored => "ignored".to_owned(),
        LineOutcome::Refused(refusal) => format!("{}: {refusal}", refusal.code()),
    }
}

fn check(profile: &Profile, line: &str, expected: Expect) {
    expected.assert_eq(&read(profile, line.as_bytes()));
}

fn numbered() -> Profile {
    profile(
        r#"
separator = ";"
fields = ["sequence", "geometry", "gloss", "unit", "status"]
decimals = 1
ignore = ['#.*']
[status]
ok = ["OK"]
[status.errors]
"----" = "no reading"
"LAMP" = "the lamp is weak"
[sequence]
first = 1
last = 999
"#,
        "line = '007;60;85.3;GU;OK'\ngloss_60 = '85.3'\nsequence = 7",
    )
}

#[test]
fn a_line_that_fits_gives_its_value_with_all_its_digits() {
    let profile = numbered();
    check(&profile, "008;20;71.0;GU;OK", expect!["20: 71.0 no 8"]);
    check(&profile, " 9 ; 85;\t0.1 ;GU;OK ", expect!["85: 0.1 no 9"]);
    check(&profile, "# header;60;85.3;GU;OK", expect!["ignored"]);
}

#[test]
fn a_line_with_more_or_fewer_fields_is_refused() {
    let profile = numbered();
    check(
        &profile,
        "008;60;85.3",
        expect![
            "field-count: the line `008;60;85.3` has 3 fields, the profile wants 5 (sequence, geometry, gloss, unit, status): most likely bytes were lost, or the meter is set to another output; press again, and if it stays so compare the profile's `fields` with this line"
        ],
    );
    check(
        &profile,
        "008;60;85.3;GU;OK;",
        expect![
            "field-count: the line `008;60;85.3;GU;OK;` has 6 fields, the profile wants 5 (sequence, geometry, gloss, unit, status): most likely bytes were lost, or the meter is set to another output; press again, and if it stays so compare the profile's `fields` with this line"
        ],
    );
    check(
        &profile,
        "?",
        expect![
            "field-count: the line `?` has 1 field, the profile wants 5 (sequence, geometry, gloss, unit, status): most likely bytes were lost, or the meter is set to another output; press again, and if it stays so compare the profile's `fields` with this line"
        ],
    );
    check(
        &profile,
        &";".repeat(100),
        expect![
            "field-count: the line `;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;;`… (100 bytes) has 101 fields, the profile wants 5 (sequence, geometry, gloss, unit, status): most likely bytes were lost, or the meter is set to another output; press again, and if it stays so compare the profile's `fields` with this line"
        ],
    );
}

#[test]
fn a_word_for_an_error_comes_with_its_meaning_wherever_it_stands() {
    let profile = numbered();
    check(
        &profile,
        "008;60;85.3;GU;LAMP",
        expect![
            "error-word: the meter says `LAMP`: the lamp is weak; put that right by the meter's manual and press again"
        ],
    );
    check(
        &profile,
        "008;60;----;GU;OK",
        expect![
            "error-word: the meter says `----`: no reading; put that right by the meter's manual and press again"
        ],
    );
    check(
        &profile,
        "----",
        expect![
            "error-word: the meter says `----`: no reading; put that right by the meter's manual and press again"
        ],
    );
    check(
        &profile,
        "008;60;85.3;GU;HOT",
        expect![
            "unknown-status: the status is `HOT`, the profile knows `OK`: no value is taken with a status nobody has explained; look it up in the meter's manual and add it to `status.ok` or `status.errors`"
        ],
    );
}

#[test]
fn a_number_as_error_word_is_an_error_in_the_status_or_else_in_the_place_of_the_value() {
    let errors = "[status.errors]\n'1' = 'too dark'\n";
    let with_status = profile(
        &format!("separator = ';'\nfields = ['gloss_60', 'status']\n[status]\nok = ['0']\n{errors}"),
        "line = '85;0'\ngloss_60 = '85'",
    );
    check(&with_status, "1;0", expect!["60: 1"]);
    check(
        &with_status,
        "85;1",
        expect![
            "error-word: the meter says `1`: too dark; put that right by the meter's manual and press again"
        ],
    );
    let without = profile(
        &format!("separator = ';'\nfields = ['gloss_60', 'skip']\n{errors}"),
        "line = '85;0'\ngloss_60 = '85'",
    );
    check(
        &without,
        "1;0",
        expect![
            "error-word: the meter says `1`: too dark; put that right by the meter's manual and press again"
        ],
    );
}

#[test]
fn text_that_is_no_number_is_refused_with_what_it_most_likely_is() {
    let profile = numbered();
    check(
        &profile,
        "008;60;85,3;GU;OK",
        expect![
            "not-a-number: field 3 (gloss) is `85,3`, not a number such as 85.3 (line `008;60;85,3;GU;OK`): it is written with the other decimal mark; set `decimal` in the profile to that mark"
        ],
    );
    check(
        &profile,
        "008;60;;GU;OK",
        expect![
            "not-a-number: field 3 (gloss) is ``, not a number such as 85.3 (line `008;60;;GU;OK`): most likely bytes were lost, or the meter sent a word for an error; press again, and if it is such a word, add it to `status.errors`"
        ],
    );
    check(
        &profile,
        "008;60;8?.3;GU;OK",
        expect![
            "not-a-number: field 3 (gloss) is `8?.3`, not a number such as 85.3 (line `008;60;8?.3;GU;OK`): most likely bytes were lost, or the meter sent a word for an error; press again, and if it is such a word, add it to `status.errors`"
        ],
    );
    check(
        &profile,
        "008;60;85;GU;OK",
        expect![
            "wrong-decimals: field 3 (gloss) is `85`, with 0 digits after the decimal mark where the profile wants 1 (line `008;60;85;GU;OK`): most likely a digit was lost; press again, and if the meter always writes so change `decimals`"
        ],
    );
    check(
        &profile,
        "008;60;85.31;GU;OK",
        expect![
            "wrong-decimals: field 3 (gloss) is `85.31`, with 2 digits after the decimal mark where the profile wants 1 (line `008;60;85.31;GU;OK`): most likely a digit was lost; press again, and if the meter always writes so change `decimals`"
        ],
    );
}

#[test]
fn a_value_that_the_geometry_can_not_give_is_refused() {
    let profile = numbered();
    check(&profile, "008;85;160.0;GU;OK", expect!["85: 160.0 no 8"]);
    check(
        &profile,
        "008;85;160.1;GU;OK",
        expect![
            "above-limit: 160.1 GU at 85° is above what the meter can show (160 GU): most likely bytes were lost or the meter stands on a mirror; press again, and check the profile's `limits.85.high`"
        ],
    );
    check(
        &profile,
        "008;20;-0.1;GU;OK",
        expect![
            "below-limit: -0.1 GU at 20° is below what the meter can show (0 GU): most likely its zero is off, or the line means something else; check the zero on a black trap, and the profile's `limits.20.low`"
        ],
    );
}

#[test]
fn unit_geometry_and_sequence_have_to_be_known() {
    let profile = numbered();
    check(
        &profile,
        "008;60;85.3;%;OK",
        expect![
            "unknown-unit: the unit is `%`, the profile takes `GU`: most likely the meter shows something else than gloss; set it to gloss units, or add the unit to `units` if it is another word for them"
        ],
    );
    check(
        &profile,
        "008;45;85.3;GU;OK",
        expect![
            "unknown-geometry: the geometry is `45`, the profile knows `20`, `60`, `85`: most likely bytes were lost, or the meter writes its angles in another way; press again, and if it stays so add the word to `geometry_words`"
        ],
    );
    check(
        &profile,
        "000;60;85.3;GU;OK",
        expect![
            "not-a-sequence: the sequence number is `000`, not a whole number from 1 to 999: most likely bytes were lost; press again, and if it stays so check the profile's `sequence` and `fields`"
        ],
    );
    check(
        &profile,
        "1000;60;85.3;GU;OK",
        expect![
            "not-a-sequence: the sequence number is `1000`, not a whole number from 1 to 999: most likely bytes were lost; press again, and if it stays so check the profile's `sequence` and `fields`"
        ],
    );
    check(
        &profile,
        "-1;60;85.3;GU;OK",
        expect![
            "not-a-sequence: the sequence number is `-1`, not a whole number from 1 to 999: most likely bytes were lost; press again, and if it stays so check the profile's `sequence` and `fields`"
        ],
    );
}

#[test]
fn bytes_that_the_encoding_has_not_are_refused() {
    let ascii = numbered();
    expect![[r#"bad-encoding: the line `008;60;85.3;GU;\xb0K` has a byte that is not ASCII, at byte 16: most likely the rate, the parity or the data bits are not the meter's; set `baud`, `parity` and `data_bits` by its manual, or `encoding` if the meter sends signs such as °"#]].assert_eq(&read(&ascii, b"008;60;85.3;GU;\xb0K"));
    let utf8 = profile(
        "encoding = 'utf-8'\nseparator = ';'\nfields = ['geometry', 'gloss']\ngeometry_words = { '60°' = 60 }",
        "line = '60°;85.3'\ngloss_60 = '85.3'",
    );
    check(&utf8, "60°;91.2", expect!["60: 91.2"]);
    expect![[r#"bad-encoding: the line `60\xb0;91.2` has a byte that is not UTF-8, at byte 3: most likely the rate, the parity or the data bits are not the meter's; set `baud`, `parity` and `data_bits` by its manual, or `encoding` if the meter sends signs such as °"#]].assert_eq(&read(&utf8, b"60\xb0;91.2"));
    let latin1 = profile(
        "encoding = 'latin-1'\nseparator = '¦'\nfields = ['geometry', 'gloss']\ngeometry_words = { '60°' = 60 }",
        "line = '60°¦85.3'\ngloss_60 = '85.3'",
    );
    expect!["60: 91.2"].assert_eq(&read(&latin1, b"60\xb0\xa691.2"));
}

#[test]
fn a_line_longer_than_a_line_may_be_is_refused_unread() {
    check(
        &numbered(),
        &"x".repeat(2000),
        expect![
            "too-long: a line of more than 1024 bytes came, it begins `xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx`: most likely the line end of the profile is not the meter's (`end`), or the rate is wrong (`baud`); set them by the meter's manual"
        ],
    );
}

#[test]
fn several_geometries_come_from_one_line() {
    let named = profile(
        "separator = ', '\nfields = ['gloss_20', 'skip', 'gloss_85']",
        "line = '1, x, 3'\ngloss_20 = '1'\ngloss_85 = '3'",
    );
    check(&named, "71.4, 85.3, 92.0", expect!["20: 71.4 85: 92.0"]);
    let pairs = profile(
        "separator = 'blanks'\nfields = ['geometry', 'gloss', 'geometry', 'gloss']",
        "line = '20 1 60 2'\ngloss_20 = '1'\ngloss_60 = '2'",
    );
    check(&pairs, "  60  85.3\t20 71.4 ", expect!["20: 71.4 60: 85.3"]);
    check(
        &pairs,
        "60 85.3 60 71.4",
        expect![
            "geometry-twice: the line `60 85.3 60 71.4` has two values at 60°: which one holds cannot be told; check the profile's layout"
        ],
    );
}

#[test]
fn a_pattern_has_to_match_from_the_first_character_to_the_last() {
    let labelled = profile(
        "pattern = 'a|(?:G20=(?<gloss_20>\\S+) )?G60=(?<gloss_60>\\d+\\.\\d)'",
        "line = 'G60=85.3'\ngloss_60 = '85.3'",
    );
    check(&labelled, "G20=71.4 G60=85.3", expect!["20: 71.4 60: 85.3"]);
    check(&labelled, " G60=85.3 ", expect!["60: 85.3"]);
    check(
        &labelled,
        "G60=85.3 GU",
        expect![
            "pattern-mismatch: the line `G60=85.3 GU` does not match the profile's pattern: most likely bytes were lost, or the meter is set to another output; press again, and if it stays so compare the `pattern` with this line"
        ],
    );
    check(
        &labelled,
        "G60=85.31",
        expect![
            "pattern-mismatch: the line `G60=85.31` does not match the profile's pattern: most likely bytes were lost, or the meter is set to another output; press again, and if it stays so compare the `pattern` with this line"
        ],
    );
    check(
        &labelled,
        "a",
        expect![
            "no-value: the line `a` fits the profile and has no value in it; if it is no reading, add it to `ignore`"
        ],
    );
    check(
        &labelled,
        "G20=x G60=85.3",
        expect![
            "not-a-number: the group `gloss_20` is `x`, not a number such as 85.3 (line `G20=x G60=85.3`): most likely bytes were lost, or the meter sent a word for an error; press again, and if it is such a word, add it to `status.errors`"
        ],
    );
}

#[test]
fn a_decimal_comma_is_read_and_a_point_is_no_part_of_a_number_then() {
    let comma = profile(
        "decimal = ','\nseparator = ';'\nfields = ['gloss', 'skip']\ngeometry_deg = 60",
        "line = '85,30;'\ngloss_60 = '85.30'",
    );
    check(&comma, "+1000,0;x", expect!["60: 1000.0"]);
    check(
        &comma,
        "85.3;x",
        expect![
            "not-a-number: field 1 (gloss) is `85.3`, not a number such as 85,3 (line `85.3;x`): it is written with the other decimal mark; set `decimal` in the profile to that mark"
        ],
    );
    check(
        &comma,
        "85,3,1;x",
        expect![
            "not-a-number: field 1 (gloss) is `85,3,1`, not a number such as 85,3 (line `85,3,1;x`): most likely bytes were lost, or the meter sent a word for an error; press again, and if it is such a word, add it to `status.errors`"
        ],
    );
    check(
        &comma,
        "85,33333333333333333333;x",
        expect![
            "not-a-number: field 1 (gloss) is `85,33333333333333333333`, not a number such as 85,3 (line `85,33333333333333333333;x`): most likely bytes were lost, or the meter sent a word for an error; press again, and if it is such a word, add it to `status.errors`"
        ],
    );
}

#[test]
fn with_trim_off_blanks_are_part_of_the_field() {
    let exact = profile(
        "trim = false\nseparator = ';'\nfields = ['gloss_60', 'unit']\nunits = [' GU']",
        "line = '85.3; GU'\ngloss_60 = '85.3'",
    );
    check(
        &exact,
        "85.3;GU",
        expect![
            "unknown-unit: the unit is `GU`, the profile takes ` GU`: most likely the meter shows something else than gloss; set it to gloss units, or add the unit to `units` if it is another word for them"
        ],
    );
    check(
        &exact,
        " 85.3; GU",
        expect![
            "not-a-number: field 1 (gloss_60) is ` 85.3`, not a number such as 85.3 (line ` 85.3; GU`): most likely bytes were lost, or the meter sent a word for an error; press again, and if it is such a word, add it to `status.errors`"
        ],
    );
}

#[test]
fn the_sequence_starts_again_after_its_last_number() {
    let range = numbered().sequence().unwrap();
    assert_eq!((range.after(7), range.after(998), range.after(999)), (8, 999, 1));
}
