//! What is known of the shop: machines, circuits, orders, what was sent and how it ended. Pure.
//!
//! Everything heard is merged so that neither order nor repetition matters: the latest word on a machine or
//! a circuit stands (by stamp), orders and cancels only ever come to be there, and of two ends of one job
//! the same one counts everywhere. So two hubs, or one that begins anew, come to the same floor.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::protocol::{
    Circuit, DeskEntry, DeskNote, JobEnd, MachineName, Order, Outcome, Registration, Stamp,
};
use crate::model::{Grade, Wall};

/// Most runs that one order may ask of one machine, re-tests included.
pub const MOST_ROUNDS: u32 = 100;

/// The end of a job, and the outcome that told it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KnownEnd {
    /// How.
    pub end: JobEnd,
    /// Id of the outcome.
    pub outcome: String,
}

/// How an order stands at one machine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// This job is to be sent.
    Next {
        /// Its id.
        job: String,
    },
    /// This job was sent and has not ended.
    Out {
        /// Its id.
        job: String,
    },
    /// All rounds that were asked for have ended; so many of them failed.
    Done {
        /// Failed rounds.
        failures: u32,
    },
    /// A round was refused or could not be run.
    GivenUp {
        /// Why.
        why: String,
    },
    /// Taken back.
    Cancelled,
}

impl Standing {
    /// Whether more is to come.
    pub fn is_open(&self) -> bool {
        matches!(self, Self::Next { .. } | Self::Out { .. })
    }
}

/// Place of an order among others: higher priorities first, then as they were given.
type Turn = (Reverse<i8>, Stamp);

/// The shop.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Floor {
    /// Orders given before this instant are over.
    since: Wall,
    machines: BTreeMap<MachineName, (Stamp, Registration)>,
    circuits: BTreeMap<String, (Stamp, Circuit)>,
    /// Shared, not copied, each time that one is looked at: it may go to a thousand machines.
    orders: BTreeMap<String, (Stamp, Arc<Order>)>,
    /// By order: the machines for which it was taken back, or none for all of them.
    cancels: BTreeMap<String, BTreeSet<Option<MachineName>>>,
    sent: BTreeSet<String>,
    ends: BTreeMap<String, KnownEnd>,
    /// Ids of the orders that are open at each machine. Follows from the rest, and is kept because most orders
    /// are over, and all machines are looked at twice a second.
    open: BTreeMap<MachineName, BTreeMap<Turn, String>>,
}

/// Id of the job of `order` for `machine`, in this round (from 1). Every hub makes the same.
pub fn job_id(order: &str, machine: &MachineName, round: u32) -> String {
    format!("{order}/{machine}/{round}")
}

/// Order, machine and round of a job.
pub fn parts_of_job(job: &str) -> Option<(&str, MachineName, u32)> {
    let mut parts = job.splitn(3, '/');
    let order = parts.next()?;
    let machine = parts.next()?.parse().ok()?;
    Some((order, machine, parts.next()?.parse().ok()?))
}

/// Replaces what is known under `key` by what has a later stamp.
fn put_latest<K: Ord, V>(known: &mut BTreeMap<K, (Stamp, V)>, key: K, stamp: &Stamp, value: V) {
    let older = known.get(&key).is_none_or(|(before, _)| before < stamp);
    if older {
        known.insert(key, (stamp.clone(), value));
    }
}

impl Floor {
    /// A shop of which nothing is known, where orders count that were given since then.
    pub fn since(since: Wall) -> Self {
        Self {
            since,
            ..Self::default()
        }
    }

    /// Takes in what was said at the desk.
    pub fn hear(&mut self, note: &DeskNote) {
        let stamp = &note.stamp;
        match &note.entry {
            DeskEntry::Machine(machine) => {
                let name = machine.name.clone();
                put_latest(&mut self.machines, name, stamp, machine.clone());
            }
            DeskEntry::Circuit(circuit) => {
                let name = circuit.name.clone();
                put_latest(&mut self.circuits, name, stamp, circuit.clone());
            }
            DeskEntry::Order(order) => {
                let mut order = order.clone();
                order.repeat = order.repeat.clamp(1, MOST_ROUNDS);
                order.again_after_failure = order.again_after_failure.min(MOST_ROUNDS);
                let id = order.id.clone();
                let before = self.orders.get(&id).cloned();
                put_latest(&mut self.orders, id.clone(), stamp, Arc::from(order));
                if let Some((stamp, before)) = before {
                    self.close(&before.to, &(Reverse(before.priority), stamp));
                }
                self.look_at_order(&id, None);
            }
            DeskEntry::Cancel { order, machine } => {
                let cancelled = self.cancels.entry(order.clone()).or_default();
                cancelled.insert(machine.clone());
                self.look_at_order(order, machine.as_ref());
            }
            // Of an order that is over: it decides nothing, and there are very many.
            DeskEntry::Sent { .. } if stamp.at < self.since => {}
            DeskEntry::Sent { job } => {
                self.sent.insert(job.clone());
                // What was sent before it was taken back is still out.
                if let Some((order, machine, _)) = parts_of_job(job)
                    && self.is_cancelled(order, &machine)
                {
                    self.look_at_order(order, Some(&machine));
                }
            }
            DeskEntry::Withdrawn { job } => {
                let end = JobEnd::NotRun {
                    why: "taken back before it reached the machine".to_owned(),
                };
                let outcome = format!("{job}.withdrawn");
                self.know_end(job, KnownEnd { end, outcome });
            }
        }
    }

    /// Takes in what came of a job.
    pub fn end(&mut self, outcome: &Outcome) {
        if let Some((job, end)) = &outcome.job {
            let known = KnownEnd {
                end: end.clone(),
                outcome: outcome.id.clone(),
            };
            self.know_end(job, known);
        }
    }

    /// The end of `job`. A run that was judged counts for more than a job without one; of a run and its
    /// revision, the lower grade.
    pub fn know_end(&mut self, job: &str, end: KnownEnd) {
        let weight = |known: &KnownEnd| match &known.end {
            JobEnd::Judged { grade } => (0, Some(*grade), known.outcome.clone()),
            JobEnd::CutShort => (1, None, known.outcome.clone()),
            JobEnd::Refused => (2, None, known.outcome.clone()),
            JobEnd::NotRun { .. } => (3, None, known.outcome.clone()),
        };
        let counts = self
            .ends
            .get(job)
            .is_none_or(|before| weight(&end) < weight(before));
        if counts {
            self.ends.insert(job.to_owned(), end);
            if let Some((order, machine, _)) = parts_of_job(job) {
                self.look_at_order(order, Some(&machine));
            }
        }
    }

    /// Looks whether an order is open, at one of its machines or at all of them.
    fn look_at_order(&mut self, id: &str, only: Option<&MachineName>) {
        let Some((stamp, order)) = self.orders.get(id).cloned() else {
            return;
        };
        let turn = (Reverse(order.priority), stamp);
        let here = order
            .to
            .iter()
            .filter(|machine| only.is_none_or(|only| only == *machine));
        for machine in here {
            if self.standing(&order, machine).is_open() {
                let open = self.open.entry(machine.clone()).or_default();
                open.insert(turn.clone(), id.to_owned());
            } else {
                self.close(std::slice::from_ref(machine), &turn);
            }
        }
    }

    fn close(&mut self, machines: &[MachineName], turn: &Turn) {
        for machine in machines {
            if let Some(open) = self.open.get_mut(machine) {
                open.remove(turn);
                if open.is_empty() {
                    self.open.remove(machine);
                }
            }
        }
    }

    /// How `order` stands at `machine`.
    pub fn standing(&self, order: &Order, machine: &MachineName) -> Standing {
        let cancelled = self.is_cancelled(&order.id, machine);
        let given = self.orders.get(&order.id).map(|(stamp, _)| stamp.at);
        if given.is_some_and(|given| given < self.since) {
            let why = "it was given long ago, and is over".to_owned();
            return Standing::GivenUp { why };
        }
        let (mut done, mut failures) = (0, 0);
        for round in 1..=2 * MOST_ROUNDS {
            let job = job_id(&order.id, machine, round);
            match self.end_of(&job).map(|known| &known.end) {
                None if self.was_sent(&job) => return Standing::Out { job },
                None if cancelled => return Standing::Cancelled,
                None => return Standing::Next { job },
                Some(JobEnd::Judged { grade }) if *grade != Grade::Failed => done += 1,
                Some(JobEnd::Judged { .. } | JobEnd::CutShort) => failures += 1,
                Some(JobEnd::Refused) => {
                    let why = "refused at the machine".to_owned();
                    return Standing::GivenUp { why };
                }
                Some(JobEnd::NotRun { why }) => return Standing::GivenUp { why: why.clone() },
            }
            // A machine that failed more often than it may is not asked again.
            if done >= order.repeat || failures > order.again_after_failure {
                return Standing::Done { failures };
            }
        }
        Standing::Done { failures }
    }

    /// The orders that are open at `machine`, as they are due.
    pub fn open_orders(&self, machine: &MachineName) -> impl Iterator<Item = &Order> {
        let open = self.open.get(machine).into_iter().flatten();
        open.filter_map(|(_, id)| self.order(id).map(|(_, order)| order))
    }

    /// Machines by name, also those whose credentials were taken back.
    pub fn machines(&self) -> impl Iterator<Item = &Registration> {
        self.machines.values().map(|(_, machine)| machine)
    }

    /// The machine of this name.
    pub fn machine(&self, name: &MachineName) -> Option<&Registration> {
        self.machines.get(name).map(|(_, machine)| machine)
    }

    /// The circuits that something was said of.
    pub fn circuits(&self) -> impl Iterator<Item = &Circuit> {
        self.circuits.values().map(|(_, circuit)| circuit)
    }

    /// The circuit of this name.
    pub fn circuit(&self, name: &str) -> Option<&Circuit> {
        self.circuits.get(name).map(|(_, circuit)| circuit)
    }

    /// Orders, higher priorities first, then in the order in which they were given.
    pub fn orders(&self) -> Vec<&Order> {
        let mut orders: Vec<_> = self.orders.values().collect();
        orders.sort_by_key(|(stamp, order)| (Reverse(order.priority), stamp.clone()));
        orders.into_iter().map(|(_, order)| &**order).collect()
    }

    /// The order of this id, and its stamp.
    pub fn order(&self, id: &str) -> Option<(&Stamp, &Order)> {
        self.orders.get(id).map(|(stamp, order)| (stamp, &**order))
    }

    /// Whether the order was taken back, for this machine.
    pub fn is_cancelled(&self, order: &str, machine: &MachineName) -> bool {
        let Some(cancelled) = self.cancels.get(order) else {
            return false;
        };
        cancelled.contains(&None) || cancelled.contains(&Some(machine.clone()))
    }

    /// Whether a hub put this job into its mailbox.
    pub fn was_sent(&self, job: &str) -> bool {
        self.sent.contains(job)
    }

    /// The end of this job, once it is known.
    pub fn end_of(&self, job: &str) -> Option<&KnownEnd> {
        self.ends.get(job)
    }
}
