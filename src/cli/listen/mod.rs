//! `halfpanel listen`

mod live;
mod recorded;
mod source;

use super::DONE;
use super::Failure;
use super::output;
use super::runtime;
use crate::meter::Ear;
use crate::meter::Heard;
use crate::meter::HeardKind;
use crate::meter::LineAssembler;
use crate::meter::LineEnd;
use crate::meter::LineOutcome;
use crate::meter::Profile;
use crate::meter::Refusal;
use crate::report::listen_text;
use crate::report::listen_text::At;
use crate::report::listen_text::Totals;
use source::Source;
use std::path::PathBuf;

/// Shows each line that a meter sends, its bytes escaped and its end, and what a profile makes of it: values,
/// passed over, or refused and why. Sends nothing to the meter and records nothing.
#[derive(clap::Args)]
#[command(after_help = "\
Without a profile the raw lines are shown. A recording is held against its own profile, unless another
is named. Ctrl-C ends it; the totals follow.

Example: halfpanel listen /dev/ttyUSB0 --baud 9600 --parity even
Example: halfpanel listen /dev/ttyUSB0 --profile my-meter.toml --lines 3
Example: halfpanel listen --study harbour
Example: halfpanel listen harbour/recordings/2026-05-05-01.rec --profile my-meter.toml")]
pub struct Arguments {
    /// A serial port, or a recording [default: the port of --study]
    #[arg(value_name = "PORT|RECORDING")]
    port: Option<PathBuf>,
    /// A profile that comes with the program, or a profile's file
    #[arg(long, value_name = "NAME|FILE", conflicts_with = "study")]
    profile: Option<String>,
    /// Take the profile, and the port if none is named, from this study
    #[arg(long, value_name = "DIR")]
    study: Option<PathBuf>,
    /// Print one JSON object a line
    #[arg(long)]
    json: bool,
    /// End after so many lines; blank ones do not count
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..))]
    lines: Option<u64>,
    /// End after so many seconds
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..=604_800))]
    seconds: Option<u64>,
    #[command(flatten)]
    serial: source::SerialArguments,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    match source::of(arguments)? {
        Source::Port { settings, profile } => {
            let mut listener = Listener::new(profile, arguments);
            runtime()?.block_on(live::listen(settings, arguments.seconds, &mut listener))?;
            listener.end();
        }
        Source::Recording { path, profile } => recorded::listen(&path, profile, arguments)?,
    }
    Ok(DONE)
}

/// Prints what is heard as it is heard, and keeps count.
struct Listener {
    profile: Option<Profile>,
    ear: Ear,
    /// When the line came that the ear holds back.
    held_at: Option<At>,
    totals: Totals,
    json: bool,
    most_lines: u64,
}

impl Listener {
    fn new(profile: Option<Profile>, arguments: &Arguments) -> Listener {
        let assembler = match &profile {
            Some(profile) => profile.assembler(),
            None => LineAssembler::new(LineEnd::Any),
        };
        Listener {
            profile,
            ear: Ear::new(assembler),
            held_at: None,
            totals: Totals::default(),
            json: arguments.json,
            most_lines: arguments.lines.unwrap_or(u64::MAX),
        }
    }

    /// Whether as many lines came as were wanted.
    fn has_enough(&self) -> bool {
        self.totals.lines >= self.most_lines
    }

    fn bytes(&mut self, at: &At, bytes: &[u8]) {
        self.totals.bytes += bytes.len() as u64;
        let mut heard = Vec::new();
        self.ear.feed(bytes, |line| heard.push(line));
        self.tell(at, &heard);
    }

    fn quiet(&mut self, at: &At) {
        let mut heard = Vec::new();
        self.ear.quiet(|line| heard.push(line));
        self.tell(at, &heard);
    }

    /// Nothing more comes of the line under way.
    fn cut(&mut self, at: &At) {
        let mut heard = Vec::new();
        self.ear.cut(|line| heard.push(line));
        self.tell(at, &heard);
    }

    fn tell(&mut self, at: &At, heard: &[Heard]) {
        // What the ear held back always comes first.
        let mut held_at = if heard.is_empty() { None } else { self.held_at.take() };
        if self.ear.is_holding_back() {
            self.held_at = Some(*at);
        }
        for heard in heard {
            let at = &held_at.take().unwrap_or(*at);
            if self.has_enough() {
                return;
            }
            let made = self.profile.as_ref().and_then(|profile| made_of(profile, heard));
            self.totals.count(heard, made.as_ref());
            if self.json {
                output::line(listen_text::row_json(at, heard, made.as_ref()));
            } else {
                listen_text::row(at, heard, made.as_ref()).iter().for_each(output::line);
            }
        }
    }

    /// Bytes that are no line of the meter's: old ones, or a request.
    fn other_bytes(&self, at: &At, event: &str, bytes: &[u8], what: &str) {
        if self.json {
            output::line(listen_text::bytes_json(at, event, bytes));
        } else {
            listen_text::bytes_row(at, bytes, what).iter().for_each(output::line);
        }
    }

    fn link(&self, at: &At, up: bool, what: &str) {
        if self.json {
            output::line(listen_text::link_json(at, up, what));
        } else {
            output::remark(what);
        }
    }

    fn end(&self) {
        let profile = self.profile.as_ref().map(Profile::name);
        if self.json {
            return output::line(self.totals.json(profile));
        }
        output::line("");
        self.totals.text(profile).iter().for_each(output::line);
        if let Some(hint) = self.totals.hint() {
            crate::text::wrapped(hint, 80).iter().for_each(output::line);
        }
    }
}

/// What a profile makes of what was heard; absent where that is not settled yet.
fn made_of(profile: &Profile, heard: &Heard) -> Option<LineOutcome> {
    match heard.kind {
        HeardKind::Whole => Some(profile.reader().read(&heard.bytes)),
        HeardKind::Blank => Some(LineOutcome::Ignored),
        HeardKind::TooLong => Some(LineOutcome::Refused(Refusal::too_long(&heard.bytes))),
        HeardKind::CutOff => Some(LineOutcome::Refused(Refusal::cut_off(&heard.bytes))),
        HeardKind::SoFar => None,
    }
}
