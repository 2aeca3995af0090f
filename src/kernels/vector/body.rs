//! The body of the integer kernel, once, over a virtual vector of 64 bytes. It is plain Rust that is
//! inlined into functions with and without vector features, so all paths compute the same. Its steps
//! are bijections.

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

/// One sweep of the integer kernel over groups of `2 * V` vectors.
#[inline(always)]
pub(super) fn vec_int<const V: usize>(parts: Parts<'_>, sweep: usize) {
    let key = parts.params[0] & 0xFFFF_FFFF;
    let mut sum: [u64; 8] = std::array::from_fn(|lane| parts.sums[lane]);
    for (pair, chunk) in parts.x.chunks_exact_mut(16).enumerate() {
        let mut a: [u64; 8] = std::array::from_fn(|lane| chunk[lane]);
        let mut b: [u64; 8] = std::array::from_fn(|lane| chunk[8 + lane]);
        for round in 0..V {
            let base = pair * 16 + 8 * ((sweep + round) % (SHIFTS - 1));
            let add = &parts.c[base..base + 8];
            for lane in 0..8 {
                let product = (b[lane] & 0xFFFF_FFFF) * key;
                a[lane] = a[lane].wrapping_add(product).wrapping_add(add[lane]);
            }
            for lane in 0..8 {
                b[lane] = b[lane].rotate_left(23) ^ a[lane];
            }
            a = std::array::from_fn(|lane| a[(lane + 3) % 8]);
            for lane in 0..8 {
                sum[lane] = sum[lane].wrapping_add(b[lane]);
            }
        }
        chunk[..8].copy_from_slice(&a);
        chunk[8..].copy_from_slice(&b);
    }
    parts.sums.copy_from_slice(&sum);
}
