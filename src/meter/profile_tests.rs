use super::*;
use crate::meter::Asking;
use crate::meter::Streaming;
use expect_test::Expect;
use expect_test::expect;

const HEAD: &str = "name = 'p'\n";
const LINE: &str = "[line]\nseparator = ';'\nfields = ['geometry', 'gloss']\n";
const EXAMPLE: &str = "[[example]]\nline = '60;85.3'\ngloss_60 = '85.3'\n";

fn check(text: &str, expected: Expect) {
    let problem = Profile::load("mine.toml", text).expect_err("a mistake");
    expected.assert_eq(&problem.to_string());
}

/// A profile of `[line]` keys; the example is never reached.
fn check_line(line: &str, expected: Expect) {
    check(&format!("{HEAD}[line]\n{line}\n{EXAMPLE}"), expected);
}

#[test]
fn what_is_not_given_has_the_documented_default() {
    let profile = Profile::load("mine.toml", &format!("{HEAD}{LINE}{EXAMPLE}")).unwrap();
    let serial = profile.serial();
    assert_eq!((serial.baud, serial.data_bits, serial.stop_bits, serial.settle_ms), (9600, 8, 1, 0));
    assert_eq!((serial.parity, serial.flow, serial.dtr), (Parity::None, FlowControl::None, Dtr::Leave));
    assert_eq!(
        (profile.about(), profile.specification(), profile.sequence()),
        ("", Specification::default(), None)
    );
    let high: Vec<String> = Geometry::ALL.iter().map(|&g| profile.limits().high_gu(g).to_string()).collect();
    assert_eq!(high, ["2000", "1000", "160"]);
    assert_eq!(profile.limits().low_gu(Geometry::Deg60).to_string(), "0");
    assert_eq!(profile.geometries().iter().count(), 3);
}

#[test]
fn what_is_given_is_taken() {
    let text = "name = 'mine-2'\nabout = 'a'\n[serial]\nbaud = 2400\ndata_bits = 7\nparity = 'even'\nstop_bits = 2\n\
        flow = 'hardware'\ndtr = 'off'\nsettle_ms = 500\n[line]\nend = 'cr'\nseparator = ';'\nfields = ['gloss', 'sequence']\n\
        geometry_deg = 20\n[reading]\nhow = 'press'\nresolution_gu = '0.01'\n[specification]\nrepeatability_gu = '0.08'\nlinearity_gu = '0.5'\n[sequence]\nlast = 99\n\
        [limits]\n20 = { low = '0', high = '150.5' }\n[[example]]\nline = '1.00;5'\ngloss_20 = '1.00'\n";
    let profile = Profile::load("mine.toml", text).unwrap();
    let expected = Serial {
        baud: 2400,
        data_bits: 7,
        parity: Parity::Even,
        stop_bits: 2,
        flow: FlowControl::Hardware,
        dtr: Dtr::Off,
        settle_ms: 500,
    };
    assert_eq!(profile.serial(), expected);
    assert_eq!(profile.sequence(), Some(SequenceRange { first: 0, last: 99 }));
    let stated = profile.specification();
    let stated = [stated.resolution_gu, stated.repeatability_gu, stated.linearity_gu];
    assert_eq!(stated.map(|gu| gu.unwrap().to_string()), ["0.01", "0.08", "0.5"]);
    assert_eq!(profile.limits().high_gu(Geometry::Deg20).to_string(), "150.5");
    assert_eq!(profile.geometries(), [(Geometry::Deg20, ())].into_iter().collect());
    assert_eq!((profile.name(), profile.about(), profile.text()), ("mine-2", "a", text));
    let mut lines = 0;
    profile.assembler().feed(b"1\n;\r", |_| lines += 1);
    assert_eq!(lines, 1, "the assembler has the profile's line end");
}

#[test]
fn a_wrong_key_or_setting_is_told_with_its_place() {
    check(
        &format!("{HEAD}{LINE}seperator = ','\n{EXAMPLE}"),
        expect![[r#"
        mine.toml:5:1: unknown key `seperator`
          hint: did you mean `separator`?"#]],
    );
    check(
        &format!("name = 'My Meter'\n{LINE}{EXAMPLE}"),
        expect![[r#"
        mine.toml:1:8: `My Meter` is not a profile name
          hint: use 1 to 40 lower-case letters, digits and `-`, such as "my-meter""#]],
    );
    check(
        &format!("{HEAD}[serial]\nbaud = 7\n{LINE}{EXAMPLE}"),
        expect![[r#"
        mine.toml:3:8: `baud` is 7, out of range
          hint: give 50 to 4000000; 9600 is the default"#]],
    );
    check(
        &format!("{HEAD}[serial]\nparity = 'evn'\n{LINE}{EXAMPLE}"),
        expect![[r#"
        mine.toml:3:10: unknown choice `evn`
          hint: did you mean `even`?"#]],
    );
    check(
        &format!("{HEAD}[serial]\ndata_bits = 7\n{LINE}encoding = 'utf-8'\n{EXAMPLE}"),
        expect![[r#"
        mine.toml:3:13: `data_bits` is 7, but `encoding` has signs that need 8
          hint: set `data_bits = 8`, or `encoding = "ascii"`"#]],
    );
    check(
        &format!("{HEAD}{LINE}[limits]\n60 = {{ low = '5', high = '5' }}\n{EXAMPLE}"),
        expect![[r#"
        mine.toml:6:26: the limits at 60° leave no value: 5 to 5 GU
          hint: `low` has to be below `high`"#]],
    );
    check(
        &format!("{HEAD}{LINE}[limits]\n45 = {{ low = '5' }}\n{EXAMPLE}"),
        expect![[r#"
            mine.toml:6:1: unknown key `45`
              hint: the keys here are `20`, `60`, `85`"#]],
    );
    check(
        &format!("{HEAD}{LINE}[specification]\nrepeatability_gu = '0'\n{EXAMPLE}"),
        expect![[r#"
        mine.toml:6:20: `repeatability_gu` is 0
          hint: give a standard deviation above zero, such as "0.08", or leave the key out"#]],
    );
    check(
        &format!("{HEAD}{LINE}[reading]\nresolution_gu = '0'\n{EXAMPLE}"),
        expect![[r#"
        mine.toml:6:17: `resolution_gu` is 0
          hint: give the step of the meter's display, above zero, such as "0.1""#]],
    );
}

#[test]
fn a_way_of_reading_that_does_not_exist_is_refused() {
    check(
        &format!("{HEAD}{LINE}[reading]\nhow = 'guess'\n{EXAMPLE}"),
        expect![[r#"
        mine.toml:6:7: unknown choice `guess`
          hint: the choices are `press`: the meter sends one line for each press of its button; `ask`: it answers a request; `stream`: it sends without end"#]],
    );
}

#[test]
fn asking_needs_a_request_and_says_which_of_its_keys_is_wrong() {
    let ask = |keys: &str| format!("{HEAD}{LINE}[reading]\nhow = 'ask'\n{keys}\n{EXAMPLE}");
    check(
        &ask(""),
        expect![[r#"
        mine.toml:6:7: nothing says how to ask the meter
          hint: add `request = '…'`, what the meter's manual says to send for a reading, its line end as `\r` or `\n`"#]],
    );
    check(
        &ask(r"request = '\q'"),
        expect![[r#"
        mine.toml:7:11: `request` cannot be sent: `\q` is no escape; `\r`, `\n`, `\t`, `\\` and `\xNN` are
          hint: a request is text such as 'MEAS?\r\n'; `\r`, `\n` and `\xNN` stand for bytes"#]],
    );
    check(
        &ask("request = 'M'\ntimeout_ms = 5"),
        expect![[r#"
            mine.toml:8:14: `timeout_ms` is 5, out of range
              hint: give 10 to 600000; 2000 is the default"#]],
    );
    check(
        &ask("request = 'M'\nwindow = 5"),
        expect![[r#"
        mine.toml:8:10: `window` says nothing with `how = "ask"`
          hint: take it out, or set `how = "stream"` if the meter is read that way"#]],
    );
    check(
        &format!("{HEAD}{LINE}[reading]\nrequest = 'M'\n{EXAMPLE}"),
        expect![[r#"
        mine.toml:6:11: `request` says nothing with `how = "press"`
          hint: take it out, or set `how = "ask"` if the meter is read that way"#]],
    );
}

#[test]
fn streaming_needs_to_know_when_it_is_stable_and_when_the_meter_has_left() {
    let stream = |keys: &str| format!("{HEAD}{LINE}[reading]\nhow = 'stream'\n{keys}\n{EXAMPLE}");
    check(
        &stream("pause_ms = 500"),
        expect![[r#"
        mine.toml:6:7: nothing says when the stream is stable
          hint: add `spread_gu = "0.3"`: how far apart the values of a meter at rest may lie, some steps of its display"#]],
    );
    check(
        &stream("spread_gu = '0.3'"),
        expect![[r#"
        mine.toml:6:7: nothing says when the meter has left its place, so one placement could be read twice
          hint: add `lift_below_gu`, what the meter never shows on a panel and always in the air; or `pause_ms`, if it is silent in the air; or `leave_by_gu`"#]],
    );
    check(
        &stream("spread_gu = '0.3'\npause_ms = 500\nwindow = 8"),
        expect![[r#"
        mine.toml:9:10: `window` is 8, an even number
          hint: give an odd number, so that the median is one of the values"#]],
    );
    check(
        &stream("spread_gu = '-0.3'\npause_ms = 500"),
        expect![[r#"
        mine.toml:7:13: `spread_gu` is -0.3, below zero
          hint: give a difference in GU, such as "0.3""#]],
    );
}

#[test]
fn every_key_of_asking_and_streaming_is_understood() {
    let load = |keys: &str| {
        Profile::load("mine.toml", &format!("{HEAD}{LINE}[reading]\n{keys}\n{EXAMPLE}")).unwrap()
    };
    let asked = load(
        "how = 'ask'\nrequest = 'M?\\r'\ntimeout_ms = 1500\ntries = 2\necho = true\nstart = ['A\\n', 'B']\n\
         error_query = 'SYST:ERR?\\n'",
    );
    let bytes = |text: &str| text.as_bytes().into();
    let expected = Asking {
        request: bytes("M?\r"),
        timeout_us: 1_500_000,
        tries: 2,
        echo: true,
        start: vec![bytes("A\n"), bytes("B")],
        error_query: Some(bytes("SYST:ERR?\n")),
    };
    assert_eq!(*asked.way(), Way::Ask(expected));
    let one = load("how = 'ask'\nrequest = 'M'\nstart = 'A'");
    assert!(
        matches!(one.way(), Way::Ask(Asking { timeout_us: 2_000_000, tries: 3, echo: false, start, .. }) if start.len() == 1)
    );
    let streamed = load(
        "how = 'stream'\nwindow = 7\nspread_gu = '0.2'\nsettle = 4\naway = 2\nlift_below_gu = '5'\n\
         leave_by_gu = '3'\npause_ms = 800",
    );
    let gu = |text: &str| crate::units::Gloss::parse(text).unwrap();
    let expected = Streaming {
        window: 7,
        spread_gu: gu("0.2"),
        settle: 4,
        away: 2,
        lift_below_gu: Some(gu("5")),
        leave_by_gu: Some(gu("3")),
        pause_us: Some(800_000),
    };
    assert_eq!(*streamed.way(), Way::Stream(expected));
    assert_eq!(*load("").way(), Way::Press);
}

#[test]
fn a_layout_that_can_not_be_read_one_way_only_is_refused() {
    check_line(
        "",
        expect![[r#"
            mine.toml:2:1: the layout of the line is not given, or given twice
              hint: give `separator` and `fields`, or `columns`, or `pattern`"#]],
    );
    check_line(
        "separator = ';'\nfields = ['gloss_60']\npattern = 'x'",
        expect![[r#"
            mine.toml:3:13: the layout of the line is not given, or given twice
              hint: give `separator` and `fields`, or `columns`, or `pattern`"#]],
    );
    check_line(
        "separator = ';'\nfields = ['skip']",
        expect![[r#"
        mine.toml:4:10: no field holds a value
          hint: name it `gloss`, or `gloss_20`, `gloss_60`, `gloss_85`"#]],
    );
    check_line(
        "separator = ';'\nfields = ['gloss']",
        expect![[r#"
        mine.toml:4:10: nothing says at which geometry the value was read
          hint: add a `geometry` field, set `geometry_deg = 60`, or name the value `gloss_60`"#]],
    );
    check_line(
        "separator = ';'\nfields = ['glos', 'geometry']",
        expect![[r#"
        mine.toml:4:11: unknown field `glos`
          hint: did you mean `gloss`?"#]],
    );
    check_line(
        "separator = ';'\nfields = ['gloss', 'gloss_60']",
        expect![[r#"
        mine.toml:4:10: `gloss` stands beside `gloss_20`, `gloss_60` or `gloss_85`
          hint: name all values in one of the two ways"#]],
    );
    check_line(
        "separator = ';'\nfields = ['gloss', 'geometry', 'gloss']",
        expect![[r#"
        mine.toml:4:10: several `gloss` fields need one `geometry` field each
          hint: or name them `gloss_20`, `gloss_60`, `gloss_85`"#]],
    );
    check_line(
        "separator = ';'\nfields = ['gloss', 'geometry', 'geometry']",
        expect![[r#"
        mine.toml:4:10: more `geometry` fields than values
          hint: name the others `skip`"#]],
    );
    check_line(
        "separator = ';'\nfields = ['gloss_60', 'gloss_60']",
        expect![[r#"
        mine.toml:4:23: the field `gloss_60` stands twice
          hint: name the second one `skip`"#]],
    );
    check_line(
        "separator = ';'\nfields = ['gloss_60', 'geometry']",
        expect![[r#"
        mine.toml:4:10: `geometry` names nothing here
          hint: name it `skip`: the values' names have it"#]],
    );
    check_line(
        "separator = ';'\nfields = ['gloss_60']\ngeometry_deg = 60",
        expect![[r#"
        mine.toml:5:16: the line names its geometry already
          hint: take `geometry_deg` out: it is for lines that do not name their geometry"#]],
    );
    check_line(
        "separator = ';'\nfields = ['gloss_60', 'status']",
        expect![[r#"
        mine.toml:4:10: the status is read, but no word says that all is well
          hint: add `[status]` with `ok = ["…"]`; a line with any other status is refused"#]],
    );
    check_line(
        "separator = ';'\nfields = ['gloss_60']\nunits = ['GU']",
        expect![[r#"
        mine.toml:5:9: `units` is given, but no field is named `unit`
          hint: name a field or group `unit`, or take `units` out"#]],
    );
}

#[test]
fn a_status_word_says_one_thing_only() {
    let line = "[line]\nseparator = ';'\nfields = ['gloss_60', 'status']\n";
    check(
        &format!("{HEAD}{line}[status]\nok = ['A']\nerrors = {{ A = 'bad' }}\n{EXAMPLE}"),
        expect![[r#"
        mine.toml:7:16: `A` is in `ok` and in `errors`
          hint: a word is one or the other"#]],
    );
    check(
        &format!("{HEAD}{line}[status]\nok = ['A']\nerrors = {{ '' = 'bad' }}\n{EXAMPLE}"),
        expect![[r#"
        mine.toml:7:17: an error word is empty
          hint: give the word that the meter sends"#]],
    );
}

#[test]
fn a_separator_that_could_be_part_of_a_number_is_refused() {
    check_line(
        "separator = ','\ndecimal = ','\nfields = ['gloss_60', 'skip']",
        expect![[r#"
        mine.toml:3:13: `separator` has the decimal mark in it, so no number could be told
          hint: set `decimal` to the other mark, or describe the line by `pattern`"#]],
    );
    check_line(
        "separator = '-'\nfields = ['gloss_60', 'skip']",
        expect![[r#"
        mine.toml:3:13: `separator` has a digit or a sign in it, so no number could be told
          hint: describe the line by `pattern`"#]],
    );
    check_line(
        "separator = ''\nfields = ['gloss_60', 'skip']",
        expect![[r#"
        mine.toml:3:13: `separator` is empty
          hint: give the text between two fields, such as ";" or "\t""#]],
    );
    check_line(
        "separator = \"\\r\"\nfields = ['gloss_60', 'skip']",
        expect![[r#"
        mine.toml:3:13: `separator` has a line end in it
          hint: a line end never stands inside a line; see `end`"#]],
    );
}

#[test]
fn a_pattern_that_is_none_is_refused() {
    check_line(
        "pattern = '(?<gloss_60>\\d+'",
        expect![[r#"
        mine.toml:3:11: not a pattern: unclosed group
          hint: write it in 'single quotes', so that a backslash stays one; `\.` is a point, `\s*` blanks, `(?<gloss>…)` a named group"#]],
    );
    check_line(
        "pattern = '(?<gloss_6>\\d+)'",
        expect![[r#"
        mine.toml:3:11: unknown group `gloss_6`
          hint: did you mean `gloss_60`?"#]],
    );
    check_line(
        "pattern = 'a)|(?:(?<gloss_60>\\d+)'",
        expect![[r#"
        mine.toml:3:11: not a pattern: unopened group
          hint: write it in 'single quotes', so that a backslash stays one; `\.` is a point, `\s*` blanks, `(?<gloss>…)` a named group"#]],
    );
    check_line(
        "separator = ';'\nfields = ['gloss_60']\nignore = ['.*']",
        expect![[r#"
        mine.toml:5:11: this pattern would pass over an empty line
          hint: let it ask for at least one character that only such lines have"#]],
    );
}

#[test]
fn an_example_that_does_not_give_its_values_is_an_error_with_its_place() {
    check(
        &format!("{HEAD}{LINE}"),
        expect![[r#"
        mine.toml:2:1: the profile has no example that gives a value
          hint: add `[[example]]` with `line = '…'`, a line that the meter sent, and the value it gives, such as `gloss_60 = "85.3"`"#]],
    );
    let with = |example: &str| format!("{HEAD}{LINE}[[example]]\n{example}\n{EXAMPLE}");
    check(
        &with("line = '60;85.3'\ngloss_60 = '85.30'"),
        expect![[r#"
        mine.toml:6:8: the line gives gloss_60 = "85.3", the example says gloss_60 = "85.30"
          hint: correct the layout in `[line]`, or the example if it is not what the meter sent"#]],
    );
    check(
        &with("line = '60;85.3'\ngloss_20 = '85.3'"),
        expect![[r#"
        mine.toml:6:8: the line gives gloss_60 = "85.3", the example says gloss_20 = "85.3"
          hint: correct the layout in `[line]`, or the example if it is not what the meter sent"#]],
    );
    check(
        &with("line = '60;85.3'\nrefused = true"),
        expect![[r#"
        mine.toml:6:8: the line gives gloss_60 = "85.3", the example says `refused = true`
          hint: correct the layout in `[line]`, or the example if it is not what the meter sent"#]],
    );
    check(
        &with("line = '60;85.3'\nignored = true\nrefused = true"),
        expect![[r#"
        mine.toml:5:1: the example says nothing, or more than one thing
          hint: give the values, such as `gloss_60 = "85.3"`, or `ignored = true`, or `refused = true`"#]],
    );
    let ignoring = format!("{HEAD}{LINE}ignore = ['60.*']\n{EXAMPLE}");
    check(
        &ignoring,
        expect![[r#"
        mine.toml:7:8: `ignore` passes this line over, the example says otherwise
          hint: correct the layout in `[line]`, or the example if it is not what the meter sent"#]],
    );
    check(
        &with("line = '60;85.3'"),
        expect![[r#"
        mine.toml:5:1: the example says nothing, or more than one thing
          hint: give the values, such as `gloss_60 = "85.3"`, or `ignored = true`, or `refused = true`"#]],
    );
    check(
        &with("line = '60:85.3'\ngloss_60 = '85.3'"),
        expect![[r#"
        mine.toml:6:8: the line is refused: the line `60:85.3` has 1 field, the profile wants 2 (geometry, gloss): most likely bytes were lost, or the meter is set to another output; press again, and if it stays so compare the profile's `fields` with this line
          hint: correct the layout in `[line]`, or the example if it is not what the meter sent"#]],
    );
    check(
        &with("line = '60:85.3'\nignored = true"),
        expect![[r#"
        mine.toml:6:8: the line is refused: the line `60:85.3` has 1 field, the profile wants 2 (geometry, gloss): most likely bytes were lost, or the meter is set to another output; press again, and if it stays so compare the profile's `fields` with this line
          hint: correct the layout in `[line]`, or the example if it is not what the meter sent"#]],
    );
    check(
        &with("line = '60;85.3'\ngloss_60 = '85.3'\nsequence = 4"),
        expect![[r#"
        mine.toml:6:8: the line gives gloss_60 = "85.3", the example says gloss_60 = "85.3", sequence = 4
          hint: correct the layout in `[line]`, or the example if it is not what the meter sent"#]],
    );
    check(
        &with("line = \"60;85.3\\r\"\ngloss_60 = '85.3'"),
        expect![[r#"
        mine.toml:6:8: the example has a line end in it
          hint: give one line, without its end"#]],
    );
}
