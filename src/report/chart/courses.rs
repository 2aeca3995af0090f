//! From a record to courses, in one walk over the samples: a night of them does not fit twice into
//! anybody's patience.

use std::collections::BTreeMap;

use super::reduce::{Point, Reducer};
use crate::model::{Channel, ChannelId, CpuId, Quantity, Record, Sample, WorkerProgress};

/// Stretches of a course that matters.
pub(super) const FINE: u32 = 420;
/// Points over all courses of one kind that are one of many, so that a page stays small.
const MANY: usize = 24_000;
/// Fewest stretches of one of many.
const COARSE: u32 = 40;
/// Periods of sampling without a point that make a gap.
const PERIODS: f64 = 3.5;
/// Slow channels are read every 10 s.
const SLOW_GAP_S: f64 = 35.0;

/// Lowest, mean and highest of something.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Spread {
    pub(super) count: u32,
    sum: f64,
    pub(super) low: f64,
    pub(super) high: f64,
}

impl Spread {
    fn add(&mut self, value: f64) {
        if self.count == 0 {
            (self.low, self.high) = (value, value);
        }
        self.low = self.low.min(value);
        self.high = self.high.max(value);
        self.sum += value;
        self.count = self.count.saturating_add(1);
    }

    /// Both together, of which each has a value.
    pub(super) fn with(self, other: Self) -> Self {
        Self {
            count: self.count.saturating_add(other.count),
            sum: self.sum + other.sum,
            low: self.low.min(other.low),
            high: self.high.max(other.high),
        }
    }

    pub(super) fn mean(&self) -> f64 {
        self.sum / f64::from(self.count.max(1))
    }
}

/// A course that matters, with its spread in each stage.
#[derive(Debug, Clone)]
pub(super) struct Followed {
    reducer: Reducer,
    pub(super) stages: BTreeMap<u16, Spread>,
}

impl Followed {
    fn new(length: f64, gap_s: f64) -> Self {
        Self {
            reducer: Reducer::new((0.0, length), FINE, gap_s),
            stages: BTreeMap::new(),
        }
    }

    fn push(&mut self, stage: u16, point: Point) {
        if point.1.is_finite() {
            self.stages.entry(stage).or_default().add(point.1);
            self.reducer.push(point);
        }
    }

    pub(super) fn pieces(self) -> Vec<Vec<Point>> {
        self.reducer.finish()
    }
}

/// What one channel read over the run.
#[derive(Debug, Clone)]
pub(super) struct Read {
    pub(super) channel: Channel,
    pub(super) spread: Spread,
    /// Samples in which it gave nothing.
    pub(super) lost: u32,
    pub(super) course: Followed,
}

/// Everything that is drawn.
#[derive(Debug)]
pub(super) struct Courses {
    pub(super) length_s: f64,
    pub(super) channels: Vec<Read>,
    pub(super) hottest: Followed,
    pub(super) clocks: BTreeMap<CpuId, Reducer>,
    pub(super) slowest_clock: Followed,
    pub(super) rates: BTreeMap<CpuId, Reducer>,
    pub(super) lowest_rate: Followed,
}

/// Stage, segment and load of a worker.
type Place = (u16, u16, u16);

/// Walks over the samples of `record`.
pub(super) fn follow(record: &Record) -> Courses {
    let header = &record.header;
    let start = header.started.mono;
    let length_s = record.last_known().seconds_since(start).max(1.0);
    let gap_s = PERIODS * header.plan.sample_period.as_secs_f64().max(0.1);
    let many = |count: usize| {
        let stretches = u32::try_from(MANY / count.max(1)).unwrap_or(FINE);
        stretches.clamp(COARSE, FINE)
    };
    let cpus = header.machine.cpus.len();
    let mut courses = Courses {
        length_s,
        channels: channels(record, length_s, gap_s, many(header.channels.len())),
        hottest: Followed::new(length_s, gap_s),
        clocks: BTreeMap::new(),
        slowest_clock: Followed::new(length_s, gap_s),
        rates: BTreeMap::new(),
        // A pass over much memory takes a while, and tells its rate only when it is done.
        lowest_rate: Followed::new(length_s, SLOW_GAP_S),
    };
    let slots = slots(&courses.channels);
    let usual = usual_rates(record);
    let mut before: BTreeMap<CpuId, (Place, &WorkerProgress)> = BTreeMap::new();
    for sample in &record.samples {
        let t = sample.at.mono.seconds_since(start);
        courses.take_readings(sample, t, &slots);
        let mut slowest: Option<f64> = None;
        let mut lowest: Option<f64> = None;
        for worker in &sample.workers {
            let clock = worker.clock_mhz.get(usize::from(worker.kernel));
            if let Some(mhz) = clock.copied().filter(|mhz| *mhz > 0.0) {
                let new = || Reducer::new((0.0, length_s), many(cpus), gap_s);
                let course = courses.clocks.entry(worker.cpu).or_insert_with(new);
                course.push((t, mhz));
                slowest = Some(slowest.map_or(mhz, |known| known.min(mhz)));
            }
            let place = (sample.stage, sample.segment, worker.load);
            if let Some(share) = rate_since(&mut before, (place, worker), &usual) {
                let new = || Reducer::new((0.0, length_s), many(cpus), SLOW_GAP_S);
                let course = courses.rates.entry(worker.cpu).or_insert_with(new);
                course.push((t, share));
                lowest = Some(lowest.map_or(share, |known| known.min(share)));
            }
        }
        if let Some(mhz) = slowest {
            courses.slowest_clock.push(sample.stage, (t, mhz));
        }
        if let Some(share) = lowest {
            courses.lowest_rate.push(sample.stage, (t, share));
        }
    }
    courses
}

fn channels(record: &Record, length_s: f64, gap_s: f64, many: u32) -> Vec<Read> {
    let read = |channel: &Channel| {
        let gap_s = if channel.slow { SLOW_GAP_S } else { gap_s };
        let mut course = Followed::new(length_s, gap_s);
        course.reducer = Reducer::new((0.0, length_s), many, gap_s);
        Read {
            channel: channel.clone(),
            spread: Spread::default(),
            lost: 0,
            course,
        }
    };
    record.header.channels.iter().map(read).collect()
}

/// Place in the list of channels by number: a search for each reading would take longer than all else.
fn slots(channels: &[Read]) -> Vec<Option<usize>> {
    let mut slots = vec![None; usize::from(u16::MAX) + 1];
    for (index, read) in channels.iter().enumerate() {
        slots[usize::from(read.channel.id.0)] = Some(index);
    }
    slots
}

impl Courses {
    fn take_readings(&mut self, sample: &Sample, t: f64, slots: &[Option<usize>]) {
        let slot = |id: ChannelId| slots.get(usize::from(id.0)).copied().flatten();
        let mut hottest: Option<f64> = None;
        for reading in &sample.readings {
            let known = slot(reading.channel).and_then(|index| self.channels.get_mut(index));
            let (Some(read), true) = (known, reading.value.is_finite()) else {
                continue;
            };
            read.spread.add(reading.value);
            read.course.push(sample.stage, (t, reading.value));
            if read.channel.is_processor_thermometer() {
                hottest = Some(hottest.map_or(reading.value, |known| known.max(reading.value)));
            }
        }
        for (channel, _) in &sample.lost {
            if let Some(read) = slot(*channel).and_then(|index| self.channels.get_mut(index)) {
                read.lost = read.lost.saturating_add(1);
            }
        }
        if let Some(celsius) = hottest {
            self.hottest.push(sample.stage, (t, celsius));
        }
    }

    /// Channels of one quantity.
    pub(super) fn of(&self, quantity: Quantity) -> impl Iterator<Item = &Read> {
        let channels = self.channels.iter();
        channels.filter(move |read| read.channel.quantity == quantity)
    }
}

/// Passes a checked second of each kernel of each load, over all of its workers.
fn usual_rates(record: &Record) -> BTreeMap<(Place, usize), f64> {
    let mut sums: BTreeMap<(Place, usize), (f64, f64)> = BTreeMap::new();
    let mut add = |place: Place, worker: &WorkerProgress| {
        let counts = worker.passes.iter().zip(&worker.checked_s);
        for (index, (passes, seconds)) in counts.enumerate() {
            let sum = sums.entry((place, index)).or_default();
            *sum = (sum.0 + as_float(*passes), sum.1 + seconds);
        }
    };
    let mut known = std::collections::BTreeSet::new();
    for done in &record.workers {
        known.insert((done.stage, done.segment));
        add((done.stage, done.segment, done.what.load), &done.what);
    }
    // Where a run was cut short, the last sample of a segment is the last word on it.
    for (index, sample) in record.samples.iter().enumerate() {
        let segment = (sample.stage, sample.segment);
        let next = record.samples.get(index + 1);
        let last = next.is_none_or(|next| (next.stage, next.segment) != segment);
        if last && !known.contains(&segment) {
            for worker in &sample.workers {
                add((segment.0, segment.1, worker.load), worker);
            }
        }
    }
    let rates = sums.into_iter();
    let rates = rates.filter(|(_, (passes, seconds))| *passes > 0.0 && *seconds > 0.0);
    rates
        .map(|(key, (passes, seconds))| (key, passes / seconds))
        .collect()
}

/// The rate of a worker since it was last seen to finish a pass, in per cent of what is usual for these
/// kernels in this stretch; none when it finished none.
fn rate_since<'r>(
    before: &mut BTreeMap<CpuId, (Place, &'r WorkerProgress)>,
    (place, now): (Place, &'r WorkerProgress),
    usual: &BTreeMap<(Place, usize), f64>,
) -> Option<f64> {
    let past = before.get(&now.cpu).filter(|(known, _)| *known == place);
    let Some((_, past)) = past else {
        before.insert(now.cpu, (place, now));
        return None;
    };
    let mut needed = 0.0;
    let mut took = 0.0;
    for (index, (passes, seconds)) in now.passes.iter().zip(&now.checked_s).enumerate() {
        let done = passes.saturating_sub(past.passes.get(index).copied().unwrap_or(0));
        let spent = seconds - past.checked_s.get(index).copied().unwrap_or(0.0);
        if let Some(rate) = usual.get(&(place, index)).filter(|_| done > 0) {
            needed += as_float(done) / rate;
            took += spent;
        }
    }
    if took <= 0.0 {
        return None;
    }
    before.insert(now.cpu, (place, now));
    Some(100.0 * needed / took)
}

#[expect(clippy::cast_precision_loss, reason = "a rate is drawn to a pixel")]
fn as_float(count: u64) -> f64 {
    count as f64
}
