//! The same multiply-adds as the cancelling kernel, over the same amount of memory, without sum and
//! digest: what the kernel would do if nobody checked it.

#![expect(unsafe_code, reason = "a loop that the compiler may not change")]

use std::arch::asm;

use soakproof::model::InstructionSet;
use soakproof::os::Region;

/// Words of state, as in the first-level kernels.
const STATE_WORDS: usize = 1280;
/// Words of constants: as many and a window beyond.
const CONSTANT_WORDS: usize = STATE_WORDS + 64;
/// Where the constants begin: on another page and half a page off, so that no store lies whole pages from a
/// load.
const CONSTANTS_AT: usize = 3 * 512 + 256;
/// Sweeps of one run, about a millisecond.
const SWEEPS: usize = 1024;

/// State and constants.
pub(crate) struct Twin {
    set: InstructionSet,
    // Page-aligned: a vector across two lines takes twice as long.
    region: Region,
}

impl Twin {
    /// `set` must be AVX2 or AVX-512 and detected.
    pub(crate) fn new(set: InstructionSet) -> Self {
        let bytes = (CONSTANTS_AT + CONSTANT_WORDS) * 8;
        let mut region = Region::map(bytes, &mut || true).expect("some pages");
        let (state, constants) = region.words_mut().split_at_mut(CONSTANTS_AT);
        state.fill(1.5_f64.to_bits());
        constants.fill((-1.215_f64).to_bits());
        Self { set, region }
    }

    /// Double-precision operations of one run: two rounds of four multiply-adds an element.
    pub(crate) fn flops() -> f64 {
        f64::from(u32::try_from(STATE_WORDS * SWEEPS).unwrap_or(u32::MAX)) * 16.0
    }

    /// One run.
    pub(crate) fn run(&mut self) {
        let (state, constants) = self.region.words_mut().split_at_mut(CONSTANTS_AT);
        let state = &mut state[..STATE_WORDS];
        let sweep = if self.set == InstructionSet::Avx512 {
            sweep_512
        } else {
            sweep_256
        };
        for _ in 0..SWEEPS {
            sweep(state, constants);
        }
        let mut values = state.iter().map(|word| f64::from_bits(*word));
        assert!(
            values.all(|x| (1.0..2.0).contains(&x)),
            "the twin left its binade: it no longer does what the kernel does"
        );
    }
}

/// Eight vectors at a time: stretched three times by constants from memory, contracted; twice.
macro_rules! sweep {
    ($name:ident, $v:literal, $bytes:literal, $load:literal, $store:literal) => {
        fn $name(state: &mut [u64], constants: &[u64]) {
            assert!(state.len() % ($bytes / 8 * 8) == 0 && constants.len() >= state.len() + 64);
            // SAFETY: whole groups of eight vectors of `state` are read and written, `constants` is read
            // at most 64 words beyond the group; both lengths were just checked, and the caller made
            // this for a detected set.
            unsafe {
                asm!(
                    concat!("vbroadcastsd ", $v, "12, xmm12"),
                    concat!("vbroadcastsd ", $v, "13, xmm13"),
                    concat!("vbroadcastsd ", $v, "14, xmm14"),
                    "2:",
                    ".irp r, 0, 1, 2, 3, 4, 5, 6, 7",
                    concat!($load, " ", $v, "\\r, [{state} + \\r * ", $bytes, "]"),
                    ".endr",
                    ".irp round, 0, 1",
                    ".irp step, 0, 1, 2",
                    ".irp r, 0, 1, 2, 3, 4, 5, 6, 7",
                    concat!(
                        "vfmadd213pd ", $v, "\\r, ", $v, "12, [{constants} + \\r * ", $bytes,
                        " + \\round * 192 + \\step * 64]"
                    ),
                    ".endr",
                    ".endr",
                    ".irp r, 0, 1, 2, 3, 4, 5, 6, 7",
                    concat!("vfmadd213pd ", $v, "\\r, ", $v, "13, ", $v, "14"),
                    ".endr",
                    ".endr",
                    ".irp r, 0, 1, 2, 3, 4, 5, 6, 7",
                    concat!($store, " [{state} + \\r * ", $bytes, "], ", $v, "\\r"),
                    ".endr",
                    concat!("add {state}, 8 * ", $bytes),
                    concat!("add {constants}, 8 * ", $bytes),
                    "cmp {state}, {end}",
                    "jb 2b",
                    "vzeroupper",
                    state = inout(reg) state.as_mut_ptr() => _,
                    constants = inout(reg) constants.as_ptr() => _,
                    end = in(reg) state.as_ptr_range().end,
                    inout("xmm12") 1.81_f64 => _,
                    inout("xmm13") 0.06_f64 => _,
                    inout("xmm14") 1.41_f64 => _,
                    out("xmm0") _, out("xmm1") _, out("xmm2") _, out("xmm3") _, out("xmm4") _,
                    out("xmm5") _, out("xmm6") _, out("xmm7") _,
                    options(nostack),
                );
            }
        }
    };
}

sweep!(sweep_256, "ymm", 32, "vmovupd", "vmovupd");
sweep!(sweep_512, "zmm", 64, "vmovupd", "vmovupd");
