//! The same bodies compiled for AVX2 and AVX-512. A path is only called when `detect` found it;
//! the calls below rest on that rule of `ComputePass`, and check it in debug builds.

#![expect(unsafe_code, reason = "calls functions with target features")]

use super::body;
use super::pass::sweep_portable;
use crate::model::InstructionSet;

#[target_feature(enable = "avx2,fma")]
fn sweep_avx2(arena: &mut [u64], from: usize, count: usize) {
    for sweep in from..from + count {
        body::vec_int::<8>(body::parts(arena), sweep);
    }
}

#[target_feature(enable = "avx512f,avx512bw,avx512dq,avx512vl,fma")]
fn sweep_avx512(arena: &mut [u64], from: usize, count: usize) {
    for sweep in from..from + count {
        body::vec_int::<8>(body::parts(arena), sweep);
    }
}

/// Runs sweeps on the path of `set`.
pub(super) fn sweep(set: InstructionSet, arena: &mut [u64], range: (usize, usize)) {
    let (from, count) = range;
    match set {
        InstructionSet::Portable | InstructionSet::Sha | InstructionSet::ScalarFma => {
            sweep_portable(arena, from, count);
        }
        InstructionSet::Avx2 => {
            debug_assert!(is_x86_feature_detected!("avx2") && is_x86_feature_detected!("fma"));
            // SAFETY: `detect` found AVX2 with FMA; the caller of a pass keeps to it.
            unsafe { sweep_avx2(arena, from, count) }
        }
        InstructionSet::Avx512 => {
            debug_assert!(is_x86_feature_detected!("avx512dq"));
            // SAFETY: `detect` found AVX-512 F, BW, DQ, VL; the caller of a pass keeps to it.
            unsafe { sweep_avx512(arena, from, count) }
        }
    }
}
