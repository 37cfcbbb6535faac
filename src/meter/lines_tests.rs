use super::Line;
use super::LineAssembler;
use super::LineEnd;
use super::MAX_LINE_BYTES;
use proptest::prelude::*;

const ENDS: [LineEnd; 4] = [LineEnd::Any, LineEnd::Cr, LineEnd::Lf, LineEnd::CrLf];

/// What came out, as text: lines, `TOO LONG n` with the bytes given, then blanks and the partial line.
fn lines(end: LineEnd, chunks: &[&[u8]]) -> Vec<String> {
    let mut assembler = LineAssembler::new(end);
    let mut out = Vec::new();
    for chunk in chunks {
        assembler.feed(chunk, |line| {
            out.push(match line {
                Line::Whole(line) => line.escape_ascii().to_string(),
                Line::TooLong(start) => format!("TOO LONG {} {}", start.len(), start.escape_ascii()),
            });
        });
    }
    out.push(format!("blank {}", assembler.blank_lines()));
    if let Some(partial) = assembler.take_partial() {
        out.push(format!("partial {}", partial.escape_ascii()));
    }
    assert_eq!(assembler.take_partial(), None, "a partial line is taken once");
    out
}

#[test]
fn what_still_comes_of_a_line_that_was_given_up_is_dropped() {
    for end in [LineEnd::Any, LineEnd::Cr, LineEnd::CrLf] {
        let mut assembler = LineAssembler::new(end);
        let mut lines = Vec::new();
        let mut feed = |assembler: &mut LineAssembler, bytes: &[u8]| {
            assembler.feed(bytes, |line| lines.push(format!("{line:?}")));
        };
        assert_eq!(assembler.give_up_line(), None);
        feed(&mut assembler, b"85.");
        assert_eq!(assembler.give_up_line(), Some(b"85.".to_vec()));
        assert_eq!(assembler.give_up_line(), None, "once");
        feed(&mut assembler, b"3\r\n85.4\r\n");
        let whole = format!("{:?}", Line::Whole(if end == LineEnd::Cr { b"\n85.4" } else { b"85.4" }));
        assert_eq!(lines, [whole], "{end:?}");
    }
}

#[test]
fn each_of_cr_lf_and_crlf_is_one_end() {
    assert_eq!(lines(LineEnd::Any, &[b"a\rb\nc\r\nd\n"]), ["a", "b", "c", "d", "blank 0"]);
    assert_eq!(lines(LineEnd::Any, &[b"a\r\n\r\nb\n\n\nc\r \r"]), ["a", "b", "c", "blank 4"]);
}

#[test]
fn a_line_comes_at_its_cr_and_the_lf_of_the_next_chunk_ends_nothing() {
    let mut assembler = LineAssembler::new(LineEnd::Any);
    let mut seen = 0;
    assembler.feed(b"60\t85.3\r", |_| seen += 1);
    assert_eq!(seen, 1, "the line waited for an LF");
    assembler.feed(b"\n", |_| seen += 1);
    assert_eq!((seen, assembler.blank_lines()), (1, 0));
}

#[test]
fn a_profile_that_names_one_end_takes_the_other_as_data() {
    assert_eq!(lines(LineEnd::Cr, &[b"a\nb\rc\r\n"]), ["a\\nb", "c", "blank 0", "partial \\n"]);
    assert_eq!(lines(LineEnd::Lf, &[b"a\rb\nc\r\n"]), ["a\\rb", "c\\r", "blank 0"]);
    assert_eq!(lines(LineEnd::CrLf, &[b"a\rb\nc\r\r\nd\r"]), ["a\\rb\\nc\\r", "blank 0", "partial d\\r"]);
}

#[test]
fn a_line_of_the_greatest_length_is_whole_and_one_byte_more_is_told_once() {
    for end in ENDS {
        let mark: &[u8] = if end == LineEnd::Cr { b"\r" } else { b"\r\n" };
        let mark = if end == LineEnd::Lf { b"\n" } else { mark };
        let most = [b'x'; MAX_LINE_BYTES];
        assert_eq!(lines(end, &[&most, mark]), ["x".repeat(MAX_LINE_BYTES).as_str(), "blank 0"]);
        let told = format!("TOO LONG 1024 {}", "x".repeat(MAX_LINE_BYTES));
        assert_eq!(lines(end, &[&most, b"y", &most, &most, mark, b"z", mark]), [&told, "z", "blank 0"]);
        assert_eq!(lines(end, &[&most, b"y"]), [&told, "blank 0"], "what was told is no partial line too");
    }
}

#[test]
fn memory_stays_bounded_under_a_flood_without_line_ends() {
    let mut assembler = LineAssembler::new(LineEnd::Any);
    for _ in 0..1000 {
        assembler.feed(&[b'x'; 4096], |_| {});
    }
    assert!(assembler.held.capacity() <= 2 * MAX_LINE_BYTES);
}

#[test]
fn a_lost_link_gives_the_partial_line_and_starts_afresh() {
    let mut assembler = LineAssembler::new(LineEnd::Any);
    assembler.feed(b"60\t85", |_| panic!("no end came"));
    assert_eq!(assembler.take_partial().as_deref(), Some(&b"60\t85"[..]));
    let mut after = Vec::new();
    assembler.feed(b".3\r", |line| after.push(format!("{line:?}")));
    assert_eq!(after, [format!("{:?}", Line::Whole(b".3"))]);
}

/// Bytes that make ends, blanks and overlong lines likely.
fn stream() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        4 => "[0-9;.\r\n \t]{1,12}".prop_map(String::into_bytes),
        1 => proptest::collection::vec(any::<u8>(), 1..8),
        1 => (1000_usize..1100).prop_map(|n| vec![b'x'; n]),
        1 => Just(b"\r\n".to_vec()),
    ];
    proptest::collection::vec(piece, 0..20).prop_map(|pieces| pieces.concat())
}

proptest! {
    #[test]
    fn where_the_driver_cuts_the_bytes_never_matters(
        bytes in stream(),
        cuts in proptest::collection::vec(any::<proptest::sample::Index>(), 0..12),
        end in proptest::sample::select(&ENDS[..]),
    ) {
        let mut places: Vec<usize> = cuts.iter().map(|cut| cut.index(bytes.len() + 1)).collect();
        places.extend([0, bytes.len()]);
        places.sort_unstable();
        let chunks: Vec<&[u8]> = places.windows(2).map(|pair| &bytes[pair[0]..pair[1]]).collect();
        let single: Vec<&[u8]> = bytes.chunks(1).collect();
        let whole = lines(end, &[&bytes]);
        prop_assert_eq!(&lines(end, &chunks), &whole);
        prop_assert_eq!(&lines(end, &single), &whole);
    }

    #[test]
    fn with_any_end_the_lines_are_the_split_at_cr_and_lf_without_blanks(bytes in stream()) {
        let text: Vec<String> = bytes
            .split(|&b| b == b'\r' || b == b'\n')
            .filter(|line| line.iter().any(|&b| b != b' ' && b != b'\t'))
            .filter(|line| line.len() <= MAX_LINE_BYTES)
            .map(|line| line.escape_ascii().to_string())
            .collect();
        let whole: Vec<String> = lines(LineEnd::Any, &[&bytes])
            .into_iter()
            .filter(|line| !line.starts_with("TOO LONG") && !line.starts_with("blank"))
            .map(|line| line.strip_prefix("partial ").unwrap_or(&line).to_owned())
            .collect();
        prop_assert_eq!(whole, text);
    }
}
