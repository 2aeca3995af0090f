//! The multiply-add kernels against a naive reference, the arithmetic they rest on, and flipped bits.

#![expect(unsafe_code, reason = "flips bits behind a kernel's back")]
#![expect(
    clippy::cast_possible_truncation,
    clippy::unwrap_used,
    reason = "the reference takes words apart; a test may fail by panic"
)]

mod blocks;
mod flips;
mod reference;

use std::thread;

use nix::sched::{CpuSet, sched_getaffinity, sched_setaffinity};
use nix::unistd::Pid;
use soakproof::kernels::{
    Answer, Beat, Body, ComputePass, Detected, Go, KernelSpec, KnownAnswer, Outcome, detect, find,
};
use soakproof::model::InstructionSet;

use reference::{Fault, Shape, answer};

const NAMES: [&str; 8] = [
    "fma-scalar.l1",
    "fma-f64.l1",
    "fma-f64.l2",
    "fma-f64.llc",
    "fma-f32.l1",
    "fma-f32.l2",
    "product-f64.l1",
    "product-f32.l1",
];

/// Value `index` of the published SplitMix64 generator (Steele, Lea, Flood 2014).
fn random(seed: u64, index: u64) -> u64 {
    let z = seed.wrapping_add((index + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
    let z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

struct Kernel {
    name: &'static str,
    spec: &'static KernelSpec,
    words: usize,
    pass: ComputePass,
    answers: &'static [KnownAnswer],
    shape: Shape,
}

impl Kernel {
    fn find(name: &'static str) -> Self {
        let spec = find(name).expect("in the catalogue");
        let Body::Compute {
            arena_words,
            pass,
            answers,
        } = spec.body
        else {
            panic!("`{name}` computes");
        };
        let is_product = name.starts_with("product");
        let window = 8 * (62 + if is_product { 4 } else { 12 });
        let shape = Shape {
            is_product,
            is_single: name.contains("f32"),
            sums: if name.starts_with("fma-scalar") { 1 } else { 4 },
            state: (arena_words - window - 28) / 2,
        };
        Self {
            name,
            spec,
            words: arena_words,
            pass,
            answers,
            shape,
        }
    }

    fn paths(&self, detected: &Detected) -> Vec<InstructionSet> {
        let paths = self.spec.paths.iter().copied();
        paths.filter(|path| detected.has(*path)).collect()
    }

    fn shortest(&self) -> KnownAnswer {
        *self.answers.last().expect("has lengths")
    }

    fn run(
        &self,
        path: InstructionSet,
        arena: &mut Arena,
        rounds: u32,
        beat: &mut dyn Beat,
    ) -> Answer {
        match (self.pass)(path, arena.words(), rounds, beat) {
            Outcome::Answer { answer, located } => {
                assert_eq!(located, None);
                answer
            }
            Outcome::Stopped => panic!("nobody stopped it"),
        }
    }
}

/// Words that begin a page, full of leftovers.
struct Arena {
    room: Vec<u64>,
    start: usize,
    words: usize,
}

impl Arena {
    fn new(words: usize) -> Self {
        let room = vec![0xA5A5_5A5A_0F0F_1234_u64; words + 512];
        let start = room.as_ptr().align_offset(4096);
        Self { room, start, words }
    }

    fn words(&mut self) -> &mut [u64] {
        &mut self.room[self.start..self.start + self.words]
    }
}

struct Steady;

impl Beat for Steady {
    fn beat(&mut self, _: u32) -> Go {
        Go::On
    }
}

/// Lengths that take the reference and the portable path no more than a moment.
fn short_lengths(kernel: &Kernel) -> impl Iterator<Item = &KnownAnswer> {
    let state = kernel.shape.state as u64;
    let known = kernel.answers.iter();
    known.filter(move |known| u64::from(known.rounds) * state < 1 << 19)
}

#[test]
fn every_path_gives_the_answer_of_the_reference() {
    for name in NAMES {
        let kernel = Kernel::find(name);
        assert!(short_lengths(&kernel).count() >= 2, "{name}");
        for known in short_lengths(&kernel) {
            let expected = answer(kernel.shape, known.rounds as usize, &mut Fault::none());
            assert_eq!(expected, known.answer, "{name} {}", known.rounds);
        }
        for path in kernel.paths(&detect()) {
            let is_slow = path == InstructionSet::Portable;
            let lengths: Vec<_> = if is_slow {
                short_lengths(&kernel).collect()
            } else {
                kernel.answers.iter().collect()
            };
            for known in lengths {
                let mut arena = Arena::new(kernel.words);
                let got = kernel.run(path, &mut arena, known.rounds, &mut Steady);
                assert_eq!(got, known.answer, "{name} {path:?} {}", known.rounds);
            }
        }
    }
}

/// The working lengths, at which the test above is content with paths that agree with the constant.
#[test]
#[ignore = "minutes: the reference at working length"]
fn the_reference_gives_every_answer() {
    for name in NAMES {
        let kernel = Kernel::find(name);
        for known in kernel.answers {
            let expected = answer(kernel.shape, known.rounds as usize, &mut Fault::none());
            assert_eq!(expected, known.answer, "{name} {}", known.rounds);
        }
    }
}

#[test]
#[ignore = "prints what stands in `kernels/fma/answers.rs`"]
fn print_answers() {
    for name in NAMES {
        let kernel = Kernel::find(name);
        for known in kernel.answers {
            let words = answer(kernel.shape, known.rounds as usize, &mut Fault::none());
            println!("ANSWER {name} {} {words:#018x?}", known.rounds);
        }
    }
}

/// Runs a pass of another length at every beat, in an arena of its own, and counts.
struct Interrupting<'a> {
    kernel: &'a Kernel,
    path: InstructionSet,
    beats: u32,
}

impl Beat for Interrupting<'_> {
    fn beat(&mut self, _: u32) -> Go {
        let mut other = Arena::new(self.kernel.words);
        self.kernel.run(self.path, &mut other, 1, &mut Steady);
        self.beats += 1;
        Go::On
    }
}

#[test]
fn an_answer_does_not_depend_on_what_happens_between_beats() {
    let kernel = Kernel::find("fma-f64.l1");
    for path in kernel.paths(&detect()) {
        if path == InstructionSet::Portable {
            continue;
        }
        let known = kernel.answers[0];
        let mut beat = Interrupting {
            kernel: &kernel,
            path,
            beats: 0,
        };
        let mut arena = Arena::new(kernel.words);
        let got = kernel.run(path, &mut arena, known.rounds, &mut beat);
        assert_eq!(got, known.answer, "{path:?}");
        assert!(beat.beats > 8, "a step is split between beats");
    }
}

#[test]
fn an_answer_does_not_depend_on_the_core() {
    let own = Pid::from_raw(0);
    let allowed = sched_getaffinity(own).unwrap();
    for cpu in (0..CpuSet::count()).filter(|cpu| allowed.is_set(*cpu).unwrap()) {
        let on_one_cpu = move || {
            let mut only = CpuSet::new();
            only.set(cpu).unwrap();
            sched_setaffinity(own, &only).unwrap();
            for name in ["fma-scalar.l1", "fma-f64.l1", "product-f32.l1"] {
                let kernel = Kernel::find(name);
                let path = kernel.spec.best_path(&detect());
                let known = kernel.answers[1];
                let got = kernel.run(
                    path,
                    &mut Arena::new(kernel.words),
                    known.rounds,
                    &mut Steady,
                );
                assert_eq!(got, known.answer, "{name} on CPU {cpu}");
            }
        };
        thread::spawn(on_one_cpu).join().unwrap();
    }
}

struct StopAt(u32);

impl Beat for StopAt {
    fn beat(&mut self, _: u32) -> Go {
        self.0 = self.0.saturating_sub(1);
        if self.0 == 0 { Go::Stop } else { Go::On }
    }
}

#[test]
fn a_pass_stops_when_told_to() {
    for name in NAMES {
        let kernel = Kernel::find(name);
        let mut arena = Arena::new(kernel.words);
        for path in kernel.paths(&detect()) {
            let outcome = (kernel.pass)(path, arena.words(), 1, &mut StopAt(3));
            assert_eq!(outcome, Outcome::Stopped, "{name} {path:?}");
        }
    }
}

/// Significand of a number of the binade from `low` on, as an integer of 53 bits.
fn significand(value: f64, low: f64) -> i128 {
    assert!((low..2.0 * low).contains(&value));
    (value / low * 2.0_f64.powi(52)) as i128
}

/// The exact product as an error-free transformation: product and remainder are together `x * a`, to the
/// last bit (Ogita, Rump, Oishi, "Accurate Sum and Dot Product", SIAM J. Sci. Comput. 26(6), 2005,
/// algorithm 3.5, from memory; that it is exact follows from IEEE 754-2019 section 5.4.1). Held
/// against integers.
#[test]
fn product_and_remainder_are_the_whole_product() {
    let factor = f64::from_bits(1.7_f64.to_bits() | 1);
    for index in 0..10_000 {
        let x = 1.375 + (random(31, index) >> 12) as f64 / 2.0_f64.powi(54);
        let product = x * factor;
        let remainder = x.mul_add(factor, -product);
        let exact = significand(x, 1.0) * significand(factor, 1.0);
        // The product counts in units of 2^-51, the whole in units of 2^-104.
        let rest = exact - (significand(product, 2.0) << 53);
        assert_eq!((remainder * 2.0_f64.powi(104)) as i128, rest, "{x}");
        assert!(rest.unsigned_abs() <= 1 << 52, "{x}");
    }
}

/// Why a flip cannot be rounded away in a stretching step: numbers one place apart, in any operand, give
/// results apart (slope above 1 in one binade). The contraction is the counter-example.
#[test]
fn a_stretching_step_keeps_neighbours_apart_and_a_contraction_does_not() {
    let next = |value: f64| f64::from_bits(value.to_bits() + 1);
    let odd = |value: f64| f64::from_bits(value.to_bits() | 1);
    let (factor, contract, centre) = (odd(1.81), odd(0.06), odd(1.5 - 1.5 * 0.06));
    let mut merged = 0;
    for index in 0..10_000 {
        let x = 1.25 + (random(32, 2 * index) >> 12) as f64 / 2.0_f64.powi(53);
        let addend = -1.215 + (random(32, 2 * index + 1) >> 12) as f64 / 2.0_f64.powi(59);
        let right = x.mul_add(factor, addend);
        assert_ne!(right, next(x).mul_add(factor, addend), "state {x}");
        assert_ne!(right, x.mul_add(next(factor), addend), "factor {x}");
        assert_ne!(right, x.mul_add(factor, next(addend)), "addend {x}");
        let contracted = x.mul_add(contract, centre);
        assert_ne!(contracted, x.mul_add(contract, next(centre)), "centre {x}");
        merged += u32::from(contracted == next(x).mul_add(contract, centre));
    }
    assert!(merged > 5_000, "a contraction loses most last places");
}
