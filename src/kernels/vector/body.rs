//! The bodies of the wide kernels, once, over a virtual vector of 64 bytes. They are plain Rust that
//! is inlined into functions with and without vector features, so all paths compute the same.
//!
//! Cancelling FMA: three steps of slope above 1 inside one binade (injective), then a contraction
//! whose input is folded by an integer sum after the contraction has read it, so no error can decay
//! before it is counted.

/// Words of the constants window that sweeps move through.
const SHIFTS: usize = 64;

/// Parts of an arena: state, constants, sums (8 words), parameters (8 words).
pub(super) struct Parts<'a> {
    pub(super) x: &'a mut [u64],
    pub(super) c: &'a mut [u64],
    pub(super) sums: &'a mut [u64],
    pub(super) params: &'a mut [u64],
}

/// Words of state in an arena of `words` words.
pub(super) fn state_words(words: usize) -> usize {
    (words - 16 - 8 * SHIFTS) / 2
}

/// Splits an arena.
#[inline(always)]
pub(super) fn parts(arena: &mut [u64]) -> Parts<'_> {
    let state = state_words(arena.len());
    let (x, rest) = arena.split_at_mut(state);
    let (c, rest) = rest.split_at_mut(state + 8 * SHIFTS);
    let (sums, params) = rest.split_at_mut(8);
    Parts { x, c, sums, params }
}

/// State, constants, and the tail of sums and parameters.
#[inline(always)]
pub(super) fn parts_with_tail(arena: &mut [u64]) -> (&mut [u64], &mut [u64], &mut [u64]) {
    let state = state_words(arena.len());
    let (x, rest) = arena.split_at_mut(state);
    let (c, tail) = rest.split_at_mut(state + 8 * SHIFTS);
    (x, c, tail)
}

macro_rules! fma_sweep {
    ($name:ident, $float:ty, $bits:ty, $lanes:literal) => {
        /// One sweep: two rounds over each element of the state, `V` vectors at a time.
        #[inline(always)]
        pub(super) fn $name<const V: usize>(
            x: &mut [$bits],
            c: &[$bits],
            tail: &mut [$bits],
            sweep: usize,
        ) {
            let (sums, params) = tail.split_at_mut($lanes);
            let factor = <$float>::from_bits(params[0]);
            let shrink = <$float>::from_bits(params[1]);
            let centre = <$float>::from_bits(params[2]);
            let mut sum: [$bits; $lanes] = std::array::from_fn(|lane| sums[lane]);
            for (group, chunk) in x.chunks_exact_mut(V * $lanes).enumerate() {
                let mut state = [[0.0; $lanes]; V];
                for v in 0..V {
                    for lane in 0..$lanes {
                        state[v][lane] = <$float>::from_bits(chunk[v * $lanes + lane]);
                    }
                }
                for round in 0..2 {
                    for step in 0..3 {
                        let shift = (sweep + round * 3 + step) % SHIFTS;
                        let base = (group * V + shift) * $lanes;
                        let window = &c[base..base + V * $lanes];
                        for v in 0..V {
                            for lane in 0..$lanes {
                                let add = <$float>::from_bits(window[v * $lanes + lane]);
                                state[v][lane] = state[v][lane].mul_add(factor, add);
                            }
                        }
                    }
                    for vector in &mut state {
                        for lane in 0..$lanes {
                            let before = vector[lane];
                            vector[lane] = before.mul_add(shrink, centre);
                            sum[lane] = sum[lane].wrapping_add(before.to_bits());
                        }
                    }
                }
                for v in 0..V {
                    for lane in 0..$lanes {
                        chunk[v * $lanes + lane] = state[v][lane].to_bits();
                    }
                }
            }
            sums.copy_from_slice(&sum);
        }
    };
}

fma_sweep!(fma_f64, f64, u64, 8);
fma_sweep!(fma_f32, f32, u32, 16);
