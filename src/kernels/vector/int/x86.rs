//! The body in AVX2 and AVX-512: the same text but for the names of registers, the width and the
//! rotate, which AVX2 does not have. A block is six pairs of registers.

#![expect(
    unsafe_code,
    reason = "whole loops in assembly: the choice of instructions is the load"
)]

use std::arch::asm;
use std::ops::Range;

use super::{A, Arena, C, KEY, LANES, PAIRS, SHIFTS};

/// Register number `$n` of a set.
macro_rules! register {
    (avx2 $n:literal) => {
        concat!("ymm", $n)
    };
    (avx512 $n:literal) => {
        concat!("zmm", $n)
    };
}

macro_rules! width {
    (avx2) => {
        "32"
    };
    (avx512) => {
        "64"
    };
}

/// Move of a whole register.
macro_rules! whole {
    (avx2) => {
        "vmovdqu "
    };
    (avx512) => {
        "vmovdqu64 "
    };
}

/// b = (b rotated by 23) ^ a.
macro_rules! rotate_and_mix {
    (avx2 $a:literal $b:literal) => {
        concat!(
            "vpsrlq ymm15, ymm",
            $b,
            ", 41\n",
            "vpsllq ymm",
            $b,
            ", ymm",
            $b,
            ", 23\n",
            "vpxor ymm",
            $b,
            ", ymm",
            $b,
            ", ymm15\n",
            "vpxor ymm",
            $b,
            ", ymm",
            $b,
            ", ymm",
            $a,
            "\n",
        )
    };
    (avx512 $a:literal $b:literal) => {
        concat!(
            "vprolq zmm",
            $b,
            ", zmm",
            $b,
            ", 23\n",
            "vpxorq zmm",
            $b,
            ", zmm",
            $b,
            ", zmm",
            $a,
            "\n",
        )
    };
}

macro_rules! shuffle {
    ($set:tt bytes $a:literal) => {
        concat!("vpshufb ", register!($set $a), ", ", register!($set $a), ", ", register!($set 13), "\n")
    };
    ($set:tt quarters $a:literal) => {
        concat!("vpshufd ", register!($set $a), ", ", register!($set $a), ", 0x39\n")
    };
    ($set:tt across $a:literal) => {
        concat!("vpermq ", register!($set $a), ", ", register!($set $a), ", 0x39\n")
    };
}

/// A round of the pair in registers `$a` and `$b`, its `c` at offset `$round` of the window.
macro_rules! pair {
    ($set:tt $a:literal $b:literal $round:literal $shuffle:tt) => {
        concat!(
            "vpmuludq ", register!($set 14), ", ", register!($set $b), ", ", register!($set 12), "\n",
            "vpaddq ", register!($set $a), ", ", register!($set $a),
            ", [{c} + ", $round, " + ", width!($set), "*", $a, "]\n",
            "vpaddq ", register!($set $a), ", ", register!($set $a), ", ", register!($set 14), "\n",
            rotate_and_mix!($set $a $b),
            shuffle!($set $shuffle $a),
        )
    };
}

/// Six pairs; the shuffles of round 1 follow from the numbers of the virtual pairs.
macro_rules! round {
    ($set:tt $round:literal $s0:tt $s1:tt $s2:tt $s3:tt $s4:tt $s5:tt) => {
        concat!(
            pair!($set 0 6 $round $s0), pair!($set 1 7 $round $s1), pair!($set 2 8 $round $s2),
            pair!($set 3 9 $round $s3), pair!($set 4 10 $round $s4), pair!($set 5 11 $round $s5),
        )
    };
}

/// Moves registers to or from `a` and `b`; the latter lies 6528 bytes on.
macro_rules! load {
    ($set:tt $($n:literal $b:literal),*) => {
        concat!($(
            whole!($set), register!($set $n), ", [{a} + ", width!($set), "*", $n, "]\n",
            whole!($set), register!($set $b), ", [{a} + 6528 + ", width!($set), "*", $n, "]\n",
        )*)
    };
}
macro_rules! store {
    ($set:tt $($n:literal $b:literal),*) => {
        concat!($(
            whole!($set), "[{a} + ", width!($set), "*", $n, "], ", register!($set $n), "\n",
            whole!($set), "[{a} + 6528 + ", width!($set), "*", $n, "], ", register!($set $b), "\n",
        )*)
    };
}
const _: () = assert!(super::B * 8 == 6528, "the text says where `b` lies");

macro_rules! sweep {
    ($name:ident $set:tt, $feature:tt, $per_block:literal, $s0:tt $s1:tt $s2:tt $s3:tt $s4:tt $s5:tt) => {
        pub(super) fn $name(arena: &mut Arena, sweeps: Range<usize>) {
            assert!(is_x86_feature_detected!($feature), "chosen on a processor without it");
            let start = arena.as_mut_ptr();
            for sweep in sweeps {
                let a = start.wrapping_add(A);
                let c = start.wrapping_add(C + sweep % SHIFTS * LANES);
                let constants = start.wrapping_add(KEY);
                // SAFETY: the processor was found to have the instructions. All that is read and
                // written lies in the arena: `a` and `b` end after PAIRS vectors, the window after as
                // many and SHIFTS more, the constants are two vectors long.
                unsafe {
                    asm!(
                        concat!(whole!($set), register!($set 12), ", [{constants}]"),
                        concat!(whole!($set), register!($set 13), ", [{constants} + 64]"),
                        "2:",
                        load!($set 0 6, 1 7, 2 8, 3 9, 4 10, 5 11),
                        round!($set 0 bytes bytes bytes bytes bytes bytes),
                        round!($set 64 $s0 $s1 $s2 $s3 $s4 $s5),
                        store!($set 0 6, 1 7, 2 8, 3 9, 4 10, 5 11),
                        concat!("add {a}, 6*", width!($set)),
                        concat!("add {c}, 6*", width!($set)),
                        "dec {blocks}",
                        "jnz 2b",
                        concat!(whole!($set), "[{constants}], ", register!($set 12)),
                        concat!(whole!($set), "[{constants} + 64], ", register!($set 13)),
                        "vzeroupper",
                        a = inout(reg) a => _,
                        c = inout(reg) c => _,
                        blocks = inout(reg) PAIRS / $per_block => _,
                        constants = in(reg) constants,
                        out("xmm0") _, out("xmm1") _, out("xmm2") _, out("xmm3") _,
                        out("xmm4") _, out("xmm5") _, out("xmm6") _, out("xmm7") _,
                        out("xmm8") _, out("xmm9") _, out("xmm10") _, out("xmm11") _,
                        out("xmm12") _, out("xmm13") _, out("xmm14") _, out("xmm15") _,
                        options(nostack),
                    );
                }
            }
        }
    };
}

sweep!(sweep_avx2 avx2, "avx2", 3, quarters quarters quarters quarters across across);
sweep!(sweep_avx512 avx512, "avx512bw", 6, quarters quarters across quarters quarters across);
