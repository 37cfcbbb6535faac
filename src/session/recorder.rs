//! The recorder: the one sequencer of a run. It puts entries in order, numbers and times them, and
//! brings them to the disk before anybody learns what they say.
//!
//! [`Recorder`] is plain code that a fault campaign can drive; [`spawn`] gives it a thread of its own,
//! so that neither the port nor the screen waits for the disk. What arrives while a sync is under way
//! goes out together with the next one (group commit).

use crate::run::record::{Body, Encoder, Head, Record, hex};
use crate::store::{AppendFile, Disk, StoreError};
use sha2::{Digest, Sha256};
use std::io;
use std::io::Read;
use std::path::Path;
use tokio::sync::mpsc;

/// Entries that may wait for the disk before the port is left to its driver's buffer.
const WAITING: usize = 256;

/// Bytes of a recording that are copied at a time.
const PIECE: usize = 1 << 16;

/// Something to be recorded, with the time at which it came.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Microseconds since the start of the run.
    pub at_us: u64,
    /// What it is.
    pub body: Body<'static>,
}

/// Why the recorder no longer records.
#[derive(Debug, thiserror::Error)]
#[error("the recording cannot be continued: {source}. What was shown before this is on the disk")]
pub struct RecorderError {
    /// What the disk said.
    #[from]
    pub source: StoreError,
}

impl RecorderError {
    /// What to do about it.
    #[must_use]
    pub fn hint(&self) -> String {
        format!("{}; then `halfpanel run` takes the run up where it was", self.source.hint())
    }
}

/// Appends records to one recording. After the first failed write or sync it refuses to go on: a
/// later sync that succeeds would say nothing about the bytes of the failed one.
pub struct Recorder {
    file: Box<dyn AppendFile>,
    encoder: Encoder,
    buffer: Vec<u8>,
    broken: bool,
    ended: bool,
}

impl Recorder {
    /// Begins a recording with its head, synced.
    ///
    /// # Errors
    /// If the file is there already, or the disk refuses.
    pub fn create(disk: &dyn Disk, path: &Path, head: Head) -> Result<Recorder, RecorderError> {
        let file = disk.create_new(path)?;
        let mut recorder =
            Recorder { file, encoder: Encoder::new(), buffer: Vec::new(), broken: false, ended: false };
        recorder.commit(vec![Entry { at_us: 0, body: Body::Head(Box::new(head)) }])?;
        Ok(recorder)
    }

    /// Goes on with a recording behind its last whole record, which ends at byte `whole`; a torn tail
    /// behind it is cut off (its bytes belong into the `resumed` record that comes next).
    ///
    /// The whole records are written anew, in place of the old file. They may have been read from the
    /// memory of the machine, after a sync that failed: such bytes look written, no later sync writes
    /// them, and the next loss of power would leave a hole in front of what is appended here.
    ///
    /// # Errors
    /// If the disk refuses, or the file is not what `encoder` goes on from; the old file stays then.
    pub fn take_up(
        disk: &dyn Disk,
        path: &Path,
        whole: u64,
        encoder: Encoder,
    ) -> Result<Recorder, RecorderError> {
        write_anew(disk, path, whole, &encoder)?;
        let file = disk.open_append(path)?;
        Ok(Recorder { file, encoder, buffer: Vec::new(), broken: false, ended: false })
    }

    /// Writes and syncs entries as one group, an `end` as a group of its own, and returns the records
    /// they became. What comes behind an `end`, such as a word that was said while it was on its way
    /// to the disk, is left out: behind the end record it would make the recording unreadable.
    ///
    /// # Errors
    /// If the disk refuses; from then on always.
    pub fn commit(&mut self, entries: Vec<Entry>) -> Result<Vec<Record<'static>>, RecorderError> {
        if self.broken {
            let gone = io::Error::other("an earlier write failed");
            return Err(StoreError::new(Path::new("the recording"), "append to", gone).into());
        }
        let mut records = Vec::with_capacity(entries.len());
        let mut group = Vec::with_capacity(entries.len());
        for entry in entries {
            if self.ended {
                break;
            }
            self.ended = matches!(entry.body, Body::End(_));
            // An end in the same group as the readings before it would make damage to them look like
            // a torn tail.
            if self.ended && !group.is_empty() {
                self.commit_group(std::mem::take(&mut group), &mut records)?;
            }
            group.push(entry);
        }
        if !group.is_empty() {
            self.commit_group(group, &mut records)?;
        }
        Ok(records)
    }

    fn commit_group(
        &mut self,
        entries: Vec<Entry>,
        records: &mut Vec<Record<'static>>,
    ) -> Result<(), RecorderError> {
        self.buffer.clear();
        self.encoder.begin_group();
        let first = records.len();
        for Entry { at_us, body } in entries {
            let (n, at_us) = self.encoder.push(at_us, body.clone(), &mut self.buffer);
            records.push(Record { n, at_us, group: 0, body });
        }
        let group = records.get(first).map_or(0, |r| r.n);
        for record in &mut records[first..] {
            record.group = group;
        }
        let written = self.file.append(&self.buffer).and_then(|()| self.file.sync());
        self.broken = written.is_err();
        Ok(written?)
    }

    /// Time of the last record, microseconds since the start of the run.
    #[must_use]
    pub fn last_us(&self) -> u64 {
        self.encoder.last_us()
    }
}

/// Replaces a recording by its first `whole` bytes, which `encoder` goes on from.
fn write_anew(disk: &dyn Disk, path: &Path, whole: u64, encoder: &Encoder) -> Result<(), StoreError> {
    let failed = |error| StoreError::new(path, "write anew", error);
    let mut records = disk.open(path)?.take(whole);
    let mut copy = disk.atomic_writer(path)?;
    let mut digest = Sha256::new();
    let mut piece = vec![0; PIECE];
    loop {
        let count = match records.read(&mut piece) {
            Ok(0) => break,
            Ok(count) => count,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(failed(error)),
        };
        digest.update(&piece[..count]);
        copy.write_all(&piece[..count]).map_err(failed)?;
    }
    if hex(&digest.finalize()) != encoder.sha256() {
        return Err(failed(io::Error::other("it is no longer what was read from it a moment ago")));
    }
    copy.finish()
}

/// A recorder on a thread of its own.
pub struct RecorderThread {
    entries: Option<mpsc::Sender<Entry>>,
    synced: mpsc::UnboundedReceiver<Result<Vec<Record<'static>>, RecorderError>>,
    in_flight: usize,
    thread: Option<std::thread::JoinHandle<()>>,
}

/// Starts the recorder's thread.
///
/// # Errors
/// If the system has no thread to give.
pub fn spawn(mut recorder: Recorder) -> std::io::Result<RecorderThread> {
    let (entries, mut waiting) = mpsc::channel::<Entry>(WAITING);
    let (done, synced) = mpsc::unbounded_channel();
    let thread = std::thread::Builder::new().name("recorder".to_owned()).spawn(move || {
        while let Some(first) = waiting.blocking_recv() {
            let mut batch = vec![first];
            while let Ok(next) = waiting.try_recv() {
                batch.push(next);
            }
            let result = recorder.commit(batch);
            let failed = result.is_err();
            if done.send(result).is_err() || failed {
                return;
            }
        }
    })?;
    Ok(RecorderThread { entries: Some(entries), synced, in_flight: 0, thread: Some(thread) })
}

impl RecorderThread {
    /// Queues an entry; waits only while the queue is full.
    pub async fn record(&mut self, entry: Entry) {
        if let Some(entries) = &self.entries
            && entries.send(entry).await.is_ok()
        {
            self.in_flight += 1;
        }
    }

    /// The next group that is on the disk; `None` once the thread is gone and all is told.
    /// Cancel-safe.
    pub async fn next_synced(&mut self) -> Option<Result<Vec<Record<'static>>, RecorderError>> {
        let synced = self.synced.recv().await;
        if let Some(Ok(records)) = &synced {
            self.in_flight -= records.len().min(self.in_flight);
        }
        synced
    }

    /// Entries that are queued or being synced.
    #[must_use]
    pub fn in_flight(&self) -> usize {
        self.in_flight
    }
}

impl Drop for RecorderThread {
    fn drop(&mut self) {
        // Closing the queue lets the thread write out what is in it and end.
        self.entries = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}
