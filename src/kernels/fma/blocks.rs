//! The blocks that `src/build/` writes, by kind, format and instruction set.

#![expect(
    unsafe_code,
    reason = "assembler text, called with pointers into an arena"
)]

use std::arch::global_asm;

use super::layout::{Format, Kind, Parts, SHIFT, TAIL, Variant};
use crate::kernels::isa;
use crate::model::InstructionSet;

global_asm!(include_str!(concat!(env!("OUT_DIR"), "/fma_blocks.s")));

/// State, addends of the first sweep, groups, sweeps, tail.
type Block = unsafe extern "sysv64" fn(*mut u64, *const u64, u64, u64, *mut u64);

macro_rules! blocks {
    ($($name:ident $unfolded:ident: $kind:ident $format:ident $set:ident $words:literal;)*) => {
        unsafe extern "sysv64" {
            $(
                fn $name(x: *mut u64, c: *const u64, groups: u64, sweeps: u64, tail: *mut u64);
                fn $unfolded(x: *mut u64, c: *const u64, groups: u64, sweeps: u64, tail: *mut u64);
            )*
        }

        /// The block and the words of its registers.
        fn find(variant: Variant, set: InstructionSet, folds: bool) -> Option<(Block, usize)> {
            match (variant.kind, variant.format, set) {
                $(
                    (Kind::$kind, Format::$format, InstructionSet::$set) => {
                        Some((if folds { $name } else { $unfolded }, $words))
                    }
                )*
                _ => None,
            }
        }
    };
}

blocks! {
    soakproof_cancelling_f64_avx2 soakproof_cancelling_f64_avx2_unfolded: Cancelling Double Avx2 4;
    soakproof_cancelling_f32_avx2 soakproof_cancelling_f32_avx2_unfolded: Cancelling Single Avx2 4;
    soakproof_product_f64_avx2 soakproof_product_f64_avx2_unfolded: Product Double Avx2 4;
    soakproof_product_f32_avx2 soakproof_product_f32_avx2_unfolded: Product Single Avx2 4;
    soakproof_cancelling_f64_avx512 soakproof_cancelling_f64_avx512_unfolded: Cancelling Double Avx512 8;
    soakproof_cancelling_f32_avx512 soakproof_cancelling_f32_avx512_unfolded: Cancelling Single Avx512 8;
    soakproof_product_f64_avx512 soakproof_product_f64_avx512_unfolded: Product Double Avx512 8;
    soakproof_product_f32_avx512 soakproof_product_f32_avx512_unfolded: Product Single Avx512 8;
    soakproof_cancelling_f64_scalar soakproof_cancelling_f64_scalar_unfolded: Cancelling OneDouble ScalarFma 1;
}

/// Runs `sweeps` sweeps from `shift` on by the block for `set`; false when there is none.
pub(super) fn sweep(
    (set, variant, folds): (InstructionSet, Variant, bool),
    parts: &mut Parts<'_>,
    (shift, sweeps): (usize, usize),
) -> bool {
    let Some((block, words)) = find(variant, set, folds) else {
        return false;
    };
    assert!(
        isa::is_present(set),
        "a path was chosen that this processor lacks"
    );
    let group = variant.kind.chains() * words;
    let groups = parts.state.len() / group;
    let reach = parts.state.len() + variant.window_words(shift, sweeps);
    let fits = groups >= 2
        && groups * group == parts.state.len()
        && reach <= parts.addends.len()
        && parts.tail.len() == TAIL
        && sweeps >= 1;
    assert!(fits, "the arena does not fit its block");
    let addends = parts.addends[SHIFT * shift..].as_ptr();
    let (state, tail) = (parts.state.as_mut_ptr(), parts.tail.as_mut_ptr());
    // SAFETY: the processor has what the block is built of; it reads and writes `groups` groups of
    // state and the tail, and reads addends up to `reach`, all of which were just found to be there.
    unsafe { block(state, addends, groups as u64, sweeps as u64, tail) }
    true
}
