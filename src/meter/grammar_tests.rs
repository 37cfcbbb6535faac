//! What the tables for columns, frames, checksums, marks and the meter itself may not say.

use crate::meter::Profile;
use crate::meter::SelfCalibration;
use expect_test::Expect;
use expect_test::expect;

const EXAMPLE: &str = "[[example]]\nline = '60;85.3'\ngloss_60 = '85.3'\n";
const FIELDS: &str = "separator = ';'\nfields = ['geometry', 'gloss']";

/// A profile of `[line]` keys and further tables.
fn check(line: &str, expected: Expect) {
    let text = format!("name = 'p'\n[line]\n{line}\n{EXAMPLE}");
    let problem = Profile::load("mine.toml", &text).expect_err("a mistake");
    expected.assert_eq(&problem.to_string());
}

fn check_more(more: &str, expected: Expect) {
    check(&format!("{FIELDS}\n{more}"), expected);
}

#[test]
fn columns_that_are_none_are_refused() {
    let column =
        |from: usize, to: usize| format!("columns = [{{ field = 'gloss_60', from = {from}, to = {to} }}]");
    check(
        &column(0, 4),
        expect![[r#"
        mine.toml:3:12: no column runs from 0 to 4
          hint: columns are counted from 1, and `to` is the last one of the field"#]],
    );
    check(
        &column(5, 4),
        expect![[r#"
        mine.toml:3:12: no column runs from 5 to 4
          hint: columns are counted from 1, and `to` is the last one of the field"#]],
    );
    check(
        &column(5, 1025),
        expect![[r#"
        mine.toml:3:12: no column runs from 5 to 1025
          hint: columns are counted from 1, and `to` is the last one of the field"#]],
    );
    check(
        "columns = [{ field = 'glos', from = 1, to = 4 }]",
        expect![[r#"
        mine.toml:3:22: unknown field `glos`
          hint: did you mean `gloss`?"#]],
    );
    check(
        "columns = []",
        expect![[r#"
        mine.toml:3:11: no field holds a value
          hint: name it `gloss`, or `gloss_20`, `gloss_60`, `gloss_85`"#]],
    );
    check(
        &format!("{}\nseparator = ';'", column(1, 4)),
        expect![[r#"
        mine.toml:4:13: the layout of the line is not given, or given twice
          hint: give `separator` and `fields`, or `columns`, or `pattern`"#]],
    );
    check_more(
        "rest = 'any'",
        expect![[r#"
        mine.toml:5:8: `rest` is given, but no `columns`
          hint: give `columns`, or take `rest` out"#]],
    );
}

#[test]
fn a_frame_that_could_not_be_told_is_refused() {
    check_more(
        "prefix = ''",
        expect![[r#"
        mine.toml:5:10: `prefix` is empty
          hint: give the text that stands there, or take the key out"#]],
    );
    check_more(
        "prefix = '\\x02'",
        expect![[r#"
        mine.toml:5:10: `prefix` has a backslash with an x behind it
          hint: write it in "double quotes", where \x02 is the byte of that number"#]],
    );
    check_more(
        "suffix = \"\\r\"",
        expect![[r#"
        mine.toml:5:10: `suffix` has the line end in it
          hint: a line end never stands inside a line; see `end`"#]],
    );
    check_more(
        "prefix = '§'",
        expect![[r#"
        mine.toml:5:10: `prefix` has a character that the `encoding` has not
          hint: set `encoding = "latin-1"`, where each byte from \x80 to \xff is a character"#]],
    );
    check_more(
        "end = 'crl'",
        expect![[r#"
        mine.toml:5:7: unknown line end `crl`
          hint: the choices here are `any`, `cr`, `lf`, `crlf`, or the one character that ends a line, such as ";" or "\x03", which is no letter, digit, sign or blank"#]],
    );
    check_more(
        "end = '8'",
        expect![[r#"
        mine.toml:5:7: unknown line end `8`
          hint: the choices here are `any`, `cr`, `lf`, `crlf`, or the one character that ends a line, such as ";" or "\x03", which is no letter, digit, sign or blank"#]],
    );
    check(
        "end = ';'\nseparator = ';'\nfields = ['geometry', 'gloss']",
        expect![[r#"
        mine.toml:4:13: `separator` has a line end in it
          hint: a line end never stands inside a line; see `end`"#]],
    );
    check_more(
        "end = '!'\nprefix = '!'",
        expect![[r#"
        mine.toml:6:10: `prefix` has the line end in it
          hint: a line end never stands inside a line; see `end`"#]],
    );
    check_more(
        "end = ';'",
        expect![[r#"
        mine.toml:3:13: `separator` has a line end in it
          hint: a line end never stands inside a line; see `end`"#]],
    );
}

#[test]
fn a_checksum_that_is_not_told_in_full_is_refused() {
    check_more(
        "[checksum]\nkind = 'xor'\ncrc = 'arc'",
        expect![[r#"
        mine.toml:7:7: `crc` is given, but the checksum is no CRC
          hint: take it out, or set `kind = "crc-16"`"#]],
    );
    check_more(
        "[checksum]\nkind = 'crc-16'\ncrc = 'modbuss'",
        expect![[r#"
        mine.toml:7:7: unknown CRC `modbuss`
          hint: did you mean `modbus`?"#]],
    );
    check_more(
        "[checksum]\nkind = 'crc-16'\ncrc = 'modbus'\npolynomial = 0x8005",
        expect![[r#"
        mine.toml:7:7: the CRC is given twice, by name and by `polynomial`
          hint: keep one of them"#]],
    );
    check_more(
        "[checksum]\nkind = 'crc-16'\ninitial = 0xffff",
        expect![[r#"
        mine.toml:7:11: several checksums are called CRC-16, and nothing says which one this is
          hint: add `crc = "…"`, one of `arc`, `modbus`, `ibm-3740`, `xmodem`, `kermit`, `ibm-sdlc`, or `polynomial = 0x…` with `initial` and its like"#]],
    );
    check_more(
        "[checksum]\nkind = 'crc-16'\npolynomial = 0x11021",
        expect!["mine.toml:7:14: expected a whole number from 0 to 65535, found 0x11021"],
    );
    check_more(
        "[checksum]\nkind = 'xor'\nfrom = 'after-prefix'",
        expect![[r#"
        mine.toml:7:8: `from` is "after-prefix", but the line has no prefix
          hint: give `prefix` in `[line]`, or take `from` out"#]],
    );
    check_more(
        "[checksum]\nkind = 'xor'\nto = 'after-separator'",
        expect![[r#"
        mine.toml:7:6: `to` is given, but the checksum has no separator before it
          hint: give `separator`, or take `to` out"#]],
    );
}

#[test]
fn an_exponent_has_its_digits() {
    check_more(
        "exponent_digits = 2",
        expect![[r#"
        mine.toml:5:19: `exponent_digits` is given, but the numbers have no exponent
          hint: set `notation = "scientific"`, or take `exponent_digits` out"#]],
    );
    check_more(
        "notation = 'scientific'\nexponent_digits = 0",
        expect![[r#"
        mine.toml:6:19: `exponent_digits` is 0
          hint: give 1 to 3, the digits behind the E and its sign"#]],
    );
}

#[test]
fn a_mark_says_one_thing_only_and_has_its_field() {
    check_more(
        "[marks]\nmemory = ['M']",
        expect![[r#"
        mine.toml:6:11: `marks` has words, but no field is named `mark` or `status`
          hint: name the field that holds them `mark`, or describe such lines by `average_lines` or `memory_lines`"#]],
    );
    check_more(
        "[marks]\nfresh = ['S']",
        expect![[r#"
        mine.toml:6:9: `fresh` is given, but no field is named `mark`
          hint: name a field `mark`, or take `fresh` out"#]],
    );
    check(
        "separator = ';'\nfields = ['gloss_60', 'mark']",
        expect![[r#"
        mine.toml:4:10: the mark is read, but no word says that a reading is fresh
          hint: add `[marks]` with `fresh = ["…"]`; `""` stands for an empty field"#]],
    );
    let marked = "separator = ';'\nfields = ['gloss_60', 'mark']\n[marks]\nfresh = ['S']\n";
    check(
        &format!("{marked}memory = ['S']"),
        expect![[r#"
        mine.toml:7:11: `S` has two meanings
          hint: a word stands once in `marks` and `status`"#]],
    );
    check(
        &format!("{marked}memory = ['M']\naverage = ['M']"),
        expect![[r#"
        mine.toml:7:11: `M` has two meanings
          hint: a word stands once in `marks` and `status`"#]],
    );
    check_more(
        "[marks]\nmemory_lines = ['(']",
        expect![[r#"
        mine.toml:6:17: not a pattern: unclosed group
          hint: write it in 'single quotes', so that a backslash stays one; `\.` is a point, `\s*` blanks, `(?<gloss>…)` a named group"#]],
    );
}

#[test]
fn what_is_said_of_the_meter_has_its_bounds() {
    check_more(
        "[meter]\nserial_number = '0412'",
        expect![[r#"
        mine.toml:6:17: `meter.serial_number` is given, but no field is named `serial`
          hint: name a field or group `serial`, or take `meter.serial_number` out"#]],
    );
    check(
        "separator = ';'\nfields = ['serial', 'gloss_60']\n[meter]\nserial_number = ''",
        expect![[r#"
        mine.toml:6:17: `serial_number` is empty
          hint: give it as the line has it, or take the key out"#]],
    );
    check_more(
        "[meter]\naverages = 0",
        expect![[r#"
        mine.toml:6:12: `averages` is 0, out of range
          hint: give 1 to 1000, or leave the key out"#]],
    );
    check_more(
        "[meter]\nswitches_off_after_min = 1441",
        expect![[r#"
        mine.toml:6:26: `switches_off_after_min` is 1441, out of range
          hint: give 1 to 1440, or leave the key out"#]],
    );
    check_more(
        "[meter]\ncalibrates_itself = 'always'",
        expect![[r#"
        mine.toml:6:21: unknown choice `always`
          hint: the choices here are `dock`, `power-cycle`, `never`"#]],
    );
}

#[test]
fn what_is_said_of_the_meter_is_taken() {
    let text = format!(
        "name = 'p'\n[line]\n{FIELDS}\n[meter]\ncalibrates_itself = 'dock'\naverages = 3\nswitches_off_after_min = 5\n{EXAMPLE}"
    );
    let profile = Profile::load("mine.toml", &text).unwrap();
    let habits = profile.habits();
    assert_eq!(habits.calibrates_itself, Some(SelfCalibration::Dock));
    assert_eq!(
        (habits.averages, habits.switches_off_after_min, profile.serial_number()),
        (Some(3), Some(5), None)
    );
}
