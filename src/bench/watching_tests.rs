use super::*;
use crate::session::station::Phase;
use std::future::pending;
use std::future::ready;

/// Both ends of a watcher, of a bench that stands at version 1 and has been drawn so.
struct Watched {
    watcher: Watcher,
    frames: watch::Sender<Frame>,
    snapshots: watch::Sender<Arc<Snapshot>>,
}

fn snapshot(version: u64) -> Arc<Snapshot> {
    let phase = Phase::Idle { unfinished: None, ended: None };
    Arc::new(Snapshot {
        version,
        study: String::new(),
        link_up: None,
        phase,
        heard: Vec::new(),
        heard_before: 0,
    })
}

fn frame(version: u64) -> Frame {
    Frame { n: version, version, bytes: format!("state {version}").into() }
}

fn watched(beat: Duration) -> Watched {
    let (frames, seen) = watch::channel(frame(1));
    let (snapshots, drawn) = watch::channel(snapshot(1));
    let watcher = Watcher {
        frames: seen,
        snapshots: drawn,
        least: 1,
        sent: 0,
        has_begun: false,
        withdrawn: Box::pin(pending()),
        closing: CancellationToken::new(),
        beat,
        _counted: Counted::new(Gauge::default()),
    };
    Watched { watcher, frames, snapshots }
}

fn run<F: Future>(inner: F) -> F::Output {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    runtime.block_on(async { tokio::time::timeout(Duration::from_secs(60), inner).await.unwrap() })
}

const NEVER: Duration = Duration::from_secs(3600);

#[test]
fn the_state_comes_at_once_and_a_sign_of_life_while_nothing_changes() {
    run(async {
        let Watched { mut watcher, frames, snapshots } = watched(Duration::from_millis(5));
        assert_eq!(watcher.next().await.unwrap(), HELLO);
        assert_eq!(watcher.next().await.unwrap(), "state 1");
        assert_eq!(watcher.next().await.unwrap(), STILL_HERE);
        assert_eq!(watcher.next().await.unwrap(), STILL_HERE);
        snapshots.send_replace(snapshot(2));
        frames.send_replace(frame(2));
        assert_eq!(watcher.next().await.unwrap(), "state 2");
    });
}

#[test]
fn it_ends_when_the_daemon_closes_and_not_before_the_last_state_was_shown() {
    run(async {
        let Watched { mut watcher, frames, snapshots } = watched(NEVER);
        watcher.next().await;
        watcher.next().await;
        let closing = watcher.closing.clone();
        // While it waits, the bench moves on and the daemon closes, and only then the last state is drawn.
        let (next, ()) = tokio::join!(watcher.next(), async {
            tokio::task::yield_now().await;
            snapshots.send_replace(snapshot(2));
            closing.cancel();
            tokio::task::yield_now().await;
            frames.send_replace(frame(2));
        });
        assert_eq!(next.unwrap(), "state 2");
        assert_eq!(watcher.next().await, None);
    });
}

#[test]
fn it_ends_when_the_pairing_is_withdrawn_and_shows_nothing_more() {
    run(async {
        let Watched { mut watcher, frames, .. } = watched(NEVER);
        watcher.next().await;
        frames.send_replace(frame(2));
        watcher.withdrawn = Box::pin(ready(()));
        assert_eq!(watcher.next().await, None);
    });
}

/// The kinds of event that a text of the stream holds.
fn kinds(text: &[u8]) -> Vec<String> {
    let text = String::from_utf8(text.to_vec()).unwrap();
    text.lines().filter_map(|line| line.strip_prefix("event: ")).map(str::to_owned).collect()
}

#[test]
fn the_pages_script_and_its_description_know_the_sign_of_life() {
    let script = include_str!("assets/bench.js");
    let page = include_str!("../../protocol-notes/http.md");
    assert_eq!(kinds(STILL_HERE), ["alive"]);
    assert!(script.contains("addEventListener(\"alive\"") && script.contains("addEventListener(\"state\""));
    let told = page.lines().find(|line| line.starts_with("| `alive` |")).unwrap();
    assert!(told.contains(&format!("for {} s", KEEP_ALIVE.as_secs())), "{told}");
    assert!(page.contains("\n| `state` |"));
    // A page waits for two of them before it says that the daemon is lost, and for a little more.
    let silence = script.split("SILENCE_MS = ").nth(1).unwrap().split(';').next().unwrap();
    let silence = Duration::from_millis(silence.parse().unwrap());
    assert!(silence > 2 * KEEP_ALIVE && silence < 3 * KEEP_ALIVE, "{silence:?}");
}
