//! A long season as a report: how long it takes, and how much memory. `HALFPANEL_TREATMENTS=500` makes it the size that
//! `cargo bench --bench season` is of; without it, it is small, and only held to come out whole.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]
#![allow(clippy::disallowed_methods, reason = "it measures how long something takes")]

use halfpanel::life;
use halfpanel::report::publication::Panel;
use halfpanel::report::publication::PngChoice;
use halfpanel::report::publication::Publication;
use halfpanel::report::publication::RunRecord;
use halfpanel::report::publication::Tables;
use halfpanel::report::publication::Treatment;
use halfpanel::report::publication::ranked;
use halfpanel::report::publication::rows;
use halfpanel::report::publication::terms_of;
use halfpanel::report::site;
use halfpanel::report::tile_history::TileHistory;
use halfpanel::run::record::Scanner;
use halfpanel::run::replay;
use halfpanel::study::Study;
use halfpanel::tables::Table;
use halfpanel::units::Geometry;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Instant;

const STAGES: usize = 20;
const PANELS: usize = 3;
/// Treatments that share a panel, and a run.
const TOGETHER: usize = 4;
const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/demo-data");

fn stage(index: usize) -> String {
    match index {
        0 => "cured".to_owned(),
        1 => "wiped".to_owned(),
        n => format!("washed-{}", 5 * (n - 1)),
    }
}

/// The study, each treatment on three panels that it shares with three others.
fn study(treatments: usize) -> Study {
    let mut text = String::from(
        "name = \"A long season\"\n[meter]\nport = \"sim:x.toml\"\nprofile = \"semicolon-numbered\"\n[tile]\nname = \"Black glass\"\n\
         [[tile.value]]\ngeometry_deg = 60\nassigned_gu = 92.4\nexpanded_uncertainty_gu = 0.6\n",
    );
    for panel in 0..treatments.div_ceil(TOGETHER) * PANELS {
        let _ = write!(
            text,
            "[[panel]]\nid = \"P{panel}\"\nwidth_mm = 400\nheight_mm = 400\ncontrol = [\"C1\", \"C2\"]\n"
        );
        for (row, side) in ["C", "A", "B", "D", "E"].iter().enumerate() {
            let _ = write!(
                text,
                "[[panel.row]]\nnames = [\"{side}1\", \"{side}2\"]\ny_mm = {}\nheight_mm = 40\n",
                10 + 60 * row
            );
        }
    }
    for t in 0..treatments {
        let _ = write!(
            text,
            "[[treatment]]\ncode = \"T{t}\"\nname = \"Sealer of the season no. {t}\"\ncure_hours = 24\n"
        );
    }
    for t in 0..treatments {
        let side = ["A", "B", "D", "E"][t % TOGETHER];
        for of in 0..PANELS {
            let panel = t / TOGETHER * PANELS + of;
            let _ = write!(
                text,
                "[[patch]]\ntreatment = \"T{t}\"\npanel = \"P{panel}\"\nzones = [\"{side}1\", \"{side}2\"]\napplied_at = 2026-05-01T09:00:00+02:00\n"
            );
        }
    }
    Study::load("study.toml", &text).unwrap()
}

/// A row of a table from some of its cells; the others are empty.
fn row(table: Table, cells: &[(&str, &str)]) -> String {
    let cell = |name: &str| cells.iter().find(|(known, _)| *known == name).map_or("", |(_, cell)| cell);
    table.schema().columns.iter().map(|column| cell(column.name)).collect::<Vec<_>>().join(",") + "\n"
}

fn header(table: Table) -> String {
    table.schema().columns.iter().map(|column| column.name).collect::<Vec<_>>().join(",") + "\n"
}

/// `results.csv`, `budget.csv` and `treatments.csv`.
fn tables(treatments: usize) -> [String; 3] {
    let [mut results, mut budget, mut over] = [Table::Results, Table::Budget, Table::Treatments].map(header);
    for t in 0..treatments {
        for s in 0..STAGES {
            let (code, stage) = (format!("T{t}"), stage(s));
            let run = format!("2026-05-01-{:05}", t / TOGETHER * STAGES + s);
            let middle = (t * 37 % 100) as f64 / 10.0 - 4.0 - 0.1 * s as f64;
            for of in 0..PANELS {
                let panel = format!("P{}", t / TOGETHER * PANELS + of);
                let difference = middle + 0.2 * of as f64;
                let figure = |off: f64| format!("{:.4}", difference + off);
                let place = [
                    ("run", run.as_str()),
                    ("panel", &panel),
                    ("treatment", &code),
                    ("stage", &stage),
                    ("geometry_deg", "60"),
                ];
                let (value, low, high, treated) = (figure(0.0), figure(-0.6), figure(0.6), figure(71.0));
                let cells = [
                    ("design", "paired"),
                    ("n_control", "2"),
                    ("n_treated", "2"),
                    ("control_mean_gu", "71.0000"),
                    ("treated_mean_gu", &treated),
                    ("difference_gu", &value),
                    ("ci_low_gu", &low),
                    ("ci_high_gu", &high),
                    ("expanded_uncertainty_gu", "0.7000"),
                    ("degrees_of_freedom", "4.0000"),
                    ("verdict", if difference > 0.6 { "higher" } else { "no detectable difference" }),
                    ("status", "proven"),
                    ("drift_policy", "allow"),
                    ("recording", &run),
                    ("recording_sha256", &"ab".repeat(32)),
                    ("retention_pct", "98.0000"),
                    ("retention_from_stage", "cured"),
                ];
                results.push_str(&row(Table::Results, &[&place[..], &cells[..]].concat()));
                for (component, enters) in
                    [("scatter of treated zones", "chance"), ("tile certificate", "common")]
                {
                    let cells = [
                        ("component", component),
                        ("enters", enters),
                        ("value", "0.2000"),
                        ("stated_as", "standard uncertainty"),
                        ("divisor", "1.0000"),
                        ("sensitivity", "1.0000"),
                        ("contribution_gu", "0.2000"),
                        ("share_pct", "50.0000"),
                    ];
                    budget.push_str(&row(Table::Budget, &[&place[..], &cells[..]].concat()));
                }
            }
            let figure = |off: f64| format!("{:.4}", middle + 0.2 + off);
            let (value, low, high) = (figure(0.0), figure(-0.5), figure(0.5));
            over.push_str(&row(
                Table::Treatments,
                &[
                    ("treatment", code.as_str()),
                    ("stage", &stage),
                    ("geometry_deg", "60"),
                    ("n_panels", "3"),
                    ("runs", &run),
                    ("difference_gu", &value),
                    ("panel_sd_gu", "0.2000"),
                    ("ci_low_gu", &low),
                    ("ci_high_gu", &high),
                    ("degrees_of_freedom", "2.0000"),
                    ("expanded_uncertainty_gu", "0.6000"),
                    ("verdict", "higher"),
                    ("speaks_of", "product"),
                ],
            ));
        }
    }
    [results, budget, over]
}

/// Looks after every stage on every panel.
fn observations(study: &Study, treatments: usize) -> life::Observations {
    let mut text = String::from("row,at,kind,treatment,panel,washes,treated_class,control_class,by\n");
    let mut number = 0;
    for s in 2..STAGES {
        let (day, washes) = (s + 1, 5 * (s - 1));
        for panel in 0..treatments.div_ceil(TOGETHER) * PANELS {
            number += 1;
            let _ =
                writeln!(text, "{number},2026-06-{day:02}T08:00:00+02:00,washed,,P{panel},{washes},,,Sam");
            for t in 0..TOGETHER {
                let code = panel / PANELS * TOGETHER + t;
                if code < treatments {
                    number += 1;
                    let class = if s > 2 + code % STAGES { 6 } else { 2 };
                    let _ = writeln!(
                        text,
                        "{number},2026-06-{day:02}T09:00:00+02:00,looked,T{code},P{panel},{washes},{class},6,Sam"
                    );
                }
            }
        }
    }
    let read = life::read("observations.csv", text.as_bytes(), study);
    assert_eq!(read.problems, []);
    read
}

fn publication(treatments: usize) -> Publication {
    let study = study(treatments);
    let [results, budget, over] = tables(treatments);
    let recording = std::fs::read(format!("{DEMO}/recordings/2026-05-06-01.rec")).unwrap();
    let replayed = replay("run", &mut Scanner::new("run", recording.as_slice()), |_, _, _| {}).unwrap();
    let mut methods = Vec::new();
    let of_run = RunRecord::of(&replayed, &mut methods);
    let runs: Vec<RunRecord> = (0..treatments.div_ceil(TOGETHER) * STAGES)
        .map(|index| RunRecord {
            id: format!("2026-05-01-{index:05}"),
            began_us: of_run.began_us + index as i64,
            ..of_run.clone()
        })
        .collect();
    let setups =
        runs.iter().map(|run| (run.id.clone(), terms_of(&replayed.head.setup))).collect::<BTreeMap<_, _>>();
    let stories = life::stories(&study, &observations(&study, treatments));
    let tables = Tables { results_csv: results.as_bytes(), budget_csv: budget.as_bytes(), setups: &setups };
    Publication {
        name: study.name.clone(),
        program: "0.1.0".to_owned(),
        treatments: Treatment::all_of(&study),
        panels: Panel::all_of(&study),
        matters_gu: Some(2.0),
        results: rows(results.as_bytes()).unwrap(),
        over_panels: rows(over.as_bytes()).unwrap(),
        contrasts: Vec::new(),
        ranked: ranked(&study, tables, &stories, "cured", Geometry::Deg60).unwrap(),
        stories,
        watching: study.watching.clone(),
        unread: Vec::new(),
        runs,
        methods,
        tile: TileHistory::of(&study.name, Vec::new(), 8),
        refused: Vec::new(),
        downloads: Vec::new(),
        png: PngChoice::LeftOut,
    }
}

/// Peak of the memory that this process has held, MiB, where the system says it.
fn peak_mib() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? / 1024)
}

#[test]
fn a_long_season_comes_out_whole_page_by_page() {
    let treatments = std::env::var("HALFPANEL_TREATMENTS").map_or(12, |count| count.parse().unwrap());
    let start = Instant::now();
    let publication = publication(treatments);
    println!(
        "{treatments} treatments of {STAGES} stages made up in {:.1} s, peak {:?} MiB",
        start.elapsed().as_secs_f64(),
        peak_mib()
    );
    let start = Instant::now();
    let (mut files, mut bytes, mut longest) = (0, 0, 0);
    let done: Result<(), std::convert::Infallible> = site::each(&publication, &mut |file| {
        (files, bytes, longest) = (files + 1, bytes + file.bytes.len(), longest.max(file.bytes.len()));
        Ok(())
    });
    let Ok(()) = done;
    println!(
        "{files} files, {:.1} MB, the longest {:.1} MB, in {:.1} s, peak {:?} MiB",
        bytes as f64 / 1e6,
        longest as f64 / 1e6,
        start.elapsed().as_secs_f64(),
        peak_mib()
    );
    let runs = treatments.div_ceil(TOGETHER) * STAGES;
    // Seven pages, a style, a board for each further stage, a page and four cards a treatment, a page a run.
    assert_eq!(files, 7 + 1 + (STAGES - 1) + 5 * treatments + runs);
}
