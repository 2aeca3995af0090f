//! Kernels in which cores exchange data, on all cores, against a bare hand-over of one line.

use std::sync::Barrier;
use std::sync::atomic::{AtomicU64, Ordering};

use super::figures::{Bound, ClassFigure, KernelFigure, OfLimit, RateUnit, Spread};
use super::window::{Heed, Watch, seconds};
use super::{MeasureError, Task};
use crate::kernels::{
    Body, GroupPass, KernelSpec, KnownAnswer, Member, Outcome, Work, probe_clock_mhz,
};
use crate::model::{InstructionSet, LoadClass};
use crate::os::{self, SharedWords};

/// Repeats of a bare hand-over and of each kernel.
const REPEATS: usize = 5;
/// Passes of one repeat: the members must agree on how many.
const PASSES: u64 = 2;
/// Hand-overs of one repeat, over all cores.
const HANDOVERS: u64 = 20_000;
/// Share of the whole time for a repeat: where other programs hold a core, each hand-over to it waits for
/// the scheduler.
const SHARE: f64 = 0.01;
/// Hand-overs between two looks at the clock, which itself takes as long as part of one.
const LOOK_EVERY: u64 = 64;
/// Stands in the line when there are to be no more.
const OVER: u64 = u64::MAX;

/// What came of it.
pub(super) struct Groups {
    pub(super) kernels: Vec<KernelFigure>,
    pub(super) class: Option<ClassFigure>,
}

/// What one member came to in one repeat.
struct Shift {
    seconds: f64,
    mhz: f64,
    wrong: bool,
}

/// Measures every group kernel of the task.
pub(super) fn measure_groups(
    task: &Task<'_>,
    watch: &mut Watch<'_>,
) -> Result<Groups, MeasureError> {
    let mut bare = Vec::new();
    for _ in 0..REPEATS {
        bare.push(hand_over(task)?);
    }
    let bare = Spread::of(bare).median;
    let mut kernels = Vec::new();
    let mut clocks: Vec<Vec<f64>> = Vec::new();
    for spec in &task.kernels {
        let Body::Group {
            area_words,
            pass,
            answers,
        } = spec.body
        else {
            continue;
        };
        let area = SharedWords::create(area_words)?;
        let team = Team {
            area: &area,
            pass,
            known: answers[0],
        };
        let mut repeats = Vec::new();
        for repeat in 0..REPEATS as u64 {
            repeats.push(team.work(task, repeat * PASSES, watch.beat())?);
            if watch.stopped() {
                return Err(MeasureError::Stopped);
            }
        }
        clocks.extend(repeats.iter().map(|shifts| {
            let clocks = shifts.iter().map(|shift| shift.mhz);
            clocks.collect()
        }));
        kernels.push(figure(spec, &team, &repeats, bare));
    }
    Ok(Groups {
        class: class_figure(task, &kernels, &clocks),
        kernels,
    })
}

/// Seconds of one hand-over of a line around all cores.
#[expect(clippy::cast_precision_loss, reason = "a small count")]
fn hand_over(task: &Task<'_>) -> Result<f64, MeasureError> {
    let count = task.cpus.len() as u64;
    let longest_ns = u64::try_from(task.length.mul_f64(SHARE).as_nanos()).unwrap_or(u64::MAX);
    let area = SharedWords::create(8)?;
    let line = &area.words()[0];
    let barrier = Barrier::new(task.cpus.len());
    let spans = on_all(task, |index| {
        barrier.wait();
        let start = os::raw_ns();
        let mut turn = index;
        let handed = loop {
            let mut holds = line.load(Ordering::Acquire);
            while holds != turn && holds != OVER {
                std::hint::spin_loop();
                holds = line.load(Ordering::Acquire);
            }
            let late = turn % LOOK_EVERY < count && os::raw_ns().saturating_sub(start) > longest_ns;
            if holds == OVER || turn >= HANDOVERS || late {
                line.store(OVER, Ordering::Release);
                break turn;
            }
            line.store(turn + 1, Ordering::Release);
            turn += count;
        };
        (os::raw_ns().saturating_sub(start), handed)
    })?;
    let longest = spans.iter().map(|(span, _)| *span).max().unwrap_or(0);
    let handed = spans.iter().map(|(_, handed)| *handed).min().unwrap_or(0);
    Ok(seconds(longest) / handed.max(1) as f64)
}

/// Runs `work` on every CPU of the task at once.
fn on_all<T: Send>(
    task: &Task<'_>,
    work: impl Fn(u64) -> T + Sync,
) -> Result<Vec<T>, MeasureError> {
    std::thread::scope(|scope| {
        let work = &work;
        let start = |(index, cpu)| {
            scope.spawn(move || {
                // Not placed is slower, not wrong; and nobody may be left waiting for it.
                let placed = os::pin_to(cpu);
                let outcome = work(index);
                placed.map(|()| outcome).map_err(MeasureError::from)
            })
        };
        let threads: Vec<_> = (0..).zip(task.cpus.iter().copied()).map(start).collect();
        let joined = threads.into_iter().map(|thread| match thread.join() {
            Ok(outcome) => outcome,
            Err(panic) => std::panic::resume_unwind(panic),
        });
        joined.collect()
    })
}

/// One kernel with what its members share.
struct Team<'a> {
    area: &'a SharedWords,
    pass: GroupPass,
    known: KnownAnswer,
}

impl Team<'_> {
    fn work(
        &self,
        task: &Task<'_>,
        first_pass: u64,
        heed: Heed<'_>,
    ) -> Result<Vec<Shift>, MeasureError> {
        let count = u32::try_from(task.cpus.len()).unwrap_or(u32::MAX);
        let area: &[AtomicU64] = self.area.words();
        let barrier = Barrier::new(task.cpus.len());
        on_all(task, |index| {
            barrier.wait();
            let start = os::raw_ns();
            let mut wrong = false;
            for pass in first_pass..first_pass + PASSES {
                let member = Member {
                    index: u32::try_from(index).unwrap_or(u32::MAX),
                    count,
                    pass,
                    area,
                };
                let outcome = (self.pass)(&member, self.known.rounds, &mut { heed });
                let Outcome::Answer { answer, .. } = outcome else {
                    break;
                };
                wrong |= answer != self.known.answer;
            }
            Shift {
                seconds: seconds(os::raw_ns().saturating_sub(start)),
                mhz: probe_clock_mhz(None, &mut os::raw_ns),
                wrong,
            }
        })
    }

    fn work_of_a_repeat(&self, spec: &KernelSpec) -> Work {
        let rounds = super::subject::rounds(self.known) * PASSES;
        super::subject::times((spec.work_a_round)(InstructionSet::Portable), rounds)
    }
}

fn figure(
    spec: &'static KernelSpec,
    team: &Team<'_>,
    repeats: &[Vec<Shift>],
    bare_s: f64,
) -> KernelFigure {
    let exchanges = RateUnit::Exchanges.amount(&team.work_of_a_repeat(spec));
    let slowest = |shifts: &Vec<Shift>| {
        let spans = shifts.iter().map(|shift| shift.seconds);
        spans.fold(0.0, f64::max)
    };
    let rates: Vec<f64> = repeats
        .iter()
        .map(|shifts| exchanges / slowest(shifts))
        .collect();
    let members = repeats.iter().flatten();
    KernelFigure {
        name: spec.name,
        class: spec.class,
        set: InstructionSet::Portable,
        unit: RateUnit::Exchanges,
        rate_per_s: Spread::of(rates.iter().copied()).median,
        of_limit: Some(OfLimit {
            bound: Bound::BareHandover,
            fraction: Spread::of(rates.iter().map(|rate| rate * bare_s)),
        }),
        checking: None,
        clock_mhz: Spread::of(members.clone().map(|shift| shift.mhz)).median,
        wrong: members.clone().any(|shift| shift.wrong),
    }
}

fn class_figure(
    task: &Task<'_>,
    kernels: &[KernelFigure],
    clocks: &[Vec<f64>],
) -> Option<ClassFigure> {
    let first = kernels.first()?;
    let best = |core: usize| {
        let of_core = clocks.iter().filter_map(|clocks| clocks.get(core));
        of_core.copied().fold(0.0, f64::max)
    };
    let clocks = || (0..task.cpus.len()).map(best);
    Some(ClassFigure {
        class: LoadClass::Contention,
        kernel: first.name,
        slowest_mhz: clocks().fold(f64::INFINITY, f64::min),
        fastest_mhz: clocks().fold(0.0, f64::max),
        scaling: None,
    })
}
