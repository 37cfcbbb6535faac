use super::*;
use crate::board::scatter::By;
use crate::life::Lifetime;
use proptest::prelude::*;

fn entry(treatment: &str, panels: &[(&str, f64)]) -> Entry {
    let panel = |(panel, difference_gu): &(&str, f64)| PanelFigure {
        panel: (*panel).to_owned(),
        run: "r1".to_owned(),
        difference_gu: *difference_gu,
        chance_gu: 0.0,
        treated_gu: 0.0,
        common_gu: None,
        no_baseline: false,
    };
    Entry {
        study: "harbour".to_owned(),
        treatment: treatment.to_owned(),
        name: format!("Sealer {treatment}"),
        terms: vec![Term { what: "tile".to_owned(), is: "black glass 1".to_owned() }],
        panels: panels.iter().map(panel).collect(),
        kept: Vec::new(),
        judged: Vec::new(),
        lives: Vec::new(),
        cost: None,
    }
}

fn lived(treatment: &str, lives: &[(u32, Option<u32>)]) -> Entry {
    let life = |(number, (after, until)): (usize, &(u32, Option<u32>))| PanelLife {
        panel: format!("P{number}"),
        life: Lifetime { after: *after, until: *until, over: false },
    };
    Entry { lives: lives.iter().enumerate().map(life).collect(), ..entry(treatment, &[]) }
}

fn board(entries: Vec<Entry>, sort: Sort) -> Board {
    let mut found = Boards::of(entries, sort);
    assert_eq!((found.boards.len(), found.apart.len()), (1, 0));
    found.boards.remove(0)
}

fn row<'b>(board: &'b Board, treatment: &str) -> &'b Row {
    board.rows.iter().find(|row| row.treatment == treatment).unwrap()
}

#[track_caller]
fn close(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "{found} for {expected}");
}

/// Squares about the means 2, 2 and 0.5: 4.5 over 6 degrees of freedom, 0.75. T1 less T2: 3, standard error
/// √(0.75 × 2/3) = 0.7071, t = 4.243; 0.5 % of t at 6 degrees lie beyond 3.707, and 0.1 % beyond 5.208 (any table).
#[test]
fn treatments_on_panels_of_their_own_are_compared_by_the_scatter_from_panel_to_panel() {
    let found = board(
        vec![
            entry("T1", &[("A", 7.0), ("B", 8.0), ("C", 9.0)]),
            entry("T2", &[("D", 4.0), ("E", 5.0), ("F", 6.0)]),
            entry("T3", &[("G", 7.5), ("H", 8.0), ("I", 8.5)]),
        ],
        Sort::Difference,
    );
    let panels = found.scatter.panels.unwrap();
    close(panels.sd_gu, 0.75_f64.sqrt(), 1e-12);
    close(panels.degrees_of_freedom, 6.0, 0.0);
    assert_eq!(found.scatter.sides, None, "no panel carries two treatments");
    let pair = found.pairs.iter().find(|pair| pair.difference_gu.abs() > 1.0).unwrap();
    close(pair.standard_error_gu, 0.5_f64.sqrt(), 1e-12);
    // Two such pairs and one of no difference: Holm takes the smaller p three times.
    assert!(3.0 * 0.001 < pair.p_adjusted && pair.p_adjusted < 3.0 * 0.01, "{pair:?}");
    assert_eq!(found.rows.iter().map(|row| row.letters.as_str()).collect::<Vec<_>>(), ["a", "a", "b"]);
    assert_eq!((row(&found, "T1").rank, row(&found, "T2").rank), (Some([1, 2]), Some([3, 3])));
}

/// The same three panels carry both: 1.0, 0.5 and 1.5 apart, mean 1, standard deviation 0.5, so 0.5/√3 = 0.2887 and
/// t = 3.464 at 2 degrees of freedom, where p = 1 − t/√(t² + 2) = 0.0742.
#[test]
fn treatments_that_share_panels_are_compared_panel_by_panel() {
    let found = board(
        vec![
            entry("T1", &[("A", 5.0), ("B", 7.0), ("C", 9.0)]),
            entry("T2", &[("A", 4.0), ("B", 6.5), ("C", 7.5)]),
        ],
        Sort::Difference,
    );
    let [pair] = found.pairs[..] else { panic!("one pair") };
    assert_eq!(pair.by, By::SharedPanels);
    close(pair.standard_error_gu, 0.5 / 3_f64.sqrt(), 1e-12);
    close(pair.degrees_of_freedom, 2.0, 0.0);
    close(pair.p_adjusted, 0.0742, 5e-5);
    // From panel to panel they scatter by much more: (8 + 6.5) / 2 over the two degrees of three panels.
    close(found.scatter.panels.unwrap().sd_gu, ((8.0 + 6.5) / 2.0 / 2.0_f64).sqrt(), 1e-12);
}

#[test]
fn a_pair_is_not_known_better_than_the_zones_of_its_panels_allow() {
    let mut entries = vec![entry("T1", &[("A", 5.0), ("B", 5.01)]), entry("T2", &[("C", 5.5), ("D", 5.51)])];
    assert!(board(entries.clone(), Sort::Difference).pairs[0].apart);
    entries.iter_mut().flat_map(|entry| &mut entry.panels).for_each(|panel| panel.chance_gu = 0.4);
    let pair = board(entries, Sort::Difference).pairs[0];
    // Each mean of two is known to 0.4/√2, their difference to 0.4.
    close(pair.standard_error_gu, 0.4, 1e-12);
    assert!(!pair.apart);
}

#[test]
fn one_panel_each_tells_no_two_apart_and_says_why() {
    let found = board(vec![entry("T1", &[("A", 9.0)]), entry("T2", &[("A", 1.0)])], Sort::Difference);
    assert!(found.pairs.is_empty());
    assert!(found.says[0].contains("no treatment has two panels"), "{:?}", found.says);
    assert_eq!((row(&found, "T1").rank, row(&found, "T1").letters.as_str()), (Some([1, 2]), "a"));
}

#[test]
fn what_has_no_result_has_no_letter_and_takes_no_rank() {
    let measured = |code: &str, at: f64| entry(code, &[("A", at), ("B", at + 0.1), ("C", at - 0.1)]);
    let found = board(vec![measured("T1", 5.0), entry("T2", &[]), measured("T3", 1.0)], Sort::Difference);
    assert_eq!((row(&found, "T2").rank, row(&found, "T2").letters.as_str()), (None, ""));
    assert!(row(&found, "T3").rank.unwrap()[1] <= 2);
    assert_eq!(found.rows[2].treatment, "T2", "what is not known comes last");
}

#[test]
fn another_tile_is_another_board_and_the_sentence_says_so() {
    let mut other = entry("T9", &[("A", 5.0)]);
    other.study = "slipway".to_owned();
    other.terms[0].is = "black glass 2".to_owned();
    let found = Boards::of(vec![other, entry("T1", &[]), entry("T2", &[])], Sort::Difference);
    let sizes: Vec<usize> = found.boards.iter().map(|board| board.rows.len()).collect();
    assert_eq!(sizes, [2, 1]);
    assert_eq!(
        found.apart,
        [
            "T9 of slipway stand on a board of their own, for what was measured on other terms is not compared (tile: \
          black glass 2 there, black glass 1 on the first board)."
        ]
    );
}

#[test]
fn panels_of_one_name_in_two_studies_are_two_panels() {
    let mut other = entry("T2", &[("A", 1.0), ("B", 2.0)]);
    other.study = "slipway".to_owned();
    let found = board(vec![entry("T1", &[("A", 5.0), ("B", 6.0)]), other], Sort::Difference);
    assert_eq!(found.pairs[0].by, By::OwnPanels);
}

#[test]
fn three_panels_each_are_longer_on_these_panels_and_no_test_says_more() {
    let found = board(
        vec![
            lived("T1", &[(5, Some(10)), (10, Some(15)), (5, Some(10))]),
            lived("T2", &[(30, Some(35)), (20, None), (25, Some(30))]),
            lived("T3", &[(10, Some(15)), (10, Some(15)), (15, Some(20))]),
        ],
        Sort::Life,
    );
    let order: Vec<&str> = found.rows.iter().map(|row| row.treatment.as_str()).collect();
    assert_eq!(order, ["T2", "T3", "T1"]);
    // T3's last failed by wash 20, at which T2's first still worked; T1 and T3 overlap between 10 and 15.
    let pairs: Vec<(usize, usize)> =
        found.life_pairs.iter().map(|pair| (pair.longer, pair.shorter)).collect();
    assert_eq!(pairs, [(0, 1), (0, 2)]);
    assert!(found.life_pairs.iter().all(|pair| pair.on_these_panels && pair.p_adjusted.is_none()));
    assert_eq!(row(&found, "T2").life_rank, Some([1, 1]));
    assert_eq!(row(&found, "T1").life_rank, Some([2, 3]));
    assert!(found.says.iter().any(|says| says.contains("p = 0.30 after Holm")), "{:?}", found.says);
}

/// 2 of the 252 ways to draw five of ten: 0.0079.
#[test]
fn five_panels_each_are_told_apart_by_a_test_where_they_overlap() {
    let short = [(5, Some(10)), (5, Some(10)), (5, Some(15)), (10, Some(15)), (10, Some(15))];
    let long = [(10, Some(20)), (20, Some(25)), (20, Some(25)), (25, Some(30)), (25, None)];
    let found = board(vec![lived("T1", &short), lived("T2", &long)], Sort::Life);
    let [pair] = found.life_pairs[..] else { panic!("{:?}", found.life_pairs) };
    assert!(!pair.on_these_panels, "one look of each overlaps");
    assert!(pair.p_adjusted.unwrap() <= 0.05 && pair.p_adjusted.unwrap() >= 2.0 / 252.0 - 1e-12, "{pair:?}");
    assert_eq!(found.rows[pair.longer].treatment, "T2");
}

#[test]
fn a_life_put_on_over_an_earlier_product_is_shown_and_not_counted() {
    let mut one = lived("T1", &[(5, Some(10)), (40, None)]);
    one.lives[1].life.over = true;
    let lives = board(vec![one], Sort::Life).rows.remove(0).lives;
    assert_eq!((lives.patches.len(), lives.counted, lives.failed), (2, 1, 1));
    assert_eq!(lives.middle.map(|middle| (middle.after, middle.until)), Some((5, Some(10))));
}

/// 12 a square metre; the middle of (5, 10], (10, 15], (20, …) worked at 10 and had failed by 15.
#[test]
fn cost_for_a_wash_goes_by_the_middle_life() {
    let mut one = lived("T1", &[(20, None), (5, Some(10)), (10, Some(15))]);
    one.cost = Some(Cost { per_m2: 12.0, currency: "EUR".to_owned() });
    let cost = board(vec![one.clone()], Sort::Cost).rows.remove(0).cost_per_m2_and_wash.unwrap();
    close(cost.low.unwrap(), 0.8, 1e-12);
    close(cost.high.unwrap(), 1.2, 1e-12);
    one.lives.retain(|of| of.life.until.is_none());
    let alive = board(vec![one], Sort::Cost).rows.remove(0).cost_per_m2_and_wash.unwrap();
    assert_eq!((alive.low, alive.high), (None, Some(0.6)));
}

#[test]
fn the_table_has_a_cell_for_each_column_and_none_for_what_is_not_known() {
    let boards = Boards::of(vec![entry("T1", &[("A", 5.0)]), lived("T2", &[(5, None)])], Sort::Difference);
    let mut bytes = Vec::new();
    sheet::write(&boards, &mut bytes).unwrap();
    let rows: Vec<std::collections::BTreeMap<String, String>> =
        csv::Reader::from_reader(bytes.as_slice()).deserialize().map(Result::unwrap).collect();
    assert_eq!((rows[0]["difference_gu"].as_str(), rows[0]["ci_low_gu"].as_str()), ("5.0000", ""));
    assert_eq!((rows[1]["life_after_washes"].as_str(), rows[1]["life_until_washes"].as_str()), ("5", ""));
}

/// As many entries as asked for, drawn without a clock or a source of chance.
fn season(treatments: usize, panels: usize, shared: usize) -> Vec<Entry> {
    let mut state = 1_u64;
    let mut draw = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from(u32::try_from(state >> 33).unwrap()) / f64::from(1_u32 << 31)
    };
    let one = |number: usize| {
        let names: Vec<String> = (0..panels).map(|panel| format!("P{}-{panel}", number / shared)).collect();
        let centre = 16.0 * draw() - 4.0;
        let of: Vec<(&str, f64)> =
            names.iter().map(|name| (name.as_str(), centre + draw() + draw() - 1.0)).collect();
        let mut entry = entry(&format!("T{number}"), &of);
        for (name, _) in &of {
            let after = 5 * (draw() * 8.0) as u32;
            let until = (draw() < 0.9).then_some(after + 5);
            let life = Lifetime { after, until, over: false };
            entry.lives.push(PanelLife { panel: (*name).to_owned(), life });
            for stage in 1..=20 {
                let stage = format!("washed-{stage}");
                entry.kept.push(Kept { stage, panel: (*name).to_owned(), pct: 100.0 - draw() });
            }
        }
        entry
    };
    (0..treatments).map(one).collect()
}

proptest! {
    #[test]
    fn letters_and_ranks_say_what_the_pairs_say(treatments in 2_usize..30, panels in 1_usize..5, shared in 1_usize..4) {
        let found = board(season(treatments, panels, shared), Sort::Life);
        for pair in &found.pairs {
            let letters = |row: usize| found.rows[row].letters.split(' ').collect::<std::collections::BTreeSet<_>>();
            prop_assert_eq!(letters(pair.one).is_disjoint(&letters(pair.other)), pair.apart);
            let ranks = |row: usize| found.rows[row].rank.unwrap();
            if pair.apart && pair.difference_gu > 0.0 {
                prop_assert!(ranks(pair.one)[0] < ranks(pair.other)[1], "{:?} {:?}", ranks(pair.one), ranks(pair.other));
            }
        }
        let ranks = found.rows.iter().flat_map(|row| [row.rank, row.life_rank]).flatten();
        prop_assert!(ranks.into_iter().all(|[best, worst]| 1 <= best && best <= worst && worst <= treatments));
    }
}

/// `cargo test --release --lib board -- --ignored --nocapture` beside `time`: how long a board of 500 takes.
#[test]
#[ignore = "a measurement: run it with --release and look at the time"]
fn five_hundred_treatments_make_a_board() {
    for shared in [1, 2, 5] {
        let found = board(season(500, 3, shared), Sort::Difference);
        let letters: std::collections::BTreeSet<&str> =
            found.rows.iter().flat_map(|row| row.letters.split(' ')).collect();
        println!(
            "{} pairs, {} letters, {} life pairs",
            found.pairs.len(),
            letters.len(),
            found.life_pairs.len()
        );
        assert_eq!(found.rows.len(), 500);
    }
}

#[test]
fn gloss_kept_is_held_side_by_side_at_the_last_stage_that_most_treatments_have() {
    let with = |code: &str, kept: &[(&str, f64)]| {
        let one = |(stage, pct): &(&str, f64)| Kept {
            stage: (*stage).to_owned(),
            panel: "A".to_owned(),
            pct: *pct,
        };
        Entry { kept: kept.iter().map(one).collect(), ..entry(code, &[]) }
    };
    let found = board(
        vec![
            with("T1", &[("wiped", 99.0), ("washed-10", 90.0), ("washed-20", 80.0)]),
            with("T2", &[("wiped", 98.0), ("washed-10", 95.0)]),
            with("T3", &[("wiped", 97.0)]),
        ],
        Sort::Retention,
    );
    assert_eq!(found.retention_stage.as_deref(), Some("wiped"));
    let order: Vec<&str> = found.rows.iter().map(|row| row.treatment.as_str()).collect();
    assert_eq!(order, ["T1", "T2", "T3"]);
    let two = board(found_without_t3(), Sort::Retention);
    assert_eq!(two.retention_stage.as_deref(), Some("washed-10"));
    assert_eq!(two.rows[0].treatment, "T2", "95 % are kept of the one and 90 % of the other");
}

fn found_without_t3() -> Vec<Entry> {
    let kept = |stage: &str, pct: f64| Kept { stage: stage.to_owned(), panel: "A".to_owned(), pct };
    let first = vec![kept("wiped", 99.0), kept("washed-10", 90.0), kept("washed-20", 80.0)];
    let second = vec![kept("wiped", 98.0), kept("washed-10", 95.0)];
    vec![Entry { kept: first, ..entry("T1", &[]) }, Entry { kept: second, ..entry("T2", &[]) }]
}
