//! The examples of a profile are tried when it is loaded: a profile that cannot read its own examples
//! is wrong, and this is the moment to say so.

use crate::meter::LineEnd;
use crate::meter::LineOutcome;
use crate::meter::LineReader;
use crate::meter::Refusal;
use crate::meter::line_format::Encoding;
use crate::meter::profile_file::ExampleTable;
use crate::meter::profile_file::File;
use crate::meter::profile_file::Source;
use crate::text::Problem;
use crate::units::Geometry;
use crate::units::Gloss;
use crate::units::PerGeometry;
use toml::Spanned;

pub(super) fn check(source: Source<'_>, reader: &LineReader, file: &File) -> Result<(), Problem> {
    for example in &file.example {
        try_one(source, reader, file, example)?;
    }
    if file.example.iter().any(|example| !expected(example.get_ref()).is_empty()) {
        return Ok(());
    }
    let hint = "add `[[example]]` with `line = '…'`, a line that the meter sent, and the value it gives, such as \
                `gloss_60 = \"85.3\"`";
    Err(source.problem(file.line.span(), "the profile has no example that gives a value", hint))
}

fn expected(example: &ExampleTable) -> PerGeometry<Gloss> {
    let all = [
        (Geometry::Deg20, example.gloss_20),
        (Geometry::Deg60, example.gloss_60),
        (Geometry::Deg85, example.gloss_85),
    ];
    all.into_iter().filter_map(|(geometry, gloss)| gloss.map(|gloss| (geometry, gloss))).collect()
}

fn try_one(
    source: Source<'_>,
    reader: &LineReader,
    file: &File,
    example: &Spanned<ExampleTable>,
) -> Result<(), Problem> {
    let (table, example) = (example.span(), example.get_ref());
    let wanted = expected(example);
    let says = usize::from(!wanted.is_empty()) + usize::from(example.ignored) + usize::from(example.refused);
    if says != 1 {
        let hint = "give the values, such as `gloss_60 = \"85.3\"`, or `ignored = true`, or `refused = true`";
        return Err(source.problem(table, "the example says nothing, or more than one thing", hint));
    }
    let bytes = encoded(source, reader.encoding, file.line.get_ref().end, example)?;
    let refuse = |what: String, hint: &str| Err(source.problem(example.line.span(), what, hint));
    match reader.read(&bytes) {
        LineOutcome::Values { gloss, sequence } => {
            let found = shown(&gloss, example.sequence.and(sequence));
            let wanted = if says_values(example) { shown(&wanted, example.sequence) } else { other(example) };
            if found == wanted {
                Ok(())
            } else {
                refuse(format!("the line gives {found}, the example says {wanted}"), CORRECT)
            }
        }
        LineOutcome::Ignored if example.ignored => Ok(()),
        LineOutcome::Ignored => {
            refuse("`ignore` passes this line over, the example says otherwise".to_owned(), CORRECT)
        }
        LineOutcome::Refused(_) if example.refused => Ok(()),
        LineOutcome::Refused(refusal) => {
            let hint = fitting_checksum(reader, &refusal, &bytes);
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

fn encoded(
    source: Source<'_>,
    encoding: Encoding,
    end: LineEnd,
    example: &ExampleTable,
) -> Result<Vec<u8>, Problem> {
    let text = example.line.get_ref();
    let refuse = |what: &str, hint: &str| Err(source.problem(example.line.span(), what, hint));
    if end.stands_in(text) {
        return refuse("the example has a line end in it", "give one line, without its end");
    }
    if encoding != Encoding::Latin1 {
        return Ok(text.as_bytes().to_vec());
    }
    match text.chars().map(|character| u8::try_from(u32::from(character))).collect() {
        Ok(bytes) => Ok(bytes),
        Err(_) => {
            refuse("the example has a character that latin-1 has not", "correct the line, or `encoding`")
        }
    }
}
