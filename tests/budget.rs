//! The uncertainty budget: one case worked by hand in which every component is there, and the published
//! columns of `budget.csv`, which must multiply out and add up by themselves.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;

use common::Bench;
use common::setup;
use halfpanel::difference::evidence::CheckMean;
use halfpanel::difference::evidence::Evidence;
use halfpanel::difference::evidence::MeterFacts;
use halfpanel::difference::evidence::Point;
use halfpanel::difference::evidence::Sitting;
use halfpanel::difference::evidence::TileFacts;
use halfpanel::difference::weighing::Known;
use halfpanel::difference::weighing::weigh;
use halfpanel::run::Want;
use halfpanel::run::setup::DriftPolicy;
use halfpanel::stats::precision::Scatter;
use halfpanel::stats::student::t_quantile;
use halfpanel::tables;
use halfpanel::tables::Table;
use proptest::prelude::*;
use std::collections::BTreeMap;

/// Zones by the share of the time between the two checks, with what they read.
fn zones(read: [(f64, f64); 3]) -> Vec<Point> {
    read.map(|(share, gu)| Point { shares: vec![1.0 - share, share], ..Point::read(gu) }).to_vec()
}

fn sitting(checks: [f64; 2], check_sd: f64, repeats: f64, sides: [[(f64, f64); 3]; 2]) -> Sitting {
    Sitting {
        checks: checks.map(|mean_gu| CheckMean { mean_gu, n: 3.0 }).to_vec(),
        check_scatter: Some(Scatter { sd: check_sd, degrees_of_freedom: 4.0 }),
        repeats,
        control: zones(sides[0]),
        treated: zones(sides[1]),
    }
}

fn holds(known: &Known, u: f64, degrees: f64, t: f64, expanded: f64) {
    let found =
        [known.standard_uncertainty_gu, known.degrees_of_freedom, known.coverage_factor, known.expanded_gu];
    for (found, by_hand) in found.into_iter().zip([u, degrees, t, expanded]) {
        assert!((found - by_hand).abs() < 2e-5 * by_hand, "{found} is {by_hand} by hand");
    }
}

/// In the manner of example H.1 of the GUM, all by hand. A tile of 90 GU known to 0.9 GU (k = 2); a meter with a step of
/// 0.12 GU, a repeatability of 0.06 GU and a bow of 0.45 GU; three zones a side, read twice, and once when bare;
/// three readings a check. Policy `allow`. r = 0.12/√12 = 0.034641.
///
/// Changes: control 0.2, 0.4, 0.6, mean 0.4, s = 0.2; treated 4.00, 3.98, 4.02, mean 4.0, s = 0.02. Difference 3.6.
///
/// | component | how | GU | ν |
/// | --- | --- | --- | --- |
/// | scatter of control zones | 0.2/√3 | 0.115470 | 2 |
/// | scatter of treated zones | floor: 0.06 × √(1/2 + 1/1) = 0.073485 beats √2 × r = 0.048990; ÷ √3 | 0.042426 | 2 |
/// | display step, treated | 0.02 < 0.06, half a step: √2 × r | 0.048990 | ∞ |
/// | drift between the sides | C C T T C T: a step behind the second control is seen by 3/3 of the treated and 1/3 of the control: 2/3 × 0.3 = 0.2 at the tile; level (45.3 + 50.4)/2 = 47.85, ÷ 90 | 0.106333 | ∞ |
/// | noise of the drift | mean moments 0.6 − 0.4 = 0.2; s = 0.09 is above the floor 0.06, and above half a step: 0.09/√3 × 0.2√2 × 47.85/90 | 0.007814 | 4 |
/// | drift, bare | C T T C C T: 1/3 × 0.2 up or down = 0.066667; level 45.65 | 0.033815 | ∞ |
/// | noise of the drift, bare | 0.5 − 0.4 = 0.1; s = 0.05 is below the floor 0.06 and half a step, so √(0.06²/3 + r²) = 0.049 × 0.1√2 × 45.65/90 | 0.003515 | 4 |
/// | meter off its tile | at the middle moment 0.5: 90.35 − 90 = 0.35 × 5.1/90 | 0.019833 | ∞ |
/// | scatter of tile checks | 0.09/√3 × √(0.5² + 0.5²) × 5.1/90 | 0.002082 | 4 |
/// | meter off, bare | at 0.45: 0.55 × 90.1 + 0.45 × 89.9 − 90 = 0.01 × 1.5/90 | 0.000167 | ∞ |
/// | scatter of checks, bare | 0.049 × √(0.55² + 0.45²) × 1.5/90 | 0.000580 | 4 |
/// | tile certificate | 0.9/2 × 3.6/90 | 0.018000 | ∞ |
/// | scale not straight | 0.45/√3 × 4 × 3.6/90 | 0.041569 | ∞ |
///
/// Squares of the first seven: u = 0.173369, ν by Welch and Satterthwaite 9.98146, t = 2.22870, U = 0.386388.
/// Of all: u = 0.180297, ν = 11.67504, t = 2.18556, U = 0.394050.
#[test]
fn a_budget_with_every_component_is_the_one_worked_out_by_hand() {
    let evidence = Evidence {
        after: sitting(
            [90.2, 90.5],
            0.09,
            2.0,
            [[(0.2, 45.0), (0.3, 45.3), (0.7, 45.6)], [(0.4, 50.0), (0.6, 50.4), (0.8, 50.8)]],
        ),
        before: Some(sitting(
            [90.1, 89.9],
            0.05,
            1.0,
            [[(0.1, 44.8), (0.5, 44.9), (0.6, 45.0)], [(0.3, 46.0), (0.4, 46.42), (0.8, 46.78)]],
        )),
        meter: MeterFacts { step_gu: 0.12, repeatability_gu: Some(0.06), bow_gu: Some(0.45) },
        tile: TileFacts { assigned_gu: 90.0, expanded_uncertainty_gu: Some(0.9) },
        policy: DriftPolicy::Allow,
    };
    let weighed = weigh(&evidence);
    assert!((weighed.difference_gu.unwrap() - 3.6).abs() < 1e-12);
    let by_hand = [
        ("scatter of control zones", false, 0.115_470, Some(2.0)),
        ("scatter of treated zones", false, 0.042_426, Some(2.0)),
        ("display step (treated side)", false, 0.048_990, None),
        ("drift between the sides", false, 0.106_333, None),
        ("noise of the drift", false, 0.007_814, Some(4.0)),
        ("drift between the sides (bare sitting)", false, 0.033_815, None),
        ("noise of the drift (bare sitting)", false, 0.003_515, Some(4.0)),
        ("meter off its tile", true, 0.019_833, None),
        ("scatter of tile checks", true, 0.002_082, Some(4.0)),
        ("meter off its tile (bare sitting)", true, 0.000_167, None),
        ("scatter of tile checks (bare sitting)", true, 0.000_580, Some(4.0)),
        ("tile certificate", true, 0.018_000, None),
        ("scale not straight", true, 0.041_569, None),
    ];
    assert_eq!(weighed.parts.len(), by_hand.len(), "{:#?}", weighed.parts);
    for (part, (name, common, gu, degrees)) in weighed.parts.iter().zip(by_hand) {
        assert_eq!((part.component.name.as_str(), part.common), (name, common));
        assert!((part.contribution_gu - gu).abs() < 1e-6, "{name}: {} is {gu} by hand", part.contribution_gu);
        assert_eq!(part.component.degrees_of_freedom, degrees, "{name}");
        let share = gu * gu / (0.180_297 * 0.180_297);
        assert!((part.share.unwrap() - share).abs() < 2e-5, "{name}: {:?} is {share} by hand", part.share);
    }
    holds(&weighed.chance.unwrap(), 0.173_369_4, 9.981_46, 2.228_700, 0.386_388_4);
    holds(&weighed.whole.unwrap(), 0.180_297_0, 11.675_04, 2.185_558, 0.394_049_6);
    assert_eq!((weighed.lacking.as_slice(), weighed.step_hides_scatter), (&[][..], true));
}

/// Half of the last printed digit.
const HALF: f64 = 0.5e-4 + 1e-12;

type Row = BTreeMap<String, String>;

fn rows(bench: &Bench, table: Table) -> Vec<Row> {
    let mut csv = Vec::new();
    tables::write(table, bench.run.ledger(), "", &mut csv, true).unwrap();
    csv::Reader::from_reader(csv.as_slice()).deserialize().map(Result::unwrap).collect()
}

fn figure(row: &Row, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column} is `{}` in {row:?}", row[column]))
}

/// Results and budget of a whole run: tile within its tolerance and drift, zones anywhere on the scale, one or two readings each.
fn runs() -> impl Strategy<Value = [Vec<Row>; 2]> {
    let gloss = || proptest::collection::vec(0_u32..9000, 12);
    let sides = (2_usize..=3, 1_u32..=2, any::<bool>(), proptest::option::of(1_i64..90));
    let values = (gloss(), 0_u32..6000, 1_u32..3000);
    (sides, values, proptest::collection::vec(9230_u32..9260, 6)).prop_map(
        |((zones, repeats, correct, u), (gloss, base, spread), tile)| {
            let mut setup = setup(zones);
            setup.procedure.readings_per_zone = repeats;
            setup.procedure.drift_policy = if correct { DriftPolicy::Correct } else { DriftPolicy::Allow };
            setup.tile.values[0].expanded_uncertainty_gu = u.map(|u| rust_decimal::Decimal::new(u, 2));
            let mut bench = Bench::new(setup);
            let (mut tile, mut gloss) = (tile.into_iter().cycle(), gloss.into_iter().cycle());
            for _ in 0..6 + 2 * zones as u32 * repeats {
                let hundredths = match bench.run.want() {
                    Want::Tile { .. } => tile.next().unwrap(),
                    _ => base + gloss.next().unwrap() % spread,
                };
                bench.press(&format!("{:.2}", f64::from(hundredths) / 100.0));
            }
            [Table::Results, Table::Budget].map(|table| rows(&bench, table))
        },
    )
}

fn root_of_squares<'r>(parts: impl Iterator<Item = &'r Row>) -> f64 {
    parts.map(|part| figure(part, "contribution_gu").powi(2)).sum::<f64>().sqrt()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// From the printed digits alone: each figure may be off by half of its last digit, and no more.
    #[test]
    fn the_printed_budget_multiplies_out_and_adds_up([results, parts] in runs()) {
        let proven = results[0]["status"] == "proven";
        prop_assert_eq!(proven, !parts.is_empty());
        prop_assume!(proven);
        for part in &parts {
            let (value, divisor) = (figure(part, "value"), figure(part, "divisor"));
            let (sensitivity, found) = (figure(part, "sensitivity").abs(), figure(part, "contribution_gu"));
            let slack = HALF * (1.0 + (value + sensitivity) / divisor + value * sensitivity / divisor + HALF);
            let product = value / divisor * sensitivity;
            prop_assert!((product - found).abs() <= slack, "{} is not {}: {:?}", product, found, part);
        }
        let digits = HALF * (1.0 + (parts.len() as f64).sqrt());
        let chance = root_of_squares(parts.iter().filter(|part| part["enters"] == "chance"));
        let all = root_of_squares(parts.iter());
        let row = &results[0];
        // The interval: Student's t for the degrees of freedom of the rows.
        let spread: f64 = parts.iter().filter(|part| part["enters"] == "chance" && !part["degrees_of_freedom"].is_empty())
            .map(|part| figure(part, "contribution_gu").powi(4) / figure(part, "degrees_of_freedom")).sum();
        let half = 0.5 * (figure(row, "ci_high_gu") - figure(row, "ci_low_gu"));
        if chance > 0.05 {
            let expected = t_quantile(0.975, chance.powi(4) / spread).unwrap() * chance;
            prop_assert!((half / expected - 1.0).abs() < 0.02, "{half} is not {expected}");
        }
        if row["standard_uncertainty_gu"].is_empty() {
            prop_assert!(row["flags"].contains("tile-without-uncertainty"), "{row:?}");
        } else {
            let whole = figure(row, "standard_uncertainty_gu");
            prop_assert!((all - whole).abs() <= digits, "{all} is not {whole}");
            let factor = figure(row, "coverage_factor");
            let slack = HALF * (1.0 + factor + whole);
            prop_assert!((factor * whole - figure(row, "expanded_uncertainty_gu")).abs() <= slack, "{row:?}");
        }
        let shares: f64 = parts.iter().map(|part| figure(part, "share_pct")).sum();
        prop_assert!((shares - 100.0).abs() <= HALF * parts.len() as f64, "{shares} %");
        let squares = all * all;
        for part in &parts {
            let share = 100.0 * figure(part, "contribution_gu").powi(2) / squares;
            prop_assert!((share - figure(part, "share_pct")).abs() < 200.0 * digits / all, "{part:?}");
        }
    }
}
