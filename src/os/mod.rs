//! The only door to Linux besides the kernels' own instructions: root folder, clocks, processes,
//! signals, memory, affinity. No other room names an absolute path, a pid or a signal.

mod kernel_log;
mod root;

pub use kernel_log::{Drained, KernelLog};
pub use root::{ReadFileError, Root, read_from_start};
