//! What a run says back: effects for the shell, notices for people.

use super::asking::AskNotice;
use super::hint::Hint;
use super::ledger::{CheckKind, RunState};
use crate::meter::Refusal;
use crate::units::{Geometry, Gloss};
use std::fmt;

/// What the shell has to do after a record was applied. A replay passes over them.
#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    /// Tell the operator.
    Tell(Notice),
    /// Record these bytes as a request, and send them to the meter once they are on the disk.
    Request(Box<[u8]>),
    /// Write a seal.
    Seal,
    /// Write a seal and the end record; nothing follows.
    End,
}

/// What the operator is told. Indices lead into the run's ledger.
#[derive(Clone, Debug, PartialEq)]
pub enum Notice {
    /// A placement was taken: its readings are the `count` from index `first` on.
    Taken {
        /// Index of its first reading.
        first: usize,
        /// Number of its readings, one for each geometry.
        count: usize,
    },
    /// A tile check was finished.
    CheckDone {
        /// Index of the check.
        check: usize,
    },
    /// A bracket came to its end, proven, drifted or not proven.
    BracketEnded {
        /// Index of the bracket.
        bracket: usize,
        /// Zones that have to be read again, in reading order.
        again: Vec<usize>,
    },
    /// What to do next has changed.
    Wanted(Want),
    /// A line was not taken as a reading.
    Refused {
        /// The line, as it came.
        line: Vec<u8>,
        /// Why, and what to do.
        why: Refusal,
    },
    /// A good line came when none could be taken.
    NotNow {
        /// The line, as it came.
        line: Vec<u8>,
        /// Why not.
        why: NotNow,
    },
    /// Sequence numbers are missing: lines were lost between the meter and here.
    LinesLost {
        /// The number that was due.
        expected: u64,
        /// The number that came.
        came: u64,
    },
    /// A placement was taken back.
    Undone {
        /// Its number.
        placement: u32,
    },
    /// A placement was declared void.
    Voided {
        /// Its number.
        placement: u32,
    },
    /// Zones will be read again, whole, in reading order.
    Again {
        /// The zones.
        zones: Vec<usize>,
    },
    /// A zone was left out.
    Skipped {
        /// The zone.
        zone: usize,
    },
    /// Readings lie too far apart, so more are wanted.
    MoreWanted {
        /// The zones, in reading order.
        zones: Vec<usize>,
        /// Which range is too wide.
        why: WiderThan,
    },
    /// A zero or middle check failed again after cleaning; the run goes on.
    ScaleOff {
        /// Index of the check.
        check: usize,
    },
    /// A word could not be followed; a sentence says why and what would be right.
    WordRefused {
        /// The sentence.
        why: String,
    },
    /// The line to the meter came up or went down.
    Link {
        /// Whether it is there now.
        up: bool,
        /// The port, or what happened.
        what: String,
    },
    /// A new sitting begins: a check comes first.
    NewSitting {
        /// Why.
        why: NewSitting,
        /// Zones that have to be read again, in reading order.
        again: Vec<usize>,
    },
    /// Something about asking the meter.
    Asking(AskNotice),
    /// Something about the meter's stream.
    Stream(StreamNotice),
    /// What the line most likely suffers from.
    Hint(Hint),
    /// The run is over.
    Ended {
        /// How.
        state: RunState,
    },
}

/// Why a good line was not taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotNow {
    /// The run is paused.
    Paused,
    /// The meter is being adjusted.
    Adjusting,
    /// The run is over.
    Ended,
    /// Nobody had asked.
    Unasked,
    /// Something else is wanted now than when the meter was asked.
    Outdated,
}

/// What the operator is told of a stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StreamNotice {
    /// The values do not stand still.
    Wobble {
        /// Where they lie furthest apart.
        geometry: Geometry,
        /// How far, GU.
        apart_gu: Gloss,
        /// How far they may, GU.
        limit_gu: Gloss,
    },
    /// The meter rests where it was read, or was put before anybody listened.
    StillThere,
}

impl StreamNotice {
    /// A short name that stays the same, for programs.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            StreamNotice::Wobble { .. } => "hold-still",
            StreamNotice::StillThere => "lift-first",
        }
    }
}

impl fmt::Display for StreamNotice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            StreamNotice::Wobble { geometry, apart_gu, limit_gu } => write!(
                f,
                "hold the meter still: its last values lie {apart_gu} GU apart at {geometry}, and {limit_gu} GU is the most \
                 for a reading"
            ),
            StreamNotice::StillThere => {
                f.write_str("the meter has not left its place: lift it and put it down where it is wanted")
            }
        }
    }
}

/// Which rule asks for more readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WiderThan {
    /// The repeats on a zone lie further apart than the meter's repeatability explains.
    Repeatability,
    /// The zones of one side lie further apart than the study allows.
    SideLimit,
}

/// Why both sides have to be read again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NewSitting {
    /// The meter was adjusted.
    Adjusted,
    /// Nothing was read for the longest pause that the study allows.
    LongPause,
    /// The tile has moved by more than the drift limit since the panel was begun.
    TileMoved,
    /// The run was taken up again, and the clock cannot say how long it lay.
    GapUnknown,
}

/// What the operator should do next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Want {
    /// Put the meter on the tile.
    Tile {
        /// What the check is for.
        kind: CheckKind,
        /// Which reading of the check comes, from 1.
        reading: u32,
        /// Readings of the check.
        of: u32,
        /// What to do before.
        advice: Advice,
    },
    /// Put the meter on a zone.
    Zone {
        /// The zone.
        zone: usize,
        /// Which repeat comes, from 1.
        repeat: u32,
        /// Repeats of the zone.
        of: u32,
    },
    /// Adjust the meter by its manual, then say `adjusted`.
    Adjust,
    /// Say `resume`.
    Resume,
    /// Nothing: the run is over.
    Nothing,
}

/// What to do before a tile reading, gentlest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Advice {
    /// Wipe the meter's foot, clean the tile, lift between readings.
    Wipe,
    /// The readings of the last check lay too far apart: look for dust and seat the meter well.
    Reseat,
    /// The last check failed: clean the tile and the foot thoroughly and check again.
    Clean,
    /// It failed again after cleaning: adjust the meter by its manual.
    AdjustMeter,
}
