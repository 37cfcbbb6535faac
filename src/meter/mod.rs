//! The meter: what it sends, and how a profile makes values of it.
//!
//! Bytes go through a [`LineAssembler`], its lines through the [`LineReader`] of a [`Profile`]. A line
//! gives values only where it matches the profile in full; whatever else comes is passed over because
//! the profile says so, or refused with a [`Refusal`] that says what to do.

mod checksum;
mod columns;
mod escapes;
mod examples;
mod flow;
mod frame;
#[cfg(test)]
mod grammar_tests;
mod habits;
mod heard;
pub mod identify;
mod joining;
mod layout;
mod limits;
mod line_format;
mod lines;
mod marks;
mod number;
mod parse;
mod profile;
mod profile_file;
mod refusal;
pub mod scenario;
pub mod shipped;
pub mod signal;
mod specification;
mod stream;
mod way;

pub use escapes::MAX_REQUEST_BYTES;
pub use escapes::escaped;
pub use escapes::request_bytes;
pub use habits::Habits;
pub use habits::SelfCalibration;
pub use heard::Ear;
pub use heard::Heard;
pub use heard::HeardKind;

pub use joining::Joined;
pub use joining::Joiner;
pub use joining::Joining;
pub use joining::SetEnd;
pub use joining::Step;
pub use limits::Limits;
pub use line_format::DecimalMark;
pub use line_format::Encoding;
pub use line_format::SequenceRange;
pub use lines::Line;
pub use lines::LineAssembler;
pub use lines::LineEnd;
pub use lines::MAX_LINE_BYTES;
pub use parse::LineOutcome;
pub use parse::LineReader;
pub use profile::Dtr;
pub use profile::FlowControl;
pub use profile::Parity;
pub use profile::Profile;
pub use profile::Serial;
pub use refusal::Refusal;
pub use refusal::Seen;
pub use scenario::Scenario;
pub use signal::Emission;
pub use signal::SimulatedMeter;
pub use signal::Spot;
pub use signal::UnknownSpot;
pub use specification::Specification;
pub use stream::Found;
pub use stream::StreamWatch;
pub use way::Asking;
pub use way::Streaming;
pub use way::Way;
