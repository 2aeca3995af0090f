//! Blocks of the exact product with the processor's fused multiply-add, one value at a time: nine chains
//! in registers, which is what keeps two multiply-add pipes busy.

#![expect(
    unsafe_code,
    reason = "a loop in assembly: compilers put several values into one register"
)]

use std::arch::asm;

use super::matrix_exact::{BLOCK, FULL, OPERAND, PRODUCT, SIDE};

/// Sums `$a`, `$b`, `$c` of one row: its element, `$row` bytes on, times three of the right matrix.
macro_rules! row {
    ($operation:literal $row:literal $a:literal $b:literal $c:literal) => {
        concat!(
            "vmovsd xmm12, [{left} + ",
            $row,
            "]\n",
            $operation,
            " xmm",
            $a,
            ", xmm12, xmm9\n",
            $operation,
            " xmm",
            $b,
            ", xmm12, xmm10\n",
            $operation,
            " xmm",
            $c,
            ", xmm12, xmm11\n",
        )
    };
}

/// One step of all three rows; the first multiplies only, as there is no sum yet.
macro_rules! step {
    ($operation:literal) => {
        concat!(
            "vmovsd xmm9, [{right}]\nvmovsd xmm10, [{right} + 8]\nvmovsd xmm11, [{right} + 16]\n",
            row!($operation 0 0 1 2), row!($operation 256 3 4 5), row!($operation 512 6 7 8),
            "add {left}, 8\nadd {right}, 264\n",
        )
    };
}
const _: () = assert!(
    8 * SIDE == 256 && 8 * FULL == 264 && BLOCK == 3,
    "the text says so"
);

/// The product of `left` and `right` with their sums.
pub(super) fn multiply(left: &[u64], right: &[u64], product: &mut [u64]) {
    assert!(
        is_x86_feature_detected!("fma"),
        "chosen on a processor without it"
    );
    assert!(left.len() == OPERAND && right.len() == OPERAND && product.len() == PRODUCT);
    for row in (0..FULL).step_by(BLOCK) {
        for column in (0..FULL).step_by(BLOCK) {
            let left = left[row * SIDE..].as_ptr();
            let right = right[column..].as_ptr();
            let place = product[row * FULL + column..].as_mut_ptr();
            // SAFETY: the processor has the instructions. Three rows from `row` on and three columns
            // from `column` on are inside the matrices, whose sizes were just found to be right.
            unsafe {
                asm!(
                    step!("vmulsd"),
                    "2:",
                    step!("vfmadd231sd"),
                    "dec {steps}",
                    "jnz 2b",
                    "vmovsd [{place}], xmm0\nvmovsd [{place} + 8], xmm1\nvmovsd [{place} + 16], xmm2",
                    "vmovsd [{place} + 264], xmm3\nvmovsd [{place} + 272], xmm4\nvmovsd [{place} + 280], xmm5",
                    "vmovsd [{place} + 528], xmm6\nvmovsd [{place} + 536], xmm7\nvmovsd [{place} + 544], xmm8",
                    left = inout(reg) left => _,
                    right = inout(reg) right => _,
                    steps = inout(reg) SIDE - 1 => _,
                    place = in(reg) place,
                    out("xmm0") _, out("xmm1") _, out("xmm2") _, out("xmm3") _, out("xmm4") _,
                    out("xmm5") _, out("xmm6") _, out("xmm7") _, out("xmm8") _, out("xmm9") _,
                    out("xmm10") _, out("xmm11") _, out("xmm12") _,
                    options(nostack),
                );
            }
        }
    }
}
