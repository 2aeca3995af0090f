//! Which job goes out next: orders, machines, results and signs of life in, jobs out. Pure.
//!
//! A machine gets its orders one after the other, one job at a time, and only while it shows signs of life.
//! A circuit bears so many machines under load at once. A round that failed is followed by another one as
//! often as the order says; then the order is over for that machine.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use super::floor::{Floor, MOST_ROUNDS, job_id};
use super::protocol::{JobEnd, JobMessage, MachineName, Order};
use crate::model::{Grade, Mono};

/// Machines of one circuit that vanish within this span lost their power, not their stability.
pub const TOGETHER: Duration = Duration::from_secs(5);

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

/// How `order` stands at `machine`.
pub fn standing(floor: &Floor, order: &Order, machine: &MachineName) -> Standing {
    let cancelled = floor.is_cancelled(&order.id, machine);
    let (mut done, mut failures) = (0, 0);
    for round in 1..=2 * MOST_ROUNDS {
        let job = job_id(&order.id, machine, round);
        match floor.end_of(&job).map(|known| &known.end) {
            None if floor.was_sent(&job) => return Standing::Out { job },
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

/// The order at which a machine is, and how it stands there.
pub fn present_order<'f>(floor: &'f Floor, machine: &MachineName) -> Option<(&'f Order, Standing)> {
    let orders = floor.orders().into_iter();
    let mut of_machine = orders.filter(|order| order.to.contains(machine));
    let open = of_machine.by_ref().filter_map(|order| {
        let standing = standing(floor, order, machine);
        let open = matches!(standing, Standing::Next { .. } | Standing::Out { .. });
        open.then_some((order, standing))
    });
    // What was sent comes before what is to be sent, also where a higher order came meanwhile.
    let mut open: Vec<(&Order, Standing)> = open.collect();
    let out = open
        .iter()
        .position(|(_, standing)| matches!(standing, Standing::Out { .. }));
    match out {
        Some(place) => Some(open.swap_remove(place)),
        None => open.into_iter().next(),
    }
}

/// What the machines' signs of life say.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Seen {
    /// It was heard lately.
    pub present: bool,
    /// It puts load on, for whomever.
    pub loaded: bool,
}

/// The jobs that are to go out now.
pub fn next_jobs(floor: &Floor, seen: &BTreeMap<MachineName, Seen>) -> Vec<JobMessage> {
    let mut loads: BTreeMap<&str, u32> = BTreeMap::new();
    let mut candidates = Vec::new();
    for machine in floor.machines() {
        let here = seen.get(&machine.name).copied().unwrap_or_default();
        let present = present_order(floor, &machine.name);
        let out = matches!(present, Some((_, Standing::Out { .. })));
        if let Some(circuit) = &machine.circuit {
            *loads.entry(circuit).or_default() += u32::from(out || here.loaded);
        }
        if let Some((order, Standing::Next { job })) = present
            && here.present
            && machine.enrolled
        {
            candidates.push((machine, order, job, here.loaded));
        }
    }
    candidates.sort_by_key(|(_, order, ..)| {
        let given = floor.order(&order.id).map(|(stamp, _)| stamp.clone());
        (std::cmp::Reverse(order.priority), given)
    });
    let mut jobs = Vec::new();
    for (machine, order, job, loaded) in candidates {
        if let Some(name) = &machine.circuit {
            let circuit = floor.circuit(name);
            let most = circuit.and_then(|circuit| circuit.most);
            let held = circuit.is_some_and(|circuit| circuit.held.is_some());
            let load = loads.entry(name).or_default();
            // One that is under load already is counted.
            if held || most.is_some_and(|most| *load + u32::from(!loaded) > most) {
                continue;
            }
            *load += u32::from(!loaded);
        }
        jobs.push(message(order, &machine.name, job));
    }
    jobs
}

/// A job of `order` as it goes into the mailbox.
pub fn message(order: &Order, machine: &MachineName, id: String) -> JobMessage {
    JobMessage {
        id,
        machine: machine.clone(),
        wish: order.wish.clone(),
        conditions: order.conditions.clone(),
        priority: order.priority,
        asked_by: order.by.clone(),
    }
}

/// Circuits on which at least two machines vanished in mid-job within [`TOGETHER`], with their names.
pub fn lost_together(
    floor: &Floor,
    vanished: &BTreeMap<MachineName, Mono>,
) -> Vec<(String, BTreeSet<MachineName>)> {
    let mut by_circuit: BTreeMap<&str, Vec<(Mono, &MachineName)>> = BTreeMap::new();
    for (name, at) in vanished {
        let machine = floor.machine(name);
        if let Some(circuit) = machine.and_then(|machine| machine.circuit.as_deref()) {
            by_circuit.entry(circuit).or_default().push((*at, name));
        }
    }
    let mut lost = Vec::new();
    for (circuit, mut machines) in by_circuit {
        machines.sort();
        let near = machines
            .iter()
            .zip(machines.iter().skip(1))
            .filter(|((one, _), (other, _))| other.since(*one) <= TOGETHER);
        let names: BTreeSet<MachineName> = near
            .flat_map(|((_, one), (_, other))| [(*one).clone(), (*other).clone()])
            .collect();
        if !names.is_empty() {
            lost.push((circuit.to_owned(), names));
        }
    }
    lost
}
