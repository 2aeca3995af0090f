//! Instruments that fell silent in mid-run.

use soakproof::model::{ChannelId, Gap, GapKind, Grade, Loss, Quantity, Reading, Record, Role};
use soakproof::verdict::judge;

use super::build::{PACKAGE, channel, sound};

/// The sound run beside whose thermometer meters of one chip stand: each is read in the samples of its range, and lost
/// in those of the other.
fn with_meters(meters: &[(std::ops::Range<usize>, std::ops::Range<usize>)]) -> Record {
    let mut record = sound();
    for (index, (read, lost)) in meters.iter().enumerate() {
        let id = ChannelId(u16::try_from(10 + index).unwrap());
        let mut meter = channel(id, Quantity::Power, Role::Unknown);
        meter.label = format!("power{}", index + 1);
        meter.chip = "meters".to_owned();
        record.header.channels.push(meter);
        for (place, sample) in record.samples.iter_mut().enumerate() {
            if read.contains(&place) {
                sample.readings.push(Reading {
                    channel: id,
                    value: 12.0,
                });
            }
            if lost.contains(&place) {
                sample.lost.push((id, Loss::Vanished));
            }
        }
    }
    record
}

fn silent(record: &Record) -> Vec<Gap> {
    let mut gaps = judge(record).gaps;
    gaps.retain(|gap| gap.kind == GapKind::SensorLost);
    gaps
}

#[test]
fn a_meter_that_vanished_is_told_with_its_last_second_and_costs_no_grade() {
    let count = sound().samples.len();
    let record = with_meters(&[(0..100, 100..count)]);
    let gaps = silent(&record);
    assert_eq!(gaps.len(), 1, "{gaps:?}");
    // Samples come every 5 s, the first one after the first 5.
    let about = "power1 of meters could be read until 500 s into the run and no longer";
    assert_eq!(gaps[0].about, about);
    let verdict = judge(&record);
    assert_eq!(verdict.grade, Grade::Proven);
    assert!(verdict.next.contains(&gaps[0].remedy), "{:?}", verdict.next);
}

#[test]
fn instruments_of_one_chip_are_told_of_together() {
    let count = sound().samples.len();
    let gone = |at: usize| (0..at, at..count);
    let gaps = silent(&with_meters(&[gone(90), gone(80), gone(100)]));
    let about: Vec<&str> = gaps.iter().map(|gap| gap.about.as_str()).collect();
    let three =
        "power1, power2, power3 of meters could be read until 400 s into the run and no longer";
    assert_eq!(about, [three]);
    let gaps = silent(&with_meters(&[
        gone(90),
        gone(80),
        gone(100),
        gone(70),
        gone(110),
    ]));
    assert!(
        gaps[0]
            .about
            .starts_with("power1, power2, power3 and 2 more of meters could be read until 350 s"),
        "{gaps:?}"
    );
}

#[test]
fn what_was_back_at_the_end_or_never_there_is_no_loss() {
    let count = sound().samples.len();
    for meter in [
        // A pause in the middle; one lost reading at the end; never read; read less often than sampled.
        (0..count, 0..0),
        (0..count - 1, count - 1..count),
        (0..0, 0..count),
        (0..100, 100..count - 20),
    ] {
        let gaps = silent(&with_meters(std::slice::from_ref(&meter)));
        assert!(gaps.is_empty(), "{meter:?}: {gaps:?}");
    }
    // Lost for once, read again, lost for once.
    let mut record = with_meters(&[(0..count - 1, count - 1..count)]);
    let sample = &mut record.samples[count - 3];
    let meter = sample.readings.pop().expect("a reading").channel;
    sample.lost.push((meter, Loss::NoData));
    assert!(silent(&record).is_empty());
    let two_at_the_end = (0..count - 2, count - 2..count);
    assert_eq!(silent(&with_meters(&[two_at_the_end])).len(), 1);
}

#[test]
fn a_thermometer_of_the_processor_is_the_guards_matter_and_a_clipped_reading_none() {
    let mut record = sound();
    let count = record.samples.len();
    for sample in &mut record.samples[count - 10..] {
        sample.readings.clear();
        sample.lost.push((PACKAGE, Loss::Vanished));
    }
    assert!(silent(&record).is_empty());
    let mut record = with_meters(&[(0..100, 100..count)]);
    for (_, loss) in record
        .samples
        .iter_mut()
        .flat_map(|sample| &mut sample.lost)
    {
        *loss = Loss::Clipped;
    }
    assert!(silent(&record).is_empty());
}
