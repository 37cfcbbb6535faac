//! What is bounded, and by how much. `protocol-notes/security.md` lists the same figures.

use std::time::Duration;

/// Bounds on clients. The default is what the daemon uses; tests shorten the waits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Limits {
    /// Connections at a time, over all clients. One more is told so and closed.
    pub connections: usize,
    /// Of these, the ones that only this machine itself may have, so that no crowd keeps it out.
    pub connections_kept: usize,
    /// Connections at a time from one address (one /64 of IPv6) that is not loopback.
    pub connections_per_guest: usize,
    /// Bytes of a request's first line and headers together; at least 8192.
    pub head_bytes: usize,
    /// Headers of a request.
    pub headers: usize,
    /// How long a request's head may take, and how long a connection may stay without a request.
    pub head_wait: Duration,
    /// Bytes of a request's body.
    pub body_bytes: usize,
    /// How long a request's body may take, whole.
    pub body_wait: Duration,
    /// How long a client may take no byte of an answer that is being sent to it.
    pub write_stall: Duration,
    /// Bytes that the system keeps for a client that is slow to read (the system may double it).
    pub send_buffer_bytes: u32,
    /// How long an answer that is under way may take after the daemon was told to stop.
    pub farewell: Duration,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            connections: 512,
            connections_kept: 64,
            connections_per_guest: 64,
            head_bytes: 16 * 1024,
            headers: 64,
            head_wait: Duration::from_secs(10),
            body_bytes: 64 * 1024,
            body_wait: Duration::from_secs(10),
            write_stall: Duration::from_secs(20),
            send_buffer_bytes: 128 * 1024,
            farewell: Duration::from_secs(3),
        }
    }
}
