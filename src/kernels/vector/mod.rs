//! Wide-vector kernels other than the multiply-add ones, which are in `fma`.

mod answers;
mod int;

use super::KernelSpec;

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &[int::SPEC];
