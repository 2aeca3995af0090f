//! Lines of real memory by 256-bit accesses: a line is two of them. The engine is the portable one;
//! [`WideLines`] only says how a line is compared, because the compiler by itself compares word by
//! word, and the march is compiled anew so that reads and writes use the wide registers.

#![expect(
    unsafe_code,
    reason = "calls bodies built for AVX2 after asking for it"
)]

use std::arch::x86_64::{__m256i, _mm256_loadu_si256, _mm256_or_si256, _mm256_xor_si256};
use std::ops::Range;

use super::cells::{Cells, LINE_WORDS, Region};
use super::march::{march_over, march_rest};
use super::notation::March;
use super::walk::{Stopped, Walk};
use crate::kernels::{Beat, Go};

type Line = [u64; LINE_WORDS];

/// Real memory, compared by AVX2; there is none without the processor's having it.
struct WideLines<'a>(Region<'a, LINE_WORDS>);

impl<'a> WideLines<'a> {
    fn new(lines: &'a mut [Line]) -> Option<Self> {
        is_x86_feature_detected!("avx2").then(|| Self(Region::new(lines)))
    }
}

impl Cells<LINE_WORDS> for WideLines<'_> {
    fn count(&self) -> usize {
        self.0.count()
    }
    #[inline(always)]
    fn read(&mut self, cell: usize) -> Line {
        self.0.read(cell)
    }
    #[inline(always)]
    fn write(&mut self, cell: usize, value: Line) {
        self.0.write(cell, value);
    }
    fn flush(&mut self, cell: usize) {
        self.0.flush(cell);
    }
    fn flush_all(&mut self, cells: Range<usize>) {
        self.0.flush_all(cells);
    }
    fn pause(&mut self, beat: &mut dyn Beat) -> Go {
        self.0.pause(beat)
    }
    #[inline(always)]
    fn differs(&self, got: &Line, expected: &Line) -> bool {
        // SAFETY: `new` found that the processor has AVX2.
        unsafe { differs(got, expected) }
    }
    #[inline(always)]
    fn again(&mut self) -> impl Cells<LINE_WORDS> {
        self.0.again()
    }
}

#[inline]
#[target_feature(enable = "avx2")]
fn differs(got: &Line, expected: &Line) -> bool {
    let halves = |line: &Line| {
        let place: *const __m256i = line.as_ptr().cast();
        // SAFETY: half a line from its start; the load needs no alignment.
        let low = unsafe { _mm256_loadu_si256(place) };
        // SAFETY: the other half lies in the line as well.
        let place = unsafe { place.add(1) };
        // SAFETY: as for the first half.
        let high = unsafe { _mm256_loadu_si256(place) };
        (low, high)
    };
    let ((low, high), (right_low, right_high)) = (halves(got), halves(expected));
    let wrong = _mm256_or_si256(
        _mm256_xor_si256(low, right_low),
        _mm256_xor_si256(high, right_high),
    );
    let differs: u8;
    // By hand, since the compiler takes its own form of this test apart into eight comparisons.
    // SAFETY: the instructions only set a register and flags.
    unsafe {
        std::arch::asm!(
            "vptest {wrong}, {wrong}",
            "setnz {differs}",
            wrong = in(ymm_reg) wrong,
            differs = out(reg_byte) differs,
            options(pure, nomem, nostack)
        );
    };
    differs != 0
}

/// The march by 256-bit accesses; none where the processor has none.
pub(super) fn march_avx2(
    march: &March,
    region: &mut [u64],
    background: u64,
    walk: &mut Walk<'_>,
) -> Option<Result<(), Stopped>> {
    #[target_feature(enable = "avx2")]
    fn body(
        march: &March,
        lines: &mut WideLines<'_>,
        background: u64,
        walk: &mut Walk<'_>,
    ) -> Result<(), Stopped> {
        march_over(march, lines, background, walk)
    }
    let (lines, _) = region.as_chunks_mut::<LINE_WORDS>();
    let mut lines = WideLines::new(lines)?;
    // SAFETY: there are wide lines only where the processor has AVX2.
    let end = unsafe { body(march, &mut lines, background, walk) };
    Some(end.and_then(|()| march_rest(march, region, background, walk)))
}
