//! Suites: the built-in ones hold what they promise, and every mistake is named with its place.

#![expect(
    clippy::disallowed_methods,
    reason = "tests read and update golden files"
)]

use std::time::Duration;

use proptest::prelude::*;
use soakproof::model::{Cpu, CpuId, LoadClass, Machine, MemoryShare, Plan, Rhythm};
use soakproof::suite::{
    KernelBody, KernelFact, MARGIN, Placement, Suite, builtin, builtin_names, needed_exposure_s,
    parse_duration, parse_suite, planned_exposure, render_duration, resolve_suite, spare_memory,
};

const GIB: u64 = 1 << 30;

/// The kernels that suites may name, written down here so that these tests do not move with them.
fn kernels() -> Vec<KernelFact> {
    use KernelBody::{Compute, Group, Walk};
    use LoadClass::{Contention, Memory, ScalarFloat, ScalarInteger, WideVector};
    let list: [(&str, LoadClass, KernelBody); 17] = [
        ("int-streams.reg", ScalarInteger, Compute),
        ("int-ntt.l1", ScalarInteger, Compute),
        ("int-divide.reg", ScalarInteger, Compute),
        ("hash-chain.reg", ScalarInteger, Compute),
        ("float-chains.reg", ScalarFloat, Compute),
        ("matrix-exact.l1", ScalarFloat, Compute),
        ("fma-f64.l1", WideVector, Compute),
        ("fma-f64.l2", WideVector, Compute),
        ("fma-f32.l1", WideVector, Compute),
        ("vec-int.l1", WideVector, Compute),
        ("march.memory", Memory, Walk),
        ("address.memory", Memory, Walk),
        ("rotated-background.memory", Memory, Walk),
        ("random-block.memory", Memory, Walk),
        ("hold.memory", Memory, Walk),
        ("atomics.shared", Contention, Group),
        ("handover.shared", Contention, Group),
    ];
    let facts = list.map(|(name, class, body)| KernelFact {
        name: name.to_string(),
        class,
        body,
    });
    facts.to_vec()
}

/// An invented machine with `threads` logical CPUs on each core; siblings are numbered apart, as
/// Linux commonly numbers them.
fn machine(cores: u32, threads: u32, installed: u64, available: u64) -> Machine {
    let cpus = (0..cores * threads).map(|id| Cpu {
        id: CpuId(id),
        core: id % cores,
        package: 0,
        kind: None,
    });
    Machine {
        cpus: cpus.collect(),
        memory_bytes: installed,
        memory_available_bytes: available,
        ..Machine::default()
    }
}

fn shipped(name: &str) -> Suite {
    let suite = builtin(name).expect("a built-in suite");
    parse_suite(suite.origin, suite.text, &kernels()).unwrap_or_else(|error| panic!("{error}"))
}

fn fitted(name: &str, machine: &Machine) -> Plan {
    resolve_suite(&shipped(name), machine, &kernels()).unwrap_or_else(|error| panic!("{error}"))
}

const ONE_STAGE: &str = "about = \"x\"\nasserts = [\"answers\"]\n[[stage]]\nname = \"a\"\n";

fn parsed(text: &str) -> Suite {
    parse_suite("suites/x.toml", text, &kernels()).unwrap_or_else(|error| panic!("{error}"))
}

fn mistakes(text: &str) -> String {
    let error = parse_suite("suites/x.toml", text, &kernels()).expect_err("a mistake");
    error.to_string()
}

#[test]
fn every_built_in_suite_fits_small_and_large_machines() {
    let machines = [
        machine(1, 1, 2 * GIB, 3 * GIB / 2),
        machine(2, 1, 16 * GIB, 14 * GIB),
        machine(64, 2, 512 * GIB, 500 * GIB),
        machine(128, 1, 512 * GIB, 500 * GIB),
    ];
    for name in builtin_names() {
        for machine in &machines {
            let plan = fitted(name, machine);
            assert_eq!(plan.suite, name);
            assert_eq!(plan.length(), shipped(name).length(), "{name}");
        }
    }
}

#[test]
fn built_in_suites_take_the_time_that_they_state() {
    let minutes = [
        ("smoke", 1),
        ("recheck", 10),
        ("hour", 80),
        ("handover", 120),
        ("overnight", 480),
        ("memory", 360),
    ];
    assert_eq!(minutes.map(|(name, _)| name).to_vec(), builtin_names());
    for (name, minutes) in minutes {
        assert_eq!(
            shipped(name).length(),
            Duration::from_mins(minutes),
            "{name}"
        );
    }
}

#[test]
fn built_in_claims_are_within_reach_with_the_margin() {
    for machine in [
        machine(2, 1, 16 * GIB, 14 * GIB),
        machine(64, 2, 512 * GIB, 500 * GIB),
    ] {
        for name in builtin_names() {
            let plan = fitted(name, &machine);
            let planned = planned_exposure(&plan, &machine, &kernels());
            let Some(claim) = &plan.claim else {
                assert!(["smoke", "recheck"].contains(&name), "{name} has no claim");
                continue;
            };
            let needed = |claim_s: f64| MARGIN * needed_exposure_s(claim_s, claim.confidence);
            if let Some(total_s) = claim.total_s {
                assert!(planned.total_s >= needed(total_s), "{name} in total");
            }
            for (class, claim_s) in &claim.per_class_s {
                assert!(
                    planned.class_s(*class) >= needed(*claim_s),
                    "{name} {class}"
                );
            }
        }
    }
}
