//! Wide-vector kernels other than the multiply-add ones, which are in `fma`.

mod answers;
mod int;
mod units;

use super::KernelSpec;

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &[int::SPEC, units::SPEC];
