//! The program as a real process, and the meter's end of a real pseudo-terminal.

#![allow(dead_code, clippy::unwrap_used, reason = "shared by several test programs, each using a part")]

use halfpanel::session::pty::PtyHost;
use serde_json::Value;
use std::ffi::OsStr;
use std::io::BufRead;
use std::io::BufReader;
use std::io::Read;
use std::io::Write;
use std::path::Path;
use std::path::PathBuf;
use std::process::Child;
use std::process::ChildStdin;
use std::process::Command;
use std::process::ExitStatus;
use std::process::Stdio;
use std::sync::mpsc;
use std::thread::JoinHandle;
use std::time::Duration;

/// Far more than any of this takes; only a test that has failed waits so long.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// The program.
pub fn halfpanel() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_halfpanel"));
    command.env_remove("HALFPANEL_LOG").env_remove("NO_COLOR");
    command
}

/// Runs the program to its end, its standard input closed.
pub fn output<S: AsRef<OsStr>>(arguments: impl IntoIterator<Item = S>) -> Output {
    let mut command = halfpanel();
    let output = command.args(arguments).stdin(Stdio::null()).output().unwrap();
    Output {
        code: output.status.code(),
        stdout: String::from_utf8(output.stdout).unwrap(),
        stderr: String::from_utf8(output.stderr).unwrap(),
    }
}

/// What a command left.
#[derive(Debug)]
pub struct Output {
    /// Exit code; absent if a signal ended it.
    pub code: Option<i32>,
    pub stdout: String,
    pub stderr: String,
}

/// A program that is running, with its lines as they come.
pub struct Running {
    child: Child,
    stdin: Option<ChildStdin>,
    lines: mpsc::Receiver<String>,
    errors: Option<JoinHandle<String>>,
}

impl Running {
    /// Starts a command; its standard input stays open until [`close_stdin`](Self::close_stdin).
    pub fn start(command: &mut Command) -> Running {
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let stdin = child.stdin.take();
        let (stdout, mut stderr) = (child.stdout.take().unwrap(), child.stderr.take().unwrap());
        let (send, lines) = mpsc::channel();
        std::thread::spawn(move || {
            for line in BufReader::new(stdout).lines().map_while(Result::ok) {
                if send.send(line).is_err() {
                    return;
                }
            }
        });
        let errors = std::thread::spawn(move || {
            let mut text = Vec::new();
            let _ = stderr.read_to_end(&mut text);
            String::from_utf8_lossy(&text).into_owned()
        });
        Running { child, stdin, lines, errors: Some(errors) }
    }

    /// `halfpanel run STUDY --json`, with a port if one is given.
    pub fn run(study: &Path, port: Option<&Path>) -> Running {
        let mut command = halfpanel();
        command.arg("run").arg(study).arg("--json");
        if let Some(port) = port {
            command.arg("--port").arg(port);
        }
        Running::start(&mut command)
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// The next line; `None` once standard output is closed.
    pub fn line(&mut self) -> Option<String> {
        match self.lines.recv_timeout(PATIENCE) {
            Ok(line) => Some(line),
            Err(mpsc::RecvTimeoutError::Disconnected) => None,
            Err(mpsc::RecvTimeoutError::Timeout) => panic!("nothing came for {PATIENCE:?}"),
        }
    }

    /// The next line within that time, if one comes.
    pub fn line_within(&mut self, patience: Duration) -> Option<String> {
        self.lines.recv_timeout(patience).ok()
    }

    /// The next event; `None` once standard output is closed. What a kill left of a line is no event.
    pub fn event(&mut self) -> Option<Value> {
        let line = self.line()?;
        match serde_json::from_str(&line) {
            Ok(event) => Some(event),
            Err(error) if self.lines.try_recv() == Err(mpsc::TryRecvError::Disconnected) => {
                assert!(error.is_eof(), "not JSON: {line}");
                None
            }
            Err(error) => panic!("not JSON ({error}): {line}"),
        }
    }

    /// The first event that fits; the process must not end before it.
    pub fn until(&mut self, fits: impl Fn(&Value) -> bool) -> Value {
        while let Some(event) = self.event() {
            if fits(&event) {
                return event;
            }
        }
        let _ = self.child.wait();
        panic!("it ended first, saying: {}", self.errors.take().unwrap().join().unwrap());
    }

    /// Says something on its standard input.
    pub fn say(&mut self, line: &str) {
        // A process that has just been killed does not listen any more.
        let _ = writeln!(self.stdin.as_mut().unwrap(), "{line}");
    }

    pub fn close_stdin(&mut self) {
        self.stdin = None;
    }

    pub fn signal(&self, signal: rustix::process::Signal) {
        send_signal(self.pid(), signal);
    }

    /// Waits for its end, whatever it still says.
    pub fn end(mut self) -> (ExitStatus, Vec<String>, String) {
        self.stdin = None;
        let mut rest = Vec::new();
        while let Some(line) = self.line() {
            rest.push(line);
        }
        let errors = self.errors.take().unwrap().join().unwrap();
        (self.child.wait().unwrap(), rest, errors)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // Nothing happens to one that has ended.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Sends a signal to a child that has not been waited for.
pub fn send_signal(pid: u32, signal: rustix::process::Signal) {
    let pid = rustix::process::Pid::from_raw(pid.cast_signed()).unwrap();
    let _ = rustix::process::kill_process(pid, signal);
}

/// A pseudo-terminal that stays plugged in, whoever opens and leaves the other end.
pub struct Line {
    meter: std::fs::File,
    path: PathBuf,
}

impl Line {
    pub fn open() -> Line {
        use rustix::pty::OpenptFlags;
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let fd = rustix::pty::openpt(flags).unwrap();
        rustix::pty::grantpt(&fd).unwrap();
        rustix::pty::unlockpt(&fd).unwrap();
        let mut settings = rustix::termios::tcgetattr(&fd).unwrap();
        settings.make_raw();
        rustix::termios::tcsetattr(&fd, rustix::termios::OptionalActions::Now, &settings).unwrap();
        let name = rustix::pty::ptsname(&fd, Vec::new()).unwrap();
        Line { meter: fd.into(), path: name.into_string().unwrap().into() }
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The meter's end.
    pub fn meter(&self) -> std::fs::File {
        self.meter.try_clone().unwrap()
    }

    /// Everything that was written to the other end, once nobody has it open any more.
    pub fn hear_all(&self) -> String {
        let mut heard = Vec::new();
        // The end of it is an error on Linux; what came before is read all the same.
        let _ = (&self.meter).read_to_end(&mut heard);
        String::from_utf8(heard).unwrap()
    }

    /// The next bytes that are written to the other end, that many; waits for them.
    pub fn hear(&self, count: usize) -> String {
        let mut meter = self.meter.try_clone().unwrap();
        let (send, heard) = mpsc::channel();
        std::thread::spawn(move || {
            let mut heard = vec![0; count];
            let read = meter.read_exact(&mut heard).map(|()| heard);
            let _ = send.send(read);
        });
        let heard = heard.recv_timeout(PATIENCE).expect("nothing was sent to the meter").unwrap();
        String::from_utf8(heard).unwrap()
    }

    /// Sends bytes, whether or not anybody reads them.
    pub fn send(&self, bytes: &[u8]) {
        match (&self.meter).write_all(bytes) {
            Err(e) if e.raw_os_error() == Some(rustix::io::Errno::IO.raw_os_error()) => {}
            other => other.unwrap(),
        }
    }
}

/// A meter that can be unplugged and come back under its name.
pub struct Meter {
    runtime: tokio::runtime::Runtime,
    host: PtyHost,
}

impl Meter {
    pub fn linked(path: &Path) -> Meter {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let host = runtime.block_on(async {
            let mut host = PtyHost::open().unwrap();
            host.link_at(path).unwrap();
            host
        });
        Meter { runtime, host }
    }

    /// Sends bytes to whoever has the other end open; waits for somebody.
    pub fn send(&mut self, bytes: &[u8]) {
        self.runtime.block_on(async {
            tokio::time::timeout(PATIENCE, self.host.write_all(bytes)).await.expect("nobody reads").unwrap();
        });
    }

    /// Sends bytes; they are lost where nobody opens the other end within a second.
    pub fn send_to_whoever_is_there(&mut self, bytes: &[u8]) {
        self.runtime.block_on(async {
            let sent = tokio::time::timeout(Duration::from_secs(1), self.host.write_all(bytes)).await;
            sent.unwrap_or(Ok(())).unwrap();
        });
    }

    pub fn unplug(&mut self) {
        let _inside = self.runtime.enter();
        self.host.unplug();
    }

    pub fn plug_in(&mut self) {
        let _inside = self.runtime.enter();
        self.host.plug_in().unwrap();
    }

    pub fn replug(&mut self) {
        let _inside = self.runtime.enter();
        self.host.replug().unwrap();
    }
}

/// What a person at the bench does: put the meter where the run wants it, once its line is up, and press
/// again when a press gave nothing.
#[derive(Default)]
pub struct Hand {
    up: bool,
    want: Option<Value>,
    pressed: bool,
}

impl Hand {
    pub fn hear(&mut self, event: &Value) {
        match event["event"].as_str().unwrap() {
            "next" => {
                self.want = Some(event.clone());
                self.pressed = false;
            }
            // A line that came twice was taken the first time; one that was cut off waits for the line.
            "refused" if event["why"] != "sequence-repeated" && event["why"] != "cut-off" => {
                self.pressed = false;
            }
            "link" => {
                self.up = event["up"].as_bool().unwrap();
                self.pressed = false;
            }
            _ => {}
        }
    }

    /// What to read now: told once for each press.
    pub fn press(&mut self) -> Option<Value> {
        let want = self.want.as_ref().filter(|w| w["do"].as_str().unwrap().starts_with("read-"))?;
        if !self.up || self.pressed {
            return None;
        }
        self.pressed = true;
        Some(want.clone())
    }
}

/// Follows a run until its standard output closes, answering each wish with the line that `meter` gives.
/// Returns all events.
pub fn follow(
    run: &mut Running,
    mut send: impl FnMut(&[u8]),
    mut meter: impl FnMut(&Value) -> Vec<u8>,
) -> Vec<Value> {
    let mut hand = Hand::default();
    let mut events = Vec::new();
    while let Some(event) = run.event() {
        hand.hear(&event);
        events.push(event);
        if let Some(want) = hand.press() {
            send(&meter(&want));
        }
    }
    events
}

/// Rows of a table, as column and text.
pub fn rows(path: &Path) -> Vec<std::collections::BTreeMap<String, String>> {
    csv::Reader::from_path(path).unwrap().deserialize().map(Result::unwrap).collect()
}

/// The recordings of a study, in order.
pub fn recordings(study: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(study.join("recordings")) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = entries.map(|e| e.unwrap().path()).collect();
    paths.retain(|path| path.extension().is_some_and(|e| e == "rec"));
    paths.sort();
    paths
}

/// Two zones a side, read by a meter that sends angle, tab and value.
pub const STUDY: &str = r#"
name = "Sealers on gelcoat"
[meter]
port = "sim:meter.toml"
profile = "tab-60"
[tile]
name = "Black glass tile 1"
[[tile.value]]
geometry_deg = 60
assigned_gu = 92.4
[procedure]
tile_readings = 2
[[panel]]
id = "P1"
width_mm = 300
height_mm = 200
control = ["C1", "C2"]
[[panel.row]]
names = ["C1", "C2", "A1", "A2"]
y_mm = 20
height_mm = 60
[[treatment]]
code = "T1"
name = "Harbour Sealer No. 4"
[[patch]]
treatment = "T1"
panel = "P1"
zones = ["A1", "A2"]
"#;

/// Its surfaces under the simulated meter.
pub const SURFACES: &str = r#"[tile]
truth_gu = { 60 = 92.4 }
[[zone]]
panel = "P1"
zone = "C1"
truth_gu = { 60 = 71.2 }
[[zone]]
panel = "P1"
zone = "C2"
truth_gu = { 60 = 70.6 }
[[zone]]
panel = "P1"
zone = "A1"
truth_gu = { 60 = 78.9 }
[[zone]]
panel = "P1"
zone = "A2"
truth_gu = { 60 = 78.1 }
"#;
