//! Supply voltages idle, with one core at work and with all of them. The droop is the step from one narrow
//! worker, which runs at full clock, to all cores: idle voltages belong to other clocks and say nothing of
//! it. Sampling once a second sees the static load line, never the transient; a droop by itself is
//! specified behaviour and no defect.

use std::collections::BTreeSet;

use super::statistics::median;
use crate::model::{
    ChannelId, LoadClass, Quantity, Record, Rhythm, Role, Sample, VoltageSummary, WorkerProgress,
};

/// How much of the machine was at work in a sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum AtWork {
    Nobody,
    OneNarrow,
    AllCores,
    Some,
}

/// Core-supply voltages of `record`.
pub(super) fn summarise(record: &Record) -> Vec<VoltageSummary> {
    let channels = record.header.channels.iter().filter(|channel| {
        channel.quantity == Quantity::Voltage && channel.role == Role::CoreVoltage
    });
    let states: Vec<AtWork> = record
        .samples
        .iter()
        .map(|sample| at_work(record, sample))
        .collect();
    let summary = |channel: &crate::model::Channel| {
        let values = |wanted: &dyn Fn(AtWork) -> bool| {
            let samples = record.samples.iter().zip(&states);
            let samples = samples.filter(|(_, state)| wanted(**state));
            let values = samples.filter_map(|(sample, _)| sample.reading(channel.id));
            values
                .filter(|value| value.is_finite())
                .collect::<Vec<f64>>()
        };
        let loaded = values(&|state| state != AtWork::Nobody);
        let idle = values(&|state| state == AtWork::Nobody);
        let lowest = |values: &[f64]| values.iter().copied().reduce(f64::min);
        let one_core_mv = median(&values(&|state| state == AtWork::OneNarrow));
        let load_mv = median(&values(&|state| state == AtWork::AllCores));
        let droop_mv = one_core_mv.zip(load_mv).map(|(one, all)| one - all);
        Some(VoltageSummary {
            label: channel.label.clone(),
            idle_mv: median(&idle),
            one_core_mv,
            load_mv,
            lowest_mv: lowest(&loaded).or_else(|| lowest(&idle))?,
            droop_mv,
            step_mv: channel.step,
            slope: droop_mv.and_then(|droop| slope(record, &states, droop)),
        })
    };
    channels.filter_map(summary).collect()
}

pub(super) fn at_work(record: &Record, sample: &Sample) -> AtWork {
    let even = |worker: &WorkerProgress| {
        let load = record
            .header
            .plan
            .load(sample.stage, sample.segment, worker.load);
        load.filter(|load| load.rhythm == Rhythm::Even && !worker.pausing)
    };
    let narrow = |worker: &WorkerProgress| {
        let classes = even(worker).map(|load| {
            let kernels = load.kernels.iter();
            kernels.map(|name| record.header.class_of(name))
        });
        let scalar = |class| match class {
            Some(LoadClass::ScalarInteger | LoadClass::ScalarFloat) => true,
            Some(LoadClass::WideVector | LoadClass::Memory | LoadClass::Contention) | None => false,
        };
        classes.is_some_and(|mut classes| classes.all(scalar))
    };
    match &sample.workers[..] {
        [] => AtWork::Nobody,
        [one] if narrow(one) && record.header.machine.core_count() > 1 => AtWork::OneNarrow,
        workers => {
            let busy = workers.iter().filter(|worker| even(worker).is_some());
            let cores: BTreeSet<u32> = busy
                .filter_map(|worker| record.core_of(worker.cpu))
                .collect();
            if cores.len() == record.header.machine.core_count() {
                AtWork::AllCores
            } else {
                AtWork::Some
            }
        }
    }
}

fn slope(record: &Record, states: &[AtWork], droop_mv: f64) -> Option<String> {
    let of = |quantity: Quantity| {
        record.header.channels.iter().find(|channel| {
            channel.quantity == quantity
                && matches!(
                    channel.role,
                    Role::Package | Role::CoreVoltage | Role::Regulator
                )
        })
    };
    let middle = |channel: ChannelId, wanted: AtWork| {
        let samples = record.samples.iter().zip(states);
        let samples = samples.filter(|(_, state)| **state == wanted);
        let values = samples.filter_map(|(sample, _)| sample.reading(channel));
        median(&values.collect::<Vec<f64>>())
    };
    let rise = |quantity: Quantity| {
        let channel = of(quantity)?.id;
        let rise = middle(channel, AtWork::AllCores)? - middle(channel, AtWork::OneNarrow)?;
        (rise > 0.0).then_some(rise)
    };
    // Millivolts per ampere are milliohms: the load line itself.
    rise(Quantity::Current)
        .map(|amperes| format!("{:.2} mV/A", droop_mv / amperes))
        .or_else(|| rise(Quantity::Power).map(|watts| format!("{:.2} mV/W", droop_mv / watts)))
}
