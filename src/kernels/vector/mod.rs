//! Wide-vector kernels other than the multiply-add ones, which are in `fma`.

mod answers;
mod int;
mod int52;
mod units;

use super::KernelSpec;

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &[int::SPEC, int52::SPEC, units::SPEC];
