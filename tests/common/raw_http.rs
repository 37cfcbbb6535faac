//! HTTP as bytes over a socket, so that a test can send what no client library would; and the daemon as a
//! process of its own.

#![allow(dead_code, clippy::unwrap_used, reason = "shared by several test programs, each using a part")]

use crate::process::PATIENCE;
use crate::process::Running;
use crate::process::halfpanel;
use std::io::BufRead;
use std::io::BufReader;
use std::io::Read;
use std::io::Write;
use std::net::SocketAddr;
use std::net::TcpStream;
use std::path::Path;

/// `halfpanel serve` on loopback, at a port that was free.
pub struct Daemon {
    pub running: Running,
    pub at: SocketAddr,
}

impl Daemon {
    /// Starts it and waits until it serves.
    pub fn serve(study: &Path, more: &[&str]) -> Daemon {
        let mut command = halfpanel();
        command.arg("serve").arg(study).args(["--listen", "127.0.0.1:0"]).args(more);
        let mut running = Running::start(&mut command);
        let at = loop {
            let line = running.line().expect("it ended before it served");
            if let Some(url) = line.strip_prefix("Serving at http://") {
                break url.trim_end_matches('/').parse().unwrap();
            }
        };
        Daemon { running, at }
    }

    /// The next line of the terminal that holds `words`.
    pub fn says(&mut self, words: &str) -> String {
        loop {
            let line = self.running.line().expect("it ended before it said that");
            if line.contains(words) {
                return line;
            }
        }
    }

    /// A GET as a browser would send it, with more header lines (each ended by CRLF).
    pub fn get(&self, path: &str, headers: &str) -> Answer {
        let at = self.at;
        self.ask(&format!("GET {path} HTTP/1.1\r\nHost: {at}\r\n{headers}Connection: close\r\n\r\n"))
    }

    /// A POST from the daemon's own page.
    pub fn post(&self, path: &str, kind: &str, body: &str, headers: &str) -> Answer {
        let at = self.at;
        self.ask(&format!(
            "POST {path} HTTP/1.1\r\nHost: {at}\r\nOrigin: http://{at}\r\nContent-Type: {kind}\r\n\
             Content-Length: {}\r\n{headers}Connection: close\r\n\r\n{body}",
            body.len()
        ))
    }

    /// Sends these bytes; there has to be an answer.
    pub fn ask(&self, request: &str) -> Answer {
        exchange(self.at, request.as_bytes()).unwrap_or_else(|| panic!("no answer to {request}"))
    }

    /// The most memory that it ever had resident, KiB (Linux).
    pub fn peak_kib(&self) -> Option<u64> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.running.pid())).ok()?;
        let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
        line.trim().trim_end_matches("kB").trim().parse().ok()
    }
}

/// A connection that gives up long after any answer should have come.
pub fn connect(at: SocketAddr) -> TcpStream {
    let stream = TcpStream::connect(at).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    stream.set_write_timeout(Some(PATIENCE)).unwrap();
    stream
}

/// Sends bytes and reads to the end. `None` if nothing came back.
pub fn exchange(at: SocketAddr, request: &[u8]) -> Option<Answer> {
    let mut stream = connect(at);
    // Whoever is refused early may find the connection closed while still sending.
    let _ = stream.write_all(request);
    Answer::read(&mut stream)
}

/// An answer, whole.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    /// Lines of the head, the first one too.
    pub head: Vec<String>,
    pub body: String,
}

impl Answer {
    fn read(stream: &mut TcpStream) -> Option<Answer> {
        let mut bytes = Vec::new();
        // A reset after the answer ends it, too.
        if let Err(error) = stream.read_to_end(&mut bytes) {
            assert_ne!(error.kind(), std::io::ErrorKind::WouldBlock, "no end came in {PATIENCE:?}");
        }
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let (head, body) = text.split_once("\r\n\r\n")?;
        let head: Vec<String> = head.lines().map(str::to_owned).collect();
        let status = head.first()?.split(' ').nth(1)?.parse().ok()?;
        Some(Answer { status, head, body: body.to_owned() })
    }

    /// The value of a header.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.head
            .iter()
            .filter_map(|line| line.split_once(": "))
            .find_map(|(key, value)| key.eq_ignore_ascii_case(name).then_some(value))
    }
}

/// An event stream, read event by event.
pub struct Events(BufReader<TcpStream>);

impl Events {
    pub fn listen(at: SocketAddr, path: &str, headers: &str) -> Events {
        let mut stream = connect(at);
        write!(stream, "GET {path} HTTP/1.1\r\nHost: {at}\r\nAccept: text/event-stream\r\n{headers}\r\n")
            .unwrap();
        Events(BufReader::new(stream))
    }

    /// The data of the next event; `None` once the stream has ended.
    pub fn next(&mut self) -> Option<serde_json::Value> {
        let mut line = String::new();
        loop {
            line.clear();
            if self.0.read_line(&mut line).unwrap() == 0 {
                return None;
            }
            if let Some(data) = line.strip_prefix("data:") {
                return Some(serde_json::from_str(data.trim()).unwrap());
            }
        }
    }
}
