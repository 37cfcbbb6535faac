//! A station's page in pieces, rendered once a change and shared by everybody who watches. A change that comes while
//! one is being rendered is rendered with the next; nobody who is slow holds anybody up.

use super::hall::Facts;
use super::page;
use crate::session::station::Snapshot;
use crate::session::station::Station;
use crate::view::Sound;
use crate::view::StudyFacts;
use axum::body::Bytes;
use serde::Serialize;
use std::collections::BTreeMap;
use std::sync::Arc;
use tokio::sync::Notify;
use tokio::sync::watch;

/// An event for the stream, ready to be sent.
#[derive(Clone, Debug, Default)]
pub struct Frame {
    /// Running number; 0 for none yet.
    pub n: u64,
    /// Version of the snapshot that it shows.
    pub version: u64,
    /// The event as it goes over the line.
    pub bytes: Bytes,
}

/// The frames of one station.
pub struct Frames {
    frames: watch::Sender<Frame>,
    wanted: Arc<Notify>,
}

impl Frames {
    /// Starts rendering a station. It sleeps while nobody watches. Needs a tokio runtime.
    #[must_use]
    pub fn spawn(station: &Station, facts: Facts) -> Frames {
        let (frames, _) = watch::channel(Frame::default());
        let wanted = Arc::new(Notify::new());
        tokio::spawn(render(station.snapshots(), facts, frames.clone(), Arc::clone(&wanted)));
        Frames { frames, wanted }
    }

    /// The frames from now on. What stands there at first may be older than the station, or empty.
    #[must_use]
    pub fn subscribe(&self) -> watch::Receiver<Frame> {
        let frames = self.frames.subscribe();
        self.wanted.notify_one();
        frames
    }
}

async fn render(
    mut snapshots: watch::Receiver<Arc<Snapshot>>,
    facts: Facts,
    frames: watch::Sender<Frame>,
    wanted: Arc<Notify>,
) {
    let mut drawn: Option<Arc<StudyFacts>> = None;
    loop {
        if frames.receiver_count() > 0 {
            let snapshot = Arc::clone(&snapshots.borrow_and_update());
            let (n, version) = {
                let last = frames.borrow();
                (last.n, last.version)
            };
            let facts = facts.now();
            let is_new = drawn.replace(Arc::clone(&facts)).is_none_or(|before| !Arc::ptr_eq(&before, &facts));
            if is_new || snapshot.version != version {
                frames.send_replace(frame(n + 1, &snapshot, &facts));
            }
        }
        tokio::select! {
            () = wanted.notified() => {}
            changed = snapshots.changed() => if changed.is_err() { return },
        }
    }
}

/// What a page is sent, as JSON.
#[derive(Serialize)]
struct State<'a> {
    version: u64,
    regions: BTreeMap<&'static str, String>,
    heard: Vec<HeardOnPage<'a>>,
}

#[derive(Serialize)]
struct HeardOnPage<'a> {
    n: u64,
    says: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    sound: Option<&'static str>,
}

fn frame(n: u64, snapshot: &Snapshot, facts: &StudyFacts) -> Frame {
    let heard = (snapshot.heard_before..).zip(&snapshot.heard).map(|(n, heard)| HeardOnPage {
        n,
        says: &heard.says,
        sound: heard.sound.map(sound_name),
    });
    let state = State {
        version: snapshot.version,
        regions: page::regions(snapshot, facts).into_iter().collect(),
        heard: heard.collect(),
    };
    let json = serde_json::to_string(&state).expect("strings and numbers under string keys are always JSON");
    let text = format!("event: state\nid: {}\ndata: {json}\n\n", snapshot.version);
    Frame { n, version: snapshot.version, bytes: text.into() }
}

const fn sound_name(sound: Sound) -> &'static str {
    match sound {
        Sound::Taken => "taken",
        Sound::Odd => "odd",
        Sound::TileWanted => "tile-wanted",
        Sound::Lost => "lost",
    }
}
