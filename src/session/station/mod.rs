//! A station: one study and its meter, kept by the daemon from the morning on. Runs begin, go on and end at it;
//! whoever watches sees its [`Snapshot`].

mod snapshot;

pub use snapshot::Phase;
pub use snapshot::Snapshot;
