//! `observations.csv`: what is read, what is refused and where, and how rows are added.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

use halfpanel::life::{self, Column, Kind, Observations, What};

#[path = "common/season.rs"]
mod season;

use season::study;

const HEADER: &str = "row,at,kind,treatment,panel,washes,treated_class,control_class,failed_area_pct,amount,\
attribute,verdict,label,takes_back,solvent,passes,beading_ended_pass,seal_sha256,salt,note\n";

/// A row by its filled columns, in the columns of the header above.
fn row(cells: &[(&str, &str)]) -> String {
    let columns: Vec<&str> = HEADER.trim_end().split(',').collect();
    for (name, _) in cells {
        assert!(columns.contains(name), "{name}");
    }
    let cell =
        |column: &&str| cells.iter().find(|(name, _)| name == column).map_or("", |(_, text)| text).to_owned();
    columns.iter().map(cell).collect::<Vec<_>>().join(",") + "\n"
}

fn read(text: impl AsRef<[u8]>) -> Observations {
    life::read("observations.csv", text.as_ref(), &study())
}

fn washed(row_number: u32, day: u32, washes: u32) -> String {
    row(&[
        ("row", &row_number.to_string()),
        ("at", &format!("2026-05-{day:02}T09:00:00+02:00")),
        ("kind", "washed"),
        ("panel", "P1"),
        ("washes", &washes.to_string()),
    ])
}

fn looked(cells: &[(&str, &str)]) -> String {
    let mut all = vec![
        ("row", "9"),
        ("at", "2026-05-20T09:00:00+02:00"),
        ("kind", "looked"),
        ("treatment", "T1"),
        ("panel", "P1"),
    ];
    all.retain(|(name, _)| !cells.iter().any(|(other, _)| other == name));
    all.extend(cells);
    row(&all)
}

/// The one problem of a file of which the row in line 3 is bad and those around it are good.
fn only_problem(bad: &str) -> String {
    let text = format!("{HEADER}{}{bad}{}", washed(1, 1, 1), washed(2, 30, 30));
    let found = read(&text);
    assert_eq!(found.rows.len(), 2, "the other rows count: {:?}", found.problems);
    assert_eq!(found.problems.len(), 1, "{:?}", found.problems);
    assert_eq!(found.problems[0].line, 3);
    found.problems[0].to_string()
}

#[test]
fn each_mistake_is_told_with_its_place_and_what_to_do_and_the_other_rows_count() {
    for (bad, told) in [
        (
            looked(&[("at", "2026-05-32T09:00:00+02:00")]),
            "observations.csv:3:3: `2026-05-32T09:00:00+02:00` is not a moment with its offset from UTC\n  hint: write it such as 2026-05-04T09:30:00+02:00",
        ),
        (
            looked(&[("at", "04.05.2026")]),
            "observations.csv:3:3: `04.05.2026` is not a moment with its offset from UTC\n  hint: write it such as 2026-05-04T09:30:00+02:00",
        ),
        (
            looked(&[("treatment", "Tl")]),
            "observations.csv:3:36: no treatment of the study is called `Tl`\n  hint: the treatments here are `T1`, `T2`, `Slipway`",
        ),
        (
            looked(&[("treatment", "Slpway")]),
            "observations.csv:3:36: no treatment of the study is called `Slpway`\n  hint: did you mean `Slipway`?",
        ),
        (
            looked(&[("panel", "P9")]),
            "observations.csv:3:39: no panel of the study is called `P9`\n  hint: the panels here are `P1`, `P2`, `P3`",
        ),
        (
            looked(&[("treatment", "T2"), ("panel", "P3")]),
            "observations.csv:3:39: `T2` has no patch on panel `P3`\n  hint: `T2` stands on `P1`, `P2`",
        ),
        (
            looked(&[("panel", "")]),
            "observations.csv:3:39: the row does not say on which panel `T1` is meant\n  hint: `T1` stands on `P1`, `P2`, `P3`",
        ),
        (
            looked(&[("kind", "lookd")]),
            "observations.csv:3:29: no kind of row is called `lookd`\n  hint: did you mean `looked`?",
        ),
        (
            looked(&[("treated_class", "8")]),
            "observations.csv:3:43: `8` cannot stand in `treated_class`\n  hint: give a whole number from 1 to 7",
        ),
        (
            looked(&[("failed_area_pct", "130")]),
            "observations.csv:3:45: `130` is no share in percent\n  hint: give 0 to 100",
        ),
        (
            looked(&[]),
            "observations.csv:3:43: the row says nothing of what was seen\n  hint: fill `treated_class` and `control_class`, `failed_area_pct`, `photo` or `note`",
        ),
        (
            looked(&[("note", "x"), ("solvent", "ethanol")]),
            "observations.csv:3:51: a row of the kind `looked` has nothing in `solvent`\n  hint: leave the cell empty, and put what you want to say into `note`",
        ),
        (
            looked(&[("row", ""), ("note", "x")]),
            "observations.csv:3:1: the row has no number\n  hint: give it the next free one, so that it can be corrected",
        ),
        (
            looked(&[("row", "1"), ("note", "x")]),
            "observations.csv:3:1: row number 1 stands in line 2 already\n  hint: give it the next free number",
        ),
        (
            looked(&[("kind", "wiped"), ("passes", "3"), ("beading_ended_pass", "4")]),
            "observations.csv:3:53: beading ended at pass 4, and there were 3\n  hint: give a pass that was made",
        ),
        (
            looked(&[("kind", "judged"), ("attribute", "smell"), ("verdict", "pass")]),
            "observations.csv:3:47: no attribute of the study is called `smell`\n  hint: the attributes here are `handling`, `feel`, `look`",
        ),
        (
            looked(&[("kind", "judged"), ("attribute", "feel"), ("verdict", "good")]),
            "observations.csv:3:52: `good` is no verdict\n  hint: write `pass` or `fail`",
        ),
        (
            looked(&[
                ("kind", "judged"),
                ("treatment", ""),
                ("panel", ""),
                ("attribute", "feel"),
                ("verdict", "pass"),
                ("label", "K7"),
            ]),
            "observations.csv:3:53: no row above gives out the label `K7`\n  hint: look at the spelling, or judge by treatment and panel",
        ),
        (
            looked(&[("kind", "applied"), ("amount", "a capful")]),
            "observations.csv:3:47: `a capful` is not an amount\n  hint: write a number and g, kg, mg, ml, cl, dl or l, such as `12.5 ml`",
        ),
        (
            looked(&[("kind", "corrected"), ("treatment", ""), ("panel", ""), ("takes_back", "2")]),
            "observations.csv:3:49: no row above this one has the number 2\n  hint: give the number in the column `row` of the row that was a mistake",
        ),
        (
            looked(&[("kind", "washed"), ("treatment", ""), ("washes", "")]),
            "observations.csv:3:40: `washes` is empty\n  hint: give the panel's washes since it was prepared, this one included",
        ),
        (
            "9,2026-05-20T09:00:00+02:00,washed,,P1,1\n".to_owned(),
            "observations.csv:3:41: the row has 6 cells, and the header 20\n  hint: write all separators, or take the row back and write it again",
        ),
        (
            looked(&[("note", "beads, round")]),
            "observations.csv:3:62: the row has 21 cells, and the header 20\n  hint: put a text that holds a `,` into double quotes",
        ),
        (
            looked(&[("note", "\"not closed")]),
            "observations.csv:3:56: the quote that begins here is not closed on this line\n  hint: a row is one line; a quote within a cell is doubled",
        ),
    ] {
        assert_eq!(only_problem(&bad), told);
    }
}

#[test]
fn a_wash_count_that_goes_back_is_refused_in_the_order_of_time() {
    let text = format!("{HEADER}{}{}{}", washed(1, 1, 10), washed(2, 3, 20), washed(3, 2, 25));
    let found = read(&text);
    // In time the third row comes before the second, so the second goes back.
    assert_eq!(
        found.problems[0].to_string(),
        "observations.csv:3:40: the wash count of panel `P1` goes back from 25 to 20\n  hint: the count goes on until the panel is stripped; put `at` or `washes` right, or take back the row that is wrong"
    );
    assert_eq!(found.rows.iter().map(|row| row.row).collect::<Vec<_>>(), [1, 3]);

    let stripped =
        row(&[("row", "2"), ("at", "2026-05-02T09:00:00+02:00"), ("kind", "stripped"), ("panel", "P1")]);
    let found = read(format!("{HEADER}{}{stripped}{}", washed(1, 1, 10), washed(3, 3, 1)));
    assert_eq!(found.problems, []);
}

#[test]
fn mixed_encodings_are_told_with_their_row_and_the_other_rows_count() {
    let mut bytes = format!("{HEADER}{}", washed(1, 1, 1)).into_bytes();
    bytes.extend_from_slice(looked(&[("note", "tr\u{7f}be")]).as_bytes());
    let place = bytes.iter().rposition(|&b| b == 0x7f).unwrap();
    bytes[place] = 0xfc; // ü in Latin-1
    bytes.extend_from_slice(washed(2, 30, 2).as_bytes());
    let found = read(&bytes);
    assert_eq!(found.rows.len(), 2);
    assert_eq!((found.problems[0].line, found.problems[0].column), (3, 58));
    assert_eq!(found.problems[0].what, "this row is not UTF-8 text from here on");
}

#[test]
fn a_spreadsheets_byte_order_mark_semicolons_and_crlf_are_read_and_remarked() {
    let plain = format!(
        "{HEADER}{}{}",
        washed(1, 1, 4),
        looked(&[("treated_class", "2"), ("failed_area_pct", "12.5")])
    );
    let dressed = plain.replace(',', ";").replace("12.5", "12,5").replace('\n', "\r\n");
    let found = read(format!("\u{feff}sep=;\r\n{dressed}"));
    assert_eq!(found.problems, []);
    let same = read(&plain);
    assert_eq!(
        found.rows.iter().map(|r| &r.what).collect::<Vec<_>>(),
        same.rows.iter().map(|r| &r.what).collect::<Vec<_>>()
    );
    assert_eq!(found.remarks.len(), 4, "{:?}", found.remarks);
    let shape = found.shape.unwrap();
    assert_eq!((shape.separator, shape.is_crlf), (';', true));
    assert!(same.remarks.is_empty());
}

#[test]
fn a_file_whose_header_cannot_be_trusted_is_not_read_at_all() {
    let misspelt = format!("{}{}", HEADER.replace("washes", "wahses"), washed(1, 1, 1));
    let found = read(misspelt);
    assert_eq!(
        found.problems[0].to_string(),
        "observations.csv:1:29: no column is called `wahses`\n  hint: did you mean `washes`? Nothing was read"
    );
    assert!(found.rows.is_empty() && found.shape.is_none());
    let found = read("row,kind,note\n");
    assert_eq!(found.problems[0].what, "the header has no column `at`");
    let utf16: Vec<u8> = "\u{feff}row".encode_utf16().flat_map(u16::to_le_bytes).collect();
    assert_eq!(read(utf16).problems[0].what, "the file is UTF-16 text");
    assert_eq!(read(""), Observations::default());
}

#[test]
fn a_correction_takes_a_row_back_and_can_be_taken_back_and_every_row_stays() {
    let corrected = |number: &str, takes_back: &str| {
        row(&[
            ("row", number),
            ("at", "2026-06-01T09:00:00+02:00"),
            ("kind", "corrected"),
            ("takes_back", takes_back),
        ])
    };
    let text = format!("{HEADER}{}{}{}", washed(1, 1, 1), washed(2, 2, 20), corrected("3", "2"));
    let found = read(&text);
    assert_eq!(found.rows[1].taken_back_by, Some(3));
    // With the wrong count gone, a lower one is no going back.
    let found = read(format!("{text}{}", washed(4, 3, 2)));
    assert_eq!(found.problems, []);
    assert_eq!(found.in_time().iter().filter(|row| matches!(row.what, What::Washed { .. })).count(), 2);
    let found = read(format!("{text}{}", corrected("4", "3")));
    assert_eq!(
        found.rows.iter().map(|row| row.taken_back_by).collect::<Vec<_>>(),
        [None, None, Some(4), None]
    );
}

#[test]
fn a_row_that_cannot_be_read_is_a_remark_once_it_is_taken_back() {
    let bad = looked(&[("row", "2"), ("treatment", "nobody"), ("note", "x")]);
    let corrected =
        row(&[("row", "3"), ("at", "2026-06-01T09:00:00+02:00"), ("kind", "corrected"), ("takes_back", "2")]);
    let found = read(format!("{HEADER}{}{bad}{corrected}", washed(1, 1, 1)));
    assert_eq!(found.problems, []);
    assert_eq!(found.remarks, ["line 3: no treatment of the study is called `nobody`; taken back by row 3"]);
    assert_eq!(found.last_row, 3);
}

#[test]
fn labels_are_held_to_their_seals_and_to_the_order_of_the_file() {
    let at = ("at", "2026-05-10T09:00:00+02:00");
    let blinded =
        |seal: &str| row(&[("row", "1"), at, ("kind", "blinded"), ("label", "K7"), ("seal_sha256", seal)]);
    let judged = |number: &str| {
        row(&[
            ("row", number),
            at,
            ("kind", "judged"),
            ("label", "K7"),
            ("attribute", "feel"),
            ("verdict", "pass"),
        ])
    };
    let revealed = |code: &str| {
        row(&[
            ("row", "3"),
            at,
            ("kind", "revealed"),
            ("label", "K7"),
            ("treatment", code),
            ("panel", "P1"),
            ("salt", "grain"),
        ])
    };
    // printf 'K7\nT1\nP1\ngrain\n' | sha256sum
    let real = "5e6e3f0d3b1bf5ed624fa9a46f61acb70c750d3a3c53478835b1a16cdd925fcf";
    assert_eq!(life::blind::seal(&study(), "K7", 0, "grain"), real);
    let good = read(format!("{HEADER}{}{}{}", blinded(real), judged("2"), revealed("T1")));
    assert_eq!(good.problems, []);
    let turned = read(format!("{HEADER}{}{}{}", blinded(real), judged("2"), revealed("T2")));
    assert_eq!(turned.problems[0].what, "label `K7` does not fit its seal");
    let late = read(format!("{HEADER}{}{}{}", blinded(real), revealed("T1"), judged("4")));
    assert_eq!(late.problems[0].what, "the label `K7` was revealed before, so this judgement is not blind");
}

#[test]
fn the_page_tells_every_column_and_kind_and_its_example_is_read() {
    let page = include_str!("../protocol-notes/observations.md");
    for column in Column::ALL {
        assert!(page.contains(&format!("| `{}` |", column.name())), "{}", column.name());
    }
    for kind in Kind::ALL {
        let line = page
            .lines()
            .find(|line| line.starts_with(&format!("| `{}` |", kind.name())))
            .unwrap_or_else(|| panic!("{}", kind.name()));
        for column in Column::ALL {
            let common =
                matches!(column, Column::Row | Column::At | Column::Kind | Column::By | Column::Note);
            let is_told = line[line.find("` |").unwrap()..].contains(&format!("`{}`", column.name()));
            assert_eq!(is_told, kind.has(column) && !common, "{} {}", kind.name(), column.name());
        }
    }
    let example = page.split("```csv\n").nth(1).unwrap().split("```").next().unwrap();
    assert_eq!(example.lines().next().unwrap(), Column::ALL.map(Column::name).join(","));
    let found = life::read("observations.md", example.as_bytes(), &study());
    assert_eq!((found.problems.len(), found.rows.len()), (0, 6), "{:?}", found.problems);
}
