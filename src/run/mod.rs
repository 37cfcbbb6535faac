//! One sitting at the bench, as a pure state machine: records in, effects out.

mod asking;
mod fit;
mod hint;
mod hints;
mod ledger;
mod machine;
mod notice;
mod play;
pub mod record;
pub mod say;
pub mod setup;
mod want_text;
pub mod word;

pub use asking::AskNotice;
pub use hint::Hint;
pub use ledger::{Bracket, Check, CheckKind, Ledger, Reading, RunState, Sitting, Spot, Status, ZoneRange};
pub use notice::{Advice, Effect, NewSitting, NotNow, Notice, StreamNotice, Want, WiderThan};
pub use play::{BadHead, Counts, ReplayError, Replayed, Run, replay};
pub use setup::Setup;
pub use word::Word;
