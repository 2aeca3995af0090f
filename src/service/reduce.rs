//! Samples made fewer for a screen: spans of equal length, each with the least and the greatest reading
//! of every channel, so that no spike disappears however far a night is reduced. Memory is that of the
//! spans, never that of the run.

use serde::Serialize;
use utoipa::ToSchema;

use crate::model::{ChannelId, Mono, Sample};

/// What one channel read in a span, in its unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
pub struct Extremes {
    /// Channel.
    pub channel: ChannelId,
    /// Least reading.
    pub min: f64,
    /// Greatest reading.
    pub max: f64,
}

/// A part of a run.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Span {
    /// Beginning, in seconds since the run began.
    pub from_s: f64,
    /// End, likewise.
    pub until_s: f64,
    /// Samples in it.
    pub samples: u64,
    /// Of every channel that could be read in it.
    pub readings: Vec<Extremes>,
    /// Channels that once gave no reading in it.
    pub lost: Vec<ChannelId>,
}

impl Span {
    fn add(&mut self, sample: &Sample) {
        self.samples += 1;
        for reading in &sample.readings {
            self.widen(Extremes {
                channel: reading.channel,
                min: reading.value,
                max: reading.value,
            });
        }
        for (channel, _) in &sample.lost {
            self.lose(*channel);
        }
    }

    fn merge(&mut self, later: Self) {
        self.until_s = later.until_s;
        self.samples += later.samples;
        later.readings.into_iter().for_each(|read| self.widen(read));
        later
            .lost
            .into_iter()
            .for_each(|channel| self.lose(channel));
    }

    fn widen(&mut self, read: Extremes) {
        match self
            .readings
            .binary_search_by_key(&read.channel, |known| known.channel)
        {
            Ok(at) => {
                let known = &mut self.readings[at];
                known.min = known.min.min(read.min);
                known.max = known.max.max(read.max);
            }
            Err(at) => self.readings.insert(at, read),
        }
    }

    fn lose(&mut self, channel: ChannelId) {
        if let Err(at) = self.lost.binary_search(&channel) {
            self.lost.insert(at, channel);
        }
    }
}

/// Takes in samples in their order and keeps at most a given number of spans.
#[derive(Debug)]
pub struct Reducer {
    began: Mono,
    most: usize,
    length_s: f64,
    spans: Vec<Option<Span>>,
}

impl Reducer {
    /// For a run that began at `began`; at least two spans are kept.
    pub fn new(began: Mono, most: usize) -> Self {
        Self {
            began,
            most: most.max(2),
            length_s: 1.0,
            spans: Vec::new(),
        }
    }

    /// Takes in the next sample.
    pub fn add(&mut self, sample: &Sample) {
        let at_s = sample.at.mono.seconds_since(self.began);
        while self.place(at_s) >= self.most {
            self.double();
        }
        let place = self.place(at_s);
        if self.spans.len() <= place {
            self.spans.resize_with(place + 1, || None);
        }
        let length_s = self.length_s;
        self.spans[place]
            .get_or_insert_with(|| Span {
                from_s: at_s - at_s % length_s,
                until_s: at_s - at_s % length_s + length_s,
                samples: 0,
                readings: Vec::new(),
                lost: Vec::new(),
            })
            .add(sample);
    }

    /// Length of a span in seconds, and the spans that hold samples.
    pub fn finish(self) -> (f64, Vec<Span>) {
        (self.length_s, self.spans.into_iter().flatten().collect())
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a float cast saturates, and time since the beginning is not negative"
    )]
    fn place(&self, at_s: f64) -> usize {
        (at_s / self.length_s) as usize
    }

    /// Two spans become one.
    fn double(&mut self) {
        self.length_s *= 2.0;
        let length_s = self.length_s;
        let mut old = std::mem::take(&mut self.spans).into_iter();
        while let Some(first) = old.next() {
            let second = old.next().flatten();
            let merged = match (first, second) {
                (Some(mut first), Some(second)) => {
                    first.merge(second);
                    Some(first)
                }
                (first, second) => first.or(second),
            };
            self.spans.push(merged.map(|mut span| {
                span.from_s -= span.from_s % length_s;
                span.until_s = span.from_s + length_s;
                span
            }));
        }
    }
}
