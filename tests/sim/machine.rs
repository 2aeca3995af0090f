//! The plan and the machine of the simulation: six short stages on two cores, one thermometer.

use std::time::Duration;

use soakproof::model::{
    Asserts, Channel, ChannelId, Cpu, CpuId, Declared, HeatLimits, InstructionSet, LoadClass,
    Machine, Moment, OnFinding, Plan, PlannedLoad, Quantity, Rhythm, Role, RunHeader, Segment,
    Stage, StageGate,
};

use crate::trouble::Trouble;

/// The chip's critical value less five.
pub(crate) const CEILING_C: f64 = 95.0;

pub(crate) fn plan(trouble: &Trouble) -> Plan {
    let load = |kernel: &str, cpus: &[u32], rhythm| PlannedLoad {
        kernels: vec![kernel.to_owned()],
        cpus: cpus.iter().copied().map(CpuId).collect(),
        rhythm,
        switch_ms: 0,
        memory_bytes_per_worker: 0,
        flush: false,
    };
    let stage = |name: &str, segments: Vec<(u64, Vec<PlannedLoad>)>| Stage {
        name: name.to_owned(),
        segments: segments
            .into_iter()
            .map(|(seconds, loads)| Segment {
                length: Duration::from_secs(seconds),
                loads,
                programs: Vec::new(),
            })
            .collect(),
        gate: StageGate::Open,
    };
    let even = Rhythm::Even;
    let pulsed = Rhythm::Pulsed {
        on_ms: 500,
        off_ms: 500,
    };
    let longest = if trouble.long { 90 } else { 8 };
    Plan {
        suite: "simulated".to_owned(),
        about: String::new(),
        stages: vec![
            stage("idle", vec![(2, vec![])]),
            stage("all", vec![(5, vec![load("sums", &[0, 1], even)])]),
            stage(
                "in turn",
                vec![
                    (2, vec![load("sums", &[0], even)]),
                    (2, vec![load("sums", &[1], even)]),
                ],
            ),
            stage("pulses", vec![(3, vec![load("walk", &[0, 1], pulsed)])]),
            stage("long", vec![(longest, vec![load("sums", &[0, 1], even)])]),
            stage("cool", vec![(2, vec![])]),
        ],
        claim: None,
        asserts: Asserts {
            answers: true,
            heat: false,
            clock: false,
            memory: false,
        },
        on_finding: if trouble.go_on {
            OnFinding::Continue
        } else {
            OnFinding::Stop
        },
        sample_period: Duration::from_secs(1),
        stall_after: Duration::from_secs(5),
        heat: HeatLimits::default(),
        needs_thermometer: false,
        shortened: vec![],
    }
}

pub(crate) fn header(plan: Plan) -> RunHeader {
    let cpu = |id| Cpu {
        id: CpuId(id),
        core: id,
        package: 0,
        kind: None,
    };
    let channel = Channel {
        id: ChannelId(0),
        quantity: Quantity::Temperature,
        role: Role::Package,
        source: "sys/class/hwmon/hwmon0/temp1_input".to_owned(),
        chip: "invented".to_owned(),
        label: "package".to_owned(),
        core: None,
        limit: None,
        critical: Some(CEILING_C + 5.0),
        step: Some(1.0),
        slow: false,
    };
    RunHeader {
        format: soakproof::model::FORMAT,
        id: "simulated".to_owned(),
        program: "0".to_owned(),
        started: Moment::default(),
        plan,
        machine: Machine {
            cpus: vec![cpu(0), cpu(1)],
            simulated: true,
            ..Machine::default()
        },
        channels: vec![channel],
        gaps: vec![],
        declared: Declared::default(),
        kernels: vec![
            (
                "sums".to_owned(),
                LoadClass::ScalarInteger,
                InstructionSet::Portable,
            ),
            (
                "walk".to_owned(),
                LoadClass::Memory,
                InstructionSet::Portable,
            ),
        ],
    }
}
