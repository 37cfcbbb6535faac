//! The stories told by the recordings in `fixtures/recordings/`: each is one run, pressed and said by
//! hand. `fixtures/README.md` tells them, and how their files are made anew.

use super::{Bench, head, setup};
use halfpanel::meter::shipped;
use halfpanel::run::Word;
use halfpanel::run::setup::{Block, DriftPolicy, Panel, Role, Setup, TileValue, Treatment, Zone};
use halfpanel::units::Geometry;

/// A story's name, which is that of its file, and the bytes of its recording.
pub type Story = (&'static str, Vec<u8>);

/// Tells a story on a day of June.
type Teller = fn(u32) -> Vec<u8>;

/// All stories, in the order of their runs' ids.
pub fn stories() -> Vec<Story> {
    let tellers: [(&str, Teller); 10] = [
        ("proven", proven),
        ("drifted-and-repaired", drifted_and_repaired),
        ("adjusted", adjusted),
        ("abandoned", abandoned),
        ("open-with-a-torn-tail", open_with_a_torn_tail),
        ("resumed", resumed),
        ("three-geometries", three_geometries),
        ("mended", mended),
        ("two-panels", two_panels),
        ("shared-control", shared_control),
    ];
    tellers.into_iter().zip(1..).map(|((name, tell), day)| (name, tell(day))).collect()
}

/// A bench whose run began at nine in the morning on that day of June.
fn bench(day: u32, setup: Setup) -> Bench {
    let mut head = head(setup);
    head.run = format!("2026-06-{day:02}-01");
    head.wall = chrono::DateTime::parse_from_rfc3339(&format!("2026-06-{day:02}T09:00:00+02:00")).unwrap();
    Bench::with_head(head)
}

fn taken(bench: &mut Bench) -> Vec<u8> {
    std::mem::take(&mut bench.bytes)
}

/// The treated zones were sealed a day and an hour before the run.
fn sealed(mut setup: Setup, day: u32) -> Setup {
    let before = chrono::NaiveDate::from_ymd_opt(2026, 6, day).unwrap().pred_opt().unwrap();
    for zone in setup.zones.iter_mut().filter(|zone| zone.role == Role::Treated) {
        zone.applied_at = Some(format!("{before}T08:00:00+02:00"));
    }
    setup
}

/// Three zones a side and both checks in tolerance; a value comes in three pieces, and two in one.
fn proven(day: u32) -> Vec<u8> {
    let mut bench = bench(day, sealed(setup(3), day));
    bench.press("92.4 92.5 92.4").press("71.4 75.0 71.6");
    bench.wait_min(0.1).bytes(b"75").bytes(b".3\r").bytes(b"\n");
    bench.wait_min(0.1).bytes(b"71.1\r\n75.4\r\n");
    bench.press("92.3 92.4 92.4");
    taken(&mut bench)
}

/// Wax on the tile at the interim check: the first block is read again.
fn drifted_and_repaired(day: u32) -> Vec<u8> {
    let mut four = setup(4);
    four.procedure.interim_after_readings = Some(4);
    let mut bench = bench(day, four);
    bench.press("92.4 92.4 92.4").press("70.1 73.6 70.0 73.9").press("91.0 91.1 91.0");
    bench.press("92.4 92.4 92.3").press("71.1 74.8 71.2 75.1").press("92.4 92.3 92.4");
    bench.press("71.3 75.0 71.4 75.2").press("92.4 92.4 92.4");
    taken(&mut bench)
}

/// The meter reads high and is set anew between the sides; an invalid check on the way.
fn adjusted(day: u32) -> Vec<u8> {
    let mut two = setup(2);
    two.plan = vec![Block(vec![0, 2]), Block(vec![1, 3])];
    let mut bench = bench(day, two);
    bench.press("93.3 93.3 93.3").press("70.7 70.9").word(Word::Adjust);
    bench.press("93.3 92.6 93.3").press("93.3 93.3 93.2");
    bench.press("92.2").word(Word::Adjusted).press("92.4 92.4 92.4");
    bench.press("70.0 70.2 70.1 70.4").press("92.4 92.5 92.4");
    taken(&mut bench)
}

fn abandoned(day: u32) -> Vec<u8> {
    let mut bench = bench(day, setup(2));
    bench.press("92.4 92.4 92.5").press("71.4 75.1 71.6");
    bench.word(Word::Note { text: "rain through the roof".to_owned() });
    bench.word(Word::Abandon { reason: "the panel got wet".to_owned() });
    taken(&mut bench)
}

/// The power went while the sixth reading was being written.
fn open_with_a_torn_tail(day: u32) -> Vec<u8> {
    let mut bench = bench(day, setup(2));
    bench.press("92.4 92.4 92.5").press("71.4 75.1 71.6");
    let mut bytes = taken(&mut bench);
    bytes.truncate(bytes.len() - 9);
    bytes
}

/// Taken up twice: after twelve minutes the sitting goes on, after ninety both sides are read again.
/// In between the plug comes out in the middle of a line.
fn resumed(day: u32) -> Vec<u8> {
    let mut bench = bench(day, setup(2));
    bench.press("92.4 92.4 92.5").press("71.4 75.1");
    bench.resume_with_torn(12.0, false, "5f01c2a9 {\"n\":9,\"t\":30000000,\"g\":9,\"k\":\"by");
    bench.press("71.6").bytes(b"75.").link(false).wait_min(0.5).link(true);
    bench.resume_after_min(90.0, false);
    bench.press("92.3 92.4 92.4").press("71.5 75.0 71.7 75.4").press("92.4 92.4 92.3");
    taken(&mut bench)
}

/// All three geometries in every line, two repeats a zone, drift taken out of the values.
fn three_geometries(day: u32) -> Vec<u8> {
    let mut two = setup(2);
    two.profile = shipped::text("three-angle").unwrap().to_owned();
    two.geometries = Geometry::ALL.to_vec();
    let value = |geometry_deg: Geometry, assigned: &str| TileValue {
        geometry_deg,
        assigned_gu: assigned.parse().unwrap(),
        expanded_uncertainty_gu: Some("0.6".parse().unwrap()),
    };
    two.tile.values =
        vec![value(Geometry::Deg20, "88.10"), value(Geometry::Deg60, "92.4"), value(Geometry::Deg85, "99.6")];
    two.procedure.readings_per_zone = 2;
    two.procedure.drift_policy = DriftPolicy::Correct;
    let mut bench = bench(day, two);
    bench.bytes(b"    G20     G60     G85\r\n");
    let lines = "
   88.1    92.4    99.6\n   88.0    92.4    99.6\n   88.1    92.5    99.5
   41.2    71.4    85.0\n   41.3    71.6    85.1\n   45.0    75.0    87.9\n   45.2    75.2    88.1
   41.5    71.7    85.2\n   41.4    71.5    85.2\n   45.6    75.5    88.3\n   45.5    75.3    88.2
   88.3    92.6    99.7\n   88.2    92.6    99.8\n   88.3    92.7    99.7";
    for line in lines.lines().filter(|line| !line.is_empty()) {
        // A line comes in three records.
        let (first, rest) = line.as_bytes().split_at(7);
        bench.wait_min(0.25).bytes(first).bytes(rest).bytes(b"\r\n");
    }
    taken(&mut bench)
}

/// Everything that can become of a reading: undone, voided, superseded, and a zone left out.
fn mended(day: u32) -> Vec<u8> {
    let mut three = setup(3);
    three.procedure.readings_per_zone = 2;
    let mut bench = bench(day, three);
    let text = |text: &str| text.to_owned();
    bench.press("92.4").press("90.0").word(Word::Undo).press("92.5 92.4");
    bench.press("71.4 68.0").word(Word::Undo).press("71.6");
    bench.press("75.0 79.9").word(Word::Void { placement: None, reason: text("slid; the \"foot\", naß") });
    bench.press("75.2");
    bench.press("71.2 71.3").word(Word::Skip { zone: None, reason: text("scratched, by the mould") });
    bench.press("71.0 71.1").word(Word::Again { zone: Some(text("c1")) }).press("71.5 71.5");
    bench.word(Word::Pause).press("12.3").word(Word::Resume).bytes(b"ERR 7\r\n").press("75.2 75.3");
    bench.press("92.4 92.4 92.4");
    taken(&mut bench)
}

/// Two panels in one run, with zones of the same names.
fn two_panels(day: u32) -> Vec<u8> {
    let mut both = sealed(setup(2), day);
    both.panels.push(Panel { id: "P2".to_owned(), ..both.panels[0].clone() });
    let second: Vec<Zone> = both.zones.iter().map(|zone| Zone { panel: 1, ..zone.clone() }).collect();
    both.zones.extend(second);
    both.plan = vec![Block(vec![0, 1, 3, 2]), Block(vec![4, 5, 7, 6])];
    both.procedure.interim_after_readings = Some(4);
    let mut bench = bench(day, both);
    bench.press("92.4 92.4 92.5").press("71.4 75.0 75.3 71.6").press("92.4 92.3 92.4");
    bench.press("68.9 68.1 68.4 69.0").press("92.4 92.4 92.3");
    taken(&mut bench)
}

/// Two treatments on one panel, compared with the same control zones.
fn shared_control(day: u32) -> Vec<u8> {
    let mut shared = sealed(setup(3), day);
    shared.panels[0].height_mm = 150.0;
    shared.treatments.push(Treatment {
        code: "T2".to_owned(),
        name: "Harbour Sealer No. 4".to_owned(),
        batch: "0417".to_owned(),
        how: "two thin coats by cloth".to_owned(),
        cure_hours: Some(24.0),
    });
    for i in 0..3 {
        let of = shared.zones[2 * i + 1].clone();
        shared.zones.push(Zone {
            name: format!("S{}", i + 1),
            treatment: Some(1),
            applied_at: None,
            y_mm: 110.0,
            ..of
        });
    }
    shared.plan = (0..3).map(|i| Block(vec![2 * i, 2 * i + 1, 6 + i])).collect();
    let mut bench = bench(day, shared);
    bench.press("92.4 92.4 92.4").press("71.4 75.0 71.5 71.6 75.3 71.2 71.1 75.4 71.3");
    bench.press("92.4 92.4 92.5");
    taken(&mut bench)
}
