//! The command line as typed.

use std::path::PathBuf;
use std::time::Duration;

use clap::{Args, Parser, Subcommand, ValueEnum};

use super::ledger_arguments::{
    AdviseArguments, ChangeArguments, GoodArguments, LedgerArguments, SettingArguments,
};
use crate::form::parse_duration;
use crate::os::Root;

/// Proves that a tuned machine computes without mistakes and stays cool.
///
/// Puts checked load on every core, watches temperatures, clocks and voltages, and ends with a
/// graded verdict. It never changes a setting. The load makes heat and draws power, and an unstable
/// machine can lose data: save your work, mind the maker's limits, stay near on the first run.
#[derive(Debug, Parser)]
#[command(name = "soakproof", version, max_term_width = 100)]
pub(super) struct Arguments {
    #[command(subcommand)]
    pub(super) command: Command,
}

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Run a suite on this machine and judge it.
    Run(RunArguments),
    /// Look on at a run that is under way.
    Watch(WatchArguments),
    /// Show the verdict and the evidence of a run.
    Report(ReportArguments),
    /// Put two or more runs side by side.
    Compare(CompareArguments),
    /// Write a run into a file: its whole record, or its readings for a spreadsheet.
    Export(ExportArguments),
    /// Take in runs that were exported elsewhere, and grade them again.
    Import(ImportArguments),
    /// List the runs on record, check them, close those that were cut short, or say what you know of one.
    Runs(RunsArguments),
    /// Show the queue of the service, or alter it.
    Queue(QueueArguments),
    /// Be the service: start what is queued when its time has come, one run at a time, until a signal
    /// ends it.
    Serve(ServeArguments),
    /// Declare what you tune, or list it.
    Setting(SettingArguments),
    /// Declare that you changed a setting, or take it back.
    Change(ChangeArguments),
    /// List the changes with the verdict that each led to.
    Changes(LedgerArguments),
    /// Name the present settings as good, list such profiles, compare two.
    Good(GoodArguments),
    /// Say which value to try next, or how long a run must be for a claim.
    Advise(AdviseArguments),
    /// Hold a run against earlier ones of its suite at the same settings: cooling, plateau, error rate.
    Trend(TrendArguments),
    /// Show what this machine lets itself be read, what is missing, why, and what would help.
    Instruments(InstrumentArguments),
    /// List the built-in suites, or show one as it is written.
    Suites(SuiteArguments),
    /// List the kernels with the units that they load.
    Kernels(OutputArguments),
    /// Show what was told to whom, what waits and what was given up; try it out, try again.
    Notices(NoticeArguments),
    /// Check the configuration, or show an example with every key.
    #[command(subcommand)]
    Config(ConfigCommand),
    /// Write man pages and shell completions into a folder; for those who build packages.
    #[command(hide = true)]
    Manual(ManualArguments),
    /// Show how near each kernel comes to what this machine can do at all, and the clock under it.
    ///
    /// Puts full load on every core for less than a minute, with the usual cautions.
    Measure(MeasureArguments),
    /// Compute as told by a supervisor.
    #[command(hide = true)]
    Worker,
}

#[derive(Debug, Args)]
pub(super) struct OutputArguments {
    /// Print JSON instead of text.
    #[arg(long)]
    pub(super) json: bool,
}

/// Where the record is, for commands whose answer has one form.
#[derive(Debug, Args)]
pub(super) struct PlaceArguments {
    /// Folder of the record (default: the user's state folder).
    #[arg(long, value_name = "DIR", env = "SOAKPROOF_STORE")]
    pub(super) store: Option<PathBuf>,
    /// Socket of the service (default: your own service's, else the machine's).
    #[arg(long, value_name = "PATH", env = "SOAKPROOF_SOCKET")]
    pub(super) socket: Option<PathBuf>,
}

impl PlaceArguments {
    /// The same for what serves commands of every kind.
    pub(super) fn as_store(&self) -> StoreArguments {
        StoreArguments {
            store: self.store.clone(),
            socket: self.socket.clone(),
            output: OutputArguments { json: false },
        }
    }
}

#[derive(Debug, Args)]
pub(super) struct StoreArguments {
    /// Folder of the record (default: the user's state folder).
    #[arg(long, value_name = "DIR", env = "SOAKPROOF_STORE")]
    pub(super) store: Option<PathBuf>,
    /// Socket of the service (default: your own service's, else the machine's).
    #[arg(long, value_name = "PATH", env = "SOAKPROOF_SOCKET")]
    pub(super) socket: Option<PathBuf>,
    #[command(flatten)]
    pub(super) output: OutputArguments,
}

#[derive(Debug, Args)]
pub(super) struct ManualArguments {
    /// Where to.
    pub(super) folder: PathBuf,
}

#[derive(Debug, Args)]
pub(super) struct ConfigArguments {
    /// Configuration file (default: /etc/soakproof/soakproof.toml for root, else
    /// ~/.config/soakproof/soakproof.toml).
    #[arg(long, value_name = "FILE", env = "SOAKPROOF_CONFIG", global = true)]
    pub(super) config: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
pub(super) enum ConfigCommand {
    /// Tell every mistake of the configuration, with line and column and what would be right.
    Check {
        /// The file (default: where the configuration is looked for).
        #[arg(env = "SOAKPROOF_CONFIG")]
        file: Option<PathBuf>,
    },
    /// Print an example with every key.
    Example,
}

#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct NoticeArguments {
    #[command(subcommand)]
    pub(super) command: Option<NoticeCommand>,
    #[command(flatten)]
    pub(super) config: ConfigArguments,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Subcommand)]
pub(super) enum NoticeCommand {
    /// Send a trial notice to every target, or to one.
    Test {
        /// Name of the target.
        name: Option<String>,
    },
    /// Try again to deliver a notice that waits or was given up.
    Retry {
        /// Id of the notice, or its beginning.
        id: String,
    },
    /// Send the notices of a record until ended; the part of the service that needs the network.
    #[command(hide = true)]
    Deliver,
}

#[derive(Debug, Args)]
pub(super) struct MachineArguments {
    /// Read sensors from a folder shaped like a machine instead of from this one; the run is stamped
    /// as simulated.
    #[arg(long, value_name = "DIR", env = "SOAKPROOF_MACHINE")]
    pub(super) machine: Option<PathBuf>,
}

impl MachineArguments {
    pub(super) fn root(&self) -> Root {
        self.machine
            .as_ref()
            .map_or_else(Root::real, Root::simulated)
    }
}

/// Lowest grade that counts as success.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum Required {
    /// Only `proven`.
    Proven,
}

/// What to run, and what is declared about the machine.
#[derive(Debug, Args)]
pub(super) struct SuiteNamed {
    /// Name of a built-in suite, or the path of a suite file.
    pub(super) suite: String,
    /// Start a long suite although no processor temperature can be read.
    #[arg(long)]
    pub(super) without_thermometer: bool,
    /// Core clock that was set, in MHz, for loads without wide vectors (default: by the declared
    /// settings).
    #[arg(long, value_name = "MHZ")]
    pub(super) clock: Option<f64>,
    /// Core clock that was set for wide-vector loads, in MHz.
    #[arg(long, value_name = "MHZ")]
    pub(super) wide_clock: Option<f64>,
    /// Core clock that was set for efficiency cores, in MHz, where the processor mixes kinds.
    #[arg(long, value_name = "MHZ")]
    pub(super) efficiency_clock: Option<f64>,
    /// Air temperature in degrees Celsius.
    #[arg(long, value_name = "CELSIUS", allow_negative_numbers = true)]
    pub(super) ambient: Option<f64>,
    /// Air temperature on the hottest day that it is to stand, in degrees Celsius; the verdict tells the
    /// headroom there (default: the suite's).
    #[arg(long, value_name = "CELSIUS", allow_negative_numbers = true)]
    pub(super) hottest_day: Option<f64>,
    /// The chip maker's temperature limit in degrees Celsius; replaces the chip's own for the stop.
    #[arg(long, value_name = "CELSIUS")]
    pub(super) maker_limit: Option<f64>,
    /// Words to keep with the run.
    #[arg(long, default_value = "")]
    pub(super) note: String,
}

#[derive(Debug, Args)]
pub(super) struct RunArguments {
    #[command(flatten)]
    pub(super) named: SuiteNamed,
    /// Print what would be run, where and for how long; start nothing.
    #[arg(long)]
    pub(super) dry_run: bool,
    /// Let the machine's own watchdog reset it when it, or this program, stands still during the run.
    ///
    /// A machine that hangs is restarted without anybody near, and unsaved work on it is lost.
    #[arg(long)]
    pub(super) watchdog: bool,
    /// Tell the course in lines, also on a terminal that could show a full screen.
    #[arg(long)]
    pub(super) lines: bool,
    /// Let anything below this grade end with exit code 5.
    #[arg(long, value_name = "GRADE")]
    pub(super) require: Option<Required>,
    #[command(flatten)]
    pub(super) machine: MachineArguments,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct QueueArguments {
    #[command(subcommand)]
    pub(super) command: Option<QueueCommand>,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Subcommand)]
pub(super) enum QueueCommand {
    /// Put a suite into the queue.
    Add(Box<AddArguments>),
    /// Bring a waiting job to another place among those that wait.
    Move {
        /// Its number.
        job: i64,
        /// Its new place, from 1.
        place: usize,
        #[command(flatten)]
        store: StoreArguments,
    },
    /// Take a waiting job out, also one that is about to start; one that runs ends with a verdict.
    Cancel {
        /// Its number.
        job: i64,
        #[command(flatten)]
        store: StoreArguments,
    },
    /// Let nothing start until `queue resume`; a run under way goes on.
    Pause(StoreArguments),
    /// End the pause.
    Resume(StoreArguments),
    /// Let the queue go on after a reset has held it.
    Release(StoreArguments),
}

#[derive(Debug, Args)]
pub(super) struct AddArguments {
    #[command(flatten)]
    pub(super) named: SuiteNamed,
    /// Not before this time: `22:00`, or with a date, `2026-11-30T22:00`.
    #[arg(long, value_name = "TIME")]
    pub(super) at: Option<String>,
    /// Only where the whole suite fits into this part of a day.
    #[arg(long, value_name = "22:00-07:00")]
    pub(super) window: Option<String>,
    /// Only when the machine has been idle for this long.
    #[arg(long, value_name = "10min", value_parser = parse_duration)]
    pub(super) when_idle: Option<Duration>,
    /// Only after the first boot after a declared change.
    #[arg(long)]
    pub(super) after_change: bool,
    /// Also an hour or more at settings that no `recheck` has shown clean.
    #[arg(long)]
    pub(super) unchecked: bool,
    /// Higher ones go first, -10 to 10.
    #[arg(long, default_value_t = 0, allow_negative_numbers = true)]
    pub(super) priority: i8,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Args)]
pub(super) struct ServeArguments {
    #[command(flatten)]
    pub(super) config: ConfigArguments,
    /// Send no notices; another process does (`soakproof notices deliver`).
    #[arg(long)]
    pub(super) without_notices: bool,
    /// How long a start that nobody may be looking at is announced before.
    #[arg(long, value_name = "TIME", default_value = "3min", value_parser = parse_duration)]
    pub(super) notice: Duration,
    /// How long after boot nothing starts by itself.
    #[arg(long, value_name = "TIME", default_value = "3min", value_parser = parse_duration)]
    pub(super) settle: Duration,
    #[command(flatten)]
    pub(super) machine: MachineArguments,
    /// Folder of the record (default: the user's state folder).
    #[arg(long, value_name = "DIR", env = "SOAKPROOF_STORE")]
    pub(super) store: Option<PathBuf>,
    /// Where to listen (default: `soakproof.sock` in `$RUNTIME_DIRECTORY`, else in `$XDG_RUNTIME_DIR`, else
    /// in `/run/soakproof`).
    #[arg(long, value_name = "PATH", env = "SOAKPROOF_SOCKET")]
    pub(super) socket: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct ReportArguments {
    /// `last`, a number, or the beginning of an id.
    #[arg(default_value = "last")]
    pub(super) run: String,
    /// Write a page with charts instead: one file, for any browser, without network and script.
    #[arg(long, value_name = "FILE")]
    pub(super) html: Option<PathBuf>,
    /// Write a sheet of one page for whoever gets the machine, with the digest of the record.
    #[arg(long, value_name = "FILE")]
    pub(super) sheet: Option<PathBuf>,
    /// Serial number of the machine, for the sheet.
    #[arg(long, value_name = "TEXT", requires = "sheet")]
    pub(super) serial: Option<String>,
    /// Hold a sheet against the record that it names, or every row of a run against its checksum, and show
    /// the digest.
    #[arg(long, value_name = "SHEET|RUN", conflicts_with_all = ["run", "html", "sheet"])]
    pub(super) verify: Option<String>,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Args)]
pub(super) struct WatchArguments {
    /// `last`, a number, or the beginning of an id.
    #[arg(default_value = "last")]
    pub(super) run: String,
    /// Tell the course in lines, also on a terminal that could show a full screen.
    #[arg(long)]
    pub(super) lines: bool,
    #[command(flatten)]
    pub(super) place: PlaceArguments,
}

#[derive(Debug, Args)]
pub(super) struct CompareArguments {
    /// Each `last`, a number, or the beginning of an id.
    #[arg(required = true, num_args = 2..=6, value_name = "RUN")]
    pub(super) runs: Vec<String>,
    /// Write a page with the courses laid over each other as well.
    #[arg(long, value_name = "FILE")]
    pub(super) html: Option<PathBuf>,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Args)]
pub(super) struct ExportArguments {
    /// `last`, a number, or the beginning of an id.
    #[arg(default_value = "last")]
    pub(super) run: String,
    /// The whole record as JSON Lines, which `import` takes in (this is the default).
    #[arg(long, conflicts_with = "csv")]
    pub(super) jsonl: bool,
    /// The readings alone as CSV, a line a sample, for spreadsheets.
    #[arg(long)]
    pub(super) csv: bool,
    /// Where to (default: standard output).
    #[arg(long, value_name = "FILE")]
    pub(super) to: Option<PathBuf>,
    #[command(flatten)]
    pub(super) place: PlaceArguments,
}

#[derive(Debug, Args)]
pub(super) struct ImportArguments {
    /// Files that `export` has written.
    #[arg(required = true)]
    pub(super) files: Vec<PathBuf>,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Args)]
pub(super) struct TrendArguments {
    /// `last`, a number, or the beginning of an id.
    #[arg(default_value = "last")]
    pub(super) run: String,
    /// Most earlier runs of the suite that are looked at.
    #[arg(long, value_name = "N", default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub(super) earlier: u32,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct RunsArguments {
    #[command(subcommand)]
    pub(super) action: Option<RunsAction>,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Subcommand)]
pub(super) enum RunsAction {
    /// Say what you know of a run; it stands beside the grade and never changes it.
    Note(NoteArguments),
    /// Hold every row of the record against its checksum and tell what is damaged.
    Check(CheckArguments),
    /// Close the runs that were cut short, with what the machine tells of it. Every run does this first.
    Close(CloseArguments),
}

/// What ended a run, as a person knows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum EndCause {
    /// The mains failed, or somebody took the power away.
    PowerCut,
    /// Somebody pressed the reset or the power button.
    Button,
    /// Something else; say what with --text.
    Other,
}

#[derive(Debug, Args)]
pub(super) struct NoteArguments {
    /// `last`, a number, or the beginning of an id.
    pub(super) run: String,
    /// What ended it.
    #[arg(long, value_name = "CAUSE", required_unless_present = "text")]
    pub(super) cause: Option<EndCause>,
    /// Words to keep with it.
    #[arg(long, default_value = "")]
    pub(super) text: String,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Args)]
pub(super) struct CheckArguments {
    /// `last`, a number, or the beginning of an id; without one, every run.
    pub(super) run: Option<String>,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Args)]
pub(super) struct CloseArguments {
    #[command(flatten)]
    pub(super) machine: MachineArguments,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Args)]
pub(super) struct InstrumentArguments {
    #[command(flatten)]
    pub(super) machine: MachineArguments,
    #[command(flatten)]
    pub(super) output: OutputArguments,
}

#[derive(Debug, Args)]
pub(super) struct MeasureArguments {
    /// About how long it may take, in seconds; more repeats, steadier figures.
    #[arg(long, value_name = "N", default_value_t = 40, value_parser = clap::value_parser!(u64).range(5..=600))]
    pub(super) seconds: u64,
    #[command(flatten)]
    pub(super) output: OutputArguments,
}

#[derive(Debug, Args)]
pub(super) struct SuiteArguments {
    /// Show the text of this suite.
    pub(super) name: Option<String>,
    #[command(flatten)]
    pub(super) output: OutputArguments,
}
