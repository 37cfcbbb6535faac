//! A small client of the daemon: one request a connection, and the stream of events as a page reads it.

#![allow(dead_code, reason = "shared by several test programs, each using a part")]

use super::process::PATIENCE;
use super::process::Running;
use super::process::halfpanel;
use serde_json::Value;
use std::io::BufRead;
use std::io::BufReader;
use std::io::Read;
use std::io::Write;
use std::net::TcpStream;
use std::path::Path;

/// An answer.
#[derive(Debug)]
pub struct Reply {
    pub status: u16,
    pub headers: Vec<(String, String)>,
    pub body: Vec<u8>,
}

impl Reply {
    pub fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(known, _)| known == name).map(|(_, value)| value.as_str())
    }

    pub fn text(&self) -> &str {
        std::str::from_utf8(&self.body).unwrap()
    }

    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|error| panic!("{error}: {}", self.text()))
    }
}

/// A body in pieces, as HTTP/1.1 sends one whose length is not known (RFC 9112, 7.1).
struct Pieces<R> {
    reader: R,
    left: usize,
    is_first: bool,
}

impl<R: BufRead> Pieces<R> {
    fn line(&mut self) -> std::io::Result<String> {
        let mut line = String::new();
        self.reader.read_line(&mut line)?;
        Ok(line.trim_end().to_owned())
    }
}

impl<R: BufRead> Read for Pieces<R> {
    fn read(&mut self, buf: &mut [u8]) -> std::io::Result<usize> {
        if self.left == 0 {
            if !std::mem::replace(&mut self.is_first, false) {
                self.line()?;
            }
            let size = self.line()?;
            self.left = usize::from_str_radix(&size, 16).unwrap_or(0);
            if self.left == 0 {
                return Ok(0);
            }
        }
        let most = buf.len().min(self.left);
        let n = self.reader.read(&mut buf[..most])?;
        self.left -= n;
        Ok(n)
    }
}

/// Sends a request, and gives what follows the answer's head.
fn send(at: &str, head: &str, body: &[u8]) -> (u16, Vec<(String, String)>, BufReader<TcpStream>) {
    let mut stream = TcpStream::connect(at).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    // A daemon that has refused what it read need not read on.
    let _ = stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(body));
    let mut reader = BufReader::new(stream);
    let mut line = String::new();
    reader.read_line(&mut line).unwrap();
    let status = line.split(' ').nth(1).unwrap_or_else(|| panic!("no answer but `{line}`")).parse().unwrap();
    let mut headers = Vec::new();
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).unwrap();
        let Some((name, value)) = line.trim_end().split_once(':') else { break };
        headers.push((name.to_ascii_lowercase(), value.trim().to_owned()));
    }
    (status, headers, reader)
}

pub fn request(at: &str, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Reply {
    let mut head = format!("{method} {path} HTTP/1.1\r\nHost: {at}\r\nConnection: close\r\n");
    for (name, value) in headers {
        head.push_str(&format!("{name}: {value}\r\n"));
    }
    if method == "POST" {
        head.push_str(&format!("Content-Length: {}\r\n", body.len()));
    }
    head.push_str("\r\n");
    let (status, headers, mut reader) = send(at, &head, body);
    let mut reply = Reply { status, headers, body: Vec::new() };
    match reply.header("transfer-encoding") {
        Some("chunked") => {
            Pieces { reader, left: 0, is_first: true }.read_to_end(&mut reply.body).unwrap();
        }
        _ => {
            reader.read_to_end(&mut reply.body).unwrap();
        }
    }
    reply
}

/// A daemon that is running.
pub struct Daemon {
    pub running: Running,
    /// Its address, `127.0.0.1:PORT`.
    pub at: String,
}

impl Daemon {
    pub fn serve(studies: &[&Path]) -> Daemon {
        Daemon::start(halfpanel().arg("serve").args(studies).args(["--listen", "127.0.0.1:0"]))
    }

    pub fn start(command: &mut std::process::Command) -> Daemon {
        let mut running = Running::start(command);
        let line = running.line().unwrap_or_default();
        let at = line.strip_prefix("Serving at http://").and_then(|rest| rest.strip_suffix('/'));
        let at = at.unwrap_or_else(|| panic!("it says `{line}`")).to_owned();
        Daemon { running, at }
    }

    pub fn get(&self, path: &str) -> Reply {
        request(&self.at, "GET", path, &[("Accept", "application/json")], &[])
    }

    pub fn get_page(&self, path: &str) -> Reply {
        request(&self.at, "GET", path, &[("Accept", "text/html")], &[])
    }

    /// Posts JSON.
    pub fn post(&self, path: &str, body: &Value) -> Reply {
        let body = serde_json::to_vec(body).unwrap();
        request(&self.at, "POST", path, &[("Content-Type", "application/json")], &body)
    }

    /// How the study of that name stands.
    pub fn study(&self, slug: &str) -> Value {
        let health = self.get("/health").json();
        let all = health["studies"].as_array().unwrap();
        all.iter()
            .find(|study| study["slug"] == slug)
            .unwrap_or_else(|| panic!("no {slug} in {health}"))
            .clone()
    }

    /// Gives an order at the version that stands now, again until none came in between.
    pub fn order(&self, slug: &str, order: &str, mut body: Value) -> Reply {
        loop {
            body["version"] = self.study(slug)["version"].clone();
            let reply = self.post(&format!("/s/{slug}/{order}"), &body);
            if reply.status != 409 || reply.json()["code"] != "stale" {
                return reply;
            }
        }
    }

    pub fn say(&self, slug: &str, word: &str) -> Reply {
        self.order(slug, "word", serde_json::json!({ "word": word }))
    }

    /// Begins a run of all there is.
    pub fn begin(&self, slug: &str) {
        let reply = self.order(slug, "start", serde_json::json!({ "operator": "Jo" }));
        assert_eq!(reply.status, 200, "{}", reply.text());
    }

    /// What a counter of a study stands at.
    pub fn counted(&self, counter: &str, slug: &str) -> f64 {
        let name = format!("{counter}{{study=\"{slug}\"}} ");
        let text = self.get("/metrics");
        let line = text.text().lines().find_map(|line| line.strip_prefix(&name));
        line.unwrap_or_else(|| panic!("no {name} in {}", text.text())).parse().unwrap()
    }
}

/// The events of a study, as a page follows them.
pub struct Events {
    lines: std::io::Lines<BufReader<Pieces<BufReader<TcpStream>>>>,
    /// Number behind the last thing heard.
    heard_to: u64,
    /// Everything heard, in order: what it says, and its sound.
    pub heard: Vec<(String, String)>,
    /// The state that came last.
    last: Option<Value>,
}

impl Events {
    pub fn follow(daemon: &Daemon, slug: &str) -> Events {
        let head = format!(
            "GET /s/{slug}/events HTTP/1.1\r\nHost: {}\r\nAccept: text/event-stream\r\n\r\n",
            daemon.at
        );
        let (status, headers, reader) = send(&daemon.at, &head, &[]);
        assert_eq!(status, 200);
        assert!(
            headers.contains(&("content-type".to_owned(), "text/event-stream".to_owned())),
            "{headers:?}"
        );
        let pieces = Pieces { reader, left: 0, is_first: true };
        Events { lines: BufReader::new(pieces).lines(), heard_to: 0, heard: Vec::new(), last: None }
    }

    /// The next state; nothing once the stream has ended.
    pub fn next(&mut self) -> Option<Value> {
        // One comes every 15 s.
        let mut signs_of_life = 0;
        loop {
            let line = self.lines.next()?.ok()?;
            let Some(data) = line.strip_prefix("data: ") else { continue };
            let state: Value = serde_json::from_str(data).unwrap();
            if state == serde_json::json!({}) {
                // A sign of life; no state.
                signs_of_life += 1;
                assert!(signs_of_life < 4, "no state came for a minute");
                continue;
            }
            for heard in state["heard"].as_array().unwrap() {
                let n = heard["n"].as_u64().unwrap();
                if n >= self.heard_to {
                    self.heard_to = n + 1;
                    let sound = heard["sound"].as_str().unwrap_or_default();
                    self.heard.push((heard["says"].as_str().unwrap().to_owned(), sound.to_owned()));
                }
            }
            self.last = Some(state.clone());
            return Some(state);
        }
    }

    /// The first state that fits, the last one or a later one: what comes fast comes in one state.
    pub fn until(&mut self, fits: impl Fn(&Value, &[(String, String)]) -> bool) -> Value {
        if let Some(state) = self.last.as_ref().filter(|state| fits(state, &self.heard)) {
            return state.clone();
        }
        while let Some(state) = self.next() {
            if fits(&state, &self.heard) {
                return state;
            }
        }
        panic!("the stream ended; heard {:#?}", self.heard);
    }

    /// Waits until so many readings were heard to be taken.
    pub fn until_taken(&mut self, count: usize) -> Value {
        self.until(|_, heard| taken(heard) >= count)
    }

    /// Waits until the run is over and its tables are written.
    pub fn until_over(&mut self) -> Value {
        self.until(|state, _| {
            !region(state, "start").is_empty() && region(state, "tables").contains("results.csv")
        })
    }
}

/// Placements that were heard to be taken.
pub fn taken(heard: &[(String, String)]) -> usize {
    heard.iter().filter(|(_, sound)| sound == "taken").count()
}

/// The HTML of a region.
pub fn region<'s>(state: &'s Value, id: &str) -> &'s str {
    state["regions"][id].as_str().unwrap_or_else(|| panic!("no region {id}"))
}
