//! Reading a recording, and saying exactly where one went wrong.
//!
//! A recording can end in a *torn tail*: bytes that were being written when the power went. They were
//! never synced, so nothing was ever shown of them, and they are cut off with a notice. A bad line
//! is a torn tail only if no whole record of a **later sync group** follows it; otherwise it had been
//! synced and was changed afterwards: that is damage, and is refused. Reading never changes the file.

use super::wire::{self, Undecodable};
use super::{Body, Encoder, FORMAT, Record, hex};
use sha2::{Digest, Sha256};
use std::io::{self, BufRead};

/// A torn tail is at most one group; the recorder's groups are far below this.
const LONGEST_TAIL: usize = 64 << 20;

/// Reads records one by one from anything that gives bytes.
pub struct Scanner<R> {
    name: String,
    input: R,
    line: Vec<u8>,
    bytes: Vec<u8>,
    lines: u64,
    offset: u64,
    last: Option<(u32, u64)>,
    hash: Sha256,
    tail: Option<Tail>,
    ended: bool,
}

/// What a recording ended with.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tail {
    /// Bytes from the start of the file to the end of its last whole record.
    pub whole: u64,
    /// The torn bytes behind it; empty in a whole recording.
    pub torn: Vec<u8>,
}

/// Why a recording cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    /// The file itself could not be read.
    #[error("{name}: could not be read: {source}")]
    Io {
        /// Name of the recording.
        name: String,
        /// What the system said.
        source: io::Error,
    },
    /// Bytes that were synced once are not what they were.
    #[error("{name}:{line}: damaged at byte {offset}: {what}")]
    Damaged {
        /// Name of the recording.
        name: String,
        /// Line number, from 1.
        line: u64,
        /// Offset of the line in the file.
        offset: u64,
        /// What is wrong with it.
        what: String,
    },
    /// A later program wrote it.
    #[error("{name}: its format is {format}, this program reads up to {FORMAT}")]
    TooNew {
        /// Name of the recording.
        name: String,
        /// The format it has.
        format: u32,
        /// The oldest program version that reads it, as it says itself.
        reader: String,
    },
    /// Not even a whole head.
    #[error(
        "{name}: no whole head record: not a recording, or cut off before anything was recorded ({whole} bytes)"
    )]
    NoHead {
        /// Name of the recording.
        name: String,
        /// Bytes in the file.
        whole: u64,
    },
}

impl RecordingError {
    /// What to do about it.
    #[must_use]
    pub fn hint(&self) -> String {
        match self {
            RecordingError::Io { .. } => "check the path and the disk".to_owned(),
            RecordingError::Damaged { .. } => {
                "the file was changed after it was written; take it from a backup. \
                Nothing was altered by reading it"
                    .to_owned()
            }
            RecordingError::TooNew { reader, .. } => format!("halfpanel {reader} or later reads it"),
            RecordingError::NoHead { .. } => {
                "nothing was taken in this run; the file can be moved away".to_owned()
            }
        }
    }
}

/// A line that does not hold, and why.
type BadLine = String;

impl<R: BufRead> Scanner<R> {
    /// A scanner over the bytes of one recording; `name` is for messages.
    pub fn new(name: impl Into<String>, input: R) -> Scanner<R> {
        Scanner {
            name: name.into(),
            input,
            line: Vec::new(),
            bytes: Vec::new(),
            lines: 0,
            offset: 0,
            last: None,
            hash: Sha256::new(),
            tail: None,
            ended: false,
        }
    }

    /// The next record, or `None` behind the last whole one.
    ///
    /// # Errors
    /// [`RecordingError`], with the place.
    pub fn next_record(&mut self) -> Result<Option<Record<'_>>, RecordingError> {
        if self.tail.is_some() {
            return Ok(None);
        }
        if !self.read_line()? {
            if self.last.is_none() {
                return Err(RecordingError::NoHead { name: self.name.clone(), whole: self.offset });
            }
            self.tail = Some(Tail { whole: self.offset, torn: Vec::new() });
            return Ok(None);
        }
        if let Err(what) = check_line(&self.line) {
            self.judge_tail(&what)?;
            return Ok(None);
        }
        let place = (self.name.as_str(), self.lines, self.offset);
        let record = match wire::decode(&self.line[9..self.line.len() - 1], &mut self.bytes) {
            Ok(record) => record,
            Err(Undecodable::TooNew { format, reader }) => {
                return Err(RecordingError::TooNew { name: self.name.clone(), format, reader });
            }
            Err(Undecodable::Bad(what)) => {
                return Err(damaged(place.0, place.1, place.2, format!("not a record: {what}")));
            }
        };
        check_order(&record, self.last, self.ended)
            .map_err(|what| damaged(place.0, place.1, place.2, what))?;
        if let Body::Seal(sha256) = &record.body
            && *sha256 != hex(&self.hash.clone().finalize())
        {
            let what = "the seal does not match the bytes before it".to_owned();
            return Err(damaged(place.0, place.1, place.2, what));
        }
        self.ended |= matches!(record.body, Body::End(_));
        self.last = Some((record.n, record.at_us));
        self.hash.update(&self.line);
        self.offset += self.line.len() as u64;
        Ok(Some(record))
    }

    /// What the recording ended with; `None` until [`Scanner::next_record`] has returned `None`.
    #[must_use]
    pub fn tail(&self) -> Option<&Tail> {
        self.tail.as_ref()
    }

    /// SHA-256 of the whole file, torn tail included, as common tools give it. Call it at the end.
    #[must_use]
    pub fn sha256(&self) -> String {
        let mut hash = self.hash.clone();
        if let Some(tail) = &self.tail {
            hash.update(&tail.torn);
        }
        hex(&hash.finalize())
    }

    /// Whether the recording has its `end` record.
    #[must_use]
    pub fn has_end(&self) -> bool {
        self.ended
    }

    /// An encoder that goes on behind the last whole record.
    #[must_use]
    pub fn continuing(&self) -> Encoder {
        let (n, at_us) = self.last.unwrap_or((0, 0));
        Encoder::continuing(n, at_us, self.hash.clone())
    }

    fn read_line(&mut self) -> Result<bool, RecordingError> {
        self.line.clear();
        let read = self
            .input
            .read_until(b'\n', &mut self.line)
            .map_err(|source| RecordingError::Io { name: self.name.clone(), source })?;
        self.lines += u64::from(read > 0);
        Ok(read > 0)
    }

    /// A bad line was met: torn tail, or damage? Reads to the end of the file.
    fn judge_tail(&mut self, what: &str) -> Result<(), RecordingError> {
        let bad_n = self.last.map_or(1, |(n, _)| n + 1);
        let (bad_line, bad_offset) = (self.lines, self.offset);
        let mut torn = std::mem::take(&mut self.line);
        while self.read_line()? {
            let whole = check_line(&self.line).is_ok();
            let later = whole
                && wire::decode(&self.line[9..self.line.len() - 1], &mut self.bytes)
                    .is_ok_and(|record| record.group > bad_n);
            if later || torn.len() > LONGEST_TAIL {
                return Err(damaged(&self.name, bad_line, bad_offset, what.to_owned()));
            }
            torn.extend_from_slice(&self.line);
        }
        if self.last.is_none() {
            return Err(RecordingError::NoHead { name: self.name.clone(), whole: torn.len() as u64 });
        }
        if self.ended {
            let what = "bytes stand behind the end record".to_owned();
            return Err(damaged(&self.name, bad_line, bad_offset, what));
        }
        self.tail = Some(Tail { whole: bad_offset, torn });
        Ok(())
    }
}

fn damaged(name: &str, line: u64, offset: u64, what: String) -> RecordingError {
    RecordingError::Damaged { name: name.to_owned(), line, offset, what }
}

/// Line end and checksum. The checksum is compared as text: a flipped bit that only changes the case
/// of a digit is a change too.
fn check_line(line: &[u8]) -> Result<(), BadLine> {
    let Some(line) = line.strip_suffix(b"\n") else {
        return Err("the line has no end".to_owned());
    };
    if line.len() < 11 || line[8] != b' ' {
        return Err("the line has no checksum".to_owned());
    }
    let crc = format_crc(crc32fast::hash(&line[9..]));
    if line[..8] != crc { Err("the checksum does not match".to_owned()) } else { Ok(()) }
}

fn format_crc(crc: u32) -> [u8; 8] {
    std::array::from_fn(|i| b"0123456789abcdef"[(crc >> (28 - 4 * i) & 15) as usize])
}

fn check_order(record: &Record<'_>, last: Option<(u32, u64)>, ended: bool) -> Result<(), BadLine> {
    let (last_n, last_us) = last.unwrap_or((0, 0));
    if ended {
        return Err("a record stands behind the end record".to_owned());
    }
    if record.n != last_n + 1 {
        return Err(format!("record {} follows record {last_n}", record.n));
    }
    if record.at_us < last_us {
        return Err(format!("record {} is earlier than the one before it", record.n));
    }
    if record.group > record.n || record.group == 0 {
        return Err(format!("record {} names a sync group that begins after it", record.n));
    }
    match (&record.body, last) {
        (Body::Head(_), None) => Ok(()),
        (Body::Head(_), Some(_)) => Err("a second head".to_owned()),
        (_, None) => Err("the first record is not a head".to_owned()),
        _ => Ok(()),
    }
}
