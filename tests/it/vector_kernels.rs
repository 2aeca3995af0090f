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

const NAMES: [&str; 3] = ["fma-f64.l1", "fma-f64.l2", "fma-f32.l1"];

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

fn unit(r: u64) -> f32 {
    ((r >> 48) as f32 - 32768.0) / 32768.0
}

fn pack(low: f32, high: f32) -> u64 {
    u64::from(low.to_bits()) | (u64::from(high.to_bits()) << 32)
}

fn reference(name: &str, words: usize, rounds: usize) -> Answer {
    let n = (words - 16 - 512) / 2;
    let mut seed = 0x736F_616B_7072_6F6F;
    let mut fill = |count: usize, middle: f64, spread: f64| -> Vec<u64> {
        let word = |r: u64| match name {
            "fma-f32.l1" => {
                let one = |u: f32| u.mul_add(spread as f32, middle as f32);
                pack(one(unit(r << 16)), one(unit(r)))
            }
            _ => f64::from(unit(r)).mul_add(spread, middle).to_bits(),
        };
        (0..count).map(|_| word(random(&mut seed))).collect()
    };
    let mut x = fill(n, 1.5, 0.05);
    let c = fill(n + 512, -1.215, 0.01);
    let mut tail = [0_u64; 16];
    match name {
        "fma-f32.l1" => (tail[8], tail[9]) = (pack(1.81, 0.06), pack(1.41, 0.0)),
        _ => tail[8..11].copy_from_slice(&[1.81_f64, 0.06, 1.41].map(f64::to_bits)),
    }
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISCSI);
    std::array::from_fn(|step| {
        let sweeps = step * rounds..(step + 1) * rounds;
        match name {
            "fma-f32.l1" => singles(&mut x, &c, &mut tail, sweeps),
            _ => doubles(&mut x, &c, &mut tail, sweeps),
        }
        let bytes = |w: &[u64]| w.iter().flat_map(|w| w.to_le_bytes()).collect::<Vec<u8>>();
        let all = [bytes(&x), bytes(&c), bytes(&tail)].concat();
        (u64::from(crc.checksum(&all)) << 32) | u64::from(crc.checksum(&bytes(&tail)))
    })
}

fn doubles(x: &mut [u64], c: &[u64], tail: &mut [u64; 16], sweeps: std::ops::Range<usize>) {
    for (at, word) in x.iter_mut().enumerate() {
        let mut value = f64::from_bits(*word);
        for sweep in sweeps.clone() {
            for round in 0..2 {
                for step in 0..3 {
                    let add = c[at + 8 * ((sweep + 3 * round + step) % 64)];
                    value = value.mul_add(1.81, f64::from_bits(add));
                    assert!((1.0..2.0).contains(&value), "left the binade: {value}");
                }
                tail[at % 8] = tail[at % 8].wrapping_add(value.to_bits());
                value = value.mul_add(0.06, 1.41);
                assert!((1.0..2.0).contains(&value), "left the binade: {value}");
            }
        }
        *word = value.to_bits();
    }
}

fn singles(x: &mut [u64], c: &[u64], tail: &mut [u64; 16], sweeps: std::ops::Range<usize>) {
    let half = |word: u64, upper: usize| f32::from_bits((word >> (32 * upper)) as u32);
    for (at, word) in x.iter_mut().enumerate() {
        let mut pair = [half(*word, 0), half(*word, 1)];
        for (upper, value) in pair.iter_mut().enumerate() {
            for sweep in sweeps.clone() {
                for round in 0..2 {
                    for step in 0..3 {
                        let add = c[at + 8 * ((sweep + 3 * round + step) % 64)];
                        *value = value.mul_add(1.81, half(add, upper));
                        assert!((1.0..2.0).contains(value), "left the binade: {value}");
                    }
                    let mut sums = [half(tail[at % 8], 0), half(tail[at % 8], 1)];
                    let sum = sums[upper].to_bits().wrapping_add(value.to_bits());
                    sums[upper] = f32::from_bits(sum);
                    tail[at % 8] = pack(sums[0], sums[1]);
                    *value = value.mul_add(0.06, 1.41);
                }
            }
        }
        *word = pack(pair[0], pair[1]);
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
            assert_eq!(
                reference(name, words, rounds),
                known.answer,
                "{name} {rounds}"
            );
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
        let trials = if name == "fma-f64.l2" { 200 } else { 2500 };
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
#[ignore = "a measurement, not a check"]
fn print_rates_and_reference_answers() {
    for (name, lengths) in NAMES.iter().zip([[1024, 16, 2], [48, 8, 2], [1024, 16, 2]]) {
        let (spec, words, _, _) = compute(name);
        for rounds in lengths {
            println!("{name} {rounds} {:#018x?}", reference(name, words, rounds));
        }
        let start = Instant::now();
        let mut now = || u64::try_from(start.elapsed().as_nanos()).unwrap();
        for path in usable(spec) {
            let mut best: f64 = 0.0;
            let mut clock: f64 = 0.0;
            let mut least_ms = f64::INFINITY;
            for _ in 0..5 {
                clock = clock.max(probe_clock_mhz(Some(path), &mut now));
                let begin = Instant::now();
                run_pass(name, path, u32::try_from(lengths[0]).unwrap(), None);
                let seconds = begin.elapsed().as_secs_f64();
                least_ms = least_ms.min(seconds * 1e3);
                let state = (words - 528) / 2 * if *name == "fma-f32.l1" { 2 } else { 1 };
                let operations = (state * lengths[0] * 8 * 16) as f64;
                best = best.max(operations / seconds / (clock * 1e6));
            }
            eprintln!("RATE {name} {path:?} {least_ms:.2} ms {clock:.0} MHz {best:.2} FLOP/cycle");
        }
    }
}
