//! Integration tests, one module an area; one binary, so that linking stays cheap.

mod clock_probe;
mod compute_kernels;
mod configuration;
mod confinement;
mod copy_and_chase;
mod corpora;
#[cfg(feature = "fleet")]
mod fleet;
mod fma_kernels;
mod grading;
mod kills;
mod ledger;
mod machines;
mod march_coverage;
mod march_linked;
mod measuring;
mod memory_vectors;
mod memory_walks;
mod notices;
mod own_programs;
mod program;
mod readme;
mod records;
mod recovery;
mod reports;
mod service;
mod suites;
mod trouble;
mod views;
