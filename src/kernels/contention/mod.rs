//! Kernels in which several cores exchange data.

use super::KernelSpec;

/// The family's members.
pub(super) static KERNELS: &[KernelSpec] = &[];
