//! `halfpanel strip`

use super::Failure;
use super::observing::Shared;
use crate::life::What;

/// Keeps that a panel was stripped bare for another use: all lives on it end, and its wash count begins anew.
#[derive(clap::Args)]
#[command(after_help = "\
With a treatment, that patch alone was stripped, and the panel's wash count goes on.

Example: halfpanel strip --panel P1 --study harbour --note \"cut back with 1500, polished\"")]
pub struct Arguments {
    /// Treatment whose patch alone was stripped [default: the whole panel]
    treatment: Option<String>,
    /// Panel
    #[arg(long, value_name = "ID")]
    panel: String,
    #[command(flatten)]
    shared: Shared,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let bench = arguments.shared.open(None)?;
    let study = &bench.study;
    let stripped = match &arguments.treatment {
        Some(treatment) => {
            let patch = bench.one(treatment, Some(&arguments.panel))?;
            What::Stripped { panel: study.patches[patch].panel, patch: Some(patch) }
        }
        None => {
            let ids = || study.panels.iter().map(|panel| panel.id.as_str());
            let panel = ids().position(|id| id == arguments.panel).ok_or_else(|| {
                let asked = &arguments.panel;
                let hint = crate::study::meant(asked, "panels", ids());
                Failure::new(format_args!("the study has no panel `{asked}`; {hint}"), "")
            })?;
            What::Stripped { panel, patch: None }
        }
    };
    let appended = bench.append(vec![stripped])?;
    bench.show(&appended)
}
