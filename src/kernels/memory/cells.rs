//! Access to memory under test, cell by cell. A cell is one transfer between memory and cache: a
//! line of 64 bytes (8 words) of real memory, one word of a simulated memory. All operations of a
//! march element on one cell come before the next cell's, as the theory asks; that several of them
//! in a row are served by the cache is a property of any processor with write-back caches.
//!
//! Every access is followed by an empty piece of assembly that the compiler must suppose to read and
//! change the cell, so that it can neither drop a write over an equal write nor merge two reads.
//! Volatile access would do the same, but word by word, at two thirds of the memory's speed.

#![expect(unsafe_code, reason = "compiler barrier and cache-line flush")]

use std::hint::black_box;
use std::ops::Range;
#[cfg(target_arch = "x86_64")]
use std::sync::OnceLock;

use crate::kernels::{Beat, Go};

/// Words of a cell of real memory: one cache line.
pub const LINE_WORDS: usize = 8;

/// Beats (each about a millisecond of register work) of one pause: several times the 64 ms in which
/// a module refreshes every row (JEDEC DDR4/DDR5 base interval).
pub const PAUSE_BEATS: u32 = 256;

/// Multiplications of one beat of a pause, about a millisecond on a present core.
const PAUSE_ROUNDS: u32 = 1 << 20;

/// A memory of cells of `N` words.
pub trait Cells<const N: usize> {
    /// Number of cells.
    fn count(&self) -> usize;
    /// Reads a cell.
    fn read(&mut self, cell: usize) -> [u64; N];
    /// Writes a cell.
    fn write(&mut self, cell: usize, value: [u64; N]);
    /// Writes the cell back and drops it from every cache, so that the next read reaches memory.
    fn flush(&mut self, cell: usize);
    /// The same for many cells.
    fn flush_all(&mut self, cells: Range<usize>) {
        cells.for_each(|cell| self.flush(cell));
    }
    /// Leaves the memory alone for a while, beating.
    fn pause(&mut self, beat: &mut dyn Beat) -> Go;

    /// Whether any word of a cell is not as expected.
    #[inline(always)]
    fn differs(&self, got: &[u64; N], expected: &[u64; N]) -> bool {
        let mut wrong = 0;
        for (got, expected) in got.iter().zip(expected) {
            wrong |= got ^ expected;
        }
        wrong != 0
    }

    /// The same memory by another name, for code that is not inlined: what has been lent out by its own
    /// name cannot stay in registers.
    #[inline(always)]
    fn again(&mut self) -> impl Cells<N>
    where
        Self: Sized,
    {
        self
    }
}

impl<C: Cells<N>, const N: usize> Cells<N> for &mut C {
    #[inline(always)]
    fn count(&self) -> usize {
        C::count(self)
    }
    #[inline(always)]
    fn read(&mut self, cell: usize) -> [u64; N] {
        C::read(self, cell)
    }
    #[inline(always)]
    fn write(&mut self, cell: usize, value: [u64; N]) {
        C::write(self, cell, value);
    }
    fn flush(&mut self, cell: usize) {
        C::flush(self, cell);
    }
    fn flush_all(&mut self, cells: Range<usize>) {
        C::flush_all(self, cells);
    }
    fn pause(&mut self, beat: &mut dyn Beat) -> Go {
        C::pause(self, beat)
    }
    #[inline(always)]
    fn differs(&self, got: &[u64; N], expected: &[u64; N]) -> bool {
        C::differs(self, got, expected)
    }
}

/// Real memory.
#[derive(Debug)]
pub struct Region<'a, const N: usize> {
    cells: &'a mut [[u64; N]],
}

impl<'a, const N: usize> Region<'a, N> {
    /// Memory under test.
    pub fn new(cells: &'a mut [[u64; N]]) -> Self {
        Self { cells }
    }
}

impl<const N: usize> Cells<N> for Region<'_, N> {
    fn count(&self) -> usize {
        self.cells.len()
    }

    #[inline(always)]
    fn read(&mut self, cell: usize) -> [u64; N] {
        let line = &mut self.cells[cell];
        let value = *line;
        settle(line);
        value
    }

    #[inline(always)]
    fn write(&mut self, cell: usize, value: [u64; N]) {
        let line = &mut self.cells[cell];
        *line = value;
        settle(line);
    }

    #[cold]
    fn flush(&mut self, cell: usize) {
        for word in &mut self.cells[cell] {
            flush_line(word);
        }
    }

    fn flush_all(&mut self, cells: Range<usize>) {
        let lines = self.cells[cells].as_flattened_mut();
        flush_lines(lines);
    }

    #[inline(always)]
    fn again(&mut self) -> impl Cells<N> {
        Region::new(self.cells)
    }

    fn pause(&mut self, beat: &mut dyn Beat) -> Go {
        let mut chain = 0x9E37_79B9_7F4A_7C15_u64;
        for step in 0..PAUSE_BEATS {
            for _ in 0..PAUSE_ROUNDS {
                chain = black_box(chain | 1).wrapping_mul(0xD134_2543_DE82_EF95);
            }
            if beat.beat(step) == Go::Stop {
                return Go::Stop;
            }
        }
        Go::On
    }
}

/// Takes the compiler's knowledge of the cell away: it must take the cell as read and changed by
/// unknown code here. It costs no instruction.
#[cfg(any(target_arch = "x86_64", target_arch = "aarch64"))]
#[inline(always)]
fn settle<const N: usize>(line: &mut [u64; N]) {
    let place: *mut [u64; N] = line;
    // SAFETY: the text is empty; nothing is executed.
    unsafe {
        std::arch::asm!("/* {place} */", place = in(reg) place, options(nostack, preserves_flags))
    };
}

#[cfg(not(any(target_arch = "x86_64", target_arch = "aarch64")))]
#[inline(always)]
fn settle<const N: usize>(line: &mut [u64; N]) {
    black_box(line);
}

/// Drops the lines of `words` from all caches, side by side where the processor can (`clflushopt`),
/// and waits for the last of them.
fn flush_lines(words: &mut [u64]) {
    #[cfg(target_arch = "x86_64")]
    if has_clflushopt() {
        // Words need not begin with a line, so the last one is flushed as well.
        let last = words.len().saturating_sub(1);
        for index in (0..words.len()).step_by(LINE_WORDS).chain([last]) {
            let Some(word) = words.get_mut(index) else {
                continue;
            };
            let place: *mut u64 = word;
            // SAFETY: the processor was just found to have the instruction; `place` lies in a live
            // allocation.
            unsafe { std::arch::asm!("clflushopt [{}]", in(reg) place, options(nostack)) };
        }
        // SAFETY: every x86-64 processor has `mfence`.
        unsafe { std::arch::x86_64::_mm_mfence() };
        return;
    }
    words.iter_mut().step_by(LINE_WORDS).for_each(flush_line);
    words.last_mut().into_iter().for_each(flush_line);
}

/// Intel SDM vol. 2A, CPUID leaf 7, EBX bit 23; AMD APM vol. 3, the same.
#[cfg(target_arch = "x86_64")]
fn has_clflushopt() -> bool {
    use std::arch::x86_64::{__cpuid, __cpuid_count};
    // Asked once: under a hypervisor the question itself costs more than a flush.
    static HAS: OnceLock<bool> = OnceLock::new();
    *HAS.get_or_init(|| __cpuid(0).eax >= 7 && __cpuid_count(7, 0).ebx >> 23 & 1 == 1)
}

/// Drops the line of `word` from all caches; the fence keeps the next read behind it.
#[cfg(target_arch = "x86_64")]
fn flush_line(word: &mut u64) {
    use std::arch::x86_64::{_mm_clflush, _mm_mfence};
    let place: *mut u64 = word;
    // SAFETY: every x86-64 processor has `mfence`.
    unsafe { _mm_mfence() };
    // SAFETY: every x86-64 processor has `clflush`; `place` lies in a live allocation.
    unsafe { _mm_clflush(place.cast()) };
    // SAFETY: every x86-64 processor has `mfence`.
    unsafe { _mm_mfence() };
}

/// Cleans and drops the line of `word` (`dc civac`, which Linux allows in user mode).
#[cfg(target_arch = "aarch64")]
fn flush_line(word: &mut u64) {
    let place: *mut u64 = word;
    // SAFETY: the address lies in a live allocation; the operation changes no data.
    unsafe { std::arch::asm!("dc civac, {place}", "dsb sy", place = in(reg) place) };
}

/// No way to reach past the caches: a fence only.
#[cfg(not(any(target_arch = "x86_64", target_arch = "aarch64")))]
fn flush_line(word: &mut u64) {
    black_box(word);
    std::sync::atomic::fence(std::sync::atomic::Ordering::SeqCst);
}
