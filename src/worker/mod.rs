//! The child process that computes: its shared slot, its messages, its life.
