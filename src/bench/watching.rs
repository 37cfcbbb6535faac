//! The stream of events that keeps a page as the bench is.

use super::answers::Problem;
use super::answers::Wants;
use super::frames::Frame;
use super::gate::Standing;
use super::hall::Hall;
use crate::session::station::Snapshot;
use axum::Extension;
use axum::body::Body;
use axum::body::Bytes;
use axum::extract::Path;
use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use axum::response::Response;
use futures_util::stream;
use prometheus_client::metrics::gauge::Gauge;
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

/// How often something is sent while nothing happens, so that both sides notice a line that is dead.
const KEEP_ALIVE: Duration = Duration::from_secs(15);

/// What a browser is to wait before it comes again, and a sign that the stream has begun.
const HELLO: &[u8] = b"retry: 1000\n\n";
/// An event and no remark, since a page hears nothing of remarks, and has to know that it is not cut off.
const STILL_HERE: &[u8] = b"event: alive\ndata: {}\n\n";

/// The bench as it is, and each change of it, as server-sent events: event `state`, whose data is JSON with `version`,
/// `regions` (HTML by the id of the element) and `heard`. While nothing changes, an event `alive` now and then.
#[utoipa::path(
    get, path = "/s/{slug}/events", tag = "bench",
    params(("slug" = String, Path, description = "Short name of the study")),
    responses(
        (status = 200, description = "Events without end", body = String, content_type = "text/event-stream"),
        (status = 404, description = "No such study", body = Problem, content_type = "application/problem+json"),
    ),
)]
pub async fn events(
    State(hall): State<Hall>,
    Path(slug): Path<String>,
    standing: Option<Extension<Standing>>,
    wants: Wants,
) -> Response {
    let Some(stand) = hall.stand(&slug) else { return Problem::not_found("such study").answer(wants, "/") };
    let watcher = Watcher {
        least: stand.station.snapshots().borrow().version,
        snapshots: stand.station.snapshots(),
        frames: stand.frames.subscribe(),
        sent: 0,
        has_begun: false,
        withdrawn: Box::pin(standing.map_or(Standing::free(), |Extension(standing)| standing).withdrawn()),
        closing: hall.closing(),
        beat: KEEP_ALIVE,
        _counted: Counted::new(hall.metrics().watching.clone()),
    };
    let stream = stream::unfold(watcher, |mut watcher| async {
        let bytes = watcher.next().await?;
        Some((Ok::<Bytes, Infallible>(bytes), watcher))
    });
    let headers = [(header::CONTENT_TYPE, "text/event-stream"), (header::CACHE_CONTROL, "no-store")];
    (headers, Body::from_stream(stream)).into_response()
}

/// One open stream. It holds nothing but the newest frame: what a slow client misses, it does not get.
struct Watcher {
    frames: watch::Receiver<Frame>,
    snapshots: watch::Receiver<Arc<Snapshot>>,
    /// Version that a frame must have at least: older ones are behind the page that was drawn.
    least: u64,
    /// Number of the frame that was sent last.
    sent: u64,
    has_begun: bool,
    /// Ready once whoever watches may do so no longer.
    withdrawn: Pin<Box<dyn Future<Output = ()> + Send>>,
    closing: CancellationToken,
    beat: Duration,
    _counted: Counted,
}

impl Watcher {
    /// What is sent next; nothing more once the pairing was withdrawn, or once the daemon closes and what became of
    /// its runs was shown.
    async fn next(&mut self) -> Option<Bytes> {
        if !std::mem::replace(&mut self.has_begun, true) {
            return Some(Bytes::from_static(HELLO));
        }
        let mut is_closing = false;
        loop {
            let frame = self.frames.borrow_and_update().clone();
            let is_due = frame.version >= self.least && frame.n > self.sent;
            // Looked at anew once the daemon closes: the bench may have moved on while nothing came.
            if is_closing && !is_due && frame.version >= self.snapshots.borrow().version {
                return None;
            }
            tokio::select! {
                biased;
                () = self.withdrawn.as_mut() => return None,
                () = std::future::ready(()), if is_due => {
                    self.sent = frame.n;
                    return Some(frame.bytes);
                }
                () = self.closing.cancelled(), if !is_closing => is_closing = true,
                changed = self.frames.changed() => changed.ok()?,
                () = tokio::time::sleep(self.beat) => return Some(Bytes::from_static(STILL_HERE)),
            }
        }
    }
}

/// Counts itself for as long as it lives.
struct Counted(Gauge);

impl Counted {
    fn new(gauge: Gauge) -> Counted {
        gauge.inc();
        Counted(gauge)
    }
}

impl Drop for Counted {
    fn drop(&mut self) {
        self.0.dec();
    }
}

#[cfg(test)]
#[path = "watching_tests.rs"]
mod tests;
