//! What is listened to, and with which profile and settings.

use super::Arguments;
use crate::cli::Failure;
use crate::meter::Parity;
use crate::meter::Profile;
use crate::meter::shipped;
use crate::session::folder::Folder;
use crate::session::opening::LinkSettings;
use crate::session::ports;
use crate::session::start;
use crate::store::Disk;
use crate::store::RealDisk;
use std::path::Path;
use std::path::PathBuf;
use std::sync::Arc;

/// Settings of the line that were given by hand, in place of the profile's.
#[derive(clap::Args)]
pub struct SerialArguments {
    /// Bits per second [default: the profile's, or 9600]
    #[arg(long, value_parser = clap::value_parser!(u32).range(50..=4_000_000))]
    baud: Option<u32>,
    /// Parity bit [default: the profile's, or none]
    #[arg(long)]
    parity: Option<ParityName>,
    /// Bits in a character, 7 or 8 [default: the profile's, or 8]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(7..=8))]
    data_bits: Option<u8>,
    /// Stop bits, 1 or 2 [default: the profile's, or 1]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(1..=2))]
    stop_bits: Option<u8>,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum ParityName {
    None,
    Odd,
    Even,
}

/// What is listened to.
pub enum Source {
    /// A port.
    Port { settings: LinkSettings, profile: Option<Profile> },
    /// A recording; its own profile is taken where there is none.
    Recording { path: PathBuf, profile: Option<Profile> },
}

/// What the arguments name.
pub fn of(arguments: &Arguments) -> Result<Source, Failure> {
    let (profile, port_of_study) = profile_and_port(arguments)?;
    let named = match (&arguments.port, port_of_study) {
        (Some(named), _) => named.clone(),
        (None, Some(port)) => PathBuf::from(port),
        (None, None) => {
            let hint =
                "name a port or a recording, or a study with `--study`; `halfpanel ports` lists the ports";
            return Err(Failure::new("nothing is named to listen to", hint));
        }
    };
    let text = named.display().to_string();
    if text.starts_with("sim:") {
        return Err(Failure::new(
            format_args!("{text} is a simulated meter, and no port"),
            "`halfpanel simulate SCENARIO --link PATH` makes a port of it, which can be listened to",
        ));
    }
    match RealDisk.meta(&named)? {
        Some(meta) if meta.is_folder => Err(Failure::new(
            format_args!("{text} is a folder, and neither a port nor a recording"),
            format!("name a recording, or `--study {text}` to listen to the port of that study"),
        )),
        Some(_) if ports::is_plain_file(&named) => match arguments.serial.first_given() {
            Some(option) => Err(Failure::new(
                format_args!("{text} is a file, and has no {option}"),
                "leave the settings of the line out for a recording",
            )),
            None if arguments.seconds.is_some() => Err(Failure::new(
                format_args!("{text} is a file, which is read at once"),
                "leave `--seconds` out for a recording",
            )),
            None => Ok(Source::Recording { path: named, profile }),
        },
        _ => {
            let settings = arguments.serial.over(match &profile {
                Some(profile) => start::settings(&text, profile),
                None => LinkSettings::new(text.as_str()),
            });
            Ok(Source::Port { settings, profile })
        }
    }
}

fn profile_and_port(arguments: &Arguments) -> Result<(Option<Profile>, Option<String>), Failure> {
    if let Some(study) = &arguments.study {
        let loaded = Folder::new(Arc::new(RealDisk), study).load()?;
        // The port that a study names is taken from where the program stands, as `run` takes it.
        return Ok((Some(loaded.profile), Some(loaded.study.port)));
    }
    let Some(named) = &arguments.profile else { return Ok((None, None)) };
    if let Some(profile) = shipped::find(named) {
        return Ok((Some(profile), None));
    }
    let path = Path::new(named);
    if !RealDisk.exists(path)? {
        return Err(no_profile(named));
    }
    let source = Folder::new(Arc::new(RealDisk), ".").text(path)?;
    Ok((Some(Profile::load(named, &source)?), None))
}

fn no_profile(named: &str) -> Failure {
    let what = format!("{named} is no file, and no profile of that name comes with the program");
    match crate::text::nearest(named, shipped::names()) {
        Some(near) => Failure::new(what, format!("did you mean {near}?")),
        None => Failure::new(what, format!("it has {}", shipped::names().collect::<Vec<_>>().join(", "))),
    }
}

impl SerialArguments {
    fn first_given(&self) -> Option<&'static str> {
        let given = [
            (self.baud.is_some(), "rate (--baud)"),
            (self.parity.is_some(), "parity"),
            (self.data_bits.is_some(), "data bits"),
            (self.stop_bits.is_some(), "stop bits"),
        ];
        given.into_iter().find_map(|(is_given, name)| is_given.then_some(name))
    }

    fn over(&self, mut settings: LinkSettings) -> LinkSettings {
        settings.baud = self.baud.unwrap_or(settings.baud);
        settings.data_bits = self.data_bits.unwrap_or(settings.data_bits);
        settings.stop_bits = self.stop_bits.unwrap_or(settings.stop_bits);
        settings.parity = match self.parity {
            None => settings.parity,
            Some(ParityName::None) => Parity::None,
            Some(ParityName::Odd) => Parity::Odd,
            Some(ParityName::Even) => Parity::Even,
        };
        settings
    }
}
