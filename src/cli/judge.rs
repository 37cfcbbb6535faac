//! `halfpanel judge`

use super::observing::{Bench, Shared, choice};
use super::{DONE, Failure, output};
use crate::life::{self, Subject, What, deeds};
use crate::session::{blind, observing};
use std::path::PathBuf;

/// Keeps whether a product passes what a person judges by hand and eye.
///
/// To judge blind, somebody else draws labels (--draw) and puts them on the panels; the judge knows labels only (--label);
/// once all judgements are kept, --reveal says what they stood for. Seals written down before show that nothing was
/// turned about.
#[derive(clap::Args)]
#[command(after_help = "\
Example: halfpanel judge T3 --panel P1 --attribute feel --pass --by Jo
Example: halfpanel judge --draw --panel P1 --panel P2      (somebody else labels the patches)
Example: halfpanel judge --label K7 --attribute feel --fail --by Jo
Example: halfpanel judge --reveal")]
pub struct Arguments {
    /// Treatment
    treatment: Option<String>,
    /// Panel; with --draw it may be given several times [default: those the treatment stands on]
    #[arg(long, value_name = "ID")]
    panel: Vec<String>,
    /// What is judged, one of the study's attributes
    #[arg(long, value_name = "NAME")]
    attribute: Option<String>,
    /// It passes
    #[arg(long, conflicts_with = "fail")]
    pass: bool,
    /// It fails
    #[arg(long)]
    fail: bool,
    /// The judge did not know what was judged
    #[arg(long)]
    blind: bool,
    /// Judge what goes by this label
    #[arg(long, value_name = "LABEL", conflicts_with_all = ["treatment", "panel"])]
    label: Option<String>,
    /// Draw a label for each patch, and show them to whoever puts them on
    #[arg(long, conflicts_with_all = ["label", "attribute", "pass", "fail", "blind"])]
    draw: bool,
    /// Say what the labels stood for
    #[arg(long, conflicts_with_all = ["treatment", "panel", "label", "attribute", "pass", "fail", "blind", "draw"])]
    reveal: bool,
    /// With --reveal: even if some were not judged
    #[arg(long, requires = "reveal")]
    anyway: bool,
    /// Picture of it
    #[arg(long, value_name = "FILE")]
    photo: Option<PathBuf>,
    #[command(flatten)]
    shared: Shared,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let bench = arguments.shared.open(arguments.photo.clone())?;
    if arguments.draw {
        return draw(arguments, &bench);
    }
    if arguments.reveal {
        let appended = blind::reveal(&bench.folder, &bench.study, arguments.anyway, &bench.telling)?;
        for row in &appended.rows {
            if let What::Revealed { label, patch, .. } = &row.what {
                let (treatment, panel) = names(&bench, *patch);
                output::remark(format_args!("{label} was {treatment} on {panel}"));
            }
        }
        return bench.show(&appended);
    }
    let what = judged(arguments, &bench)?;
    let appended = bench.append(vec![what])?;
    bench.show(&appended)
}

fn judged(arguments: &Arguments, bench: &Bench<'_>) -> Result<What, Failure> {
    let attributes = &bench.study.watching.attributes;
    let known = attributes.join(", ");
    let name = arguments.attribute.as_deref().unwrap_or_default();
    let attribute = attributes.iter().position(|known| known == name).ok_or_else(|| {
        Failure::new(
            match name {
                "" => "what is judged was not said".to_owned(),
                name => format!("no attribute of the study is called `{name}`"),
            },
            format!("give --attribute with one of {known}"),
        )
    })?;
    if arguments.pass == arguments.fail {
        return Err(Failure::new("whether it passes was not said", "give --pass or --fail"));
    }
    let subject = match (&arguments.label, &arguments.treatment) {
        (Some(label), _) => Subject::Label(label.clone()),
        (None, Some(treatment)) if arguments.panel.len() < 2 => {
            Subject::Patch(bench.one(treatment, arguments.panel.first())?)
        }
        (None, Some(_)) => {
            return Err(Failure::new("a judgement is of one patch", "give one --panel"));
        }
        (None, None) => {
            return Err(Failure::new("what is judged was not said", "name a treatment, or a --label"));
        }
    };
    let is_blind = arguments.blind || arguments.label.is_some();
    Ok(What::Judged { subject, attribute, passes: arguments.pass, is_blind })
}

/// Draws labels, and shows them in the order of the panels to whoever puts them on.
fn draw(arguments: &Arguments, bench: &Bench<'_>) -> Result<u8, Failure> {
    let study = &bench.study;
    let patches: Vec<usize> = match (&arguments.treatment, arguments.panel.as_slice()) {
        // Those with something on them.
        (None, []) => {
            let stories = life::stories(study, &observing::read(&bench.folder, study)?);
            let is_there =
                |patch: &usize| life::latest(&stories, *patch).is_some_and(|story| story.is_on_panel);
            (0..study.patches.len()).filter(is_there).collect()
        }
        (treatment, panels) => {
            let choice = choice(treatment.as_deref(), panels.to_vec());
            deeds::chosen(study, &choice).map_err(|problem| Failure::new(problem, ""))?
        }
    };
    if patches.is_empty() {
        let hint = "put the products on first (`halfpanel apply`), or name a treatment or panels";
        return Err(Failure::new("there is nothing to judge yet", hint));
    }
    let (mut keys, _) = blind::draw(&bench.folder, study, &patches, &bench.telling)?;
    keys.sort_by_key(|key| key.patch);
    output::line("For whoever labels the patches. The judge must not see this:");
    for key in keys {
        let (treatment, panel) = names(bench, key.patch);
        output::line(format_args!("  {}  {treatment} on {panel}", key.label));
    }
    Ok(DONE)
}

fn names<'a>(bench: &'a Bench<'_>, patch: usize) -> (&'a str, &'a str) {
    let at = &bench.study.patches[patch];
    (&bench.study.treatments[at.treatment].treatment.code, &bench.study.panels[at.panel].id)
}
