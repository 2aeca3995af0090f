//! Supply voltages idle and under load. Sampling once a second sees the static load line, never the
//! transient; a droop by itself is specified behaviour and no defect.

use crate::model::{ChannelId, Quantity, Record, Role, VoltageSummary};

use super::statistics::median;

/// Core-supply voltages of `record`.
pub(super) fn summarise(record: &Record) -> Vec<VoltageSummary> {
    let channels = record.header.channels.iter().filter(|channel| {
        channel.quantity == Quantity::Voltage && channel.role == Role::CoreVoltage
    });
    let summary = |channel: &crate::model::Channel| {
        let (idle, load) = split(record, channel.id);
        let lowest_mv = load.iter().chain(&idle).copied().reduce(f64::min)?;
        let (idle_mv, load_mv) = (median(&idle), median(&load));
        let droop_mv = idle_mv.zip(load_mv).map(|(idle, load)| idle - load);
        Some(VoltageSummary {
            label: channel.label.clone(),
            idle_mv,
            load_mv,
            lowest_mv: load.iter().copied().reduce(f64::min).unwrap_or(lowest_mv),
            droop_mv,
            step_mv: channel.step,
            slope: droop_mv.and_then(|droop| slope(record, droop)),
        })
    };
    channels.filter_map(summary).collect()
}

fn split(record: &Record, channel: ChannelId) -> (Vec<f64>, Vec<f64>) {
    let (mut idle, mut load) = (Vec::new(), Vec::new());
    for sample in &record.samples {
        if let Some(value) = sample.reading(channel).filter(|value| value.is_finite()) {
            if sample.workers.is_empty() {
                idle.push(value)
            } else {
                load.push(value)
            }
        }
    }
    (idle, load)
}

fn slope(record: &Record, droop_mv: f64) -> Option<String> {
    let of = |quantity: Quantity| {
        record.header.channels.iter().find(|channel| {
            channel.quantity == quantity
                && matches!(
                    channel.role,
                    Role::Package | Role::CoreVoltage | Role::Regulator
                )
        })
    };
    let rise = |quantity: Quantity| {
        let (idle, load) = split(record, of(quantity)?.id);
        let rise = median(&load)? - median(&idle)?;
        (rise > 0.0).then_some(rise)
    };
    // Millivolts per ampere are milliohms: the load line itself.
    rise(Quantity::Current)
        .map(|amperes| format!("{:.2} mV/A", droop_mv / amperes))
        .or_else(|| rise(Quantity::Power).map(|watts| format!("{:.2} mV/W", droop_mv / watts)))
}
