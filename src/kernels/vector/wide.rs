//! Sweeps of the cancelling FMA in vector intrinsics: the compiler does not keep the virtual vector of
//! `body` in registers by itself. Same operations on the same elements, so the digests are equal.

#![expect(unsafe_code, reason = "vector loads and stores")]

use std::arch::x86_64::*;

macro_rules! wide_sweep {
    ($name:ident, $features:literal, $float:ty, $bits:ty, $vector:ty, $integer:ty, $width:literal, $group:literal,
     $load:ident, $store:ident, $splat:ident, $fma:ident, $cast:ident, $add:ident) => {
        /// One sweep; `tail` holds the sums of a virtual vector of 64 bytes, then the parameters.
        #[target_feature(enable = $features)]
        pub(super) fn $name(x: &mut [$bits], c: &[$bits], tail: &mut [$bits], sweep: usize) {
            const LANES: usize = 64 / size_of::<$bits>();
            const SUMS: usize = LANES / $width;
            let (sums, params) = tail.split_at_mut(LANES);
            let factor = $splat(<$float>::from_bits(params[0]));
            let shrink = $splat(<$float>::from_bits(params[1]));
            let centre = $splat(<$float>::from_bits(params[2]));
            let (sums, _) = sums.as_chunks_mut::<$width>();
            let load = |from: &[$bits; $width]| {
                // SAFETY: the array is as long as the vector; the load needs no alignment.
                unsafe { $load(from.as_ptr().cast()) }
            };
            let mut sum: [$integer; SUMS] = std::array::from_fn(|at| $cast(load(&sums[at])));
            let (vectors, _) = x.as_chunks_mut::<$width>();
            let (constants, _) = c.as_chunks::<$width>();
            for (index, chunk) in vectors.as_chunks_mut::<$group>().0.iter_mut().enumerate() {
                let mut state: [$vector; $group] = std::array::from_fn(|at| load(&chunk[at]));
                for round in 0..2 {
                    for step in 0..3 {
                        let shift = (sweep + round * 3 + step) % 64;
                        let base = index * $group + shift * SUMS;
                        let window: &[[$bits; $width]; $group] = constants[base..]
                            .first_chunk()
                            .expect("the window ends in C");
                        for at in 0..$group {
                            state[at] = $fma(state[at], factor, load(&window[at]));
                        }
                    }
                    for at in 0..$group {
                        let before = state[at];
                        state[at] = $fma(before, shrink, centre);
                        sum[at & (SUMS - 1)] = $add(sum[at & (SUMS - 1)], $cast(before));
                    }
                }
                for at in 0..$group {
                    // SAFETY: the array is as long as the vector; the store needs no alignment.
                    unsafe { $store(chunk[at].as_mut_ptr().cast(), state[at]) };
                }
            }
            for at in 0..SUMS {
                // SAFETY: as for the state.
                unsafe {
                    std::ptr::from_mut(&mut sums[at])
                        .cast::<$integer>()
                        .write_unaligned(sum[at])
                };
            }
        }
    };
}

wide_sweep!(
    f64_avx2,
    "avx2,fma",
    f64,
    u64,
    __m256d,
    __m256i,
    4,
    8,
    _mm256_loadu_pd,
    _mm256_storeu_pd,
    _mm256_set1_pd,
    _mm256_fmadd_pd,
    _mm256_castpd_si256,
    _mm256_add_epi64
);
wide_sweep!(
    f32_avx2,
    "avx2,fma",
    f32,
    u32,
    __m256,
    __m256i,
    8,
    8,
    _mm256_loadu_ps,
    _mm256_storeu_ps,
    _mm256_set1_ps,
    _mm256_fmadd_ps,
    _mm256_castps_si256,
    _mm256_add_epi32
);
wide_sweep!(
    f64_avx512,
    "avx512f,avx512dq,avx512vl",
    f64,
    u64,
    __m512d,
    __m512i,
    8,
    16,
    _mm512_loadu_pd,
    _mm512_storeu_pd,
    _mm512_set1_pd,
    _mm512_fmadd_pd,
    _mm512_castpd_si512,
    _mm512_add_epi64
);
wide_sweep!(
    f32_avx512,
    "avx512f,avx512dq,avx512vl",
    f32,
    u32,
    __m512,
    __m512i,
    16,
    16,
    _mm512_loadu_ps,
    _mm512_storeu_ps,
    _mm512_set1_ps,
    _mm512_fmadd_ps,
    _mm512_castps_si512,
    _mm512_add_epi32
);
