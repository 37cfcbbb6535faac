//! Connections: as many as fit, each with bounds on what may come in, and cut where nobody reads what goes out.

use axum::Router;
use axum::extract::ConnectInfo;
use axum::extract::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper_util::rt::TokioIo;
use hyper_util::rt::TokioTimer;
use hyper_util::service::TowerToHyperService;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::Context;
use std::task::Poll;
use std::time::Duration;
use tokio::io::AsyncRead;
use tokio::io::AsyncWrite;
use tokio::io::ReadBuf;
use tokio::net::TcpListener;
use tokio::net::TcpStream;
use tokio::sync::Semaphore;
use tokio::time::Sleep;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower::ServiceExt;

/// The most connections at once; more wait to be accepted.
const MOST_CONNECTIONS: usize = 512;
/// How long a client may take to send the head of a request, and how long a connection may lie idle between two.
const HEAD_PATIENCE: Duration = Duration::from_secs(30);
/// How long a client may leave what was sent to it unread.
const WRITE_PATIENCE: Duration = Duration::from_secs(20);
/// The most bytes of a request's head, and of what waits for a client.
const BUFFER: usize = 64 * 1024;
/// The most headers of a request.
const MOST_HEADERS: usize = 64;
/// How long connections get to finish what they are at once the daemon closes.
const CLOSING_PATIENCE: Duration = Duration::from_secs(3);

/// Serves `app` until `closing` is cancelled, and returns once the connections are done, or have had their time.
pub async fn serve(listener: TcpListener, app: Router, closing: CancellationToken) {
    let places = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    let connections = TaskTracker::new();
    loop {
        let place = tokio::select! {
            () = closing.cancelled() => break,
            place = Arc::clone(&places).acquire_owned() => place,
        };
        // The semaphore is never closed.
        let Ok(place) = place else { break };
        let accepted = tokio::select! {
            () = closing.cancelled() => break,
            accepted = listener.accept() => accepted,
        };
        let (stream, from) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                tracing::warn!("a connection was not accepted: {error}");
                // Out of descriptors, most likely: they come back as connections end.
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            }
        };
        let (app, closing) = (app.clone(), closing.clone());
        connections.spawn(async move {
            converse(stream, from, app, closing).await;
            drop(place);
        });
    }
    drop(listener);
    connections.close();
    if tokio::time::timeout(CLOSING_PATIENCE, connections.wait()).await.is_err() {
        tracing::info!(left = connections.len(), "connections were cut");
    }
}

async fn converse(stream: TcpStream, from: SocketAddr, app: Router, closing: CancellationToken) {
    // Events are small and must not wait for more.
    let _ = stream.set_nodelay(true);
    let service = app.map_request(move |request: Request<Incoming>| {
        let mut request = request.map(axum::body::Body::new);
        request.extensions_mut().insert(ConnectInfo(from));
        request
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_PATIENCE)
        .max_buf_size(BUFFER)
        .max_headers(MOST_HEADERS)
        .serve_connection(
            TokioIo::new(Impatient { stream, stalled: None }),
            TowerToHyperService::new(service),
        );
    let mut connection = std::pin::pin!(connection);
    let ended = tokio::select! {
        ended = connection.as_mut() => ended,
        () = closing.cancelled() => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%from, "a connection ended early: {error}");
    }
}

/// A stream that breaks off where what is written to it is left unread.
struct Impatient {
    stream: TcpStream,
    /// Runs from the first write that had to wait.
    stalled: Option<Pin<Box<Sleep>>>,
}

impl Impatient {
    fn written<T>(&mut self, cx: &mut Context<'_>, written: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.stalled = None;
            return written;
        }
        let stalled = self.stalled.get_or_insert_with(|| Box::pin(tokio::time::sleep(WRITE_PATIENCE)));
        stalled.as_mut().poll(cx).map(|()| Err(io::ErrorKind::TimedOut.into()))
    }
}

impl AsyncRead for Impatient {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buf)
    }
}

impl AsyncWrite for Impatient {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(cx, buf);
        self.written(cx, written)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write_vectored(cx, bufs);
        self.written(cx, written)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
