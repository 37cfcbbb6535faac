//! What can be wrong with a port, in the words of the person at the bench.

use std::io;
use std::path::Path;

use thiserror::Error;

use crate::session::ports;
use crate::session::ports::Holder;
use crate::session::ports::PortSeen;

/// Why there is no meter on the line: what happened, and (by [`hint`](Self::hint)) what to do next.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum LinkProblem {
    /// Nothing has the name of the port.
    #[error("there is no port {port}{}", seen_as_text(seen))]
    NoSuchPort {
        /// The name that was asked for.
        port: String,
        /// The ports that are there.
        seen: Vec<PortSeen>,
        /// The one among them that may have been meant.
        near: Option<String>,
    },
    /// Another program has it open.
    #[error("port {port} is in use{}", holder_as_text(holder.as_ref()))]
    Busy {
        /// The name of the port.
        port: String,
        /// Who has it open, where the system tells this user.
        holder: Option<Holder>,
    },
    /// This user may not use it.
    #[error("this user may not open port {port}")]
    NotPermitted {
        /// The name of the port.
        port: String,
        /// The group whose members may, where there is one.
        group: Option<String>,
    },
    /// It is a file or a device of another kind.
    #[error("{port} is there, but it is not a serial port")]
    NotASerialPort {
        /// The name that was asked for.
        port: String,
    },
    /// The line was closed from the other side, while the port is still there.
    #[error("the meter hung up on port {port}")]
    HungUp {
        /// The name of the port.
        port: String,
    },
    /// The port went away.
    #[error("port {port} was unplugged")]
    Unplugged {
        /// The name of the port.
        port: String,
    },
    /// The port is there, and does not take the settings.
    #[error("port {port} does not take the settings {settings} ({said})")]
    SettingsRefused {
        /// The name of the port.
        port: String,
        /// The settings, such as `9600 baud, 8N1`.
        settings: String,
        /// The driver's own words.
        said: String,
    },
    /// Anything else.
    #[error("port {port}: {said}")]
    Other {
        /// The name of the port.
        port: String,
        /// The system's own words.
        said: String,
    },
}

impl LinkProblem {
    /// What to do next, as one sentence.
    pub fn hint(&self) -> String {
        match self {
            LinkProblem::NoSuchPort { near: Some(near), .. } => format!("Did you mean {near}?"),
            LinkProblem::NoSuchPort { seen, .. } if seen.is_empty() => {
                "Plug the meter's cable in and switch the meter on, then list the ports again.".into()
            }
            LinkProblem::NoSuchPort { seen, .. } => {
                format!("Plug the meter in, or choose one that is there, such as {}.", seen[0].best_name())
            }
            LinkProblem::Busy { holder: Some(h), .. } => {
                format!("Close {} (process {}) and try again.", h.program, h.pid)
            }
            LinkProblem::Busy { port, holder: None } => {
                format!(
                    "Close the other program; as an administrator, `fuser -v {port}` shows which one it is."
                )
            }
            LinkProblem::NotPermitted { group: Some(group), .. } => format!(
                "Join the group {group} (`sudo usermod -a -G {group} \"$USER\"`), then log out and in again."
            ),
            LinkProblem::NotPermitted { port, group: None } => {
                format!("Ask the machine's administrator for the right to read and write {port}.")
            }
            LinkProblem::NotASerialPort { .. } => {
                "Give the name of a serial port, such as /dev/ttyUSB0 or one of those in /dev/serial/by-id."
                    .into()
            }
            LinkProblem::HungUp { .. } => {
                "See that the meter is on and its cable sits firmly; the port is opened again by itself."
                    .into()
            }
            LinkProblem::Unplugged { .. } => {
                "Plug it in again, into any socket if the port is named by its id; it is found by itself."
                    .into()
            }
            LinkProblem::SettingsRefused { .. } => {
                "Correct the serial settings in the meter's profile, by the meter's manual.".into()
            }
            LinkProblem::Other { .. } => {
                "Unplug the cable, plug it in again and retry; if it stays, try another cable or adapter."
                    .into()
            }
        }
    }

    /// A word for the kind of problem, that does not change with its details.
    pub fn kind(&self) -> &'static str {
        match self {
            LinkProblem::NoSuchPort { .. } => "no-such-port",
            LinkProblem::Busy { .. } => "busy",
            LinkProblem::NotPermitted { .. } => "not-permitted",
            LinkProblem::NotASerialPort { .. } => "not-a-serial-port",
            LinkProblem::HungUp { .. } => "hung-up",
            LinkProblem::Unplugged { .. } => "unplugged",
            LinkProblem::SettingsRefused { .. } => "settings-refused",
            LinkProblem::Other { .. } => "other",
        }
    }

    /// That `port` is not there, among the ports `seen`.
    pub fn no_such_port(port: &str, seen: Vec<PortSeen>) -> LinkProblem {
        let near = ports::nearest(port, &seen).map(str::to_owned);
        LinkProblem::NoSuchPort { port: port.into(), seen, near }
    }

    /// That a system call on `port` failed with `e`.
    pub fn from_io(port: &str, e: &io::Error) -> LinkProblem {
        match e.kind() {
            io::ErrorKind::NotFound => LinkProblem::no_such_port(port, ports::list()),
            io::ErrorKind::PermissionDenied => not_permitted(port),
            _ => LinkProblem::Other { port: port.into(), said: e.to_string() },
        }
    }

    /// That opening `port` with `settings` (in words) failed with `e`.
    pub(super) fn from_opening(port: &str, settings: &str, e: &serialport::Error) -> LinkProblem {
        use serialport::ErrorKind;
        let said = e.description.clone();
        match e.kind {
            // The library's word for a port that is locked, with a text that says neither.
            ErrorKind::NoDevice => busy(port),
            ErrorKind::Io(kind) => LinkProblem::from_io(port, &io::Error::new(kind, said)),
            _ if !is_terminal(port) => LinkProblem::NotASerialPort { port: port.into() },
            ErrorKind::InvalidInput => {
                LinkProblem::SettingsRefused { port: port.into(), settings: settings.into(), said }
            }
            // The library keeps no error number, only these words.
            ErrorKind::Unknown if said.contains("did not apply") || said.contains("Invalid argument") => {
                LinkProblem::SettingsRefused { port: port.into(), settings: settings.into(), said }
            }
            ErrorKind::Unknown => LinkProblem::Other { port: port.into(), said },
        }
    }
}

fn busy(port: &str) -> LinkProblem {
    LinkProblem::Busy { port: port.into(), holder: ports::who_holds(Path::new(port)).into_iter().next() }
}

fn not_permitted(port: &str) -> LinkProblem {
    LinkProblem::NotPermitted { port: port.into(), group: ports::group_of(Path::new(port)) }
}

/// Whether it is a terminal at all. Asked only of a port that is held or did not open: opening a real one
/// moves its DTR line.
pub(super) fn is_terminal(port: &str) -> bool {
    use rustix::fs::Mode;
    use rustix::fs::OFlags;
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    // One that cannot be opened to ask gets the benefit of the doubt.
    rustix::fs::open(port, flags, Mode::empty()).map_or(true, rustix::termios::isatty)
}

fn seen_as_text(seen: &[PortSeen]) -> String {
    if seen.is_empty() {
        return ", and no other serial port either".into();
    }
    let names: Vec<&str> = seen.iter().map(PortSeen::best_name).collect();
    format!("; there are {}", names.join(", "))
}

fn holder_as_text(holder: Option<&Holder>) -> String {
    holder.map(|h| format!(" by {} (process {})", h.program, h.pid)).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen() -> Vec<PortSeen> {
        vec![
            PortSeen { name: "/dev/ttyS0".into(), stable_name: None, usb: None },
            PortSeen {
                name: "/dev/ttyUSB1".into(),
                stable_name: Some("/dev/serial/by-id/x".into()),
                usb: None,
            },
        ]
    }

    #[test]
    fn a_missing_port_names_those_there_by_their_best_name_and_the_near_one() {
        let problem = LinkProblem::no_such_port("/dev/ttyUSB0", seen());
        assert_eq!(
            problem.to_string(),
            "there is no port /dev/ttyUSB0; there are /dev/ttyS0, /dev/serial/by-id/x"
        );
        assert_eq!(problem.hint(), "Did you mean /dev/ttyUSB1?");
        let none = LinkProblem::no_such_port("/dev/ttyUSB0", Vec::new());
        assert_eq!(none.to_string(), "there is no port /dev/ttyUSB0, and no other serial port either");
        assert!(none.hint().starts_with("Plug the meter's cable in"));
    }

    #[test]
    fn both_of_the_librarys_texts_for_a_locked_port_are_told_as_busy() {
        for said in ["Device or resource busy", "Unable to acquire exclusive lock on serial port"] {
            let e = serialport::Error::new(serialport::ErrorKind::NoDevice, said);
            let problem = LinkProblem::from_opening("/nowhere", "9600 baud, 8N1", &e);
            assert_eq!(problem, LinkProblem::Busy { port: "/nowhere".into(), holder: None });
            assert!(problem.hint().contains("fuser"), "{}", problem.hint());
        }
    }

    #[test]
    fn a_refused_user_is_told_which_group_to_join() {
        let group = Some("dialout".to_owned());
        let hint = LinkProblem::NotPermitted { port: "/dev/ttyUSB0".into(), group }.hint();
        assert!(hint.contains("usermod -a -G dialout"), "{hint}");
        let e = io::Error::from(io::ErrorKind::PermissionDenied);
        assert_eq!(LinkProblem::from_io("/nowhere", &e).kind(), "not-permitted");
    }

    #[test]
    fn words_of_the_system_that_are_not_known_are_passed_on() {
        let e = io::Error::other("the hamster stopped");
        assert_eq!(
            LinkProblem::from_io("/dev/ttyS0", &e).to_string(),
            "port /dev/ttyS0: the hamster stopped"
        );
    }
}
