//! What the hub's commands write down: who there is, and what is to be done.

use serde::{Deserialize, Serialize};

use crate::model::{Conditions, MachineName, RunWish, Wall};

/// Orders what is said of one thing: the latest word stands. Ids break ties, so that every hub comes to the
/// same.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Stamp {
    /// By the clock of whoever wrote it.
    pub at: Wall,
    /// Id of the note.
    pub id: String,
}

/// A machine, or the bench on which machines are put.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Registration {
    /// Its name.
    pub name: MachineName,
    /// The serial number that its results must bear; none for a bench, whose machines change.
    pub serial: Option<String>,
    /// Whose it is.
    pub owner: String,
    /// Words.
    pub note: String,
    /// Group, for orders to all of one.
    pub group: Option<String>,
    /// The power circuit on which it hangs.
    pub circuit: Option<String>,
    /// False once its credentials were taken back.
    pub enrolled: bool,
}

/// A suite for one or more machines.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Order {
    /// Its id.
    pub id: String,
    /// Machines, as they were when it was given.
    pub to: Vec<MachineName>,
    /// What to run.
    pub wish: RunWish,
    /// When each job may start.
    pub conditions: Conditions,
    /// Higher ones go first.
    pub priority: i8,
    /// How many runs, from 1.
    pub repeat: u32,
    /// How many more after runs that failed.
    pub again_after_failure: u32,
    /// Who gave it.
    pub by: String,
}

/// How much a power circuit bears.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Circuit {
    /// Its name.
    pub name: String,
    /// Most machines on it that may be under load at once; none: as many as there are.
    pub most: Option<u32>,
    /// Why nothing starts on it, until a person releases it.
    pub held: Option<String>,
}

/// What is said.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "desk")]
pub enum DeskEntry {
    /// A machine is so from now on.
    Machine(Registration),
    /// An order.
    Order(Box<Order>),
    /// An order is taken back, for one machine or for all of them.
    Cancel {
        /// Id of the order.
        order: String,
        /// Only there.
        machine: Option<MachineName>,
    },
    /// A circuit is so from now on.
    Circuit(Circuit),
    /// The acting hub puts a job into a mailbox.
    Sent {
        /// Id of the job.
        job: String,
    },
    /// The acting hub took a job out of its mailbox before the machine had it.
    Withdrawn {
        /// Id of the job.
        job: String,
    },
}

/// One word with its stamp.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DeskNote {
    /// When, and its id.
    pub stamp: Stamp,
    /// What.
    pub entry: DeskEntry,
}
