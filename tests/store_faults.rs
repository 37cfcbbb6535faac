//! Faults on the disk, tried on purpose: one operation at a time, and every one of them.

use halfpanel::store::AppendFile;
use halfpanel::store::Disk;
use halfpanel::store::FaultyDisk;
use halfpanel::store::RealDisk;
use halfpanel::store::StoreError;
use halfpanel::store::faulty::Cause;
use halfpanel::store::faulty::Fault;
use halfpanel::store::faulty::Op;
use halfpanel::store::faulty::Plan;
use halfpanel::store::faulty::Survive;
use halfpanel::store::replace_files;
use halfpanel::store::sweep_leftovers;
use std::io::ErrorKind;
use std::io::Read;
use std::io::Write;
use std::path::Path;

const TABLE: &str = "/shed/results/results.csv";
const OLD: &[u8] = b"panel,gloss\nP1,85.3\n";
const FAULTS: [Fault; 6] = [
    Fault::Fail(Cause::DiskFull),
    Fault::Fail(Cause::ReadOnly),
    Fault::Short(Cause::DiskFull),
    Fault::Short(Cause::Io),
    Fault::PowerCut,
    Fault::PowerCutShort,
];

/// Every way in which unsynced work may come out of a loss of power, sampled.
fn survivals() -> impl Iterator<Item = Survive> {
    let prefixes = [0, 1, 7, 600, usize::MAX].into_iter().map(Survive::Prefix);
    std::iter::once(Survive::SyncedOnly).chain(prefixes).chain((0..24).map(Survive::Sectors))
}

fn new_table() -> Vec<u8> {
    (0..200).flat_map(|row| format!("P{row},91.{row}\n").into_bytes()).collect()
}

/// A disk with the old table on it, and the number of operations that replacing it takes.
fn replacing(plan: Plan) -> (FaultyDisk, Result<(), StoreError>) {
    let disk = FaultyDisk::new(plan);
    disk.put(TABLE, OLD);
    let result = disk.write_atomic(Path::new(TABLE), &new_table());
    (disk, result)
}

#[test]
fn replacing_a_file_shows_all_its_steps_to_a_campaign() {
    let (disk, result) = replacing(Plan::default());
    result.unwrap();
    let steps: Vec<Op> = disk.operations().into_iter().map(|(op, _)| op).collect();
    assert_eq!(steps, [Op::Create, Op::Write, Op::Sync, Op::Rename, Op::SyncFolder]);
    assert_eq!(disk.peek(TABLE), Some(new_table()));
}

#[test]
fn a_fault_at_any_step_of_replacing_is_told_and_leaves_the_old_content_whole() {
    for number in 0..5 {
        for fault in FAULTS {
            let (disk, result) = replacing(Plan::default().at(number, fault));
            let error = result.expect_err("a fault was swallowed");
            assert!(error.path.starts_with("/shed/results"), "{error}");
            if number < 4 {
                assert_eq!(disk.peek(TABLE).as_deref(), Some(OLD), "step {number}, {fault:?}");
            } else {
                assert_eq!(disk.peek(TABLE), Some(new_table()), "step {number}, {fault:?}");
            }
        }
    }
}

#[test]
fn losing_the_power_at_any_step_of_replacing_leaves_the_whole_old_or_the_whole_new_content() {
    for number in 0..5 {
        for fault in FAULTS {
            for survive in survivals() {
                let (disk, _) = replacing(Plan::default().at(number, fault));
                let after = disk.crash(survive).peek(TABLE).expect("the table is gone");
                let is_whole = after == OLD || after == new_table();
                assert!(is_whole, "step {number}, {fault:?}, {survive:?}: {} bytes", after.len());
            }
        }
    }
}

#[test]
fn a_replaced_file_stays_replaced_whatever_the_power_does() {
    for survive in survivals() {
        let (disk, result) = replacing(Plan::default());
        result.unwrap();
        assert_eq!(disk.crash(survive).peek(TABLE), Some(new_table()), "{survive:?}");
    }
}

#[test]
fn a_rename_without_a_sync_of_its_folder_may_be_undone_by_the_power() {
    let (disk, _) = replacing(Plan::default().at(4, Fault::Fail(Cause::Io)));
    assert_eq!(disk.clone().peek(TABLE), Some(new_table()));
    assert_eq!(disk.crash(Survive::SyncedOnly).peek(TABLE).as_deref(), Some(OLD));
    let (disk, _) = replacing(Plan::default().at(4, Fault::Fail(Cause::Io)));
    assert_eq!(disk.crash(Survive::Prefix(0)).peek(TABLE), Some(new_table()));
}

#[test]
fn a_new_file_without_a_sync_of_its_folder_may_vanish() {
    for (survive, is_there) in [(Survive::SyncedOnly, false), (Survive::Prefix(0), true)] {
        let disk = FaultyDisk::new(Plan::default().at(1, Fault::PowerCut));
        disk.create_new(Path::new("/run")).unwrap_err();
        assert_eq!(disk.crash(survive).peek("/run").is_some(), is_there);
    }
}

#[test]
fn a_file_that_could_not_be_created_whole_does_not_stand_in_the_way_of_a_second_try() {
    let disk = FaultyDisk::new(Plan::default().at(1, Fault::Fail(Cause::Io)));
    let error = disk.create_new(Path::new("/run")).unwrap_err();
    assert!(error.to_string().starts_with("could not sync the folder /: "), "{error}");
    assert!(error.hint().contains("failing"));
    disk.create_new(Path::new("/run")).unwrap();
}

#[test]
fn a_failed_replacement_leaves_no_litter_and_a_killed_one_leaves_what_can_be_swept() {
    let folder = Path::new("/shed/results");
    for number in 0..4 {
        let (disk, _) = replacing(Plan::default().at(number, Fault::Short(Cause::DiskFull)));
        disk.set_plan(Plan::default());
        assert_eq!(disk.list(folder).unwrap().len(), 1, "step {number}");
    }
    let (disk, _) = replacing(Plan::default().at(3, Fault::PowerCut));
    let disk = disk.crash(Survive::Prefix(10));
    assert_eq!(disk.list(folder).unwrap().iter().filter(|entry| entry.is_leftover()).count(), 1);
    assert_eq!(sweep_leftovers(&disk, folder).unwrap(), 1);
    assert_eq!(disk.list(folder).unwrap().len(), 1);
    assert_eq!(disk.peek(TABLE).as_deref(), Some(OLD));
}

/// Appends and syncs records until something fails; gives the bytes that were acknowledged.
fn record(disk: &FaultyDisk) -> (Vec<u8>, Result<(), StoreError>) {
    let mut acknowledged = Vec::new();
    let result = record_into(disk, &mut acknowledged);
    (acknowledged, result)
}

fn record_into(disk: &FaultyDisk, acknowledged: &mut Vec<u8>) -> Result<(), StoreError> {
    disk.create_dir_all(Path::new("/shed/recordings"))?;
    let mut file = disk.create_new(Path::new("/shed/recordings/run-1"))?;
    for number in 0..12_usize {
        let record = format!("{number}: {}\n", "x".repeat(number * 90));
        file.append(record.as_bytes())?;
        file.sync()?;
        acknowledged.extend_from_slice(record.as_bytes());
    }
    Ok(())
}

#[test]
fn what_was_synced_survives_any_fault_at_any_step_and_any_loss_of_power() {
    let disk = FaultyDisk::default();
    record(&disk).1.unwrap();
    let steps = disk.operations().len() as u64;
    assert_eq!(steps, 2 * 2 + 2 + 12 * 2);
    for number in 0..steps {
        for fault in FAULTS {
            for survive in survivals() {
                let disk = FaultyDisk::new(Plan::default().at(number, fault));
                let (acknowledged, result) = record(&disk);
                result.expect_err("a fault was swallowed");
                let after = disk.crash(survive).peek("/shed/recordings/run-1").unwrap_or_default();
                assert!(after.starts_with(&acknowledged), "step {number}, {fault:?}, {survive:?}");
            }
        }
    }
}

#[test]
fn what_was_not_synced_is_lost_in_the_worst_case() {
    let disk = FaultyDisk::default();
    let mut file = disk.create_new(Path::new("/run")).unwrap();
    file.append(b"kept").unwrap();
    file.sync().unwrap();
    file.append(b" and not").unwrap();
    assert_eq!(disk.peek("/run").unwrap(), b"kept and not");
    assert_eq!(disk.crash(Survive::SyncedOnly).peek("/run").unwrap(), b"kept");
    assert_eq!(disk.crash(Survive::Prefix(4)).peek("/run").unwrap(), b"kept and");
    assert_eq!(file.append(b"!").unwrap_err().to_string(), "could not append to /run: the power is off");
}

#[test]
fn a_cut_lasts_only_once_it_is_synced() {
    let disk = FaultyDisk::default();
    disk.put("/run", "whole\ntorn");
    let mut file = disk.open_append(Path::new("/run")).unwrap();
    file.set_len(6).unwrap();
    assert_eq!(file.set_len(7).unwrap_err().kind(), ErrorKind::InvalidInput);
    assert_eq!(disk.clone().peek("/run").unwrap(), b"whole\n");
    file.append(b"new\n").unwrap();
    file.sync().unwrap();
    assert_eq!(disk.crash(Survive::SyncedOnly).peek("/run").unwrap(), b"whole\nnew\n");

    let disk = FaultyDisk::default();
    disk.put("/run", "whole\ntorn");
    disk.open_append(Path::new("/run")).unwrap().set_len(6).unwrap();
    assert_eq!(disk.crash(Survive::SyncedOnly).peek("/run").unwrap(), b"whole\ntorn");
}

#[test]
fn after_a_failed_sync_a_good_one_does_not_bring_the_bytes_back() {
    let disk = FaultyDisk::new(Plan::default().at(3, Fault::Fail(Cause::Io)));
    let mut file = disk.create_new(Path::new("/run")).unwrap();
    file.append(b"one ").unwrap();
    let error = file.sync().unwrap_err();
    assert_eq!((error.doing, error.path.as_path()), ("sync", Path::new("/run")));
    file.append(b"two").unwrap();
    file.sync().unwrap();
    assert_eq!(disk.peek("/run").unwrap(), b"one two", "programs go on seeing the bytes");
    assert_eq!(disk.crash(Survive::SyncedOnly).peek("/run").unwrap(), b"\0\0\0\0two");
}

#[test]
fn lost_sectors_take_other_bytes_with_them_than_a_prefix_does() {
    let mut holes = 0;
    for seed in 0..50 {
        let disk = FaultyDisk::default();
        let mut file = disk.create_new(Path::new("/run")).unwrap();
        file.append(&[1; 700]).unwrap();
        file.sync().unwrap();
        file.append(&[2; 3000]).unwrap();
        let after = disk.crash(Survive::Sectors(seed)).peek("/run").unwrap();
        assert_eq!(after[..700], [1; 700], "seed {seed}");
        let first_zero = after.iter().position(|byte| *byte == 0).unwrap_or(after.len());
        holes += usize::from(after[first_zero..].contains(&2));
    }
    assert!(holes > 10, "only {holes} of 50 crashes left a hole before later bytes");
}

#[test]
fn a_full_disk_stays_full_and_can_still_be_read() {
    let disk = FaultyDisk::new(Plan::default().all_from(0, Cause::DiskFull));
    disk.put(TABLE, OLD);
    for _ in 0..2 {
        let error = disk.write_atomic(Path::new(TABLE), b"new").unwrap_err();
        assert_eq!(error.kind(), ErrorKind::StorageFull);
        assert!(error.hint().contains("full"));
    }
    assert_eq!(disk.read(Path::new(TABLE)).unwrap(), OLD);
}

#[test]
fn a_seeded_campaign_meets_the_same_faults_again() {
    let outcome = |seed| {
        let disk = FaultyDisk::new(Plan::default().by_chance(seed, 60));
        let (acknowledged, result) = record(&disk);
        (acknowledged.len(), result.err().map(|error| error.to_string()))
    };
    let outcomes: Vec<_> = (0..40).map(outcome).collect();
    assert_eq!(outcomes, (0..40).map(outcome).collect::<Vec<_>>());
    let failed = outcomes.iter().filter(|(_, error)| error.is_some()).count();
    assert!((10..40).contains(&failed), "{failed} of 40");
}

#[test]
fn a_read_that_fails_in_the_middle_names_the_file() {
    let disk = FaultyDisk::new(Plan::default().at(2, Fault::Fail(Cause::Io)));
    disk.put("/run", vec![7; 100]);
    let mut reader = disk.open(Path::new("/run")).unwrap();
    let mut piece = [0; 64];
    assert_eq!(reader.read(&mut piece).unwrap(), 64);
    let error = reader.read(&mut piece).unwrap_err();
    assert!(error.to_string().starts_with("could not read /run: "), "{error}");
}

#[test]
fn a_set_of_files_is_refused_whole_where_a_name_would_leave_the_folder() {
    let disk = FaultyDisk::default();
    let folder = Path::new("/shed/results");
    for name in ["../study.toml", "a/b", "..", "", "/etc"] {
        let error = replace_files(&disk, folder, &[("zones.csv", b"x"), (name, b"y")]).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::InvalidInput, "{name}");
    }
    assert!(!disk.exists(folder).unwrap());
    replace_files(&disk, folder, &[("zones.csv", b"x"), ("results.csv", b"y")]).unwrap();
    assert_eq!(disk.read(&folder.join("zones.csv")).unwrap(), b"x");
}

/// What a disk answers to one long story, in words.
fn story(disk: &dyn Disk, root: &Path) -> Vec<String> {
    let at = |name: &str| root.join(name);
    let mut said = Vec::new();
    let mut say = |what: &str, answer: Result<String, ErrorKind>| said.push(format!("{what}: {answer:?}"));
    let done = |result: Result<(), StoreError>| result.map(|()| "done".to_owned()).map_err(|e| e.kind());
    let text = |result: Result<Vec<u8>, StoreError>| {
        result.map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).map_err(|e| e.kind())
    };
    let append = |result: Result<Box<dyn AppendFile>, StoreError>, bytes: &[u8]| {
        let mut file = result.map_err(|e| e.kind())?;
        file.append(bytes).and_then(|()| file.sync()).map_err(|e| e.kind())?;
        Ok(file.len().to_string())
    };
    say("missing read", text(disk.read(&at("a"))));
    say("missing append", append(disk.open_append(&at("a")), b"x"));
    say("no folder", done(disk.write_atomic(&at("deep/er/a"), b"x")));
    say("make", done(disk.create_dir_all(&at("deep/er"))));
    say("make again", done(disk.create_dir_all(&at("deep/er"))));
    say("create", append(disk.create_new(&at("deep/er/a")), b"one\n"));
    say("create again", append(disk.create_new(&at("deep/er/a")), b"x"));
    say("append", append(disk.open_append(&at("deep/er/a")), b"two\n"));
    say("make over file", done(disk.create_dir_all(&at("deep/er/a"))));
    say("atomic", done(disk.write_atomic(&at("deep/er/b"), b"new")));
    say("atomic over folder", done(disk.write_atomic(&at("deep/er"), b"new")));
    say("read", text(disk.read(&at("deep/er/a"))));
    say("read folder", text(disk.read(&at("deep"))));
    say("list", disk.list(&at("deep/er")).map(|list| format!("{list:?}")).map_err(|e| e.kind()));
    say("list above", disk.list(&at("deep")).map(|list| format!("{list:?}")).map_err(|e| e.kind()));
    say("list missing", disk.list(&at("none")).map(|list| format!("{list:?}")).map_err(|e| e.kind()));
    say("meta", disk.meta(&at("deep/er/a")).map(|meta| format!("{meta:?}")).map_err(|e| e.kind()));
    say("meta folder", disk.meta(&at("deep")).map(|meta| format!("{meta:?}")).map_err(|e| e.kind()));
    say("meta missing", disk.meta(&at("none")).map(|meta| format!("{meta:?}")).map_err(|e| e.kind()));
    say("meta in file", disk.meta(&at("deep/er/a/x")).map(|meta| format!("{meta:?}")).map_err(|e| e.kind()));
    say("remove", done(disk.remove_file(&at("deep/er/a"))));
    say("remove again", done(disk.remove_file(&at("deep/er/a"))));
    say("remove folder", done(disk.remove_folder(&at("deep"))));
    say("gone", disk.exists(&at("deep/er/b")).map(|there| there.to_string()).map_err(|e| e.kind()));
    said
}

#[test]
fn the_disk_in_memory_answers_as_the_real_one_does() {
    let folder = tempfile::tempdir().unwrap();
    let memory = FaultyDisk::default();
    memory.create_dir_all(Path::new("/root")).unwrap();
    let real = story(&RealDisk, folder.path());
    assert_eq!(story(&memory, Path::new("/root")), real);
    assert!(real.contains(&"append: Ok(\"8\")".to_owned()), "{real:#?}");
    assert!(real.contains(&"create again: Err(AlreadyExists)".to_owned()), "{real:#?}");
}

#[test]
fn a_streamed_table_that_is_not_finished_leaves_the_old_one_and_no_litter() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("readings.csv");
    RealDisk.write_atomic(&path, OLD).unwrap();

    let mut writer = RealDisk.atomic_writer(&path).unwrap();
    for row in 0..100_000 {
        writeln!(writer, "P1,{row}").unwrap();
    }
    assert_eq!(RealDisk.list(folder.path()).unwrap().iter().filter(|entry| entry.is_leftover()).count(), 1);
    drop(writer);
    assert_eq!(RealDisk.read(&path).unwrap(), OLD);
    assert_eq!(RealDisk.list(folder.path()).unwrap().len(), 1);

    let mut writer = RealDisk.atomic_writer(&path).unwrap();
    writer.write_all(b"new\n").unwrap();
    writer.finish().unwrap();
    assert_eq!(RealDisk.read(&path).unwrap(), b"new\n");
    assert_eq!(RealDisk.list(folder.path()).unwrap().len(), 1);
}

#[test]
fn who_has_the_old_table_open_goes_on_reading_the_old_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("readings.csv");
    RealDisk.write_atomic(&path, OLD).unwrap();
    let mut reader = RealDisk.open(&path).unwrap();
    RealDisk.write_atomic(&path, &new_table()).unwrap();
    let mut bytes = Vec::new();
    reader.read_to_end(&mut bytes).unwrap();
    assert_eq!(bytes, OLD);
}

#[cfg(unix)]
#[test]
fn a_replaced_file_can_be_read_by_whom_an_ordinary_one_can() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let mode = |name: &str| std::fs::metadata(folder.path().join(name)).unwrap().permissions().mode() & 0o777;
    std::fs::write(folder.path().join("ordinary"), "").unwrap();
    RealDisk.write_atomic(&folder.path().join("replaced"), b"").unwrap();
    drop(RealDisk.create_new(&folder.path().join("recording")).unwrap());
    assert_eq!(mode("replaced"), mode("ordinary") & 0o644);
    assert_eq!(mode("recording"), mode("ordinary") & 0o644);
}

#[cfg(target_os = "linux")]
#[test]
fn space_is_reserved_while_a_recording_grows_and_given_back_after() {
    use std::os::unix::fs::MetadataExt;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run");
    let mut file = RealDisk.create_new(&path).unwrap();
    file.append(b"head\n").unwrap();
    file.sync().unwrap();
    let open = std::fs::metadata(&path).unwrap();
    assert_eq!(open.len(), 5, "reserving changes no length");
    // In a file system without reservations both figures are small, and this says nothing.
    drop(file);
    let closed = std::fs::metadata(&path).unwrap();
    assert_eq!(closed.len(), 5);
    assert!(closed.blocks() * 512 <= 64 * 1024, "{} blocks kept", closed.blocks());
    assert_eq!(std::fs::read(&path).unwrap(), b"head\n");
}

#[cfg(target_os = "linux")]
#[test]
fn a_real_full_device_is_told_as_full() {
    let mut file = RealDisk.open_append(Path::new("/dev/full")).unwrap();
    let error = file.append(b"record\n").unwrap_err();
    assert_eq!(error.to_string(), "could not append to /dev/full: No space left on device (os error 28)");
    assert!(error.hint().contains("free some space"));
}
