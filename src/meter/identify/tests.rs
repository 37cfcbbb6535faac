use super::*;

/// Three presses, each with these lines, the number being put in for `N`.
fn presses(lines: &[&str]) -> Vec<HeardLine> {
    let mut number = 16;
    let mut heard = Vec::new();
    for press in 1..=3 {
        for line in lines {
            number += 1;
            let bytes = line.replace("NNNN", &format!("{number:04}")).into_bytes();
            heard.push(HeardLine { bytes, when: When::Tile(press) });
        }
    }
    heard
}

fn evidence(lines: &[&str]) -> Evidence {
    Evidence { name: "my-meter".to_owned(), lines: presses(lines), ..Evidence::default() }
}

fn tile(values: &[(Geometry, &str)]) -> Known {
    let tile = values.iter().map(|&(g, text)| (g, Gloss::parse(text).unwrap())).collect();
    Known { tile, geometry: None }
}

fn read(candidate: &Candidate, line: &str) -> String {
    match candidate.profile.reader().read(line.as_bytes()) {
        LineOutcome::Values { gloss, .. } => {
            gloss.iter().map(|(g, v)| format!("{}:{v}", g.text())).collect::<Vec<_>>().join(" ")
        }
        LineOutcome::Ignored => "ignored".to_owned(),
        LineOutcome::Refused(refusal) => format!("{}: {refusal}", refusal.code()),
    }
}

fn best(evidence: &Evidence) -> Candidate {
    let found = propose(evidence);
    let Some(best) = found.into_iter().next() else { panic!("nothing is proposed") };
    best
}

#[test]
fn lines_of_many_makes_are_read_with_other_values_too() {
    for (lines, fresh, wanted) in [
        (&["NNNN;60;92.4;GU;OK"][..], "0042;85;7.1;GU;OK", "85:7.1"),
        (&["60,92.4"], "20,101.3", "20:101.3"),
        (&["60\t92.4\tGU"], "60\t7.3\tGU", "60:7.3"),
        (&["60 92.4 GU"], "60   7.3 GU", "60:7.3"),
        (&["60;92,4;GU"], "60;107,3;GU", "60:107.3"),
        (&["G60: 92.4 GU"], "G20: 107.3 GU", "20:107.3"),
        (&["60\u{b0}: 92.4 GU"], "20\u{b0}: 107.3 GU", "20:107.3"),
        (&["G20=71.4 G60=92.4 G85=97.0"], "G20=1.4 G60=12.4 G85=107.0", "20:1.4 60:12.4 85:107.0"),
        (&["20;71.4;60;92.4;85;97.0"], "20;1.4;60;12.4;85;107.0", "20:1.4 60:12.4 85:107.0"),
        (&["20;71.4;GU", "60;92.4;GU", "85;100.2;GU"], "20;1.4;GU", "20:1.4"),
        (&["\u{2}60;92.4\u{3}"], "\u{2}60;107.3\u{3}", "60:107.3"),
        (&["GLOSS METER", "60;92.4", "BAT 80 %"], "BAT 7 %", "ignored"),
        (&["NNNN  60    92.4 OK"], "0042  60   107.3 OK", "60:107.3"),
        (&["GLOS60 +9.24E+01"], "GLOS85 +1.07E+02", "85:107"),
        (&["NNNN|60|92,4|GE|ok"], "0042|60|107,3|GE|ok", "60:107.3"),
    ] {
        let best = best(&evidence(lines));
        assert_eq!(read(&best, fresh), wanted, "{lines:?}\n{}", best.profile.text());
        assert!(best.confidence >= CONFIDENT, "{lines:?}: {} {:?}", best.confidence, best.doubts);
    }
}

#[test]
fn of_two_steady_numbers_the_tile_tells_which_is_the_gloss() {
    let lines = ["60;23.1;92.4"];
    let unknown = best(&evidence(&lines));
    assert!(unknown.confidence < CONFIDENT, "{}", unknown.confidence);
    assert!(unknown.doubts.iter().any(|doubt| doubt.contains("steady number too")), "{:?}", unknown.doubts);
    for (assigned, wanted) in [("92.6", "60:8.2"), ("23.0", "60:7.1")] {
        let known = best(&Evidence { known: tile(&[(Geometry::Deg60, assigned)]), ..evidence(&lines) });
        assert!(known.confidence > 0.9, "{} {:?}", known.confidence, known.doubts);
        assert_eq!(read(&known, "60;7.1;8.2"), wanted);
    }
}

#[test]
fn of_angles_whose_values_lie_together_the_nearest_is_taken_where_it_is_much_the_nearest() {
    let close = tile(&[(Geometry::Deg20, "88.1"), (Geometry::Deg60, "92.4"), (Geometry::Deg85, "97.0")]);
    let of = |line: &str| best(&Evidence { known: close.clone(), ..evidence(&[line]) });
    assert_eq!(read(&of("92.3;97.2;88.0"), "1.0;2.0;3.0"), "20:3.0 60:1.0 85:2.0");
    assert_eq!(read(&of("GLOSS 97.2"), "GLOSS 1.0"), "85:1.0");
    // In the middle between two: nobody can tell.
    let unsure = of("GLOSS 90.3");
    assert!(unsure.doubts.iter().any(|doubt| doubt.contains("60° is taken")), "{:?}", unsure.doubts);
}

#[test]
fn a_number_with_the_unit_of_something_else_is_no_gloss() {
    for line in ["60;92.4;GU;23.1;C", "60 92.4 GU 23.1 \u{b0}C", "60,92.4,41.5,%"] {
        let best = best(&evidence(&[line]));
        assert!(best.confidence >= CONFIDENT, "{line}: {:?}", best.doubts);
        assert_eq!(read(&best, &line.replace("92.4", "7.1").replace("23.1", "24.6")), "60:7.1", "{line}");
    }
}

#[test]
fn what_is_not_near_the_tile_or_not_steady_is_not_trusted() {
    let far = Evidence { known: tile(&[(Geometry::Deg60, "50.0")]), ..evidence(&["60;92.4;GU"]) };
    assert!(best(&far).confidence < CONFIDENT);
    let mut unsteady = evidence(&["60;92.4;GU"]);
    unsteady.lines[1].bytes = b"60;61.3;GU".to_vec();
    assert!(best(&unsteady).confidence < CONFIDENT);
    let mut once = evidence(&["60;92.4;GU"]);
    once.lines.truncate(1);
    assert!(best(&once).confidence < CONFIDENT, "one press is no proof");
}

#[test]
fn a_word_that_says_that_something_is_wrong_is_refused_and_not_passed_over() {
    let mut heard = evidence(&["60;92.4;GU"]);
    heard.lines.push(HeardLine { bytes: b"ERR 5".to_vec(), when: When::Tile(3) });
    heard.lines.push(HeardLine { bytes: b"PRINT 1".to_vec(), when: When::Tile(3) });
    let best = best(&heard);
    assert!(read(&best, "ERR 5").starts_with("field-count"), "{}", best.profile.text());
    assert_eq!(read(&best, "PRINT 7"), "ignored");
}

#[test]
fn the_rest_of_a_line_that_was_cut_off_does_not_become_a_line_to_pass_over() {
    let mut heard = evidence(&["60;92.4;GU;OK"]);
    heard.lines.insert(0, HeardLine { bytes: b"GU;OK".to_vec(), when: When::Before });
    let best = best(&heard);
    assert!(read(&best, "GU;OK").starts_with("field-count"), "{}", best.profile.text());
}

#[test]
fn words_of_the_line_are_held_to_what_was_seen() {
    let best = best(&evidence(&["60;92.4;GU;OK"]));
    assert!(read(&best, "60;92.4;GU;LOW").starts_with("unknown-status"));
    assert!(read(&best, "60;92.4;%;OK").starts_with("unknown-unit"));
    assert!(read(&best, "60;92.44;GU;OK").starts_with("wrong-decimals"));
}

#[test]
fn angles_that_only_a_heading_names_are_read_in_its_order() {
    let best = best(&evidence(&["85   60   20", "97.0;92.4;71.4"]));
    assert_eq!(read(&best, "1.0;2.0;3.0"), "20:3.0 60:2.0 85:1.0", "{}", best.profile.text());
    assert!(best.confidence >= CONFIDENT, "{:?}", best.doubts);
}

mod any_lines {
    use super::*;
    use proptest::prelude::*;

    /// Pieces of lines as meters send them, and bytes that nobody sends.
    fn line() -> impl Strategy<Value = Vec<u8>> {
        let piece = prop_oneof![
            Just("60".to_owned()),
            Just("20".to_owned()),
            Just("G85=".to_owned()),
            Just("GU".to_owned()),
            Just("OK".to_owned()),
            Just("'".to_owned()),
            Just("\u{2}".to_owned()),
            Just("\u{3}".to_owned()),
            Just("*5A".to_owned()),
            "[0-9]{1,4}",
            "-?[0-9]{1,4}[.,][0-9]{1,8}",
            "[0-9][.][0-9]E[+-][0-9]{2}",
            "[;,\t |/:=$#]{1,2}",
            "[a-z\u{b0}\u{e9}\"\\\\]{0,3}",
        ];
        let text = proptest::collection::vec(piece, 0..9).prop_map(|pieces| pieces.concat().into_bytes());
        prop_oneof![4 => text, 1 => proptest::collection::vec(any::<u8>(), 0..40)]
    }

    fn any_evidence() -> impl Strategy<Value = Evidence> {
        let when = prop_oneof![
            (1..5u32).prop_map(When::Tile),
            (1..5u32).prop_map(When::Tile),
            Just(When::Before),
            Just(When::Air)
        ];
        let repeated = (proptest::collection::vec((line(), when), 1..6), any::<bool>());
        let how = prop_oneof![
            Just(How::Press),
            any::<bool>().prop_map(|silent_in_air| How::Stream { silent_in_air }),
            Just(How::Ask { request: "R?\\r".to_owned(), echo: true })
        ];
        (repeated, how, any::<bool>()).prop_map(|((seen, again), how, has_tile)| {
            let mut lines: Vec<HeardLine> =
                seen.into_iter().map(|(bytes, when)| HeardLine { bytes, when }).collect();
            if again {
                // The same at three presses, as a meter on the tile sends it.
                let tile: Vec<Vec<u8>> = lines.iter().map(|line| line.bytes.clone()).collect();
                lines = (1..=3)
                    .flat_map(|n| {
                        tile.iter().map(move |b| HeardLine { bytes: b.clone(), when: When::Tile(n) })
                    })
                    .collect();
            }
            let known = if has_tile { super::tile(&[(Geometry::Deg60, "92.4")]) } else { Known::default() };
            Evidence { name: "any".to_owned(), lines, how, known, ..Evidence::default() }
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(80))]

        #[test]
        fn whatever_is_proposed_loads_and_reads_lines_of_its_own(evidence in any_evidence()) {
            for candidate in propose(&evidence) {
                prop_assert!((0.0..1.0).contains(&candidate.confidence));
                let text = candidate.profile.text();
                let again = Profile::load("again.toml", text).map_err(|e| TestCaseError::fail(e.to_string()))?;
                let reads = |line: &&HeardLine| {
                    matches!(again.reader().read(&line.bytes), LineOutcome::Values { .. })
                };
                let of_tile = evidence.lines.iter().filter(|line| matches!(line.when, When::Tile(_)));
                prop_assert!(of_tile.filter(reads).count() > 0, "{}", text);
            }
        }

        #[test]
        fn any_bytes_are_scored_and_cut(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            for bits in [7, 8] {
                prop_assert!((0.0..=1.0).contains(&hear(&bytes, bits).score));
            }
            let (lines, _, rest) = cut_into_lines(&bytes);
            prop_assert!(lines.iter().map(Vec::len).sum::<usize>() + rest <= bytes.len());
            let _ = stands_still(&lines, &Known::default());
            let _ = has_left(&lines, &lines);
        }
    }
}
