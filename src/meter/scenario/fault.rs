//! What goes wrong on the line, and at which of its lines.

use crate::meter::scenario::Count;
use crate::meter::scenario::Seconds;
use serde::Deserialize;

/// What happens in place of one ordinary line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Bytes that are no text, as many as the line has, then the line end.
    Garbage,
    /// The line comes in two pieces.
    Cut {
        /// Length of the first piece; none means half of the line.
        after_bytes: Option<usize>,
        /// Time between the pieces, microseconds of the scenario.
        pause_us: u64,
    },
    /// The line is lost and nothing comes for this long. Its number is used up.
    Silence {
        /// Microseconds of the scenario.
        silent_us: u64,
    },
    /// The meter is unplugged while it sends; the rest of the line is lost. Its number is used up.
    Unplug {
        /// How much of the line was out; none means nothing.
        after_bytes: usize,
        /// When it is plugged in again, microseconds of the scenario.
        return_after_us: u64,
    },
    /// The meter measured nothing and says so with this word.
    Error {
        /// Stands in the line's status, or alone in a line that has none.
        word: String,
    },
    /// The line comes twice with the same number.
    Repeat,
}

/// One `[[fault]]`.
#[derive(Deserialize)]
#[serde(try_from = "Table")]
pub(super) struct Row {
    pub line: u64,
    pub fault: Fault,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    line: Count,
    kind: Kind,
    seconds: Option<Seconds>,
    after_bytes: Option<usize>,
    word: Option<String>,
}

#[derive(Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Kind {
    Garbage,
    Cut,
    Silence,
    Unplug,
    Error,
    Repeat,
}

impl TryFrom<Table> for Row {
    type Error = &'static str;
    fn try_from(table: Table) -> Result<Row, Self::Error> {
        let kind = table.kind;
        if table.seconds.is_some() && !matches!(kind, Kind::Cut | Kind::Silence | Kind::Unplug) {
            return Err("this kind of fault takes no time; `seconds` goes with cut, silence and unplug");
        }
        if table.after_bytes.is_some() && !matches!(kind, Kind::Cut | Kind::Unplug) {
            return Err("this kind of fault does not split the line; `after_bytes` goes with cut and unplug");
        }
        if table.word.is_some() != (kind == Kind::Error) {
            return Err("a word goes with the fault `error`, and only there; such as `word = \"LOW\"`");
        }
        let us_or = |default_us| table.seconds.map_or(default_us, Seconds::as_us);
        let fault = match kind {
            Kind::Garbage => Fault::Garbage,
            Kind::Cut => Fault::Cut { after_bytes: table.after_bytes, pause_us: us_or(500_000) },
            Kind::Silence => Fault::Silence { silent_us: us_or(10_000_000) },
            Kind::Unplug => {
                let after_bytes = table.after_bytes.unwrap_or(0);
                Fault::Unplug { after_bytes, return_after_us: us_or(5_000_000) }
            }
            Kind::Error => Fault::Error { word: error_word(table.word.unwrap_or_default())? },
            Kind::Repeat => Fault::Repeat,
        };
        Ok(Row { line: table.line.0, fault })
    }
}

fn error_word(word: String) -> Result<String, &'static str> {
    if word.is_empty() || word.chars().any(char::is_control) {
        return Err("the word of an error is empty or breaks the line; give one such as \"LOW\"");
    }
    Ok(word)
}
