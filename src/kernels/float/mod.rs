//! Scalar floating-point kernels.

use super::KernelSpec;

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &[];
