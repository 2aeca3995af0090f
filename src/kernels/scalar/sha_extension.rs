//! The chain of SHA-256 by the x86 SHA extension. Never entered without asking the processor.

#![expect(
    unsafe_code,
    reason = "calls a body built for the SHA extension after asking for it"
)]

use std::arch::x86_64::{
    __m128i, _mm_add_epi32, _mm_alignr_epi8, _mm_extract_epi32, _mm_set_epi32,
    _mm_sha256msg1_epu32, _mm_sha256msg2_epu32, _mm_sha256rnds2_epu32, _mm_shuffle_epi32,
};

use super::hash_chain::{Block, INITIAL, K};

/// Replaces the message in `block` by its hash, `rounds` times.
pub(super) fn chain(block: &mut Block, rounds: u32) {
    assert!(
        is_x86_feature_detected!("sha")
            && is_x86_feature_detected!("ssse3")
            && is_x86_feature_detected!("sse4.1"),
        "the SHA path was chosen on a processor without it"
    );
    // SAFETY: the processor was just found to have all that `chain_sha` is built for.
    unsafe { chain_sha(block, rounds) }
}

#[target_feature(enable = "sha,ssse3,sse4.1")]
fn chain_sha(block: &mut Block, rounds: u32) {
    let mut words = [
        four(block[0..4].as_array()),
        four(block[4..8].as_array()),
        four(block[8..12].as_array()),
        four(block[12..16].as_array()),
    ];
    for _ in 0..rounds {
        let [first, second] = compress(words);
        words[0] = first;
        words[1] = second;
    }
    for (place, word) in block.chunks_exact_mut(4).zip(words) {
        place.copy_from_slice(&apart(word));
    }
}

/// Four words, the first in the lowest lane.
#[inline]
#[target_feature(enable = "sse4.1")]
fn four(words: Option<&[u32; 4]>) -> __m128i {
    let words = words.expect("the slice has four words");
    let [a, b, c, d] = words.map(u32::cast_signed);
    _mm_set_epi32(d, c, b, a)
}

#[inline]
#[target_feature(enable = "sse4.1")]
fn apart(vector: __m128i) -> [u32; 4] {
    let lanes = [
        _mm_extract_epi32::<0>(vector),
        _mm_extract_epi32::<1>(vector),
        _mm_extract_epi32::<2>(vector),
        _mm_extract_epi32::<3>(vector),
    ];
    lanes.map(i32::cast_unsigned)
}

/// FIPS 180-4 section 6.2.2 for the first block of a message; the result is in the order of the
/// standard. The instruction wants (f, e, b, a) and (h, g, d, c), lowest lane first.
#[inline]
#[target_feature(enable = "sha,ssse3,sse4.1")]
fn compress(mut words: [__m128i; 4]) -> [__m128i; 2] {
    let [a, b, c, d, e, f, g, h] = INITIAL;
    let start_abef = four(Some(&[f, e, b, a]));
    let start_cdgh = four(Some(&[h, g, d, c]));
    let (mut abef, mut cdgh) = (start_abef, start_cdgh);
    for (group, k) in K.chunks_exact(4).enumerate() {
        let current = words[group % 4];
        let sum = _mm_add_epi32(current, four(k.as_array()));
        cdgh = _mm_sha256rnds2_epu32(cdgh, abef, sum);
        let high = _mm_shuffle_epi32::<0b1110>(sum);
        abef = _mm_sha256rnds2_epu32(abef, cdgh, high);
        if group < 12 {
            // Words 4 groups on: sigma0 part, the words 7 back, then the sigma1 part.
            let (next, third, last) = (
                words[(group + 1) % 4],
                words[(group + 2) % 4],
                words[(group + 3) % 4],
            );
            let part = _mm_sha256msg1_epu32(current, next);
            let part = _mm_add_epi32(part, _mm_alignr_epi8::<4>(last, third));
            words[group % 4] = _mm_sha256msg2_epu32(part, last);
        }
    }
    let abef = _mm_add_epi32(abef, start_abef);
    let cdgh = _mm_add_epi32(cdgh, start_cdgh);
    let [f, e, b, a] = apart(abef);
    let [h, g, d, c] = apart(cdgh);
    [four(Some(&[a, b, c, d])), four(Some(&[e, f, g, h]))]
}
