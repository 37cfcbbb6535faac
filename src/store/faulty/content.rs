//! Content of one file of the disk in memory: as programs see it, and as it would come up after a
//! loss of power.

use super::Survive;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use std::ops::Range;

/// The unit that a disk writes as one.
const SECTOR: usize = 512;

/// Bytes of a file. Up to `same` the live and the lasting ones agree.
#[derive(Clone, Debug, Default)]
pub(super) struct Content {
    live: Vec<u8>,
    lasting: Vec<u8>,
    same: usize,
    /// Live bytes that a failed sync has dropped: programs still see them, no later sync writes them.
    dropped: Vec<Range<usize>>,
}

impl Content {
    /// Content that is all on the disk.
    pub(super) fn lasting(bytes: Vec<u8>) -> Content {
        Content { same: bytes.len(), lasting: bytes.clone(), live: bytes, dropped: Vec::new() }
    }

    pub(super) fn live(&self) -> &[u8] {
        &self.live
    }

    pub(super) fn append(&mut self, bytes: &[u8]) {
        self.live.extend_from_slice(bytes);
    }

    pub(super) fn cut(&mut self, len: usize) {
        self.live.truncate(len);
        self.same = self.same.min(len);
        for range in &mut self.dropped {
            range.end = range.end.min(len);
        }
        self.dropped.retain(|range| !range.is_empty());
    }

    /// A sync that gets as far as `upto` bytes of the file and reports success for those.
    pub(super) fn sync(&mut self, upto: usize) {
        let upto = upto.clamp(self.same, self.live.len());
        self.lasting.truncate(self.same);
        self.lasting.extend(self.reachable(self.same..upto));
        self.same = upto;
    }

    /// A sync that the power cuts in the middle.
    pub(super) fn half_sync(&mut self) {
        self.sync(self.same + (self.live.len() - self.same) / 2);
    }

    /// After a sync that failed: as Linux does it, the bytes count as written from here on, and are not.
    pub(super) fn drop_unsynced(&mut self) {
        if self.same < self.live.len() {
            self.dropped.push(self.same..self.live.len());
        }
    }

    /// Live bytes as a sync can still bring them to the disk: dropped ones come out as zeros.
    fn reachable(&self, range: Range<usize>) -> Vec<u8> {
        let mut bytes = self.live[range.clone()].to_vec();
        for lost in &self.dropped {
            let from = lost.start.clamp(range.start, range.end) - range.start;
            let to = lost.end.clamp(range.start, range.end) - range.start;
            bytes[from..to].fill(0);
        }
        bytes
    }

    pub(super) fn after_crash(&self, survive: Survive, rng: &mut ChaCha8Rng) -> Vec<u8> {
        match survive {
            Survive::SyncedOnly => self.lasting.clone(),
            Survive::Prefix(bytes) => {
                let upto = self.same.saturating_add(bytes).min(self.live.len());
                let mut survivor = self.lasting[..self.same].to_vec();
                survivor.extend(self.reachable(self.same..upto));
                survivor
            }
            Survive::Sectors(_) => self.with_lost_sectors(rng),
        }
    }

    /// The new length may or may not have come through, and each unsynced sector is new, old or zeros.
    /// A sector is written as one, so what was synced before it in the same sector stays.
    fn with_lost_sectors(&self, rng: &mut ChaCha8Rng) -> Vec<u8> {
        let keeps_new_len = rng.random_bool(0.75);
        let len = if keeps_new_len { self.live.len() } else { self.lasting.len() };
        let mut survivor = self.lasting[..self.same.min(len)].to_vec();
        survivor.resize(len, 0);
        let mut start = self.same;
        while start < len {
            let end = ((start / SECTOR + 1) * SECTOR).min(len);
            let source = match rng.random_range(0..4) {
                0 => Vec::new(),
                1 => self.lasting.get(start..end.min(self.lasting.len())).unwrap_or_default().to_vec(),
                _ if start < self.live.len() => self.reachable(start..end.min(self.live.len())),
                _ => Vec::new(),
            };
            survivor[start..start + source.len()].copy_from_slice(&source);
            start = end;
        }
        survivor
    }
}
