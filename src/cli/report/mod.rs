//! `halfpanel report`

mod gather;
mod place;

use super::{DONE, Failure, output};
use crate::report::publication::PngChoice;
use crate::report::site;
use crate::session::folder::Folder;
use crate::store::RealDisk;
use place::Place;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// From so many treatments on, cards are drawn as SVG only unless PNG is asked for: each takes a moment.
const MANY: usize = 50;

/// Makes a static site of a study, ready to publish: the board, a page for each treatment and run, how it was
/// measured, plots, cards, the tables and recordings with their digests, and the commands with which anybody repeats a
/// figure. It opens from the disk, needs no script and no network, and is the same each time, byte for byte.
#[derive(clap::Args)]
#[command(after_help = "\
The tables are worked out from the recordings anew; those in results/ are not touched.
Solvents and cleaners that the study calls for are pointed out on the pages, with a caution.

Example: halfpanel report harbour --out harbour-report
Example: halfpanel report harbour --out site --png always")]
pub struct Arguments {
    /// The study's folder
    study: PathBuf,
    /// Folder of the report; an earlier report there is replaced
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Draw the cards as PNG too: `auto` does so below 50 treatments
    #[arg(long, value_name = "WHEN", value_enum, default_value_t = Png::Auto)]
    png: Png,
}

/// When cards are drawn as PNG.
#[derive(Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Png {
    Auto,
    Always,
    Never,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let folder = Folder::new(Arc::new(RealDisk), &arguments.study);
    let made = make(&folder, &arguments.out, arguments.png)?;
    let out = arguments.out.display();
    output::line(format_args!("{} files in {out}/", made.files));
    output::line(format_args!("Open it      {out}/index.html"));
    output::line(format_args!("Check it     {out}/check.html has the commands"));
    Ok(if made.is_whole { DONE } else { super::CHECK_FAILED })
}

/// What was made.
pub struct Made {
    /// Number of files.
    pub files: usize,
    /// Whether nothing had to be left out.
    pub is_whole: bool,
}

/// Makes the report of a study, and tells on the way what is left out.
pub fn make(folder: &Folder, out: &Path, png: Png) -> Result<Made, Failure> {
    let disk = RealDisk;
    let place = Place::open(&disk, out)?;
    // What is wrong with the study is said before anything is written.
    folder.load()?;
    let mut writing = place.writing(&disk)?;
    let progress = |id: &str, number, of| output::progress("reading", id, number, of);
    let gathered = gather::gather(folder, &mut writing, progress)?;
    let mut publication = gathered.publication;
    publication.png = match png {
        Png::Always => PngChoice::Drawn,
        Png::Never => PngChoice::LeftOut,
        Png::Auto if publication.treatments.len() < MANY => PngChoice::Drawn,
        Png::Auto => {
            output::remark(format_args!(
                "{} treatments: their cards are drawn as SVG only; --png always draws PNG too",
                publication.treatments.len()
            ));
            PngChoice::LeftOut
        }
    };
    for refused in &publication.refused {
        output::remark(format_args!("left out: {refused}"));
    }
    for unread in &publication.unread {
        output::remark(format_args!("not counted: {unread}"));
    }
    for copy in &gathered.copies {
        writing.copy(&copy.from, &copy.to, &copy.sha256)?;
    }
    for file in gathered.tables {
        writing.put(&file.path, &file.bytes)?;
    }
    site::each(&publication, &mut |file| writing.put(&file.path, &file.bytes))?;
    let files = writing.finish()?;
    Ok(Made { files, is_whole: publication.refused.is_empty() })
}
