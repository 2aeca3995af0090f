//! The float chains with the processor's own fused multiply-add, one value at a time. Never entered
//! without asking the processor.

#![expect(
    unsafe_code,
    reason = "calls a body built for FMA after asking for it, and pins values to scalar registers"
)]

use std::arch::asm;

use super::body::{ADDENDS, Chains, advance};

/// Runs the body built for FMA and BMI2.
pub(super) fn advance_fma(chains: &mut Chains, addends: &mut [f64; ADDENDS], rounds: u32) {
    assert!(
        is_x86_feature_detected!("fma") && is_x86_feature_detected!("bmi2"),
        "the FMA path was chosen on a processor without it"
    );
    // SAFETY: the processor was just found to have all that `advance_built` is built for.
    unsafe { advance_built(chains, addends, rounds) }
}

#[target_feature(enable = "fma,bmi2")]
fn advance_built(chains: &mut Chains, addends: &mut [f64; ADDENDS], rounds: u32) {
    advance(chains, addends, rounds, pin);
}

/// The value itself; the compiler must have it alone in a register at this point.
#[inline(always)]
fn pin(mut value: f64) -> f64 {
    // SAFETY: there is no instruction; the register is named as read and written.
    unsafe {
        asm!("/* {0} */", inout(xmm_reg) value, options(pure, nomem, nostack, preserves_flags));
    }
    value
}
