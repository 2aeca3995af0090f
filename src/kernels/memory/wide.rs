//! The march over a region, compiled for 256-bit accesses: a line is two of them. The source is the
//! portable one; the compiler may only use wider registers. It helps where several operations on a
//! line follow each other (March LR by a third, SS by half); 512-bit registers gained nothing more.

#![expect(
    unsafe_code,
    reason = "calls a body built for AVX2 after asking for it"
)]

use super::march::march_region;
use super::notation::March;
use super::walk::{Stopped, Walk};

/// 256-bit accesses; the portable body where the processor has none.
pub(super) fn march_avx2(
    march: &March,
    region: &mut [u64],
    background: u64,
    walk: &mut Walk<'_>,
) -> Result<(), Stopped> {
    #[target_feature(enable = "avx2")]
    fn body(
        march: &March,
        region: &mut [u64],
        background: u64,
        walk: &mut Walk<'_>,
    ) -> Result<(), Stopped> {
        march_region(march, region, background, walk)
    }
    if is_x86_feature_detected!("avx2") {
        // SAFETY: the processor was just found to have AVX2.
        unsafe { body(march, region, background, walk) }
    } else {
        march_region(march, region, background, walk)
    }
}
