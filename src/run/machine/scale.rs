//! Zero and middle: the two other points of the scale, read before the tile. They say whether the scale
//! is straight; what the meter is worth between two checks on the tile they neither prove nor disprove.

use super::Machine;
use crate::run::ledger::CheckKind;
use crate::run::notice::{Effect, Notice};
use crate::tile::CheckVerdict;

impl Machine {
    /// Begins a sitting, or a new setting: zero and middle where the study has them, then this check on
    /// the tile.
    pub(super) fn begin_scale(&mut self, then: CheckKind) {
        self.after_scale = then;
        self.scale_failures = 0;
        self.begin_check(self.on_scale_after(None));
    }

    /// After a finished zero or middle check that said something: the next one. One that failed is
    /// repeated once after cleaning; failing again it is left so, since the tile decides over the run.
    pub(super) fn go_on_along_scale(
        &mut self,
        check: usize,
        kind: CheckKind,
        verdict: CheckVerdict,
        out: &mut Vec<Effect>,
    ) {
        if verdict != CheckVerdict::Passed && self.scale_failures == 0 {
            self.scale_failures = 1;
            self.begin_check(kind);
            return;
        }
        if verdict != CheckVerdict::Passed {
            out.push(Effect::Tell(Notice::ScaleOff { check }));
        }
        self.scale_failures = 0;
        self.begin_check(self.on_scale_after(Some(kind)));
    }

    fn on_scale_after(&self, kind: Option<CheckKind>) -> CheckKind {
        let tile = &self.ledger.setup.tile;
        match kind {
            None if tile.zero.is_some() => CheckKind::Zero,
            None | Some(CheckKind::Zero) if tile.middle.is_some() => CheckKind::Middle,
            _ => self.after_scale,
        }
    }
}
