//! What is learnt about a run after it ended without a word of its own: what the machine tells of how it
//! went down, and what a person knows of it.

use serde::{Deserialize, Serialize};

use super::finding::Severity;
use super::time::Moment;

/// Somebody asked a run to end before it had come to its end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct StopMark {
    /// When.
    pub at: Moment,
    /// True when the machine itself was being shut down in an orderly way.
    pub shutdown: bool,
}

/// One thing that the machine tells of how it, or the program on it, went down.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Trace {
    /// What a watchdog tells of the start of the machine.
    Watchdog {
        /// Name of the device.
        device: String,
        /// Flags `WDIOF_*` of Linux include/uapi/linux/watchdog.h.
        flags: u32,
    },
    /// The kernel's last words in a panic.
    Panic {
        /// Where they were kept.
        source: String,
        /// The message.
        text: String,
    },
    /// The kernel saw a processor or a task stand still.
    LockUp {
        /// Where it was kept.
        source: String,
        /// The message.
        text: String,
    },
    /// The hardware reported an error after the last heartbeat.
    Hardware {
        /// Where it was kept.
        source: String,
        /// How bad.
        severity: Severity,
        /// The message.
        text: String,
    },
    /// The machine was shut down in an orderly way.
    OrderlyShutdown {
        /// Where it was kept.
        source: String,
        /// What it says.
        text: String,
    },
    /// The system ended this program, or saw it crash.
    ProgramEnded {
        /// Where it was kept.
        source: String,
        /// The message.
        text: String,
    },
}

impl Trace {
    /// Where it was kept, and what it says; none for the flags of a watchdog.
    pub fn quote(&self) -> Option<(&str, &str)> {
        match self {
            Self::Watchdog { .. } => None,
            Self::Panic { source, text }
            | Self::LockUp { source, text }
            | Self::Hardware { source, text, .. }
            | Self::OrderlyShutdown { source, text }
            | Self::ProgramEnded { source, text } => Some((source, text)),
        }
    }
}

/// A place that can tell how a machine went down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Witness {
    /// The journal of the boot in which the run was made.
    Journal,
    /// What the kernel keeps over a restart.
    KeptRecords,
    /// The status that watchdogs keep of the last start.
    Watchdog,
    /// The record of starts and shutdowns.
    BootRecord,
}

/// What was found when a run that nobody had ended was looked at again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Aftermath {
    /// When it was gathered, on the clocks of the boot that gathered it.
    pub at: Moment,
    /// Boot that gathered it; the run's own means that only the program had ended.
    pub boot_id: String,
    /// How often the machine was started after the last heartbeat, where that is known.
    pub starts: Option<u32>,
    /// What was found.
    pub traces: Vec<Trace>,
    /// Places that could be asked.
    pub asked: Vec<Witness>,
    /// Places that could not be asked, each with the reason.
    pub silent: Vec<(Witness, String)>,
}

/// What a person knows about the end of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum NotedCause {
    /// The mains failed, or somebody took the power away.
    PowerCut,
    /// Somebody pressed the reset or the power button.
    Button,
    /// Something else, told in the text.
    Other,
}

/// A person's word on a run; it stands beside the grade and never changes it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// When it was said.
    pub at: Moment,
    /// What ended the run, if that is what the note is about.
    pub cause: Option<NotedCause>,
    /// Free words.
    pub text: String,
}
