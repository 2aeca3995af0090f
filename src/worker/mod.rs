//! The child process that computes: its assignment, its shared slot, its rhythm, its life.
//!
//! Workers are processes, not threads: an unstable core does not only compute wrong, it jumps to
//! garbage, and that is evidence which must not take the supervisor with it. Everything that
//! comes back from a worker is untrusted: counts are plain words, checked by the reader.

mod assignment;
mod errand;
mod life;
mod rhythm;
mod slot;

pub use assignment::{Assignment, Message};
pub use life::work;
pub use rhythm::{Phase, phase_at};
pub use slot::{GroupLayout, KernelCounts, SLOT_WORDS, SlotReader, SlotReport, SlotWriter};
