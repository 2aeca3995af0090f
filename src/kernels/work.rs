//! How much a kernel does in one round, so that its rate can be held against what the machine can do
//! at most. Counted from the algorithm as written, not from the compiled code; what only keeps the
//! loop going does not count.

/// Work of one round of one step (compute and contention kernels), or of one pass over one 64-bit
/// word (walks; the mean of a full turn of its passes).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Work {
    /// Floating-point operations in double precision; a fused multiply-add counts as two.
    pub double_flops: u64,
    /// The same in single precision.
    pub single_flops: u64,
    /// Integer operations on general registers, or on 64-bit lanes of vectors. Divisions not counted.
    pub integer_operations: u64,
    /// Divisions of 64-bit integers.
    pub divisions: u64,
    /// Blocks of 64 bytes hashed by an instruction made for it.
    pub hash_blocks: u64,
    /// Bytes read plus bytes written at the level of the kernel's data.
    pub bytes: u64,
    /// Times that a cache line has to change its owner when the members are never alone.
    pub exchanges: u64,
}

impl Work {
    /// Nothing that has a limit; the start of every other value. Right by itself for kernels that wait
    /// on purpose, whose rate says nothing.
    pub const NONE: Self = Self {
        double_flops: 0,
        single_flops: 0,
        integer_operations: 0,
        divisions: 0,
        hash_blocks: 0,
        bytes: 0,
        exchanges: 0,
    };
}
