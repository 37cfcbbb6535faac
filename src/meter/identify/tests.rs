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
