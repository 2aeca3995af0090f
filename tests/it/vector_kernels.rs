//! Wide-vector kernels against a naive scalar reference (element by element, checksum by the `crc`
//! crate), flips of single bits during a pass, and the clock probe.

#![expect(unsafe_code, reason = "flips bits behind a kernel's back")]
#![expect(clippy::disallowed_methods, reason = "tests time their own work")]
#![expect(
    clippy::cast_possible_truncation,
    reason = "the reference takes words apart"
)]

use std::time::Instant;

use soakproof::kernels::{
    Answer, Beat, Body, ComputePass, Go, KernelSpec, KnownAnswer, Outcome, detect, find,
    probe_clock, probe_clock_mhz,
};
use soakproof::model::InstructionSet;

const NAMES: [&str; 1] = ["vec-int.l1"];

fn compute(
    name: &str,
) -> (
    &'static KernelSpec,
    usize,
    ComputePass,
    &'static [KnownAnswer],
) {
    let spec = find(name).expect("in the catalogue");
    match spec.body {
        Body::Compute {
            arena_words,
            pass,
            answers,
        } => (spec, arena_words, pass, answers),
        Body::Walk { .. } | Body::Group { .. } => panic!("`{name}` computes"),
    }
}

fn random(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let z = (*state ^ (*state >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

fn reference(words: usize, rounds: usize) -> Answer {
    let n = (words - 16 - 512) / 2;
    let mut seed = 0x736F_616B_7072_6F6F;
    let mut fill = |count: usize| -> Vec<u64> { (0..count).map(|_| random(&mut seed)).collect() };
    let mut x = fill(n);
    let c = fill(n + 512);
    let mut tail = [0_u64; 16];
    tail[8] = 0x9E37_79B1;
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI);
    std::array::from_fn(|step| {
        let sweeps = step * rounds..(step + 1) * rounds;
        integers(&mut x, &c, &mut tail, sweeps);
        let bytes = |w: &[u64]| w.iter().flat_map(|w| w.to_le_bytes()).collect::<Vec<u8>>();
        let all = [bytes(&x), bytes(&c), bytes(&tail)].concat();
        (u64::from(crc.checksum(&all)) << 32) | u64::from(crc.checksum(&bytes(&tail)))
    })
}

fn integers(x: &mut [u64], c: &[u64], tail: &mut [u64; 16], sweeps: std::ops::Range<usize>) {
    for (pair, chunk) in x.chunks_mut(16).enumerate() {
        for sweep in sweeps.clone() {
            for round in 0..8 {
                for lane in 0..8 {
                    let add = c[pair * 16 + 8 * ((sweep + round) % 63) + lane];
                    let product = u64::from(chunk[8 + lane] as u32) * 0x9E37_79B1;
                    chunk[lane] = chunk[lane].wrapping_add(product).wrapping_add(add);
                    chunk[8 + lane] = chunk[8 + lane].rotate_left(23) ^ chunk[lane];
                    tail[lane] = tail[lane].wrapping_add(chunk[8 + lane]);
                }
                chunk[..8].rotate_left(3);
            }
        }
    }
}

/// Goes on, and flips one bit at one beat if told to.
struct Flipper {
    arena: *mut u64,
    at_beat: u32,
    word: usize,
    bit: u32,
    beats: u32,
}

impl Beat for Flipper {
    fn beat(&mut self, _step: u32) -> Go {
        if self.beats == self.at_beat {
            // SAFETY: `word` is below the length of the arena that `arena` points to.
            let place = unsafe { self.arena.add(self.word) };
            // SAFETY: as above; nobody else runs while a kernel is in its beat.
            let value = unsafe { place.read_volatile() };
            // SAFETY: as above.
            unsafe { place.write_volatile(value ^ (1 << self.bit)) };
        }
        self.beats += 1;
        Go::On
    }
}

struct Stopper(u32);

impl Beat for Stopper {
    fn beat(&mut self, _step: u32) -> Go {
        self.0 = self.0.saturating_sub(1);
        if self.0 == 0 { Go::Stop } else { Go::On }
    }
}

fn run_pass(
    name: &str,
    set: InstructionSet,
    rounds: u32,
    flip: Option<(u32, usize, u32)>,
) -> Answer {
    let (_, words, pass, _) = compute(name);
    let mut room = vec![0xA5A5_5A5A_0F0F_1234_u64; words + 512];
    let start = room.as_ptr().align_offset(4096);
    let arena = &mut room[start..start + words];
    let (at_beat, word, bit) = flip.unwrap_or((u32::MAX, 0, 0));
    let mut hook = Flipper {
        arena: arena.as_mut_ptr(),
        at_beat,
        word,
        bit,
        beats: 0,
    };
    match pass(set, arena, rounds, &mut hook) {
        Outcome::Answer { answer, .. } => answer,
        Outcome::Stopped => panic!("nobody stopped it"),
    }
}

fn usable(spec: &KernelSpec) -> Vec<InstructionSet> {
    let found = detect();
    spec.paths
        .iter()
        .copied()
        .filter(|path| found.has(*path))
        .collect()
}

#[test]
fn every_path_gives_the_answer_of_the_reference_at_every_length() {
    for name in NAMES {
        let (spec, words, _, answers) = compute(name);
        assert!(answers.len() >= 3, "`{name}` has {} lengths", answers.len());
        for known in answers {
            let rounds = usize::try_from(known.rounds).unwrap();
            assert_eq!(reference(words, rounds), known.answer, "{name} {rounds}");
            for path in usable(spec) {
                assert_eq!(
                    run_pass(name, path, known.rounds, None),
                    known.answer,
                    "{name} {path:?}"
                );
            }
        }
    }
}

#[test]
fn a_single_flipped_bit_in_the_arena_is_never_missed() {
    let mut seed = 7;
    for name in NAMES {
        let (spec, words, _, answers) = compute(name);
        let known = answers.last().expect("has lengths");
        let path = spec.best_path(&detect());
        let trials = 2500;
        for _ in 0..trials {
            let word = usize::try_from(random(&mut seed)).unwrap() % words;
            let (beat, bit) = (
                (random(&mut seed) % 8) as u32,
                (random(&mut seed) % 64) as u32,
            );
            let got = run_pass(name, path, known.rounds, Some((beat, word, bit)));
            assert_ne!(
                got, known.answer,
                "{name}: beat {beat} word {word} bit {bit}"
            );
        }
    }
}

#[test]
fn a_pass_stops_when_told_to() {
    for name in NAMES {
        let (_, words, pass, answers) = compute(name);
        let mut arena = vec![u64::MAX; words];
        let rounds = answers.last().expect("has lengths").rounds;
        let outcome = pass(
            InstructionSet::Portable,
            &mut arena,
            rounds,
            &mut Stopper(3),
        );
        assert_eq!(outcome, Outcome::Stopped, "{name}");
    }
}

#[test]
fn the_clock_is_additions_by_time() {
    let mut now = 0;
    let mut fake = || {
        now += 125_000;
        now
    };
    let probe = probe_clock(None, &mut fake);
    // 2000 turns of 64 additions in 125 microseconds.
    assert!((probe.mhz - 1024.0).abs() < 1e-9, "{probe:?}");
    assert!(probe.spread.abs() < 1e-12, "{probe:?}");
}

#[test]
fn two_probes_of_one_process_agree() {
    let start = Instant::now();
    let mut now = || u64::try_from(start.elapsed().as_nanos()).unwrap();
    let mut best = f64::INFINITY;
    let wide = detect().sets().last().copied();
    for _ in 0..20 {
        let first = probe_clock_mhz(None, &mut now);
        let second = probe_clock_mhz(wide, &mut now);
        best = best.min((first - second).abs() / first.max(second));
    }
    assert!(best < 0.05, "best difference {best}");
}

#[test]
#[ignore = "prints the constants"]
fn print_reference_answers() {
    let (_, words, _, answers) = compute("vec-int.l1");
    for known in answers {
        let rounds = usize::try_from(known.rounds).unwrap();
        println!("vec-int.l1 {rounds} {:#018x?}", reference(words, rounds));
    }
}
