//! The operator's words: the closed list of what a person can tell a run.

use serde::{Deserialize, Serialize};

/// One word of the operator. Zones are named by their label, such as `A3`, or `P1 A3` where the run
/// has several panels; a placement by its number.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Word {
    /// Take the last placement back: the meter stood on the wrong spot, or slid.
    Undo,
    /// Read a zone again, whole; without a name, the zone read last.
    Again {
        /// Label of the zone.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        zone: Option<String>,
    },
    /// Declare a placement void; without a number, the last one on a zone. Its zone is read again in its
    /// place.
    Void {
        /// Number of the placement.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        placement: Option<u32>,
        /// Why; must not be empty.
        reason: String,
    },
    /// Leave a zone out; without a name, the zone that is next.
    Skip {
        /// Label of the zone.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        zone: Option<String>,
        /// Why; must not be empty.
        reason: String,
    },
    /// Ask the meter for a reading, where it has no button of its own that sends.
    Read,
    /// Check the tile now.
    Check,
    /// The meter is going to be adjusted: an as-found check comes first.
    Adjust,
    /// The meter has been adjusted by its manual: the as-left check comes.
    Adjusted,
    /// Take nothing until `resume`.
    Pause,
    /// Go on after a pause.
    Resume,
    /// Something to remember, without effect on the run.
    Note {
        /// The text.
        text: String,
    },
    /// Give the run up; what is not proven stays so.
    Abandon {
        /// Why; may be empty.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        reason: String,
    },
}

/// The words as an operator types them.
const TYPED: [&str; 12] = [
    "read", "undo", "again", "void", "skip", "check", "adjust", "adjusted", "pause", "resume", "note",
    "abandon",
];

const HOW: &str = "the words are read, undo, again [ZONE], void [NUMBER]: REASON, skip [ZONE]: REASON, check, adjust, \
                   adjusted, pause, resume, note: TEXT, abandon[: REASON]";

impl Word {
    /// Reads a word as an operator types it, such as `undo`, `again A3`, `void 7: slid on the wax`,
    /// `skip P1 A3: scratched` or `note: sun on the bench`; or a JSON object as it stands in a
    /// recording, `{"do":"undo"}`. Upper and lower case are one.
    ///
    /// ```
    /// use halfpanel::run::Word;
    /// assert_eq!(Word::parse("again A3"), Ok(Word::Again { zone: Some("A3".to_owned()) }));
    /// assert!(Word::parse("undu").unwrap_err().contains("`undo`"));
    /// ```
    ///
    /// # Errors
    /// A sentence that says what is wrong and how the word would be right.
    pub fn parse(text: &str) -> Result<Word, String> {
        let text = text.trim();
        if text.starts_with('{') {
            return serde_json::from_str(text)
                .map_err(|e| format!("not a word as JSON: {e}; as in {{\"do\":\"undo\"}}"));
        }
        let end = text.find(|c: char| c == ':' || c.is_whitespace()).unwrap_or(text.len());
        let (verb, rest) = text.split_at(end);
        // What stands before the colon, and what behind it, if there is one.
        let (name, tail) = match rest.split_once(':') {
            Some((name, tail)) => (name.trim(), Some(tail.trim())),
            None => (rest.trim(), None),
        };
        match verb.to_lowercase().as_str() {
            "read" => alone(Word::Read, verb, rest),
            "undo" => alone(Word::Undo, verb, rest),
            "check" => alone(Word::Check, verb, rest),
            "adjust" => alone(Word::Adjust, verb, rest),
            "adjusted" => alone(Word::Adjusted, verb, rest),
            "pause" => alone(Word::Pause, verb, rest),
            "resume" => alone(Word::Resume, verb, rest),
            "again" => match tail {
                None => Ok(Word::Again { zone: named(name) }),
                Some(_) => Err("`again` takes a zone and nothing more, as in `again A3`".to_owned()),
            },
            "void" => {
                let reason = reason(tail, "void: slid on the wax")?;
                Ok(Word::Void { placement: placement(name)?, reason })
            }
            "skip" => {
                let reason = reason(tail, "skip A3: scratched")?;
                Ok(Word::Skip { zone: named(name), reason })
            }
            "note" => {
                Ok(Word::Note { text: reason(Some(rest.trim_start_matches(':').trim()), "note: sunny")? })
            }
            "abandon" => match (name, tail) {
                ("", tail) => Ok(Word::Abandon { reason: tail.unwrap_or_default().to_owned() }),
                _ => Err("put a colon before the reason, as in `abandon: out of daylight`".to_owned()),
            },
            "" => Err(format!("there is no word; {HOW}")),
            _ => Err(match crate::text::nearest(verb, TYPED) {
                Some(meant) => format!("`{verb}` is no word; `{meant}` is one. {HOW}"),
                None => format!("`{verb}` is no word; {HOW}"),
            }),
        }
    }
}

fn named(name: &str) -> Option<String> {
    (!name.is_empty()).then(|| name.to_owned())
}

fn alone(word: Word, verb: &str, rest: &str) -> Result<Word, String> {
    match rest.trim() {
        "" => Ok(word),
        rest => Err(format!("`{verb}` stands alone; `{rest}` behind it means nothing")),
    }
}

fn reason(tail: Option<&str>, example: &str) -> Result<String, String> {
    let verb = example.split([' ', ':']).next().unwrap_or(example);
    match tail {
        Some("") => Err(format!("`{verb}` needs words behind the colon, as in `{example}`")),
        Some(reason) => Ok(reason.to_owned()),
        None => Err(format!("`{verb}` needs a colon and words behind it, as in `{example}`")),
    }
}

fn placement(name: &str) -> Result<Option<u32>, String> {
    match name {
        "" => Ok(None),
        number => number
            .parse()
            .map(Some)
            .map_err(|_| format!("`{number}` is no number of a placement, as in `void 7: slid on the wax`")),
    }
}

#[cfg(test)]
mod tests {
    use super::Word;

    fn text(text: &str) -> String {
        text.to_owned()
    }

    #[test]
    fn every_word_is_read_as_it_is_typed() {
        let reason = text("slid: on the wax");
        for (typed, word) in [
            ("read", Word::Read),
            ("undo", Word::Undo),
            (" UNDO ", Word::Undo),
            ("again", Word::Again { zone: None }),
            ("again P1 A3", Word::Again { zone: Some(text("P1 A3")) }),
            ("void: slid: on the wax", Word::Void { placement: None, reason: reason.clone() }),
            ("void 7: slid: on the wax", Word::Void { placement: Some(7), reason: reason.clone() }),
            ("void 7 :slid: on the wax", Word::Void { placement: Some(7), reason: reason.clone() }),
            ("skip:slid: on the wax", Word::Skip { zone: None, reason: reason.clone() }),
            ("skip P1 A3: slid: on the wax", Word::Skip { zone: Some(text("P1 A3")), reason }),
            ("check", Word::Check),
            ("adjust", Word::Adjust),
            ("adjusted", Word::Adjusted),
            ("pause", Word::Pause),
            ("resume", Word::Resume),
            ("note: 21 °C", Word::Note { text: text("21 °C") }),
            ("note 21 °C: warm", Word::Note { text: text("21 °C: warm") }),
            ("abandon", Word::Abandon { reason: String::new() }),
            ("abandon: out of daylight", Word::Abandon { reason: text("out of daylight") }),
            (r#"{"do":"undo"}"#, Word::Undo),
            (r#"{"do":"again","zone":"A3"}"#, Word::Again { zone: Some(text("A3")) }),
        ] {
            assert_eq!(Word::parse(typed), Ok(word), "{typed}");
        }
    }

    #[test]
    fn a_word_that_cannot_be_followed_is_answered_with_what_would_be_right() {
        for (typed, answer) in [
            ("undu", "`undo` is one"),
            ("ajusted", "`adjusted` is one"),
            ("weather", "the words are read, undo"),
            ("", "there is no word"),
            ("undo A3", "stands alone"),
            ("void", "needs a colon"),
            ("void:  ", "words behind the colon"),
            ("void slid", "needs a colon"),
            ("void seven: slid", "no number of a placement"),
            ("void -1: slid", "no number of a placement"),
            ("skip A3", "needs a colon"),
            ("again A3: why", "takes a zone and nothing more"),
            ("note:", "words behind the colon"),
            ("abandon it", "put a colon before"),
            (r#"{"do":"dance"}"#, "unknown variant"),
            (r#"{"do":"undo""#, "not a word as JSON"),
        ] {
            let why = Word::parse(typed).unwrap_err();
            assert!(why.contains(answer), "{typed}: {why}");
        }
    }
}
