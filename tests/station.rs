//! A station in process, over a disk that fails on purpose.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

use halfpanel::session::folder::Folder;
use halfpanel::session::station::Ask;
use halfpanel::session::station::Phase;
use halfpanel::session::station::Refused;
use halfpanel::session::station::Snapshot;
use halfpanel::session::station::Start;
use halfpanel::session::station::Station;
use halfpanel::session::station::Tally;
use halfpanel::store::FaultyDisk;
use halfpanel::store::faulty::Cause;
use halfpanel::store::faulty::Plan;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

#[path = "common/process.rs"]
mod process;

use process::PATIENCE;
use process::STUDY;
use process::SURFACES;

/// Waits for a snapshot that fits.
async fn until(
    snapshots: &mut watch::Receiver<Arc<Snapshot>>,
    fits: impl Fn(&Snapshot) -> bool,
) -> Arc<Snapshot> {
    let seen = tokio::time::timeout(PATIENCE, snapshots.wait_for(|snapshot| fits(snapshot)));
    Arc::clone(&seen.await.expect("nothing came for a minute").unwrap())
}

/// Orders at the version that stands, again until none came in between.
async fn order(station: &Station, ask: Ask) -> Result<u64, Refused> {
    loop {
        let version = station.snapshots().borrow().version;
        match station.order(version, ask.clone()).await {
            Err(Refused::Stale { .. }) => tokio::task::yield_now().await,
            answer => return answer,
        }
    }
}

fn study_on(disk: &FaultyDisk) -> Folder {
    disk.put("/harbour/study.toml", STUDY);
    let meter =
        format!("seed = 1\ntime_factor = 30\n[layout]\nline = \"{{geometry}}\\t{{gloss}}\"\n{SURFACES}");
    disk.put("/harbour/meter.toml", meter);
    Folder::new(Arc::new(disk.clone()), "/harbour")
}

fn begin() -> Ask {
    Ask::Start(Box::<Start>::default())
}

fn readings(snapshot: &Snapshot) -> usize {
    snapshot.heard.iter().filter(|heard| heard.says.ends_with(" GU at 60°") && heard.at_us > 0).count()
}

#[tokio::test]
async fn a_disk_that_refuses_ends_the_sitting_and_not_the_station() {
    let disk = FaultyDisk::new(Plan::default());
    let stop = CancellationToken::new();
    let (station, _, keeper) = Station::set_up(study_on(&disk), Tally::default(), stop.clone()).unwrap();
    let keeper = tokio::spawn(keeper);
    let mut snapshots = station.snapshots();
    order(&station, begin()).await.unwrap();
    until(&mut snapshots, |snapshot| readings(snapshot) >= 2).await;
    disk.set_plan(Plan::default().all_from(0, Cause::DiskFull));
    let stuck = until(&mut snapshots, |snapshot| matches!(snapshot.phase, Phase::Stuck { .. })).await;
    let Phase::Stuck { what, hint, .. } = &stuck.phase else { unreachable!() };
    assert!(what.contains("cannot be continued") && !hint.is_empty(), "{what} / {hint}");
    // With room again, the run is taken up and comes to its end.
    disk.set_plan(Plan::default());
    order(&station, Ask::TakeUp).await.unwrap();
    let ended =
        until(&mut snapshots, |snapshot| matches!(&snapshot.phase, Phase::Idle { ended: Some(_), .. })).await;
    let Phase::Idle { ended: Some(view), unfinished } = &ended.phase else { unreachable!() };
    assert!(view.is_over && unfinished.is_none());
    assert!(disk.peek("/harbour/results/results.csv").is_some());
    stop.cancel();
    tokio::time::timeout(PATIENCE, keeper).await.unwrap().unwrap();
    assert_eq!(order(&station, begin()).await, Err(Refused::Closing));
}

#[tokio::test]
async fn a_folder_that_can_only_be_read_is_said_at_the_start_and_a_run_begins_once_it_can_be_written() {
    for (cause, words) in [(Cause::ReadOnly, "mount it writable"), (Cause::Denied, "permissions")] {
        let disk = FaultyDisk::new(Plan::default());
        let stop = CancellationToken::new();
        let (station, _, keeper) = Station::set_up(study_on(&disk), Tally::default(), stop.clone()).unwrap();
        tokio::spawn(keeper);
        disk.set_plan(Plan::default().all_from(0, cause));
        let Err(Refused::Failed { what, hint }) = order(&station, begin()).await else { panic!("{cause:?}") };
        assert!(what.contains("/harbour/") && hint.contains(words), "{what} / {hint}");
        let stuck = Arc::clone(&station.snapshots().borrow());
        let Phase::Stuck { what: shown, .. } = &stuck.phase else { panic!("{:?}", stuck.phase) };
        assert_eq!(*shown, what);
        disk.set_plan(Plan::default());
        order(&station, begin()).await.unwrap();
        stop.cancel();
    }
}

#[tokio::test]
async fn versions_only_rise_and_a_word_is_answered_with_one_that_was_shown() {
    let disk = FaultyDisk::new(Plan::default());
    let stop = CancellationToken::new();
    let (station, _, keeper) = Station::set_up(study_on(&disk), Tally::default(), stop.clone()).unwrap();
    tokio::spawn(keeper);
    let mut snapshots = station.snapshots();
    let watching = tokio::spawn({
        let mut snapshots = station.snapshots();
        async move {
            let mut versions = vec![snapshots.borrow_and_update().version];
            let mut heard_to = 0;
            while snapshots.changed().await.is_ok() {
                let snapshot = snapshots.borrow_and_update();
                let behind = snapshot.heard_before + snapshot.heard.len() as u64;
                assert!(behind >= heard_to, "running numbers only rise");
                heard_to = behind;
                versions.push(snapshot.version);
                if matches!(&snapshot.phase, Phase::Idle { ended: Some(_), .. }) {
                    break;
                }
            }
            versions
        }
    });
    assert!(matches!(order(&station, Ask::Stop).await, Err(Refused::NotNow(_))));
    order(&station, begin()).await.unwrap();
    until(&mut snapshots, |snapshot| snapshot.link_up == Some(true)).await;
    let answered = order(&station, Ask::Say(halfpanel::run::Word::Pause)).await.unwrap();
    order(&station, Ask::Say(halfpanel::run::Word::Resume)).await.unwrap();
    let versions = tokio::time::timeout(PATIENCE, watching).await.unwrap().unwrap();
    assert!(versions.is_sorted() && versions.windows(2).all(|pair| pair[0] < pair[1]), "{versions:?}");
    assert!(versions.contains(&answered) || versions.iter().any(|&version| version > answered));
    stop.cancel();
}

#[tokio::test]
async fn an_idle_station_says_nothing() {
    let disk = FaultyDisk::new(Plan::default());
    let stop = CancellationToken::new();
    let (station, _, keeper) = Station::set_up(study_on(&disk), Tally::default(), stop.clone()).unwrap();
    tokio::spawn(keeper);
    let mut snapshots = station.snapshots();
    snapshots.mark_unchanged();
    let before = disk.operations().len();
    // Here time is what is waited for: that nothing comes can be seen in no other way.
    let news = tokio::time::timeout(Duration::from_millis(200), snapshots.changed()).await;
    assert!(news.is_err() && disk.operations().len() == before);
    stop.cancel();
}
