//! Memory walks on one core against a plain pass that inverts in place.

use super::figures::{Bound, KernelFigure, MemoryLimits, OfLimit, RateUnit, Spread};
use super::window::Watch;
use super::{MeasureError, Task};
use crate::kernels::limit::{copy_by_library, copy_by_loop, invert_in_place, read_only};
use crate::kernels::memory::mix;
use crate::kernels::{Body, ClockProbe, KernelSpec, WalkOutcome, WalkPass, probe_clock};
use crate::model::InstructionSet;
use crate::os::{self, Region};

/// Fewest and most repeats; a pass goes over all of the memory.
const REPEATS: (usize, usize) = (3, 9);
/// Share of the whole time that this part may take.
const SHARE: f64 = 0.25;

/// What came of it.
pub(super) struct Walks {
    pub(super) limits: MemoryLimits,
    pub(super) kernels: Vec<KernelFigure>,
}

/// Bytes a second of the plain passes of one repeat.
struct Plain {
    in_place: f64,
    read: f64,
    copy: f64,
}

/// A walk with its readings.
struct Walk {
    spec: &'static KernelSpec,
    set: InstructionSet,
    pass: WalkPass,
    seconds: Vec<f64>,
    number: u64,
    wrong: bool,
}

/// Measures every walk of the task.
pub(super) fn measure_walks(task: &Task<'_>, watch: &mut Watch<'_>) -> Result<Walks, MeasureError> {
    let mut walks: Vec<Walk> = task
        .kernels
        .iter()
        .filter_map(|spec| match spec.body {
            Body::Walk { pass, .. } => Some(Walk {
                spec,
                set: spec.best_path(&task.detected),
                pass,
                seconds: Vec::new(),
                number: 0,
                wrong: false,
            }),
            Body::Compute { .. } | Body::Group { .. } => None,
        })
        .collect();
    let mut region = Region::map(task.memory_bytes, &mut || !watch.stopped())?;
    let mut plain = Vec::new();
    let mut hertz = Vec::new();
    let began = os::monotonic();
    while plain.len() < REPEATS.1 {
        let spent = os::monotonic().since(began);
        if plain.len() >= REPEATS.0 && spent > task.length.mul_f64(SHARE) {
            break;
        }
        fill(region.words_mut());
        plain.push(plain_passes(region.words_mut(), watch));
        for walk in &mut walks {
            walk.repeat(region.words_mut(), watch);
            if watch.stopped() {
                return Err(MeasureError::Stopped);
            }
        }
        let ClockProbe { mhz, .. } = probe_clock(None, &mut os::raw_ns);
        hertz.push(mhz * 1e6);
    }
    let of = |value: fn(&Plain) -> f64| Spread::of(plain.iter().map(value));
    let limits = MemoryLimits {
        in_place: of(|plain| plain.in_place),
        read: of(|plain| plain.read),
        copy: of(|plain| plain.copy),
        bytes: region.bytes(),
    };
    let clock_mhz = Spread::of(hertz).median / 1e6;
    let figures = walks
        .iter()
        .map(|walk| walk.figure(&plain, region.bytes(), clock_mhz));
    Ok(Walks {
        limits,
        kernels: figures.collect(),
    })
}

/// Words that are neither zero nor all alike: lines of zeros are no real load on some processors.
fn fill(words: &mut [u64]) {
    for (index, word) in (0..).zip(words) {
        *word = mix(index);
    }
}

#[expect(clippy::cast_precision_loss, reason = "bytes of a machine's memory")]
fn plain_passes(words: &mut [u64], watch: &mut Watch<'_>) -> Plain {
    let bytes = size_of_val(words) as f64;
    let in_place = 2.0 * bytes / watch.best_of_three(|| invert_in_place(words));
    let read = bytes
        / watch.best_of_three(|| {
            std::hint::black_box(read_only(words));
        });
    let half = words.len() / 2;
    let (from, to) = words.split_at_mut(half);
    let to = &mut to[..half];
    let library_s = watch.best_of_three(|| copy_by_library(from, to));
    let loop_s = watch.best_of_three(|| copy_by_loop(from, to));
    Plain {
        in_place,
        read,
        copy: bytes / library_s.min(loop_s),
    }
}

impl Walk {
    fn repeat(&mut self, words: &mut [u64], watch: &mut Watch<'_>) {
        let mut heed = watch.beat();
        let (pass, set) = (self.pass, self.set);
        let (number, wrong) = (&mut self.number, &mut self.wrong);
        let run = || {
            let outcome = pass(set, words, *number, &mut heed);
            *number += 1;
            *wrong |= matches!(outcome, WalkOutcome::Walked { faults, .. } if faults > 0);
        };
        // One that waits on purpose is run once: its time says nothing.
        if (self.spec.work_a_round)(set).bytes > 0 || self.seconds.is_empty() {
            self.seconds.push(watch.once(run));
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "bytes of a machine's memory")]
    fn figure(&self, plain: &[Plain], bytes: usize, clock_mhz: f64) -> KernelFigure {
        let moves = (self.spec.work_a_round)(self.set).bytes as f64 / 8.0;
        let rates: Vec<f64> = self
            .seconds
            .iter()
            .map(|seconds| moves * bytes as f64 / seconds)
            .collect();
        let pairs = rates.iter().zip(plain);
        let fraction = Spread::of(pairs.map(|(rate, plain)| rate / plain.in_place));
        let waits = moves == 0.0;
        let seconds = Spread::of(self.seconds.iter().copied()).median;
        KernelFigure {
            name: self.spec.name,
            class: self.spec.class,
            set: self.set,
            unit: if waits {
                RateUnit::Passes
            } else {
                RateUnit::Bytes
            },
            rate_per_s: if waits {
                1.0 / seconds
            } else {
                Spread::of(rates).median
            },
            of_limit: (!waits).then_some(OfLimit {
                bound: Bound::InPlacePass,
                fraction,
            }),
            checking: None,
            clock_mhz,
            wrong: self.wrong,
        }
    }
}
