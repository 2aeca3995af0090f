//! The command line of the ledger as typed.

use clap::{Args, Subcommand, ValueEnum};

use super::arguments::{MachineArguments, StoreArguments};
use crate::model::{Harder, SettingKind};

#[derive(Debug, Args)]
pub(super) struct LedgerArguments {
    #[command(flatten)]
    pub(super) machine: MachineArguments,
    #[command(flatten)]
    pub(super) store: StoreArguments,
}

#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct SettingArguments {
    /// Name of the setting; without one all are listed.
    pub(super) name: Option<String>,
    /// What it is.
    #[arg(long, value_name = "KIND")]
    pub(super) kind: Option<KindArgument>,
    #[command(flatten)]
    pub(super) values: SettingValues,
    /// Direction in which it asks more of the machine, where the kind does not tell.
    #[arg(long, value_name = "DIRECTION")]
    pub(super) harder: Option<HarderArgument>,
    #[command(flatten)]
    pub(super) ledger: LedgerArguments,
    #[command(subcommand)]
    pub(super) command: Option<SettingCommand>,
}

#[derive(Debug, Clone, Args)]
pub(super) struct SettingValues {
    /// Present value; later ones are changes.
    #[arg(long, allow_negative_numbers = true)]
    pub(super) value: Option<String>,
    /// The maker's own value: the first run with all settings there is the baseline.
    #[arg(long, allow_negative_numbers = true)]
    pub(super) rated: Option<String>,
    /// Least value that you allow.
    #[arg(long, allow_negative_numbers = true)]
    pub(super) floor: Option<String>,
    /// Largest value that you allow, by the maker's figure; this program knows no safe one.
    #[arg(long, allow_negative_numbers = true)]
    pub(super) ceiling: Option<String>,
    /// Finest step (common practice: 5 mV, 100 MHz, 200 MT/s).
    #[arg(long)]
    pub(super) step: Option<String>,
    /// Step of the search while everything holds (common practice: 10 mV).
    #[arg(long)]
    pub(super) coarse: Option<String>,
    /// Added to what was found (common practice: 10 mV).
    #[arg(long)]
    pub(super) margin: Option<String>,
    /// Unit, for the kind `other`.
    #[arg(long)]
    pub(super) unit: Option<String>,
}

#[derive(Debug, Subcommand)]
pub(super) enum SettingCommand {
    /// Declare a set of settings to begin with: `desktop` or `memory`.
    Starter {
        /// Name of the set.
        set: String,
    },
}

/// A kind of setting on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct KindArgument(pub(super) SettingKind);

impl ValueEnum for KindArgument {
    fn value_variants<'a>() -> &'a [Self] {
        const ALL: [KindArgument; 12] = {
            let mut all = [KindArgument(SettingKind::Other); 12];
            let mut index = 0;
            while index < all.len() {
                all[index] = KindArgument(SettingKind::ALL[index]);
                index += 1;
            }
            all
        };
        &ALL
    }

    fn to_possible_value(&self) -> Option<clap::builder::PossibleValue> {
        Some(clap::builder::PossibleValue::new(self.0.word()))
    }
}

/// A direction on the command line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum HarderArgument {
    /// Larger values are harder to bear.
    Up,
    /// Smaller values are.
    Down,
}

impl From<HarderArgument> for Harder {
    fn from(argument: HarderArgument) -> Self {
        match argument {
            HarderArgument::Up => Self::Up,
            HarderArgument::Down => Self::Down,
        }
    }
}

#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct ChangeArguments {
    /// SETTING FROM TO; several of them only with --together.
    #[arg(allow_negative_numbers = true, value_name = "SETTING FROM TO")]
    pub(super) words: Vec<String>,
    /// Words to keep with the change.
    #[arg(long, default_value = "")]
    pub(super) note: String,
    /// Several settings at once, although a failure could then be put down to none of them.
    #[arg(long)]
    pub(super) together: bool,
    #[command(flatten)]
    pub(super) ledger: LedgerArguments,
    #[command(subcommand)]
    pub(super) command: Option<ChangeCommand>,
}

#[derive(Debug, Subcommand)]
pub(super) enum ChangeCommand {
    /// Take the newest change back.
    Undo,
    /// The newest change failed without any run.
    Failed {
        /// The machine did not start with it.
        #[arg(long, required = true)]
        no_boot: bool,
    },
}

#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct GoodArguments {
    /// Name for the present settings; without one the profiles are listed.
    pub(super) name: Option<String>,
    /// Slot of the firmware in which you keep them.
    #[arg(long)]
    pub(super) slot: Option<String>,
    #[command(flatten)]
    pub(super) ledger: LedgerArguments,
    #[command(subcommand)]
    pub(super) command: Option<GoodCommand>,
}

#[derive(Debug, Subcommand)]
pub(super) enum GoodCommand {
    /// List the profiles.
    List,
    /// Show in which settings two profiles differ.
    Diff {
        /// Name of the one.
        one: String,
        /// Name of the other.
        other: String,
    },
}

#[derive(Debug, Args)]
pub(super) struct AdviseArguments {
    /// The setting; without one that of the newest change.
    pub(super) setting: Option<String>,
    /// Checked time without an error after which a value counts as held.
    #[arg(long, value_name = "TIME", default_value = "2min")]
    pub(super) least: String,
    /// Suite to run after each change.
    #[arg(long, value_name = "SUITE", default_value = "recheck")]
    pub(super) short: String,
    /// Suite, with a claim, that decides in the end.
    #[arg(long, value_name = "SUITE", default_value = "overnight")]
    pub(super) long: String,
    #[command(flatten)]
    pub(super) length: LengthArguments,
    #[command(flatten)]
    pub(super) ledger: LedgerArguments,
}

#[derive(Debug, Args)]
pub(super) struct LengthArguments {
    /// Instead: how long a run must be to show this mean time between errors.
    #[arg(long, value_name = "TIME", conflicts_with = "setting")]
    pub(super) target: Option<String>,
    /// Confidence of the claim in percent.
    #[arg(
        long,
        value_name = "PERCENT",
        default_value_t = 95.0,
        requires = "target"
    )]
    pub(super) confidence: f64,
    /// Errors that may be seen in it.
    #[arg(long, value_name = "ERRORS", default_value_t = 0, requires = "target")]
    pub(super) allow: u64,
}
