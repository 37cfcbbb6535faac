//! A person at the bench who goes by nothing but the page in a real browser, the daemon behind it, and a meter on a
//! pseudo-terminal that the person presses.

#![allow(dead_code, clippy::unwrap_used, reason = "shared by several programs, each using a part")]

use super::browser::Browser;
use super::process::Meter;
use super::process::Running;
use super::process::halfpanel;
use serde_json::Value;
use serde_json::json;
use std::fs;
use std::path::Path;
use std::path::PathBuf;
use std::sync::mpsc;
use std::thread::JoinHandle;
use tempfile::TempDir;

/// Two sealers and a control, four zones each.
const STUDY: &str = r#"
name = "Sealers on gelcoat, spring"
operator = "Jo"
[meter]
port = "PORT"
profile = "tab-60"
[tile]
name = "Black glass tile 1"
[[tile.value]]
geometry_deg = 60
assigned_gu = 92.4
expanded_uncertainty_gu = 0.6
[procedure]
tile_readings = 2
[[panel]]
id = "P1"
width_mm = 420
height_mm = 297
substrate = "white gelcoat"
control = ["C1", "C2", "C3", "C4"]
[[panel.row]]
names = ["C1", "C2", "C3", "C4"]
y_mm = 20
height_mm = 70
[[panel.row]]
names = ["A1", "A2", "A3", "A4"]
y_mm = 112
height_mm = 70
[[panel.row]]
names = ["B1", "B2", "B3", "B4"]
y_mm = 204
height_mm = 70
[[treatment]]
code = "T1"
name = "Harbour Sealer No. 4"
[[treatment]]
code = "T2"
name = "Slipway Wax"
[[patch]]
treatment = "T1"
panel = "P1"
zones = ["A1", "A2", "A3", "A4"]
[[patch]]
treatment = "T2"
panel = "P1"
zones = ["B1", "B2", "B3", "B4"]
"#;

/// Gloss of the zones. Means: control 71.0, T1 75.5, T2 71.2.
pub const GLOSS: [(&str, f64); 12] = [
    ("C1", 71.2),
    ("C2", 70.6),
    ("C3", 71.1),
    ("C4", 71.1),
    ("A1", 75.2),
    ("A2", 75.9),
    ("A3", 75.4),
    ("A4", 75.5),
    ("B1", 71.0),
    ("B2", 71.6),
    ("B3", 70.9),
    ("B4", 71.3),
];
/// Of each treatment: the mean of its zones minus the mean of the control's, worked out by hand.
pub const DIFFERENCES: [(&str, f64); 2] = [("T1", 4.5), ("T2", 0.2)];
/// Placements of a run in which nothing goes wrong.
pub const WHOLE: usize = 2 + 12 + 2;

/// A study on the disk.
pub struct Study {
    folder: TempDir,
}

impl Study {
    /// Its meter is on a pseudo-terminal under this name.
    pub fn on_a_line() -> (Study, Button) {
        let study = Study { folder: tempfile::tempdir().unwrap() };
        let port = study.folder.path().join("port");
        study.write(&STUDY.replace("PORT", port.to_str().unwrap()));
        let button = Button::linked(port);
        (study, button)
    }

    /// Its meter is simulated within the program, with so long from one placement to the next.
    pub fn simulated(pace_ms: u32) -> Study {
        let study = Study { folder: tempfile::tempdir().unwrap() };
        study.write(&STUDY.replace("PORT", "sim:meter.toml"));
        let pace_s = f64::from(pace_ms) / 1000.0;
        let mut meter = format!(
            "seed = 1\npace_s = {pace_s:?}\nbetween_presses_s = {pace_s:?}\n\
             [layout]\nline = \"{{geometry}}\\t{{gloss}}\"\n[tile]\ntruth_gu = {{ 60 = 92.4 }}\n"
        );
        for (zone, gu) in GLOSS {
            meter.push_str(&format!(
                "[[zone]]\npanel = \"P1\"\nzone = \"{zone}\"\ntruth_gu = {{ 60 = {gu:?} }}\n"
            ));
        }
        fs::write(study.path().join("meter.toml"), meter).unwrap();
        study
    }

    fn write(&self, text: &str) {
        fs::create_dir(self.path()).unwrap();
        fs::write(self.path().join("study.toml"), text).unwrap();
    }

    /// Puts other words into `study.toml`.
    pub fn edit(&self, old: &str, new: &str) {
        let file = self.path().join("study.toml");
        let text = fs::read_to_string(&file).unwrap();
        assert_eq!(text.matches(old).count(), 1, "{old}");
        fs::write(file, text.replace(old, new)).unwrap();
    }

    /// One more panel like the first, with the same treatments on it.
    pub fn add_panel(&self, id: &str) {
        let file = self.path().join("study.toml");
        let text = fs::read_to_string(&file).unwrap();
        let first = &text[text.find("[[panel]]").unwrap()..text.find("[[treatment]]").unwrap()];
        let patches = &text[text.find("[[patch]]").unwrap()..];
        let more = format!("{first}{patches}").replace("\"P1\"", &format!("\"{id}\""));
        fs::write(file, format!("{text}{more}")).unwrap();
    }

    pub fn path(&self) -> PathBuf {
        self.folder.path().join("harbour")
    }

    /// The daemon over this study, at a free port or at that one.
    pub fn serve(&self, listen: &str) -> Daemon {
        Daemon::start(&[&self.path()], &["--listen", listen])
    }
}

/// A daemon, and the address of its first page.
pub struct Daemon {
    pub running: Running,
    /// `http://ADDRESS:PORT/`, as it says.
    pub url: String,
}

impl Daemon {
    pub fn start(studies: &[&Path], more: &[&str]) -> Daemon {
        let mut running = Running::start(halfpanel().arg("serve").args(studies).args(more));
        let said = running.line().unwrap_or_default();
        let url = said.strip_prefix("Serving at ").unwrap_or_else(|| panic!("it says `{said}`")).to_owned();
        Daemon { running, url }
    }

    /// Its address and port.
    pub fn at(&self) -> String {
        self.url.trim_start_matches("http://").trim_end_matches('/').to_owned()
    }

    /// The bench page.
    pub fn bench(&self) -> String {
        format!("{}s/harbour/", self.url)
    }
}

enum Deed {
    Send(Vec<u8>),
    Unplug,
    PlugIn,
}

/// The meter, on a thread of its own, so that it can be pressed from anywhere.
pub struct Button {
    deeds: Option<mpsc::Sender<Deed>>,
    done: mpsc::Receiver<()>,
    thread: Option<JoinHandle<()>>,
}

impl Button {
    fn linked(port: PathBuf) -> Button {
        let (deeds, wanted) = mpsc::channel();
        let (tell, done) = mpsc::channel();
        let thread = std::thread::spawn(move || {
            let mut meter = Meter::linked(&port);
            tell.send(()).unwrap();
            for deed in wanted {
                match deed {
                    Deed::Send(bytes) => meter.send(&bytes),
                    Deed::Unplug => meter.unplug(),
                    Deed::PlugIn => meter.plug_in(),
                }
                tell.send(()).unwrap();
            }
        });
        done.recv().unwrap();
        Button { deeds: Some(deeds), done, thread: Some(thread) }
    }

    fn follow(&self, deed: Deed) {
        self.deeds.as_ref().unwrap().send(deed).unwrap();
        self.done.recv().expect("the meter follows");
    }

    pub fn send(&self, bytes: &[u8]) {
        self.follow(Deed::Send(bytes.to_vec()));
    }

    /// One press that reads so much.
    pub fn press(&self, gu: f64) {
        self.send(format!("60\t{gu:.1}\r\n").as_bytes());
    }

    pub fn unplug(&self) {
        self.follow(Deed::Unplug);
    }

    pub fn plug_in(&self) {
        self.follow(Deed::PlugIn);
    }
}

impl Drop for Button {
    fn drop(&mut self) {
        self.deeds = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// What the page wants now: what kind of thing, and its short word.
pub async fn wanted(browser: &Browser) -> (String, String) {
    let found = browser
        .script(
            "const call = document.querySelector('#now .call');
             return call ? [call.dataset.kind, call.querySelector('.short').textContent] : ['none', ''];",
        )
        .await;
    (found[0].as_str().unwrap().to_owned(), found[1].as_str().unwrap().to_owned())
}

/// Number of the placement that the page shows last; 0 before the first.
pub async fn placement(browser: &Browser) -> u64 {
    let script = "return Number(document.querySelector('#value [data-placement]')?.dataset.placement ?? 0)";
    browser.script(script).await.as_u64().unwrap()
}

/// Puts the meter where the page says, presses it once, and waits until the page shows the reading. The tile reads
/// `tile_gu`. Gives where it stood; nothing once no placement is wanted.
pub async fn press_where_the_page_says(browser: &Browser, button: &Button, tile_gu: f64) -> Option<String> {
    let (kind, spot) = wanted(browser).await;
    let gu = match kind.as_str() {
        "tile" => tile_gu,
        "zone" => GLOSS.iter().find(|(zone, _)| *zone == spot).unwrap_or_else(|| panic!("no zone {spot}")).1,
        _ => return None,
    };
    press_and_see(browser, button, gu).await;
    Some(spot)
}

/// Presses once, whatever is wanted, and waits until the page shows it.
pub async fn press_and_see(browser: &Browser, button: &Button, gu: f64) {
    let before = placement(browser).await;
    button.press(gu);
    let shown = format!(
        "document.querySelector('#now [data-kind=done]') || \
         Number(document.querySelector('#value [data-placement]')?.dataset.placement ?? 0) > {before}"
    );
    browser.until("the reading is shown", &shown).await;
}

/// Presses on until the page wants something else than a placement, or that spot.
pub async fn press_until(browser: &Browser, button: &Button, spot: &str) {
    while wanted(browser).await.1 != spot {
        let Some(_) = press_where_the_page_says(browser, button, 92.4).await else { break };
    }
}

/// Looks at a state as all who may see it: light and dark, phone to wall screen. A picture of each is kept; nothing
/// serious may be found by the accessibility checker, nothing may stick out, and the browser may complain of nothing
/// but what is named.
pub async fn look(browser: &Browser, name: &str, expected: &[&str]) {
    for scheme in ["light", "dark"] {
        browser.set_scheme(scheme).await;
        for (width, called) in [(360, "phone"), (1180, "tablet"), (2560, "wall")] {
            browser.picture(&format!("{name}-{scheme}-{called}"), width).await;
            assert!(!browser.scrolls_sideways().await, "{name}: wider than {width} px");
            // Layout differs between a phone and the others, colours between light and dark.
            if width < 2560 {
                let barriers = browser.barriers().await;
                assert!(barriers.is_empty(), "{name}, {scheme}, {width} px: {barriers:#?}");
            }
        }
    }
    browser.set_size(1180, 820, false).await;
    let mut complaints = browser.complaints().await;
    complaints.retain(|complaint| !expected.iter().any(|known| complaint.contains(known)));
    assert!(complaints.is_empty(), "{name}: {complaints:#?}");
}

/// Text of an element, as it is seen.
pub async fn text(browser: &Browser, selector: &str) -> String {
    let script = format!("return document.querySelector({})?.innerText ?? ''", json!(selector));
    browser.script(&script).await.as_str().unwrap().to_owned()
}

pub async fn click(browser: &Browser, selector: &str) {
    let clicked = browser
        .script(&format!(
            "const of = document.querySelector({}); of?.click(); return Boolean(of)",
            json!(selector)
        ))
        .await;
    assert_eq!(clicked, Value::Bool(true), "there is no {selector}");
}

/// Starts a run by the page's button, and waits until its meter is there.
pub async fn start(browser: &Browser) {
    click(browser, "#start-run").await;
    browser
        .until(
            "the run has begun",
            "document.querySelector('#now .call') && document.querySelector('.line-up')",
        )
        .await;
}

/// Difference of each treatment as the page shows it at the end, GU.
pub async fn shown_differences(browser: &Browser) -> Vec<(String, f64)> {
    let script = "return [...document.querySelectorAll('#value .results li')].map((li) => \
                  [li.querySelector('b').textContent, li.querySelector('.number').firstChild.textContent])";
    let found = browser.script(script).await;
    let number = |text: &str| -> f64 {
        // What stands behind ± is its interval.
        let figure = text.replace('−', "-").replace('+', "").replace('\u{a0}', " ");
        figure.split(['±', ' ']).next().unwrap().parse().unwrap_or_else(|_| panic!("{text}"))
    };
    let pair = |li: &Value| (li[0].as_str().unwrap().to_owned(), number(li[1].as_str().unwrap().trim()));
    found.as_array().unwrap().iter().map(pair).collect()
}
