//! What each word of the operator does. A word that cannot be followed changes nothing and is
//! answered with a sentence that says why.

use super::{Machine, Phase};
use crate::run::ledger::{CheckKind, RunState, Status};
use crate::run::notice::{Effect, Notice};
use crate::run::word::Word;

impl Machine {
    /// Follows a word.
    pub fn word(&mut self, at_us: u64, word: Word, out: &mut Vec<Effect>) {
        self.pass_time(at_us, out);
        if let Err(why) = self.follow(at_us, word, out) {
            out.push(Effect::Tell(Notice::WordRefused { why }));
        }
        // A word such as `resume` can make something due that was held up until now.
        self.pass_time(at_us, out);
        self.tell_wanted(out);
    }

    fn follow(&mut self, at_us: u64, word: Word, out: &mut Vec<Effect>) -> Result<(), String> {
        if let Word::Note { .. } = word {
            return Ok(());
        }
        if self.phase == Phase::Ended {
            return Err("the run is over; a new one starts with `halfpanel run`".to_owned());
        }
        match word {
            Word::Undo => self.undo(at_us, out),
            Word::Again { zone } => {
                let zone = self.named_zone(zone)?;
                self.again(zone, at_us, out)
            }
            Word::Void { placement, reason } => self.void(placement, reasoned(reason, "void")?, at_us, out),
            Word::Skip { zone, reason } => {
                let zone = self.named_zone(zone)?;
                self.skip(zone, reasoned(reason, "skip")?, at_us, out)
            }
            Word::Check => self.check_now(),
            Word::Adjust => self.adjust(),
            Word::Adjusted => self.adjusted(),
            Word::Pause if self.paused => Err("the run is paused already; `resume` goes on".to_owned()),
            Word::Pause => {
                self.paused = true;
                Ok(())
            }
            Word::Resume if !self.paused => Err("the run is not paused".to_owned()),
            Word::Resume => {
                self.paused = false;
                Ok(())
            }
            Word::Abandon { .. } => {
                self.abandon(out);
                Ok(())
            }
            // Asking is the business of whoever reads the meter's lines.
            Word::Note { .. } | Word::Read => Ok(()),
        }
    }

    fn check_now(&mut self) -> Result<(), String> {
        match self.phase {
            Phase::Zones => {
                self.begin_check(CheckKind::Interim);
                Ok(())
            }
            Phase::Adjusting => {
                Err("say `adjusted` once the meter is set; its as-left check follows".to_owned())
            }
            Phase::Checking | Phase::Ended => Err("a tile check is under way already".to_owned()),
        }
    }

    fn adjust(&mut self) -> Result<(), String> {
        if self.phase == Phase::Adjusting {
            return Err("the meter is being adjusted already; say `adjusted` once it is set".to_owned());
        }
        let is_as_found = self.ledger.checks.last().is_some_and(|c| c.kind == CheckKind::AsFound);
        if self.phase == Phase::Checking && is_as_found {
            return Err("the as-found check is under way; read the tile as it is".to_owned());
        }
        self.begin_check(CheckKind::AsFound);
        Ok(())
    }

    fn adjusted(&mut self) -> Result<(), String> {
        if self.phase != Phase::Adjusting {
            return Err(
                "say `adjust` before the meter is touched: an as-found check has to come first".to_owned()
            );
        }
        self.failures = 0;
        self.begin_scale(CheckKind::AsLeft);
        Ok(())
    }

    fn abandon(&mut self, out: &mut Vec<Effect>) {
        self.leave_check_unfinished();
        if self.bracket_is_open() {
            self.end_bracket(None, Status::NotProven, out);
        }
        self.end(RunState::Abandoned, out);
    }

    /// The zone that a label names: `A3`, or `P1 A3` where the run has several panels.
    fn named_zone(&self, label: Option<String>) -> Result<Option<usize>, String> {
        let Some(label) = label else { return Ok(None) };
        let setup = &self.ledger.setup;
        let same = |text: &str| text.eq_ignore_ascii_case(label.trim());
        let full: Vec<usize> = (0..setup.zones.len()).filter(|&z| same(&setup.zone_label(z))).collect();
        let short: Vec<usize> = (0..setup.zones.len()).filter(|&z| same(&setup.zones[z].name)).collect();
        match (full.as_slice(), short.as_slice()) {
            ([zone], _) | ([], [zone]) => Ok(Some(*zone)),
            ([], []) => {
                let labels: Vec<String> = (0..setup.zones.len()).map(|z| setup.zone_label(z)).collect();
                Err(format!("no zone is called `{label}`; the zones are {}", labels.join(", ")))
            }
            _ => Err(format!(
                "`{label}` names a zone on several panels; put the panel before it, as in `{}`",
                setup.zone_label(*short.first().unwrap_or(&0))
            )),
        }
    }
}

fn reasoned(reason: String, word: &str) -> Result<String, String> {
    // One line of a table: no character that a terminal or a reader of lines would act on.
    let plain = |c: char| {
        if c.is_control() || matches!(c, '\u{2028}' | '\u{2029}' | '\u{202a}'..='\u{202e}') { ' ' } else { c }
    };
    let reason = reason.chars().map(plain).collect::<String>().trim().to_owned();
    if reason.is_empty() {
        return Err(format!("`{word}` needs a reason, which will stand in the tables"));
    }
    Ok(reason)
}
