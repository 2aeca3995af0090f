//! The same bodies compiled for AVX2 and AVX-512. A path is only called when `detect` found it;
//! the calls below rest on that rule of `ComputePass`, and check it in debug builds.

#![expect(unsafe_code, reason = "calls functions with target features")]

use super::pass::{Sweep, lanes32, sweep_portable};
use super::{body, wide};
use crate::model::InstructionSet;

#[target_feature(enable = "avx2,fma")]
fn sweep_avx2(kind: Sweep, arena: &mut [u64], from: usize, count: usize) {
    for sweep in from..from + count {
        let parts = body::parts_with_tail(arena);
        match kind {
            Sweep::F64 => wide::f64_avx2(parts.0, parts.1, parts.2, sweep),
            Sweep::F32 => {
                let [x, c, tail] = [parts.0, parts.1, parts.2].map(lanes32);
                wide::f32_avx2(x, c, tail, sweep);
            }
        }
    }
}

#[target_feature(enable = "avx512f,avx512bw,avx512dq,avx512vl,fma")]
fn sweep_avx512(kind: Sweep, arena: &mut [u64], from: usize, count: usize) {
    for sweep in from..from + count {
        let parts = body::parts_with_tail(arena);
        match kind {
            Sweep::F64 => wide::f64_avx512(parts.0, parts.1, parts.2, sweep),
            Sweep::F32 => {
                let [x, c, tail] = [parts.0, parts.1, parts.2].map(lanes32);
                wide::f32_avx512(x, c, tail, sweep);
            }
        }
    }
}

/// Runs sweeps on the path of `set`.
pub(super) fn sweep(set: InstructionSet, kind: Sweep, arena: &mut [u64], range: (usize, usize)) {
    let (from, count) = range;
    match set {
        InstructionSet::Portable
        | InstructionSet::X86
        | InstructionSet::Sha
        | InstructionSet::ScalarFma => {
            sweep_portable(kind, arena, from, count);
        }
        InstructionSet::Avx2 => {
            debug_assert!(is_x86_feature_detected!("avx2") && is_x86_feature_detected!("fma"));
            // SAFETY: `detect` found AVX2 with FMA; the caller of a pass keeps to it.
            unsafe { sweep_avx2(kind, arena, from, count) }
        }
        InstructionSet::Avx512 | InstructionSet::Avx512Ifma => {
            debug_assert!(is_x86_feature_detected!("avx512dq"));
            // SAFETY: `detect` found AVX-512 F, BW, DQ, VL; the caller of a pass keeps to it.
            unsafe { sweep_avx512(kind, arena, from, count) }
        }
    }
}
