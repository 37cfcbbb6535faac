//! What `halfpanel identify` prints: each step, and in the end what is proposed.

use super::Arguments;
use crate::cli::output;
use crate::meter::LineOutcome;
use crate::meter::Profile;
use crate::meter::escaped;
use crate::meter::identify::Candidate;
use crate::meter::identify::Evidence;
use crate::meter::identify::When;
use crate::session::identify::PRESSES;
use crate::session::identify::Step;
use serde_json::json;

/// Longest line of bytes that is shown.
const MOST_SHOWN: usize = 120;

/// Prints a step.
pub fn step(arguments: &Arguments, step: &Step, asks_user: bool) {
    if arguments.json {
        return output::line(step_json(step));
    }
    match step {
        Step::Listening { settings, number: 1, .. } => {
            if arguments.ask.is_none() {
                output::line(
                    "Put the meter on the reference tile and press its button every two seconds, until it is heard.",
                );
            }
            output::line(format_args!("listening at {settings}"));
        }
        Step::Listening { settings, number, of } => {
            output::line(format_args!("listening at {settings} ({number} of {of})"));
        }
        Step::Heard { bytes, hearing, .. } => {
            output::line(format_args!("  heard {}", cut(&escaped(bytes))));
            output::line(format_args!("  {} (score {:.2})", hearing.reasons.join("; "), hearing.score));
        }
        Step::Press { number } => {
            output::line(format_args!("Press the meter's button on the tile: {number} of {PRESSES}"));
        }
        Step::PutOnTile if asks_user => output::line("Put the meter on the tile, then press Enter."),
        Step::PutOnTile => output::line("The meter answers; it is asked on the tile now."),
        Step::Asking { number } => output::line(format_args!("asking: {number} of {PRESSES}")),
        Step::Lines { lines, .. } => show_lines(lines),
        Step::HoldStill if asks_user => {
            output::line("The meter sends without end. Put it on the tile, hold it still, then press Enter.")
        }
        Step::HoldStill => {
            output::line("The meter sends without end. Put it on the tile and hold it still.");
        }
        Step::Lift => output::line("Now lift the meter and hold it in the air."),
    }
}

fn show_lines(lines: &[Vec<u8>]) {
    for line in lines.iter().take(8) {
        output::line(format_args!("  {}", cut(&escaped(line))));
    }
    if lines.len() > 8 {
        output::line(format_args!("  and {} lines more", lines.len() - 8));
    }
}

/// The text, cut to a length that can be shown.
pub fn cut(text: &str) -> String {
    match text.char_indices().nth(MOST_SHOWN) {
        Some((at, _)) => format!("{}…", &text[..at]),
        None => text.to_owned(),
    }
}

fn step_json(step: &Step) -> serde_json::Value {
    match step {
        Step::Listening { settings, number, of } => {
            json!({"event": "listening", "settings": settings, "number": number, "of": of})
        }
        Step::Heard { settings, bytes, hearing } => json!({
            "event": "heard", "settings": settings, "bytes": escaped(bytes), "score": hearing.score,
            "reasons": hearing.reasons,
        }),
        Step::Press { number } => json!({"event": "press", "number": number, "of": PRESSES}),
        Step::PutOnTile => json!({"event": "put-on-tile"}),
        Step::Asking { number } => json!({"event": "asking", "number": number, "of": PRESSES}),
        Step::Lines { press, lines } => {
            let lines: Vec<String> = lines.iter().map(|line| escaped(line)).collect();
            json!({"event": "lines", "press": press, "lines": lines})
        }
        Step::HoldStill => json!({"event": "hold-still"}),
        Step::Lift => json!({"event": "lift"}),
    }
}

/// What the profile makes of a line, in words.
fn outcome(profile: &Profile, line: &[u8]) -> String {
    match profile.reader().read(line) {
        LineOutcome::Values { gloss, sequence } => {
            let values = gloss.iter().map(|(geometry, value)| format!("{value} GU at {geometry}"));
            let number = sequence.map(|number| format!("number {number}"));
            values.chain(number).collect::<Vec<_>>().join(", ")
        }
        LineOutcome::Ignored => "passed over".to_owned(),
        LineOutcome::Refused(refusal) => format!("refused: {refusal}"),
    }
}

/// Lines from the tile, each once, with what the profile makes of them.
fn understood(evidence: &Evidence, profile: &Profile) -> Vec<(String, String)> {
    let mut seen: Vec<(String, String)> = Vec::new();
    for line in evidence.lines.iter().filter(|line| matches!(line.when, When::Tile(_))) {
        let text = escaped(&line.bytes);
        if seen.len() < 12 && !seen.iter().any(|(known, _)| *known == text) {
            seen.push((text, outcome(profile, &line.bytes)));
        }
    }
    seen
}

/// Prints the best and the second best proposal.
pub fn proposals(arguments: &Arguments, evidence: &Evidence, best: &Candidate, second: Option<&Candidate>) {
    let values = |candidate: &Candidate| {
        let seen = understood(evidence, &candidate.profile);
        seen.into_iter().map(|(line, says)| json!({"line": line, "gives": says})).collect::<Vec<_>>()
    };
    if arguments.json {
        let guess = |candidate: &Candidate| {
            json!({
                "confidence": candidate.confidence, "reasons": candidate.reasons, "doubts": candidate.doubts,
                "lines": values(candidate), "profile": candidate.profile.text(),
            })
        };
        let serial = evidence.serial;
        return output::line(json!({
            "event": "proposal",
            "settings": {"baud": serial.baud, "data_bits": serial.data_bits},
            "best": guess(best), "second": second.map(guess),
        }));
    }
    output::line("");
    output::line(format_args!("Best guess, confidence {:.2}:", best.confidence));
    for (line, says) in understood(evidence, &best.profile) {
        output::line(format_args!("  {}  ->  {says}", cut(&line)));
    }
    for reason in &best.reasons {
        output::line(format_args!("  for it: {reason}"));
    }
    for doubt in &best.doubts {
        output::line(format_args!("  not certain: {doubt}"));
    }
    output::line("");
    for line in best.profile.text().lines() {
        output::line(format_args!("    {line}"));
    }
    if let Some(second) = second {
        output::line("");
        output::line(format_args!("Second best guess, confidence {:.2}:", second.confidence));
        for line in layout_of(second.profile.text()) {
            output::line(format_args!("    {line}"));
        }
        if let Some((line, says)) = understood(evidence, &second.profile).first() {
            output::line(format_args!("  {}  ->  {says}", cut(line)));
        }
    }
    output::line("");
}

/// The lines of a profile's `[line]` table.
fn layout_of(text: &str) -> impl Iterator<Item = &str> {
    text.lines().skip_while(|line| *line != "[line]").take_while(|line| !line.is_empty())
}
