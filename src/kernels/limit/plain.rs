//! Memory as fast as plain code moves it: what walks are held against. Nothing is checked. Lines of
//! zeros are no real load on some processors, so whoever calls fills the memory with something else.

#![cfg_attr(
    target_arch = "x86_64",
    expect(
        unsafe_code,
        reason = "calls bodies built for AVX2 after asking for it"
    )
)]

use std::hint::black_box;

/// Words folded side by side by a read, so that no fold waits for another.
const LANES: usize = 32;

/// Defines `$name` as `$body` compiled for 256-bit accesses where the processor has them.
macro_rules! widest {
    ($(#[$doc:meta])* $name:ident, $body:ident, ($($argument:ident: $kind:ty),+) -> $result:ty) => {
        $(#[$doc])*
        pub fn $name($($argument: $kind),+) -> $result {
            #[cfg(target_arch = "x86_64")]
            {
                #[target_feature(enable = "avx2")]
                fn wide($($argument: $kind),+) -> $result {
                    $body($($argument),+)
                }
                if is_x86_feature_detected!("avx2") {
                    // SAFETY: the processor was just found to have AVX2.
                    return unsafe { wide($($argument),+) };
                }
            }
            $body($($argument),+)
        }
    };
}

widest!(
    /// Reads, complements and writes every word in place.
    invert_in_place, invert, (words: &mut [u64]) -> ()
);
widest!(
    /// Reads every word; gives their exclusive-or.
    read_only, read, (words: &[u64]) -> u64
);
widest!(
    /// Copies by a plain loop.
    ///
    /// # Panics
    /// When the lengths differ.
    copy_by_loop, copy, (from: &[u64], to: &mut [u64]) -> ()
);

/// Copies by the library's routine.
///
/// # Panics
/// When the lengths differ.
pub fn copy_by_library(from: &[u64], to: &mut [u64]) {
    black_box(to).copy_from_slice(black_box(from));
}

#[inline(always)]
fn invert(words: &mut [u64]) {
    for word in black_box(words) {
        *word = !*word;
    }
}

#[inline(always)]
fn read(words: &[u64]) -> u64 {
    let (groups, rest) = black_box(words).as_chunks::<LANES>();
    let mut folded = [0; LANES];
    for group in groups {
        for (lane, word) in folded.iter_mut().zip(group) {
            *lane ^= word;
        }
    }
    let words = folded.iter().chain(rest);
    words.fold(0, |all, word| all ^ word)
}

#[inline(always)]
fn copy(from: &[u64], to: &mut [u64]) {
    assert_eq!(from.len(), to.len(), "a copy has the length of its source");
    let (from, from_rest) = black_box(from).as_chunks::<LANES>();
    let (to, to_rest) = black_box(to).as_chunks_mut::<LANES>();
    for (from, to) in from.iter().zip(to) {
        let group = *from;
        // Without this the loop is recognised and becomes a call of the library's routine.
        *black_box(to) = group;
    }
    to_rest.copy_from_slice(from_rest);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_passes_do_what_their_names_say_at_any_length() {
        for length in [0, 1, 31, 32, 33, 1000] {
            let words: Vec<u64> = (0..length).map(|word| word * 0x9E37_79B9).collect();
            let mut turned = words.clone();
            invert_in_place(&mut turned);
            assert!(words.iter().zip(&turned).all(|(one, other)| *one == !other));
            let folded = words.iter().fold(0, |all, word| all ^ word);
            assert_eq!(read_only(&words), folded);
            for copy in [copy_by_library, copy_by_loop] {
                let mut copied = vec![0; words.len()];
                copy(&words, &mut copied);
                assert_eq!(words, copied);
            }
        }
    }
}
