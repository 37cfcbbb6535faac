//! Going through the lines of a recording.

use super::Arguments;
use super::Listener;
use crate::cli::Failure;
use crate::cli::output;
use crate::meter::Profile;
use crate::report::listen_text::At;
use crate::run::ReplayError;
use crate::run::record::Body;
use crate::run::record::Head;
use crate::run::record::Scanner;
use crate::session::folder::Folder;
use crate::store::RealDisk;
use std::path::Path;
use std::sync::Arc;

/// A silence after which a line that has not ended is shown, microseconds.
const QUIET_US: u64 = 1_000_000;

/// Shows the lines of a recording, by its own profile where no other is given.
pub fn listen(path: &Path, given: Option<Profile>, arguments: &Arguments) -> Result<(), Failure> {
    let name = path.display().to_string();
    let stream = Folder::new(Arc::new(RealDisk), ".").stream(path)?;
    let mut scanner = Scanner::new(name.clone(), stream);
    let mut given = given;
    let mut hearing: Option<Hearing> = None;
    while let Some(record) = scanner.next_record().map_err(ReplayError::from)? {
        let at = At::Record { n: record.n, at_us: record.at_us };
        // Boxed in the record; the first one always is the head.
        if let Body::Head(head) = &record.body {
            let profile = match given.take() {
                Some(profile) => profile,
                None => profile_of(head)?,
            };
            output::remark(format_args!("{name}: run {}; profile {}", head.run, profile.name()));
            hearing = Some(Hearing::new(Listener::new(Some(profile), arguments), at));
        }
        let Some(hearing) = &mut hearing else { continue };
        hearing.take(record.at_us, at, &record.body);
        if hearing.listener.has_enough() {
            break;
        }
    }
    if let Some(Hearing { mut listener, last, .. }) = hearing {
        if !listener.has_enough() {
            listener.cut(&last);
        }
        listener.end();
    }
    Ok(())
}

fn profile_of(head: &Head) -> Result<Profile, Failure> {
    Profile::load("profile in the head", &head.setup.profile).map_err(|problem| {
        Failure::new(problem, "name a profile for the lines of this recording with `--profile`")
    })
}

struct Hearing {
    listener: Listener,
    /// Bytes from before the line came up are older than the run: recorded, never read.
    is_up: bool,
    /// When the last bytes came, and in which record.
    last_us: u64,
    last: At,
}

impl Hearing {
    fn new(listener: Listener, at: At) -> Hearing {
        Hearing { listener, is_up: false, last_us: 0, last: at }
    }

    fn take(&mut self, at_us: u64, at: At, body: &Body<'_>) {
        match body {
            Body::Bytes(bytes) if self.is_up => {
                if at_us - self.last_us >= QUIET_US {
                    self.listener.quiet(&self.last);
                }
                (self.last_us, self.last) = (at_us, at);
                self.listener.bytes(&at, bytes);
            }
            Body::Bytes(bytes) => {
                let what = "waited in the port from before the line was up: not read";
                self.listener.other_bytes(&at, "stale", bytes, what);
            }
            Body::Request(bytes) => self.listener.other_bytes(&at, "sent", bytes, "sent to the meter"),
            Body::Link(link) => {
                self.listener.cut(&self.last);
                self.is_up = link.up;
                self.listener.link(&at, link.up, &link.what);
            }
            Body::Resumed(_) => self.listener.cut(&self.last),
            _ => {}
        }
    }
}
