use super::plan;
use crate::run::setup::Block;
use crate::run::setup::Role;
use crate::run::setup::Zone;
use crate::study::Order;
use proptest::prelude::*;

/// A panel per word, a zone per letter: `C` is control, any other letter a treatment.
fn zones(panels: &str) -> Vec<Zone> {
    let on_panel =
        |(panel, word): (usize, &str)| word.bytes().map(|letter| zone(panel, letter)).collect::<Vec<_>>();
    panels.split(' ').enumerate().flat_map(on_panel).collect()
}

fn zone(panel: usize, letter: u8) -> Zone {
    let treatment = (letter != b'C').then(|| usize::from(letter));
    Zone {
        panel,
        name: char::from(letter).to_string(),
        role: if letter == b'C' { Role::Control } else { Role::Treated },
        treatment,
        stage: "cured".to_owned(),
        applied_at: None,
        x_mm: 0.0,
        y_mm: 0.0,
        width_mm: 1.0,
        height_mm: 1.0,
    }
}

/// The order in the same letters, blocks apart.
fn read(panels: &str, order: Order) -> String {
    let zones = zones(panels);
    let block = |block: &Block| block.0.iter().map(|&zone| zones[zone].name.as_str()).collect::<String>();
    plan(&zones, order).iter().map(block).collect::<Vec<_>>().join(" ")
}

#[test]
fn listed_takes_the_zones_as_they_come_each_a_block() {
    assert_eq!(read("CCAA", Order::Listed), "C C A A");
}

#[test]
fn alternate_takes_one_of_each_side_round_after_round() {
    assert_eq!(read("CCCAAA", Order::Alternate), "CA CA CA");
    assert_eq!(read("AABBCC", Order::Alternate), "CAB CAB");
}

#[test]
fn mirror_turns_every_second_round_about() {
    assert_eq!(read("CCAA", Order::Mirror), "CAAC");
    assert_eq!(read("CCAABB", Order::Mirror), "CABBAC");
    assert_eq!(read("CCCCCAAAAA", Order::Mirror), "CAAC CAAC CA");
}

#[test]
fn zones_beyond_the_smallest_side_come_last_in_blocks_of_their_own() {
    assert_eq!(read("CCAAAA", Order::Mirror), "CAAC A A");
    assert_eq!(read("CCCCAABBB", Order::Mirror), "CABBAC CB C");
    assert_eq!(read("CCCAA", Order::Alternate), "CA CA C");
}

#[test]
fn one_panel_is_finished_before_the_next_begins() {
    assert_eq!(read("CCAA CCBB", Order::Mirror), "CAAC CBBC");
    assert_eq!(read("CAA CB", Order::Alternate), "CA A CB");
}

#[test]
fn zones_of_a_side_keep_their_own_order() {
    assert_eq!(plan(&zones("CCAA"), Order::Mirror), [Block(vec![0, 2, 3, 1])]);
}

/// The sum of the places (from 1) of the zones whose name is `letter`, and their number.
fn places(zones: &[Zone], plan: &[Block], letter: &str) -> (usize, usize) {
    let order = plan.iter().flat_map(|block| &block.0);
    let at = order.enumerate().filter(|&(_, &zone)| zones[zone].name == letter).map(|(place, _)| place + 1);
    at.fold((0, 0), |(sum, n), place| (sum + place, n + 1))
}

proptest! {
    #[test]
    fn every_zone_is_read_exactly_once(letters in proptest::collection::vec((0usize..3, 0u8..4), 1..40)) {
        let mut zones: Vec<Zone> = letters.iter().map(|&(panel, side)| zone(panel, b"CABD"[usize::from(side)])).collect();
        zones.sort_by_key(|zone| zone.panel);
        for order in [Order::Listed, Order::Alternate, Order::Mirror] {
            let blocks = plan(&zones, order);
            prop_assert!(blocks.iter().all(|block| !block.0.is_empty()));
            let mut read: Vec<usize> = blocks.into_iter().flat_map(|block| block.0).collect();
            read.sort_unstable();
            prop_assert_eq!(read, (0..zones.len()).collect::<Vec<_>>());
        }
    }

    #[test]
    fn with_equal_even_numbers_mirror_gives_every_side_the_same_mean_place(pairs in 1usize..6, treatments in 1usize..4) {
        let zones: Vec<Zone> = (0..=treatments).flat_map(|side| vec![zone(0, b"CABD"[side]); 2 * pairs]).collect();
        let plan = plan(&zones, Order::Mirror);
        let control = places(&zones, &plan, "C");
        prop_assert_eq!(control.1, 2 * pairs);
        for treated in ["A", "B", "D"].into_iter().take(treatments) {
            prop_assert_eq!(places(&zones, &plan, treated), control);
        }
    }

    #[test]
    fn with_an_odd_number_a_side_mirror_is_out_by_one_place_in_all(pairs in 0usize..6) {
        let zones: Vec<Zone> = [b'C', b'A'].into_iter().flat_map(|side| vec![zone(0, side); 2 * pairs + 1]).collect();
        let plan = plan(&zones, Order::Mirror);
        let (control, treated) = (places(&zones, &plan, "C"), places(&zones, &plan, "A"));
        prop_assert_eq!(control.0.abs_diff(treated.0), 1);
    }
}
