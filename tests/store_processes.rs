//! What holds between processes: locks, and whole files however a process dies.

use halfpanel::store::Disk;
use halfpanel::store::FaultyDisk;
use halfpanel::store::Lock;
use halfpanel::store::LockError;
use halfpanel::store::RealDisk;
use halfpanel::store::faulty::Survive;
use halfpanel::store::lock;
use halfpanel::store::sweep_leftovers;
use std::io::BufRead;
use std::io::BufReader;
use std::io::Read;
use std::path::Path;
use std::process::Child;
use std::process::Command;
use std::process::Stdio;

const CHILD_STUDY: &str = "HALFPANEL_TEST_STUDY";
const TABLE_LEN: usize = 300_000;
const CHILD_TABLE: &str = "HALFPANEL_TEST_TABLE";

/// Not a test by itself: the other process of the tests below, which holds a lock until it is killed
/// or its input ends.
#[test]
fn the_other_process_holds_a_lock_when_told() {
    let Some(study) = std::env::var_os(CHILD_STUDY) else { return };
    let _lock = lock::for_study(Path::new(&study), "run shed").unwrap();
    println!("\nHELD");
    let _ = std::io::stdin().read(&mut [0]);
}

/// Not a test by itself either: the process that replaces one table again and again until it is killed.
#[test]
fn the_other_process_replaces_a_table_when_told() {
    let Some(table) = std::env::var_os(CHILD_TABLE) else { return };
    for byte in (b'a'..=b'z').cycle() {
        RealDisk.write_atomic(Path::new(&table), &vec![byte; TABLE_LEN]).unwrap();
        println!("\nREPLACED");
    }
}

fn second_self(test: &str, variable: &str, value: &Path) -> Child {
    Command::new(std::env::current_exe().expect("a test knows its own program"))
        .args(["--exact", test, "--nocapture"])
        .env(variable, value)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the test program runs a second time")
}

/// Starts the other process and waits until it has the lock.
fn other_process(study: &Path) -> Child {
    let mut child = second_self("the_other_process_holds_a_lock_when_told", CHILD_STUDY, study);
    // Lent, not taken: the other process goes on writing to it when it ends.
    let lines = BufReader::new(child.stdout.as_mut().expect("piped above")).lines();
    assert!(lines.map_while(Result::ok).any(|line| line == "HELD"), "the other process got no lock");
    child
}

fn busy(result: Result<Lock, LockError>) -> (lock::Holder, String) {
    match result.expect_err("the lock was given twice") {
        error @ LockError::Busy { .. } => {
            let words = error.to_string();
            let LockError::Busy { holder, .. } = error else { unreachable!() };
            (holder, words)
        }
        other => panic!("{other}"),
    }
}

#[test]
fn a_second_process_is_told_who_has_the_study_and_gets_it_after_that_one_is_killed() {
    let study = tempfile::tempdir().unwrap();
    let mut child = other_process(study.path());

    let (holder, words) = busy(lock::for_study(study.path(), "wash shed"));
    assert_eq!(holder.pid, Some(child.id()));
    assert_eq!(holder.note, "run shed");
    assert!(words.contains(&format!("(process {}): run shed; stop that program", child.id())), "{words}");
    if cfg!(target_os = "linux") {
        assert!(holder.program.unwrap().starts_with("store_proc"));
    }

    child.kill().unwrap();
    child.wait().unwrap();
    assert!(study.path().join(lock::STUDY_LOCK).exists(), "the file stays and means nothing");
    drop(lock::for_study(study.path(), "wash shed").unwrap());
}

#[test]
fn a_process_that_ends_by_itself_gives_its_lock_back() {
    let study = tempfile::tempdir().unwrap();
    let mut child = other_process(study.path());
    drop(child.stdin.take());
    assert!(child.wait().unwrap().success());
    drop(lock::for_study(study.path(), "").unwrap());
}

#[test]
fn one_process_cannot_take_a_lock_twice_and_a_dropped_lock_is_free() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("lock");
    let first = Lock::take(&path, "the recording", "first").unwrap();
    let (holder, words) = std::thread::scope(|scope| {
        scope.spawn(|| busy(Lock::take(&path, "the recording", "second"))).join().unwrap()
    });
    assert_eq!((holder.pid, holder.note.as_str()), (Some(std::process::id()), "first"));
    assert!(words.starts_with("the recording is in use by "), "{words}");
    drop(first);
    assert_eq!(std::fs::read(&path).unwrap(), b"", "no past holder is named");
    let second = Lock::take(&path, "the recording", "second").unwrap();
    assert_eq!(second.path(), path);
}

#[test]
fn control_characters_of_a_stranger_do_not_reach_the_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("lock");
    let _lock = Lock::take(&path, "it", "").unwrap();
    std::fs::write(&path, "1\n\u{1b}[2Jgone\u{7}\n").unwrap();
    let (_, words) = busy(Lock::take(&path, "it", ""));
    assert!(!words.chars().any(char::is_control), "{words:?}");
    std::fs::write(&path, [0xff; 5000]).unwrap();
    let (holder, words) = busy(Lock::take(&path, "it", ""));
    assert_eq!(holder.pid, None);
    assert!(words.starts_with("it is in use by another program; "), "{words}");
}

#[test]
fn a_lock_in_a_missing_folder_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let error = lock::for_study(&folder.path().join("none"), "").unwrap_err();
    assert!(matches!(error, LockError::Unusable { .. }));
    assert!(error.to_string().contains("whether its folder exists"), "{error}");
}

#[cfg(unix)]
#[test]
fn a_link_in_the_place_of_a_lock_file_is_never_written_through() {
    let folder = tempfile::tempdir().unwrap();
    let victim = folder.path().join("victim");
    std::fs::write(&victim, "precious").unwrap();
    for (name, is_symbolic) in [("soft", true), ("hard", false)] {
        let path = folder.path().join(name);
        if is_symbolic {
            std::os::unix::fs::symlink(&victim, &path).unwrap();
        } else {
            std::fs::hard_link(&victim, &path).unwrap();
        }
        let error = Lock::take(&path, "it", "").unwrap_err();
        assert!(matches!(error, LockError::Unusable { .. }), "{error}");
        assert!(error.to_string().contains("not a lock file"), "{name}: {error}");
    }
    assert_eq!(std::fs::read(&victim).unwrap(), b"precious");
}

#[cfg(unix)]
#[test]
fn a_port_has_a_lock_by_its_name_wherever_a_link_leads_and_a_trap_in_its_place_is_walked_around() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let (device, link) = (folder.path().join("tty7"), folder.path().join("by-id"));
    let by_another_way = folder.path().join(".").join("tty7");
    std::fs::write(&device, "").unwrap();
    std::os::unix::fs::symlink(&device, &link).unwrap();
    let (device, link) = (device.to_str().unwrap(), link.to_str().unwrap());

    let held = lock::for_port_in(folder.path(), device, "run shed").unwrap();
    assert_eq!(
        busy(lock::for_port_in(folder.path(), by_another_way.to_str().unwrap(), "")).0.note,
        "run shed"
    );
    // After an unplugging the link leads to another device, and the device's name to another meter.
    assert!(lock::for_port_in(folder.path(), link, "").is_ok());
    let mode = std::fs::metadata(held.path()).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o666, "other users must be able to say who they are");

    let path = held.path().to_owned();
    drop(held);
    std::fs::remove_file(&path).unwrap();
    std::os::unix::fs::symlink(device, &path).unwrap();
    let held = lock::for_port_in(folder.path(), device, "run shed").unwrap();
    assert_ne!(held.path(), path);
    assert_eq!(busy(lock::for_port_in(folder.path(), device, "")).0.note, "run shed");
    assert_eq!(std::fs::read(device).unwrap(), b"");
}

#[test]
fn the_disk_in_memory_locks_as_well_and_forgets_its_locks_with_the_power() {
    let disk = FaultyDisk::default();
    disk.create_dir_all(Path::new("/shed")).unwrap();
    let path = Path::new("/shed/.lock");
    let held = disk.lock(path, "the study shed", "run").unwrap();
    assert_eq!(busy(disk.lock(path, "the study shed", "wash")).0.note, "run");
    drop(held);
    let _held = disk.lock(path, "the study shed", "wash").unwrap();
    let after = disk.crash(Survive::SyncedOnly);
    drop(after.lock(path, "the study shed", "run").unwrap());
}

#[test]
fn readers_meet_whole_tables_alone_while_another_process_replaces_them_and_after_it_is_killed() {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("results.csv");
    let assert_whole = || {
        let bytes = RealDisk.read(&table).unwrap();
        assert_eq!(bytes.len(), TABLE_LEN);
        assert!(bytes.iter().all(|byte| *byte == bytes[0]), "a mixture of two tables");
    };
    for _ in 0..5 {
        let mut child = second_self("the_other_process_replaces_a_table_when_told", CHILD_TABLE, &table);
        let mut lines = BufReader::new(child.stdout.as_mut().unwrap()).lines().map_while(Result::ok);
        for _ in 0..20 {
            assert!(lines.any(|line| line == "REPLACED"));
            (0..5).for_each(|_| assert_whole());
        }
        drop(lines);
        child.kill().unwrap();
        child.wait().unwrap();

        assert_whole();
        sweep_leftovers(&RealDisk, folder.path()).unwrap();
        assert_eq!(RealDisk.list(folder.path()).unwrap().len(), 1);
    }
}
