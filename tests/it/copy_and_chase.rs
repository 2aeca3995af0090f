//! Region copy, random chase, and walks that flush: flipped bits at every stage of them, the great
//! cycle of the chase, and a simulated memory that errs behind its cache.

use std::collections::BTreeSet;

use soakproof::kernels::memory::{
    Cells, Cycle, Generator, LINE_WORDS, MARCH_C_MINUS, crc_word, run_march, run_random_block,
    run_random_chase, run_region_copy, table_crc32c,
};
use soakproof::kernels::{Beat, Go, WalkOutcome, WordFault};
use soakproof::model::{InstructionSet, MemoryFaultClass};

use crate::memory_walks::{Watcher, walk_with_flips};

/// Words of a block, its CRC included.
const BLOCK: usize = 8192;
/// Words of the copied region: twice 20 whole blocks and a short one, and one word left over.
const WORDS: usize = 2 * (20 * BLOCK + 100) + 1;
const HALF: usize = WORDS / 2;

fn single(outcome: &WalkOutcome) -> bool {
    matches!(outcome, WalkOutcome::Walked { faults: 1, .. })
}

/// What the word at `place` of a half holds in pass `pass` once the blocks were moved on by `distance`.
fn copied_word(place: usize, pass: u64, distance: usize) -> u64 {
    let slot = place / BLOCK;
    let number = if slot < 20 {
        (slot + 20 - distance % 20) % 20
    } else {
        slot
    };
    let length = if slot < 20 { BLOCK } else { 100 };
    let mut generator = Generator::of_block(pass, number as u64);
    let data: Vec<u64> = (1..length).map(|_| generator.next_word()).collect();
    let crc = crc_word(table_crc32c(data.iter().copied()));
    data.get(place % BLOCK).copied().unwrap_or(crc)
}

#[test]
fn a_flip_in_a_copied_region_is_found_where_it_lies() {
    // 21 blocks make two beats a leg: one after 16 blocks, one at the end.
    for pass in [0_u64, 1, 19, 20] {
        let first = usize::try_from(pass).expect("small") + 1;
        // Beat after which the flip comes, step that finds it, start of the half, distance of blocks.
        let stages = [(1, 1, 0, 0), (3, 2, HALF, first), (5, 3, 0, 3 * first)];
        for (beat, step, start, distance) in stages {
            for place in [0, 77, BLOCK - 1, 13 * BLOCK + 5, 20 * BLOCK, HALF - 1] {
                let word = start + place;
                let flip = (beat, word, 1_u64 << (place % 64));
                let (outcome, faults) = walk_with_flips("copy.memory", WORDS, pass, &[flip]);
                let expected = copied_word(place, pass, distance);
                let fault = WordFault {
                    step,
                    word: word as u64,
                    expected,
                    got: expected ^ flip.2,
                    class: MemoryFaultClass::WrongStore,
                };
                assert_eq!(faults, [fault], "pass {pass} {flip:?}");
                assert!(single(&outcome), "{outcome:?}");
            }
        }
    }
}

#[test]
fn a_copy_reads_every_word_of_both_halves() {
    let (outcome, faults) = walk_with_flips("copy.memory", WORDS, 3, &[]);
    assert!(faults.is_empty());
    let walked = WalkOutcome::Walked {
        words_checked: 3 * HALF as u64 + 1,
        faults: 0,
    };
    assert_eq!(outcome, walked);
}

#[test]
fn the_chase_is_one_cycle_over_all_lines_in_scattered_order() {
    for lines in (1..70).chain([1000, 4096, 5000]) {
        for pass in [0, 1, 8, u64::MAX] {
            let cycle = Cycle::new(lines, pass);
            let order: Vec<u64> = (0..lines as u64).map(|place| cycle.line(place)).collect();
            let all: BTreeSet<u64> = order.iter().copied().collect();
            assert_eq!(
                all,
                (0..lines as u64).collect(),
                "{lines} lines, pass {pass}"
            );
            assert_eq!(cycle.line(lines as u64), order[0], "it closes");
            if lines >= 1000 {
                let near = order.windows(2).filter(|two| two[0].abs_diff(two[1]) < 8);
                assert!(near.count() < lines / 20, "{lines} lines, pass {pass}");
            }
        }
    }
    let (one, other) = (Cycle::new(5000, 0), Cycle::new(5000, 1));
    let same = (0..5000).filter(|place| one.line(*place) == other.line(*place));
    assert!(same.count() < 50, "each pass has an order of its own");
}

#[test]
fn a_flip_in_a_chased_line_is_found_in_links_and_in_other_words() {
    // Fewer lines than between two beats: beat 0 comes when all are set up. Eight lines and five words
    // are beyond the sixteen chains.
    let lines = 500;
    let words = lines * LINE_WORDS + 5;
    let mut random = Generator::seeded(0xC4A5E);
    let mut links = 0;
    for number in 0..10_000 {
        let pass = number % 17;
        let place = random.next_word() % lines as u64;
        let word = usize::try_from(random.next_word()).expect("64 bits") % LINE_WORDS;
        let mask = 1 << (random.next_word() % 64);
        let cycle = Cycle::new(lines, pass);
        links += usize::from(word == cycle.link());
        let target = usize::try_from(cycle.line(place)).expect("small") * LINE_WORDS + word;
        let flip = (0, target, mask);
        let (outcome, faults) = walk_with_flips("chase.memory", words, pass, &[flip]);
        let expected = cycle.words(place)[word];
        let fault = WordFault {
            step: 1,
            word: target as u64,
            expected,
            got: expected ^ mask,
            class: MemoryFaultClass::WrongStore,
        };
        assert_eq!(faults, [fault], "pass {pass} {flip:?}");
        assert!(single(&outcome), "{outcome:?}");
    }
    assert!(links > 1000, "only {links} hit a link");
}

#[test]
fn a_chase_reads_every_line_and_the_words_beyond_the_last() {
    let words = 5000 * LINE_WORDS + 5;
    let (outcome, faults) = walk_with_flips("chase.memory", words, 2, &[]);
    let walked = WalkOutcome::Walked {
        words_checked: words as u64,
        faults: 0,
    };
    assert_eq!((outcome, faults.len()), (walked, 0));
    // Beat 2 follows the fill of the words beyond: beat 0 the set-up of the lines, beat 1 the chains.
    let (_, faults) = walk_with_flips("chase.memory", words, 2, &[(2, words - 2, 4)]);
    assert_eq!(faults.len(), 1);
    assert_eq!(
        (faults[0].word, faults[0].expected ^ faults[0].got),
        (words as u64 - 2, 4)
    );
}

/// A memory behind a cache that holds all of it; one bit of one word cannot stay 1 in the memory.
struct CachedMemory<const N: usize> {
    memory: Vec<[u64; N]>,
    cache: Vec<Option<[u64; N]>>,
    bad: (usize, usize, u64),
}

impl<const N: usize> CachedMemory<N> {
    fn new(cells: usize, bad: (usize, usize, u64)) -> Self {
        Self {
            memory: vec![[0; N]; cells],
            cache: vec![None; cells],
            bad,
        }
    }
}

impl<const N: usize> Cells<N> for CachedMemory<N> {
    fn count(&self) -> usize {
        self.memory.len()
    }
    fn read(&mut self, cell: usize) -> [u64; N] {
        *self.cache[cell].get_or_insert(self.memory[cell])
    }
    fn write(&mut self, cell: usize, value: [u64; N]) {
        self.cache[cell] = Some(value);
    }
    fn flush(&mut self, cell: usize) {
        if let Some(mut value) = self.cache[cell].take() {
            let (bad, word, mask) = self.bad;
            if cell == bad {
                value[word] &= !mask;
            }
            self.memory[cell] = value;
        }
    }
    fn pause(&mut self, _beat: &mut dyn Beat) -> Go {
        Go::On
    }
}

#[test]
fn only_a_walk_that_flushes_meets_what_is_wrong_behind_the_cache() {
    const BAD: usize = 4711;
    const SET: InstructionSet = InstructionSet::Portable;
    let bad = (BAD, 0, 1 << 20);
    // In several passes, since the bit in question has to be 1.
    let walk_all = |flushes: bool| {
        let mut watchers = std::array::from_fn::<Watcher, 4, _>(|_| Watcher {
            flushes,
            ..Watcher::default()
        });
        let [march, block, copy, chase] = &mut watchers;
        let new = || CachedMemory::<1>::new(2 * BLOCK + 9, bad);
        run_march(&MARCH_C_MINUS.march, &mut new(), 0, march);
        for pass in 0..8 {
            run_random_block(&mut new(), (SET, pass), block);
            run_region_copy(&mut new(), (SET, pass), copy);
            let mut lines = CachedMemory::<LINE_WORDS>::new(5000, bad);
            run_random_chase(&mut lines, pass, chase);
        }
        watchers.map(|watcher| watcher.faults)
    };
    for faults in walk_all(false) {
        assert!(faults.is_empty(), "the cache hides it: {faults:?}");
    }
    let names = ["march", "block", "copy", "chase"];
    for (name, faults) in names.into_iter().zip(walk_all(true)) {
        let first = faults
            .first()
            .unwrap_or_else(|| panic!("the {name} met nothing"));
        let width = if name == "chase" { LINE_WORDS } else { 1 };
        assert_eq!(first.word, (BAD * width) as u64, "{name}");
        assert_eq!(first.expected ^ first.got, 1 << 20, "{name}");
        assert_eq!(first.class, MemoryFaultClass::StuckBit, "{name}");
    }
}
