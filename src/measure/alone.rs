//! Compute kernels and bare loops on one core, turn by turn.

use super::figures::{
    Bound, KernelFigure, LimitFigure, OfLimit, RateUnit, Spread, amount_against, bounds_of,
    unit_of, wide_of,
};
use super::subject::{Subject, times};
use super::window::{Reading, Watch};
use super::{MeasureError, REPEATS, Task};
use crate::kernels::Work;
use crate::kernels::limit::{Limit, LimitLoop};
use crate::model::InstructionSet;
use crate::os::{self, Region};

/// Length of a bare loop's window, in seconds.
const WINDOW_S: f64 = 1.5e-3;
/// Turns of the first try.
const FIRST_TURNS: u64 = 2000;
/// Share of the whole time that this part may take.
const SHARE: f64 = 0.5;

/// What came of it.
pub(super) struct Alone {
    pub(super) repeats: usize,
    pub(super) probe_spread: f64,
    pub(super) limits: Vec<LimitFigure>,
    pub(super) kernels: Vec<KernelFigure>,
}

/// A bare loop with its readings.
struct Loop {
    bare: LimitLoop,
    turns: u64,
    readings: Vec<Reading>,
}

/// A kernel with its readings.
struct Kernel {
    subject: Subject,
    readings: Vec<Reading>,
    short_s: Vec<f64>,
    wrong: bool,
}

/// Measures all compute kernels of the task and the loops that bound them.
pub(super) fn measure_alone(task: &Task<'_>, watch: &mut Watch<'_>) -> Result<Alone, MeasureError> {
    let mut kernels: Vec<Kernel> = task
        .kernels
        .iter()
        .filter_map(|spec| Subject::new(spec, &task.detected))
        .map(|subject| Kernel {
            subject,
            readings: Vec::new(),
            short_s: Vec::new(),
            wrong: false,
        })
        .collect();
    let mut loops = loops(task, &kernels, watch);
    let words = kernels.iter().map(|kernel| kernel.subject.arena_words);
    let mut arena = Region::map(words.max().unwrap_or(0) * 8, &mut || true)?;
    let began = os::monotonic();
    let (fewest, most) = REPEATS;
    let mut repeats = 0;
    while repeats < most {
        let spent = os::monotonic().since(began);
        if repeats >= fewest && spent > task.length.mul_f64(SHARE) {
            break;
        }
        for one in &mut loops {
            let wide = wide_of(one.bare.set(), &task.detected);
            one.readings
                .push(watch.repeat(wide, || one.bare.run(one.turns)));
        }
        for kernel in &mut kernels {
            repeat_kernel(kernel, task, watch, &mut arena);
        }
        if watch.stopped() {
            return Err(MeasureError::Stopped);
        }
        repeats += 1;
    }
    let spreads = loops.iter().flat_map(|one| &one.readings);
    Ok(Alone {
        repeats,
        probe_spread: Spread::of(spreads.map(|reading| reading.probe_spread)).median,
        limits: loops.iter().map(limit_figure).collect(),
        kernels: kernels
            .iter()
            .map(|kernel| kernel_figure(kernel, &loops))
            .collect(),
    })
}

fn repeat_kernel(kernel: &mut Kernel, task: &Task<'_>, watch: &mut Watch<'_>, arena: &mut Region) {
    let subject = kernel.subject;
    let (heed, wrong) = (watch.beat(), &mut kernel.wrong);
    let working = subject.working();
    let reading = watch.repeat(wide_of(subject.set, &task.detected), || {
        *wrong |= !subject.run(working, arena.words_mut(), heed);
    });
    kernel.readings.push(reading);
    if let Some(shorter) = subject.shorter() {
        kernel.short_s.push(watch.best_of_three(|| {
            *wrong |= !subject.run(shorter, arena.words_mut(), heed);
        }));
    }
}

/// The loops that bound any of the kernels, with turns for a window.
fn loops(task: &Task<'_>, kernels: &[Kernel], watch: &mut Watch<'_>) -> Vec<Loop> {
    let mut wanted: Vec<(Limit, InstructionSet)> = Vec::new();
    for kernel in kernels {
        let Subject { spec, set, .. } = kernel.subject;
        for (limit, set, _) in bounds_of(&(spec.work_a_round)(set), set, spec.level) {
            if !wanted.contains(&(limit, set)) {
                wanted.push((limit, set));
            }
        }
    }
    wanted.sort_by_key(|wanted| Limit::ALL.iter().position(|limit| *limit == wanted.0));
    let made = wanted.into_iter();
    let made = made.filter_map(|(limit, set)| LimitLoop::new(limit, set, &task.detected));
    let made = made.map(|bare| Loop {
        bare,
        turns: turns_for_a_window(bare, watch),
        readings: Vec::new(),
    });
    made.collect()
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a positive count of turns; a float cast saturates"
)]
fn turns_for_a_window(bare: LimitLoop, watch: &mut Watch<'_>) -> u64 {
    let first_s = watch.best_of_three(|| bare.run(FIRST_TURNS));
    let turns = FIRST_TURNS as f64 * WINDOW_S / first_s;
    (turns as u64).max(1)
}

/// Amount a cycle in each repeat.
fn per_cycle(one: &Loop) -> impl Iterator<Item = f64> {
    let unit = unit_of(one.bare.limit());
    let amount = unit.amount(&times(one.bare.work_a_turn(), one.turns));
    one.readings
        .iter()
        .map(move |reading| amount / reading.cycles())
}

fn limit_figure(one: &Loop) -> LimitFigure {
    LimitFigure {
        limit: one.bare.limit(),
        set: one.bare.set(),
        unit: unit_of(one.bare.limit()),
        per_cycle: Spread::of(per_cycle(one)),
    }
}

fn kernel_figure(kernel: &Kernel, loops: &[Loop]) -> KernelFigure {
    let subject = kernel.subject;
    let work = subject.work();
    let bounds = bounds_of(&work, subject.set, subject.spec.level);
    let measured = bounds.into_iter().filter_map(|(limit, set, unit)| {
        let mut loops = loops.iter();
        let bare = loops.find(|one| one.bare.limit() == limit && one.bare.set() == set)?;
        let fraction = fraction(kernel, bare, &work);
        let bound = Bound::Core(limit);
        Some((unit, OfLimit { bound, fraction }))
    });
    let nearest = measured
        .max_by(|(_, one), (_, other)| one.fraction.median.total_cmp(&other.fraction.median));
    let unit = nearest.map_or_else(|| leading_unit(&work), |(unit, _)| unit);
    let seconds = Spread::of(kernel.readings.iter().map(|reading| reading.seconds)).median;
    let hertz = Spread::of(kernel.readings.iter().map(|reading| reading.hertz)).median;
    KernelFigure {
        name: subject.spec.name,
        class: subject.spec.class,
        set: subject.set,
        unit,
        rate_per_s: unit.amount(&work) / seconds,
        of_limit: nearest.map(|(_, of_limit)| of_limit),
        checking: checking(kernel),
        clock_mhz: hertz / 1e6,
        wrong: kernel.wrong,
    }
}

/// Each repeat's amount a cycle over that of the bare loop in the same repeat.
fn fraction(kernel: &Kernel, bare: &Loop, work: &Work) -> Spread {
    let limit = bare.bare.limit();
    let amount = amount_against(limit, unit_of(limit), work);
    let pairs = kernel.readings.iter().zip(per_cycle(bare));
    Spread::of(pairs.map(|(reading, limit)| amount / reading.cycles() / limit))
}

/// What to count where there is no limit to hold it against.
fn leading_unit(work: &Work) -> RateUnit {
    let units = [
        RateUnit::DoubleFlops,
        RateUnit::SingleFlops,
        RateUnit::IntegerOperations,
        RateUnit::Divisions,
        RateUnit::HashBlocks,
        RateUnit::Bytes,
    ];
    let mut units = units.into_iter();
    let known = units.find(|unit| unit.amount(work) > 0.0);
    known.unwrap_or(RateUnit::Passes)
}

/// Share of a pass that does not grow with its rounds: setting up and digests. The time of two lengths
/// tells it.
fn checking(kernel: &Kernel) -> Option<f64> {
    let short = kernel.subject.shorter()?;
    let (rounds, short_rounds) = (
        f64::from(kernel.subject.working().rounds),
        f64::from(short.rounds),
    );
    let pairs = kernel.readings.iter().zip(&kernel.short_s);
    let shares = pairs.map(|(reading, short_s)| {
        let a_round = (reading.seconds - short_s) / (rounds - short_rounds);
        1.0 - a_round * rounds / reading.seconds
    });
    Some(Spread::of(shares).median.max(0.0))
}
