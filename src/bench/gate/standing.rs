//! How long somebody's pairing holds. What goes on for hours, such as an event stream, ends with it.

use std::future::pending;
use std::sync::Arc;
use std::time::Duration;

use super::Gate;
use super::pairing::Pass;

/// How long nobody looks at the clock. The machine may sleep meanwhile, and timers sleep with it.
const LOOK_AGAIN: Duration = Duration::from_secs(15);

/// By what somebody was let in; every request has it among its extensions.
#[derive(Debug, Clone)]
pub struct Standing(Option<(Arc<Gate>, Pass)>);

impl Standing {
    /// Of somebody who need not pair.
    pub fn free() -> Standing {
        Standing(None)
    }

    pub(super) fn of(gate: &Arc<Gate>, pass: Pass) -> Standing {
        Standing(Some((Arc::clone(gate), pass)))
    }

    /// Ready once the pairing has run out, was given up for another, or had to make room. Never for those who need none.
    pub async fn withdrawn(self) {
        let Standing(Some((gate, pass))) = self else { return pending().await };
        loop {
            // Listening begins before looking, so that nothing is missed in between.
            let mut news = std::pin::pin!(gate.withdrawn.notified());
            news.as_mut().enable();
            let left = gate.pairing().left_us(&pass, gate.clock.elapsed_us());
            let Some(left_us) = left else { return };
            let _ = tokio::time::timeout(LOOK_AGAIN.min(Duration::from_micros(left_us)), news).await;
        }
    }
}
