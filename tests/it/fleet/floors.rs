//! What is known of the shop does not depend on the order in which it was heard, nor on how often.

use proptest::prelude::*;
use soakproof::fleet::floor::{Floor, KnownEnd, job_id, parts_of_job};
use soakproof::fleet::protocol::{
    Circuit, DeskEntry, DeskNote, JobEnd, Order, Registration, Stamp,
};
use soakproof::model::{Conditions, Grade, RunWish, Wall};

use super::name;

pub(super) fn registration(machine: &str) -> Registration {
    Registration {
        name: name(machine),
        serial: None,
        owner: String::new(),
        note: String::new(),
        group: None,
        circuit: None,
        enrolled: true,
    }
}

pub(super) fn order(id: &str, machines: &[&str]) -> Order {
    Order {
        id: id.to_owned(),
        to: machines.iter().map(|machine| name(machine)).collect(),
        wish: RunWish::default(),
        conditions: Conditions::default(),
        priority: 0,
        repeat: 1,
        again_after_failure: 0,
        by: "somebody".to_owned(),
    }
}

pub(super) fn note(at: i64, entry: DeskEntry) -> DeskNote {
    let id = format!("note {at}");
    DeskNote {
        stamp: Stamp { at: Wall(at), id },
        entry,
    }
}

/// One thing that can be heard.
#[derive(Debug, Clone)]
enum Heard {
    Note(DeskNote),
    End(String, KnownEnd),
}

fn hear(floor: &mut Floor, heard: &Heard) {
    match heard {
        Heard::Note(note) => floor.hear(note),
        Heard::End(job, end) => floor.know_end(job, end.clone()),
    }
}

fn entry() -> impl Strategy<Value = DeskEntry> {
    let machine = prop_oneof!["bench-1", "bench-2"];
    let of = prop_oneof!["a", "b"];
    let job = (of.clone(), machine.clone(), 1..4_u32);
    let job = job.prop_map(|(order, machine, round)| job_id(&order, &name(&machine), round));
    prop_oneof![
        (machine.clone(), any::<bool>(), any::<u8>()).prop_map(|(machine, enrolled, owner)| {
            DeskEntry::Machine(Registration {
                owner: owner.to_string(),
                enrolled,
                ..registration(&machine)
            })
        }),
        (of.clone(), 1..4_u32).prop_map(|(id, repeat)| {
            DeskEntry::Order(Box::new(Order {
                repeat,
                ..order(&id, &["bench-1", "bench-2"])
            }))
        }),
        (of, proptest::option::of(machine)).prop_map(|(order, machine)| DeskEntry::Cancel {
            order,
            machine: machine.map(|machine| name(&machine)),
        }),
        (any::<bool>(), 1..4_u32).prop_map(|(held, most)| DeskEntry::Circuit(Circuit {
            name: "B2".to_owned(),
            most: Some(most),
            held: held.then(|| "power".to_owned()),
        })),
        job.clone().prop_map(|job| DeskEntry::Sent { job }),
        job.prop_map(|job| DeskEntry::Withdrawn { job }),
    ]
}

fn end() -> impl Strategy<Value = Heard> {
    let end = prop_oneof![
        Just(JobEnd::Judged {
            grade: Grade::Failed
        }),
        Just(JobEnd::Judged {
            grade: Grade::Proven
        }),
        Just(JobEnd::CutShort),
        Just(JobEnd::Refused),
    ];
    (1..4_u32, end, "[a-c]").prop_map(|(round, end, outcome)| {
        let known = KnownEnd { end, outcome };
        Heard::End(job_id("a", &name("bench-1"), round), known)
    })
}

fn all_heard() -> impl Strategy<Value = (Vec<Heard>, Vec<Heard>)> {
    let notes = proptest::collection::vec((entry(), 0..50_i64), 0..30);
    let ends = proptest::collection::vec(end(), 0..8);
    (notes, ends).prop_flat_map(|(notes, ends)| {
        let notes = notes.into_iter().zip(0..).map(|((entry, at), number)| {
            // Clocks of different people: stamps come in any order, no two notes have one id.
            let id = format!("{number}");
            let stamp = Stamp { at: Wall(at), id };
            Heard::Note(DeskNote { stamp, entry })
        });
        let all: Vec<Heard> = notes.chain(ends).collect();
        let twice = [all.clone(), all.clone()].concat();
        (Just(all), Just(twice).prop_shuffle())
    })
}

proptest! {
    #[test]
    fn any_order_and_any_repetition_lead_to_the_same_floor(
        (once, shuffled) in all_heard(),
        since in 0..40_i64,
    ) {
        let (mut one, mut other) = (Floor::since(Wall(since)), Floor::since(Wall(since)));
        once.iter().for_each(|heard| hear(&mut one, heard));
        shuffled.iter().for_each(|heard| hear(&mut other, heard));
        // Which orders are open is kept beside them; it is what they say themselves.
        for machine in ["bench-1", "bench-2"].map(name) {
            let open = one.open_orders(&machine).map(|order| &order.id);
            let all = one.orders().into_iter();
            let of_machine = all.filter(|order| order.to.contains(&machine));
            let really = of_machine.filter(|order| one.standing(order, &machine).is_open());
            prop_assert_eq!(open.collect::<Vec<_>>(), really.map(|order| &order.id).collect::<Vec<_>>());
        }
        prop_assert_eq!(one, other);
    }
}

#[test]
fn ids_of_jobs_can_be_taken_apart_again() {
    let job = job_id("k3f9", &name("bench-1"), 12);
    assert_eq!(parts_of_job(&job), Some(("k3f9", name("bench-1"), 12)));
    for wrong in [
        "",
        "k3f9",
        "k3f9/bench-1",
        "k3f9/Bench/1",
        "k3f9/bench-1/-1",
    ] {
        assert_eq!(parts_of_job(wrong), None, "{wrong}");
    }
}
