//! Single flipped bits, put into live data from outside: none may be missed.

#![expect(
    unsafe_code,
    reason = "a fault is what changes memory behind the owner's back"
)]

use std::sync::atomic::{AtomicU64, Ordering};

use nix::sched::{CpuSet, sched_getaffinity, sched_setaffinity};
use nix::unistd::Pid;
use soakproof::kernels::{Answer, Beat, Go, Located, Outcome};
use soakproof::model::InstructionSet;

use super::group_reference::{
    ATOMICS_STATE, Flip, HANDOVER_STATE, PUBLISH_STATE, atomics_steps, handover_steps,
    publish_steps,
};
use super::reference::split_mix;
use super::{compute, group, group_pass_with, zeroed};

/// Flips of each kernel and path. None missed is: under 3 in 10,000 missed, at 95 % confidence
/// (exact binomial bound, the "rule of three").
const FLIPS: usize = 10_000;

/// Flips one bit of the arena when the pass tells that it is at step `at`.
struct FlipArena {
    arena: *mut u64,
    word: usize,
    bit: u32,
    at: u32,
}

impl Beat for FlipArena {
    fn beat(&mut self, step: u32) -> Go {
        if step == self.at {
            // SAFETY: `word` lies in the arena, which the test keeps alive over the pass.
            let place = unsafe { self.arena.add(self.word) };
            // SAFETY: the place is a valid word of the arena.
            let word = unsafe { place.read_volatile() };
            // SAFETY: as before; the pass gave the arena's address away before it told its beat.
            unsafe { place.write_volatile(word ^ (1 << self.bit)) };
        }
        Go::On
    }
}

fn flip_and_check(name: &str, mut also: impl FnMut(&FlipArena, Option<Located>)) {
    let kernel = compute(name);
    let known = kernel
        .answers
        .iter()
        .min_by_key(|known| known.rounds)
        .unwrap();
    for path in &kernel.paths {
        // A portable body beside one of instructions of our own choice is slow, and not what runs.
        let is_stand_in = *path == InstructionSet::Portable && kernel.paths.len() > 1;
        let flips = if is_stand_in { FLIPS / 10 } else { FLIPS };
        let random = split_mix(0xF11B, 3 * flips);
        let mut arena = vec![0; kernel.words];
        for random in random.chunks_exact(3) {
            let mut flip = FlipArena {
                arena: arena.as_mut_ptr(),
                word: random[0] as usize % kernel.words,
                bit: (random[1] % 64) as u32,
                at: (random[2] % 8) as u32,
            };
            let outcome = (kernel.pass)(*path, &mut arena, known.rounds, &mut flip);
            let (answer, located) = answer_of(outcome);
            let place = format!(
                "`{name}` {path:?} word {} bit {} step {}",
                flip.word, flip.bit, flip.at
            );
            let first_wrong = (0..8).find(|step| answer[*step] != known.answer[*step]);
            assert_eq!(first_wrong, Some(flip.at as usize), "{place}");
            assert_ne!(answer[7], known.answer[7], "{place}: computed away again");
            also(&flip, located);
        }
    }
}

fn answer_of(outcome: Outcome) -> (Answer, Option<Located>) {
    match outcome {
        Outcome::Answer { answer, located } => (answer, located),
        Outcome::Stopped => panic!("nobody stopped it"),
    }
}

#[test]
fn no_flip_in_a_scalar_integer_kernel_is_missed() {
    for name in [
        "int-streams.reg",
        "int-streams.l1",
        "int-ntt.l1",
        "int-divide.reg",
        "hash-chain.reg",
    ] {
        flip_and_check(name, |_, located| assert_eq!(located, None));
    }
}

#[test]
fn no_flip_in_a_wide_integer_kernel_is_missed() {
    for name in ["vec-int.l1", "vec-int52.l1"] {
        flip_and_check(name, |_, located| assert_eq!(located, None));
    }
}

#[test]
fn no_flip_in_the_kernel_of_all_units_is_missed() {
    flip_and_check("all-units.l1", |_, located| assert_eq!(located, None));
}

#[test]
fn no_flip_in_the_float_chains_is_missed() {
    flip_and_check("float-chains.reg", |_, located| assert_eq!(located, None));
}

#[test]
fn no_flip_in_a_matrix_product_is_missed_and_one_in_the_result_is_located() {
    let result = 2 * 33 * 32..2 * 33 * 32 + 33 * 33;
    let mut located_flips = 0;
    flip_and_check("matrix-exact.l1", |flip, located| {
        if !result.contains(&flip.word) {
            return;
        }
        let located = located.expect("a wrong element is located");
        assert_eq!(located.step, flip.at);
        assert_eq!(located.word as usize, flip.word - result.start);
        assert_eq!(located.expected ^ located.got, 1 << flip.bit);
        located_flips += 1;
    });
    assert!(located_flips > 1000, "only {located_flips} hit the result");
}

/// Flips one bit of the shared area at the first beat in step `at`, if it belongs to member 0.
struct FlipArea<'a> {
    beats_left: u32,
    area: &'a [AtomicU64],
    word: usize,
    bit: u32,
    at: Option<u32>,
}

impl Beat for FlipArea<'_> {
    fn beat(&mut self, step: u32) -> Go {
        if self.at == Some(step) {
            self.at = None;
            self.area[self.word].fetch_xor(1 << self.bit, Ordering::SeqCst);
        }
        // A group that hangs is ended, which its test takes for a failure.
        self.beats_left -= 1;
        if self.beats_left == 0 {
            Go::Stop
        } else {
            Go::On
        }
    }
}

/// Rounds of the passes with flips in a shared area.
const ROUNDS: u32 = 7;

/// Flips `word_of(random[0], step)` once in a pass of `count` members and gives their answers.
fn flip_area(
    name: &str,
    count: u32,
    random: [u64; 3],
    word_of: impl Fn(u64, u32) -> usize,
) -> Vec<Answer> {
    let (words, pass, _) = group(name);
    let area = zeroed(words);
    let at = (random[2] % 8) as u32;
    let outcomes = group_pass_with(pass, &area, (count, 0, ROUNDS), |index| FlipArea {
        beats_left: 300_000,
        area: &area,
        word: word_of(random[0], at),
        bit: (random[1] % 64) as u32,
        at: (index == 0).then_some(at),
    });
    let outcomes = outcomes.into_iter();
    outcomes.map(|outcome| answer_of(outcome).0).collect()
}

/// The right answer at `ROUNDS`.
fn right_answer(name: &str) -> Answer {
    let known = group(name).2.iter().find(|known| known.rounds == ROUNDS);
    known.unwrap().answer
}

/// Words of the members' lines, before what is worked on.
const LINES: usize = 8192;

#[test]
fn no_flip_in_a_shared_cell_is_missed() {
    let right = right_answer("atomics.shared");
    for random in split_mix(0xF11C, 3 * FLIPS).chunks_exact(3) {
        // Not step 0: its first beat may come while waiting for the cells to be cleared.
        let random = [random[0], random[1], 1 + random[2] % 7];
        // A cell of the step that is at work or of a later one; the first beat comes before the work.
        let cell = |random: u64, at: u32| {
            let step = at as usize + (random / 6) as usize % (8 - at as usize);
            LINES + 48 * step + 8 * (random % 6) as usize
        };
        // Every tenth time with a second member, which has to be started each time.
        let members = 1 + u32::from(random[0].is_multiple_of(10));
        for answer in flip_area("atomics.shared", members, random, cell) {
            assert_ne!(answer[7], right[7], "{random:?}");
        }
    }
}

#[test]
fn no_flip_in_a_buffer_that_changes_hands_is_missed() {
    let right = right_answer("handover.shared");
    let mut flipped = 0;
    for random in split_mix(0xF11D, 3 * FLIPS).chunks_exact(3) {
        // The CRC or a word of the buffer. A lone owner tells its beat after hop 0, so in step 0.
        let random = [random[0], random[1], 0];
        let word = |random: u64, _| match random % 65 {
            64 => LINES + 8,
            word => LINES + 16 + word as usize,
        };
        for answer in flip_area("handover.shared", 1, random, word) {
            assert_ne!(answer[7], right[7], "{random:?}");
            flipped += 1;
        }
    }
    assert_eq!(flipped, FLIPS);
}

#[test]
fn no_flip_in_a_published_record_is_missed() {
    let right = right_answer("publish.shared");
    for random in split_mix(0xF11F, 3 * FLIPS).chunks_exact(3) {
        let random = [random[0], random[1], random[2]];
        // The sequence number or a word of the record. The writer tells its beat between two bursts; a
        // second member could be writing over the word in this very instant, which is dead by then.
        let word = |random: u64, _| match random % 33 {
            32 => LINES,
            word => LINES + 8 + word as usize,
        };
        for answer in flip_area("publish.shared", 1, random, word) {
            assert_ne!(answer[7], right[7], "{random:?}");
        }
    }
}

#[test]
fn no_flip_between_two_operations_of_a_shared_kernel_is_missed() {
    type Steps = fn(u64, Option<Flip>) -> Answer;
    let models: [(&str, Steps, usize); 3] = [
        ("atomics.shared", atomics_steps, ATOMICS_STATE),
        ("handover.shared", handover_steps, HANDOVER_STATE),
        ("publish.shared", publish_steps, PUBLISH_STATE),
    ];
    for (name, steps, words) in models {
        let right = right_answer(name);
        assert_eq!(
            steps(u64::from(ROUNDS), None),
            right,
            "the model of `{name}`"
        );
        for random in split_mix(0xF120, 3 * FLIPS).chunks_exact(3) {
            let flip = Flip {
                at: random[0] % (8 * u64::from(ROUNDS)),
                word: random[1] as usize % words,
                mask: 1 << (random[2] % 64),
            };
            let answer = steps(u64::from(ROUNDS), Some(flip));
            assert_ne!(answer[7], right[7], "`{name}` {flip:?}");
        }
    }
}

#[test]
fn members_that_share_one_cpu_come_to_the_right_end() {
    for name in ["atomics.shared", "handover.shared", "publish.shared"] {
        let (words, pass, answers) = group(name);
        let known = answers.iter().find(|known| known.rounds == ROUNDS).unwrap();
        let area = zeroed(words);
        let cpu = first_cpu();
        for number in 0..3 {
            // A member that waits for ever would be stopped by its beats.
            let outcomes = group_pass_with(pass, &area, (3, number, ROUNDS), |_| BoundTo {
                cpu: Some(cpu),
                beats_left: 100_000,
            });
            for outcome in outcomes {
                assert_eq!(answer_of(outcome).0, known.answer, "`{name}` pass {number}");
            }
        }
    }
}

/// The first CPU that this test may use.
fn first_cpu() -> usize {
    let allowed = sched_getaffinity(Pid::from_raw(0)).unwrap();
    (0..CpuSet::count())
        .find(|cpu| allowed.is_set(*cpu).unwrap())
        .unwrap()
}

/// Binds its member to a CPU at the first beat.
struct BoundTo {
    cpu: Option<usize>,
    beats_left: u32,
}

impl Beat for BoundTo {
    fn beat(&mut self, _: u32) -> Go {
        if let Some(cpu) = self.cpu.take() {
            let mut set = CpuSet::new();
            set.set(cpu).unwrap();
            sched_setaffinity(Pid::from_raw(0), &set).unwrap();
        }
        self.beats_left -= 1;
        if self.beats_left == 0 {
            Go::Stop
        } else {
            Go::On
        }
    }
}

#[test]
fn a_flip_in_a_members_counter_never_hangs_its_group() {
    for name in ["atomics.shared", "handover.shared", "publish.shared"] {
        for random in split_mix(0xF11E, 3 * 300).chunks_exact(3) {
            // The members' counters, and the sequence number that readers wait for.
            let counter = |random: u64, _| match random / 2 % 3 {
                2 => LINES,
                column => 8 * (random % 2) as usize + column as usize,
            };
            // Whatever the answer, all members come to an end.
            let random = [random[0], random[1], random[2]];
            assert_eq!(flip_area(name, 2, random, counter).len(), 2);
        }
    }
}

/// Stops at the beat that it is told to stop at.
struct StopAt(u32);

impl Beat for StopAt {
    fn beat(&mut self, _: u32) -> Go {
        self.0 = self.0.saturating_sub(1);
        if self.0 == 0 { Go::Stop } else { Go::On }
    }
}

#[test]
fn a_stop_is_honoured_in_work_and_in_waiting() {
    for name in [
        "int-streams.reg",
        "int-streams.l1",
        "int-ntt.l1",
        "float-chains.reg",
        "matrix-exact.l1",
    ] {
        let kernel = compute(name);
        let mut arena = vec![0; kernel.words];
        for at in [1, 5] {
            let outcome = (kernel.pass)(kernel.paths[0], &mut arena, 1, &mut StopAt(at));
            assert_eq!(outcome, Outcome::Stopped, "`{name}` at beat {at}");
        }
    }
    for name in ["atomics.shared", "handover.shared", "publish.shared"] {
        let (words, pass, _) = group(name);
        let area = zeroed(words);
        // The second of two members never comes.
        let alone = soakproof::kernels::Member {
            index: 0,
            count: 2,
            pass: 0,
            area: &area,
        };
        assert_eq!(
            pass(&alone, 7, &mut StopAt(20)),
            Outcome::Stopped,
            "`{name}`"
        );
    }
}
