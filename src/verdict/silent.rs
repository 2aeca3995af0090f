//! Instruments that fell silent in mid-run and stayed so. The guard ends a run for a thermometer of the processor;
//! whatever else goes is told, since figures after it are missing.

use std::collections::{BTreeMap, BTreeSet};

use super::words::first_of;
use crate::model::{Channel, ChannelId, Gap, GapKind, Loss, Mono, Record, Sample};

/// What was lost in the last seconds of a run counts; slow instruments are read every 10 s.
const END_S: f64 = 30.0;
/// Once may be a transient error.
const LEAST_LOSSES: usize = 2;
/// Labels named of one chip.
const NAMED: usize = 3;

/// One gap for each chip of which channels fell silent.
pub(super) fn gaps(record: &Record) -> Vec<Gap> {
    let mut chips: BTreeMap<&str, (Mono, Vec<&str>)> = BTreeMap::new();
    for channel in lost_at_end(record) {
        if let Some(last) = last_reading(record, channel.id) {
            let chip = chips.entry(&channel.chip).or_insert((last, Vec::new()));
            chip.0 = chip.0.min(last);
            chip.1.push(&channel.label);
        }
    }
    let start = record.header.started.mono;
    let gap = |(chip, (last, labels)): (&str, (Mono, Vec<&str>))| {
        let names = first_of(&labels, NAMED, (", ", " and"));
        Gap {
            kind: GapKind::SensorLost,
            about: format!(
                "{names} of {chip} could be read until {:.0} s into the run and no longer",
                last.seconds_since(start)
            ),
            remedy: "look into the kernel log for its driver".to_owned(),
        }
    };
    chips.into_iter().map(gap).collect()
}

/// Channels that the last seconds had no reading of.
fn lost_at_end(record: &Record) -> impl Iterator<Item = &Channel> {
    let end = record.samples.last().map(|sample| sample.at.mono);
    let near_end =
        |sample: &&Sample| end.is_some_and(|end| end.seconds_since(sample.at.mono) <= END_S);
    let samples = record.samples.iter().rev().take_while(near_end);
    let lost: BTreeSet<ChannelId> = samples
        .flat_map(|sample| &sample.lost)
        .filter(|(_, loss)| *loss != Loss::Clipped)
        .map(|(channel, _)| *channel)
        .collect();
    let channels = record.header.channels.iter();
    channels
        .filter(move |channel| lost.contains(&channel.id) && !channel.is_processor_thermometer())
}

/// When a channel was read last, if it was and has been lost since.
fn last_reading(record: &Record, channel: ChannelId) -> Option<Mono> {
    let samples = &record.samples;
    let last = samples
        .iter()
        .rposition(|sample| sample.reading(channel).is_some())?;
    let after = samples.get(last + 1..).unwrap_or_default().iter();
    let losses = after.filter(|sample| sample.lost.iter().any(|(lost, _)| *lost == channel));
    (losses.count() >= LEAST_LOSSES).then(|| samples[last].at.mono)
}
