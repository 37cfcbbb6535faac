//! `halfpanel repeatability`

mod elsewhere;
mod profile;
mod sitting;

use super::CHECK_FAILED;
use super::DONE;
use super::Failure;
use super::output;
use crate::difference::repeatability;
use crate::difference::repeatability::AtGeometry;
use crate::difference::repeatability::Series;
use crate::meter::Profile;
use crate::report::repeatability_text;
use crate::run::ReplayError;
use crate::run::record::RecordingError;
use crate::session::folder::Folder;
use crate::session::folder::FolderError;
use crate::store::RealDisk;
use crate::text::wrapped;
use std::path::Path;
use std::path::PathBuf;
use std::sync::Arc;

/// Says how well this meter in these hands repeats: from sittings on one zone, read without lifting the
/// meter and with lifting it, between two tile checks. With --read it takes a sitting first.
#[derive(clap::Args)]
#[command(after_help = "\
Take a sitting on each of three days, or of two people, then put the figure into the meter's profile.
One bench and one meter give repeatability and intermediate precision, not reproducibility.
Exit codes: 0 done, 1 no proven sitting, 2 wrong use or input.

Example: halfpanel repeatability harbour --read --operator Jo --zone \"P1 C1\"
Example: halfpanel repeatability harbour --profile
Example: halfpanel repeatability --from readings.csv --json")]
pub struct Arguments {
    /// The study's folder
    #[arg(required_unless_present = "from")]
    study: Option<PathBuf>,
    /// Take a sitting, or take up the one that was cut off
    #[arg(long, requires = "study", conflicts_with_all = ["from", "profile"])]
    read: bool,
    /// Who holds the meter [default: the study's operator]
    #[arg(long, value_name = "NAME", requires = "read")]
    operator: Option<String>,
    /// Zone to read, as "P1 C1" [default: the first control zone]
    #[arg(long, value_name = "PANEL ZONE", requires = "read")]
    zone: Option<String>,
    /// Readings without lifting, and as many with lifting; fewer than 5 say next to nothing [default: 10]
    #[arg(long, value_name = "NUMBER", requires = "read",
          value_parser = clap::value_parser!(u32).range(5..=200))]
    readings: Option<u32>,
    /// Port to use in place of the study's
    #[arg(long, requires = "read")]
    port: Option<String>,
    /// Start a new sitting even if an unfinished one is there
    #[arg(long, requires = "read")]
    new: bool,
    /// Print sentences, without drawing on the terminal
    #[arg(long, requires = "read", conflicts_with = "json")]
    plain: bool,
    /// Write the figure into the study's own profile as `repeatability_gu`
    #[arg(long, requires = "study")]
    profile: bool,
    /// Work out readings taken elsewhere: a table with the columns operator, sitting, lifted (yes or no),
    /// geometry_deg and gloss_gu
    #[arg(long, value_name = "FILE.csv")]
    from: Option<PathBuf>,
    /// Print the figures as JSON; with --read, first one event a line
    #[arg(long)]
    json: bool,
}

/// Readings to work out, and what is left out of them.
struct Material {
    title: String,
    series: Vec<Series>,
    left_out: Vec<LeftOut>,
}

/// A sitting that is in no figure.
struct LeftOut {
    sitting: String,
    why: String,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let folder = arguments.study.as_ref().map(|study| Folder::new(Arc::new(RealDisk), study));
    let mut code = DONE;
    if let (true, Some(folder)) = (arguments.read, &folder) {
        let sat = super::runtime()?.block_on(sitting::sit(folder, arguments))?;
        if sat == sitting::Outcome::StillOpen {
            return Ok(CHECK_FAILED);
        }
        if sat == sitting::Outcome::NotProven {
            code = CHECK_FAILED;
        }
    }
    let material = match (&arguments.from, &folder) {
        (Some(file), _) => elsewhere::read(file)?,
        (None, Some(folder)) => of_study(folder)?,
        // clap asks for one of them.
        (None, None) => return Err(Failure::new("neither a study nor a table is named", "name one")),
    };
    let found = repeatability::work_out(&material.series);
    show(arguments, &material, &found)?;
    if found.is_empty() {
        return Ok(CHECK_FAILED);
    }
    if let (true, Some(folder)) = (arguments.profile, &folder) {
        profile::write(folder, &found)?;
    }
    Ok(code)
}

/// The series of every proven sitting of a study.
fn of_study(folder: &Folder) -> Result<Material, Failure> {
    let title = folder.load()?.study.name;
    let sittings = folder.repeatability();
    let (mut series, mut left_out) = (Vec::new(), Vec::new());
    for id in sittings.runs()? {
        let leave_out = |why: String| LeftOut { sitting: id.clone(), why };
        match sittings.replay_run(&id) {
            Ok((replayed, _)) => {
                let ledger = replayed.run.ledger();
                let profile = Profile::load("profile in the recording", &ledger.setup.profile)?;
                match repeatability::gather(ledger, profile.specification().resolution_gu) {
                    Ok(found) => series.extend(found),
                    Err(why) => left_out.push(leave_out(why.to_string())),
                }
            }
            Err(FolderError::Replay(ReplayError::Recording(RecordingError::NoHead { .. }))) => {}
            Err(error @ (FolderError::Replay(_) | FolderError::Misnamed { .. })) => {
                left_out.push(leave_out(format!("{error}; {}", error.hint())));
            }
            Err(error) => return Err(error.into()),
        }
    }
    Ok(Material { title, series, left_out })
}

fn show(arguments: &Arguments, material: &Material, found: &[AtGeometry]) -> Result<(), Failure> {
    if arguments.json {
        let left_out: Vec<serde_json::Value> = material
            .left_out
            .iter()
            .map(|left| serde_json::json!({ "sitting": left.sitting, "why": left.why }))
            .collect();
        let mut json = serde_json::json!({
            "study": material.title,
            "geometries": found.iter().map(repeatability_text::json).collect::<Vec<_>>(),
            "profile_repeatability_gu": repeatability::for_profile(found).map(|(_, figure)| figure),
            "left_out": left_out,
            "says": repeatability_text::BOUNDS,
        });
        // Behind the events of a sitting the figures are one event more.
        let text = if arguments.read {
            json["event"] = "repeatability".into();
            serde_json::to_string(&json)
        } else {
            serde_json::to_string_pretty(&json)
        };
        output::line(text.map_err(|error| Failure::new(error, ""))?);
        return Ok(());
    }
    for at in found {
        output::line(format_args!("{}, how well the meter repeats at {}\n", material.title, at.geometry));
        output::line(repeatability_text::series_table(at));
        output::line(repeatability_text::figures_table(at));
        repeatability_text::sentences(at).iter().for_each(|sentence| say(sentence));
        output::line("");
    }
    for LeftOut { sitting, why } in &material.left_out {
        say(&format!("{sitting} is left out: {why}"));
    }
    if found.is_empty() {
        none(&material.title, arguments.study.as_deref());
    } else {
        say(repeatability_text::BOUNDS);
    }
    Ok(())
}

/// There is nothing to work out: what to do.
fn none(title: &str, study: Option<&Path>) {
    let what = match study {
        Some(study) => format!("Take one: `halfpanel repeatability {} --read`", study.display()),
        None => "It takes two readings or more in a sitting".to_owned(),
    };
    say(&format!("{title}: no proven sitting to work out. {what}."));
}

/// A sentence, in lines that fit a terminal.
fn say(sentence: &str) {
    wrapped(sentence, 80).iter().for_each(output::line);
}
