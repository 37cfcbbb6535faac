//! Broken requests, drawn from a seed: each kind is broken in its own way, and none of them may start or say
//! anything, since none carries the version that the bench stands at.

use crate::raw_http::connect;
use rand::RngExt;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use std::io::BufRead;
use std::io::BufReader;
use std::io::ErrorKind;
use std::io::Write;
use std::net::Shutdown;
use std::net::SocketAddr;
use std::ops::Range;

/// Kinds that may be no whole request: their sender goes away, or the daemon would rightly wait for the rest.
const LEAVES: Range<usize> = 0..6;

/// One sender of them.
pub struct Bad {
    random: ChaCha8Rng,
    at: SocketAddr,
    bench: String,
}

impl Bad {
    pub fn new(seed: u64, at: SocketAddr, bench: &str) -> Bad {
        Bad { random: ChaCha8Rng::seed_from_u64(seed), at, bench: bench.to_owned() }
    }

    /// Sends the next one; the status of its answer, 0 where the daemon closed without one.
    pub fn send(&mut self) -> u16 {
        let kind = self.below(14);
        let request = self.draw(kind);
        let mut stream = connect(self.at);
        // Whoever is refused early may find the connection closed while still sending.
        let _ = stream.write_all(&request);
        if LEAVES.contains(&kind) {
            let _ = stream.shutdown(Shutdown::Write);
        }
        let mut line = Vec::new();
        // A reset is an end, too; only waiting in vain is not.
        if let Err(error) = BufReader::new(stream).read_until(b'\n', &mut line) {
            assert_ne!(
                error.kind(),
                ErrorKind::WouldBlock,
                "neither answer nor end: {}",
                request.escape_ascii()
            );
        }
        let line = String::from_utf8_lossy(&line).into_owned();
        line.split(' ').nth(1).map_or(0, |status| status.parse().unwrap())
    }

    fn draw(&mut self, kind: usize) -> Vec<u8> {
        match kind {
            0 => self.bytes(2000),
            1 => self.get(&self.bench.clone()).into_bytes().into_iter().rev().collect(),
            2 => self.flipped(),
            3 => self.wrong_length(),
            4 => self.wrong_chunks(),
            5 => self.cut_off(),
            6 => {
                let path = self.path();
                self.get(&path).into_bytes()
            }
            7 => self.get("/").replace("Host: ", "Host: x").into_bytes(),
            8 => self.method(),
            9 => self.many_headers(),
            10 => self.post("word", "application/x-www-form-urlencoded", false),
            11 => self.post("start", "application/json", false),
            12 => self.post("stop", "text/plain", true),
            _ => self.post("take-up", "application/json", true),
        }
    }

    fn below(&mut self, bound: usize) -> usize {
        self.random.random_range(0..bound)
    }

    fn one_of<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len())]
    }

    fn bytes(&mut self, most: usize) -> Vec<u8> {
        (0..self.below(most) + 1).map(|_| self.random.random()).collect()
    }

    fn get(&self, path: &str) -> String {
        format!("GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n", self.at)
    }

    /// A path of pieces that mean something somewhere.
    fn path(&mut self) -> String {
        let pieces = [
            "/",
            "..",
            "%2e",
            "%",
            "%00",
            "%ff",
            "//",
            "\\",
            "s",
            "tables",
            "recordings",
            "runs",
            "assets",
            "?",
            "&",
            "=",
            "#",
            ";",
            ":",
            "@",
            "results.csv",
            "events",
            "pair",
            "%252e",
            "'",
            "<script>",
            "*",
            "ä",
            "{",
            "1",
        ];
        let mut path = if self.below(2) == 0 { "/".to_owned() } else { self.bench.clone() };
        for _ in 0..self.below(8) {
            path.push_str(self.one_of(&pieces));
        }
        path
    }

    /// A good request with a few bytes changed.
    fn flipped(&mut self) -> Vec<u8> {
        let mut request = self.get(&self.bench.clone()).into_bytes();
        for _ in 0..self.below(4) + 1 {
            let place = self.below(request.len());
            request[place] = self.random.random();
        }
        // Without an end the daemon would rightly wait for one.
        request.extend_from_slice(b"\r\n\r\n");
        request
    }

    fn method(&mut self) -> Vec<u8> {
        let methods =
            ["PUT", "DELETE", "OPTIONS", "TRACE", "CONNECT", "PATCH", "get", "PRI", "X-Y", "GET\tGET"];
        let method = self.one_of(&methods);
        self.get("/").replacen("GET", method, 1).into_bytes()
    }

    fn many_headers(&mut self) -> Vec<u8> {
        let count = self.below(200);
        let value = "x".repeat(self.below(400));
        let headers = format!("X-Piece: {value}\r\n").repeat(count);
        self.get("/health").replace("Connection", &format!("{headers}Connection")).into_bytes()
    }

    fn wrong_length(&mut self) -> Vec<u8> {
        let lengths =
            ["-1", "x", "70000", "18446744073709551616", "1, 2", "", "0x10", "+5", "1\r\nContent-Length: 2"];
        let length = self.one_of(&lengths);
        let head = format!(
            "POST {}word HTTP/1.1\r\nHost: {}\r\nContent-Length: {length}\r\n\r\n",
            self.bench, self.at
        );
        let mut request = head.into_bytes();
        request.extend(self.bytes(200));
        request
    }

    fn wrong_chunks(&mut self) -> Vec<u8> {
        let chunks = [
            "zz\r\n",
            "-1\r\n",
            "fffffffffffffffff\r\n",
            "5\r\nhello!!\r\n",
            "1;x=\r\n",
            "0\r\nX: \0\r\n\r\n",
        ];
        let chunk = self.one_of(&chunks);
        let also = self.one_of(&["", "Content-Length: 5\r\n", "Transfer-Encoding: gzip\r\n"]);
        let (bench, at) = (&self.bench, self.at);
        // What breaks the chunks is followed by a request that must never be taken for one.
        format!(
            "POST {bench}word HTTP/1.1\r\nHost: {at}\r\n{also}Transfer-Encoding: chunked\r\n\r\n{chunk}\
             POST {bench}stop HTTP/1.1\r\nHost: {at}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
        )
        .into_bytes()
    }

    /// A request that stops in the middle: its sender goes away.
    fn cut_off(&mut self) -> Vec<u8> {
        let mut request = self.post("word", "application/json", false);
        let keep = self.below(request.len());
        request.truncate(keep);
        request
    }

    fn post(&mut self, order: &str, kind: &str, foreign: bool) -> Vec<u8> {
        let body = if kind.contains("json") { self.json(3) } else { self.form() };
        let origin =
            if foreign { "http://elsewhere.example".to_owned() } else { format!("http://{}", self.at) };
        let accept = self.one_of(&["*/*", "text/html", "\u{7f}", ""]);
        let head = format!(
            "POST {}{order} HTTP/1.1\r\nHost: {}\r\nOrigin: {origin}\r\nAccept: {accept}\r\nContent-Type: {kind}\r\n\
             Content-Length: {}\r\nConnection: close\r\n\r\n",
            self.bench,
            self.at,
            body.len()
        );
        [head.into_bytes(), body].concat()
    }

    fn form(&mut self) -> Vec<u8> {
        let mut body = Vec::new();
        for _ in 0..self.below(6) {
            let piece = self.one_of(&[
                "version=1",
                "word=undo",
                "&",
                "=",
                "%",
                "%zz",
                "word=",
                "version=-1",
                "word=%00",
                "+",
            ]);
            body.extend_from_slice(piece.as_bytes());
            body.extend(self.bytes(4));
        }
        body
    }

    /// JSON that no order has, at times cut or with a byte changed.
    fn json(&mut self, depth: usize) -> Vec<u8> {
        let scalars =
            ["1", "-1", "1e999", "\"undo\"", "null", "true", "\"\\ud800\"", "18446744073709551616", "\"\""];
        let mut text = self.one_of(&scalars).to_owned();
        for _ in 0..self.below(depth + 1) {
            let key = self.one_of(&["version", "word", "panel", "stage", "temperature_c", "x"]);
            text = match self.below(3) {
                0 => format!("[{text},{text}]"),
                1 => format!("{{\"{key}\":{text}}}"),
                _ => format!("{{\"version\":1,\"{key}\":{text}}}"),
            };
        }
        if self.below(8) == 0 {
            text = "[".repeat(20_000);
        }
        let mut bytes = text.into_bytes();
        if self.below(3) == 0 {
            let place = self.below(bytes.len());
            bytes[place] = self.random.random();
        }
        bytes
    }
}
