//! Samples made fewer: whatever was read can still be seen.

use proptest::prelude::*;

use soakproof::model::{ChannelId, Loss, Moment, Mono, Reading, Sample, Wall};
use soakproof::service::reduce::Reducer;

const BEGAN: Mono = Mono(5_000_000_000);

fn sample(at_ms: u64, values: &[Option<f64>]) -> Sample {
    let mono = Mono(BEGAN.0 + at_ms * 1_000_000);
    let mut sample = Sample {
        at: Moment {
            mono,
            wall: Wall(0),
        },
        ..Sample::default()
    };
    for (channel, value) in (0..).map(ChannelId).zip(values) {
        match value {
            Some(value) => sample.readings.push(Reading {
                channel,
                value: *value,
            }),
            None => sample.lost.push((channel, Loss::NoData)),
        }
    }
    sample
}

proptest! {
    #[test]
    fn no_spike_and_no_sample_disappears_however_few_spans_are_left(
        steps in prop::collection::vec(
            (1u64..40_000, prop::array::uniform3(prop::option::weighted(0.9, -20.0..120.0f64))),
            1..400,
        ),
        most in 2usize..60,
    ) {
        let mut at_ms = 0;
        let samples: Vec<Sample> = steps
            .iter()
            .map(|(step, values)| {
                at_ms += step;
                sample(at_ms, values)
            })
            .collect();
        let mut reducer = Reducer::new(BEGAN, most);
        samples.iter().for_each(|sample| reducer.add(sample));
        let (span_s, spans) = reducer.finish();

        prop_assert!(spans.len() <= most);
        prop_assert_eq!(span_s.log2().fract(), 0.0, "a power of two");
        // Each sample lies in exactly one span, and that one covers its readings exactly.
        let mut counted = 0;
        for span in &spans {
            prop_assert_eq!(span.until_s - span.from_s, span_s);
            let inside: Vec<&Sample> = samples
                .iter()
                .filter(|sample| {
                    let at = sample.at.mono.seconds_since(BEGAN);
                    at >= span.from_s && at < span.until_s
                })
                .collect();
            prop_assert_eq!(span.samples, inside.len() as u64);
            counted += inside.len();
            for channel in (0..3).map(ChannelId) {
                let read: Vec<f64> = inside.iter().filter_map(|sample| sample.reading(channel)).collect();
                let told = span.readings.iter().find(|read| read.channel == channel);
                prop_assert_eq!(told.is_some(), !read.is_empty());
                if let Some(told) = told {
                    prop_assert_eq!(told.min, read.iter().copied().fold(f64::INFINITY, f64::min));
                    prop_assert_eq!(told.max, read.iter().copied().fold(f64::NEG_INFINITY, f64::max));
                }
                let lost = inside.iter().any(|sample| sample.lost.iter().any(|(lost, _)| *lost == channel));
                prop_assert_eq!(span.lost.contains(&channel), lost);
            }
        }
        prop_assert_eq!(counted, samples.len());
    }
}

#[test]
fn one_hot_second_of_a_night_is_still_there_in_a_hundred_spans() {
    let mut reducer = Reducer::new(BEGAN, 100);
    for second in 0..28_800 {
        let hot = if second == 12_345 { 97.5 } else { 61.0 };
        reducer.add(&sample(second * 1000, &[Some(hot)]));
    }
    let (span_s, spans) = reducer.finish();
    assert_eq!(span_s, 512.0);
    assert_eq!(spans.len(), 57);
    let hot: Vec<f64> = spans
        .iter()
        .filter(|span| span.readings[0].max == 97.5)
        .map(|span| span.from_s)
        .collect();
    assert_eq!(hot, [12_288.0]);
}
