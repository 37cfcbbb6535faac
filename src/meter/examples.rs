//! The examples of a profile are tried when it is loaded: a profile that cannot read its own examples
//! is wrong, and this is the moment to say so.

use crate::meter::Joiner;
use crate::meter::Joining;
use crate::meter::LineEnd;
use crate::meter::LineOutcome;
use crate::meter::LineReader;
use crate::meter::Refusal;
use crate::meter::SetEnd;
use crate::meter::line_format::Encoding;
use crate::meter::profile_file::ExampleTable;
use crate::meter::profile_file::File;
use crate::meter::profile_file::Source;
use crate::text::Problem;
use crate::units::Geometry;
use crate::units::Gloss;
use crate::units::PerGeometry;
use std::ops::Range;
use toml::Spanned;

pub(super) fn check(
    source: Source<'_>,
    reader: &LineReader,
    joining: Option<&Joining>,
    file: &File,
) -> Result<(), Problem> {
    for example in &file.example {
        try_one(Trial { source, reader, joining, end: file.line.get_ref().end }, example)?;
    }
    let gives_values = |table: &ExampleTable| !expected(table).is_empty();
    if !file.example.iter().any(|example| gives_values(example.get_ref())) {
        let hint = "add `[[example]]` with `line = '…'`, a line that the meter sent, and the value it gives, such as \
                    `gloss_60 = \"85.3\"`";
        return Err(source.problem(file.line.span(), "the profile has no example that gives a value", hint));
    }
    let joins = |table: &ExampleTable| table.lines.is_some() && gives_values(table);
    match &file.reading.joins_deg {
        Some(given) if !file.example.iter().any(|example| joins(example.get_ref())) => {
            let hint = "add `[[example]]` with `lines = ['…', '…']`, all the lines of one press, and the values they give";
            Err(source.problem(given.span(), "no example shows lines that are joined", hint))
        }
        _ => Ok(()),
    }
}

fn expected(example: &ExampleTable) -> PerGeometry<Gloss> {
    let all = [
        (Geometry::Deg20, example.gloss_20),
        (Geometry::Deg60, example.gloss_60),
        (Geometry::Deg85, example.gloss_85),
    ];
    all.into_iter().filter_map(|(geometry, gloss)| gloss.map(|gloss| (geometry, gloss))).collect()
}

/// What an example is tried by.
#[derive(Clone, Copy)]
struct Trial<'a> {
    source: Source<'a>,
    reader: &'a LineReader,
    joining: Option<&'a Joining>,
    end: LineEnd,
}

fn try_one(trial: Trial<'_>, example: &Spanned<ExampleTable>) -> Result<(), Problem> {
    let (table, example) = (example.span(), example.get_ref());
    let problem = |what: &str, hint: &str| Err(trial.source.problem(table.clone(), what, hint));
    let wanted = expected(example);
    let says = usize::from(!wanted.is_empty()) + usize::from(example.ignored) + usize::from(example.refused);
    if says != 1 || (example.ignored && example.lines.is_some()) {
        let hint = "give the values, such as `gloss_60 = \"85.3\"`, or `ignored = true`, or `refused = true`";
        return problem("the example says nothing, or more than one thing", hint);
    }
    match (&example.line, &example.lines) {
        (Some(line), None) => {
            let bytes = encoded(trial, line)?;
            let outcome = trial.reader.read(&bytes);
            compare(trial, example, line.span(), &bytes, outcome)
        }
        (None, Some(lines)) => together(trial, example, lines),
        (None, None) => problem("the example has no line", "add `line = '…'`, a line that the meter sent"),
        (Some(_), Some(_)) => problem("the example has `line` and `lines`", "keep the one that is meant"),
    }
}

/// Lines that are joined, as if they had come at once.
fn together(
    trial: Trial<'_>,
    example: &ExampleTable,
    lines: &Spanned<Vec<Spanned<String>>>,
) -> Result<(), Problem> {
    let Some(joining) = trial.joining else {
        let hint = "add `joins_deg = [20, 60, 85]` to `[reading]`, or give each line an example of its own";
        return Err(trial.source.problem(lines.span(), "`lines` are given, but nothing is joined", hint));
    };
    // Numbers are compared from press to press by a run; here only the values are.
    let mut joiner = Joiner::new(joining.clone(), Some(trial.reader.sequence));
    let (mut whole, mut last) = (None, Vec::new());
    for line in lines.get_ref() {
        last = encoded(trial, line)?;
        let refused = match trial.reader.read(&last) {
            LineOutcome::Ignored => continue,
            LineOutcome::Refused(refusal) => Some(refusal),
            LineOutcome::Values { gloss, sequence } => {
                let step = joiner.take(0, &last, &gloss, sequence);
                if whole.is_some() {
                    let hint = "give the lines of one press, no more";
                    return Err(trial.source.problem(line.span(), "this line is one too many", hint));
                }
                whole = step.whole;
                step.refused.map(|(_, refusal)| refusal)
            }
        };
        if let Some(refusal) = refused {
            return compare(trial, example, line.span(), &last, LineOutcome::Refused(refusal));
        }
    }
    let outcome = match (whole, joiner.end(SetEnd::Late { within_ms: joining.within_us / 1_000 })) {
        (Some(joined), _) => {
            let sequence = joined.numbers.map(|(_, last)| last);
            LineOutcome::Values { gloss: joined.gloss, sequence }
        }
        (None, Some((_, refusal))) => LineOutcome::Refused(refusal),
        (None, None) => LineOutcome::Ignored,
    };
    compare(trial, example, lines.span(), &last, outcome)
}

/// Holds what came of a line to what the example says of it.
fn compare(
    trial: Trial<'_>,
    example: &ExampleTable,
    place: Range<usize>,
    bytes: &[u8],
    outcome: LineOutcome,
) -> Result<(), Problem> {
    let it = if example.lines.is_some() { "lines give" } else { "line gives" };
    let refuse = |what: String, hint: &str| Err(trial.source.problem(place.clone(), what, hint));
    match outcome {
        LineOutcome::Values { gloss, sequence } => {
            let found = shown(&gloss, example.sequence.and(sequence));
            let wanted = expected(example);
            let wanted = if says_values(example) { shown(&wanted, example.sequence) } else { other(example) };
            if found == wanted {
                Ok(())
            } else {
                refuse(format!("the {it} {found}, the example says {wanted}"), CORRECT)
            }
        }
        LineOutcome::Ignored if example.ignored => Ok(()),
        LineOutcome::Ignored => {
            refuse("`ignore` passes this line over, the example says otherwise".to_owned(), CORRECT)
        }
        LineOutcome::Refused(_) if example.refused => Ok(()),
        LineOutcome::Refused(refusal) => {
            let hint = fitting_checksum(trial.reader, &refusal, bytes);
            refuse(format!("the line is refused: {refusal}"), hint.as_deref().unwrap_or(CORRECT))
        }
    }
}

/// Names the checksum that the example would have right, where it is a known one.
fn fitting_checksum(reader: &LineReader, refusal: &Refusal, line: &[u8]) -> Option<String> {
    let Refusal::WrongChecksum { .. } = refusal else { return None };
    let fitting = reader.frame.as_ref()?.others_that_fit(line)?;
    Some(format!("this line's checksum would be right with {fitting}; see that it is so with three lines"))
}

const CORRECT: &str = "correct the layout in `[line]`, or the example if it is not what the meter sent";

fn says_values(example: &ExampleTable) -> bool {
    !example.ignored && !example.refused
}

fn other(example: &ExampleTable) -> String {
    if example.ignored { "`ignored = true`".to_owned() } else { "`refused = true`".to_owned() }
}

/// Values with all their digits, since 85.30 is not what 85.3 was printed as.
fn shown(gloss: &PerGeometry<Gloss>, sequence: Option<u64>) -> String {
    let values = gloss.iter().map(|(geometry, gloss)| format!("gloss_{} = \"{gloss}\"", geometry.text()));
    values.chain(sequence.map(|number| format!("sequence = {number}"))).collect::<Vec<_>>().join(", ")
}

fn encoded(trial: Trial<'_>, line: &Spanned<String>) -> Result<Vec<u8>, Problem> {
    let text = line.get_ref();
    let refuse = |what: &str, hint: &str| Err(trial.source.problem(line.span(), what, hint));
    if trial.end.stands_in(text) {
        return refuse("the example has a line end in it", "give one line, without its end");
    }
    if trial.reader.encoding != Encoding::Latin1 {
        return Ok(text.as_bytes().to_vec());
    }
    match text.chars().map(|character| u8::try_from(u32::from(character))).collect() {
        Ok(bytes) => Ok(bytes),
        Err(_) => {
            refuse("the example has a character that latin-1 has not", "correct the line, or `encoding`")
        }
    }
}
