//! The body in AVX2: products of 52 bits from four products of 26 bits.

#![expect(
    unsafe_code,
    reason = "vector loads and stores, and a body built for AVX2"
)]

use std::arch::x86_64::{
    __m256i, _mm256_add_epi64, _mm256_and_si256, _mm256_loadu_si256, _mm256_mul_epu32,
    _mm256_set1_epi64x, _mm256_slli_epi64, _mm256_srli_epi64, _mm256_storeu_si256,
    _mm256_xor_si256,
};
use std::ops::Range;

use super::{A, Arena, B, C, H, KEY, LANES, SHIFTS, TRIPLES};

/// Bits of half a factor.
const HALF_BITS: i32 = 26;

pub(super) fn sweep(arena: &mut Arena, sweeps: Range<usize>) {
    assert!(
        is_x86_feature_detected!("avx2"),
        "chosen on a processor without it"
    );
    // SAFETY: the processor was just found to have AVX2.
    unsafe { sweep_avx2(arena, sweeps) }
}

#[inline]
#[target_feature(enable = "avx2")]
fn load(arena: &Arena, at: usize) -> __m256i {
    let words: &[u64; 4] = arena[at..]
        .first_chunk()
        .expect("a vector lies in the arena");
    // SAFETY: four words are as long as the vector; the load needs no alignment.
    unsafe { _mm256_loadu_si256(words.as_ptr().cast()) }
}

#[inline]
#[target_feature(enable = "avx2")]
fn store(arena: &mut Arena, at: usize, vector: __m256i) {
    let words: &mut [u64; 4] = arena[at..]
        .first_chunk_mut()
        .expect("a vector lies in the arena");
    // SAFETY: four words are as long as the vector; the store needs no alignment.
    unsafe { _mm256_storeu_si256(words.as_mut_ptr().cast(), vector) }
}

#[target_feature(enable = "avx2")]
fn sweep_avx2(arena: &mut Arena, sweeps: Range<usize>) {
    for sweep in sweeps {
        let key = load(arena, KEY);
        let mask = _mm256_set1_epi64x((1 << HALF_BITS) - 1);
        let key = [
            _mm256_and_si256(key, mask),
            _mm256_and_si256(_mm256_srli_epi64::<HALF_BITS>(key), mask),
        ];
        for at in (0..TRIPLES * LANES).step_by(4) {
            // No `map`: it is not built for AVX2 and would hand the vectors over in memory.
            let (mut a, mut h) = (load(arena, A + at), load(arena, H + at));
            let mut b = load(arena, B + at);
            let c = C + at + sweep % SHIFTS * LANES;
            let [lower, upper] = product(b, key, mask);
            a = _mm256_add_epi64(_mm256_add_epi64(a, lower), load(arena, c));
            h = _mm256_add_epi64(h, upper);
            b = mix(b, a);
            let [lower, upper] = product(b, key, mask);
            a = _mm256_add_epi64(a, lower);
            h = _mm256_add_epi64(_mm256_add_epi64(h, upper), load(arena, c + LANES));
            b = mix(b, h);
            store(arena, A + at, a);
            store(arena, H + at, h);
            store(arena, B + at, b);
        }
    }
}

/// (b rotated by 23) ^ mixed
#[inline]
#[target_feature(enable = "avx2")]
fn mix(b: __m256i, mixed: __m256i) -> __m256i {
    let turned = _mm256_xor_si256(_mm256_slli_epi64::<23>(b), _mm256_srli_epi64::<41>(b));
    _mm256_xor_si256(turned, mixed)
}

/// Lower and upper 52 bits of the product of the lowest 52 bits. The middle one of its four parts, with what
/// the lowest carries into it, stays below 2^54.
#[inline]
#[target_feature(enable = "avx2")]
fn product(b: __m256i, key: [__m256i; 2], mask: __m256i) -> [__m256i; 2] {
    let low = _mm256_and_si256(b, mask);
    let high = _mm256_and_si256(_mm256_srli_epi64::<HALF_BITS>(b), mask);
    let lowest = _mm256_mul_epu32(low, key[0]);
    let crossed = _mm256_add_epi64(
        _mm256_mul_epu32(low, key[1]),
        _mm256_mul_epu32(high, key[0]),
    );
    let middle = _mm256_add_epi64(crossed, _mm256_srli_epi64::<HALF_BITS>(lowest));
    let lower = _mm256_add_epi64(
        _mm256_slli_epi64::<HALF_BITS>(_mm256_and_si256(middle, mask)),
        _mm256_and_si256(lowest, mask),
    );
    let upper = _mm256_add_epi64(
        _mm256_mul_epu32(high, key[1]),
        _mm256_srli_epi64::<HALF_BITS>(middle),
    );
    [lower, upper]
}
