//! The accept loop: one task per connection, every one of them within [`Limits`].

use std::convert::Infallible;
use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use axum::Router;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::TokioIo;
use hyper_util::rt::TokioTimer;
use tokio::net::TcpListener;
use tokio::net::TcpSocket;
use tokio::net::TcpStream;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower::ServiceExt;

use super::limits::Limits;
use super::patient::Patient;
use super::seats::Seat;
use super::seats::Seats;

/// The two ends of the connection that a request came over; every request has it among its extensions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Peer {
    /// The client's end.
    pub remote: SocketAddr,
    /// This machine's end: the address by which it was reached.
    pub local: SocketAddr,
}

/// What somebody is told for whom there is no seat. It is no server error: the daemon does well, and they can help it.
const FULL: &str = "HTTP/1.1 429 Too Many Requests\r\nContent-Type: text/plain; charset=utf-8\r\n\
    Retry-After: 10\r\nCache-Control: no-store\r\nX-Content-Type-Options: nosniff\r\nConnection: close\r\n\r\n\
    Too many pages are open at once. Close some, then try again.\n";

/// Listens at `address`, with the send buffers that `limits` names.
///
/// # Errors
/// As the system says: the address is taken, or is none of this machine's.
pub fn listen(address: SocketAddr, limits: &Limits) -> io::Result<TcpListener> {
    let socket = if address.is_ipv4() { TcpSocket::new_v4()? } else { TcpSocket::new_v6()? };
    #[cfg(not(windows))]
    socket.set_reuseaddr(true)?;
    // Connections inherit it; else the system would let megabytes pile up for each client that does not read.
    socket.set_send_buffer_size(limits.send_buffer_bytes)?;
    socket.bind(address)?;
    socket.listen(1024)
}

/// Serves until `cancel`; then takes no more connections, lets answers that are under way end within
/// `limits.farewell`, and returns. Event streams are to end by themselves on `cancel`; those that do not are cut off.
pub async fn serve(listener: TcpListener, router: Router, limits: Limits, cancel: CancellationToken) {
    let seats = Seats::new(&limits);
    let connections = TaskTracker::new();
    loop {
        let accepted = tokio::select! {
            () = cancel.cancelled() => break,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok((stream, remote)) => match seats.take(remote.ip()) {
                Some(seat) => {
                    connections.spawn(attend(
                        stream,
                        remote,
                        seat,
                        router.clone(),
                        limits.clone(),
                        cancel.clone(),
                    ));
                }
                None => turn_away(&stream, remote),
            },
            Err(error) => rest(&error, &cancel).await,
        }
    }
    drop(listener);
    connections.close();
    connections.wait().await;
}

fn turn_away(stream: &TcpStream, remote: SocketAddr) {
    tracing::debug!(%remote, "no seat for a connection");
    // The buffer of a new connection is empty, so this is taken whole; if not, closing says enough.
    let _ = stream.try_write(FULL.as_bytes());
}

/// A client that went away again is no trouble; having no file descriptors left is, and passes as others leave.
async fn rest(error: &io::Error, cancel: &CancellationToken) {
    use io::ErrorKind::ConnectionAborted;
    use io::ErrorKind::ConnectionReset;
    if matches!(error.kind(), ConnectionAborted | ConnectionReset) {
        return;
    }
    tracing::warn!(%error, "a connection cannot be taken; trying again");
    tokio::select! {
        () = cancel.cancelled() => {}
        () = tokio::time::sleep(Duration::from_millis(100)) => {}
    }
}

async fn attend(
    stream: TcpStream,
    remote: SocketAddr,
    seat: Seat,
    router: Router,
    limits: Limits,
    cancel: CancellationToken,
) {
    let Ok(local) = stream.local_addr() else { return };
    // Small answers leave at once; where that cannot be set they only come later.
    let _ = stream.set_nodelay(true);
    let peer = Peer { remote, local };
    let service = service_fn(move |mut request: hyper::Request<Incoming>| {
        request.extensions_mut().insert(peer);
        let router = router.clone();
        async move { Ok::<_, Infallible>(router.oneshot(request).await.unwrap_or_else(|never| match never {})) }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.head_wait)
        .max_headers(limits.headers)
        .max_buf_size(limits.head_bytes)
        .serve_connection(TokioIo::new(Patient::new(stream, limits.write_stall)), service);
    let mut connection = std::pin::pin!(connection);
    let ended = tokio::select! {
        ended = connection.as_mut() => ended,
        () = cancel.cancelled() => {
            connection.as_mut().graceful_shutdown();
            match tokio::time::timeout(limits.farewell, connection).await {
                Ok(ended) => ended,
                Err(_) => {
                    tracing::debug!(%remote, "a connection was cut off, since the daemon stops");
                    Ok(())
                }
            }
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%remote, %error, "a connection broke off");
    }
    drop(seat);
}
