//! `halfpanel init`

use super::{DONE, Failure, output};
use crate::store::{Disk, RealDisk};
use crate::study::template_files;
use std::path::PathBuf;

/// Makes a folder with a commented study.toml and a simulated meter, ready to run.
#[derive(clap::Args)]
#[command(after_help = "Example: halfpanel init harbour && halfpanel run harbour")]
pub struct Arguments {
    /// The folder to make
    dir: PathBuf,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let disk = RealDisk;
    disk.create_dir_all(&arguments.dir)?;
    // A study is somebody's work: nothing that is there is written over.
    for (name, _) in template_files() {
        let path = arguments.dir.join(name);
        if disk.exists(&path)? {
            return Err(Failure::new(
                format_args!("{} is there already", path.display()),
                "name another folder; `init` writes over nothing",
            ));
        }
    }
    for (name, text) in template_files() {
        disk.write_atomic(&arguments.dir.join(name), text.as_bytes())?;
    }
    let dir = arguments.dir.display();
    output::line(format_args!("A study in {dir}, with a simulated meter to try it on."));
    output::line(format_args!("  1. Read {dir}/study.toml: it says what every key means."));
    output::line(format_args!("  2. halfpanel run {dir}"));
    output::line(format_args!(
        "  3. The tables are in {dir}/results/ then; `halfpanel verify {dir}` recomputes them."
    ));
    Ok(DONE)
}
