//! A sitting at the bench, and what it needs from the machine.
//!
//! - [`folder`]: a study on the disk; [`start`]: from there to a running session.
//! - [`engine`]: joins link, recorder and run; [`recorder`]: syncs before anything is told.
//! - [`results`]: the tables on the disk, written and compared.
//! - [`hand`]: follows a run with a simulated meter.
//! - [`clock`]: the only place that reads a clock.
//! - [`ports`]: which serial ports are there, and who holds one.
//! - [`opening`]: the settings of a serial line, and how a port is opened with them.
//! - [`link`]: an open meter, its bytes, and its loss and return.
//! - [`identify`]: listens to a meter that nobody has seen.
//! - [`problem`]: what can be wrong with one, and what to do.
//! - [`board`]: what a board of treatments is made from.
//! - [`shelf`]: the runs of a study, and readings with their lines.
//! - [`station`]: one study and its meter, kept by the daemon.
//! - [`observing`]: what was done and seen, added to `observations.csv`; [`blind`]: judgements by label; [`lives`]: their table.
//! - [`pty`]: the other end of a pseudo-terminal, for a meter that is not there.

pub mod blind;
pub mod board;
pub mod clock;
pub mod earlier;
pub mod engine;
pub mod folder;
pub mod hand;
pub mod identify;
pub mod link;
pub mod lives;
pub mod observing;
pub mod opening;
pub mod ports;
pub mod problem;
pub mod pty;
pub mod recorder;
pub mod results;
pub mod shelf;
pub mod start;
pub mod station;
