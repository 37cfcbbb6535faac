//! A season by the commands: put on, washed, looked at, judged, failed; and what is refused. Rows are added to whatever file
//! is there, and survive a disk that goes wrong.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "common/process.rs"]
mod process;
#[path = "common/season.rs"]
mod season;

use chrono::DateTime;
use halfpanel::life::deeds::{Choice, Wash};
use halfpanel::life::{self, What};
use halfpanel::session::folder::Folder;
use halfpanel::session::observing::{self, OBSERVATIONS, Telling};
use halfpanel::store::FaultyDisk;
use halfpanel::store::faulty::{Cause, Fault, Plan, Survive};
use proptest::prelude::*;
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::sync::Arc;
use tempfile::TempDir;

fn place() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("study.toml"), season::STUDY).unwrap();
    folder
}

/// Runs a command on a study; gives what it printed, output and errors.
fn halfpanel(folder: &Path, line: &str, code: i32) -> (String, String) {
    let words = line.split(' ').map(|word| word.replace('_', " "));
    let mut command = process::halfpanel();
    let ended = command.current_dir(folder).args(words).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    let (stdout, stderr) = (text(&ended.stdout), text(&ended.stderr));
    assert_eq!(ended.status.code(), Some(code), "{line}\n{stdout}{stderr}");
    (stdout, stderr)
}

fn rows(folder: &Path) -> String {
    fs::read_to_string(folder.join(OBSERVATIONS)).unwrap()
}

fn table(folder: &Path, name: &str) -> Vec<std::collections::BTreeMap<String, String>> {
    process::rows(&folder.join("results/lives").join(name))
}

#[test]
fn a_season_from_the_first_coat_to_the_failure() {
    let folder = place();
    let study = folder.path();
    let (said, _) =
        halfpanel(study, "apply T1 --at 2026-05-04T09:30:00+02:00 --coats 2 --amount 4.0_ml --by Jo", 0);
    assert!(said.contains("flammable") && said.contains("T1 on P3: curing"), "{said}");
    halfpanel(
        study,
        "wipe T1 --panel P1 --at 2026-05-06T09:30:00+02:00 --solvent ethanol --passes 20 --beading-ended 12",
        0,
    );
    halfpanel(study, "judge T1 --panel P1 --attribute feel --pass --by Jo --at 2026-05-06T10:00:00+02:00", 0);
    halfpanel(study, "wash T1 --at 2026-05-07T09:00:00+02:00", 0);
    for (day, to, class) in [(8, 10, 2), (9, 20, 6), (10, 30, 7)] {
        let at = format!("2026-05-{day:02}T09:00:00+02:00");
        halfpanel(
            study,
            &format!("wash T1 --panel P1 --to {to} --class-treated {class} --class-control 7 --at {at}"),
            0,
        );
    }
    let lives = table(study, "lives.csv");
    let life = lives.iter().find(|row| row["treatment"] == "T1" && row["panel"] == "P1").unwrap();
    assert_eq!((life["lasted_washes"].as_str(), life["failed_by_washes"].as_str()), ("10", "20"));
    assert_eq!(
        (life["standing"].as_str(), life["washes"].as_str(), life["looks"].as_str()),
        ("failed", "30", "3")
    );
    assert_eq!((life["judgements"].as_str(), life["beading_ended_pass"].as_str()), ("feel: pass", "12"));
    assert_eq!((life["cost_per_m2"].as_str(), life["cost_per_m2_and_wash"].as_str()), ("6.4000", "0.6400"));
    let other = lives.iter().find(|row| row["treatment"] == "T1" && row["panel"] == "P2").unwrap();
    assert_eq!((other["washes"].as_str(), other["failed_by_washes"].as_str()), ("1", ""));

    let (said, _) = halfpanel(study, "status . --json", 0);
    let told: Value = serde_json::from_str(&said).unwrap();
    let patch = &told["patches"][0];
    assert_eq!((&patch["stage"], &patch["standing"]), (&Value::from("washed-30"), &Value::from("failed")));
    assert_eq!(patch["lifetime"], serde_json::json!({"after": 10, "until": 20, "over": false}));
    assert!(told["cautions"][0].as_str().unwrap().contains("safety data sheet"));

    // The look at 20 was one at the wrong panel: taken back, the failure is no longer confirmed.
    let wrong = rows(study).lines().find(|row| row.contains(",looked,T1,P1,20,")).unwrap().to_owned();
    let number = wrong.split(',').next().unwrap();
    let before = rows(study);
    let (said, _) = halfpanel(study, &format!("correct {number} --note wrong_panel --json"), 0);
    let told: Value = serde_json::from_str(&said).unwrap();
    assert_eq!(told["stories"][0]["suspected_at"], Value::from(30));
    assert!(rows(study).starts_with(&before), "nothing is erased");
}

#[test]
fn what_cannot_be_is_refused_and_the_file_stays_as_it_is() {
    let folder = place();
    let study = folder.path();
    let (_, errors) = halfpanel(study, "wash T9", 2);
    assert!(errors.contains("the study has no treatment `T9`"), "{errors}");
    assert!(!study.join(OBSERVATIONS).exists());
    halfpanel(study, "wash T1 --panel P1 --to 20 --at 2026-05-07T09:00:00+02:00", 0);
    let before = rows(study);
    for (line, told) in [
        ("wash T1 --panel P1 --to 12", "has been washed 20 times, and 12 is asked for"),
        ("wash T1 --class-treated 2", "`T1` stands on panels P1, P2, P3: say on which with --panel"),
        ("wash", "name a treatment or a panel"),
        (
            "wash --panel P1 --to 25 --at 2026-05-06T09:00:00+02:00",
            "the wash count of panel `P1` goes back from 25 to 20",
        ),
        ("look T1 --panel P1 --class-treated 9", "`9` cannot stand in `treated_class`"),
        ("look T1 --panel P1", "the row says nothing of what was seen"),
        ("wipe T1 --panel P1 --passes 3 --beading-ended 5", "beading ended at pass 5, and there were 3"),
        ("wipe T1 --panel P1 --note =1+1", "`note` begins with `=`"),
        ("judge T1 --panel P1 --attribute smell --pass", "no attribute of the study is called `smell`"),
        ("judge T1 --panel P1 --attribute feel", "whether it passes was not said"),
        ("judge --label K7 --attribute feel --pass", "no row above gives out the label `K7`"),
        ("correct 7", "no row above this one has the number 7"),
        ("strip --panel P7", "the study has no panel `P7`"),
        ("wash T1 --at yesterday", "write it with the offset from UTC"),
    ] {
        let (_, errors) = halfpanel(study, line, 2);
        assert!(errors.contains(told), "{line}: {errors}");
        assert_eq!(rows(study), before, "{line}");
    }
}

#[test]
fn one_row_takes_the_place_of_another() {
    let folder = place();
    let study = folder.path();
    halfpanel(study, "wash T1 --panel P1 --to 20 --at 2026-05-07T09:00:00+02:00", 0);
    halfpanel(study, "wash T1 --panel P1 --to 12 --instead-of 1 --at 2026-05-07T09:00:00+02:00", 0);
    let read = life::read("o", rows(study).as_bytes(), &season::study());
    assert_eq!(read.problems, []);
    assert_eq!(read.rows.len(), 3, "the wash, the correction, and the wash in its place");
    let washes: Vec<u32> = read
        .in_time()
        .iter()
        .filter_map(|row| match row.what {
            What::Washed { washes, .. } => Some(washes),
            _ => None,
        })
        .collect();
    assert_eq!(washes, [12]);
}

#[test]
fn a_row_is_added_in_the_way_the_file_is_written() {
    let folder = place();
    let study = folder.path();
    let theirs = "\u{feff}kind;note;at;row;panel;washes;treatment;recipe;weather\r\n\
        washed;\"windy; cold\";2026-05-01T09:00:00+02:00;1;P1;3;;shampoo;rain\r\n";
    fs::write(study.join(OBSERVATIONS), theirs).unwrap();
    let (_, errors) = halfpanel(study, "wash T1 --panel P1 --note calm --at 2026-05-07T09:00:00+02:00", 0);
    assert!(errors.contains("cells are separated by `;`"), "{errors}");
    let added = "washed;calm;2026-05-07T09:00:00+02:00;2;P1;4;;boat shampoo 1:100;\r\n";
    assert_eq!(rows(study), format!("{theirs}{added}"));
    // It has no column for what was seen.
    let (_, errors) = halfpanel(study, "look T1 --panel P1 --class-treated 2", 2);
    assert!(errors.contains("the header of the file has no column `treated_class`"), "{errors}");
    assert_eq!(rows(study), format!("{theirs}{added}"));
}

#[test]
fn a_row_that_was_cut_off_is_named_and_nothing_runs_into_it() {
    let folder = place();
    let study = folder.path();
    halfpanel(study, "wash T1 --panel P1 --to 20 --at 2026-05-07T09:00:00+02:00", 0);
    let whole = rows(study);
    fs::write(study.join(OBSERVATIONS), format!("{whole}2,2026-05-08T09:00:00+02:00,washed,,P1,3")).unwrap();
    let (_, errors) = halfpanel(study, "status .", 0);
    assert!(errors.contains("observations.csv:3:41: the row has 6 cells, and the header 27"), "{errors}");
    halfpanel(study, "wash T1 --panel P1 --at 2026-05-09T09:00:00+02:00", 0);
    let read = life::read("o", rows(study).as_bytes(), &season::study());
    assert_eq!((read.problems.len(), read.rows.len()), (1, 2));
    assert!(matches!(read.rows[1].what, What::Washed { washes: 21, .. }), "{:?}", read.rows[1]);
    // Taken back, it is none of our business any more.
    halfpanel(study, "correct 2", 0);
    assert_eq!(life::read("o", rows(study).as_bytes(), &season::study()).problems, []);
}

#[test]
fn a_file_whose_header_cannot_be_read_is_not_added_to() {
    let folder = place();
    fs::write(folder.path().join(OBSERVATIONS), "row,when,kind\n").unwrap();
    let (_, errors) = halfpanel(folder.path(), "wash T1", 2);
    assert!(errors.contains("nothing was added, since the file cannot be read"), "{errors}");
    assert_eq!(rows(folder.path()), "row,when,kind\n");
}

#[test]
fn a_blind_judge_knows_labels_only_and_the_seals_fit_afterwards() {
    let folder = place();
    let study = folder.path();
    halfpanel(study, "judge --draw", 2);
    halfpanel(study, "apply T1 --at 2026-05-04T09:30:00+02:00", 0);
    let (said, _) = halfpanel(study, "judge --draw", 0);
    let drawn: Vec<(&str, &str)> =
        said.lines().skip(1).map(|line| line.trim().split_once("  ").unwrap()).collect();
    assert_eq!(
        drawn.iter().map(|(_, patch)| *patch).collect::<Vec<_>>(),
        ["T1 on P1", "T1 on P2", "T1 on P3"]
    );
    // The seals say nothing, and neither does the judgement.
    let sealed = rows(study);
    assert_eq!(sealed.lines().filter(|row| row.contains(",blinded,,")).count(), 3);
    for (label, _) in &drawn[..2] {
        let (said, _) =
            halfpanel(study, &format!("judge --label {label} --attribute feel --fail --by Mo"), 0);
        assert!(!said.contains("T1"), "{said}");
    }
    let (_, errors) = halfpanel(study, "judge --reveal", 2);
    assert!(errors.contains(&format!("{} lacks feel", drawn[2].0)), "{errors}");
    halfpanel(study, &format!("judge --label {} --attribute feel --pass --by Mo", drawn[2].0), 0);
    halfpanel(study, "judge --reveal", 0);
    let lives = table(study, "lives.csv");
    let judged: Vec<&str> = lives.iter().map(|row| row["judgements"].as_str()).collect();
    assert_eq!(judged, ["feel: fail (blind)", "feel: fail (blind)", "feel: pass (blind)"]);
    // What was revealed is not judged blind any more.
    let (_, errors) = halfpanel(study, &format!("judge --label {} --attribute look --pass", drawn[0].0), 2);
    assert!(errors.contains("was revealed before"), "{errors}");
    // Turned about afterwards, the seal is broken.
    let (one, other) =
        (format!("revealed,T1,P1,{}", ",".repeat(15)), format!("revealed,T1,P2,{}", ",".repeat(15)));
    let turned = rows(study).replace(&one, "\u{1}").replace(&other, &one).replace('\u{1}', &other);
    let read = life::read("o", turned.as_bytes(), &season::study());
    assert_eq!(
        read.problems.iter().filter(|problem| problem.what.contains("does not fit its seal")).count(),
        2
    );
}

#[test]
fn pictures_are_kept_with_their_digests_and_verify_finds_one_that_changed() {
    let folder = tempfile::tempdir().unwrap();
    halfpanel(folder.path(), "init study", 0);
    let study = &folder.path().join("study");
    halfpanel(study, "run . --json", 0);
    fs::create_dir(study.join("photos")).unwrap();
    fs::write(study.join("photos/in.jpg"), "beads").unwrap();
    fs::write(folder.path().join("out side.jpg"), "sheets").unwrap();
    halfpanel(study, "look T1 --panel P1 --class-treated 2 --photo photos/in.jpg", 0);
    let outside = folder.path().join("out side.jpg").display().to_string().replace(' ', "_");
    halfpanel(study, &format!("look T1 --panel P1 --class-treated 2 --photo {outside}"), 0);
    // printf beads | sha256sum; printf sheets | sha256sum
    assert!(
        rows(study)
            .contains("photos/in.jpg,5c2309d2de8b4a92f4019d6498d0edff1bbc27dcb13f0ffc32f6003151f86c04"),
        "{}",
        rows(study)
    );
    assert_eq!(fs::read(study.join("photos/01c01800d699-out_side.jpg")).unwrap(), b"sheets");
    halfpanel(study, "verify .", 0);
    fs::write(study.join("photos/in.jpg"), "other").unwrap();
    let (said, _) = halfpanel(study, "verify .", 1);
    assert!(
        said.contains("observations.csv:2: the photo ./photos/in.jpg is not the one that was kept"),
        "{said}"
    );
    fs::write(study.join("photos/in.jpg"), "beads").unwrap();
    // A rule that was changed gives other lives; they are written anew when asked for.
    let source = fs::read_to_string(study.join("study.toml")).unwrap();
    fs::write(
        study.join("study.toml"),
        format!("{source}\n[failing]\nclass_within = 3\n[scale]\nclasses = [\"beads\", \"sheets\"]\n"),
    )
    .unwrap();
    let (said, _) = halfpanel(study, "verify .", 1);
    assert!(said.contains("results/lives/steps.csv:2: differs"), "{said}");
    halfpanel(study, "status . --tables", 0);
    halfpanel(study, "verify .", 0);
}

#[test]
fn a_run_takes_its_stage_from_what_was_noted_and_is_warned_when_it_is_early() {
    let folder = tempfile::tempdir().unwrap();
    halfpanel(folder.path(), "init study", 0);
    let study = &folder.path().join("study");
    halfpanel(study, "apply T1 --panel P1", 0);
    let (_, errors) = halfpanel(study, "run . --json", 0);
    assert!(errors.contains("T1 on P1 cures until"), "{errors}");
    let stages = || {
        let zones = process::rows(&study.join("results/zones.csv"));
        zones.iter().map(|row| row["stage"].clone()).collect::<std::collections::BTreeSet<_>>()
    };
    assert_eq!(stages(), ["curing".to_owned()].into());
    halfpanel(study, "wash T1 --panel P1 --to 10", 0);
    halfpanel(study, "run . --json", 0);
    assert_eq!(stages(), ["curing".to_owned(), "washed-10".to_owned()].into());
    let (said, _) = halfpanel(study, "status .", 0);
    assert!(said.contains("-01 curing") && said.contains("-02 washed-10"), "{said}");
    // The study changes, and the runs stay what they were when they began.
    let source = fs::read_to_string(study.join("study.toml")).unwrap();
    fs::write(study.join("study.toml"), source.replace("matters_gu = 2.0", "matters_gu = 2.5")).unwrap();
    let (said, _) = halfpanel(study, "verify .", 0);
    assert!(said.contains("matters_gu") && !said.contains("stage") && !said.contains("applied_at"), "{said}");
}

fn on(disk: &FaultyDisk) -> Folder {
    disk.put("study/study.toml", season::STUDY);
    Folder::new(Arc::new(disk.clone()), "study")
}

fn telling(minute: u32) -> Telling {
    let at = format!("2026-05-04T{:02}:{:02}:00+02:00", minute / 60, minute % 60);
    Telling::at(DateTime::parse_from_rfc3339(&at).unwrap())
}

fn washed(panel: &str) -> Wash {
    Wash { choice: Choice { treatment: None, panels: vec![panel.to_owned()] }, ..Wash::default() }
}

#[test]
fn a_row_that_was_told_survives_the_power_and_one_that_failed_can_be_written_again() {
    // One row is there; the second is added while any one operation goes wrong.
    let study = season::study();
    let clean = FaultyDisk::default();
    let folder = on(&clean);
    observing::wash(&folder, &study, &washed("P1"), &telling(1)).unwrap();
    clean.set_plan(Plan::default());
    observing::wash(&folder, &study, &washed("P1"), &telling(2)).unwrap();
    let operations = clean.operations().len();
    assert!(operations > 5);
    for number in 0..operations {
        for fault in [Fault::Fail(Cause::DiskFull), Fault::Fail(Cause::Io), Fault::PowerCut] {
            let disk = FaultyDisk::default();
            let folder = on(&disk);
            observing::wash(&folder, &study, &washed("P1"), &telling(1)).unwrap();
            disk.set_plan(Plan::default().at(u64::try_from(number).unwrap(), fault));
            let told = observing::wash(&folder, &study, &washed("P1"), &telling(2)).is_ok();
            for survive in [Survive::SyncedOnly, Survive::Prefix(30), Survive::Sectors(7)] {
                let after = disk.crash(survive);
                let bytes = after.peek("study/observations.csv").unwrap();
                let read = life::read("o", &bytes, &study);
                let counts: Vec<u32> = read.rows.iter().map(|row| row.row).collect();
                assert!(counts.starts_with(&[1]), "{number} {fault:?} {survive:?}: the first row is lost");
                assert!(
                    !told || counts == [1, 2],
                    "{number} {fault:?} {survive:?}: a row that was told is lost"
                );
                // Whatever is left, the next row goes behind it and is read.
                let again = observing::wash(
                    &Folder::new(Arc::new(after), "study"),
                    &study,
                    &washed("P1"),
                    &telling(3),
                );
                assert!(again.is_ok(), "{number} {fault:?} {survive:?}: {again:?}");
            }
        }
    }
}

/// Something that is done, by small numbers.
fn deed() -> impl Strategy<Value = (u8, u32, u32, u32)> {
    (0u8..8, 0u32..6, 1u32..8, 0u32..600)
}

fn whats(stands: &life::Observations, (kind, patch, number, _): (u8, u32, u32, u32)) -> Vec<What> {
    let study = season::study();
    let patch = usize::try_from(patch).unwrap();
    let panel = study.patches[patch].panel;
    let look = life::Look { treated_class: Some(number), control_class: Some(7), failed_area_pct: None };
    vec![match kind {
        0 => What::Applied { patch, amount: None, coats: Some(number), batch: String::new() },
        1 => What::Stripped { panel, patch: (number > 4).then_some(patch) },
        2 | 3 => What::Washed { panel, washes: number * 3, recipe: "a, \"b\"".to_owned(), amount: None },
        4 => What::Looked { patch, washes: None, look },
        5 => What::Wiped { patch, solvent: String::new(), passes: Some(number), beading_ended: None },
        6 => What::Withdrawn { patch },
        _ => What::Corrected { takes_back: (number * 2).min(stands.last_row.max(1)) },
    }]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    /// Rows that were added one by one: each is there as it was told, no correction loses any, every prefix of the file can be
    /// read and gives the rows that are whole in it, and every life is one that can be.
    #[test]
    fn what_was_added_is_read_again_from_any_prefix(deeds in proptest::collection::vec(deed(), 1..25), cut in 0.0f64..1.0) {
        let study = season::study();
        let disk = FaultyDisk::default();
        let folder = on(&disk);
        let mut told: Vec<(u32, What)> = Vec::new();
        for deed in deeds {
            if let Ok(added) = observing::append(&folder, &study, &telling(deed.3), |stands| Ok(whats(stands, deed))) {
                told.extend(added.rows.into_iter().map(|row| (row.row, row.what)));
            }
        }
        let bytes = disk.peek("study/observations.csv").unwrap_or_default();
        let all = life::read("o", &bytes, &study);
        prop_assert_eq!(&all.problems, &[]);
        let rows = |read: &life::Observations| read.rows.iter().map(|row| (row.row, row.what.clone())).collect::<Vec<_>>();
        prop_assert_eq!(rows(&all), told.clone());
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a place in the file")]
        let cut = (cut * bytes.len() as f64) as usize;
        let part = life::read("o", &bytes[..cut], &study);
        let whole = bytes[..cut].iter().filter(|&&b| b == b'\n').count().saturating_sub(1);
        prop_assert_eq!(&rows(&part)[..whole.min(part.rows.len())], &told[..whole]);
        prop_assert!(part.rows.len() <= whole + 1);
        for story in life::stories(&study, &all) {
            prop_assert!(story.lifetime.until.is_none_or(|until| story.lifetime.after < until), "{:?}", story);
            prop_assert!(story.lifetime.after <= story.washes || story.never_worked);
        }
    }

    /// Whatever bytes somebody puts there: no panic, and each row is read or named.
    #[test]
    fn any_bytes_are_read_without_a_panic(lines in proptest::collection::vec("[0-9a-zA-Z,;\"\u{e4} :+T.-]{0,60}", 0..12), raw in proptest::collection::vec(any::<u8>(), 0..80)) {
        let study = season::study();
        let mut bytes = format!("{}\n{}\n", life::Column::ALL.map(life::Column::name).join(","), lines.join("\n")).into_bytes();
        bytes.extend(&raw);
        let read = life::read("o", &bytes, &study);
        let filled = lines.iter().filter(|line| line.chars().any(|c| !", \"".contains(c))).count();
        prop_assert!(read.rows.len() + read.problems.len() >= filled, "{:?}", read);
        let _ = life::stories(&study, &read);
        let _ = life::read("o", &raw, &study);
    }
}
