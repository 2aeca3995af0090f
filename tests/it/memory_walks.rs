//! Memory walks on real memory with bits flipped from outside, and on simulated memories that read
//! or store wrongly. The fault theory's full tables are held in `march_coverage`.

#![expect(
    unsafe_code,
    reason = "flips bits of the region while a walk runs, as a bad module would"
)]

use soakproof::kernels::memory::{
    BACKGROUNDS, BLOCK_BYTES, CLASSICS, Cells, Generator, MAX_REPORTED, PAUSE_BEATS, address_value,
    crc_word, hold_value, march_over_region, parse_march, rotated_value, run_march,
    run_random_block, table_crc32c,
};
use soakproof::kernels::{
    Beat, Body, FaultSink, Go, KernelSpec, WalkOutcome, WordFault, detect, find,
};
use soakproof::model::{InstructionSet, MemoryFaultClass};

const NAMES: [&str; 7] = [
    "march.memory",
    "address.memory",
    "rotated-background.memory",
    "random-block.memory",
    "copy.memory",
    "chase.memory",
    "hold.memory",
];

/// Collects faults; may flip bits at certain beats, or stop.
#[derive(Default)]
pub(super) struct Watcher {
    pub(super) beats: u32,
    pub(super) stop_at: Option<u32>,
    pub(super) flips: Vec<Flip>,
    pub(super) faults: Vec<WordFault>,
    pub(super) flushes: bool,
}

#[derive(Clone, Copy)]
pub(super) struct Flip {
    at_beat: u32,
    place: *mut u64,
    mask: u64,
}

impl Beat for Watcher {
    fn beat(&mut self, _step: u32) -> Go {
        let now = self.beats;
        self.beats += 1;
        for flip in self.flips.iter().filter(|flip| flip.at_beat == now) {
            // SAFETY: the place lies in the region, which outlives the walk.
            let word = unsafe { flip.place.read_volatile() };
            // SAFETY: as above.
            unsafe { flip.place.write_volatile(word ^ flip.mask) };
        }
        if self.stop_at.is_some_and(|stop| now >= stop) {
            Go::Stop
        } else {
            Go::On
        }
    }
}

impl FaultSink for Watcher {
    fn fault(&mut self, fault: WordFault) {
        self.faults.push(fault);
    }

    fn flushes(&self) -> bool {
        self.flushes
    }
}

fn kernel(name: &str) -> &'static KernelSpec {
    find(name).expect("the catalogue holds the walk")
}

/// A walk by its best path on odd passes, by the portable one on even ones.
fn walk(name: &str, region: &mut [u64], pass: u64, watcher: &mut Watcher) -> WalkOutcome {
    let path = if pass.is_multiple_of(2) {
        InstructionSet::Portable
    } else {
        kernel(name).best_path(&detect())
    };
    match kernel(name).body {
        Body::Walk { pass: run, reread } => {
            let first = run(path, region, pass, watcher);
            match reread {
                Some(reread) if first != WalkOutcome::Stopped => {
                    reread(path, region, pass, watcher)
                }
                Some(_) | None => first,
            }
        }
        Body::Compute { .. } | Body::Group { .. } => panic!("{name} is not a walk"),
    }
}

/// Runs a walk over `words` words; each of `flips` is a beat, a word and a mask.
pub(super) fn walk_with_flips(
    name: &str,
    words: usize,
    pass: u64,
    flips: &[(u32, usize, u64)],
) -> (WalkOutcome, Vec<WordFault>) {
    let (outcome, watcher) = with_flips(words, flips, |region, watcher| {
        walk(name, region, pass, watcher)
    });
    (outcome, watcher.faults)
}

fn with_flips(
    words: usize,
    flips: &[(u32, usize, u64)],
    run: impl FnOnce(&mut [u64], &mut Watcher) -> WalkOutcome,
) -> (WalkOutcome, Watcher) {
    let mut region = vec![0xDEAD_BEEF_u64; words];
    let start = region.as_mut_ptr();
    let flips = flips.iter().map(|(at_beat, word, mask)| {
        assert!(*word < words);
        Flip {
            at_beat: *at_beat,
            // SAFETY: `word` lies in the region.
            place: unsafe { start.add(*word) },
            mask: *mask,
        }
    });
    let mut watcher = Watcher {
        flips: flips.collect(),
        ..Watcher::default()
    };
    // SAFETY: the vector lives on and is reached through this slice and the flips only.
    let slice = unsafe { std::slice::from_raw_parts_mut(start, words) };
    let outcome = run(slice, &mut watcher);
    (outcome, watcher)
}

#[test]
fn a_clean_region_of_any_size_has_no_fault_and_every_word_is_checked() {
    let block = BLOCK_BYTES / 8;
    let sizes = [
        1,
        2,
        7,
        8,
        9,
        512,
        8191,
        8192,
        8193,
        block - 1,
        3 * block,
        3 * block + 5,
    ];
    for name in NAMES.iter().filter(|name| **name != "hold.memory") {
        for words in sizes {
            let mut region = vec![u64::MAX; words];
            for pass in 0..6 {
                // Flushing changes nothing of what is found.
                let mut watcher = Watcher {
                    flushes: pass >= 4,
                    ..Watcher::default()
                };
                match walk(name, &mut region, pass, &mut watcher) {
                    WalkOutcome::Walked {
                        words_checked,
                        faults,
                    } => {
                        assert_eq!((faults, watcher.faults.len()), (0, 0), "{name} {words}");
                        assert!(
                            words_checked >= words as u64,
                            "{name} {words} {words_checked}"
                        );
                    }
                    WalkOutcome::Stopped => panic!("{name} stopped by itself"),
                }
                assert!(watcher.beats > 0, "{name} {words}");
            }
        }
    }
}

#[test]
fn a_hold_leaves_the_memory_alone_between_fill_and_reading() {
    let words = 520;
    let (outcome, faults) = walk_with_flips("hold.memory", words, 5, &[(17, 519, 1 << 63)]);
    let expected = hold_value(519, 5);
    let fault = WordFault {
        step: 2,
        word: 519,
        expected,
        got: expected ^ (1 << 63),
        class: MemoryFaultClass::WrongStore,
    };
    assert_eq!(faults, [fault]);
    let walked = WalkOutcome::Walked {
        words_checked: 520,
        faults: 1,
    };
    assert_eq!(outcome, walked);
    const { assert!(PAUSE_BEATS > 17) };
}

/// What a delay is for: a cell that leaks while nobody touches it (van de Goor, Testing Semiconductor
/// Memories, 1991, on March G). Both delays hold for as long as a hold does, and a bit that flips within
/// either one is met by the read after it.
#[test]
fn a_bit_that_leaks_during_a_delay_of_march_g_is_met_by_the_read_after_it() {
    let march = CLASSICS.iter().find(|named| named.name == "March G");
    let march = &march.expect("March G").march;
    // Elements of one block each beat once; both delays come after the first five.
    let delays = [(5, 6, 0), (5 + PAUSE_BEATS + 1, 8, 1)];
    for set in [
        InstructionSet::Portable,
        kernel("march.memory").best_path(&detect()),
    ] {
        for (begins, step, bit) in delays {
            for within in [0, 17, PAUSE_BEATS - 1] {
                let flips = [(begins + within, 40, 1 << 9)];
                let (outcome, watcher) = with_flips(64, &flips, |region, watcher| {
                    march_over_region(set, march, (region, BACKGROUNDS[1]), watcher)
                });
                assert!(
                    matches!(outcome, WalkOutcome::Walked { faults: 1, .. }),
                    "{set:?} {begins} {within}: {outcome:?}"
                );
                let expected = if bit == 0 {
                    BACKGROUNDS[1]
                } else {
                    !BACKGROUNDS[1]
                };
                let fault = WordFault {
                    step,
                    word: 40,
                    expected,
                    got: expected ^ (1 << 9),
                    class: MemoryFaultClass::WrongStore,
                };
                assert_eq!(watcher.faults, [fault]);
                assert_eq!(watcher.beats, 5 + 2 * (PAUSE_BEATS + 1));
            }
        }
    }
}

/// Walk, pass, and what each word holds after the first fill.
type Case = (&'static str, u64, fn(u64) -> u64);

#[test]
fn a_bit_that_flips_while_held_is_reported_with_its_word_and_class() {
    let words = 3 * BLOCK_BYTES / 8 + 5;
    // The flip comes after the first fill: 3 blocks and the rest make 4 beats.
    let cases: [Case; 6] = [
        ("march.memory", 0, |_| 0x5555_5555_5555_5555),
        ("march.memory", 1, |_| 0x3333_3333_3333_3333),
        ("march.memory", 8, |_| !0x3333_3333_3333_3333),
        ("march.memory", 21, |_| !0x5555_5555_5555_5555),
        ("address.memory", 0, address_value),
        ("rotated-background.memory", 9, |word| {
            rotated_value(word, 9)
        }),
    ];
    for (name, pass, value) in cases {
        for (word, mask) in [
            (0, 1),
            (131_072, 1 << 40),
            (words - 1, 1 << 63),
            (77, 0x8000_0001),
        ] {
            // The flip happens at the last beat of the first fill.
            let beat = if name == "march.memory" { 2 } else { 3 };
            let (outcome, faults) = walk_with_flips(name, words, pass, &[(beat, word, mask)]);
            if name == "march.memory" && word == words - 1 {
                // The rest is walked on its own afterwards, which writes it first.
                assert!(faults.is_empty());
                continue;
            }
            let expected = value(word as u64);
            let fault = WordFault {
                step: 1,
                word: word as u64,
                expected,
                got: expected ^ mask,
                class: MemoryFaultClass::WrongStore,
            };
            assert_eq!(faults, [fault], "{name} {word}");
            assert!(
                matches!(outcome, WalkOutcome::Walked { faults: 1, .. }),
                "{name} {outcome:?}"
            );
        }
    }
}

#[test]
fn a_flip_in_a_random_block_is_found_in_its_data_and_in_its_crc() {
    let words = 20 * 8192 + 100;
    for word in [0_usize, 8191, 8192, 12_345, 20 * 8192 + 3, words - 1] {
        // Beat 1 is the one after the last fill.
        let (outcome, faults) =
            walk_with_flips("random-block.memory", words, 4, &[(1, word, 1 << 13)]);
        assert!(
            matches!(outcome, WalkOutcome::Walked { faults: 1, .. }),
            "{outcome:?}"
        );
        let block = word / 8192;
        let last = words.min((block + 1) * 8192) - 1;
        let mut generator = Generator::of_block(4, block as u64);
        let data: Vec<u64> = (block * 8192..last)
            .map(|_| generator.next_word())
            .collect();
        let expected = data.get(word - block * 8192).copied();
        let expected = expected.unwrap_or(crc_word(table_crc32c(data.iter().copied())));
        let fault = WordFault {
            step: 1,
            word: word as u64,
            expected,
            got: expected ^ (1 << 13),
            class: MemoryFaultClass::WrongStore,
        };
        assert_eq!(faults, [fault], "{word}");
    }
}

#[test]
fn the_words_beyond_the_last_line_are_reported_by_their_place_in_the_region() {
    // One block of lines, six elements of March C-: beats 0 to 5; beat 6 follows the rest's `w0`.
    let (outcome, faults) = walk_with_flips("march.memory", 61, 0, &[(6, 59, 2)]);
    let fault = WordFault {
        step: 1,
        word: 59,
        expected: 0x5555_5555_5555_5555,
        got: 0x5555_5555_5555_5557,
        class: MemoryFaultClass::WrongStore,
    };
    assert_eq!(faults, [fault]);
    let walked = WalkOutcome::Walked {
        words_checked: 5 * 61,
        faults: 1,
    };
    assert_eq!(outcome, walked);
}

#[test]
fn the_complement_is_filled_in_and_read_back_as_well() {
    // A block of lines and the rest: two beats a sweep; beat 5 ends the second fill.
    let words = BLOCK_BYTES / 8 + 3;
    let cases: [Case; 2] = [
        ("address.memory", 3, address_value),
        ("rotated-background.memory", 15, |word| {
            rotated_value(word, 15)
        }),
    ];
    for (name, pass, value) in cases {
        for word in [0, 4711, words - 1] {
            let (outcome, faults) = walk_with_flips(name, words, pass, &[(5, word, 1 << 33)]);
            let expected = !value(word as u64);
            let fault = WordFault {
                step: 3,
                word: word as u64,
                expected,
                got: expected ^ (1 << 33),
                class: MemoryFaultClass::WrongStore,
            };
            assert_eq!(faults, [fault], "{name} {word}");
            let walked = WalkOutcome::Walked {
                words_checked: 2 * words as u64,
                faults: 1,
            };
            assert_eq!(outcome, walked, "{name}");
        }
    }
}

#[test]
fn no_two_words_of_an_address_walk_hold_the_same() {
    // Injective over regions of any size: undone, the low half gives back the index.
    for word in (0..100_000).chain([u64::from(u32::MAX), 1 << 32, (1 << 40) + 17]) {
        let value = address_value(word);
        let low = value & 0xFFFF_FFFF;
        let high = (value ^ (!low << 32)) & 0xFFFF_FFFF_0000_0000;
        assert_eq!(high | low, word);
        assert_ne!(value, 0);
    }
}

#[test]
fn of_many_bits_flipped_at_once_every_one_is_reported_once() {
    // 64 single-bit flips of 64 words in each of 16 passes of each walk: 4,096 in all.
    let words = 2 * BLOCK_BYTES / 8 + 8;
    for (name, beat) in [
        ("march.memory", 2),
        ("address.memory", 2),
        ("rotated-background.memory", 2),
        ("random-block.memory", 2),
    ] {
        for pass in 0..16 {
            let mut generator = Generator::seeded(pass);
            let mut flips = std::collections::BTreeMap::new();
            while flips.len() as u64 != MAX_REPORTED {
                let word = usize::try_from(generator.next_word() % words as u64).expect("small");
                flips.insert(word, 1_u64 << (generator.next_word() % 64));
            }
            let list: Vec<_> = flips
                .iter()
                .map(|(word, mask)| (beat, *word, *mask))
                .collect();
            let (_, faults) = walk_with_flips(name, words, pass, &list);
            let found = |fault: &WordFault| {
                let word = usize::try_from(fault.word).expect("within the region");
                (word, fault.expected ^ fault.got)
            };
            let found: std::collections::BTreeMap<usize, u64> = faults.iter().map(found).collect();
            assert_eq!(faults.len(), flips.len(), "{name} {pass}");
            assert_eq!(found, flips, "{name} {pass}");
        }
    }
}

#[test]
fn every_walk_stops_when_told_to() {
    for name in NAMES {
        let mut region = vec![0_u64; 5 * BLOCK_BYTES / 8];
        for stop_at in [0, 1, 6] {
            let mut watcher = Watcher {
                stop_at: Some(stop_at),
                ..Watcher::default()
            };
            let outcome = walk(name, &mut region, 1, &mut watcher);
            assert_eq!(outcome, WalkOutcome::Stopped, "{name}");
            assert_eq!(watcher.beats, stop_at + 1, "{name} went on after Stop");
        }
    }
}

/// How the one bad word of a simulated memory behaves.
#[derive(Clone, Copy, PartialEq)]
enum Manner {
    /// This many of its reads come back wrong from the first on.
    WrongReads(u32),
    /// Bits that stay at 1.
    StuckAtOne,
    /// Its first write is lost in one bit.
    WrongFirstStore,
    /// Nothing is wrong.
    Sound,
}

/// A memory with one bad word (or with all words bad).
struct BadMemory {
    words: Vec<u64>,
    bad: Option<usize>,
    manner: Manner,
    flushes: u32,
}

const MASK: u64 = 1 << 21;

impl BadMemory {
    fn new(words: usize, bad: Option<usize>, manner: Manner) -> Self {
        Self {
            words: vec![0; words],
            bad,
            manner,
            flushes: 0,
        }
    }
    fn is_bad(&self, cell: usize) -> bool {
        self.bad.is_none_or(|bad| bad == cell)
    }
}

impl Cells<1> for BadMemory {
    fn count(&self) -> usize {
        self.words.len()
    }
    fn read(&mut self, cell: usize) -> [u64; 1] {
        let word = self.words[cell];
        if !self.is_bad(cell) {
            return [word];
        }
        match &mut self.manner {
            Manner::WrongReads(0) | Manner::WrongFirstStore | Manner::Sound => [word],
            Manner::WrongReads(left) => {
                *left -= 1;
                [word ^ MASK]
            }
            Manner::StuckAtOne => [word | MASK],
        }
    }
    fn write(&mut self, cell: usize, [value]: [u64; 1]) {
        self.words[cell] = value;
        if self.is_bad(cell) && self.manner == Manner::WrongFirstStore {
            self.words[cell] = value ^ MASK;
            self.manner = Manner::Sound;
        }
    }
    fn flush(&mut self, _cell: usize) {
        self.flushes += 1;
    }
    fn pause(&mut self, _beat: &mut dyn Beat) -> Go {
        Go::On
    }
}

#[test]
fn a_wrong_word_is_classed_by_reading_it_again_and_writing_it_anew() {
    let march = parse_march("u(w0);u(r0);d(r0)").expect("a march test");
    let cases = [
        (Manner::WrongReads(1), MemoryFaultClass::WrongRead, 1),
        (Manner::WrongReads(3), MemoryFaultClass::WrongRead, 1),
        (Manner::WrongFirstStore, MemoryFaultClass::WrongStore, 1),
        (Manner::StuckAtOne, MemoryFaultClass::StuckBit, 2),
    ];
    for (manner, class, events) in cases {
        let mut memory = BadMemory::new(9, Some(4), manner);
        let mut watcher = Watcher::default();
        let outcome = run_march(&march, &mut memory, 0, &mut watcher);
        let walked = WalkOutcome::Walked {
            words_checked: 18,
            faults: events,
        };
        assert_eq!(outcome, walked);
        let fault = WordFault {
            step: 1,
            word: 4,
            expected: 0,
            got: MASK,
            class,
        };
        assert_eq!(watcher.faults[0], fault);
        // Three second looks and the one after the rewrite, each behind a flush.
        assert_eq!(u64::from(memory.flushes), 4 * events);
    }
}

#[test]
fn a_random_block_that_was_misread_once_is_a_wrong_read() {
    let mut memory = BadMemory::new(8192 + 50, Some(8192 + 7), Manner::WrongReads(1));
    let mut watcher = Watcher::default();
    let outcome = run_random_block(&mut memory, (InstructionSet::Portable, 3), &mut watcher);
    assert!(
        matches!(outcome, WalkOutcome::Walked { faults: 1, .. }),
        "{outcome:?}"
    );
    let fault = watcher.faults[0];
    assert_eq!(
        (fault.word, fault.class),
        (8192, MemoryFaultClass::WrongRead)
    );
    assert_ne!(fault.expected, fault.got);
}

#[test]
fn a_dead_module_is_counted_in_full_but_reported_only_to_the_cap() {
    let march = parse_march("u(w0);u(r0)").expect("a march test");
    let mut memory = BadMemory::new(5000, None, Manner::StuckAtOne);
    let mut watcher = Watcher::default();
    let outcome = run_march(&march, &mut memory, 0, &mut watcher);
    let walked = WalkOutcome::Walked {
        words_checked: 5000,
        faults: 5000,
    };
    assert_eq!(outcome, walked);
    assert_eq!(watcher.faults.len() as u64, MAX_REPORTED);
}

#[test]
fn the_walks_name_themselves_and_the_classics_are_all_there() {
    for name in NAMES {
        assert_eq!(kernel(name).name, name);
    }
    assert_eq!(CLASSICS.len(), 23);
}
