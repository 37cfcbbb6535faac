//! What can happen to a recording's file, and what must then come of it. The expected outcome comes
//! from the file itself: its last whole line, or its place.

use halfpanel::run::record::{RecordingError, Scanner, Tail};
use halfpanel::run::{ReplayError, Replayed, replay};

/// A recording read and followed to its end.
pub fn read(bytes: &[u8]) -> Result<Replayed, ReplayError> {
    replay("test", &mut Scanner::new("test", bytes), |_, _, _| {})
}

/// A recording read to its end, without following what it says: its tail, number of records and digest.
fn scan(bytes: &[u8]) -> Result<(Tail, usize, String), RecordingError> {
    let mut scanner = Scanner::new("test", bytes);
    let mut records = 0;
    while let Some(record) = scanner.next_record()? {
        records = record.n as usize;
    }
    Ok((scanner.tail().unwrap().clone(), records, scanner.sha256()))
}

/// Number of whole lines.
pub fn records(bytes: &[u8]) -> usize {
    bytes.iter().filter(|&&b| b == b'\n').count()
}

/// Where the line begins in which a byte lies.
fn line_start(bytes: &[u8], at: usize) -> usize {
    bytes[..at].iter().rposition(|&b| b == b'\n').map_or(0, |end| end + 1)
}

/// Cut anywhere, a recording is read to its last whole record; without a whole head it is refused.
pub fn every_cut(name: &str, bytes: &[u8]) {
    let head = bytes.iter().position(|&b| b == b'\n').unwrap() + 1;
    for cut in 0..bytes.len() {
        let part = &bytes[..cut];
        match scan(part) {
            Ok((tail, read, _)) => {
                assert!(cut >= head, "{name}, cut at {cut}");
                let whole = line_start(part, cut);
                assert_eq!(tail.whole, whole as u64, "{name}, cut at {cut}");
                assert_eq!(tail.torn, &part[whole..], "{name}, cut at {cut}");
                assert_eq!(read, records(part), "{name}, cut at {cut}");
            }
            Err(RecordingError::NoHead { whole, .. }) => {
                assert!(cut < head, "{name}, cut at {cut}");
                assert_eq!(whole, cut as u64, "{name}");
            }
            Err(other) => panic!("{name}, cut at {cut}: {other}"),
        }
    }
}

/// A flipped bit is damage at its line. From the line end before the last whole record on it cannot
/// be told from a torn write: it is cut off, and that is said. `bits` picks the bits of each byte.
pub fn flipped_bits<I: IntoIterator<Item = u32>>(name: &str, bytes: &[u8], bits: impl Fn(usize) -> I) {
    let (_, _, sha256) = scan(bytes).unwrap();
    let end = line_start(bytes, bytes.len());
    let last_line = line_start(bytes, end - 1);
    for (at, bit) in (0..bytes.len()).flat_map(|at| bits(at).into_iter().map(move |bit| (at, bit))) {
        let mut flipped = bytes.to_vec();
        flipped[at] ^= 1 << bit;
        let place = format!("{name}, bit {bit} of byte {at}");
        match scan(&flipped) {
            Ok((tail, _, found)) => {
                assert!(at + 1 >= last_line, "{place} went unnoticed");
                assert_eq!(tail.whole, line_start(bytes, at) as u64, "{place}");
                assert_ne!(found, sha256, "{place}");
            }
            Err(RecordingError::Damaged { line, .. }) => {
                assert_eq!(line, records(&bytes[..at]) as u64 + 1, "{place}");
            }
            Err(other) => panic!("{place}: {other}"),
        }
    }
}
