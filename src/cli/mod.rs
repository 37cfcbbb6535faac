//! The commands: one file each, for arguments, progress, printing and exit codes. What they do is in
//! the floors below.

mod apply;
mod board;
mod budget;
mod correct;
mod demo;
mod identify;
mod init;
mod judge;
mod listen;
mod look;
mod observing;
mod output;
mod ports;
mod presenter;
mod repeatability;
mod replay;
mod report;
mod run;
pub mod screen;
mod serve;
mod simulate;
mod status;
mod strip;
mod tile;
mod verify;
mod wash;
mod wipe;
mod withdraw;

use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// Done.
pub const DONE: u8 = 0;
/// A check failed: a run that is not proven, tables that do not match.
pub const CHECK_FAILED: u8 = 1;
/// Wrong use or wrong input.
pub const WRONG_USE: u8 = 2;

/// Reads a gloss meter on a serial line, proves it on a tile before and after each run, and computes
/// drift-checked differences between treated and control zones of test panels.
#[derive(Parser)]
#[command(
    name = "halfpanel",
    version,
    max_term_width = 100,
    after_help = "\
No proof, no result: a reading counts only between two tile checks that hold.
Exit codes: 0 done, 1 a check failed (not proven, tables differ), 2 wrong use or input.

Example: halfpanel init harbour && halfpanel run harbour"
)]
struct Arguments {
    /// Say more on standard error: -v what happens, -vv every line and sync
    #[arg(short, long, action = clap::ArgAction::Count, global = true)]
    verbose: u8,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Make a study: a commented study.toml that runs against the simulated meter
    Init(init::Arguments),
    /// Find out how a meter nobody has seen sends its readings, and write its profile
    Identify(identify::Arguments),
    /// Do one bracketed run at the bench, or take up the one that was cut off
    Run(run::Arguments),
    /// Serve the bench page: runs led from a tablet or phone beside the panel
    Serve(serve::Arguments),
    /// List the serial ports of this machine, who holds them and what stands in the way
    Ports(ports::Arguments),
    /// Show the lines that a meter sends, and what a profile makes of them
    Listen(listen::Arguments),
    /// Stand a simulated meter on a pseudo-terminal
    Simulate(simulate::Arguments),
    /// Work the tables out from recordings, to print, write or compare
    Replay(replay::Arguments),
    /// Recompute everything in a study from its recordings and compare
    Verify(verify::Arguments),
    /// Unfold the results of a run into their uncertainty budgets
    Budget(budget::Arguments),
    /// Show the tile's history over all runs of a study on control charts
    Tile(tile::Arguments),
    /// Say how well the meter repeats in these hands
    Repeatability(repeatability::Arguments),
    /// Put all treatments side by side, with what cannot be told apart
    Board(board::Arguments),
    /// Make a static site of a study, ready to publish
    Report(report::Arguments),
    /// Say how every treatment stands, and what comes next
    Status(status::Arguments),
    /// Keep that a product was put on
    Apply(apply::Arguments),
    /// Count a wash, and keep what was seen after it
    Wash(wash::Arguments),
    /// Keep how water behaves, without a wash
    Look(look::Arguments),
    /// Keep a wipe with solvent
    Wipe(wipe::Arguments),
    /// Keep what a person judged by hand and eye, blind if wanted
    Judge(judge::Arguments),
    /// Keep that a product is not followed any more
    Withdraw(withdraw::Arguments),
    /// Keep that a panel was stripped bare
    Strip(strip::Arguments),
    /// Take back a row of observations.csv that was a mistake
    Correct(correct::Arguments),
    /// Show a whole study at work: no meter needed
    Demo(demo::Arguments),
}

/// What went wrong, and what to do next.
pub struct Failure {
    what: String,
    hint: String,
    code: u8,
}

impl Failure {
    /// Wrong use or input.
    fn new(what: impl std::fmt::Display, hint: impl Into<String>) -> Failure {
        Failure { what: what.to_string(), hint: hint.into(), code: WRONG_USE }
    }
}

/// Turns the errors of the floors below into failures, each with its hint.
macro_rules! failure_from {
    ($($error:ty),* $(,)?) => {$(
        impl From<$error> for Failure {
            fn from(error: $error) -> Failure {
                let hint = error.hint();
                Failure::new(error, hint)
            }
        }
    )*};
}

failure_from!(
    crate::run::ReplayError,
    crate::session::folder::FolderError,
    crate::session::observing::ObservingError,
    crate::session::recorder::RecorderError,
    crate::session::results::ResultsError,
    crate::session::start::StartError,
    crate::store::StoreError,
);

impl From<crate::text::Problem> for Failure {
    fn from(problem: crate::text::Problem) -> Failure {
        Failure::new(problem, "")
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Failure {
        Failure::new(error, "")
    }
}

/// Runs the command line.
#[must_use]
pub fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match &arguments.command {
        // Whoever looks after a daemon reads of it in its log only.
        Command::Serve(serve) => log_to_stderr(arguments.verbose.max(1), serve.log_json),
        _ => log_to_stderr(arguments.verbose, false),
    }
    let logs_json = matches!(&arguments.command, Command::Serve(serve) if serve.log_json);
    let outcome = match arguments.command {
        Command::Init(arguments) => init::run(&arguments),
        Command::Identify(arguments) => identify::run(&arguments),
        Command::Run(arguments) => run::run(&arguments),
        Command::Serve(arguments) => serve::run(&arguments),
        Command::Ports(arguments) => ports::run(&arguments),
        Command::Listen(arguments) => listen::run(&arguments),
        Command::Simulate(arguments) => simulate::run(&arguments),
        Command::Replay(arguments) => replay::run(&arguments),
        Command::Verify(arguments) => verify::run(&arguments),
        Command::Budget(arguments) => budget::run(&arguments),
        Command::Tile(arguments) => tile::run(&arguments),
        Command::Repeatability(arguments) => repeatability::run(&arguments),
        Command::Board(arguments) => board::run(&arguments),
        Command::Report(arguments) => report::run(&arguments),
        Command::Status(arguments) => status::run(&arguments),
        Command::Apply(arguments) => apply::run(&arguments),
        Command::Wash(arguments) => wash::run(&arguments),
        Command::Look(arguments) => look::run(&arguments),
        Command::Wipe(arguments) => wipe::run(&arguments),
        Command::Judge(arguments) => judge::run(&arguments),
        Command::Withdraw(arguments) => withdraw::run(&arguments),
        Command::Strip(arguments) => strip::run(&arguments),
        Command::Correct(arguments) => correct::run(&arguments),
        Command::Demo(arguments) => demo::run(&arguments),
    };
    match outcome {
        Ok(code) => ExitCode::from(code),
        Err(failure) => {
            match logs_json {
                true => tracing::error!(hint = failure.hint, "{}", failure.what),
                false => output::complain(&failure),
            }
            ExitCode::from(failure.code)
        }
    }
}

fn log_to_stderr(verbose: u8, as_json: bool) {
    let level = match verbose {
        0 => "warn",
        1 => "info",
        _ => "debug",
    };
    let filter = tracing_subscriber::EnvFilter::try_from_env("HALFPANEL_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new(level));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        // Whoever read the log may be gone, a closed terminal for one; a run must not break off for that.
        .log_internal_errors(false)
        .with_ansi(output::colour(&std::io::stderr()));
    if !as_json {
        return log.init();
    }
    log.json().init();
    // Whoever reads the log as JSON can read what a mistake of the program says, too.
    std::panic::set_hook(Box::new(|broke| tracing::error!("a mistake in the program: {broke}")));
}

/// A runtime for one bench: one thread, besides the recorder's.
fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    Ok(tokio::runtime::Builder::new_current_thread().enable_all().build()?)
}
