//! Nothing acknowledged is lost, no result is there twice, every job has one end: whatever is killed, cut off,
//! delivered twice, an hour off or flooded. Small here; `fleet::thousand` does the same with a thousand.

use std::time::Duration;

use soakproof::fleet::floor::job_id;
use soakproof::fleet::hub::KeptOutcome;
use soakproof::fleet::protocol::{DeskEntry, DeskNote, JobEnd, MachineName, Order, Outcome, Stamp};
use soakproof::model::{Conditions, Declared, RunWish, Wall};

use super::name;
use super::swarm::{Campaign, Disk, Held, JobHere, Plan, Produced, Template, Told, Trouble, check};

fn seconds(count: u64) -> Duration {
    Duration::from_secs(count)
}

/// Runs it and gives the complaints.
fn complaints_of(plan: Plan) -> Vec<String> {
    let Some(mut campaign) = Campaign::start(plan) else {
        return Vec::new();
    };
    campaign.order();
    campaign.go_through_trouble();
    let settled = campaign.settle();
    let mut complaints = campaign.complaints();
    if !settled {
        complaints.push("it never came to rest".to_owned());
    }
    complaints
}

#[test]
fn a_shop_in_every_kind_of_trouble_loses_and_doubles_nothing() {
    let plan = Plan {
        machines: 20,
        servers: 1,
        runs: 2,
        work: (seconds(1), seconds(3)),
        trouble: vec![
            (seconds(1), Trouble::HubDies(seconds(1))),
            (seconds(1), Trouble::MachinesDie(4, seconds(1))),
            (seconds(1), Trouble::LineStalls(seconds(3))),
            (seconds(0), Trouble::ServerDies(seconds(1))),
            (seconds(1), Trouble::Flood(seconds(1))),
        ],
        seed: 5,
        wait: seconds(5),
        patience: seconds(240),
    };
    let complaints = complaints_of(plan);
    assert!(complaints.is_empty(), "{complaints:#?}");
}

#[test]
fn three_servers_go_on_when_their_leader_is_killed() {
    let plan = Plan {
        machines: 8,
        servers: 3,
        runs: 2,
        work: (seconds(1), seconds(2)),
        trouble: vec![(seconds(1), Trouble::ServerDies(seconds(4)))],
        seed: 6,
        wait: seconds(5),
        patience: seconds(240),
    };
    let complaints = complaints_of(plan);
    assert!(complaints.is_empty(), "{complaints:#?}");
}

/// One machine that ran one job, and a hub that holds the result.
fn sound(templates: &[Template; 2]) -> (Produced, Held) {
    let machine = name("m0001");
    let mut held = Held::default();
    let note = |id: &str, entry| DeskNote {
        stamp: Stamp {
            at: Wall(1),
            id: id.to_owned(),
        },
        entry,
    };
    let order = Order {
        id: "order1".to_owned(),
        to: vec![machine.clone()],
        wish: RunWish {
            suite: "night".to_owned(),
            text: None,
            declared: Declared::default(),
            maker_limit_c: None,
            without_thermometer: false,
        },
        conditions: Conditions::default(),
        priority: 0,
        repeat: 1,
        again_after_failure: 0,
        by: "nobody".to_owned(),
    };
    held.floor
        .hear(&note("a", DeskEntry::Order(Box::new(order))));
    let job = job_id("order1", &machine, 1);
    held.floor
        .hear(&note("b", DeskEntry::Sent { job: job.clone() }));
    let run = "0198a000-0000-7000-8000-00000000000b";
    let told = templates[0].told(run, Wall(5));
    let end = JobEnd::Judged { grade: told.grade };
    let outcome = Outcome {
        id: format!("{run}.{}", told.rows),
        machine: machine.clone(),
        serial: Some("SN-1".to_owned()),
        at: Wall(9),
        job: Some((job.clone(), end)),
        run: Some(told.clone()),
    };
    held.floor.end(&outcome);
    let mut kept = KeptOutcome::of(machine.clone(), run.to_owned());
    kept.serial.clone_from(&outcome.serial);
    kept.job = Some(job.clone());
    kept.run = Some(run.to_owned());
    kept.rows = Some(told.rows);
    kept.number = Some(1);
    kept.grade = Some(told.grade);
    kept.at = Wall(9);
    held.outcomes.push(kept);
    held.records.insert(1, templates[0].rows(run).into());
    (of_machine(machine, &job, outcome), held)
}

fn of_machine(machine: MachineName, job: &str, outcome: Outcome) -> Produced {
    let mut disk = Disk::default();
    disk.jobs
        .insert(job.to_owned(), JobHere::ended(&outcome.id));
    let id = outcome.id.clone();
    let mut told = Told::new(outcome, 0);
    told.acknowledged = Some(told.ended);
    told.receipt = Some(told.ended);
    disk.told.insert(id, told);
    Produced::from([(machine, disk)])
}

/// What is spoilt, and what the checker says then.
type Defect = (fn(&mut Produced, &mut Held), &'static str);

#[test]
fn the_checker_complains_of_each_way_to_break_the_promise() {
    let folder = tempfile::tempdir().expect("a folder");
    let templates = Template::both(folder.path());
    let (produced, held) = sound(&templates);
    assert_eq!(check(&produced, &held, &templates), Vec::<String>::new());
    let defects: [Defect; 9] = [
        (
            |_, held| held.outcomes.clear(),
            "has a receipt and is not held",
        ),
        (
            |produced, held| {
                held.outcomes.clear();
                told(produced).receipt = None;
            },
            "is acknowledged and is not held",
        ),
        (
            |produced, _| told(produced).receipt = None,
            "never had its receipt",
        ),
        (
            |_, held| {
                let twice = held.outcomes[0].clone();
                held.outcomes.push(twice);
            },
            "is held twice",
        ),
        (
            |_, held| {
                let mut again = held.outcomes[0].clone();
                again.run = Some("another".to_owned());
                held.outcomes.push(again);
            },
            "has 2 results",
        ),
        (|produced, _| produced.clear(), "nobody produced it"),
        (|_, held| held.outcomes[0].at = Wall(0), "is held otherwise"),
        (
            |_, held| drop(held.records.insert(1, Vec::new().into())),
            "is not what was sent",
        ),
        (
            |_, held| held.floor = soakproof::fleet::floor::Floor::default(),
            "was not sent there",
        ),
    ];
    for (spoil, words) in defects {
        let (mut produced, mut held) = (produced.clone(), held.clone());
        spoil(&mut produced, &mut held);
        let complaints = check(&produced, &held, &templates);
        let said = complaints.iter().any(|complaint| complaint.contains(words));
        assert!(said, "{words}: {complaints:#?}");
    }
}

fn told(produced: &mut Produced) -> &mut Told {
    let disk = produced.values_mut().next().expect("a machine");
    disk.told.values_mut().next().expect("an outcome")
}
