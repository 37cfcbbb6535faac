//! One sitting at the bench, as a pure state machine: records in, effects out.

mod ledger;
pub mod record;
pub mod setup;
pub mod word;

pub use ledger::{Bracket, Check, CheckKind, Ledger, Reading, RunState, Sitting, Spot, Status};
pub use setup::Setup;
pub use word::Word;
