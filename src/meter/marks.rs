//! Words by which a meter says that a value is not a fresh reading: a mean that it made itself, or one
//! from its memory.

use crate::meter::Refusal;
use crate::meter::Seen;
use crate::meter::profile_file::File;
use crate::meter::profile_file::Source;
use crate::text::Problem;
use regex::RegexSet;
use toml::Spanned;

/// The words and patterns of a profile.
#[derive(Clone, Debug)]
pub(super) struct Marks {
    fresh: Box<[Box<str>]>,
    average: Box<[Box<str>]>,
    memory: Box<[Box<str>]>,
    average_lines: Option<RegexSet>,
    memory_lines: Option<RegexSet>,
}

impl Marks {
    /// `lines` compiles patterns that stand for whole lines.
    pub fn of(
        source: Source<'_>,
        file: &File,
        has_mark: bool,
        has_status: bool,
        lines: impl Fn(&[Spanned<String>]) -> Result<Option<RegexSet>, Problem>,
    ) -> Result<Marks, Problem> {
        let table = &file.marks;
        let words = || table.average.iter().chain(&table.memory);
        if let (Some(word), false) = (words().next(), has_mark || has_status) {
            let what = "`marks` has words, but no field is named `mark` or `status`";
            let hint = "name the field that holds them `mark`, or describe such lines by `average_lines` or \
                        `memory_lines`";
            return Err(source.problem(word.span(), what, hint));
        }
        if let (Some(fresh), false) = (&table.fresh, has_mark) {
            let what = "`fresh` is given, but no field is named `mark`";
            return Err(source.problem(fresh.span(), what, "name a field `mark`, or take `fresh` out"));
        }
        let fresh: &[String] = table.fresh.as_ref().map_or(&[], |fresh| fresh.get_ref());
        let ok: &[String] = file.status.ok.as_ref().map_or(&[], |ok| ok.get_ref());
        for (at, word) in words().enumerate() {
            let text = word.get_ref();
            let is_other = fresh.contains(text)
                || ok.contains(text)
                || file.status.errors.contains_key(text)
                || words().take(at).any(|before| before.get_ref() == text);
            if is_other {
                let what = format!("`{text}` has two meanings");
                let hint = "a word stands once in `marks` and `status`";
                return Err(source.problem(word.span(), what, hint));
            }
        }
        let boxed =
            |words: &[Spanned<String>]| words.iter().map(|word| word.get_ref().as_str().into()).collect();
        Ok(Marks {
            fresh: fresh.iter().map(|word| word.as_str().into()).collect(),
            average: boxed(&table.average),
            memory: boxed(&table.memory),
            average_lines: lines(&table.average_lines)?,
            memory_lines: lines(&table.memory_lines)?,
        })
    }

    pub fn has_no_fresh_word(&self) -> bool {
        self.fresh.is_empty()
    }

    /// Refuses a whole line that is an average or a replay by its pattern.
    pub fn check_line(&self, line: &[u8], text: &str) -> Result<(), Refusal> {
        let is_match = |set: &Option<RegexSet>| set.as_ref().is_some_and(|set| set.is_match(text));
        if is_match(&self.memory_lines) {
            return Err(Refusal::FromMemory { sign: Seen::new(line) });
        }
        if is_match(&self.average_lines) {
            return Err(Refusal::Average { sign: Seen::new(line) });
        }
        Ok(())
    }

    /// Refuses a word that says that the value is an average or a replay.
    pub fn refuse_word(&self, word: &str) -> Result<(), Refusal> {
        let is_in = |words: &[Box<str>]| words.iter().any(|known| **known == *word);
        if is_in(&self.memory) {
            return Err(Refusal::FromMemory { sign: Seen::new(word.as_bytes()) });
        }
        if is_in(&self.average) {
            return Err(Refusal::Average { sign: Seen::new(word.as_bytes()) });
        }
        Ok(())
    }

    /// What a field of marks may hold: a word for a fresh reading.
    pub fn check_mark(&self, word: &str) -> Result<(), Refusal> {
        if self.fresh.iter().any(|known| **known == *word) {
            return Ok(());
        }
        self.refuse_word(word)?;
        let known: Vec<String> = self.fresh.iter().map(|word| format!("`{word}`")).collect();
        Err(Refusal::UnknownMark { word: Seen::new(word.as_bytes()), known: known.join(", ").into() })
    }
}
