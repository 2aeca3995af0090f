//! What is known of the shop: machines, circuits, orders, what was sent and how it ended. Pure.
//!
//! Everything heard is merged so that neither order nor repetition matters: the latest word on a machine or
//! a circuit stands (by stamp), orders and cancels only ever come to be there, and of two ends of one job
//! the same one counts everywhere. So two hubs, or one that begins anew, come to the same floor.

use std::collections::{BTreeMap, BTreeSet};

use super::protocol::{
    Circuit, DeskEntry, DeskNote, JobEnd, MachineName, Order, Outcome, Registration, Stamp,
};

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

/// The shop.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Floor {
    machines: BTreeMap<MachineName, (Stamp, Registration)>,
    circuits: BTreeMap<String, (Stamp, Circuit)>,
    orders: BTreeMap<String, (Stamp, Order)>,
    cancels: BTreeSet<(String, Option<MachineName>)>,
    sent: BTreeSet<String>,
    ends: BTreeMap<String, KnownEnd>,
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
                put_latest(&mut self.orders, order.id.clone(), stamp, *order);
            }
            DeskEntry::Cancel { order, machine } => {
                self.cancels.insert((order.clone(), machine.clone()));
            }
            DeskEntry::Sent { job } => {
                self.sent.insert(job.clone());
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
        }
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
        let mut orders: Vec<&(Stamp, Order)> = self.orders.values().collect();
        orders.sort_by_key(|(stamp, order)| (std::cmp::Reverse(order.priority), stamp.clone()));
        orders.into_iter().map(|(_, order)| order).collect()
    }

    /// The order of this id, and its stamp.
    pub fn order(&self, id: &str) -> Option<(&Stamp, &Order)> {
        self.orders.get(id).map(|(stamp, order)| (stamp, order))
    }

    /// Whether the order was taken back, for this machine.
    pub fn is_cancelled(&self, order: &str, machine: &MachineName) -> bool {
        let all = (order.to_owned(), None);
        let one = (order.to_owned(), Some(machine.clone()));
        self.cancels.contains(&all) || self.cancels.contains(&one)
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
