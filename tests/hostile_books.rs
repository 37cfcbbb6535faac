//! Whatever stands in the books, a comparison never panics, never prints what is no number, and never leaves a
//! figure of a proven row empty without saying why.

#![allow(clippy::unwrap_used, reason = "a test fails where an unwrap does")]

mod common;

use common::Bench;
use common::setup;
use common::with_scale;
use halfpanel::difference::evidence::CheckMean;
use halfpanel::difference::evidence::Evidence;
use halfpanel::difference::evidence::MeterFacts;
use halfpanel::difference::evidence::Point;
use halfpanel::difference::evidence::Sitting;
use halfpanel::difference::evidence::TileFacts;
use halfpanel::difference::verdict::detectable_gu;
use halfpanel::difference::verdict::repeats_to_settle;
use halfpanel::difference::verdict::zones_to_settle;
use halfpanel::difference::weighing::Known;
use halfpanel::difference::weighing::Lacking;
use halfpanel::difference::weighing::Weighed;
use halfpanel::difference::weighing::weigh;
use halfpanel::run::CheckKind;
use halfpanel::run::Ledger;
use halfpanel::run::Status;
use halfpanel::run::Want;
use halfpanel::run::Word;
use halfpanel::run::setup::DriftPolicy;
use halfpanel::stats::precision::Scatter;
use halfpanel::tables;
use halfpanel::tables::CellType;
use halfpanel::tables::Table;
use halfpanel::tile::GeometryCheck;
use halfpanel::units::Geometry;
use halfpanel::units::PerGeometry;
use proptest::prelude::*;
use rust_decimal::Decimal;
use std::collections::BTreeMap;

fn hostile() -> impl Strategy<Value = f64> {
    let extreme = [
        0.0,
        -0.0,
        f64::NAN,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::MAX,
        f64::MIN,
        f64::MIN_POSITIVE,
        5e-324,
        1e-300,
        -1e-9,
        1e200,
        92.4,
    ];
    prop_oneof![6 => 0.0..100.0_f64, 2 => Just(71.0), 1 => proptest::sample::select(extreme.to_vec())]
}

fn points() -> impl Strategy<Value = Vec<Point>> {
    let shares = prop_oneof![
        3 => (0.0..=1.0_f64).prop_map(|share| vec![1.0 - share, share]),
        1 => proptest::collection::vec(hostile(), 0..4),
    ];
    let point = (hostile(), proptest::option::of(hostile()), shares);
    let point = point.prop_map(|(raw_gu, corrected_gu, shares)| Point { raw_gu, corrected_gu, shares });
    proptest::collection::vec(point, 0..6)
}

fn sittings() -> impl Strategy<Value = Sitting> {
    let n = prop_oneof![4 => Just(3.0), 1 => Just(0.0), 1 => hostile()];
    let check = (hostile(), n).prop_map(|(mean_gu, n)| CheckMean { mean_gu, n }).boxed();
    let scatter =
        (hostile(), hostile()).prop_map(|(sd, degrees_of_freedom)| Scatter { sd, degrees_of_freedom });
    let checks = prop_oneof![3 => proptest::collection::vec(check.clone(), 2), 1 => proptest::collection::vec(check, 0..4)];
    (checks, proptest::option::of(scatter), hostile(), points(), points()).prop_map(
        |(checks, check_scatter, repeats, control, treated)| Sitting {
            checks,
            check_scatter,
            repeats,
            control,
            treated,
        },
    )
}

fn evidence() -> impl Strategy<Value = Evidence> {
    let meter = (hostile(), proptest::option::of(hostile()), proptest::option::of(hostile()));
    let tile = (prop_oneof![3 => Just(92.4), 1 => hostile()], proptest::option::of(hostile()));
    (sittings(), proptest::option::of(sittings()), meter, tile, any::<bool>()).prop_map(
        |(after, before, meter, tile, correct)| Evidence {
            after,
            before,
            meter: MeterFacts { step_gu: meter.0, repeatability_gu: meter.1, bow_gu: meter.2 },
            tile: TileFacts { assigned_gu: tile.0, expanded_uncertainty_gu: tile.1 },
            policy: if correct { DriftPolicy::Correct } else { DriftPolicy::Allow },
        },
    )
}

fn is_sound(known: &Known) -> bool {
    let Known { standard_uncertainty_gu, degrees_of_freedom, coverage_factor, expanded_gu } = known;
    let above_0 = |figure: &f64| figure.is_finite() && *figure > 0.0;
    [standard_uncertainty_gu, degrees_of_freedom, coverage_factor, expanded_gu].into_iter().all(above_0)
}

fn figures_are_numbers(weighed: &Weighed) -> Result<(), TestCaseError> {
    prop_assert!(weighed.difference_gu.is_none_or(f64::is_finite));
    prop_assert!(weighed.chance.as_ref().is_none_or(is_sound), "{:?}", weighed.chance);
    prop_assert!(weighed.whole.as_ref().is_none_or(is_sound), "{:?}", weighed.whole);
    for part in &weighed.parts {
        let of = &part.component;
        let figures =
            [of.value, of.sensitivity, part.contribution_gu, of.stated.divisor(), part.share.unwrap_or(0.0)];
        prop_assert!(figures.iter().all(|figure| figure.is_finite()), "{part:?}");
        prop_assert!(of.degrees_of_freedom.is_none_or(f64::is_finite), "{part:?}");
        let product = of.value / of.stated.divisor() * of.sensitivity.abs();
        prop_assert!(
            (product - part.contribution_gu).abs() <= 1e-9 * product,
            "a figure that is not its product: {part:?}"
        );
    }
    Ok(())
}

fn says_why(weighed: &Weighed, evidence: &Evidence) -> Result<(), TestCaseError> {
    let lacks = |why: Lacking| weighed.lacking.contains(&why);
    let sittings = [Some(&evidence.after), evidence.before.as_ref()];
    let is_empty = |sitting: &Sitting| sitting.control.is_empty() || sitting.treated.is_empty();
    let is_empty = sittings.into_iter().flatten().any(is_empty);
    prop_assert_eq!(lacks(Lacking::EmptySide), is_empty && weighed.difference_gu.is_none());
    if weighed.difference_gu.is_none() {
        prop_assert!(is_empty || lacks(Lacking::OutOfRange), "no difference, without a word");
    }
    let no_chance = [Lacking::EmptySide, Lacking::OneZoneSide, Lacking::OutOfRange].map(lacks);
    prop_assert!(weighed.chance.is_some() || no_chance.contains(&true), "no interval, without a word");
    let no_whole = no_chance.contains(&true) || lacks(Lacking::TileWithoutUncertainty);
    prop_assert!(weighed.whole.is_some() || no_whole, "no uncertainty, without a word");
    // Three times the interval is beyond computing where the interval nearly is.
    if weighed.chance.is_none_or(|chance| chance.expanded_gu < 1e300) && detectable_gu(weighed).is_none() {
        prop_assert!(no_chance.contains(&true), "nothing detectable, without a word: {weighed:?}");
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(800))]

    #[test]
    fn whatever_the_evidence_the_figures_are_numbers_or_it_is_said_why_not(evidence in evidence(), within in hostile(), size in hostile()) {
        let weighed = weigh(&evidence);
        figures_are_numbers(&weighed)?;
        says_why(&weighed, &evidence)?;
        // No panic is all that is asked of these.
        let _ = (zones_to_settle(&evidence, size), repeats_to_settle(&evidence, within, size));
    }
}

/// A run of what is at hand: readings on the edges of what a meter sends, zones left out, voids, a study that says
/// little or much of its tile and of what matters.
fn runs() -> impl Strategy<Value = Ledger> {
    let gloss =
        proptest::sample::select(vec!["0.0", "0.1", "71.0", "71.1", "71.2", "99.9", "1999.9", "2000"]);
    let acts = proptest::collection::vec((gloss, 0_u32..16), 40);
    let sizes = (1_usize..4, 1_u32..4, any::<bool>(), any::<bool>());
    let says = (any::<bool>(), any::<bool>(), any::<bool>());
    (sizes, says, acts).prop_map(|((zones, repeats, correct, scale), (u, matters, margin), acts)| {
        let mut setup = if scale { with_scale(setup(zones)) } else { setup(zones) };
        setup.procedure.readings_per_zone = repeats;
        setup.procedure.drift_policy = if correct { DriftPolicy::Correct } else { DriftPolicy::Allow };
        setup.tile.values[0].expanded_uncertainty_gu = u.then(|| Decimal::new(6, 1));
        setup.comparing.matters_gu = matters.then(|| Decimal::new(5, 1));
        setup.comparing.equivalence_margin_gu = margin.then(|| Decimal::new(5, 1));
        let mut bench = Bench::new(setup);
        for (gloss, act) in acts {
            let reason = || "slid".to_owned();
            match (bench.run.want(), act) {
                (Want::Tile { kind: CheckKind::Zero, .. }, _) => bench.press("0.0"),
                (Want::Tile { kind: CheckKind::Middle, .. }, _) => bench.press("47.3"),
                (Want::Tile { .. }, _) => bench.press("92.4"),
                (_, 0) => bench.word(Word::Skip { zone: None, reason: reason() }),
                (_, 1) => bench.word(Word::Void { placement: None, reason: reason() }),
                (_, 2..8) => bench.press("71.0"),
                _ => bench.press(gloss),
            };
        }
        bench.run.ledger().clone()
    })
}

/// What no run makes of itself, and a recording by another hand might.
#[derive(Clone, Debug)]
enum Harm {
    Gloss(usize, Decimal),
    TileMean(usize, f64),
    TileSd(usize, f64),
    NoCheck(usize),
    Assigned(Decimal),
    NoTileValue,
    Certificate(Decimal),
    Closing(usize, Option<u32>),
    NoAttempts,
    Proven(usize),
    Bracket(usize, Status),
    NoSittings,
    NoPlan,
}

fn harms() -> impl Strategy<Value = Vec<Harm>> {
    let far = [Decimal::ZERO, Decimal::MAX, Decimal::MIN, Decimal::NEGATIVE_ONE, Decimal::new(1, 28)];
    let far = move || proptest::sample::select(far.to_vec());
    let at = || 0_usize..60;
    let harm = prop_oneof![
        (at(), far()).prop_map(|(at, gu)| Harm::Gloss(at, gu)),
        (at(), hostile()).prop_map(|(at, gu)| Harm::TileMean(at, gu)),
        (at(), hostile()).prop_map(|(at, gu)| Harm::TileSd(at, gu)),
        at().prop_map(Harm::NoCheck),
        far().prop_map(Harm::Assigned),
        Just(Harm::NoTileValue),
        far().prop_map(Harm::Certificate),
        (at(), proptest::option::of(0_u32..200)).prop_map(|(at, to)| Harm::Closing(at, to)),
        Just(Harm::NoAttempts),
        at().prop_map(Harm::Proven),
        (at(), proptest::sample::select(vec![Status::Proven, Status::Pending, Status::Drifted]))
            .prop_map(|(at, status)| Harm::Bracket(at, status)),
        Just(Harm::NoSittings),
        Just(Harm::NoPlan),
    ];
    proptest::collection::vec(harm, 0..4)
}

fn change<T>(list: &mut [T], at: usize, change: impl FnOnce(&mut T)) {
    let count = list.len().max(1);
    list.get_mut(at % count).map(change).unwrap_or_default();
}

fn harm(ledger: &mut Ledger, harm: &Harm) {
    let tile = |ledger: &mut Ledger, at: usize, of: &dyn Fn(&mut GeometryCheck)| {
        change(&mut ledger.checks, at, |check| {
            check.geometries.slot(Geometry::Deg60).as_mut().map(of).unwrap_or_default();
        });
    };
    match harm {
        Harm::Gloss(at, gu) => change(&mut ledger.readings, *at, |reading| reading.gloss = (*gu).into()),
        Harm::TileMean(at, gu) => tile(ledger, *at, &|check| check.mean_gu = *gu),
        Harm::TileSd(at, gu) => tile(ledger, *at, &|check| check.sd_gu = Some(*gu)),
        Harm::NoCheck(at) => {
            change(&mut ledger.checks, *at, |check| check.geometries = PerGeometry::none());
        }
        Harm::Assigned(gu) => change(&mut ledger.setup.tile.values, 0, |tile| tile.assigned_gu = *gu),
        Harm::NoTileValue => ledger.setup.tile.values.clear(),
        Harm::Certificate(gu) => {
            change(&mut ledger.setup.tile.values, 0, |tile| tile.expanded_uncertainty_gu = Some(*gu));
        }
        Harm::Closing(at, to) => change(&mut ledger.brackets, *at, |bracket| bracket.closing = *to),
        Harm::NoAttempts => ledger.attempts.clear(),
        Harm::Proven(at) => change(&mut ledger.readings, *at, |reading| reading.status = Status::Proven),
        Harm::Bracket(at, status) => change(&mut ledger.brackets, *at, |bracket| bracket.status = *status),
        Harm::NoSittings => ledger.sittings.clear(),
        Harm::NoPlan => ledger.setup.plan.clear(),
    }
}

type Row = BTreeMap<String, String>;

/// The rows of a table, every number in it being one.
fn rows(ledger: &Ledger, table: Table) -> Result<Vec<Row>, TestCaseError> {
    let mut csv = Vec::new();
    tables::write(table, ledger, "", &mut csv, true).unwrap();
    let rows: Vec<Row> = csv::Reader::from_reader(csv.as_slice()).deserialize().map(Result::unwrap).collect();
    for (row, column) in
        rows.iter().flat_map(|row| table.schema().columns.iter().map(move |column| (row, column)))
    {
        let cell = &row[column.name];
        prop_assert!(
            !(column.required && cell.is_empty()),
            "{}: {} is empty: {row:?}",
            table.file_name(),
            column.name
        );
        if matches!(column.cell, CellType::Number | CellType::Integer) && !cell.is_empty() {
            prop_assert!(cell.parse().is_ok_and(f64::is_finite), "{} is `{cell}`", column.name);
        }
    }
    Ok(rows)
}

/// Every figure of a proven row is there, or a flag says why it is not.
fn every_gap_has_its_flag(row: &Row, ledger: &Ledger) -> Result<(), TestCaseError> {
    let flags: Vec<&str> = row["flags"].split(';').map(|flag| flag.split('=').next().unwrap()).collect();
    let one_of = |why: &[&str]| why.iter().any(|why| flags.contains(why));
    let no_side = ["empty-side", "out-of-range"];
    let no_interval = [&no_side[..], &["one-zone-side"]].concat();
    let no_whole = [&no_interval[..], &["tile-without-uncertainty"]].concat();
    let mut rules: Vec<(&[&str], &[&str])> = vec![
        (&["control_mean_gu", "treated_mean_gu", "difference_gu", "difference_raw_gu"], &no_side),
        (&["ci_low_gu", "ci_high_gu", "detectable_gu"], &no_interval),
        (
            &["standard_uncertainty_gu", "degrees_of_freedom", "coverage_factor", "expanded_uncertainty_gu"],
            &no_whole,
        ),
    ];
    if ledger.setup.comparing.matters_gu.is_some() {
        rules.push((&["matters"], &no_interval));
    }
    if ledger.setup.comparing.equivalence_margin_gu.is_some() {
        rules.push((&["equivalent"], &no_interval));
    }
    for (column, why) in
        rules.iter().flat_map(|(columns, why)| columns.iter().map(move |column| (*column, *why)))
    {
        prop_assert!(!row[column].is_empty() || one_of(why), "{column} is empty without a word: {row:?}");
    }
    prop_assert_eq!(!row["verdict_without_doubtful"].is_empty(), flags.contains(&"doubtful"), "{:?}", row);
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn whatever_the_books_the_tables_hold_numbers_and_every_gap_has_its_flag(ledger in runs(), harms in harms()) {
        let mut ledger = ledger;
        harms.iter().for_each(|one| harm(&mut ledger, one));
        for table in [Table::Zones, Table::Budget, Table::Contrasts, Table::Treatments] {
            rows(&ledger, table)?;
        }
        for row in rows(&ledger, Table::Results)? {
            if row["status"] == "proven" {
                every_gap_has_its_flag(&row, &ledger)?;
            } else {
                let empty = ["difference_gu", "control_mean_gu", "ci_low_gu", "expanded_uncertainty_gu", "detectable_gu"];
                prop_assert!(empty.iter().all(|column| row[*column].is_empty()), "{row:?}");
                prop_assert_eq!(&row["verdict"], "no result");
            }
        }
    }
}
