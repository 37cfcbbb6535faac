//! `halfpanel wash`

use super::Failure;
use super::observing::{Seen, Shared, choice};
use crate::life::Look;
use crate::life::deeds::Wash;
use crate::session::observing;
use crate::units::Amount;
use std::path::PathBuf;

/// Counts a wash of the panels that a treatment stands on, and keeps what was seen after it. Water washes the whole
/// panel, so it counts for every patch on it and for the control.
#[derive(clap::Args)]
#[command(after_help = "\
A mistake is taken back, and both rows stay: halfpanel wash T3 --to 12 --instead-of 41

Example: halfpanel wash T3 --study harbour
Example: halfpanel wash T3 --to 20 --panel P1 --class-treated 2 --class-control 6 --failed-area 30")]
pub struct Arguments {
    /// Treatment; all panels it stands on are washed, unless panels are named
    treatment: Option<String>,
    /// Panel; may be given several times
    #[arg(long, value_name = "ID")]
    panel: Vec<String>,
    /// Count to reach, since the product was put on (since the panel was prepared, if no treatment is named) [default: one more]
    #[arg(long, value_name = "WASHES")]
    to: Option<u32>,
    /// Name of the recipe [default: the study's]
    #[arg(long, value_name = "TEXT")]
    recipe: Option<String>,
    /// Amount of it on a panel, such as "400 ml" [default: the study's]
    #[arg(long, value_parser = amount)]
    amount: Option<Amount>,
    #[command(flatten)]
    seen: Seen,
    /// Picture of what was seen
    #[arg(long, value_name = "FILE")]
    photo: Option<PathBuf>,
    #[command(flatten)]
    shared: Shared,
}

/// An amount on the command line.
pub fn amount(text: &str) -> Result<Amount, String> {
    Amount::parse(text)
        .ok_or_else(|| "write a number and g, kg, mg, ml, cl, dl or l, such as \"12.5 ml\"".to_owned())
}

pub fn run(arguments: &Arguments) -> Result<u8, Failure> {
    let look = arguments.seen.look();
    let has_look = look != Look::default() || arguments.photo.is_some();
    let bench = arguments.shared.open(arguments.photo.clone())?;
    let wash = Wash {
        choice: choice(arguments.treatment.as_deref(), arguments.panel.clone()),
        to: arguments.to,
        recipe: arguments.recipe.clone(),
        amount: arguments.amount.clone(),
        look: has_look.then_some(look),
    };
    let appended = observing::wash(&bench.folder, &bench.study, &wash, &bench.telling)?;
    bench.show(&appended)
}
