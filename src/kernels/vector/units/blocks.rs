//! The blocks that `src/build/units.rs` writes, by instruction set.

#![expect(
    unsafe_code,
    reason = "assembler text, called with pointers into an arena"
)]

use std::arch::global_asm;
use std::ops::Range;

use super::{ADDENDS, Arena, GROUP, LANES, SHIFTS, TAIL, VECTORS};
use crate::kernels::isa;
use crate::model::InstructionSet;

global_asm!(include_str!(concat!(env!("OUT_DIR"), "/units_blocks.s")));

unsafe extern "sysv64" {
    /// State, addends, groups of registers, tail.
    fn soakproof_units_avx2(x: *mut u64, c: *const u64, groups: u64, tail: *mut u64);
    fn soakproof_units_avx512(x: *mut u64, c: *const u64, groups: u64, tail: *mut u64);
}

/// Sweeps by the block for `set`, which is AVX2 or AVX-512.
pub(super) fn sweep(set: InstructionSet, arena: &mut Arena, sweeps: Range<usize>) {
    assert!(isa::is_present(set), "chosen on a processor without it");
    let wide = set == InstructionSet::Avx512;
    let groups = VECTORS / GROUP * if wide { 1 } else { 2 };
    let block = if wide {
        soakproof_units_avx512
    } else {
        soakproof_units_avx2
    };
    for sweep in sweeps {
        let (state, rest) = arena.split_at_mut(ADDENDS);
        let (addends, tail) = rest.split_at_mut(TAIL - ADDENDS);
        let addends = &addends[sweep % SHIFTS * LANES..];
        // SAFETY: the processor has what the block is built of. It reads and writes all of the state
        // (`groups` groups of nine registers) and of the tail, and reads as many addends as there is
        // state and eleven vectors more, which the window leaves behind its last place.
        unsafe {
            block(
                state.as_mut_ptr(),
                addends.as_ptr(),
                groups as u64,
                tail.as_mut_ptr(),
            )
        }
    }
}
