//! From the meter's button to the page: the time from the write of a reading's line into the pseudo-terminal until the
//! page in a real browser shows it, the sync to the disk in between. Beside it the least that it could take: a page
//! to which a bare server of this process pushes a number, without meter, disk or run.
//!
//! `cargo bench --bench page`; behind `--` the number of rounds (3). Needs chromedriver, and says so where there is none.
//!
//! In turns, ten times a second, with the pauses made uneven, so that they do not fall into step with the screen. The
//! moment of the write is taken before it by this process, the moment of the change by a MutationObserver in the
//! page (`performance.timeOrigin + performance.now()`); both read the clock of the same machine, the browser to 0.1 ms. A
//! frame later means: after the next frame was made, when a person can see it.

#![allow(clippy::unwrap_used, clippy::disallowed_methods, reason = "a bench")]

mod common;

#[path = "../tests/common"]
mod person {
    pub mod bench_page;
    pub mod browser;
    pub mod process;
}

use axum::Router;
use axum::body::Body;
use axum::http::header;
use axum::response::Html;
use axum::response::IntoResponse;
use axum::routing::get;
use common::Board;
use common::quantile;
use common::status_kib;
use person::bench_page::Button;
use person::bench_page::Study;
use person::bench_page::press_where_the_page_says;
use person::bench_page::start;
use person::browser::Browser;
use person::browser::TABLET;
use std::convert::Infallible;
use std::time::Duration;
use std::time::SystemTime;
use std::time::UNIX_EPOCH;
use tokio::sync::watch;

/// Readings of a round.
const EACH: usize = 120;

/// Notes the moment at which each number appears in an element, and the frame after it.
const WATCH: &str = "
    window.moments = []; window.frames = [];
    const now = () => performance.timeOrigin + performance.now();
    const number = () => Number(document.querySelector(SELECTOR)?.dataset.placement ?? 0);
    let last = number();
    new MutationObserver(() => {
      const n = number();
      if (n === last) return;
      last = n;
      window.moments.push([n, now()]);
      requestAnimationFrame(() => setTimeout(() => window.frames.push([n, now()])));
    }).observe(document.querySelector(WITHIN), { childList: true, subtree: true, attributes: true });
    return last;";

const BARE: &str =
    "<!doctype html><html lang=en><title>bare</title><main><p id=of data-placement=0>0</p></main>
    <script>
      new EventSource('/events').onmessage = (event) => {
        const of = document.getElementById('of');
        of.textContent = event.data; of.dataset.placement = event.data;
      };
    </script>";

fn main() {
    let rounds = std::env::args().find_map(|word| word.parse().ok()).unwrap_or(3);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(measure(rounds));
}

async fn measure(rounds: usize) {
    let Some(browser) = Browser::open(TABLET).await else { return };
    let (study, button) = Study::on_a_line();
    study.edit("tile_readings = 2", "tile_readings = 2\nreadings_per_zone = 100");
    let daemon = study.serve("127.0.0.1:0");
    let (count, bare_url) = bare();
    let mut number = 0;
    let (mut page, mut floor) = (Delays::default(), Delays::default());
    for round in 0..rounds {
        browser.goto(&bare_url).await;
        browser.until("the bare page is there", "document.querySelector('#of')").await;
        let bare = watch_and_send(&browser, "#of", "body", || {
            number += 1;
            count.send_replace(number);
        });
        floor.add(bare.await);
        browser.goto(&daemon.bench()).await;
        if round == 0 {
            start(&browser).await;
            press_where_the_page_says(&browser, &button, 92.4).await;
            press_where_the_page_says(&browser, &button, 92.4).await;
        }
        browser.until("the run is there", "document.querySelector('#value [data-placement]')").await;
        let shown = watch_and_send(&browser, "#value [data-placement]", "#value", || press(&button));
        page.add(shown.await);
        println!("round {round}: {} readings on the page", page.change.len());
    }
    let mut board = Board::default();
    page.put("write to change on the page", Some(100.0), &mut board);
    floor.put("bare page, no meter and no sync: push to change", None, &mut board);
    let pid = daemon.running.pid();
    board.put("daemon's peak memory", status_kib(pid, "VmHWM:").unwrap() as f64 / 1024.0, "MiB", None);
    board.print();
    browser.close().await;
}

fn press(button: &Button) {
    button.press(71.3);
}

/// Milliseconds since 1970.
fn now_ms() -> f64 {
    SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_secs_f64() * 1e3
}

/// Sends ten times a second, and gives how long each took to be shown: the change, and the frame after it.
async fn watch_and_send(
    browser: &Browser,
    selector: &str,
    within: &str,
    mut send: impl FnMut(),
) -> (Vec<f64>, Vec<f64>) {
    let script =
        WATCH.replace("SELECTOR", &format!("{selector:?}")).replace("WITHIN", &format!("{within:?}"));
    let before = browser.script(&script).await.as_u64().unwrap();
    let mut sent = Vec::with_capacity(EACH);
    for n in 0..EACH {
        // Between 85 and 115 ms, without a pattern that the screen has too.
        tokio::time::sleep(Duration::from_micros(85_000 + (n as u64 * 7_919) % 30_000)).await;
        sent.push(now_ms());
        send();
    }
    let last = before + EACH as u64;
    let seen = format!(
        "const done = arguments[arguments.length - 1];
         const look = () => window.frames.some(([n]) => n >= {last}) ? done([window.moments, window.frames]) : setTimeout(look, 50);
         look();"
    );
    let seen = browser.client.execute_async(&seen, Vec::new()).await.expect("the last one is shown");
    let delays = |moments: &serde_json::Value| {
        let of = |moment: &serde_json::Value| {
            let index = usize::try_from(moment[0].as_u64().unwrap() - before - 1).ok()?;
            Some(moment[1].as_f64().unwrap() - sent.get(index)?)
        };
        moments.as_array().unwrap().iter().filter_map(of).collect()
    };
    (delays(&seen[0]), delays(&seen[1]))
}

#[derive(Default)]
struct Delays {
    change: Vec<f64>,
    frame: Vec<f64>,
}

impl Delays {
    fn add(&mut self, (change, frame): (Vec<f64>, Vec<f64>)) {
        self.change.extend(change);
        self.frame.extend(frame);
    }

    fn put(&mut self, what: &str, aim: Option<f64>, board: &mut Board) {
        board.put(&format!("{what}: shown"), self.change.len() as f64, "", None);
        board.put(&format!("{what}: median"), quantile(&mut self.change, 0.5), "ms", None);
        board.put(&format!("{what}: p99"), quantile(&mut self.change, 0.99), "ms", aim);
        board.put(&format!("{what}: largest"), quantile(&mut self.change, 1.0), "ms", None);
        board.put("  a frame later: median", quantile(&mut self.frame, 0.5), "ms", None);
        board.put("  a frame later: p99", quantile(&mut self.frame, 0.99), "ms", aim);
    }
}

/// A server that pushes the newest number, on a thread of its own; its address.
fn bare() -> (watch::Sender<u64>, String) {
    let (count, numbers) = watch::channel(0);
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    listener.set_nonblocking(true).unwrap();
    let url = format!("http://{}/", listener.local_addr().unwrap());
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        runtime.block_on(async move {
            let listener = tokio::net::TcpListener::from_std(listener).unwrap();
            let events = move || std::future::ready(stream(numbers.clone()));
            let app = Router::new().route("/", get(|| async { Html(BARE) })).route("/events", get(events));
            axum::serve(listener, app).await.unwrap();
        });
    });
    (count, url)
}

fn stream(numbers: watch::Receiver<u64>) -> axum::response::Response {
    let events = futures_util::stream::unfold(numbers, |mut numbers| async {
        numbers.changed().await.ok()?;
        let event = format!("data: {}\n\n", *numbers.borrow_and_update());
        Some((Ok::<_, Infallible>(event), numbers))
    });
    ([(header::CONTENT_TYPE, "text/event-stream")], Body::from_stream(events)).into_response()
}
