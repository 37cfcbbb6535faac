use super::*;
use proptest::prelude::*;

/// Values come every tenth of a second.
const EVERY_US: u64 = 100_000;

fn rule() -> Streaming {
    Streaming {
        window: 5,
        spread_gu: Gloss::parse("0.3").unwrap(),
        settle: 2,
        away: 3,
        lift_below_gu: Some(Gloss::parse("5").unwrap()),
        leave_by_gu: None,
        pause_us: None,
    }
}

/// A watch and its time.
struct Bench {
    watch: StreamWatch,
    now_us: u64,
}

impl Bench {
    fn new(rule: Streaming) -> Bench {
        Bench { watch: StreamWatch::new(rule), now_us: 0 }
    }

    /// Feeds values in tenths of a GU at 60°; what was found, in words.
    fn feed(&mut self, tenths: impl IntoIterator<Item = i64>) -> Vec<String> {
        let mut found = Vec::new();
        for value in tenths {
            self.now_us += EVERY_US;
            let gloss = [(Geometry::Deg60, gu(value))].into_iter().collect();
            found.extend(self.watch.feed(self.now_us, gloss).map(|f| match f {
                Found::Reading(gloss) => gloss.get(Geometry::Deg60).unwrap().to_string(),
                Found::Wobble { apart_gu, .. } => format!("wobble {apart_gu}"),
                Found::StillThere => "still there".to_owned(),
            }));
        }
        found
    }

    fn wait_s(&mut self, seconds: u64) {
        self.now_us += seconds * 1_000_000;
    }
}

fn gu(tenths: i64) -> Gloss {
    Gloss::from(rust_decimal::Decimal::new(tenths, 1))
}

const AIR: [i64; 5] = [0, 1, 0, 0, 2];

#[test]
fn a_placement_gives_the_median_of_its_first_stable_window() {
    let mut bench = Bench::new(rule());
    assert!(bench.feed(AIR).is_empty());
    // Two values settle; the window slides until its five lie within 0.3.
    assert_eq!(bench.feed([600, 690, 700, 714, 716, 715, 717, 714]), ["71.5"]);
    assert!(bench.feed([714; 100]).is_empty(), "once for a placement");
    bench.feed(AIR);
    assert_eq!(bench.feed([714; 7]), ["71.4"], "the same value on another placement counts");
}

#[test]
fn a_meter_that_rests_when_the_run_begins_is_not_read_before_it_was_put_down() {
    let mut bench = Bench::new(rule());
    assert!(bench.feed([714; 100]).is_empty());
    assert_eq!(bench.feed([714; 1000]), ["still there"], "told once");
    bench.feed(AIR);
    assert_eq!(bench.feed([714; 7]), ["71.4"]);
}

#[test]
fn fewer_odd_values_than_a_lift_takes_do_not_make_a_second_placement() {
    let mut bench = Bench::new(rule());
    bench.feed(AIR);
    assert_eq!(bench.feed([714; 7]).len(), 1);
    for _ in 0..5 {
        assert!(bench.feed([0, 0]).is_empty());
        assert!(bench.feed([714; 20]).is_empty());
    }
}

#[test]
fn sliding_to_another_place_counts_where_the_profile_says_by_how_much() {
    let slide = Streaming { lift_below_gu: None, leave_by_gu: Some(Gloss::parse("2").unwrap()), ..rule() };
    let mut bench = Bench::new(slide);
    bench.feed([0; 3]);
    assert_eq!(bench.feed([714; 10]), ["71.4"]);
    assert!(bench.feed([734; 100]).is_empty(), "by 2.0 and no more");
    assert_eq!(bench.feed([735; 10]), ["73.5"]);
}

#[test]
fn a_silence_is_a_lift_only_where_the_profile_says_so() {
    let silent = Streaming { lift_below_gu: None, pause_us: Some(1_000_000), ..rule() };
    for (rule, readings) in [(silent, 1), (rule(), 0)] {
        let mut bench = Bench::new(rule);
        bench.watch.line_up(0);
        bench.feed([714; 3]);
        bench.wait_s(1);
        assert_eq!(bench.feed([714; 20]).len(), readings);
        bench.wait_s(1);
        assert_eq!(bench.feed([714; 20]).len(), readings);
    }
}

#[test]
fn wobbling_gives_no_reading_but_a_hint_every_four_seconds() {
    let mut bench = Bench::new(rule());
    bench.feed(AIR);
    let found = bench.feed((0..130).map(|k| 714 + (k % 2) * 20));
    assert_eq!(found, ["wobble 2.0"; 3]);
    assert_eq!(bench.feed([714; 5]), ["71.4"], "and a reading as soon as it stands still");
}

#[test]
fn what_was_put_down_for_something_else_has_to_be_put_down_anew() {
    let mut bench = Bench::new(rule());
    bench.feed(AIR);
    bench.feed([714; 6]);
    bench.watch.spend();
    assert!(bench.feed([714; 50]).is_empty());
    bench.feed(AIR);
    bench.watch.spend();
    assert_eq!(bench.feed([714; 7]), ["71.4"], "a meter in the air has nothing to take back");
}

#[test]
fn a_line_without_a_value_breaks_the_window_and_words_of_the_air_are_a_lift() {
    let mut bench = Bench::new(rule());
    bench.feed(AIR);
    bench.feed([714; 6]);
    bench.watch.miss(bench.now_us, false);
    assert!(bench.feed([714; 4]).is_empty());
    assert_eq!(bench.feed([714]), ["71.4"]);
    for _ in 0..3 {
        bench.watch.miss(bench.now_us, true);
    }
    assert_eq!(bench.feed([714; 7]), ["71.4"]);
}

#[test]
fn all_geometries_have_to_stand_still() {
    let mut watch = StreamWatch::new(rule());
    let values =
        |at20, at60| [(Geometry::Deg20, gu(at20)), (Geometry::Deg60, gu(at60))].into_iter().collect();
    let feed = |watch: &mut StreamWatch, k: u64, v| watch.feed(k * EVERY_US, v);
    for k in 0..3 {
        assert_eq!(feed(&mut watch, k, values(0, 0)), None);
    }
    for k in 3..30 {
        let swing = if k % 2 == 0 { 9 } else { 0 };
        assert_eq!(feed(&mut watch, k, values(400 + swing, 714)), None);
    }
    let last = (30..36).filter_map(|k| feed(&mut watch, k, values(400, 714))).last();
    assert_eq!(last, Some(Found::Reading(values(400, 714))));
}

/// The oracle counts lifts by a rule of its own: a placement is what lies between two runs of at least
/// three values in the air.
fn placements(tenths: &[i64]) -> usize {
    let in_air: Vec<bool> = tenths.iter().map(|&v| v < 50).collect();
    let lifts = in_air.chunk_by(|a, b| a == b).filter(|run| run[0] && run.len() >= 3).count();
    let ends_in_air = in_air.chunk_by(|a, b| a == b).next_back().is_some_and(|run| run[0] && run.len() >= 3);
    lifts - usize::from(ends_in_air)
}

fn pieces() -> impl Strategy<Value = Vec<i64>> {
    let air = (1..8_usize).prop_map(|n| vec![3; n]);
    let spike = (1..3_usize, 100..900_i64).prop_map(|(n, v)| vec![v; n]);
    let steady = (500..900_i64, 1..40_usize, any::<u64>())
        .prop_map(|(v, n, seed)| (0..n).map(|k| v + (seed >> (k % 60) & 3) as i64).collect());
    let piece = prop_oneof![air, spike, steady];
    proptest::collection::vec(piece, 1..30).prop_map(|pieces: Vec<Vec<i64>>| pieces.concat())
}

proptest! {
    #[test]
    fn one_placement_never_gives_two_readings(tenths in pieces()) {
        let readings = Bench::new(rule()).feed(tenths.iter().copied()).iter().filter(|f| f.parse::<f64>().is_ok()).count();
        prop_assert!(readings <= placements(&tenths), "{} readings", readings);
    }

    /// Five values of a slope of 0.1 a value lie 0.4 apart.
    #[test]
    fn a_ramp_gives_no_reading(start in 100..500_i64, slope in 1..30_i64, n in 1..200_i64) {
        let mut bench = Bench::new(rule());
        bench.feed(AIR);
        let found = bench.feed((0..n).map(|k| start + k * slope));
        prop_assert!(found.iter().all(|f| f.starts_with("wobble")), "{:?}", found);
    }

    #[test]
    fn a_reading_is_one_of_the_last_values_with_as_many_below_as_above(tenths in pieces()) {
        let mut bench = Bench::new(rule());
        for (k, &value) in tenths.iter().enumerate() {
            for found in bench.feed([value]) {
                let Ok(reading) = found.parse::<f64>() else { continue };
                let reading = (reading * 10.0).round() as i64;
                let window = &tenths[k + 1 - 5..=k];
                prop_assert!(window.contains(&reading));
                prop_assert!(window.iter().filter(|&&v| v < reading).count() <= 2);
                prop_assert!(window.iter().filter(|&&v| v > reading).count() <= 2);
                prop_assert!(window.iter().max().unwrap() - window.iter().min().unwrap() <= 3);
            }
        }
    }
}
