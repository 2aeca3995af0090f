//! The body with the 52-bit multiply-add of AVX-512, five triples of registers in a block.

#![expect(
    unsafe_code,
    reason = "whole loops in assembly: the choice of instructions is the load"
)]

use std::arch::asm;
use std::ops::Range;

use super::{A, Arena, C, KEY, LANES, SHIFTS, TRIPLES};

/// Offset in bytes of triple `$n`, and of the parts of the state.
const _: () = assert!(
    super::H * 8 == 4480 && super::B * 8 == 8960,
    "the text says so"
);

/// Moves the registers of five triples from or to memory.
macro_rules! load {
    ($($n:literal $h:literal $b:literal),*) => {
        concat!($(
            "vmovdqu64 zmm", $n, ", [{a} + 64*", $n, "]\n",
            "vmovdqu64 zmm", $h, ", [{a} + 4480 + 64*", $n, "]\n",
            "vmovdqu64 zmm", $b, ", [{a} + 8960 + 64*", $n, "]\n",
        )*)
    };
}
macro_rules! store {
    ($($n:literal $h:literal $b:literal),*) => {
        concat!($(
            "vmovdqu64 [{a} + 64*", $n, "], zmm", $n, "\n",
            "vmovdqu64 [{a} + 4480 + 64*", $n, "], zmm", $h, "\n",
            "vmovdqu64 [{a} + 8960 + 64*", $n, "], zmm", $b, "\n",
        )*)
    };
}

/// A round of triple `$n`, whose `$mixed` of `a` and `h` takes `c` and goes into `b`.
macro_rules! triple {
    ($n:literal $h:literal $b:literal, $mixed:literal $round:literal) => {
        concat!(
            "vpmadd52luq zmm",
            $n,
            ", zmm",
            $b,
            ", zmm15\n",
            "vpmadd52huq zmm",
            $h,
            ", zmm",
            $b,
            ", zmm15\n",
            "vpaddq zmm",
            $mixed,
            ", zmm",
            $mixed,
            ", [{c} + ",
            $round,
            " + 64*",
            $n,
            "]\n",
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
            $mixed,
            "\n",
        )
    };
}

pub(super) fn sweep(arena: &mut Arena, sweeps: Range<usize>) {
    assert!(
        is_x86_feature_detected!("avx512ifma") && is_x86_feature_detected!("avx512f"),
        "chosen on a processor without it"
    );
    let start = arena.as_mut_ptr();
    for sweep in sweeps {
        let a = start.wrapping_add(A);
        let c = start.wrapping_add(C + sweep % SHIFTS * LANES);
        let key = start.wrapping_add(KEY);
        // SAFETY: the processor was found to have the instructions. All that is read and written lies in
        // the arena: the parts of the state end after TRIPLES vectors, the window after as many and SHIFTS
        // more, the key is one vector.
        unsafe {
            asm!(
                "vmovdqu64 zmm15, [{key}]",
                "2:",
                load!(0 5 10, 1 6 11, 2 7 12, 3 8 13, 4 9 14),
                triple!(0 5 10, 0 0), triple!(1 6 11, 1 0), triple!(2 7 12, 2 0),
                triple!(3 8 13, 3 0), triple!(4 9 14, 4 0),
                triple!(0 5 10, 5 64), triple!(1 6 11, 6 64), triple!(2 7 12, 7 64),
                triple!(3 8 13, 8 64), triple!(4 9 14, 9 64),
                store!(0 5 10, 1 6 11, 2 7 12, 3 8 13, 4 9 14),
                "add {a}, 320",
                "add {c}, 320",
                "dec {blocks}",
                "jnz 2b",
                // Written back: a flip in the register must not be forgotten.
                "vmovdqu64 [{key}], zmm15",
                "vzeroupper",
                a = inout(reg) a => _,
                c = inout(reg) c => _,
                blocks = inout(reg) TRIPLES / 5 => _,
                key = in(reg) key,
                out("xmm0") _, out("xmm1") _, out("xmm2") _, out("xmm3") _,
                out("xmm4") _, out("xmm5") _, out("xmm6") _, out("xmm7") _,
                out("xmm8") _, out("xmm9") _, out("xmm10") _, out("xmm11") _,
                out("xmm12") _, out("xmm13") _, out("xmm14") _, out("xmm15") _,
                options(nostack),
            );
        }
    }
}
