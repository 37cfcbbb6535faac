//! A real browser, driven through WebDriver, and the accessibility checker that runs inside it.

#![allow(dead_code, clippy::unwrap_used, reason = "shared by several test programs, each using a part")]

use axum::http::Method;
use fantoccini::Client;
use fantoccini::ClientBuilder;
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::Value;
use serde_json::json;
use std::io::BufRead;
use std::io::BufReader;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::path::PathBuf;
use std::process::Child;
use std::process::Command;
use std::process::Stdio;
use std::time::Duration;
use url::ParseError;
use url::Url;

/// Far more than any page takes; only a test that has failed waits so long.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// A window of a headless browser, and the process that drives it.
pub struct Browser {
    pub client: Client,
    driver: Child,
    _profile: tempfile::TempDir,
}

/// How the window is opened.
#[derive(Clone, Copy, Debug)]
pub struct Window {
    pub width: u32,
    pub height: u32,
    pub is_dark: bool,
}

/// A tablet on its stand.
pub const TABLET: Window = Window { width: 1180, height: 820, is_dark: false };
/// A phone.
pub const PHONE: Window = Window { width: 360, height: 740, is_dark: true };

impl Browser {
    /// A new window; nothing, said aloud, where there is no browser. A machine that is told to have one
    /// (`HALFPANEL_BROWSER=1`, as in CI) fails in its place.
    pub async fn open(window: Window) -> Option<Browser> {
        let profile = tempfile::tempdir().unwrap();
        let started = Command::new("chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            // A group of its own: the browser must not outlive a test that fails.
            .process_group(0)
            .spawn();
        let mut driver = match started {
            Ok(driver) => driver,
            Err(why) => {
                let must = std::env::var("HALFPANEL_BROWSER").is_ok_and(|v| !v.is_empty());
                assert!(!must, "no chromedriver: {why}");
                eprintln!("SKIPPED: no chromedriver here ({why}), so nothing was tried in a browser");
                return None;
            }
        };
        let port = port(&mut driver);
        let flags = [
            "--headless=new".to_owned(),
            "--no-sandbox".to_owned(),
            "--disable-gpu".to_owned(),
            "--disable-quic".to_owned(),
            "--disable-dev-shm-usage".to_owned(),
            "--no-first-run".to_owned(),
            "--disable-background-networking".to_owned(),
            "--disable-component-update".to_owned(),
            "--disable-sync".to_owned(),
            "--hide-scrollbars".to_owned(),
            "--autoplay-policy=no-user-gesture-required".to_owned(),
            format!("--window-size={},{}", window.width.max(500), window.height),
            format!("--user-data-dir={}", profile.path().display()),
        ];
        let wanted = json!({
            "browserName": "chrome",
            "goog:chromeOptions": { "args": flags },
            "goog:loggingPrefs": { "browser": "ALL" },
            // The driver must not lose patience before a test does, which knows what to say of it.
            "timeouts": { "script": 4 * PATIENCE.as_millis() as u64 },
        });
        let Value::Object(wanted) = wanted else { unreachable!("it is written as an object") };
        let client = ClientBuilder::new(HttpConnector::new())
            .capabilities(wanted)
            .connect(&format!("http://127.0.0.1:{port}"))
            .await
            .expect("the browser starts");
        let browser = Browser { client, driver, _profile: profile };
        browser.set_size(window.width, window.height, false).await;
        let scheme = if window.is_dark { "dark" } else { "light" };
        browser.set_scheme(scheme).await;
        Some(browser)
    }

    /// Gives the page this size, down to a phone's, which no real window could have.
    pub async fn set_size(&self, width: u32, height: u32, whole_page: bool) {
        let height = if whole_page {
            let full = self.script("return document.documentElement.scrollHeight").await.as_u64().unwrap();
            u32::try_from(full).unwrap().max(height)
        } else {
            height
        };
        self.devtools(
            "Emulation.setDeviceMetricsOverride",
            json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false }),
        )
        .await;
    }

    /// Has the page see a person who wants it `light` or `dark`.
    pub async fn set_scheme(&self, scheme: &str) {
        let features = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
        self.devtools("Emulation.setEmulatedMedia", json!({ "features": features })).await;
    }

    /// Presses a key of the keyboard, wherever the focus is: `Tab`, `Enter`, `Escape`, or a character.
    pub async fn key(&self, key: &str) {
        let (text, code) = match key {
            "Tab" => ("", 9),
            "Enter" => ("\r", 13),
            "Escape" => ("", 27),
            letter => (letter, u32::from(letter.to_ascii_uppercase().as_bytes()[0])),
        };
        for kind in [if text.is_empty() { "rawKeyDown" } else { "keyDown" }, "keyUp"] {
            let text = if kind == "keyDown" { text } else { "" };
            let event = json!({ "type": kind, "key": key, "text": text, "windowsVirtualKeyCode": code });
            self.devtools("Input.dispatchKeyEvent", event).await;
        }
    }

    /// Types a text, wherever the focus is.
    pub async fn type_text(&self, text: &str) {
        self.devtools("Input.insertText", json!({ "text": text })).await;
    }

    /// A command of the browser's own protocol.
    pub async fn devtools(&self, command: &str, parameters: Value) -> Value {
        let body = json!({ "cmd": command, "params": parameters });
        self.client.issue_cmd(Devtools(body)).await.expect("the browser follows")
    }

    pub async fn goto(&self, url: &str) {
        self.client.goto(url).await.expect("the page opens");
    }

    /// What a script gives back.
    pub async fn script(&self, script: &str) -> Value {
        self.client.execute(script, Vec::new()).await.expect("the script runs")
    }

    /// Waits until a script gives something true, looking again whenever the page changes.
    pub async fn until(&self, what: &str, condition: &str) {
        let script = format!(
            "const done = arguments[arguments.length - 1];
             const holds = () => {{ try {{ return Boolean({condition}); }} catch (e) {{ return false; }} }};
             if (holds()) {{ done(true); return; }}
             const seen = new MutationObserver(() => {{ if (holds()) {{ end(true); }} }});
             const end = (value) => {{ seen.disconnect(); clearTimeout(timer); done(value); }};
             const timer = setTimeout(() => end(holds()), {});
             seen.observe(document, {{ subtree: true, childList: true, attributes: true, characterData: true }});",
            PATIENCE.as_millis()
        );
        let held = self.client.execute_async(&script, Vec::new()).await.expect("the script runs");
        if held != Value::Bool(true) {
            let text = self.script("return document.body.innerText").await;
            panic!(
                "{what}: `{condition}` did not come true; the page says:\n{}",
                text.as_str().unwrap_or("")
            );
        }
    }

    /// A picture of the whole page, kept below `target/screenshots/` for whoever built it to look at.
    pub async fn picture(&self, name: &str, width: u32) {
        // How high the page is shows once it is so wide.
        self.set_size(width, 800, false).await;
        self.set_size(width, 800, true).await;
        self.window_picture(name).await;
    }

    /// A picture of what the window shows now.
    pub async fn window_picture(&self, name: &str) {
        let png = self.client.screenshot().await.expect("a picture");
        let file = screenshots().join(format!("{name}.png"));
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        std::fs::write(file, png).unwrap();
    }

    /// What the browser itself complained of since the last look: script errors, refused content, missing files.
    pub async fn complaints(&self) -> Vec<String> {
        let log = self.client.issue_cmd(BrowserLog).await.expect("the log");
        let entries = log.as_array().cloned().unwrap_or_default();
        let message = |entry: Value| entry["message"].as_str().unwrap_or("").to_owned();
        entries.into_iter().filter(|e| e["level"] == "SEVERE").map(message).collect()
    }

    /// What axe-core finds serious or critical on the page; nothing, said aloud, where it is not there.
    pub async fn barriers(&self) -> Vec<String> {
        let Some(axe) = axe() else { return Vec::new() };
        // The page's own policy forbids foreign scripts; the driver's are not the page's.
        self.script(&axe).await;
        let found = self
            .client
            .execute_async(
                "const done = arguments[arguments.length - 1];
                 // A page from the disk may not fetch its own style sheet by script.
                 axe.run(document, { resultTypes: ['violations'], preload: location.protocol !== 'file:' }).then((r) => done(r.violations), (e) => done(String(e)));",
                Vec::new(),
            )
            .await
            .expect("axe runs");
        let violations = found.as_array().unwrap_or_else(|| panic!("axe: {found}"));
        let serious = |v: &&Value| matches!(v["impact"].as_str(), Some("serious" | "critical"));
        violations
            .iter()
            .filter(serious)
            .map(|v| format!("{}: {} ({})", v["id"], v["help"], v["nodes"][0]["html"]))
            .collect()
    }

    /// Whether the page is wider than its window.
    pub async fn scrolls_sideways(&self) -> bool {
        let script = "return document.documentElement.scrollWidth > document.documentElement.clientWidth";
        self.script(script).await == Value::Bool(true)
    }

    pub async fn close(self) {
        let _ = self.client.clone().close().await;
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        if let Some(group) = rustix::process::Pid::from_raw(i32::try_from(self.driver.id()).unwrap()) {
            let _ = rustix::process::kill_process_group(group, rustix::process::Signal::KILL);
        }
        let _ = self.driver.wait();
    }
}

/// Where pictures are kept.
pub fn screenshots() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("target/screenshots")
}

/// The port that the driver took.
fn port(driver: &mut Child) -> u16 {
    let mut lines = BufReader::new(driver.stdout.take().unwrap()).lines();
    let said = lines.find_map(|line| {
        let line = line.ok()?;
        // The first line only repeats what was asked for.
        line.split("successfully on port ").nth(1)?.trim_end_matches('.').trim().parse().ok()
    });
    // The driver must not stop at a full pipe.
    std::thread::spawn(move || lines.for_each(drop));
    said.expect("the driver says its port")
}

fn axe() -> Option<String> {
    let named = std::env::var("HALFPANEL_AXE").ok().filter(|path| !path.is_empty());
    let Some(path) = named else {
        eprintln!("SKIPPED: HALFPANEL_AXE names no axe.min.js, so accessibility was not checked");
        return None;
    };
    Some(std::fs::read_to_string(path).unwrap())
}

#[derive(Debug)]
struct Devtools(Value);

impl fantoccini::wd::WebDriverCompatibleCommand for Devtools {
    fn endpoint(&self, base: &Url, session: Option<&str>) -> Result<Url, ParseError> {
        base.join(&format!("session/{}/goog/cdp/execute", session.unwrap_or("")))
    }

    fn method_and_body(&self, _: &Url) -> (Method, Option<String>) {
        (Method::POST, Some(self.0.to_string()))
    }
}

#[derive(Debug)]
struct BrowserLog;

impl fantoccini::wd::WebDriverCompatibleCommand for BrowserLog {
    fn endpoint(&self, base: &Url, session: Option<&str>) -> Result<Url, ParseError> {
        base.join(&format!("session/{}/se/log", session.unwrap_or("")))
    }

    fn method_and_body(&self, _: &Url) -> (Method, Option<String>) {
        (Method::POST, Some(json!({ "type": "browser" }).to_string()))
    }
}
