//! The loops as assembly: a compiler would fold additions of constants, join scalar chains into
//! vectors and leave out what nobody reads.

#![expect(unsafe_code, reason = "loops that no compiler may change")]

use std::arch::asm;

use super::Limit;
use crate::model::InstructionSet;

/// Vector or floating-point operations of a turn: twelve chains, five times.
pub(super) const CHAIN_OPERATIONS: u64 = 12 * 5;
/// Eight times twelve mixed operations, and the count-and-branch that is taken up as one.
pub(super) const DISPATCH_OPERATIONS: u64 = 8 * 12 + 1;
/// Eight times eight additions, and the count-and-branch.
pub(super) const ALU_OPERATIONS: u64 = 8 * 8 + 1;
/// Divisions of a turn.
pub(super) const DIVISIONS: u64 = 8;
/// 96 instructions of two rounds each; a block has 64 rounds.
pub(super) const HASH_BLOCKS: u64 = 3;

/// Slope and addend of the chains: values settle at 1.5.
const FACTOR: f64 = 0.75;
const ADDEND: f64 = 0.375;

/// Runs the loop. [`super::LimitLoop::new`] has made sure that the processor has `set`.
pub(super) fn run(limit: Limit, set: InstructionSet, turns: u64) {
    use InstructionSet::{Avx2, Avx512, Avx512Ifma, Portable, ScalarFma, Sha, X86};
    match (limit, set) {
        (Limit::Dispatch, _) => dispatch(turns),
        (Limit::IntegerAlu, _) => alu(turns),
        (Limit::Divide, _) => divide(turns),
        (Limit::HashRounds, _) => hash_rounds(turns),
        (Limit::VectorInteger, Avx512) => lanes_512(turns),
        (Limit::VectorInteger, _) => lanes_256(turns),
        (Limit::DoubleMultiplyAdd, Avx512) => doubles_512(turns, doubles(FACTOR, ADDEND)),
        (Limit::DoubleMultiplyAdd, Avx2) => doubles_256(turns, doubles(FACTOR, ADDEND)),
        (Limit::DoubleMultiplyAdd, ScalarFma) => doubles_scalar(turns, doubles(FACTOR, ADDEND)),
        // A factor of one keeps the products where they are.
        (Limit::DoubleMultiplyAdd, _) => multiply_or_add(turns, doubles(1.0, ADDEND)),
        (Limit::SingleMultiplyAdd, Avx512) => singles_512(turns, singles()),
        (Limit::SingleMultiplyAdd, Avx2) => singles_256(turns, singles()),
        (Limit::SingleMultiplyAdd, ScalarFma) => singles_scalar(turns, singles()),
        (Limit::SingleMultiplyAdd, Portable | X86 | Sha | Avx512Ifma) => {
            debug_assert!(false, "no such loop");
        }
    }
}

fn doubles(factor: f64, addend: f64) -> (u64, u64) {
    (factor.to_bits(), addend.to_bits())
}

fn singles() -> (u64, u64) {
    let (factor, addend) = (0.75_f32, 0.375_f32);
    (u64::from(factor.to_bits()), u64::from(addend.to_bits()))
}

/// Twelve chains in vector registers 0 to 11; register 12 holds the factor, 13 the addend. `$spread`
/// fills these from their lowest lane, `$start` gives each chain the addend, `$first` moves the chains
/// 0 to 5 and `$second` the chains 6 to 11.
macro_rules! chains {
    ($name:ident, $spread:literal, $start:literal, $first:literal, $second:literal) => {
        fn $name(turns: u64, (factor, addend): (u64, u64)) {
            // SAFETY: only registers named here change, no memory is touched, the loop ends as `turns`
            // is at least 1, and `LimitLoop::new` made sure that the processor has the instructions.
            unsafe {
                asm!(
                    "movq xmm12, {factor}",
                    "movq xmm13, {addend}",
                    $spread,
                    ".irp r, 0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11",
                    $start,
                    ".endr",
                    "2:",
                    ".rept 5",
                    ".irp r, 0, 1, 2, 3, 4, 5",
                    $first,
                    ".endr",
                    ".irp r, 6, 7, 8, 9, 10, 11",
                    $second,
                    ".endr",
                    ".endr",
                    "dec {turns}",
                    "jnz 2b",
                    factor = in(reg) factor,
                    addend = in(reg) addend,
                    turns = inout(reg) turns => _,
                    out("xmm0") _, out("xmm1") _, out("xmm2") _, out("xmm3") _, out("xmm4") _,
                    out("xmm5") _, out("xmm6") _, out("xmm7") _, out("xmm8") _, out("xmm9") _,
                    out("xmm10") _, out("xmm11") _, out("xmm12") _, out("xmm13") _,
                    options(nomem, nostack),
                );
            }
        }
    };
}

chains!(
    multiply_or_add,
    "",
    "movaps xmm\\r, xmm13",
    "mulsd xmm\\r, xmm12",
    "addsd xmm\\r, xmm13"
);
chains!(
    doubles_scalar,
    "",
    "vmovaps xmm\\r, xmm13",
    "vfmadd213sd xmm\\r, xmm12, xmm13",
    "vfmadd213sd xmm\\r, xmm12, xmm13"
);
chains!(
    singles_scalar,
    "",
    "vmovaps xmm\\r, xmm13",
    "vfmadd213ss xmm\\r, xmm12, xmm13",
    "vfmadd213ss xmm\\r, xmm12, xmm13"
);
chains!(
    doubles_256,
    "vpbroadcastq ymm12, xmm12\nvpbroadcastq ymm13, xmm13",
    "vmovaps ymm\\r, ymm13",
    "vfmadd213pd ymm\\r, ymm12, ymm13",
    "vfmadd213pd ymm\\r, ymm12, ymm13"
);
chains!(
    singles_256,
    "vpbroadcastd ymm12, xmm12\nvpbroadcastd ymm13, xmm13",
    "vmovaps ymm\\r, ymm13",
    "vfmadd213ps ymm\\r, ymm12, ymm13",
    "vfmadd213ps ymm\\r, ymm12, ymm13"
);
chains!(
    doubles_512,
    "vpbroadcastq zmm12, xmm12\nvpbroadcastq zmm13, xmm13",
    "vmovaps zmm\\r, zmm13",
    "vfmadd213pd zmm\\r, zmm12, zmm13",
    "vfmadd213pd zmm\\r, zmm12, zmm13"
);
chains!(
    singles_512,
    "vpbroadcastd zmm12, xmm12\nvpbroadcastd zmm13, xmm13",
    "vmovaps zmm\\r, zmm13",
    "vfmadd213ps zmm\\r, zmm12, zmm13",
    "vfmadd213ps zmm\\r, zmm12, zmm13"
);
chains!(
    integers_256,
    "vpbroadcastq ymm12, xmm12\nvpbroadcastq ymm13, xmm13",
    "vmovdqa ymm\\r, ymm13",
    "vpaddq ymm\\r, ymm\\r, ymm12",
    "vpxor ymm\\r, ymm\\r, ymm13"
);
chains!(
    integers_512,
    "vpbroadcastq zmm12, xmm12\nvpbroadcastq zmm13, xmm13",
    "vmovdqa64 zmm\\r, zmm13",
    "vpaddq zmm\\r, zmm\\r, zmm12",
    "vpxorq zmm\\r, zmm\\r, zmm13"
);

fn lanes_256(turns: u64) {
    integers_256(turns, doubles(FACTOR, ADDEND));
}

fn lanes_512(turns: u64) {
    integers_512(turns, doubles(FACTOR, ADDEND));
}

/// Additions, loads and vector additions, half, a third and a sixth: more than any one kind of unit
/// could take, so that only the width of the core bounds them.
fn dispatch(turns: u64) {
    let line = [1_u64, 2, 3, 4];
    // SAFETY: only registers named here change, only `line` is read, the loop ends as `turns` is at
    // least 1.
    unsafe {
        asm!(
            "2:",
            ".rept 8",
            "add r8, {one}",
            "mov rax, [{line}]",
            "add r9, {one}",
            "paddq xmm0, xmm2",
            "mov rcx, [{line} + 8]",
            "add r10, {one}",
            "add r11, {one}",
            "mov rax, [{line} + 16]",
            "add rsi, {one}",
            "paddq xmm1, xmm2",
            "mov rcx, [{line} + 24]",
            "add rdi, {one}",
            ".endr",
            "dec {turns}",
            "jnz 2b",
            one = in(reg) 1_u64,
            line = in(reg) line.as_ptr(),
            turns = inout(reg) turns => _,
            out("rax") _, out("rcx") _, out("rsi") _, out("rdi") _,
            out("r8") _, out("r9") _, out("r10") _, out("r11") _,
            out("xmm0") _, out("xmm1") _, out("xmm2") _,
            options(readonly, nostack),
        );
    }
}

fn alu(turns: u64) {
    // SAFETY: only registers named here change, no memory is touched, the loop ends as `turns` is at
    // least 1.
    unsafe {
        asm!(
            "2:",
            ".rept 8",
            ".irp r, rax, rcx, rsi, rdi, r8, r9, r10, r11",
            "add \\r, {one}",
            ".endr",
            ".endr",
            "dec {turns}",
            "jnz 2b",
            one = in(reg) 1_u64,
            turns = inout(reg) turns => _,
            out("rax") _, out("rcx") _, out("rsi") _, out("rdi") _,
            out("r8") _, out("r9") _, out("r10") _, out("r11") _,
            options(nomem, nostack),
        );
    }
}

/// Divisions that do not wait for each other.
fn divide(turns: u64) {
    // SAFETY: only registers named here change, no memory is touched, the divisor is above the high
    // half of the dividend so no division traps, and the loop ends as `turns` is at least 1.
    unsafe {
        asm!(
            "2:",
            ".rept 8",
            "mov rax, {dividend}",
            "xor edx, edx",
            "div {divisor}",
            ".endr",
            "dec {turns}",
            "jnz 2b",
            dividend = in(reg) 0x9E37_79B9_7F4A_7C15_u64,
            divisor = in(reg) 0x0000_00B5_0405_1D0D_u64,
            turns = inout(reg) turns => _,
            out("rax") _, out("rdx") _,
            options(nomem, nostack),
        );
    }
}

fn hash_rounds(turns: u64) {
    // SAFETY: only registers named here change, no memory is touched, the loop ends as `turns` is at
    // least 1, and `LimitLoop::new` made sure that the processor has the instruction.
    unsafe {
        asm!(
            "2:",
            ".rept 16",
            ".irp r, 1, 2, 3, 4, 5, 6",
            "sha256rnds2 xmm\\r, xmm7",
            ".endr",
            ".endr",
            "dec {turns}",
            "jnz 2b",
            turns = inout(reg) turns => _,
            out("xmm0") _, out("xmm1") _, out("xmm2") _, out("xmm3") _, out("xmm4") _,
            out("xmm5") _, out("xmm6") _, out("xmm7") _,
            options(nomem, nostack),
        );
    }
}
