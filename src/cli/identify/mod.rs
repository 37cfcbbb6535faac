//! `halfpanel identify`

mod show;

use super::CHECK_FAILED;
use super::DONE;
use super::Failure;
use super::output;
use crate::meter::escaped;
use crate::meter::identify::CONFIDENT;
use crate::meter::identify::Candidate;
use crate::meter::identify::Evidence;
use crate::meter::identify::Known;
use crate::meter::identify::Search;
use crate::meter::identify::propose;
use crate::meter::request_bytes;
use crate::session::folder::Folder;
use crate::session::identify::Caught;
use crate::session::identify::PRESSES;
use crate::session::identify::Plan;
use crate::session::identify::listen;
use crate::session::start::StartError;
use crate::store::Disk;
use crate::store::RealDisk;
use crate::store::lock;
use crate::study::Study;
use crate::units::Geometry;
use crate::units::Gloss;
use serde_json::json;
use std::io::BufRead;
use std::io::IsTerminal;
use std::path::Path;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;

/// Name of the profile where the user gives none.
const FILE: &str = "my-meter.toml";

/// Finds out how a meter that nobody has seen sends its readings, and writes a profile for it. Have the meter
/// and the reference tile at hand. Nothing is sent to the meter but what --ask gives.
#[derive(clap::Args)]
#[command(after_help = "\
A value is taken only from a line that matches the profile in full; what is not certain is said, and lowers the
confidence. Below 0.60 nothing is written without --force. protocol-notes/identify.md has what it cannot know.
Exit codes: 0 written, 1 not confident enough or not wanted (nothing is written), 2 wrong use or input.

Example: halfpanel identify /dev/ttyUSB0 --study harbour
Example: halfpanel identify /dev/ttyUSB0 --tile 60=92.4 --ask 'READ?\\r'")]
pub struct Arguments {
    /// The serial port, best by its lasting name in /dev/serial/by-id
    port: String,
    /// Take the tile's assigned values from this study, and write the profile into its folder
    #[arg(long, value_name = "DIR")]
    study: Option<PathBuf>,
    /// The tile's assigned value at an angle, such as 60=92.4; may be given for each angle
    #[arg(long, value_name = "ANGLE=GU", value_parser = tile_value)]
    tile: Vec<(Geometry, Gloss)>,
    /// The angle that the meter reads at, where its lines do not name it
    #[arg(long, value_name = "ANGLE", value_parser = angle)]
    geometry: Option<Geometry>,
    /// Send this to ask for a reading, if nothing comes by itself; \r, \n and \xNN stand for bytes
    #[arg(long, value_name = "REQUEST")]
    ask: Option<String>,
    /// Try this rate only
    #[arg(long, value_name = "RATE", value_parser = clap::value_parser!(u32).range(50..=4_000_000))]
    baud: Option<u32>,
    /// The file to write [default: my-meter.toml in the study's folder, or here]
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Write over a file that is there, and write what is not certain
    #[arg(long)]
    force: bool,
    /// Write without asking
    #[arg(long)]
    yes: bool,
    /// Seconds to listen at each setting for a first byte
    #[arg(long, value_name = "SECONDS", default_value_t = 4, value_parser = clap::value_parser!(u64).range(1..=600))]
    wait: u64,
    /// Seconds to wait for each press
    #[arg(long, value_name = "SECONDS", default_value_t = 60, value_parser = clap::value_parser!(u64).range(1..=3600))]
    timeout: u64,
    /// Print one event a line as JSON
    #[arg(long)]
    json: bool,
}

fn angle(text: &str) -> Result<Geometry, String> {
    let found = Geometry::ALL.into_iter().find(|geometry| geometry.text() == text);
    found.ok_or_else(|| "give 20, 60 or 85".to_owned())
}

fn tile_value(text: &str) -> Result<(Geometry, Gloss), String> {
    let (degrees, value) = text.split_once('=').ok_or("write angle and value, such as 60=92.4")?;
    Ok((angle(degrees)?, Gloss::parse(value).map_err(|error| error.to_string())?))
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let folder = arguments.study.as_ref().map(|study| Folder::new(Arc::new(RealDisk), study));
    let path = match (&arguments.out, &folder) {
        (Some(path), _) => path.clone(),
        (None, Some(folder)) => folder.root().join(FILE),
        (None, None) => PathBuf::from(FILE),
    };
    may_write(arguments, &path)?;
    let known = known(arguments, folder.as_ref())?;
    let request = match &arguments.ask {
        None => None,
        Some(text) => {
            let bytes = request_bytes(text).map_err(|why| {
                Failure::new(
                    format_args!("--ask cannot be sent: {why}"),
                    "write it such as --ask 'READ?\\r', by the meter's manual",
                )
            })?;
            Some((bytes, text.clone()))
        }
    };
    let mut said = (std::io::stdin().is_terminal() && !arguments.yes).then(lines_of_user);
    let asks_user = said.is_some();
    let plan = Plan {
        port: arguments.port.clone(),
        search: Search::new(arguments.baud),
        request,
        wait: Duration::from_secs(arguments.wait),
        press_wait: Duration::from_secs(arguments.timeout),
        known,
        ready: said.as_mut(),
    };
    let mut tell = |step| show::step(arguments, &step, asks_user);
    let caught = {
        let _lock = lock::for_port(&arguments.port, "halfpanel identify").map_err(StartError::from)?;
        super::runtime()?.block_on(listen(plan, &mut tell)).map_err(StartError::from)?
    };
    match caught {
        Caught::Lines(evidence) => conclude(arguments, folder.as_ref(), &path, *evidence, said),
        nothing => Ok(explain(arguments, &nothing)),
    }
}

fn may_write(arguments: &Arguments, path: &Path) -> Result<(), Failure> {
    if !arguments.force && RealDisk.exists(path)? {
        return Err(Failure::new(
            format_args!("{} is there already", path.display()),
            "give another name with --out, or --force to write over it",
        ));
    }
    Ok(())
}

fn known(arguments: &Arguments, folder: Option<&Folder>) -> Result<Known, Failure> {
    let mut known = Known { geometry: arguments.geometry, ..Known::default() };
    if let Some(folder) = folder {
        // The study's own profile may not be there yet: it is what this is for.
        let path = folder.root().join("study.toml");
        let study = Study::load(&path.display().to_string(), &folder.text(&path)?)?;
        for value in &study.tile.values {
            known.tile.set(value.geometry_deg, Gloss::from(value.assigned_gu));
        }
    }
    for &(geometry, value) in &arguments.tile {
        known.tile.set(geometry, value);
    }
    Ok(known)
}

fn lines_of_user() -> mpsc::UnboundedReceiver<String> {
    let (send, lines) = mpsc::unbounded_channel();
    std::thread::spawn(move || {
        for line in std::io::stdin().lock().lines().map_while(Result::ok) {
            if send.send(line).is_err() {
                return;
            }
        }
    });
    lines
}

/// What to do where there are no lines to make anything of.
fn explain(arguments: &Arguments, caught: &Caught) -> u8 {
    let (what, hints): (String, Vec<&str>) = match caught {
        Caught::Nothing => (
            "nothing came at any setting".to_owned(),
            vec![
                "Is the meter on, and set to send to the computer at each press? Look in its menu.",
                "Is the cable the meter's own? A plain cable may need its two data wires crossed (a null-modem adapter).",
                "Is it this port? Unplug the adapter and see which one goes away.",
                "Does it wait to be asked? By its manual: --ask 'READ?\\r'.",
                "Has it switched itself off? Many do after some minutes without a press; press once more.",
                "Did you press while it listened? --wait 10 gives more time at each setting, --baud tries one rate.",
            ],
        ),
        Caught::Garbage { heard } => {
            if !arguments.json {
                for (settings, bytes, hearing) in heard {
                    output::line(format_args!(
                        "{settings}: {} (score {:.2})",
                        show::cut(&escaped(bytes)),
                        hearing.score
                    ));
                }
            }
            (
                "bytes came, but at no setting were they lines of text".to_owned(),
                vec![
                    "If a setting above shows readable text, its lines do not end in CR, LF, ETX or `;`: no profile can read that.",
                    "Else the meter may have another rate: --baud RATE by its manual. Or the cable's ground is loose.",
                ],
            )
        }
        Caught::NoPress { settings, presses } => (
            format!("the meter was heard at {settings}, but only {presses} of {PRESSES} readings came"),
            vec![
                "Press again and keep pressing when asked; --timeout gives more time. Some meters send only every few seconds.",
            ],
        ),
        Caught::Lines(_) => return DONE,
    };
    if arguments.json {
        output::line(json!({"event": "not-written", "why": what, "hints": hints}));
    } else {
        output::line(format_args!("{what}:"));
        for hint in hints {
            output::line(format_args!("  - {hint}"));
        }
        output::line("Nothing was written.");
    }
    CHECK_FAILED
}

/// Shows what is proposed, and writes it if it may.
fn conclude(
    arguments: &Arguments,
    folder: Option<&Folder>,
    path: &Path,
    evidence: Evidence,
    said: Option<mpsc::UnboundedReceiver<String>>,
) -> Result<u8, Failure> {
    let evidence = Evidence { name: name_for(path), ..evidence };
    let found = propose(&evidence);
    let Some(best) = found.first() else {
        return Ok(not_written(
            arguments,
            "no number in the lines that came at each press can be a gloss value",
            "press on the tile each time; else write the profile by hand from the lines above: \
             protocol-notes/line-profiles.md",
        ));
    };
    show::proposals(arguments, &evidence, best, found.get(1));
    if best.confidence < CONFIDENT && !arguments.force {
        return Ok(not_written(
            arguments,
            &format!("the confidence is {:.2}, below {CONFIDENT:.2}", best.confidence),
            "clear up what is not certain and try again; or write it with --force and go on by hand: \
             protocol-notes/identify.md",
        ));
    }
    if let Some(mut said) = said {
        output::line(format_args!("Write {}? Enter for yes, n for no:", path.display()));
        if said.blocking_recv().is_none_or(|word| word.trim_start().starts_with(['n', 'N'])) {
            return Ok(not_written(arguments, "it was not wanted", "the profile stands above"));
        }
    }
    write(folder, path, best, arguments)?;
    if arguments.json {
        output::line(json!({"event": "written", "path": path, "confidence": best.confidence}));
    } else {
        output::line(format_args!("written: {}", path.display()));
        output::line("Next: in study.toml, under [meter], set");
        output::line(format_args!("  port = \"{}\"", arguments.port));
        output::line(format_args!(
            "  profile = \"{}\"",
            path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned())
        ));
        output::line("and read the profile once: what is not certain stands at its top.");
        for line in HABITS {
            output::line(line);
        }
    }
    Ok(DONE)
}

/// What no line shows, and a run would tell its operator.
const HABITS: [&str; 3] = [
    "If the manual says that it sets itself (in its dock, or when switched on), averages its readings, or",
    "switches itself off, say so under [meter]: calibrates_itself, averages, switches_off_after_min. Each",
    "run then begins with what to mind. A press may also send a mean: switch that off, if it can be.",
];

fn not_written(arguments: &Arguments, why: &str, hint: &str) -> u8 {
    if arguments.json {
        output::line(json!({"event": "not-written", "why": why, "hints": [hint]}));
    } else {
        output::line(format_args!("Nothing was written: {why}."));
        output::line(format_args!("  - {hint}"));
    }
    CHECK_FAILED
}

fn write(
    folder: Option<&Folder>,
    path: &Path,
    best: &Candidate,
    arguments: &Arguments,
) -> Result<(), Failure> {
    let _lock = folder.map(|folder| folder.lock("halfpanel identify")).transpose()?;
    may_write(arguments, path)?;
    Ok(RealDisk.write_atomic(path, best.profile.text().as_bytes())?)
}

/// A profile's name from that of its file.
fn name_for(path: &Path) -> String {
    let stem = path.file_stem().map(|stem| stem.to_string_lossy().to_lowercase()).unwrap_or_default();
    let name: String =
        stem.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).take(40).collect();
    if name.chars().any(|c| c.is_ascii_alphanumeric()) { name } else { "my-meter".to_owned() }
}
