//! The real core clock, measured without any privilege: a chain of dependent additions takes one
//! cycle each, so their number over the time is the clock. Short probes see the clock; long ones see
//! the clock times the share of CPU time, so the best of a few short ones counts.
#![expect(
    unsafe_code,
    reason = "the chain is written in assembly, so that no compiler shortens it"
)]

use crate::model::InstructionSet;

/// What a probe found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockProbe {
    /// Highest of the single probes, in MHz.
    pub mhz: f64,
    /// Highest minus lowest, as a share of the highest.
    pub spread: f64,
}

const PROBES: u32 = 4;
/// Rounds of 64 dependent additions; about 130 microseconds at 4 GHz.
const ROUNDS: u32 = 8_000;
const CHAIN: u32 = 64;

/// Measures the clock of the core that the caller runs on. With `wide`, independent vector instructions
/// run beside the chain, so that the clock under wide loads is seen. `now_ns` reads a clock that is
/// not slewed, in nanoseconds (`CLOCK_MONOTONIC_RAW`).
pub fn probe_clock_mhz(
    wide: Option<InstructionSet>,
    now_ns: &mut dyn FnMut() -> u64,
) -> ClockProbe {
    let (mut highest, mut lowest) = (0.0_f64, f64::INFINITY);
    for _ in 0..PROBES {
        let before = now_ns();
        run_chain(wide, ROUNDS);
        let passed_ns = now_ns().saturating_sub(before);
        if passed_ns == 0 {
            continue;
        }
        let cycles = f64::from(ROUNDS) * f64::from(CHAIN);
        #[expect(
            clippy::cast_precision_loss,
            reason = "microseconds are far below 2^53 ns"
        )]
        let mhz = cycles * 1000.0 / passed_ns as f64;
        highest = highest.max(mhz);
        lowest = lowest.min(mhz);
    }
    let spread = if highest > 0.0 {
        (highest - lowest) / highest
    } else {
        0.0
    };
    ClockProbe {
        mhz: highest,
        spread,
    }
}

#[cfg(target_arch = "x86_64")]
fn run_chain(wide: Option<InstructionSet>, rounds: u32) {
    match wide {
        Some(InstructionSet::Avx512) => {
            // SAFETY: the caller names only instruction sets that were detected; the block touches
            // nothing but the registers it declares.
            unsafe {
                std::arch::asm!(
                    "2:",
                    ".rept 16",
                    "add {a}, {b}", "vpaddq zmm0, zmm1, zmm1",
                    "add {a}, {b}", "add {a}, {b}", "add {a}, {b}",
                    ".endr",
                    "dec {n:e}", "jnz 2b",
                    a = inout(reg) 1_u64 => _, b = in(reg) 3_u64, n = inout(reg) rounds => _,
                    out("xmm0") _, out("xmm1") _,
                    options(nomem, nostack),
                );
            }
        }
        Some(InstructionSet::Avx2) => {
            // SAFETY: as above.
            unsafe {
                std::arch::asm!(
                    "2:",
                    ".rept 16",
                    "add {a}, {b}", "vpaddq ymm0, ymm1, ymm1",
                    "add {a}, {b}", "add {a}, {b}", "add {a}, {b}",
                    ".endr",
                    "dec {n:e}", "jnz 2b",
                    a = inout(reg) 1_u64 => _, b = in(reg) 3_u64, n = inout(reg) rounds => _,
                    out("xmm0") _, out("xmm1") _,
                    options(nomem, nostack),
                );
            }
        }
        Some(InstructionSet::Portable | InstructionSet::Sha | InstructionSet::ScalarFma) | None => {
            // SAFETY: the block touches nothing but the registers it declares.
            unsafe {
                std::arch::asm!(
                    "2:",
                    ".rept 64",
                    "add {a}, {b}",
                    ".endr",
                    "dec {n:e}", "jnz 2b",
                    a = inout(reg) 1_u64 => _, b = in(reg) 3_u64, n = inout(reg) rounds => _,
                    options(nomem, nostack),
                );
            }
        }
    }
}

/// Without assembly of our own the chain is only as good as the compiler leaves it: a lower bound.
#[cfg(not(target_arch = "x86_64"))]
fn run_chain(_wide: Option<InstructionSet>, rounds: u32) {
    let mut sum = 1_u64;
    for _ in 0..rounds {
        for _ in 0..CHAIN {
            sum = std::hint::black_box(sum.wrapping_add(3));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clock_is_cycles_over_time_and_the_best_probe_counts() {
        // A clock that advances by 128, 256, 128, 512 microseconds around the four probes.
        let mut steps = [0_u64, 128_000, 0, 256_000, 0, 128_000, 0, 512_000].into_iter();
        let mut at = 5_u64;
        let probe = probe_clock_mhz(None, &mut || {
            at += steps.next().unwrap_or(0);
            at
        });
        assert_eq!(probe.mhz, 4000.0);
        assert_eq!(probe.spread, 0.75);
    }
}
