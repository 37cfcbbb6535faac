//! `halfpanel ports`

use super::DONE;
use super::Failure;
use super::WRONG_USE;
use super::output;
use crate::report::ports_text;
use crate::report::ports_text::Access;
use crate::report::ports_text::PortRow;
use crate::session::folder::Folder;
use crate::session::ports;
use crate::session::ports::PortSeen;
use crate::session::problem::LinkProblem;
use crate::store::RealDisk;
use crate::text::wrapped;
use std::path::Path;
use std::path::PathBuf;
use std::sync::Arc;

/// Lists the serial ports of this machine: the name that stays with an adapter, what the adapter says of
/// itself, who has the port open, and whether this user may use it. Nothing is opened.
#[derive(clap::Args)]
#[command(after_help = "\
Put the first line of a port, its lasting name, into `port` under [meter] in study.toml.

Example: halfpanel ports
Example: halfpanel ports harbour           (says which port this study uses)")]
pub struct Arguments {
    /// Studies' folders: each port says which of them use it
    studies: Vec<PathBuf>,
    /// Print the ports as one JSON array
    #[arg(long)]
    json: bool,
}

/// A study and the port that it names.
struct Wants {
    study: String,
    port: String,
    /// The device behind that name, if it is there.
    device: Option<PathBuf>,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let mut code = DONE;
    let mut wants = Vec::new();
    for study in &arguments.studies {
        match Folder::new(Arc::new(RealDisk), study).load() {
            Ok(loaded) => wants.push(Wants::of(study, loaded.study.port)),
            // The ports are listed all the same: they may be what the study lacks.
            Err(error) => {
                let failure = Failure::from(error);
                output::complain(&failure);
                code = WRONG_USE;
            }
        }
    }
    let rows: Vec<PortRow> = all(&wants).into_iter().map(|seen| row(seen, &wants)).collect();
    if arguments.json {
        let array = ports_text::json(&rows);
        output::line(serde_json::to_string_pretty(&array).map_err(|error| Failure::new(error, ""))?);
    } else {
        ports_text::text(&rows).iter().for_each(output::line);
    }
    say_what_is_missing(&wants, &rows);
    Ok(code)
}

impl Wants {
    fn of(study: &Path, port: String) -> Wants {
        let device = ports::device_of(Path::new(&port));
        Wants { study: study.display().to_string(), port, device }
    }

    fn is(&self, seen: &PortSeen) -> bool {
        self.port == seen.name || self.device.as_deref().is_some_and(|device| device == Path::new(&seen.name))
    }
}

/// The ports that the system lists, and those behind the studies' names that it does not, such as a
/// pseudo-terminal.
fn all(wants: &[Wants]) -> Vec<PortSeen> {
    let mut seen = ports::list();
    for want in wants {
        if let Some(device) = &want.device
            && !seen.iter().any(|port| want.is(port))
        {
            let name = device.display().to_string();
            let stable_name = (want.port != name).then(|| want.port.clone());
            seen.push(PortSeen { name, stable_name, usb: None });
        }
    }
    seen.sort_by(|a, b| (a.stable_name.is_none(), &a.name).cmp(&(b.stable_name.is_none(), &b.name)));
    seen
}

fn row(seen: PortSeen, wants: &[Wants]) -> PortRow {
    let device = Path::new(&seen.name);
    let access = if ports::may_use(device) {
        Access::Allowed
    } else {
        ports::group_of(device).map_or(Access::Denied, Access::ByGroup)
    };
    PortRow {
        holders: ports::who_holds(device),
        access,
        studies: wants.iter().filter(|want| want.is(&seen)).map(|want| want.study.clone()).collect(),
        seen,
    }
}

/// On standard error, so that JSON on standard output stays JSON.
fn say_what_is_missing(wants: &[Wants], rows: &[PortRow]) {
    for want in wants.iter().filter(|want| !rows.iter().any(|row| want.is(&row.seen))) {
        let said = if want.port.starts_with("sim:") {
            format!("{} uses a simulated meter ({}), and no port.", want.study, want.port)
        } else {
            let seen = rows.iter().map(|row| row.seen.clone()).collect();
            let problem = LinkProblem::no_such_port(&want.port, seen);
            format!("{} uses {}, which is not there. {}", want.study, want.port, problem.hint())
        };
        wrapped(&said, 80).iter().for_each(output::remark);
    }
}
