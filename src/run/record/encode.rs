//! Writing a recording: numbers, sync groups, checksums and seals.

use super::{Body, Record, wire};
use sha2::{Digest, Sha256};

/// Turns record bodies into the bytes of a recording, in order. It touches no file: the caller
/// appends the bytes and syncs them once a group.
///
/// To change the layout of a line, change `wire.rs`, [`super::Scanner`], `protocol-notes/recording.md`
/// and `tests/read_recording.py` together, and raise [`super::FORMAT`].
#[derive(Clone)]
pub struct Encoder {
    next_n: u32,
    group: u32,
    last_us: u64,
    hash: Sha256,
    json: Vec<u8>,
}

impl Default for Encoder {
    fn default() -> Self {
        Encoder { next_n: 1, group: 1, last_us: 0, hash: Sha256::new(), json: Vec::new() }
    }
}

impl Encoder {
    /// An encoder for an empty file.
    #[must_use]
    pub fn new() -> Encoder {
        Encoder::default()
    }

    /// An encoder that goes on after a record, `hash` being over all bytes so far.
    pub(super) fn continuing(last_n: u32, last_us: u64, hash: Sha256) -> Encoder {
        Encoder { next_n: last_n + 1, group: last_n + 1, last_us, hash, json: Vec::new() }
    }

    /// Begins a sync group: the records from here on are written and synced together.
    pub fn begin_group(&mut self) {
        self.group = self.next_n;
    }

    /// Appends one record to `out`. A time before the last one is raised to it: the order of records
    /// is the truth, and times never run backwards. A seal's digest is worked out here, whatever it says.
    /// Returns the number and the time given.
    pub fn push(&mut self, at_us: u64, body: Body<'_>, out: &mut Vec<u8>) -> (u32, u64) {
        self.last_us = self.last_us.max(at_us);
        let body = match body {
            Body::Seal(_) => Body::Seal(self.sha256()),
            other => other,
        };
        let record = Record { n: self.next_n, at_us: self.last_us, group: self.group, body };
        self.json.clear();
        wire::encode(&record, &mut self.json);
        let start = out.len();
        let crc = crc32fast::hash(&self.json);
        for shift in (0..8).rev() {
            out.push(b"0123456789abcdef"[(crc >> (4 * shift) & 15) as usize]);
        }
        out.push(b' ');
        out.extend_from_slice(&self.json);
        out.push(b'\n');
        self.hash.update(&out[start..]);
        self.next_n += 1;
        (record.n, record.at_us)
    }

    /// SHA-256 of all bytes so far, in lower-case hexadecimal.
    #[must_use]
    pub fn sha256(&self) -> String {
        super::hex(&self.hash.clone().finalize())
    }

    /// Time of the last record, microseconds since the start of the run.
    #[must_use]
    pub fn last_us(&self) -> u64 {
        self.last_us
    }
}
