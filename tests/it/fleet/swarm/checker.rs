//! Compares what machines produced with what the hub holds.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;

use soakproof::fleet::floor::{Floor, Standing, parts_of_job};
use soakproof::fleet::hub::{Keep, KeptOutcome, Query};

use soakproof::fleet::protocol::{JobEnd, MachineName};
use soakproof::store::{Store, StoredRow};

use super::machine::{Disk, wall_now};
use super::records::Template;

/// What every machine remembers.
pub(crate) type Produced = BTreeMap<MachineName, Disk>;

/// What a hub has on disk.
#[derive(Debug, Clone, Default)]
pub(crate) struct Held {
    pub(crate) floor: Floor,
    pub(crate) outcomes: Vec<KeptOutcome>,
    /// Records by their number.
    pub(crate) records: BTreeMap<i64, Arc<Vec<StoredRow>>>,
}

impl Held {
    /// Reads a hub's folder, also while the hub runs.
    pub(crate) fn read(folder: &Path, machines: &[MachineName]) -> Self {
        let keep = Keep::open(folder).expect("opens");
        let store = Store::open(folder).expect("opens");
        let mut held = Self {
            floor: keep.floor(wall_now()).expect("read"),
            ..Self::default()
        };
        for machine in machines {
            let query = Query {
                machine: Some(machine.clone()),
                ..Query::default()
            };
            held.outcomes.extend(keep.outcomes(&query).expect("read"));
        }
        for number in held.outcomes.iter().filter_map(|kept| kept.number) {
            let rows = store.rows(number, -1, u32::MAX).expect("read");
            held.records.insert(number, Arc::new(rows));
        }
        held
    }
}

/// What is not as it was promised, as sentences.
pub(crate) fn check(produced: &Produced, held: &Held, templates: &[Template; 2]) -> Vec<String> {
    let mut complaints = Vec::new();
    results(produced, held, &mut complaints);
    records(produced, held, templates, &mut complaints);
    ends(produced, held, &mut complaints);
    complaints
}

/// Nothing acknowledged is lost, no result is there twice, none that nobody produced.
fn results(produced: &Produced, held: &Held, complaints: &mut Vec<String>) {
    let mut by_run: BTreeMap<&str, Vec<&KeptOutcome>> = BTreeMap::new();
    for kept in &held.outcomes {
        let run = kept.run.as_deref().unwrap_or(&kept.key);
        by_run.entry(run).or_default().push(kept);
    }
    let mut known = BTreeSet::new();
    for (machine, disk) in produced {
        for (id, told) in &disk.told {
            let Some(run) = &told.outcome.run else {
                continue;
            };
            known.insert(run.id.as_str());
            if let Some(why) = &told.refused {
                complaints.push(format!("{id} of {machine} was refused: {why}"));
            }
            let kept = by_run.get(run.id.as_str()).map_or(&[][..], Vec::as_slice);
            match kept {
                [] => {
                    let how = match (told.receipt, told.acknowledged) {
                        (Some(_), _) => "has a receipt",
                        (None, Some(_)) => "is acknowledged",
                        (None, None) => "was told",
                    };
                    complaints.push(format!("{id} of {machine} {how} and is not held"));
                }
                [kept] => {
                    let job = told.outcome.job.as_ref().map(|(job, _)| job);
                    let same = kept.machine == *machine
                        && kept.job.as_ref() == job
                        && kept.grade == Some(run.grade)
                        && kept.rows == Some(run.rows)
                        && kept.serial == told.outcome.serial
                        && kept.at == told.outcome.at;
                    if !same {
                        complaints.push(format!("{id} of {machine} is held otherwise: {kept:?}"));
                    }
                }
                [_, _, ..] => complaints.push(format!("{id} of {machine} is held twice")),
            }
            if told.receipt.is_none() {
                complaints.push(format!("{id} of {machine} never had its receipt"));
            }
        }
    }
    for (run, kept) in by_run {
        if !known.contains(run) {
            complaints.push(format!("{run} is held and nobody produced it: {kept:?}"));
        }
    }
}

/// Each record is there, row for row.
fn records(
    produced: &Produced,
    held: &Held,
    templates: &[Template; 2],
    complaints: &mut Vec<String>,
) {
    let told = produced.values().flat_map(|disk| disk.told.values());
    let which: BTreeMap<&str, usize> = told
        .filter_map(|told| Some((told.outcome.run.as_ref()?.id.as_str(), told.template)))
        .collect();
    for kept in &held.outcomes {
        let run = kept.run.as_deref().unwrap_or_default();
        let Some(template) = which.get(run) else {
            continue;
        };
        let rows = kept.number.and_then(|number| held.records.get(&number));
        if rows.is_none_or(|rows| **rows != templates[*template].rows(run)) {
            complaints.push(format!("the record of {run} is not what was sent"));
        }
    }
}

/// Every job that was ordered has ended, once, as the machine says, and no order is open.
fn ends(produced: &Produced, held: &Held, complaints: &mut Vec<String>) {
    for order in held.floor.orders() {
        for machine in &order.to {
            match held.floor.standing(order, machine) {
                Standing::Done { .. } | Standing::Cancelled => {}
                open
                @ (Standing::Next { .. } | Standing::Out { .. } | Standing::GivenUp { .. }) => {
                    complaints.push(format!("{} at {machine} is {open:?}", order.id));
                }
            }
        }
    }
    let mut of_job: BTreeMap<&str, u32> = BTreeMap::new();
    for kept in &held.outcomes {
        if let Some(job) = &kept.job {
            *of_job.entry(job).or_default() += 1;
        }
    }
    for (job, count) in of_job.iter().filter(|(_, count)| **count > 1) {
        complaints.push(format!("{job} has {count} results"));
    }
    for (machine, disk) in produced {
        for (job, here) in &disk.jobs {
            let ordered = parts_of_job(job).is_some_and(|(order, of, _)| {
                let order = held.floor.order(order);
                of == *machine && order.is_some_and(|(_, order)| order.to.contains(machine))
            });
            if !ordered || !held.floor.was_sent(job) {
                complaints.push(format!("{job} came to {machine} and was not sent there"));
            }
            let there = held.floor.end_of(job).map(|known| known.end.clone());
            let told = here.outcome.as_ref().and_then(|id| disk.told.get(id));
            let grade = told.and_then(|told| Some(told.outcome.run.as_ref()?.grade));
            let here = grade.map(|grade| JobEnd::Judged { grade });
            if here.is_none() || here != there {
                complaints.push(format!(
                    "{job} ended as {here:?} at {machine}, {there:?} at the hub"
                ));
            }
        }
    }
}
