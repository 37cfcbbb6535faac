//! The simulated meter against its description in `protocol-notes/simulated-meter.md`.

#![allow(clippy::unwrap_used, reason = "the helpers of a test stop it as its own lines do")]

use halfpanel::meter::scenario::Scenario;
use halfpanel::meter::signal::Emission;
use halfpanel::meter::signal::SimulatedMeter;
use halfpanel::meter::signal::Spot;

const TILE: &str = "[tile]\ntruth_gu = { 60 = 92.4 }\n";
const ZONE_OF_HALF_THE_GLOSS: &str = "[[zone]]\npanel = 'P1'\nzone = 'A1'\ntruth_gu = { 60 = 46.2 }\n";
const NOISE: &str = "[noise]\nsd_gu = 0.2\nreposition_sd_gu = 0.5\n";
const BARE_VALUE: &str = "[layout]\nline = '{gloss}'\ndecimals = 4\n";

/// A meter with seed 5; `head` are keys that stand before all tables.
fn meter(head: &str, tables: &[&str]) -> SimulatedMeter {
    let source = format!("seed = 5\n{head}\n{}", tables.join("\n"));
    SimulatedMeter::new(Scenario::load("t.toml", &source).unwrap_or_else(|problem| panic!("{problem}")))
}

fn zone(panel: &str, zone: &str) -> Spot {
    Spot::Zone { panel: panel.into(), zone: zone.into() }
}

fn text(emissions: &[Emission]) -> String {
    let as_text = |emission: &Emission| match emission {
        Emission::Bytes(bytes) => String::from_utf8(bytes.clone()).unwrap(),
        other => panic!("{other:?} where only bytes were expected"),
    };
    emissions.iter().map(as_text).collect()
}

/// Places the meter and presses once; what it sent.
fn take(meter: &mut SimulatedMeter, spot: &Spot) -> String {
    meter.place(spot).unwrap();
    text(&meter.press())
}

/// The same for a line that is the value alone.
fn value_gu(meter: &mut SimulatedMeter, spot: &Spot) -> f64 {
    take(meter, spot).trim().parse().unwrap()
}

fn assert_near(found_gu: f64, expected_gu: f64) {
    assert!((found_gu - expected_gu).abs() < 6e-5, "{found_gu} GU is not {expected_gu} GU");
}

/// Mean, and standard deviation with divisor n − 1. Source: JCGM 100:2008 (GUM), 4.2.1 and 4.2.2.
fn mean_and_sd(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0)).sqrt())
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_seed_others() {
    let play = |seed: u64| {
        let source = format!("seed = {seed}\n{TILE}{NOISE}{ZONE_OF_HALF_THE_GLOSS}");
        let mut meter = SimulatedMeter::new(Scenario::load("t.toml", &source).unwrap());
        let spots = [Spot::Tile, zone("P1", "A1")];
        (0..50).map(|k| take(&mut meter, &spots[k % 2])).collect::<String>()
    };
    assert_eq!(play(5), play(5));
    assert_ne!(play(5), play(6));
}

#[test]
fn the_noise_of_a_placement_knows_neither_earlier_presses_nor_waits() {
    let mut plain = meter("", &[TILE, NOISE, BARE_VALUE]);
    let mut busy = plain.clone();
    take(&mut plain, &Spot::Tile);
    take(&mut busy, &Spot::Tile);
    text(&busy.press());
    busy.wait(123_456_789);
    for _ in 0..20 {
        assert_eq!(take(&mut plain, &Spot::Tile), take(&mut busy, &Spot::Tile));
    }
}

#[test]
fn putting_the_meter_down_again_gives_a_new_value() {
    let mut meter = meter("", &[TILE, NOISE, BARE_VALUE]);
    let mut values: Vec<String> = (0..100).map(|_| take(&mut meter, &Spot::Tile)).collect();
    values.sort();
    values.dedup();
    assert!(values.len() > 95, "only {} different values in 100 placements", values.len());
}

#[test]
fn a_geometry_more_in_the_line_changes_no_value_of_the_others() {
    let truth = "[tile]\ntruth_gu = { 20 = 88.1, 60 = 92.4 }\n";
    let mut one = meter("", &[truth, NOISE, "[layout]\nline = '{gloss_60}'\n"]);
    let mut two = meter("", &[truth, NOISE, "[layout]\nline = '{gloss_20} {gloss_60}'\n"]);
    for _ in 0..20 {
        let both = take(&mut two, &Spot::Tile);
        assert_eq!(take(&mut one, &Spot::Tile).trim(), both.trim().split_once(' ').unwrap().1);
    }
}

#[test]
fn three_units_of_drift_an_hour_show_after_an_hour_of_placements() {
    let drift = "[drift]\ngu_per_hour = 3\n";
    let mut meter = meter("pace_s = 6", &[TILE, ZONE_OF_HALF_THE_GLOSS, drift, BARE_VALUE]);
    assert_near(value_gu(&mut meter, &Spot::Tile), 92.4);
    for _ in 0..599 {
        meter.place(&Spot::Tile).unwrap();
    }
    assert_near(value_gu(&mut meter, &Spot::Tile), 95.4);
    assert_eq!(meter.elapsed_us(), 3_600_000_000, "600 placements later, 6 s each");
    meter.wait(3_600_000_000 - 6_000_000);
    assert_near(value_gu(&mut meter, &zone("P1", "A1")), 46.2 + 3.0); // Half of 6 GU after two hours.
}

#[test]
fn presses_without_lifting_take_their_time_too() {
    let drift = "[drift]\ngu_per_hour = 3600\n";
    let mut meter = meter("between_presses_s = 2", &[TILE, drift, BARE_VALUE]);
    assert_near(value_gu(&mut meter, &Spot::Tile), 92.4);
    assert_near(text(&meter.press()).trim().parse().unwrap(), 94.4);
    assert_near(text(&meter.press()).trim().parse().unwrap(), 96.4);
}

#[test]
fn an_adjustment_takes_drift_and_steps_away_and_later_ones_count_from_there() {
    let drift = "[drift]\ngu_per_hour = 3\n[[drift.step]]\nplacement = 2\noffset_gu = 0.8\n\
                 [[drift.step]]\nplacement = 4\noffset_gu = -0.5\n";
    let mut meter = meter("pace_s = 1200", &[TILE, drift, BARE_VALUE]);
    assert_near(value_gu(&mut meter, &Spot::Tile), 92.4);
    assert_near(value_gu(&mut meter, &Spot::Tile), 92.4 + 1.0 + 0.8);
    meter.adjust();
    assert_near(text(&meter.press()).trim().parse().unwrap(), 92.4 + 3.0 * 2.0 / 3600.0);
    assert_near(value_gu(&mut meter, &Spot::Tile), 92.4 + 3.0 * 1202.0 / 3600.0);
    assert_near(value_gu(&mut meter, &Spot::Tile), 92.4 + 3.0 * 2402.0 / 3600.0 - 0.5);
}

#[test]
fn dirt_is_on_the_tile_alone_and_wiping_takes_away_what_can_be_wiped() {
    let dirt = "[[tile_dirt]]\nfrom_placement = 2\noffset_gu = -1.6\n\
                [[tile_dirt]]\nfrom_placement = 4\noffset_gu = -0.3\nuntil = 'never'\n\
                [[tile_dirt]]\nfrom_placement = 6\noffset_gu = -0.7\nuntil = 'cleaned'\n";
    let mut meter = meter("", &[TILE, ZONE_OF_HALF_THE_GLOSS, dirt, BARE_VALUE]);
    meter.clean_tile();
    assert_near(value_gu(&mut meter, &Spot::Tile), 92.4);
    assert_near(value_gu(&mut meter, &Spot::Tile), 90.8);
    assert_near(value_gu(&mut meter, &zone("P1", "A1")), 46.2);
    assert_near(value_gu(&mut meter, &Spot::Tile), 90.5);
    meter.clean_tile();
    assert_near(value_gu(&mut meter, &Spot::Tile), 92.1);
    assert_near(value_gu(&mut meter, &Spot::Tile), 91.4);
}

/// Standard error s/√n: GUM, 4.2.3. Standard deviation of s, s/√(2(n − 1)): GUM, E.4.3. Both hold for the
/// normal law; five of them are passed by chance less than once in a million.
#[test]
fn many_placements_scatter_about_the_truth_as_the_scenario_says() {
    let n = 4_000;
    let mut meter = meter("", &[TILE, NOISE, BARE_VALUE]);
    let values: Vec<f64> = (0..n).map(|_| value_gu(&mut meter, &Spot::Tile)).collect();
    let (mean, sd) = mean_and_sd(&values);
    let expected_sd = (0.2f64.powi(2) + 0.5f64.powi(2)).sqrt();
    let n = f64::from(n);
    assert!((mean - 92.4).abs() < 5.0 * expected_sd / n.sqrt(), "mean {mean}");
    assert!((sd - expected_sd).abs() < 5.0 * expected_sd / (2.0 * (n - 1.0)).sqrt(), "sd {sd}");
    let neighbours: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let (_, sd_of_steps) = mean_and_sd(&neighbours);
    let independent = expected_sd * 2.0f64.sqrt();
    assert!((sd_of_steps / independent - 1.0).abs() < 0.08, "neighbours are not independent: {sd_of_steps}");
}

#[test]
fn presses_without_lifting_scatter_by_the_repeatability_alone() {
    let n = 2_000;
    let mut meter = meter("", &[TILE, NOISE, BARE_VALUE]);
    meter.place(&Spot::Tile).unwrap();
    let values: Vec<f64> = (0..n).map(|_| text(&meter.press()).trim().parse().unwrap()).collect();
    let (_, sd) = mean_and_sd(&values);
    let sd_of_sd = 0.2 / (2.0 * (f64::from(n) - 1.0)).sqrt(); // GUM, E.4.3
    assert!((sd - 0.2).abs() < 5.0 * sd_of_sd, "sd {sd}");
}

#[test]
fn a_wobble_meets_its_placement_and_no_other() {
    let wobble = "[[wobble]]\nplacement = 17\noffset_gu = -14.0\n";
    let mut steady = meter("", &[TILE, NOISE, BARE_VALUE]);
    let mut wobbly = meter("", &[TILE, NOISE, BARE_VALUE, wobble]);
    for placement in 1..=40 {
        let difference = value_gu(&mut wobbly, &Spot::Tile) - value_gu(&mut steady, &Spot::Tile);
        assert_near(difference, if placement == 17 { -14.0 } else { 0.0 });
    }
}

#[test]
fn wobbles_by_chance_come_as_often_as_said_and_leave_the_rest_alone() {
    let wobble = "[[wobble]]\nprobability = 0.1\noffset_gu = -6.5\n";
    // At 20°, whose noise is drawn first: were the draws shared, it would show here.
    let at_20 = "[tile]\ntruth_gu = { 20 = 92.4 }\n[layout]\nline = '{gloss_20}'\ndecimals = 4\n";
    let mut steady = meter("", &[at_20, NOISE]);
    let mut wobbly = meter("", &[at_20, NOISE, wobble]);
    let (mut wobbled, mut sum_gu) = (0_i32, 0.0);
    for _ in 0..2_000 {
        let steady_gu = value_gu(&mut steady, &Spot::Tile);
        let difference = value_gu(&mut wobbly, &Spot::Tile) - steady_gu;
        let has_wobbled = difference < -1.0;
        assert_near(difference, if has_wobbled { -6.5 } else { 0.0 });
        if has_wobbled {
            wobbled += 1;
            sum_gu += steady_gu;
        }
    }
    // Binomial law: mean 200, standard deviation √(2000 · 0.1 · 0.9) = 13.4.
    assert!((200 - wobbled).abs() < 67, "{wobbled} wobbles");
    // Wobbles do not choose placements by their noise: standard error by GUM, 4.2.3.
    let n = f64::from(wobbled);
    let expected_sd = (0.2f64.powi(2) + 0.5f64.powi(2)).sqrt();
    assert!((sum_gu / n - 92.4).abs() < 5.0 * expected_sd / n.sqrt(), "they lie at {}", sum_gu / n);
}

#[test]
fn each_fault_sends_what_the_notes_say() {
    let faulty = |keys: &str| {
        let mut meter = meter("", &[TILE, &format!("[[fault]]\nline = 2\n{keys}\n")]);
        assert_eq!(take(&mut meter, &Spot::Tile), "0001;60;92.4;GU;OK\r\n");
        let emissions = meter.press();
        assert_eq!(text(&meter.press()), "0003;60;92.4;GU;OK\r\n", "{keys}: the fault is over");
        emissions
    };
    let bytes = |text: &str| Emission::Bytes(text.as_bytes().to_vec());
    let pause = |us| Emission::Pause { us };
    let line = "0002;60;92.4;GU;OK\r\n";

    let cut = faulty("kind = 'cut'\nafter_bytes = 7\nseconds = 0.2");
    assert_eq!(cut, [bytes("0002;60"), pause(200_000), bytes(";92.4;GU;OK\r\n")]);
    assert_eq!(faulty("kind = 'cut'"), [bytes(&line[..10]), pause(500_000), bytes(&line[10..])]);
    let late = faulty("kind = 'cut'\nafter_bytes = 0\nseconds = 3");
    assert_eq!(late, [pause(3_000_000), bytes(line)]);
    assert_eq!(faulty("kind = 'silence'\nseconds = 20"), [pause(20_000_000)]);
    assert_eq!(faulty("kind = 'unplug'"), [Emission::Unplug { return_after_us: 5_000_000 }]);
    let unplugged = faulty("kind = 'unplug'\nafter_bytes = 3\nseconds = 4");
    assert_eq!(unplugged, [bytes("000"), Emission::Unplug { return_after_us: 4_000_000 }]);
    assert_eq!(faulty("kind = 'error'\nword = 'LOW'"), [bytes("0002;60;---;GU;LOW\r\n")]);
    assert_eq!(faulty("kind = 'repeat'"), [bytes(line), bytes(line)]);
}

const ANSWERS: &str = "[answers]\nrequest = 'M?\\n'\ndelay_s = 0.4\necho = true\nerror_query = 'E?\\n'\n\
                       [[answers.error]]\nline = 2\nsays = '-230,\"stale\"'\n";

#[test]
fn a_meter_that_is_asked_answers_with_echo_delay_and_an_error_queue() {
    let mut meter = meter("", &[TILE, BARE_VALUE, ANSWERS]);
    meter.place(&Spot::Tile).unwrap();
    let mut inbox = b"M?\nM?\nHELP\r*RST\nE".to_vec();
    let mut sent = Vec::new();
    while let Some(request) = meter.take_request(&mut inbox) {
        sent.push(meter.answer(&request));
    }
    let bytes = |text: &str| Emission::Bytes(text.as_bytes().to_vec());
    let pause = Emission::Pause { us: 400_000 };
    let value = vec![bytes("M?\n"), pause.clone(), bytes("92.4000\r\n")];
    assert_eq!(sent, [value.clone(), value, vec![bytes("HELP\r")], vec![bytes("*RST\n")]]);
    assert_eq!(inbox, b"E", "half a request waits for the rest");
    for entry in ["-230,\"stale\"", "-113,\"Undefined header\"", "0,\"No error\"", "0,\"No error\""] {
        assert_eq!(meter.answer(b"E?\n"), [bytes("E?\n"), pause.clone(), bytes(&format!("{entry}\r\n"))]);
    }
}

#[test]
fn a_meter_that_streams_shows_the_air_the_place_and_a_wobble_that_comes_to_rest() {
    let stream = "[stream]\nevery_s = 0.5\nair_gu = 0.3\n\
                  [[stream.wobble]]\nplacement = 2\nseconds = 1.5\nby_gu = 2\n";
    let mut meter = meter("pace_s = 6", &[TILE, stream, "[layout]\nline = '{gloss}'\n"]);
    let values = |meter: &mut SimulatedMeter, n| -> Vec<String> {
        (0..n).map(|_| text(&meter.press()).trim().to_owned()).collect()
    };
    assert_eq!(values(&mut meter, 2), ["0.3", "0.3"]);
    meter.place(&Spot::Tile).unwrap();
    assert_eq!(values(&mut meter, 3), ["92.4"; 3]);
    assert_eq!(meter.elapsed_us(), 1_000_000, "two values after the first");
    meter.lift();
    assert_eq!(values(&mut meter, 1), ["0.3"]);
    meter.place(&Spot::Tile).unwrap();
    assert_eq!(values(&mut meter, 5), ["94.4", "90.4", "94.4", "92.4", "92.4"]);
}

#[test]
fn what_a_press_had_still_to_send_is_lost_with_the_meter() {
    let tile = "[tile]\ntruth_gu = { 20 = 88.1, 60 = 92.4, 85 = 98.0 }\n";
    let layout = "[layout]\ngeometries = [20, 60, 85]\n";
    let mut meter = meter("", &[tile, layout, "[[fault]]\nline = 2\nkind = 'unplug'\n"]);
    meter.place(&Spot::Tile).unwrap();
    let sent = meter.press();
    let gone = Emission::Unplug { return_after_us: 5_000_000 };
    assert_eq!(sent, [Emission::Bytes(b"0001;20;88.1;GU;OK\r\n".to_vec()), gone]);
    assert!(text(&meter.press()).starts_with("0004;20;"));
}

#[test]
fn garbage_is_as_long_as_the_line_and_never_text() {
    let mut meter = meter("", &[TILE, "[[fault]]\nline = 1\nkind = 'garbage'\n"]);
    meter.place(&Spot::Tile).unwrap();
    let emissions = meter.press();
    let [Emission::Bytes(garbage)] = emissions.as_slice() else { panic!("{emissions:?}") };
    let noise = garbage.strip_suffix(b"\r\n").unwrap();
    assert_eq!(noise.len(), "0001;60;92.4;GU;OK".len());
    assert!(!noise.iter().any(u8::is_ascii), "{noise:?}");
    assert!(noise.iter().any(|byte| *byte != noise[0]), "all bytes are alike");
}

#[test]
fn an_error_in_a_line_without_a_status_is_the_word_alone() {
    let fault = "[[fault]]\nline = 1\nkind = 'error'\nword = 'LOW LIGHT'\n";
    assert_eq!(take(&mut meter("", &[TILE, BARE_VALUE, fault]), &Spot::Tile), "LOW LIGHT\r\n");
}

#[test]
fn a_value_has_the_resolution_of_the_meter_with_halves_away_from_zero() {
    let cases = [
        ("92.4", 0, "92"),
        ("92.4", 1, "92.4"),
        ("92.4", 2, "92.40"),
        ("92", 4, "92.0000"),
        ("92.45", 1, "92.5"),
        ("0.25", 1, "0.3"),
        ("0.35", 1, "0.4"),
        ("92.449", 1, "92.4"),
        ("1999.995", 2, "2000.00"),
        ("0.5", 0, "1"),
    ];
    for (truth, decimals, printed) in cases {
        let zones = ZONE_OF_HALF_THE_GLOSS.replace("46.2", truth);
        let layout = format!("[layout]\nline = '{{gloss}}'\nend = 'lf'\ndecimals = {decimals}\n");
        let mut meter = meter("", &[TILE, &zones, &layout]);
        assert_eq!(take(&mut meter, &zone("P1", "A1")), format!("{printed}\n"), "{truth}");
    }
}

#[test]
fn no_reading_is_below_zero_and_a_meter_in_the_air_reads_zero() {
    let wobble = "[[wobble]]\nplacement = 1\noffset_gu = -200\n";
    let mut meter = meter("", &[TILE, wobble]);
    assert_eq!(text(&meter.press()), "0001;60;0.0;GU;OK\r\n");
    assert_eq!(take(&mut meter, &Spot::Tile), "0002;60;0.0;GU;OK\r\n");
}

#[test]
fn lines_are_laid_out_as_the_template_says() {
    let tile = "[tile]\ntruth_gu = { 20 = 88.1, 60 = 92.4, 85 = 98.0 }\n";
    let cases = [
        ("geometries = [85, 20]", "0001;85;98.0;GU;OK\r\n0002;20;88.1;GU;OK\r\n"),
        ("line = '{gloss_20:8}{gloss_60:8}{gloss_85:8}'\nend = 'lf'", "    88.1    92.4    98.0\n"),
        ("line = 'G{geometry}={gloss} GU'\nend = 'cr'\ndecimal = ','", "G60=92,4 GU\r"),
        ("line = \"{geometry}\\t{gloss:06}\"\ngeometry_words = { A = 20, B = 60 }", "B\t0092.4\r\n"),
        ("line = '{sequence} {status} {gloss}'\nstatus_ok = 'fine'", "1 fine 92.4\r\n"),
        // For "92.4", by hand: 0x39 ^ 0x32 ^ 0x2e ^ 0x34 = 0x11.
        (
            "line = '${checksum_from}{gloss}{checksum_to}*{checksum}'\nchecksum = { kind = 'xor' }",
            "$92.4*11\r\n",
        ),
        // 0x39 + 0x32 + 0x2e + 0x34 = 0xcd, by hand.
        ("line = '{gloss}{checksum}'\nchecksum = { kind = 'sum-8', hex = 'lower' }", "92.4cd\r\n"),
    ];
    for (layout, sent) in cases {
        let layout = format!("[layout]\n{layout}\n");
        assert_eq!(take(&mut meter("", &[tile, &layout]), &Spot::Tile), sent, "{layout}");
    }
}

#[test]
fn line_numbers_start_again_after_the_last() {
    let mut meter = meter("", &[TILE, "[layout]\nline = '{sequence} {gloss}'\nsequence_last = 3\n"]);
    let numbers: String = (0..7).map(|_| take(&mut meter, &Spot::Tile).chars().next().unwrap()).collect();
    assert_eq!(numbers, "1231231");
}

#[test]
fn a_zone_that_is_not_there_is_named_with_those_that_are() {
    let mut meter = meter("", &[TILE, ZONE_OF_HALF_THE_GLOSS]);
    meter.place(&Spot::Tile).unwrap();
    let message = meter.place(&zone("P1", "A9")).unwrap_err().to_string();
    assert!(message.contains("zone P1/A9") && message.contains("zone P1/A1"), "{message}");
    assert_eq!((meter.placements(), text(&meter.press()).as_str()), (1, "0001;60;92.4;GU;OK\r\n"));
}

#[test]
fn times_of_the_scenario_shrink_by_its_factor() {
    let scenario = Scenario::load("t.toml", &format!("seed = 1\ntime_factor = 60\n{TILE}")).unwrap();
    assert_eq!(scenario.clock_us(scenario.pace_us()), 100_000);
}

#[test]
fn zero_and_middle_show_their_own_truth_and_drift_with_the_gain_but_not_with_dirt_on_the_tile() {
    let points = "[zero]\ntruth_gu = { 60 = 0.0 }\n[middle]\ntruth_gu = { 60 = 46.2 }";
    let dirt = "[[tile_dirt]]\nfrom_placement = 1\noffset_gu = -5";
    let step = "[[drift.step]]\nplacement = 1\noffset_gu = 9.24";
    let mut meter = meter("", &[TILE, BARE_VALUE, points, dirt, step]);
    // A gain of 1.1: 46.2 becomes 50.82.
    assert_near(value_gu(&mut meter, &Spot::Middle), 50.82);
    assert_near(value_gu(&mut meter, &Spot::Zero), 0.0);
    let plain = Scenario::load("t.toml", "seed = 1\n[tile]\ntruth_gu = { 60 = 92.4 }").unwrap();
    let mut without = SimulatedMeter::new(plain);
    for (spot, what) in
        [(Spot::Zero, "no black trap; add a table [zero]"), (Spot::Middle, "no middle tile; add")]
    {
        let problem = without.place(&spot).unwrap_err().to_string();
        assert!(problem.contains(what), "{problem}");
    }
}

#[test]
fn a_mistake_in_a_scenario_is_named_with_its_place() {
    let cases = [
        ("sede = 1\n[tile]\ntruth_gu = { 60 = 92.4 }", 1, 1, "did you mean `seed`"),
        ("seed = 1\n[tile]\ntruth_gu = { 60 = 92.4 }\n[noise]\nsd_g = 1", 5, 1, "did you mean `sd_gu`"),
        ("seed = 1\n[tile]\ntruth_gu = { 45 = 92.4 }", 3, 14, "unknown key `45`"),
        ("seed = 1\n[tile]\ntruth_gu = { 60 = -1 }", 3, 19, "-1 is out of range"),
        ("seed = 1\n[tile]\ntruth_gu = { 60 = nan }", 3, 19, "out of range"),
        ("seed = 1\n[tile]\ntruth_gu = { 60 = 0.9 }", 2, 1, "less than 1 GU at 60°"),
        ("seed = 1\n[tile]\ntruth_gu = { 20 = 92.4 }", 2, 1, "the tile has no truth at 60°"),
        ("seed = 1\n[layout]\nline = 'G'\n[tile]\ntruth_gu = { 60 = 92.4 }", 2, 1, "`{gloss}`"),
    ];
    for (source, line, column, what) in cases {
        let problem = Scenario::load("t.toml", source).unwrap_err();
        assert_eq!((problem.line, problem.column), (line, column), "{source}\n{problem}");
        assert!(problem.to_string().contains(what), "{source}\n{problem}");
    }
}

#[test]
fn what_makes_no_sense_in_a_table_is_refused_at_that_table() {
    let zone = ZONE_OF_HALF_THE_GLOSS;
    let cases = [
        (format!("{zone}{zone}"), 8, "zone P1/A1 stands here twice"),
        ("[[zone]]\npanel = 'P1'\nzone = ''\ntruth_gu = { 60 = 1 }".into(), 4, "no name"),
        (
            "[[zone]]\npanel = 'P1'\nzone = 'B'\ntruth_gu = { 20 = 1 }".into(),
            4,
            "zone P1/B has no truth at 60°",
        ),
        ("[zero]\ntruth_gu = { 20 = 0 }".into(), 4, "the black trap has no truth at 60°"),
        ("[middle]\ntruth_gu = { 85 = 40 }".into(), 4, "the middle tile has no truth at 60°"),
        ("[[wobble]]\noffset_gu = 1".into(), 4, "`placement` or `probability`"),
        ("[[wobble]]\nplacement = 0\noffset_gu = 1".into(), 5, "the first is 1"),
        ("[[wobble]]\nprobability = 1.5\noffset_gu = 1".into(), 5, "from 0 to 1"),
        ("[[fault]]\nline = 3\nkind = 'repeat'\nseconds = 1".into(), 4, "takes no time"),
        ("[[fault]]\nline = 3\nkind = 'silence'\nafter_bytes = 1".into(), 4, "does not split"),
        ("[[fault]]\nline = 3\nkind = 'error'".into(), 4, "a word goes with"),
        ("[[fault]]\nline = 3\nkind = 'error'\nword = \"a\\nb\"".into(), 4, "breaks the line"),
        ("[[fault]]\nline = 3\nkind = 'cut'\n[[fault]]\nline = 3\nkind = 'cut'".into(), 7, "two faults"),
        ("[layout]\nline = '{glos}'".into(), 5, "no field of a line"),
        ("[layout]\nline = '{gloss'".into(), 5, "not closed"),
        ("[layout]\nline = '{gloss:x}'".into(), 5, "no width"),
        ("[layout]\nline = '{gloss:99}'".into(), 5, "no width"),
        ("[layout]\nline = \"{gloss}\\n\"".into(), 5, "line end"),
        ("[layout]\nline = '{gloss} {gloss_60}'".into(), 4, "mixes"),
        ("[layout]\nline = '{gloss_60}'\ngeometries = [60]".into(), 4, "names its angles already"),
        ("[layout]\nline = '{geometry} {gloss_60}'".into(), 4, "stands in it once"),
        ("[layout]\ngeometry_words = { \"A\\r\" = 60 }".into(), 4, "breaks the line"),
        ("[layout]\ngeometries = [60, 60]".into(), 4, "names one twice"),
        ("[layout]\ndecimals = 5".into(), 5, "0 to 4"),
        ("[layout]\nline = '{gloss}*{checksum}'".into(), 4, "nothing says which"),
        ("[layout]\nchecksum = { kind = 'xor' }".into(), 4, "stand in `line` once"),
        (
            "[layout]\nline = '{gloss}{checksum_from}{checksum_to}{checksum_from}{checksum}'\nchecksum = { kind = 'xor' }"
                .into(),
            4,
            "out of order",
        ),
        ("[layout]\nline = '{gloss}{checksum}'\nchecksum = { kind = 'crc-16' }".into(), 4, "which one this is"),
        ("[answers]\nrequest = ''".into(), 4, "nothing to send"),
        ("[answers]\nrequest = 'R'\n[[answers.error]]\nline = 1\nsays = ''".into(), 4, "error_query"),
        ("[answers]\nrequest = 'R'\n[stream]\n".into(), 6, "both answers and streams"),
    ];
    for (tables, line, what) in cases {
        let problem = Scenario::load("t.toml", &format!("seed = 1\n{TILE}{tables}")).unwrap_err();
        assert!(problem.to_string().contains(what), "{tables}\n{problem}");
        assert_eq!(problem.line, line, "{tables}\n{problem}");
    }
}

#[test]
fn every_scenario_in_the_notes_loads_and_every_key_has_its_example() {
    let notes = include_str!("../protocol-notes/simulated-meter.md");
    let blocks: Vec<&str> =
        notes.split("```toml\n").skip(1).map(|rest| rest.split("```").next().unwrap()).collect();
    for block in &blocks {
        Scenario::load("simulated-meter.md", block).unwrap_or_else(|problem| panic!("{problem}\n{block}"));
    }
    let examples = blocks.concat();
    let keys = notes.lines().filter_map(|line| line.strip_prefix("| `")?.split('`').next());
    for key in keys {
        let is_shown =
            examples.contains(&format!("{key} =")) || examples.contains(&format!("kind = \"{key}\""));
        assert!(is_shown, "`{key}` stands in a table of the notes and in no example");
    }
}
