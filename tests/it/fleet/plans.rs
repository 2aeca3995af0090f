//! Which job goes out next.

use std::collections::BTreeMap;

use proptest::prelude::*;
use soakproof::fleet::floor::{Floor, KnownEnd, Standing, job_id};
use soakproof::fleet::plan::{Seen, lost_together, next_jobs, present_order};
use soakproof::fleet::protocol::{Circuit, DeskEntry, JobEnd, MachineName, Order, Registration};
use soakproof::model::{Grade, Mono, Wall};

use super::floors::{note, order, registration};
use super::name;

const HERE: Seen = Seen {
    present: true,
    loaded: false,
};

fn judged(grade: Grade) -> KnownEnd {
    KnownEnd {
        end: JobEnd::Judged { grade },
        outcome: "a run".to_owned(),
    }
}

/// Machines that are all on circuit B2, which bears `most`.
fn shop(machines: &[&str], most: u32) -> Floor {
    let mut floor = Floor::default();
    for (machine, at) in machines.iter().zip(1..) {
        floor.hear(&note(
            at,
            DeskEntry::Machine(Registration {
                circuit: Some("B2".to_owned()),
                ..registration(machine)
            }),
        ));
    }
    floor.hear(&note(
        100,
        DeskEntry::Circuit(Circuit {
            name: "B2".to_owned(),
            most: Some(most),
            held: None,
        }),
    ));
    floor
}

fn give(floor: &mut Floor, at: i64, order: Order) {
    floor.hear(&note(at, DeskEntry::Order(Box::new(order))));
}

fn sent(floor: &mut Floor, job: &str) {
    let job = job.to_owned();
    floor.hear(&note(1000, DeskEntry::Sent { job }));
}

fn everyone(machines: &[&str]) -> BTreeMap<MachineName, Seen> {
    machines
        .iter()
        .map(|machine| (name(machine), HERE))
        .collect()
}

fn ids(floor: &Floor, seen: &BTreeMap<MachineName, Seen>) -> Vec<String> {
    next_jobs(floor, seen)
        .into_iter()
        .map(|job| job.id)
        .collect()
}

#[test]
fn a_circuit_bears_so_many_at_once_and_those_that_are_silent_get_nothing() {
    let names = ["a", "b", "c", "d"];
    let mut floor = shop(&names, 2);
    give(&mut floor, 200, order("first", &names));
    let mut seen = everyone(&names);
    seen.insert(name("a"), Seen::default());
    assert_eq!(ids(&floor, &seen), ["first/b/1", "first/c/1"]);
    sent(&mut floor, "first/b/1");
    assert_eq!(ids(&floor, &seen), ["first/c/1"]);
    sent(&mut floor, "first/c/1");
    assert!(ids(&floor, &seen).is_empty());
    floor.know_end("first/b/1", judged(Grade::Proven));
    assert_eq!(ids(&floor, &seen), ["first/d/1"]);
    // A person's own run draws power too.
    let own = Seen {
        present: true,
        loaded: true,
    };
    seen.insert(name("b"), own);
    assert!(ids(&floor, &seen).is_empty());
}

#[test]
fn a_circuit_that_is_held_gets_nothing_until_it_is_released() {
    let names = ["a", "b"];
    let mut floor = shop(&names, 2);
    give(&mut floor, 200, order("first", &names));
    let circuit = |held: Option<&str>| {
        DeskEntry::Circuit(Circuit {
            name: "B2".to_owned(),
            most: Some(2),
            held: held.map(str::to_owned),
        })
    };
    floor.hear(&note(300, circuit(Some("power"))));
    assert!(ids(&floor, &everyone(&names)).is_empty());
    floor.hear(&note(400, circuit(None)));
    assert_eq!(ids(&floor, &everyone(&names)).len(), 2);
}

#[test]
fn orders_come_one_after_the_other_higher_ones_first_and_what_was_sent_before_all() {
    let mut floor = shop(&["a"], 9);
    give(&mut floor, 200, order("early", &["a"]));
    give(&mut floor, 300, order("late", &["a"]));
    let seen = everyone(&["a"]);
    assert_eq!(ids(&floor, &seen), ["early/a/1"]);
    let urgent = Order {
        priority: 5,
        ..order("urgent", &["a"])
    };
    give(&mut floor, 400, urgent);
    assert_eq!(ids(&floor, &seen), ["urgent/a/1"]);
    sent(&mut floor, "early/a/1");
    assert!(ids(&floor, &seen).is_empty(), "one job at a time");
    floor.know_end("early/a/1", judged(Grade::Marginal));
    assert_eq!(ids(&floor, &seen), ["urgent/a/1"]);
}

#[test]
fn a_round_that_failed_is_followed_by_others_as_often_as_the_order_says() {
    let mut floor = shop(&["a"], 9);
    let wanted = Order {
        repeat: 2,
        again_after_failure: 1,
        ..order("o", &["a"])
    };
    give(&mut floor, 200, wanted.clone());
    let machine = name("a");
    let stands = |floor: &Floor| floor.standing(&wanted, &machine);
    let next = |round| Standing::Next {
        job: job_id("o", &machine, round),
    };
    floor.know_end("o/a/1", judged(Grade::Failed));
    assert_eq!(stands(&floor), next(2));
    floor.know_end("o/a/2", judged(Grade::Proven));
    assert_eq!(stands(&floor), next(3));
    let mut well = floor.clone();
    well.know_end("o/a/3", judged(Grade::Proven));
    assert_eq!(stands(&well), Standing::Done { failures: 1 });
    let cut = KnownEnd {
        end: JobEnd::CutShort,
        outcome: String::new(),
    };
    floor.know_end("o/a/3", cut);
    assert_eq!(stands(&floor), Standing::Done { failures: 2 });
    // A revision that finds a late error takes a round back.
    well.know_end("o/a/3", judged(Grade::Failed));
    assert_eq!(stands(&well), Standing::Done { failures: 2 });
}

#[test]
fn what_is_taken_back_is_not_sent_and_what_is_refused_is_not_asked_again() {
    let mut floor = shop(&["a", "b"], 9);
    let wanted = order("o", &["a", "b"]);
    give(&mut floor, 200, wanted.clone());
    let cancel = DeskEntry::Cancel {
        order: "o".to_owned(),
        machine: Some(name("a")),
    };
    floor.hear(&note(300, cancel));
    assert_eq!(floor.standing(&wanted, &name("a")), Standing::Cancelled);
    assert_eq!(ids(&floor, &everyone(&["a", "b"])), ["o/b/1"]);
    let refused = KnownEnd {
        end: JobEnd::Refused,
        outcome: String::new(),
    };
    floor.know_end("o/b/1", refused);
    assert!(matches!(
        floor.standing(&wanted, &name("b")),
        Standing::GivenUp { .. }
    ));
}

#[test]
fn an_order_of_long_ago_is_over_and_nothing_of_it_goes_out_again() {
    // As a hub reads it that was started anew: the ends of that time are not read any more.
    let mut floor = Floor::since(Wall(500));
    floor.hear(&note(1, DeskEntry::Machine(registration("a"))));
    give(&mut floor, 200, order("old", &["a"]));
    floor.hear(&note(
        201,
        DeskEntry::Sent {
            job: job_id("old", &name("a"), 1),
        },
    ));
    assert_eq!(present_order(&floor, &name("a")), None);
    assert!(ids(&floor, &everyone(&["a"])).is_empty());
    give(&mut floor, 600, order("new", &["a"]));
    assert_eq!(ids(&floor, &everyone(&["a"])), ["new/a/1"]);
}

#[test]
fn machines_of_one_circuit_that_vanish_together_lost_their_power() {
    let floor = shop(&["a", "b", "c"], 9);
    let at = |seconds: u64| Mono(seconds * 1_000_000_000);
    let lost = |times: &[(&str, u64)]| {
        let vanished = times
            .iter()
            .map(|(machine, when)| (name(machine), at(*when)));
        lost_together(&floor, &vanished.collect())
    };
    assert!(lost(&[("a", 10)]).is_empty());
    assert!(lost(&[("a", 10), ("b", 16)]).is_empty());
    let together = lost(&[("a", 10), ("b", 15), ("c", 60)]);
    let [(circuit, machines)] = together.as_slice() else {
        panic!("one circuit: {together:?}");
    };
    assert_eq!(circuit, "B2");
    assert_eq!(
        machines.iter().map(MachineName::as_str).collect::<Vec<_>>(),
        ["a", "b"]
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// A shop in which anything may happen: whatever is sent, no machine has two jobs and no circuit more
    /// machines under load than it bears, no job is sent twice, and in the end every order is over.
    #[test]
    fn a_shop_never_overloads_and_always_finishes(
        most in 1..4_u32,
        repeat in 1..3_u32,
        again in 0..2_u32,
        luck in proptest::collection::vec(any::<u8>(), 400),
    ) {
        let names = ["a", "b", "c", "d", "e"];
        let mut floor = shop(&names, most);
        for (id, at) in ["x", "y"].into_iter().zip(200..) {
            let wanted = Order { repeat, again_after_failure: again, ..order(id, &names) };
            give(&mut floor, at, wanted);
        }
        let mut out: Vec<String> = Vec::new();
        let mut ever: Vec<String> = Vec::new();
        let mut luck = luck.into_iter().cycle();
        for _ in 0..120 {
            let mut seen = everyone(&names);
            for here in seen.values_mut() {
                here.present = luck.next() != Some(0);
            }
            for job in ids(&floor, &seen) {
                prop_assert!(!ever.contains(&job), "{} goes out twice", job);
                let machine = job.split('/').nth(1).map(str::to_owned);
                let busy = out.iter().any(|known| known.split('/').nth(1).map(str::to_owned) == machine);
                prop_assert!(!busy, "two jobs at {:?}", machine);
                sent(&mut floor, &job);
                ever.push(job.clone());
                out.push(job);
            }
            prop_assert!(out.len() <= most as usize, "{:?}", out);
            if !out.is_empty() {
                let place = usize::from(luck.next().unwrap_or(0)) % out.len();
                let job = out.remove(place);
                let grade = if luck.next().unwrap_or(0) < 80 { Grade::Failed } else { Grade::Proven };
                floor.know_end(&job, judged(grade));
            }
        }
        for wanted in floor.orders() {
            for machine in &wanted.to {
                let over = matches!(floor.standing(wanted, machine), Standing::Done { .. });
                prop_assert!(over, "{} at {} is open", wanted.id, machine);
            }
        }
    }
}
