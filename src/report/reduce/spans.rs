//! All channels of a run in spans of equal length, as many as fit into a given number.

use serde::Serialize;
use utoipa::ToSchema;

use super::extremes::Extremes;
use crate::model::{ChannelId, Mono, Sample};

/// What one channel read in a span, in its unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, ToSchema)]
#[schema(as = Extremes)]
pub struct Bounds {
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
    pub readings: Vec<Bounds>,
    /// Channels that once gave no reading in it.
    pub lost: Vec<ChannelId>,
}

/// A span that still grows.
#[derive(Debug, Default)]
struct Open {
    samples: u64,
    /// By channel.
    read: Vec<(ChannelId, Extremes)>,
    lost: Vec<ChannelId>,
}

impl Open {
    fn add(&mut self, at_s: f64, sample: &Sample) {
        self.samples += 1;
        for reading in &sample.readings {
            self.widen(reading.channel, Extremes::of((at_s, reading.value)));
        }
        for (channel, _) in &sample.lost {
            self.lose(*channel);
        }
    }

    fn merge(&mut self, later: Self) {
        self.samples += later.samples;
        for (channel, extremes) in later.read {
            self.widen(channel, extremes);
        }
        for channel in later.lost {
            self.lose(channel);
        }
    }

    fn widen(&mut self, channel: ChannelId, read: Extremes) {
        match self.read.binary_search_by_key(&channel, |known| known.0) {
            Ok(at) => self.read[at].1.merge(read),
            Err(at) => self.read.insert(at, (channel, read)),
        }
    }

    fn lose(&mut self, channel: ChannelId) {
        if let Err(at) = self.lost.binary_search(&channel) {
            self.lost.insert(at, channel);
        }
    }

    fn close(self, (from_s, until_s): (f64, f64)) -> Span {
        let read = self.read.into_iter();
        Span {
            from_s,
            until_s,
            samples: self.samples,
            readings: read
                .map(|(channel, extremes)| Bounds {
                    channel,
                    min: extremes.low.1,
                    max: extremes.high.1,
                })
                .collect(),
            lost: self.lost,
        }
    }
}

/// Takes in samples in their order and keeps at most a given number of spans.
#[derive(Debug)]
pub struct SpanReducer {
    began: Mono,
    most: usize,
    length_s: f64,
    /// The one at place `n` begins `n` lengths after the run.
    spans: Vec<Option<Open>>,
}

impl SpanReducer {
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
        let span = self.spans[place].get_or_insert_default();
        span.add(at_s, sample);
    }

    /// Length of a span in seconds, and the spans that hold samples.
    pub fn finish(self) -> (f64, Vec<Span>) {
        let length_s = self.length_s;
        let spans = (0_u32..).map(f64::from).zip(self.spans);
        let held = spans.filter_map(|(place, span)| Some((place, span?)));
        let closed =
            held.map(|(place, span)| span.close((place * length_s, (place + 1.0) * length_s)));
        (length_s, closed.collect())
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
        let mut old = std::mem::take(&mut self.spans).into_iter();
        while let Some(first) = old.next() {
            let second = old.next().flatten();
            self.spans.push(match (first, second) {
                (Some(mut first), Some(second)) => {
                    first.merge(second);
                    Some(first)
                }
                (first, second) => first.or(second),
            });
        }
    }
}
