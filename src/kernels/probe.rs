//! Core clock by a chain of dependent additions, one a cycle: the maximum of four short probes,
//! because a longer one measures clock times CPU share. For the wide class, independent wide
//! multiply-adds ride off the critical path, so that the clock under wide load is seen. The caller
//! gives the time (`CLOCK_MONOTONIC_RAW`); nothing here reads a clock.

#![cfg_attr(
    target_arch = "x86_64",
    expect(unsafe_code, reason = "a chain that no compiler may fold")
)]

use crate::model::InstructionSet;

/// Outcome of a probe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockProbe {
    /// Clock in MHz. Approximate on targets other than x86-64.
    pub mhz: f64,
    /// (max - min) / max over the four probes: large when the core was shared.
    pub spread: f64,
    /// The same of the two fastest: large when hardly one of them had the core to itself.
    pub best_two_spread: f64,
}

const FIRST_TURNS: u64 = 2000;
const PROBE_NS: u64 = 125_000;
const ADDS_PER_TURN: f64 = 64.0;

/// Probes the clock of the CPU that this thread runs on. `wide` must be a set that `detect` found.
pub fn probe_clock(wide: Option<InstructionSet>, now_ns: &mut dyn FnMut() -> u64) -> ClockProbe {
    let mut timed = |turns: u64| {
        let start = now_ns();
        chain(wide, turns);
        now_ns().saturating_sub(start).max(1)
    };
    let first_ns = timed(FIRST_TURNS);
    let turns = (FIRST_TURNS * PROBE_NS / first_ns).clamp(500, 50_000);
    let adds = f64::from(u32::try_from(turns).unwrap_or(u32::MAX)) * ADDS_PER_TURN;
    let mut tries = [0.0; 4];
    for mhz in &mut tries {
        let ns = f64::from(u32::try_from(timed(turns)).unwrap_or(u32::MAX));
        *mhz = adds * 1000.0 / ns;
    }
    tries.sort_by(f64::total_cmp);
    let [least, .., second, most] = tries;
    ClockProbe {
        mhz: most,
        spread: (most - least) / most,
        best_two_spread: (most - second) / most,
    }
}

/// The clock of [`probe_clock`] alone.
pub fn probe_clock_mhz(wide: Option<InstructionSet>, now_ns: &mut dyn FnMut() -> u64) -> f64 {
    probe_clock(wide, now_ns).mhz
}

#[cfg(not(target_arch = "x86_64"))]
fn chain(_wide: Option<InstructionSet>, turns: u64) {
    let mut sum = std::hint::black_box(1_u64);
    for _ in 0..turns {
        // Each addend depends on the sum, so that the additions cannot be merged; one a cycle is
        // only approximately true.
        for _ in 0..32 {
            sum = sum.wrapping_add(sum >> 1);
        }
        sum = std::hint::black_box(sum);
    }
}

#[cfg(target_arch = "x86_64")]
fn chain(wide: Option<InstructionSet>, turns: u64) {
    match wide {
        Some(InstructionSet::Avx2) => chain_avx2(turns),
        Some(InstructionSet::Avx512 | InstructionSet::Avx512Ifma) => chain_avx512(turns),
        None
        | Some(
            InstructionSet::Portable
            | InstructionSet::X86
            | InstructionSet::Sha
            | InstructionSet::ScalarFma,
        ) => {
            chain_scalar(turns);
        }
    }
}

#[cfg(target_arch = "x86_64")]
macro_rules! chain_with {
    ($name:ident, $set_up:literal, $wide:literal, $end:literal) => {
        fn $name(turns: u64) {
            // SAFETY: only registers named here change, no memory is touched, the loop ends as
            // `turns` is at least 1, and the caller of `probe_clock` passes only sets found by `detect`.
            unsafe {
                std::arch::asm!(
                    $set_up,
                    "2:",
                    ".rept 8",
                    ".rept 8",
                    "add {sum}, {one}",
                    ".endr",
                    $wide,
                    ".endr",
                    "dec {turns}",
                    "jnz 2b",
                    $end,
                    sum = inout(reg) 1_u64 => _,
                    one = in(reg) 1_u64,
                    turns = inout(reg) turns => _,
                    out("xmm0") _, out("xmm1") _, out("xmm2") _, out("xmm3") _, out("xmm4") _,
                    options(nomem, nostack),
                );
            }
        }
    };
}

#[cfg(target_arch = "x86_64")]
chain_with!(chain_scalar, "", "", "");
#[cfg(target_arch = "x86_64")]
chain_with!(
    chain_avx2,
    "vpcmpeqd ymm0, ymm0, ymm0\nvpsllq ymm0, ymm0, 54\nvpsrlq ymm0, ymm0, 2\nvmovapd ymm1, ymm0\nvmovapd ymm2, ymm0",
    "vfmadd231pd ymm1, ymm0, ymm0\nvfmadd231pd ymm2, ymm0, ymm0",
    "vzeroupper"
);
#[cfg(target_arch = "x86_64")]
chain_with!(
    chain_avx512,
    "vpternlogd zmm0, zmm0, zmm0, 255\nvpsllq zmm0, zmm0, 54\nvpsrlq zmm0, zmm0, 2\nvmovapd zmm1, zmm0\nvmovapd zmm2, zmm0",
    "vfmadd231pd zmm1, zmm0, zmm0\nvfmadd231pd zmm2, zmm0, zmm0",
    "vzeroupper"
);
