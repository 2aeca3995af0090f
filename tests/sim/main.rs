//! Seeded simulation of the orchestrator: workers hang, lie, die and ignore the wish to end; sensors
//! vanish, jump, freeze and climb; the store fails, the machine sleeps, the person stops. Every seed
//! replays exactly: `SOAKPROOF_SEED=17 cargo test --test sim a_thousand`.

mod bench;
mod guard_rules;
mod machine;
mod memory_rules;
mod night;
mod nights;
mod program_rules;
mod run_rules;
mod silicon;
mod trouble;
mod world;

use soakproof::model::{End, Entry, FindingKind, Grade, Record, Severity};
use soakproof::run::core::Event;
use soakproof::verdict::judge;
use trouble::Trouble;
use world::World;

const SEEDS: u64 = 1_500;

#[expect(
    clippy::disallowed_methods,
    reason = "the seed to replay comes from the environment"
)]
fn seeds() -> Vec<u64> {
    match std::env::var("SOAKPROOF_SEED") {
        Ok(text) => vec![text.parse().expect("a number")],
        Err(_) => (0..SEEDS).collect(),
    }
}

fn ends(record: &[Entry]) -> Vec<&End> {
    record
        .iter()
        .filter_map(|entry| {
            if let Entry::End(end) = entry {
                Some(&end.what)
            } else {
                None
            }
        })
        .collect()
}

fn is_failing(kind: &FindingKind) -> bool {
    match kind {
        FindingKind::WrongAnswer(_)
        | FindingKind::WrongMemory(_)
        | FindingKind::Trap { .. }
        | FindingKind::Stall { .. }
        | FindingKind::OverHot { .. }
        | FindingKind::OwnProgram { .. }
        | FindingKind::Reset { .. } => true,
        FindingKind::HardwareError { severity, .. } => *severity != Severity::Corrected,
        FindingKind::Throttled { .. } | FindingKind::CoolingStopped { .. } => false,
    }
}

#[test]
fn a_thousand_troubled_runs_keep_every_promise() {
    let mut grades = std::collections::BTreeMap::new();
    for seed in seeds() {
        let mut world = World::new(seed, &Trouble::drawn(seed));
        world.run();
        let told = world.story();
        assert!(world.core.is_over(), "seed {seed} never ended\n{told}");
        assert_eq!(
            ends(&world.entries).len(),
            1,
            "seed {seed}: one end\n{told}"
        );
        assert_eq!(world.finishes, 1, "seed {seed}: one finish\n{told}");
        assert!(world.nobody_alive(), "seed {seed}: worker left\n{told}");
        let mut record = Record::new(world.header.clone());
        world
            .entries
            .iter()
            .cloned()
            .for_each(|entry| record.apply(entry));
        let seen: u64 = record
            .findings
            .iter()
            .filter(|finding| is_failing(&finding.kind))
            .filter(|finding| !matches!(finding.kind, FindingKind::OverHot { .. }))
            .map(|finding| finding.events)
            .sum();
        assert_eq!(
            seen, world.errors_told,
            "seed {seed}: no finding lost\n{told}"
        );
        let verdict = judge(&record);
        if record
            .findings
            .iter()
            .any(|finding| is_failing(&finding.kind))
        {
            assert_eq!(verdict.grade, Grade::Failed, "seed {seed}\n{told}");
        } else {
            assert_ne!(verdict.grade, Grade::Failed, "seed {seed}\n{told}");
        }
        let hot = record
            .findings
            .iter()
            .any(|finding| matches!(finding.kind, FindingKind::OverHot { .. }));
        assert_eq!(world.over_twice, hot, "seed {seed}: heat\n{told}");
        *grades.entry(verdict.grade).or_insert(0_u32) += 1;
    }
    // A simulation in which nothing ever goes wrong, or everything does, would prove little.
    if seeds().len() > 1 {
        let of = |grade| grades.get(&grade).copied().unwrap_or(0);
        assert!(of(Grade::Failed) > 100, "{grades:?}");
        assert!(of(Grade::Provisional) > 100, "{grades:?}");
        assert!(of(Grade::Inconclusive) > 50, "{grades:?}");
    }
}

#[test]
fn an_untroubled_run_goes_through_all_stages_and_completes() {
    let mut world = World::new(1, &Trouble::default());
    world.run();
    assert_eq!(ends(&world.entries), [&End::Complete]);
    let whole = world
        .entries
        .iter()
        .filter(|entry| matches!(entry, Entry::Stage(mark) if mark.finished));
    assert_eq!(whole.count(), world.header.plan.stages.len());
    assert_eq!(world.errors_told, 0);
}

#[test]
fn two_samples_over_the_ceiling_kill_the_load_before_anything_else() {
    let trouble = Trouble {
        climb_c_per_s: 12.0,
        ..Trouble::default()
    };
    let mut world = World::new(2, &trouble);
    world.run();
    assert!(world.over_twice, "{}", world.story());
    assert!(matches!(ends(&world.entries)[0], End::Guard { .. }));
    let delay_ms = world.kill_delay_ms.expect("killed");
    assert!(
        delay_ms <= 1100,
        "{delay_ms} ms after the first reading over the ceiling"
    );
    let hot = world.entries.iter().any(
        |entry| matches!(entry, Entry::Finding(f) if matches!(f.kind, FindingKind::OverHot { .. })),
    );
    assert!(hot);
}

#[test]
fn a_sampler_that_falls_silent_ends_the_load_and_no_new_load_starts() {
    let trouble = Trouble {
        sampler_dies_at_s: Some(6),
        ..Trouble::default()
    };
    let mut world = World::new(3, &trouble);
    world.run();
    assert!(
        matches!(ends(&world.entries)[0], End::Guard { .. }),
        "{}",
        world.story()
    );
}

#[test]
fn a_thermometer_that_vanishes_or_jumps_ends_the_load() {
    for trouble in [
        Trouble {
            sensor_gone_at_s: Some(6),
            ..Trouble::default()
        },
        Trouble {
            sensor_jumps_at_s: Some(6),
            ..Trouble::default()
        },
    ] {
        let mut world = World::new(4, &trouble);
        world.run();
        assert!(
            matches!(ends(&world.entries)[0], End::Guard { .. }),
            "{}",
            world.story()
        );
    }
}

#[test]
fn a_thermometer_that_does_not_move_across_a_load_step_is_frozen() {
    let trouble = Trouble {
        frozen: true,
        long: true,
        ..Trouble::default()
    };
    let mut world = World::new(5, &trouble);
    world.run();
    let gap = world.entries.iter().any(|entry| {
        matches!(entry, Entry::Gap(gap) if gap.kind == soakproof::model::GapKind::SensorFrozen)
    });
    assert!(gap, "{}", world.story());
}

#[test]
fn the_first_wish_stops_in_order_and_nothing_is_asked_after_the_end() {
    let trouble = Trouble {
        stop_at_s: Some(7),
        ..Trouble::default()
    };
    let mut world = World::new(6, &trouble);
    world.run();
    assert_eq!(ends(&world.entries), [&End::Stopped]);
    let after = world.core.handle(world.now(), Event::Tick);
    assert!(after.is_empty());
}

#[test]
fn a_store_that_fails_ends_the_run_with_its_reason() {
    let trouble = Trouble {
        store_fails_at_s: Some(6),
        ..Trouble::default()
    };
    let mut world = World::new(7, &trouble);
    world.run();
    let end = ends(&world.entries)[0].clone();
    assert!(
        matches!(&end, End::Interrupted { reason } if reason.contains("record")),
        "{end:?}"
    );
}

#[test]
fn a_repeated_fault_is_one_finding_with_many_events() {
    let trouble = Trouble {
        liar: Some(0),
        go_on: true,
        ..Trouble::default()
    };
    let mut world = World::new(8, &trouble);
    world.run();
    let findings = world
        .entries
        .iter()
        .filter(|entry| matches!(entry, Entry::Finding(_)));
    assert_eq!(findings.count(), 1, "{}", world.story());
    assert!(world.errors_told > 3);
    assert_eq!(world.core.findings()[0].events, world.errors_told);
}
