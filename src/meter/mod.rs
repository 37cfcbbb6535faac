//! The meter: what it sends, and how a profile makes values of it.
//!
//! Bytes go through a [`LineAssembler`], its lines through the [`LineReader`] of a [`Profile`]. A line
//! gives values only where it matches the profile in full; whatever else comes is passed over because
//! the profile says so, or refused with a [`Refusal`] that says what to do.

pub mod limits;
pub mod lines;

pub use limits::Limits;
pub use lines::Line;
pub use lines::LineAssembler;
pub use lines::LineEnd;
pub use lines::MAX_LINE_BYTES;
