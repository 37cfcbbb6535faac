//! Hints in words: what was seen, what it most likely means, what to do.

use crate::meter::Seen;
use std::fmt;

/// What many lines together, or none at all, most likely mean. A page of `protocol-notes/` lists them all.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Hint {
    /// The line is up, something is wanted, and no byte came.
    Silence {
        /// For how long.
        seconds: u64,
    },
    /// What comes is no text.
    Garbage {
        /// The last of it.
        bytes: Seen,
        /// Where it becomes text without its highest bits: the parity that these bits are, and the text.
        parity: Option<(&'static str, Seen)>,
    },
    /// Good text came, and no line end.
    NoLineEnd {
        /// How it begins.
        begins: Seen,
        /// Bytes of it.
        bytes: usize,
        /// What ends lines in it, by the look of it.
        end: Option<&'static str>,
    },
    /// The same value on spots that cannot all have it.
    Stuck {
        /// The last line.
        line: Seen,
        /// How many spots.
        spots: usize,
    },
    /// A line came twice, faster than a meter can be put down, and was taken twice.
    Twice {
        /// The line.
        line: Seen,
        /// Milliseconds between the two.
        after_ms: u64,
    },
    /// Lines of another form, after good ones.
    OtherMode {
        /// The last of them.
        line: Seen,
        /// The last good one.
        good: Seen,
    },
    /// A line that is no reading, as soon as the line was up.
    Greeting {
        /// The line.
        line: Seen,
        /// How soon, milliseconds.
        after_ms: u64,
    },
    /// Another serial number than before, where the profile states none.
    TwoMeters {
        /// The line.
        line: Seen,
        /// The number in it.
        now: Seen,
        /// The number before.
        before: Seen,
    },
    /// A byte of software flow control in a line.
    FlowSigns {
        /// The line.
        line: Seen,
    },
    /// A line that speaks of the battery, and that the profile does not explain.
    Battery {
        /// The line.
        line: Seen,
    },
    /// A stream has stopped.
    Stopped {
        /// For how long, seconds.
        seconds: u64,
        /// The last good line.
        last: Seen,
    },
    /// Nothing has come for as long as it takes the meter to switch itself off.
    SwitchedOff {
        /// How long that is, minutes.
        minutes: u64,
    },
    /// Bytes or lines are lost now and then, between good lines.
    Losses {
        /// The last line at which that was seen.
        line: Seen,
        /// How often in this sitting.
        times: u32,
    },
}

impl Hint {
    /// All codes.
    pub const CODES: [&str; 13] = [
        "silence",
        "garbage",
        "no-line-end",
        "stuck",
        "twice",
        "other-mode",
        "greeting",
        "two-meters",
        "flow-signs",
        "battery",
        "losses",
        "stopped",
        "switched-off",
    ];

    /// A short name that stays the same, for programs.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Hint::Silence { .. } => "silence",
            Hint::Garbage { .. } => "garbage",
            Hint::NoLineEnd { .. } => "no-line-end",
            Hint::Stuck { .. } => "stuck",
            Hint::Twice { .. } => "twice",
            Hint::OtherMode { .. } => "other-mode",
            Hint::Greeting { .. } => "greeting",
            Hint::TwoMeters { .. } => "two-meters",
            Hint::FlowSigns { .. } => "flow-signs",
            Hint::Battery { .. } => "battery",
            Hint::Losses { .. } => "losses",
            Hint::Stopped { .. } => "stopped",
            Hint::SwitchedOff { .. } => "switched-off",
        }
    }

    pub(super) fn garbage(line: &[u8]) -> Hint {
        Hint::Garbage { bytes: Seen::new(line), parity: parity(line) }
    }

    pub(super) fn no_line_end(text: &[u8]) -> Hint {
        let has = |byte| text.contains(&byte);
        let end = match (has(b'\r'), has(b'\n')) {
            (true, true) => Some("`\\r` and `\\n`"),
            (true, false) => Some("`\\r`"),
            (false, true) => Some("`\\n`"),
            (false, false) => None,
        };
        Hint::NoLineEnd { begins: Seen::new(text), bytes: text.len(), end }
    }
}

/// The parity that the highest bits are, where the bytes have some and are text without them.
pub(super) fn parity(line: &[u8]) -> Option<(&'static str, Seen)> {
    let text: Vec<u8> = line.iter().map(|byte| byte & 0x7f).collect();
    let text = text.trim_ascii();
    if line.is_ascii()
        || text.is_empty()
        || !text.iter().all(|byte| matches!(byte, b' '..=b'~' | b'\t' | b'\r' | b'\n'))
    {
        return None;
    }
    let is_odd = |byte: &u8| byte.count_ones() % 2 == 1;
    let name = match (line.iter().any(is_odd), line.iter().all(is_odd)) {
        (false, _) => "even",
        (_, true) => "odd",
        _ => return None,
    };
    Some((name, Seen::new(text)))
}

impl fmt::Display for Hint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Hint::Silence { seconds } => write!(
                f,
                "the line has been up for {seconds} s and not one byte came, though a reading is wanted: if the meter was \
                 used, most likely it is not set to send, the cable or the port is another one, or the rate is far off; look \
                 at the meter's menu for its output, and try the profile's `baud` and `dtr = \"on\"`"
            ),
            Hint::Garbage { bytes, parity: Some((parity, text)) } => write!(
                f,
                "what comes is no text, such as {bytes}, but without the highest bit of each byte it is {text}, and that bit \
                 is an {parity} parity: most likely the meter sends 7 data bits; set `data_bits = 7` and `parity = \
                 \"{parity}\"` in the profile"
            ),
            Hint::Garbage { bytes, parity: None } => write!(
                f,
                "what comes is no text, such as {bytes}: most likely the rate, the parity or the data bits are not the \
                 meter's; set the profile's `baud`, `parity` and `data_bits` by its manual"
            ),
            Hint::NoLineEnd { begins, bytes, end: Some(end) } => write!(
                f,
                "{bytes} bytes of good text came, {begins}, and not the line end that the profile waits for, but {end} \
                 stands in it: most likely that is the meter's line end; set `end = \"any\"` in the profile"
            ),
            Hint::NoLineEnd { begins, bytes, end: None } => write!(
                f,
                "{bytes} bytes of good text came, {begins}, and no line end: most likely the meter ends its lines with \
                 another character, or not at all; look for the one that comes after each reading and set the profile's \
                 `end` to it"
            ),
            Hint::Stuck { line, spots } => write!(
                f,
                "the same value to the last digit came on {spots} different spots in a row, a tile among them, the last line \
                 {line}: most likely the meter holds or repeats an old value, or was not moved; switch it off and on, see that \
                 its display changes from tile to panel, check the tile (`check`), and read these zones again (`again`)"
            ),
            Hint::Twice { line, after_ms } => write!(
                f,
                "the line {line} came again after {after_ms} ms and was taken as another placement: no hand is so fast, so \
                 most likely the meter sends each line twice; take the second back (`undo`), and set the meter to send a line \
                 once, or to number its lines, and name that field `sequence`: a repeated number is refused"
            ),
            Hint::OtherMode { line, good } => write!(
                f,
                "several lines of another form came in a row, the last {line}, after good ones such as {good}: most likely \
                 the meter was set to another mode or output; set it back by its manual and check the tile (`check`)"
            ),
            Hint::Greeting { line, after_ms } => write!(
                f,
                "{line} came {after_ms} ms after the line came up: most likely the meter or its adapter started afresh when \
                 the port was opened and this is its greeting, or the rest of a line that was under way; nothing was taken. \
                 If it comes each time, set `settle_ms` in the profile, add it to `ignore`, or try \
                 `dtr = \"off\"`"
            ),
            Hint::TwoMeters { line, now, before } => write!(
                f,
                "the line {line} comes from the meter {now}, those before came from {before}: most likely two meters were \
                 swapped in the middle of the run; connect the first one again, check the tile (`check`), and set \
                 `serial_number` in `study.toml` or the profile: then another meter's lines are refused"
            ),
            Hint::FlowSigns { line } => write!(
                f,
                "the line {line} has `\\x11` (XON) or `\\x13` (XOFF) in it: most likely the meter uses software flow \
                 control; set `flow = \"software\"` in the profile"
            ),
            Hint::Battery { line } => write!(
                f,
                "the line {line} speaks of the battery: most likely it is low, and values may drift before the meter stops; \
                 change or charge it and check the tile (`check`); the profile can explain the word in `status.errors`, or \
                 pass the line over by `ignore`"
            ),
            Hint::Stopped { seconds, last } => write!(
                f,
                "the stream has stopped: nothing has come for {seconds} s, and {last} came last: most likely the meter was \
                 switched off or its cable came loose; see to both, and check the tile (`check`) if it was off. If it is \
                 always silent in the air, set `pause_ms` in the profile"
            ),
            Hint::SwitchedOff { minutes } => write!(
                f,
                "nothing has come for {minutes} min, after which this meter switches itself off: switch it on before the next \
                 press, and check the tile (`check`) if it sets itself then"
            ),
            Hint::Losses { line, times } => write!(
                f,
                "{times} times in this sitting bytes or lines were lost or changed on the way, the last time at {line}: most \
                 likely it is the cable, a hub or a busy computer; use a short cable straight into the computer, and a lower \
                 `baud` in meter and profile if it goes on"
            ),
        }
    }
}
