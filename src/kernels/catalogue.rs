//! All kernels by name. A family adds its own list here.

use super::{KernelSpec, contention, float, fma, memory, scalar, vector};

/// Every kernel, in the order of the load classes.
pub fn catalogue() -> Vec<&'static KernelSpec> {
    let families = [
        scalar::KERNELS,
        float::KERNELS,
        fma::KERNELS,
        vector::KERNELS,
        memory::KERNELS,
        contention::KERNELS,
    ];
    families.iter().flat_map(|family| family.iter()).collect()
}

/// The kernel called `name`.
pub fn find(name: &str) -> Option<&'static KernelSpec> {
    catalogue().into_iter().find(|spec| spec.name == name)
}
