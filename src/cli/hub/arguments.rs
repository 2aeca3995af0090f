//! The command line of `hub`, as typed.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};

use super::super::arguments::{OutputArguments, SuiteNamed};
use crate::model::{Grade, MachineName};

/// Where the hub is.
#[derive(Debug, Clone, Args)]
pub(in crate::cli) struct HubPlace {
    /// Folder of the hub (default: `hub` in the user's state folder).
    #[arg(long, value_name = "DIR", env = "SOAKPROOF_HUB")]
    pub(super) hub: Option<PathBuf>,
}

/// Where the hub is, for commands that show something.
#[derive(Debug, Args)]
pub(in crate::cli) struct ShowArguments {
    #[command(flatten)]
    pub(super) place: HubPlace,
    #[command(flatten)]
    pub(super) output: OutputArguments,
}

#[derive(Debug, Subcommand)]
pub(in crate::cli) enum HubCommand {
    /// Make the folder of a hub, with the configuration of its message server (`nats-server`).
    Init(InitArguments),
    /// Be a hub until a signal ends it: send jobs, copy results, notice who vanishes.
    Serve(HubPlace),
    /// Give a machine (or a bench, on which machines are put) its key, or alter what is known of it.
    Enrol(EnrolArguments),
    /// Take the key of a machine back.
    Revoke {
        /// Its name.
        machine: MachineName,
        #[command(flatten)]
        place: HubPlace,
    },
    /// List the machines, or show all of one.
    Machines(MachinesArguments),
    /// Say how many machines of a power circuit may be under load at once, or release one that is held.
    Circuit(CircuitArguments),
    /// Order a suite for machines.
    Order(Box<OrderArguments>),
    /// List the orders and how each stands.
    Orders(ShowArguments),
    /// Take an order back; what runs of it is ended with a verdict.
    Cancel {
        /// Id of the order.
        order: String,
        /// Only for this machine.
        #[arg(long, value_name = "NAME")]
        machine: Option<MachineName>,
        #[command(flatten)]
        place: HubPlace,
    },
    /// Show results, newest first.
    Results(ResultsArguments),
    /// Write the results of a day into a file (CSV), for spreadsheets.
    Export(DayArguments),
    /// Write the sheets of several results into a folder.
    Sheets(SheetsArguments),
    /// Show how it stands: every machine with its stage, time left, hottest reading and last grade.
    Board(BoardArguments),
}

#[derive(Debug, Args)]
pub(in crate::cli) struct InitArguments {
    /// Address at which the message server is to listen.
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:4222")]
    pub(super) listen: String,
    /// Address by which machines reach it (default: that at which it listens).
    #[arg(long, value_name = "URL")]
    pub(super) server: Vec<String>,
    /// Certificate chain of the server, PEM.
    #[arg(long, value_name = "FILE", requires = "key")]
    pub(super) certificate: Option<PathBuf>,
    /// Key of the certificate, PEM.
    #[arg(long, value_name = "FILE", requires = "certificate")]
    pub(super) key: Option<PathBuf>,
    /// Certificates that sign the server's, PEM (default: those that the systems trust).
    #[arg(long, value_name = "FILE")]
    pub(super) roots: Option<PathBuf>,
    /// Show the board to browsers at this address (such as 127.0.0.1:7626), behind a token; with the certificate
    /// above where other machines reach it.
    #[arg(long, value_name = "ADDRESS:PORT")]
    pub(super) pages: Option<SocketAddr>,
    /// What the host is called by those browsers; may be given several times.
    #[arg(long, value_name = "NAME", requires = "pages")]
    pub(super) pages_host: Vec<String>,
    #[command(flatten)]
    pub(super) place: HubPlace,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct EnrolArguments {
    /// Its name: lower-case letters, digits, hyphens.
    pub(super) machine: MachineName,
    /// Serial number that its results must bear; leave it out for a bench.
    #[arg(long, value_name = "TEXT")]
    pub(super) serial: Option<String>,
    /// Whose it is.
    #[arg(long, value_name = "TEXT")]
    pub(super) owner: Option<String>,
    /// Words to keep.
    #[arg(long, value_name = "TEXT")]
    pub(super) note: Option<String>,
    /// Group, for orders.
    #[arg(long, value_name = "NAME")]
    pub(super) group: Option<String>,
    /// Power circuit on which it hangs.
    #[arg(long, value_name = "NAME")]
    pub(super) circuit: Option<String>,
    /// It is enrolled already; alter what is said here and keep its key.
    #[arg(long)]
    pub(super) alter: bool,
    #[command(flatten)]
    pub(super) place: HubPlace,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct MachinesArguments {
    /// Show the history of this one.
    pub(super) machine: Option<MachineName>,
    #[command(flatten)]
    pub(super) show: ShowArguments,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct CircuitArguments {
    /// Its name.
    pub(super) name: String,
    /// Most machines on it under load at once.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    pub(super) most: Option<u32>,
    /// Let load on it again after it was held. Look first why its machines went down.
    #[arg(long)]
    pub(super) release: bool,
    #[command(flatten)]
    pub(super) place: HubPlace,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct OrderArguments {
    #[command(flatten)]
    pub(super) named: SuiteNamed,
    /// For this machine; may be given several times.
    #[arg(long, value_name = "NAME", required_unless_present = "group")]
    pub(super) to: Vec<MachineName>,
    /// For every machine of this group.
    #[arg(long, value_name = "NAME")]
    pub(super) group: Option<String>,
    /// Only where the whole suite fits into this part of a day at the machine, such as 22:00-07:00.
    #[arg(long, value_name = "FROM-UNTIL")]
    pub(super) window: Option<String>,
    /// Runs on each machine.
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=100))]
    pub(super) repeat: u32,
    /// Further runs on a machine after runs that failed.
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = clap::value_parser!(u32).range(0..=100))]
    pub(super) again_after_failure: u32,
    /// Higher ones go first.
    #[arg(long, value_name = "N", default_value_t = 0, allow_negative_numbers = true, value_parser = clap::value_parser!(i8).range(-10..=10))]
    pub(super) priority: i8,
    /// Also at settings that no recheck has shown clean.
    #[arg(long)]
    pub(super) unchecked: bool,
    #[command(flatten)]
    pub(super) place: HubPlace,
    #[command(flatten)]
    pub(super) output: OutputArguments,
}

/// A grade as typed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum GradeNamed {
    Failed,
    Marginal,
    Inconclusive,
    Provisional,
    Proven,
}

impl From<GradeNamed> for Grade {
    fn from(named: GradeNamed) -> Self {
        match named {
            GradeNamed::Failed => Self::Failed,
            GradeNamed::Marginal => Self::Marginal,
            GradeNamed::Inconclusive => Self::Inconclusive,
            GradeNamed::Provisional => Self::Provisional,
            GradeNamed::Proven => Self::Proven,
        }
    }
}

/// Which results.
#[derive(Debug, Args)]
pub(in crate::cli) struct WhichResults {
    /// Of this machine.
    #[arg(long, value_name = "NAME")]
    pub(super) machine: Option<MachineName>,
    /// Of the machine with this serial number.
    #[arg(long, value_name = "TEXT")]
    pub(super) serial: Option<String>,
    /// From this day on, such as 2026-11-20.
    #[arg(long, value_name = "DATE")]
    pub(super) since: Option<String>,
    /// Of this grade.
    #[arg(long, value_name = "GRADE")]
    pub(super) grade: Option<GradeNamed>,
    /// Of machines with a part whose name contains this: processor, board, memory module.
    #[arg(long, value_name = "TEXT")]
    pub(super) part: Option<String>,
    /// Of this order.
    #[arg(long, value_name = "ID")]
    pub(super) order: Option<String>,
    /// Only the newest so many.
    #[arg(long, value_name = "N")]
    pub(super) most: Option<u32>,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct ResultsArguments {
    #[command(flatten)]
    pub(super) which: WhichResults,
    #[command(flatten)]
    pub(super) show: ShowArguments,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct DayArguments {
    /// The day, such as 2026-11-20 (default: today).
    #[arg(long, value_name = "DATE")]
    pub(super) day: Option<String>,
    /// Where to (default: standard output).
    #[arg(long, value_name = "FILE")]
    pub(super) to: Option<PathBuf>,
    #[command(flatten)]
    pub(super) place: HubPlace,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct SheetsArguments {
    /// The folder; it is made where it is not there.
    pub(super) folder: PathBuf,
    #[command(flatten)]
    pub(super) which: WhichResults,
    #[command(flatten)]
    pub(super) place: HubPlace,
}

#[derive(Debug, Args)]
pub(in crate::cli) struct BoardArguments {
    /// Show it again every second until interrupted.
    #[arg(long)]
    pub(super) follow: bool,
    #[command(flatten)]
    pub(super) show: ShowArguments,
}
