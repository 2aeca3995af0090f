//! Rows of which one side is not a bare loop: a general-purpose matrix product, the same kernel unchecked,
//! and multiply-adds with integer work beside them.

use nalgebra::DMatrix;
use soakproof::kernels::limit::{Limit, LimitLoop};
use soakproof::kernels::{
    Beat, Body, ComputePass, Go, KernelSpec, Outcome, catalogue, detect, find, probe_clock_mhz,
    unchecked_pass,
};
use soakproof::model::{InstructionSet, LoadClass, Unit};
use soakproof::os::{self, Region};

use super::Row;
use super::clockwork::{best_cycles, median_of};

/// Side of the matrices of the general-purpose product.
const SIDE: usize = 1024;
/// Turns of a bare loop, some milliseconds.
const TURNS: u64 = 100_000;
/// Probes whose spread is told.
const PROBES: usize = 10;

struct OnAndOn;

impl Beat for OnAndOn {
    fn beat(&mut self, _: u32) -> Go {
        Go::On
    }
}

/// Largest distance of ten clock probes over the largest.
pub(crate) fn probe_spread() -> f64 {
    let probes: Vec<f64> = (0..PROBES)
        .map(|_| probe_clock_mhz(None, &mut os::raw_ns))
        .collect();
    let most = probes.iter().copied().fold(0.0, f64::max);
    let least = probes.iter().copied().fold(f64::INFINITY, f64::min);
    (most - least) / most
}

/// A compute kernel with its arena, and its floating-point operations a pass.
struct Pass {
    spec: &'static KernelSpec,
    set: InstructionSet,
    region: Region,
    flops: f64,
}

impl Pass {
    fn new(spec: &'static KernelSpec, set: InstructionSet) -> Self {
        let Body::Compute {
            arena_words,
            answers,
            ..
        } = spec.body
        else {
            panic!("{} computes in no arena", spec.name);
        };
        let rounds = f64::from(answers[0].rounds) * 8.0;
        let work = (spec.work_a_round)(set);
        #[expect(clippy::cast_precision_loss, reason = "operations of a round")]
        let a_round = (work.double_flops + work.single_flops) as f64;
        Self {
            spec,
            set,
            region: Region::map(arena_words * 8, &mut || true).unwrap(),
            flops: a_round * rounds,
        }
    }

    fn run(&mut self) {
        let Body::Compute { pass, answers, .. } = self.spec.body else {
            return;
        };
        let answer = answers[0].answer;
        let located = None;
        assert_eq!(self.outcome(pass), Outcome::Answer { answer, located });
    }

    fn outcome(&mut self, pass: ComputePass) -> Outcome {
        let Body::Compute {
            arena_words,
            answers,
            ..
        } = self.spec.body
        else {
            panic!("{} computes in no arena", self.spec.name);
        };
        let arena = &mut self.region.words_mut()[..arena_words];
        pass(self.set, arena, answers[0].rounds, &mut OnAndOn)
    }

    /// Operations a cycle of one repeat.
    fn flops_a_cycle(&mut self) -> f64 {
        let flops = self.flops;
        flops / best_cycles(wide(self.set), || self.run())
    }
}

fn wide(set: InstructionSet) -> Option<InstructionSet> {
    matches!(set, InstructionSet::Avx2 | InstructionSet::Avx512).then_some(set)
}

/// The rows of this file.
pub(crate) fn rows(add: &mut impl FnMut(Row)) {
    let detected = detect();
    let spec = find("fma-f64.l1").unwrap();
    let best = spec.best_path(&detected);
    let vectors = wide(best).is_some();
    let product = vectors.then(|| against_product(&mut Pass::new(spec, best)));
    let what = "best verified kernel against a matrix product";
    add(Row::ratio(what, product, (1.08, 1.00)));
    for set in [InstructionSet::Avx2, InstructionSet::Avx512] {
        let figure = detected.has(set).then(|| {
            let mut kernel = Pass::new(spec, set);
            let unchecked = unchecked_pass(spec.name).unwrap();
            median_of(|| {
                let without = best_cycles(wide(set), || {
                    std::hint::black_box(kernel.outcome(unchecked));
                });
                without / best_cycles(wide(set), || kernel.run())
            })
        });
        let what = format!("verified against unverified, {}", set.words());
        add(Row::ratio(&what, figure, (0.98, 0.95)));
    }
    add(Row::ratio(
        "multiply-add with integer work beside, of peak",
        beside_integers(),
        (0.95, 0.88),
    ));
}

/// Against the product of a general-purpose library (`nalgebra` over `matrixmultiply`), which chooses its
/// own instruction set.
fn against_product(kernel: &mut Pass) -> f64 {
    let fill = |seed: usize| {
        move |row: usize, column: usize| {
            let value = u32::try_from((row * 31 + column * 17 + seed) % 1000).unwrap_or(0);
            f64::from(value) / 500.0 - 1.0
        }
    };
    let left = DMatrix::from_fn(SIDE, SIDE, fill(1));
    let right = DMatrix::from_fn(SIDE, SIDE, fill(2));
    let mut product = DMatrix::zeros(SIDE, SIDE);
    let side = f64::from(u32::try_from(SIDE).unwrap_or(u32::MAX));
    let flops = 2.0 * side.powi(3);
    median_of(|| {
        let library = flops / best_cycles(wide(kernel.set), || left.mul_to(&right, &mut product));
        kernel.flops_a_cycle() / library
    })
}

/// The share of peak of the wide kernel that also keeps the integer units busy.
fn beside_integers() -> Option<f64> {
    let detected = detect();
    let mixed = catalogue().into_iter().find(|spec| {
        let keeps = |unit| spec.units.contains(&unit);
        spec.class == LoadClass::WideVector
            && keeps(Unit::FloatMultiplyAdd)
            && keeps(Unit::IntegerAlu)
    })?;
    let set = mixed.best_path(&detected);
    let bare = LimitLoop::new(Limit::DoubleMultiplyAdd, set, &detected)?;
    #[expect(clippy::cast_precision_loss, reason = "operations of a window")]
    let flops = (bare.work_a_turn().double_flops * TURNS) as f64;
    let mut kernel = Pass::new(mixed, set);
    Some(median_of(|| {
        let peak = flops / best_cycles(wide(set), || bare.run(TURNS));
        kernel.flops_a_cycle() / peak
    }))
}
