//! Tables of many runs as one file.

use crate::books::two_sides;
use halfpanel::tables;
use halfpanel::tables::Table;
use std::io;

fn rows(id: &str) -> Vec<u8> {
    let mut books = two_sides(&["70.0"], &["71.0"]);
    books.0.id = id.to_owned();
    let mut out = Vec::new();
    tables::write(Table::Zones, &books.0, "", &mut out, false).unwrap();
    out
}

fn join(ids: &[&str], open: impl FnMut(&str) -> io::Result<io::Cursor<Vec<u8>>>) -> (io::Result<()>, String) {
    let mut out = Vec::new();
    let done = tables::join(Table::Zones, ids, open, &mut out);
    (done, String::from_utf8(out).unwrap())
}

#[test]
fn runs_follow_one_another_in_the_order_of_their_ids_under_one_header() {
    let (done, text) = join(&["r2", "r10", "r1"], |id| Ok(io::Cursor::new(rows(id))));
    done.unwrap();
    let runs: Vec<&str> = text.lines().map(|line| line.split(',').next().unwrap()).collect();
    assert_eq!(runs, ["run", "r1", "r1", "r10", "r10", "r2", "r2"]);
}

#[test]
fn no_run_gives_a_header_and_a_run_without_rows_gives_none() {
    let (done, header) = join(&[], |_| unreachable!());
    done.unwrap();
    assert_eq!(header.lines().count(), 1);
    let (done, text) = join(&["r1"], |_| Ok(io::Cursor::new(Vec::new())));
    done.unwrap();
    assert_eq!(text, header);
}

#[test]
fn rows_that_are_cut_off_are_refused_by_name() {
    let (done, _) = join(&["r1", "r2"], |id| Ok(io::Cursor::new(rows(id)[..40].to_vec())));
    let error = done.unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::UnexpectedEof);
    assert!(error.to_string().contains("`r1`") && error.to_string().contains("zones.csv"), "{error}");
}

#[test]
fn a_run_named_twice_is_refused_before_anything_is_written() {
    let (done, text) = join(&["r1", "r2", "r1"], |id| Ok(io::Cursor::new(rows(id))));
    assert_eq!(done.unwrap_err().kind(), io::ErrorKind::InvalidInput);
    assert_eq!(text, "");
}

#[test]
fn a_writer_that_is_full_is_not_taken_for_a_written_table() {
    let mut room = [0_u8; 100];
    let books = two_sides(&["70.0"], &["71.0"]);
    let done = tables::write(Table::Readings, &books.0, "", &mut &mut room[..], true);
    assert_eq!(done.unwrap_err().kind(), io::ErrorKind::WriteZero);
}
