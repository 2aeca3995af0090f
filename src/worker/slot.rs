//! The slot: one page of words that a worker writes and its supervisor reads. It outlives the
//! worker, so what a crashed worker knew is still there.
//!
//! Layout in 64-bit words: 0-3 trap note of the crash handler, 8.. state, 64.. counts of each kernel,
//! 192.. a ring of the wrong answers between two looks of the supervisor.

use std::sync::atomic::{AtomicU64, Ordering, fence};

use crate::model::{CpuId, MemoryFault, MemoryFaultClass, Mismatch, Mono};

/// Words of a slot.
pub const SLOT_WORDS: usize = 512;
const BEAT: usize = 8;
const KERNEL: usize = 9;
const STEP: usize = 10;
const ERRORS: usize = 11;
const LOAD_STEPS: usize = 12;
const PAUSING: usize = 13;
const STOP: usize = 14;
const ARENA: usize = 15;
const ARENA_BYTES: usize = 16;
const LAST_DIGEST: usize = 17;
const RING_COUNT: usize = 18;
const KEEP_BYTES: usize = 19;
const PART_WALKS: usize = 20;
const COUNTS: usize = 64;
const COUNT_WORDS: usize = 4;
/// A load names no kernel twice, so room for every kernel there is will do.
const KERNELS: usize = 32;
const RING: usize = COUNTS + KERNELS * COUNT_WORDS;
const RECORD_WORDS: usize = 10;
const RECORDS: usize = 32;
const _: () = assert!(RING + RECORDS * RECORD_WORDS <= SLOT_WORDS);

const WRONG_ANSWER: u64 = 1;
const WRONG_MEMORY: u64 = 2;
const NOTHING: u64 = u64::MAX;

/// Counts of one kernel, cumulative.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct KernelCounts {
    /// Completed, checked passes.
    pub passes: u64,
    /// Nanoseconds of them, the smaller of wall and CPU time of each.
    pub checked_ns: u64,
    /// Latest clock probe in kHz that nothing disturbed; 0 before the first.
    pub clock_khz: u64,
}

/// A wrong answer or wrong word as the slot carries it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SlotReport {
    /// Of a compute or contention kernel (index into the assignment's kernels).
    Answer(usize, Mismatch),
    /// Of a walk.
    Memory(usize, MemoryFault),
}

/// Where each group kernel's area lies within the area shared by a load's workers.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct GroupLayout {
    /// First word and length per kernel; nothing for kernels that share nothing.
    pub areas: Vec<Option<(usize, usize)>>,
    /// Words in total.
    pub words: usize,
}

/// The worker's side.
#[derive(Debug, Clone, Copy)]
pub struct SlotWriter<'a>(&'a [AtomicU64]);

impl<'a> SlotWriter<'a> {
    /// Wraps the words of a slot.
    ///
    /// # Panics
    /// When there are fewer than [`SLOT_WORDS`].
    pub fn new(words: &'a [AtomicU64]) -> Self {
        assert!(words.len() >= SLOT_WORDS, "a slot has {SLOT_WORDS} words");
        Self(words)
    }

    fn set(&self, index: usize, value: u64) {
        self.0[index].store(value, Ordering::Relaxed);
    }

    fn add(&self, index: usize, value: u64) {
        self.0[index].fetch_add(value, Ordering::Relaxed);
    }

    /// Progress.
    pub fn beat(&self, now: Mono, step: u32) {
        self.set(STEP, u64::from(step));
        self.0[BEAT].store(now.0, Ordering::Release);
    }

    /// The supervisor asks for an end.
    pub fn stop_asked(&self) -> bool {
        self.0[STOP].load(Ordering::Relaxed) != 0
    }

    /// The kernel that runs now.
    pub fn kernel(&self, index: usize) {
        self.set(KERNEL, index as u64);
    }

    /// The rhythm's pause begins or ends.
    pub fn pausing(&self, pausing: bool) {
        if !pausing && self.0[PAUSING].load(Ordering::Relaxed) != 0 {
            self.add(LOAD_STEPS, 1);
        }
        self.set(PAUSING, u64::from(pausing));
    }

    /// A pass was completed and compared.
    pub fn passed(&self, kernel: usize, checked_ns: u64, digest: u64) {
        let base = COUNTS + kernel.min(KERNELS - 1) * COUNT_WORDS;
        self.add(base, 1);
        self.add(base + 1, checked_ns);
        self.set(LAST_DIGEST, digest);
    }

    /// The pass just counted went over less memory than planned.
    pub fn passed_in_part(&self) {
        self.add(PART_WALKS, 1);
    }

    /// How much of the walked memory the supervisor lets the worker keep; none as long as all of it.
    pub fn keep_bytes(&self) -> Option<usize> {
        let keep = self.0[KEEP_BYTES].load(Ordering::Relaxed);
        usize::try_from(keep).ok().filter(|keep| *keep != 0)
    }

    /// The clock was measured.
    pub fn clock(&self, kernel: usize, khz: u64) {
        let base = COUNTS + kernel.min(KERNELS - 1) * COUNT_WORDS;
        self.set(base + 2, khz);
    }

    /// Where the live data is, for whoever wants to look at it (or to damage it, in tests).
    pub fn arena(&self, address: u64, bytes: u64) {
        self.set(ARENA, address);
        self.set(ARENA_BYTES, bytes);
    }

    fn record(&self, words: [u64; RECORD_WORDS]) {
        self.add(ERRORS, 1);
        let count = self.0[RING_COUNT].load(Ordering::Relaxed);
        let place = RING + usize::try_from(count).unwrap_or(0) % RECORDS * RECORD_WORDS;
        // Whoever reads a word of this record reads a count that shows its place as written over.
        fence(Ordering::Release);
        for (offset, word) in words.into_iter().enumerate() {
            self.set(place + offset, word);
        }
        self.0[RING_COUNT].store(count + 1, Ordering::Release);
    }

    /// A wrong answer of `kernel`.
    pub fn wrong_answer(&self, kernel: usize, wrong: &Mismatch) {
        let word = wrong.word.unwrap_or(NOTHING);
        let step = u64::from(wrong.step);
        let [expected, got] = [wrong.expected, wrong.got];
        self.record([
            WRONG_ANSWER,
            kernel as u64,
            wrong.pass,
            step,
            word,
            NOTHING,
            expected,
            got,
            0,
            0,
        ]);
    }

    /// A wrong word met by walk `kernel`.
    pub fn wrong_memory(&self, kernel: usize, fault: &MemoryFault) {
        let class = match fault.class {
            MemoryFaultClass::WrongRead => 0,
            MemoryFaultClass::WrongStore => 1,
            MemoryFaultClass::StuckBit => 2,
        };
        let (address, physical) = (fault.address, fault.physical.unwrap_or(NOTHING));
        let (step, expected, got) = (u64::from(fault.step), fault.expected, fault.got);
        self.record([
            WRONG_MEMORY,
            kernel as u64,
            fault.pass,
            step,
            address,
            physical,
            expected,
            got,
            class,
            0,
        ]);
    }
}

/// The supervisor's side.
#[derive(Debug)]
pub struct SlotReader {
    seen: u64,
}

impl SlotReader {
    /// Nothing seen yet.
    pub fn new() -> Self {
        Self { seen: 0 }
    }

    /// Asks the worker to end.
    pub fn ask_stop(words: &[AtomicU64]) {
        words[STOP].store(1, Ordering::Relaxed);
    }

    /// Asks the worker to give back all but `bytes` of its walked memory.
    pub fn ask_to_keep(words: &[AtomicU64], bytes: u64) {
        words[KEEP_BYTES].store(bytes.max(1), Ordering::Relaxed);
    }

    /// Passes over less memory than planned.
    pub fn part_walks(words: &[AtomicU64]) -> u64 {
        words[PART_WALKS].load(Ordering::Relaxed)
    }

    /// When the worker last showed progress; none before the first time.
    pub fn last_beat(words: &[AtomicU64]) -> Option<Mono> {
        let beat = words[BEAT].load(Ordering::Acquire);
        (beat != 0).then_some(Mono(beat))
    }

    /// Index of the running kernel, errors, load steps, and whether it pauses.
    pub fn state(words: &[AtomicU64]) -> (u16, u64, u64, bool) {
        let load = |index: usize| words[index].load(Ordering::Relaxed);
        let kernel = u16::try_from(load(KERNEL).min(KERNELS as u64 - 1)).unwrap_or(0);
        (kernel, load(ERRORS), load(LOAD_STEPS), load(PAUSING) != 0)
    }

    /// Counts of the kernel with this index.
    pub fn counts(words: &[AtomicU64], kernel: usize) -> KernelCounts {
        let base = COUNTS + kernel.min(KERNELS - 1) * COUNT_WORDS;
        let load = |offset: usize| words[base + offset].load(Ordering::Relaxed);
        KernelCounts {
            passes: load(0),
            checked_ns: load(1),
            clock_khz: load(2),
        }
    }

    /// Wrong answers written since the last call; only the newest 31 when there were more, and none that the
    /// worker may have been writing over meanwhile.
    pub fn new_reports(&mut self, words: &[AtomicU64], cpu: CpuId) -> Vec<SlotReport> {
        let count = words[RING_COUNT].load(Ordering::Acquire);
        // A count that runs backwards or far ahead is a mad worker's; only the ring is read.
        let first = self
            .seen
            .max(count.saturating_sub(RECORDS as u64))
            .min(count);
        let mut reports: Vec<(u64, SlotReport)> = (first..count)
            .filter_map(|index| Some((index, read_record(words, index)?)))
            .collect();
        fence(Ordering::Acquire);
        let begun = words[RING_COUNT].load(Ordering::Relaxed);
        reports.retain(|(index, _)| begun.saturating_sub(*index) < RECORDS as u64);
        let reports = reports.into_iter().map(|(_, report)| report).collect();
        tracing::trace!(%cpu, first, count, "slot read");
        self.seen = count;
        reports
    }
}

impl Default for SlotReader {
    fn default() -> Self {
        Self::new()
    }
}

fn read_record(words: &[AtomicU64], index: u64) -> Option<SlotReport> {
    let place = RING + usize::try_from(index % RECORDS as u64).ok()? * RECORD_WORDS;
    let load = |offset: usize| words[place + offset].load(Ordering::Relaxed);
    let known = |word: u64| (word != NOTHING).then_some(word);
    let kernel = usize::try_from(load(1))
        .ok()
        .filter(|kernel| *kernel < KERNELS)?;
    let (pass, step) = (load(2), u32::try_from(load(3)).unwrap_or(u32::MAX));
    let (expected, got) = (load(6), load(7));
    match load(0) {
        WRONG_ANSWER => {
            let mismatch = Mismatch {
                pass,
                step,
                word: known(load(4)),
                expected,
                got,
            };
            Some(SlotReport::Answer(kernel, mismatch))
        }
        WRONG_MEMORY => {
            let class = match load(8) {
                0 => MemoryFaultClass::WrongRead,
                1 => MemoryFaultClass::WrongStore,
                _ => MemoryFaultClass::StuckBit,
            };
            let (address, physical) = (load(4), known(load(5)));
            let fault = MemoryFault {
                pass,
                step,
                address,
                physical,
                expected,
                got,
                class,
            };
            Some(SlotReport::Memory(kernel, fault))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slot() -> Vec<AtomicU64> {
        (0..SLOT_WORDS).map(|_| AtomicU64::new(0)).collect()
    }

    #[test]
    fn every_kernel_there_is_has_counts_of_its_own() {
        let words = slot();
        let all = crate::kernels::catalogue().len();
        assert!(all <= KERNELS);
        for kernel in 0..all {
            for _ in 0..=kernel {
                SlotWriter::new(&words).passed(kernel, 1000, 0);
            }
        }
        for kernel in 0..all {
            let counts = SlotReader::counts(&words, kernel);
            assert_eq!(counts.passes, kernel as u64 + 1, "kernel {kernel}");
        }
        assert!(SlotReader::new().new_reports(&words, CpuId(0)).is_empty());
    }

    /// A clock that falls must be seen to fall.
    #[test]
    fn the_latest_clock_replaces_the_one_before_also_when_it_is_lower() {
        let words = slot();
        for khz in [4_000_000, 3_500_000] {
            SlotWriter::new(&words).clock(1, khz);
            assert_eq!(SlotReader::counts(&words, 1).clock_khz, khz);
        }
    }

    #[test]
    fn a_wrong_answer_arrives_once_and_whole() {
        let words = slot();
        let wrong = Mismatch {
            pass: 77,
            step: 3,
            word: Some(9),
            expected: 12,
            got: 8,
        };
        SlotWriter::new(&words).wrong_answer(1, &wrong);
        let mut reader = SlotReader::new();
        assert_eq!(
            reader.new_reports(&words, CpuId(0)),
            [SlotReport::Answer(1, wrong)]
        );
        assert!(reader.new_reports(&words, CpuId(0)).is_empty());
    }

    #[test]
    fn more_wrong_words_than_the_ring_holds_are_still_counted() {
        let words = slot();
        let fault = MemoryFault {
            pass: 1,
            step: 0,
            address: 40,
            physical: None,
            expected: 1,
            got: 0,
            class: MemoryFaultClass::WrongStore,
        };
        for _ in 0..100 {
            SlotWriter::new(&words).wrong_memory(0, &fault);
        }
        let reports = SlotReader::new().new_reports(&words, CpuId(0));
        assert_eq!(reports, vec![SlotReport::Memory(0, fault); RECORDS - 1]);
        assert_eq!(SlotReader::state(&words).1, 100);
    }

    /// Words of a report that all follow from its number.
    pub(super) fn numbered(number: u64) -> MemoryFault {
        MemoryFault {
            pass: number,
            step: u32::try_from(number).unwrap(),
            address: number * 8,
            physical: Some(number * 16),
            expected: !number,
            got: number,
            class: MemoryFaultClass::StuckBit,
        }
    }

    #[test]
    fn what_is_read_while_the_worker_writes_is_whole_and_in_order() {
        // Under miri, which also tries out orders that this processor never shows, a few are slow enough.
        let records = if cfg!(miri) { 80 } else { 200_000 };
        let words = slot();
        let (mut read, mut last) = (0, None);
        std::thread::scope(|scope| {
            let writer = scope.spawn(|| {
                let slot = SlotWriter::new(&words);
                (0..records).for_each(|number| slot.wrong_memory(0, &numbered(number)));
            });
            let mut reader = SlotReader::new();
            loop {
                let over = writer.is_finished();
                for report in reader.new_reports(&words, CpuId(0)) {
                    let SlotReport::Memory(0, fault) = report else {
                        panic!("{report:?}");
                    };
                    assert_eq!(fault, numbered(fault.pass));
                    assert!(last.is_none_or(|last| last < fault.pass));
                    last = Some(fault.pass);
                    read += 1;
                }
                if over {
                    break;
                }
            }
        });
        assert!(read >= RECORDS - 1);
        assert_eq!(last, Some(records - 1));
    }

    #[test]
    fn a_mad_worker_cannot_harm_the_reader() {
        let words = slot();
        for word in &words {
            word.store(0xdead_beef_dead_beef, Ordering::Relaxed);
        }
        let mut reader = SlotReader::new();
        assert!(reader.new_reports(&words, CpuId(0)).len() <= RECORDS);
        words[RING_COUNT].store(1, Ordering::Relaxed);
        assert!(reader.new_reports(&words, CpuId(0)).is_empty());
        words[RING_COUNT].store(u64::MAX, Ordering::Relaxed);
        assert!(reader.new_reports(&words, CpuId(0)).len() <= RECORDS);
    }
}
