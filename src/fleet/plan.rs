//! Which job goes out next: orders, machines, results and signs of life in, jobs out. Pure.
//!
//! A machine gets its orders one after the other, one job at a time, and only while it shows signs of life.
//! A circuit bears so many machines under load at once. A round that failed is followed by another one as
//! often as the order says; then the order is over for that machine.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use super::floor::{Floor, Standing};
use super::protocol::{JobMessage, MachineName, Order};
use crate::model::Mono;

/// Machines of one circuit that vanish within this span lost their power, not their stability.
pub const TOGETHER: Duration = Duration::from_secs(5);

/// The order at which a machine is, and how it stands there.
pub fn present_order<'f>(floor: &'f Floor, machine: &MachineName) -> Option<(&'f Order, Standing)> {
    let mut next = None;
    for order in floor.open_orders(machine) {
        let standing = floor.standing(order, machine);
        // What was sent comes before what is to be sent, also where a higher order came meanwhile.
        if matches!(standing, Standing::Out { .. }) {
            return Some((order, standing));
        }
        next.get_or_insert((order, standing));
    }
    next
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
