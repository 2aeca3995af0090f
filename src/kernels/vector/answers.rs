//! Known answers, produced by the naive scalar reference in `tests/it/vector_kernels.rs`.

use crate::kernels::KnownAnswer;

pub(super) static FMA_F64_L1: &[KnownAnswer] = &[];
pub(super) static FMA_F64_L2: &[KnownAnswer] = &[];
pub(super) static FMA_F32_L1: &[KnownAnswer] = &[];
pub(super) static VEC_INT_L1: &[KnownAnswer] = &[];
