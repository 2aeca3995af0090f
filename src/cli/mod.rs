//! Arguments as typed, then resolved; one file a command; exit codes on one screen ([`Exit`]).
//! Data goes to standard output, everything else to standard error.
#![expect(clippy::print_stderr, reason = "this room talks to the person")]

mod advise;
mod arguments;
mod change;
mod compare;
mod configuration;
mod dry_run;
mod exit;
mod export;
mod full_screen;
mod good;
mod import;
mod instruments;
mod ledger;
mod ledger_arguments;
mod listing;
mod manual;
mod measure;
mod notices;
mod progress;
mod queue;
mod report;
mod run;
mod runs;
mod serve;
mod setting;
mod through;
mod trend;
mod verify;
mod watch;

use std::io::Write;
use std::process::ExitCode;

use clap::Parser;

use arguments::{Arguments, Command};
pub use exit::Exit;

/// Runs the program: parses the command line, carries the command out, names what went wrong.
pub fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            let shown = error.print();
            let asked = !error.use_stderr();
            return if asked && shown.is_ok() {
                Exit::Fine
            } else {
                Exit::Usage
            }
            .into();
        }
    };
    // A service's log is what its keeper reads; a command's is for what goes wrong.
    let serves = matches!(arguments.command, Command::Serve(_));
    start_log(if serves { "info" } else { "warn" });
    let outcome = match arguments.command {
        Command::Run(wanted) => run::run(&wanted),
        Command::Report(wanted) => report::report(&wanted),
        Command::Compare(wanted) => compare::compare(&wanted),
        Command::Export(wanted) => export::export(&wanted),
        Command::Import(wanted) => import::import(&wanted),
        Command::Runs(wanted) => runs::runs(&wanted),
        Command::Watch(wanted) => watch::watch(&wanted),
        Command::Queue(wanted) => queue::queue(wanted),
        Command::Serve(wanted) => serve::serve(wanted),
        Command::Setting(wanted) => setting::setting(&wanted),
        Command::Change(wanted) => change::change(&wanted),
        Command::Changes(wanted) => change::changes(&wanted),
        Command::Good(wanted) => good::good(&wanted),
        Command::Trend(wanted) => trend::trend(&wanted),
        Command::Advise(wanted) => advise::advise(&wanted),
        Command::Instruments(wanted) => instruments::instruments(&wanted),
        Command::Suites(wanted) => listing::suites(&wanted),
        Command::Kernels(wanted) => listing::kernels(&wanted),
        Command::Notices(wanted) => notices::notices(&wanted),
        Command::Config(wanted) => configuration::config(&wanted),
        Command::Manual(wanted) => manual::manual(&wanted),
        Command::Measure(wanted) => measure::run(&wanted),
        Command::Worker => return work(),
    };
    match outcome {
        Ok(exit) => exit.into(),
        Err(failure) => {
            eprintln!("soakproof: {:#}", failure.error);
            failure.exit.into()
        }
    }
}

fn work() -> ExitCode {
    match crate::worker::work() {
        Ok(()) => Exit::Fine.into(),
        Err(reason) => {
            tracing::warn!(reason, "worker not set up");
            // It has said why; the supervisor judges. Another status would look like a crash.
            Exit::Fine.into()
        }
    }
}

fn start_log(usual: &str) {
    use tracing_subscriber::EnvFilter;
    let filter = EnvFilter::try_from_env("SOAKPROOF_LOG").unwrap_or_else(|_| EnvFilter::new(usual));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(full_screen::BesideScreen::default)
        .with_ansi(crate::os::stderr_is_terminal());
    if log.try_init().is_err() {
        eprintln!("soakproof: the log cannot be set up");
    }
}

/// Writes data to standard output. A reader that has gone away is no error of ours.
fn put(text: &str) {
    let mut output = std::io::stdout().lock();
    let written = output
        .write_all(text.as_bytes())
        .and_then(|()| output.flush());
    if let Err(error) = written {
        tracing::debug!(%error, "nobody reads");
    }
}

fn put_json(value: &serde_json::Value) {
    put(&format!("{value:#}\n"));
}

/// Tells the person something that is not the data asked for.
fn tell(line: &str) {
    if let Err(error) = writeln!(full_screen::BesideScreen, "soakproof: {line}") {
        tracing::debug!(%error, "nobody reads");
    }
}

/// What went wrong and how the program ends for it.
struct Failure {
    error: anyhow::Error,
    exit: Exit,
}

impl Failure {
    fn usage(error: impl Into<anyhow::Error>) -> Self {
        Self {
            error: error.into(),
            exit: Exit::Usage,
        }
    }
}

impl<E: Into<anyhow::Error>> From<E> for Failure {
    fn from(error: E) -> Self {
        Self {
            error: error.into(),
            exit: Exit::Other,
        }
    }
}
