//! `halfpanel apply`

use super::Failure;
use super::observing::{Shared, choice};
use super::wash::amount;
use crate::life::{What, deeds};
use crate::units::Amount;
use std::path::PathBuf;

/// Keeps that a product was put on, and starts its curing time. Put on again without stripping, it begins a life that is
/// marked and never pooled with others.
#[derive(clap::Args)]
#[command(after_help = "\
Example: halfpanel apply T3 --study harbour --panel P1 --coats 2 --amount \"4.5 ml\" --note \"hazed in 10 min\"")]
pub struct Arguments {
    /// Treatment
    treatment: String,
    /// Panel; may be given several times [default: all it stands on]
    #[arg(long, value_name = "ID")]
    panel: Vec<String>,
    /// Number of coats
    #[arg(long)]
    coats: Option<u32>,
    /// Amount on each panel, such as "4.5 ml"
    #[arg(long, value_parser = amount)]
    amount: Option<Amount>,
    /// Batch of the product, where it is not that of the study
    #[arg(long)]
    batch: Option<String>,
    /// Picture of it
    #[arg(long, value_name = "FILE")]
    photo: Option<PathBuf>,
    #[command(flatten)]
    shared: Shared,
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let bench = arguments.shared.open(arguments.photo.clone())?;
    let choice = choice(Some(&arguments.treatment), arguments.panel.clone());
    let patches = deeds::chosen(&bench.study, &choice).map_err(|problem| Failure::new(problem, ""))?;
    let applied = patches.into_iter().map(|patch| What::Applied {
        patch,
        amount: arguments.amount.clone(),
        coats: arguments.coats,
        batch: arguments.batch.clone().unwrap_or_default(),
    });
    let appended = bench.append(applied.collect())?;
    bench.show(&appended)
}
