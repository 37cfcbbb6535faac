//! The link over real pseudo-terminals: what it tells when a meter sends, goes, comes back, or is not there.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

use std::fs::File;
use std::io::BufRead;
use std::io::BufReader;
use std::io::Write;
use std::os::fd::AsFd;
use std::path::Path;
use std::process::Child;
use std::process::Command;
use std::process::Stdio;
use std::time::Duration;

use halfpanel::session::link::Link;
use halfpanel::session::link::LinkEvent;
use halfpanel::session::link::LinkProblem;
use halfpanel::session::link::LinkSettings;
use halfpanel::session::ports;
use halfpanel::session::pty::PtyHost;
use tokio::io::AsyncWriteExt;

/// Far more than any of this takes; only a test that has failed waits so long.
const PATIENCE: Duration = Duration::from_secs(30);

async fn soon<T>(what: impl Future<Output = T>) -> T {
    tokio::time::timeout(PATIENCE, what).await.expect("nothing came for half a minute")
}

fn settings(path: &Path) -> LinkSettings {
    LinkSettings::new(path.to_str().unwrap())
}

async fn open(path: &Path) -> Link {
    soon(Link::open(settings(path), None)).await.unwrap_or_else(|e| panic!("{e}"))
}

async fn expect_up(link: &mut Link) {
    let event = soon(link.next()).await;
    assert_eq!(event, LinkEvent::Up { port: link.port().to_owned() });
}

/// Fresh bytes until there are `n`; any other event fails.
async fn take(link: &mut Link, n: usize) -> Vec<u8> {
    let mut all = Vec::new();
    while all.len() < n {
        match soon(link.next()).await {
            LinkEvent::Bytes(bytes) => all.extend(bytes),
            other => panic!("{} of {n} bytes had come, then {other:?}", all.len()),
        }
    }
    all
}

/// Holds the other end as another program within this process would, without exclusive use.
fn hold(path: &Path) -> File {
    use rustix::fs::Mode;
    use rustix::fs::OFlags;
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    rustix::fs::open(path, flags, Mode::empty()).unwrap().into()
}

/// Returns once the driver has `n` bytes to be read.
async fn wait_until_there(holder: &File, n: u64) {
    soon(async {
        while rustix::io::ioctl_fionread(holder.as_fd()).unwrap() < n {
            tokio::task::yield_now().await;
        }
    })
    .await;
}

#[tokio::test]
async fn bytes_arrive_as_they_were_sent_whatever_they_are() {
    let mut host = PtyHost::open().unwrap();
    let mut link = open(host.path()).await;
    expect_up(&mut link).await;
    assert!(link.is_up());
    // Every value: an unraw line would eat or turn 0x03, 0x04, 0x0D, 0x11, 0x13, 0x7F and others.
    let every: Vec<u8> = (0..=255).collect();
    soon(host.write_all(&every)).await.unwrap();
    assert_eq!(take(&mut link, 256).await, every);
}

#[tokio::test]
async fn a_request_reaches_the_meter_and_nothing_else_does() {
    let mut host = PtyHost::open().unwrap();
    let mut link = open(host.path()).await;
    expect_up(&mut link).await;
    soon(host.write_all(b"92.4\r\n")).await.unwrap();
    assert_eq!(take(&mut link, 6).await, b"92.4\r\n");
    link.send(b"READ?\r").await.unwrap();
    let mut got = Vec::new();
    let mut buf = [0; 64];
    while got.len() < 6 {
        let n = soon(host.read(&mut buf)).await.unwrap();
        got.extend_from_slice(&buf[..n]);
    }
    // Had the line echoed the reading, it would stand before the request.
    assert_eq!(got, b"READ?\r");
}

#[tokio::test]
async fn a_meter_unplugged_in_mid_line_goes_down_and_goes_on_when_it_is_back_under_its_name() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("meter");
    let mut host = PtyHost::open().unwrap();
    host.link_at(&name).unwrap();
    let mut link = open(&name).await;
    expect_up(&mut link).await;

    soon(host.write_all(b"60 92.4\r\n60 9")).await.unwrap();
    assert_eq!(take(&mut link, 13).await, b"60 92.4\r\n60 9");
    host.unplug();
    let port = name.to_str().unwrap().to_owned();
    let why = LinkProblem::Unplugged { port };
    assert_eq!(soon(link.next()).await, LinkEvent::Down { why });
    assert!(!link.is_up());
    match soon(link.next()).await {
        LinkEvent::StillDown { why: LinkProblem::NoSuchPort { .. }, tries: 1 } => {}
        other => panic!("{other:?}"),
    }
    assert!(link.send(b"READ?\r").await.is_err());

    host.plug_in().unwrap();
    expect_up(&mut link).await;
    soon(host.write_all(b"60 92.5\r\n")).await.unwrap();
    assert_eq!(take(&mut link, 9).await, b"60 92.5\r\n");
}

#[tokio::test]
async fn a_meter_swapped_in_one_go_hangs_up_and_is_found_again() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("meter");
    let mut host = PtyHost::open().unwrap();
    host.link_at(&name).unwrap();
    let mut link = open(&name).await;
    expect_up(&mut link).await;
    host.replug().unwrap();
    let port = name.to_str().unwrap().to_owned();
    assert_eq!(soon(link.next()).await, LinkEvent::Down { why: LinkProblem::HungUp { port } });
    expect_up(&mut link).await;
    soon(host.write_all(b"back\r\n")).await.unwrap();
    assert_eq!(take(&mut link, 6).await, b"back\r\n");
}

#[tokio::test]
async fn the_reason_for_staying_down_is_told_once_and_again_when_it_changes() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("meter");
    let mut link = Link::open_waiting(settings(&name), None);
    match soon(link.next()).await {
        LinkEvent::StillDown { why: LinkProblem::NoSuchPort { .. }, tries: 1 } => {}
        other => panic!("{other:?}"),
    }
    // Long enough for two more tries (after 0.2 and 0.4 s): a wait for what must not happen has no event.
    let quiet = tokio::time::timeout(Duration::from_millis(900), link.next()).await;
    assert!(quiet.is_err(), "told twice: {quiet:?}");
    std::fs::write(&name, "a file").unwrap();
    match soon(link.next()).await {
        LinkEvent::StillDown { why: LinkProblem::NotASerialPort { .. }, tries } => assert!(tries > 2),
        other => panic!("{other:?}"),
    }
    std::fs::remove_file(&name).unwrap();
    let mut host = PtyHost::open().unwrap();
    host.link_at(&name).unwrap();
    loop {
        match soon(link.next()).await {
            LinkEvent::Up { port } => break assert_eq!(Path::new(&port), name),
            // A try may have fallen between the two.
            LinkEvent::StillDown { why: LinkProblem::NoSuchPort { .. }, .. } => {}
            other => panic!("{other:?}"),
        }
    }
}

#[tokio::test]
async fn a_port_that_is_not_there_fails_at_once_and_lists_those_that_are() {
    let Err(problem) = soon(Link::open(LinkSettings::new("/dev/no-such-meter"), None)).await else {
        panic!("it opened");
    };
    let LinkProblem::NoSuchPort { port, seen, near: None } = &problem else { panic!("{problem:?}") };
    assert_eq!(port, "/dev/no-such-meter");
    // The kernel's own list, for comparison: a terminal with hardware has a `device` there.
    let mut expected = Vec::new();
    for entry in std::fs::read_dir("/sys/class/tty").into_iter().flatten().flatten() {
        let node = Path::new("/dev").join(entry.file_name());
        if entry.path().join("device/driver").exists() && node.exists() {
            expected.push(node.to_str().unwrap().to_owned());
        }
    }
    if expected.is_empty() {
        eprintln!("this machine has no serial ports: only the empty list is checked");
    }
    expected.sort();
    assert_eq!(seen.iter().map(|p| p.name.clone()).collect::<Vec<_>>(), expected);
    for name in expected {
        assert!(problem.to_string().contains(&name), "{problem} does not name {name}");
    }
}

#[tokio::test]
async fn a_file_and_a_device_of_another_kind_are_no_serial_ports() {
    let file = tempfile::NamedTempFile::new().unwrap();
    for path in [file.path(), Path::new("/dev/null")] {
        match soon(Link::open(settings(path), None)).await {
            Err(LinkProblem::NotASerialPort { port }) => assert_eq!(Path::new(&port), path),
            Err(other) => panic!("{other:?}"),
            Ok(_) => panic!("{} opened", path.display()),
        }
    }
}

/// A shell that has `path` open until it is let go, or `None` (said aloud) where there is no shell.
fn shell_that_holds(path: &Path) -> Option<Child> {
    let script = r#"exec 3<>"$1"; echo holding; read -r x"#;
    let child = Command::new("sh")
        .args(["-c", script, "sh"])
        .arg(path)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn();
    let Ok(mut child) = child else {
        eprintln!("SKIPPED: there is no `sh` to hold a port with");
        return None;
    };
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
    assert_eq!(line, "holding\n");
    Some(child)
}

#[tokio::test]
async fn a_busy_port_names_the_program_that_holds_it_and_is_free_once_that_has_gone() {
    let host = PtyHost::open().unwrap();
    let Some(mut child) = shell_that_holds(host.path()) else { return };
    let held = soon(Link::open(settings(host.path()), None)).await;
    let holders = ports::who_holds(host.path());
    child.stdin.take().unwrap().write_all(b"\n").unwrap();
    child.wait().unwrap();

    let Err(LinkProblem::Busy { port, holder: Some(holder) }) = held else {
        panic!("{:?}", held.err());
    };
    assert_eq!(Path::new(&port), host.path());
    assert_eq!((holder.pid, holder.program.as_str()), (child.id(), "sh"));
    assert_eq!(holders, [holder]);
    let mut link = open(host.path()).await;
    expect_up(&mut link).await;
}

#[tokio::test]
async fn two_links_of_one_process_do_not_share_a_port() {
    let host = PtyHost::open().unwrap();
    let _first = open(host.path()).await;
    match soon(Link::open(settings(host.path()), None)).await {
        Err(LinkProblem::Busy { holder: None, .. }) => {}
        Err(other) => panic!("{other:?}"),
        Ok(_) => panic!("both opened it"),
    }
}

#[tokio::test]
async fn a_burst_of_a_megabyte_comes_through_whole_and_in_order() {
    let mut host = PtyHost::open().unwrap();
    let mut link = open(host.path()).await;
    expect_up(&mut link).await;
    let mut burst = Vec::new();
    for n in 0.. {
        if burst.len() >= 1 << 20 {
            break;
        }
        write!(burst, "60 {:05.1} {n}\r\n", f64::from(n % 1000) / 10.0).unwrap();
    }
    for opening in ["first", "second"] {
        let whole = async { tokio::join!(take(&mut link, burst.len()), host.write_all(&burst)) };
        // Takes a tenth of a second; a host that has to look for room every 50 ms takes over four seconds.
        let (came, sent) = tokio::time::timeout(Duration::from_secs(3), whole).await.expect(opening);
        sent.unwrap();
        let first_wrong = came.iter().zip(&burst).position(|(a, b)| a != b);
        assert_eq!((came.len(), first_wrong), (burst.len(), None), "at the {opening} opening");
        drop(link);
        link = open(host.path()).await;
        expect_up(&mut link).await;
    }
}

#[tokio::test]
async fn bytes_from_before_the_opening_are_stale_and_told_from_fresh_ones() {
    let mut host = PtyHost::open().unwrap();
    let holder = hold(host.path());
    soon(host.write_all(b"60 11.1\r\n60 2")).await.unwrap();
    wait_until_there(&holder, 13).await;
    let mut link = open(host.path()).await;
    assert_eq!(soon(link.next()).await, LinkEvent::Stale(b"60 11.1\r\n60 2".to_vec()));
    expect_up(&mut link).await;
    soon(host.write_all(b"2.2\r\n")).await.unwrap();
    assert_eq!(take(&mut link, 5).await, b"2.2\r\n");
}

#[tokio::test]
async fn what_a_meter_says_while_it_starts_is_stale_too() {
    let mut host = PtyHost::open().unwrap();
    let settings = LinkSettings { settle_ms: 500, ..settings(host.path()) };
    let holder = hold(host.path());
    let mut link = soon(Link::open(settings, None)).await.unwrap_or_else(|e| panic!("{e}"));
    soon(host.write_all(b"ready\r\n")).await.unwrap();
    wait_until_there(&holder, 7).await;
    assert_eq!(soon(link.next()).await, LinkEvent::Stale(b"ready\r\n".to_vec()));
    expect_up(&mut link).await;
}

#[tokio::test]
async fn a_link_that_is_dropped_half_way_through_waiting_loses_no_byte() {
    let (mut meter, ours) = tokio::io::duplex(16);
    let mut link = Link::over(ours).named("sim:bench.toml");
    expect_up(&mut link).await;
    let sent: Vec<u8> = (0..4000u32).map(|n| (n % 251) as u8).collect();
    let to_send = sent.clone();
    let sender = tokio::spawn(async move {
        for chunk in to_send.chunks(7) {
            meter.write_all(chunk).await.unwrap();
            tokio::task::yield_now().await;
        }
    });
    let mut came = Vec::new();
    let mut dropped = 0;
    loop {
        tokio::select! {
            biased;
            event = link.next() => match event {
                LinkEvent::Bytes(bytes) => came.extend(bytes),
                LinkEvent::Down { why } => break assert_eq!(why.kind(), "hung-up"),
                other => panic!("{other:?}"),
            },
            () = std::future::ready(()) => {
                dropped += 1;
                tokio::task::yield_now().await;
            }
        }
    }
    sender.await.unwrap();
    assert!(dropped > 10, "only {dropped} waits were dropped");
    assert_eq!(came, sent);
}

#[tokio::test]
async fn a_stream_within_the_program_goes_down_once_and_stays_so() {
    let (meter, ours) = tokio::io::duplex(64);
    let mut link = Link::over(ours).named("sim:bench.toml");
    expect_up(&mut link).await;
    drop(meter);
    let why = LinkProblem::HungUp { port: "sim:bench.toml".into() };
    assert_eq!(link.next().await, LinkEvent::Down { why });
    // Three times the first wait of a port that does come back.
    let later = tokio::time::timeout(Duration::from_millis(300), link.next()).await;
    assert!(later.is_err(), "{later:?}");
}

#[tokio::test]
async fn the_guard_is_kept_for_as_long_as_the_link_through_loss_and_return() {
    struct Guard(std::sync::mpsc::Sender<()>);
    impl Drop for Guard {
        fn drop(&mut self) {
            let _ = self.0.send(());
        }
    }
    let (tell, told) = std::sync::mpsc::channel();
    let host = PtyHost::open().unwrap();
    let mut link = soon(Link::open(settings(host.path()), Some(Box::new(Guard(tell))))).await.ok().unwrap();
    expect_up(&mut link).await;
    host.hang_up();
    assert!(matches!(soon(link.next()).await, LinkEvent::Down { .. }));
    assert!(told.try_recv().is_err(), "let go at the loss");
    drop(link);
    assert!(told.try_recv().is_ok(), "kept beyond the link");
}

#[tokio::test]
async fn a_host_waits_for_whoever_opens_it_next_time_and_again() {
    let mut host = PtyHost::open().unwrap();
    for round in 0..3u8 {
        let path = host.path().to_owned();
        let text = format!("round {round}\r\n");
        let mut sending = Box::pin(host.write_all(text.as_bytes()));
        let early = tokio::time::timeout(Duration::from_millis(60), &mut sending).await;
        assert!(early.is_err(), "sent with nobody there");
        let mut link = open(&path).await;
        expect_up(&mut link).await;
        soon(sending).await.unwrap();
        assert_eq!(take(&mut link, text.len()).await, text.as_bytes());
    }
}

#[tokio::test]
async fn a_host_leaves_a_file_in_place_of_its_link_alone_and_takes_its_own_link_away() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("notes.txt");
    std::fs::write(&file, "mine").unwrap();
    let name = folder.path().join("meter");
    let mut host = PtyHost::open().unwrap();
    assert_eq!(host.link_at(&file).unwrap_err().kind(), std::io::ErrorKind::AlreadyExists);
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "mine");
    host.link_at(&name).unwrap();
    host.link_at(&name).unwrap();
    assert!(std::fs::read_link(&name).unwrap().starts_with("/dev"));
    drop(host);
    assert!(std::fs::symlink_metadata(&name).is_err(), "the link was left behind");
}

/// Processor time of this thread, on which the whole runtime of a test runs.
fn busy_time() -> Duration {
    let t = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    Duration::new(t.tv_sec.try_into().unwrap(), t.tv_nsec.try_into().unwrap())
}

/// How long this thread computes while `what` waits in vain for 300 ms.
async fn effort_of_waiting<T>(what: impl Future<Output = T>) -> Duration {
    let before = busy_time();
    assert!(tokio::time::timeout(Duration::from_millis(300), what).await.is_err(), "it did not wait");
    busy_time() - before
}

#[tokio::test]
async fn waiting_costs_next_to_nothing_whoever_has_come_and_gone() {
    const LITTLE: Duration = Duration::from_millis(60);
    let mut host = PtyHost::open().unwrap();
    let mut buf = [0; 64];
    let nobody_yet = effort_of_waiting(host.read(&mut buf)).await;
    let first = hold(host.path());
    let somebody = effort_of_waiting(host.read(&mut buf)).await;
    drop(first);
    let gone = effort_of_waiting(host.read(&mut buf)).await;
    let second = hold(host.path());
    let somebody_else = effort_of_waiting(host.read(&mut buf)).await;
    // Nobody reads it, so that it fills up and waits for room.
    let full = effort_of_waiting(host.write_all(&vec![b'x'; 1 << 20])).await;
    drop(second);
    let _third = hold(host.path());
    let full_again = effort_of_waiting(host.write_all(&vec![b'x'; 1 << 20])).await;
    for effort in [nobody_yet, somebody, gone, somebody_else, full, full_again] {
        assert!(effort < LITTLE, "{:?}", [nobody_yet, somebody, gone, somebody_else, full, full_again]);
    }
}

#[tokio::test]
async fn a_lost_meter_costs_next_to_nothing_to_wait_for() {
    let folder = tempfile::tempdir().unwrap();
    let name = folder.path().join("meter");
    let mut host = PtyHost::open().unwrap();
    host.link_at(&name).unwrap();
    let mut link = open(&name).await;
    expect_up(&mut link).await;
    host.unplug();
    assert!(matches!(soon(link.next()).await, LinkEvent::Down { .. }));
    assert!(matches!(soon(link.next()).await, LinkEvent::StillDown { .. }));
    let effort = effort_of_waiting(link.next()).await;
    assert!(effort < Duration::from_millis(60), "{effort:?}");
}
