//! A connection whose client has to go on reading, and which closes so that the last answer arrives.

use std::io;
use std::pin::Pin;
use std::task::Context;
use std::task::Poll;
use std::time::Duration;

use tokio::io::AsyncRead;
use tokio::io::AsyncWrite;
use tokio::io::ReadBuf;
use tokio::time::Sleep;
use tokio::time::sleep;

/// How long a closing connection goes on taking what its client still sends. Closing over unread bytes resets the
/// connection, and the client may then never see why it was turned away (RFC 9112, 9.6).
const LINGER: Duration = Duration::from_secs(1);

/// Wraps a connection: a write that makes no progress for `stall` fails.
#[derive(Debug)]
pub struct Patient<S> {
    inner: S,
    stall: Duration,
    stalled: Option<Pin<Box<Sleep>>>,
    lingering: Option<Pin<Box<Sleep>>>,
}

impl<S> Patient<S> {
    /// `inner`, given up once it took no byte for `stall`.
    pub fn new(inner: S, stall: Duration) -> Patient<S> {
        Patient { inner, stall, stalled: None, lingering: None }
    }

    fn watch<T>(&mut self, cx: &mut Context<'_>, polled: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if polled.is_ready() {
            self.stalled = None;
            return polled;
        }
        let stall = self.stall;
        let timer = self.stalled.get_or_insert_with(|| Box::pin(sleep(stall)));
        timer.as_mut().poll(cx).map(|()| {
            Err(io::Error::new(io::ErrorKind::TimedOut, "the client does not read what is sent to it"))
        })
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Patient<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_read(cx, buf)
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> AsyncWrite for Patient<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.inner).poll_write(cx, buf);
        self.watch(cx, polled)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let polled = Pin::new(&mut self.inner).poll_write_vectored(cx, bufs);
        self.watch(cx, polled)
    }

    fn is_write_vectored(&self) -> bool {
        self.inner.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        // A flush with nothing to flush must not forgive a stalled write.
        Pin::new(&mut self.inner).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        if self.lingering.is_none() {
            match Pin::new(&mut self.inner).poll_shutdown(cx) {
                Poll::Ready(Ok(())) => self.lingering = Some(Box::pin(sleep(LINGER))),
                other => return other,
            }
        }
        let over = self.lingering.as_mut().is_none_or(|timer| timer.as_mut().poll(cx).is_ready());
        if over {
            return Poll::Ready(Ok(()));
        }
        let mut bytes = [0; 4096];
        for _ in 0..16 {
            let mut buf = ReadBuf::new(&mut bytes);
            match Pin::new(&mut self.inner).poll_read(cx, &mut buf) {
                Poll::Ready(Ok(())) if !buf.filled().is_empty() => {}
                Poll::Ready(_) => return Poll::Ready(Ok(())),
                Poll::Pending => return Poll::Pending,
            }
        }
        // A flood does not keep the others waiting.
        cx.waker().wake_by_ref();
        Poll::Pending
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::AsyncReadExt;
    use tokio::io::AsyncWriteExt;

    use super::*;

    const STALL: Duration = Duration::from_millis(400);

    fn run<F: Future>(inner: F) -> F::Output {
        tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap().block_on(inner)
    }

    #[test]
    fn a_client_that_never_reads_is_given_up_and_a_slow_one_is_not() {
        run(async {
            let (near, mut far) = tokio::io::duplex(8);
            let mut near = Patient::new(near, STALL);
            // Taking 24 bytes takes twice as long as a stall may, but no byte does.
            let reader = async {
                let mut byte = [0; 1];
                for _ in 0..24 {
                    sleep(STALL / 12).await;
                    far.read_exact(&mut byte).await.unwrap();
                }
                far
            };
            let written = async { near.write_all(&[1; 32]).await.map(|()| near) };
            let (written, far) = tokio::join!(written, reader);
            let stuck = written.unwrap().write_all(&[1; 32]).await.unwrap_err();
            assert_eq!(stuck.kind(), io::ErrorKind::TimedOut);
            drop(far);
        });
    }

    #[test]
    fn closing_takes_what_the_client_still_sends() {
        run(async {
            let (near, mut far) = tokio::io::duplex(8);
            let mut near = Patient::new(near, STALL);
            let sent = async {
                far.write_all(&[1; 1000]).await.unwrap();
                drop(far);
            };
            let (closed, ()) = tokio::join!(near.shutdown(), sent);
            closed.unwrap();
        });
    }

    #[test]
    fn closing_does_not_wait_for_a_client_that_stays() {
        run(async {
            let (near, far) = tokio::io::duplex(8);
            let mut near = Patient::new(near, STALL);
            tokio::time::timeout(10 * LINGER, near.shutdown()).await.unwrap().unwrap();
            drop(far);
        });
    }
}
